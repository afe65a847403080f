//! What a sensor of version 1.4 says of one of its values: which quantity it is, and in which unit (section 6.2).

use alloc::string::String;
use alloc::vec::Vec;

use super::{Command, Sdi12Error, body, checked, form, printable_text};

/// One value of a measurement, as its sensor describes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parameter {
    /// A concise name: by recommendation a code of SHEF, such as `WO` for dissolved oxygen, else the vendor's own.
    pub code: String,
    /// The unit as the vendor spells it; empty where there is none.
    pub unit: String,
    /// Whatever else the vendor tells: mostly a longer name.
    pub more: Vec<String>,
}

/// Reads the answer to [`Command::Describe`]: `a,code,unit,…;`, with the CRC that was asked for. `None` where the
/// measurement has no value of that position.
///
/// # Errors
/// Another sensor's answer, a CRC that does not fit, or not of that form.
pub fn decode_parameter(
    received: &[u8],
    command: Command,
    address: u8,
) -> Result<Option<Parameter>, Sdi12Error> {
    const WANTED: &str = "a,code,unit; with further fields before the semicolon, if any";
    let sent = command.encode(address).unwrap_or_default();
    let mut rest = body(received, &sent, address)?;
    if let Command::Describe { crc: true, .. } = command {
        rest = checked(rest, address, WANTED)?;
    }
    if rest.is_empty() {
        return Ok(None);
    }
    let fields = rest.strip_prefix(b",").and_then(|rest| rest.strip_suffix(b";"));
    let fields = fields.filter(|fields| !fields.contains(&b';')).ok_or_else(|| form(rest, WANTED))?;
    let mut fields = fields.split(|byte| *byte == b',').map(printable_text);
    match (fields.next(), fields.next()) {
        (Some(code), Some(unit)) if !code.is_empty() => {
            Ok(Some(Parameter { code, unit, more: fields.filter(|field| !field.is_empty()).collect() }))
        }
        _ => Err(form(rest, WANTED)),
    }
}
