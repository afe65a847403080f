//! Values out of message payloads: bare numbers, JSON by JSON Pointer (RFC 6901), SenML (RFC 8428).
//!
//! What can be read is read and what cannot is said, pick by pick: a node whose pH electrode sends
//! `null` still reports its oxygen.

use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;

use serde_json::Value;

use crate::senml::{self, Resolved, SenmlTime, SenmlValue, kind};
use crate::{time, unit};

/// How to read one channel out of a payload.
#[derive(Debug, Clone, PartialEq)]
pub struct Pick {
    /// What it is: a quantity id.
    pub channel: String,
    /// Where it stands.
    pub from: PickFrom,
    /// Multiplied with the number found; with SenML after its unit was turned into the channel's.
    pub scale: f64,
    /// Added after scaling.
    pub offset: f64,
}

/// Where a value stands in a payload.
#[derive(Debug, Clone, PartialEq)]
pub enum PickFrom {
    /// The payload is one number as text.
    Bare,
    /// JSON, value at an RFC 6901 pointer.
    Json {
        /// The pointer.
        pointer: String,
        /// Pointer to the probe's own time (RFC 3339 text, or seconds or milliseconds since 1970).
        time: Option<String>,
    },
    /// SenML JSON (RFC 8428): the record with this resolved name.
    Senml {
        /// The name after base names were put in front.
        name: String,
    },
}

/// What a channel accepts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Expected<'a> {
    /// Its unit; a SenML record in another unit is converted, or refused where that makes no sense.
    pub unit: &'a str,
    /// Whether `true` and `false` may stand for 1 and 0.
    pub switch: bool,
}

/// One value read out of a payload.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Picked {
    /// Position of its pick.
    pub pick: usize,
    /// After conversion of unit, scale and offset; always finite.
    pub value: f64,
    /// When the sender says that it measured, if it does.
    pub time: Option<PickedTime>,
}

/// Time in a payload.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PickedTime {
    /// Milliseconds since 1970-01-01T00:00:00Z.
    UnixMs(i64),
    /// Milliseconds from now, by the receiver's clock; negative in the past.
    FromNowMs(i64),
}

/// All that a payload gave.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Decoded {
    /// Values, in the order of the picks.
    pub values: Vec<Picked>,
    /// What could not be read, and why.
    pub problems: Vec<PayloadError>,
}

/// Why something could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: found {found}; accepted is {accepted}")]
pub struct PayloadError {
    /// Where: the whole payload, a JSON pointer, a SenML record and field.
    pub place: String,
    /// What stood there.
    pub found: String,
    /// What would have been accepted.
    pub accepted: String,
}

impl PayloadError {
    fn new(place: impl Into<String>, found: impl Into<String>, accepted: impl Into<String>) -> Self {
        Self { place: place.into(), found: found.into(), accepted: accepted.into() }
    }
}

/// Above this a number of a time is in milliseconds, below in seconds: seconds reach it in the year
/// 5138, milliseconds passed it in 1973.
const MILLISECONDS_ABOVE: f64 = 1e11;

/// Checks a JSON pointer before it is used.
///
/// # Errors
/// What is wrong with it, in words.
pub fn check_pointer(pointer: &str) -> Result<(), &'static str> {
    if !pointer.is_empty() && !pointer.starts_with('/') {
        return Err("a JSON pointer is empty (the whole payload) or begins with `/`");
    }
    let mut rest = pointer;
    while let Some(at) = rest.find('~') {
        rest = rest.get(at + 1..).unwrap_or("");
        if !rest.starts_with(['0', '1']) {
            return Err("in a JSON pointer `~` stands only in `~0` (for `~`) and `~1` (for `/`)");
        }
    }
    Ok(())
}

/// Reads all picks out of a payload. Total: any bytes give values or problems, and never a panic.
pub fn decode<'e>(
    payload: &[u8],
    picks: &[Pick],
    expected: impl Fn(&str) -> Option<Expected<'e>>,
) -> Decoded {
    let mut decoded = Decoded::default();
    let text = match core::str::from_utf8(payload) {
        Ok(text) => text,
        Err(error) => {
            let byte = payload.get(error.valid_up_to()).copied().unwrap_or(0);
            let found = format!("byte {byte:#04x} at position {}", error.valid_up_to());
            decoded.problems.push(PayloadError::new("payload", found, "text in UTF-8"));
            return decoded;
        }
    };
    let needs_json = picks.iter().any(|pick| !matches!(pick.from, PickFrom::Bare));
    let json = if needs_json {
        match serde_json::from_str::<Value>(text) {
            Ok(json) => json,
            Err(error) => {
                let found = format!("`{}` ({error})", shortened(text));
                decoded.problems.push(PayloadError::new("payload", found, "JSON (RFC 8259), without NaN"));
                return decoded;
            }
        }
    } else {
        Value::Null
    };
    let mut pack: Option<Vec<Resolved>> = None;
    for (index, pick) in picks.iter().enumerate() {
        let Some(expected) = expected(&pick.channel) else {
            decoded.problems.push(PayloadError::new(
                "configuration",
                format!("channel `{}`", pick.channel),
                "a known quantity",
            ));
            continue;
        };
        let mut put = |found: Result<(f64, Option<PickedTime>), PayloadError>| match found
            .and_then(|(raw, time)| Ok((scaled(pick, raw)?, time)))
        {
            Ok((value, time)) => decoded.values.push(Picked { pick: index, value, time }),
            Err(problem) => decoded.problems.push(problem),
        };
        match &pick.from {
            PickFrom::Bare => put(bare(text).map(|value| (value, None))),
            PickFrom::Json { pointer, time } => put(by_pointer(&json, pointer, time.as_deref(), expected)),
            PickFrom::Senml { name } => {
                if pack.is_none() {
                    match senml::decode(&json) {
                        Ok(records) => pack = Some(records),
                        Err(error) => {
                            put(Err(PayloadError::new(
                                format!("SenML record {}, `{}`", error.record, error.field),
                                error.found,
                                error.accepted,
                            )));
                            // The other SenML picks would only say the same again.
                            pack = Some(Vec::new());
                            continue;
                        }
                    }
                }
                let records = pack.as_deref().unwrap_or_default();
                let mut any = false;
                for record in records.iter().filter(|record| record.name == *name) {
                    any = true;
                    put(from_record(record, expected));
                }
                if !any && !records.is_empty() {
                    let names: Vec<&str> = records.iter().map(|record| record.name.as_str()).collect();
                    let found = format!("only {}", shortened(&names.join(", ")));
                    put(Err(PayloadError::new("SenML pack", found, format!("a record named `{name}`"))));
                }
            }
        }
    }
    decoded
}

fn scaled(pick: &Pick, raw: f64) -> Result<f64, PayloadError> {
    let value = raw * pick.scale + pick.offset;
    if value.is_finite() {
        Ok(value)
    } else {
        Err(PayloadError::new(format!("`{}`", pick.channel), format!("{raw}"), "a finite number"))
    }
}

fn bare(text: &str) -> Result<f64, PayloadError> {
    let error = || {
        PayloadError::new("payload", format!("`{}`", shortened(text)), "one finite number, such as `6.42`")
    };
    // Rust's own reading of numbers would take words such as `inf` and `nan`.
    let text = text.trim();
    if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b)) {
        return Err(error());
    }
    text.parse::<f64>().ok().filter(|value| value.is_finite()).ok_or_else(error)
}

fn number_or_switch(
    value: &Value,
    expected: Expected<'_>,
    place: impl Fn() -> String,
) -> Result<f64, PayloadError> {
    let accepted = if expected.switch { "0, 1, true or false" } else { "a finite number" };
    match value {
        Value::Bool(on) if expected.switch => Ok(if *on { 1.0 } else { 0.0 }),
        Value::Number(number) => number
            .as_f64()
            .filter(|number| number.is_finite())
            .ok_or_else(|| PayloadError::new(place(), number.to_string(), accepted)),
        Value::String(text) => {
            Err(PayloadError::new(place(), format!("the text `{}`", shortened(text)), accepted))
        }
        other => Err(PayloadError::new(place(), kind(other), accepted)),
    }
}

fn by_pointer(
    json: &Value,
    pointer: &str,
    time: Option<&str>,
    expected: Expected<'_>,
) -> Result<(f64, Option<PickedTime>), PayloadError> {
    let place = |pointer: &str| format!("JSON pointer `{pointer}`");
    let absent = || format!("nothing there in `{}`", shortened(&json.to_string()));
    let value = json
        .pointer(pointer)
        .ok_or_else(|| PayloadError::new(place(pointer), absent(), "a number at that place"))?;
    let value = number_or_switch(value, expected, || place(pointer))?;
    let Some(pointer) = time else { return Ok((value, None)) };
    let accepted = "the time of the reading: RFC 3339 text, or seconds or milliseconds since 1970";
    let stamp = json.pointer(pointer).ok_or_else(|| PayloadError::new(place(pointer), absent(), accepted))?;
    let stamp = match stamp {
        Value::String(text) => {
            time::parse_rfc3339(text).map_err(|why| format!("`{}` ({why})", shortened(text)))
        }
        Value::Number(number) => match number.as_f64() {
            Some(ms) if (MILLISECONDS_ABOVE..9e15).contains(&ms) => Ok(ms as i64),
            Some(s) if (0.0..MILLISECONDS_ABOVE).contains(&s) => Ok((s * 1_000.0) as i64),
            _ => Err(number.to_string()),
        },
        other => Err(kind(other).to_string()),
    };
    match stamp {
        Ok(ms) => Ok((value, Some(PickedTime::UnixMs(ms)))),
        Err(found) => Err(PayloadError::new(place(pointer), found, accepted)),
    }
}

fn from_record(record: &Resolved, expected: Expected<'_>) -> Result<(f64, Option<PickedTime>), PayloadError> {
    let place = || format!("SenML record `{}`", record.name);
    let value = match &record.value {
        SenmlValue::Number(number) => *number,
        SenmlValue::Boolean(on) if expected.switch => {
            if *on {
                1.0
            } else {
                0.0
            }
        }
        other => {
            let found = match other {
                SenmlValue::Text(text) => format!("the text `{}`", shortened(text)),
                SenmlValue::Boolean(_) => "true or false".to_string(),
                _ => "neither number nor text".to_string(),
            };
            return Err(PayloadError::new(place(), found, "a number (`v`)"));
        }
    };
    // RFC 8428 lets the unit be left out; the value is then in the channel's unit, as with bare numbers.
    let value = match record.unit.as_deref() {
        None => value,
        Some(unit) => match unit::conversion(unit, expected.unit) {
            Some(conversion) => conversion.apply(value),
            None => {
                let found = format!("the unit `{}`", shortened(unit));
                return Err(PayloadError::new(place(), found, unit::spellings(expected.unit)));
            }
        },
    };
    let time = match record.time {
        None => None,
        Some(SenmlTime::Absolute(s)) if s < 9e12 => Some(PickedTime::UnixMs((s * 1_000.0) as i64)),
        Some(SenmlTime::Relative(s)) if s > -9e12 => Some(PickedTime::FromNowMs((s * 1_000.0) as i64)),
        Some(SenmlTime::Absolute(s) | SenmlTime::Relative(s)) => {
            return Err(PayloadError::new(place(), format!("the time {s} s"), "a time within reach"));
        }
    };
    Ok((value, time))
}

/// Text as found, cut for a message: at most 60 characters, control characters shown as escapes.
pub(crate) fn shortened(text: &str) -> String {
    let mut short = String::new();
    for c in text.chars().take(60) {
        if c.is_control() {
            short.extend(c.escape_debug());
        } else {
            short.push(c);
        }
    }
    if text.chars().nth(60).is_some() {
        short.push('…');
    }
    short
}

#[cfg(test)]
mod tests;
