//! SenML in JSON (RFC 8428), decoded with base fields resolved and encoded record by record.
//!
//! Source: RFC 8428, sections 4 (fields), 5 (JSON) and 12.1 (units). Units beyond its registry, such as
//! mg/L, are carried as they are; [`crate::unit`] says which can be understood.

use alloc::collections::BTreeMap;
use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;

use serde::Serialize;
use serde_json::{Map, Value};

/// Versions of SenML that are understood; 10 is that of RFC 8428, and lower ones were its drafts.
pub const VERSION: u64 = 10;

/// Times below this are relative to now (RFC 8428 section 4.5.3): 2^28 seconds.
const RELATIVE_TIME_BELOW_S: f64 = 268_435_456.0;

/// Most records of a pack that is decoded: far above what one probe node sends, and small enough to
/// bound the memory that one message can take.
pub const RECORDS_MAX: usize = 4_096;

/// One record to send. Fields that are `None` are left out.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Record {
    /// Base name: put in front of the names of this record and all that follow.
    #[serde(rename = "bn", skip_serializing_if = "Option::is_none")]
    pub base_name: Option<String>,
    /// Base time, seconds since 1970: added to the times of this record and all that follow.
    #[serde(rename = "bt", skip_serializing_if = "Option::is_none")]
    pub base_time: Option<f64>,
    /// Base unit: the unit of this record and all that follow without their own.
    #[serde(rename = "bu", skip_serializing_if = "Option::is_none")]
    pub base_unit: Option<String>,
    /// Name.
    #[serde(rename = "n", skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Unit.
    #[serde(rename = "u", skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Number.
    #[serde(rename = "v", skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// Text.
    #[serde(rename = "vs", skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Truth value.
    #[serde(rename = "vb", skip_serializing_if = "Option::is_none")]
    pub boolean: Option<bool>,
    /// Time, seconds, relative to the base time.
    #[serde(rename = "t", skip_serializing_if = "Option::is_none")]
    pub time: Option<f64>,
}

/// A pack to send: records in order.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[serde(transparent)]
pub struct Pack(pub Vec<Record>);

impl Pack {
    /// The pack as JSON.
    ///
    /// # Errors
    /// Names the first record whose number or time is not finite (JSON cannot carry it), or whose
    /// resolved name is empty or has characters that RFC 8428 section 4.5.1 does not allow.
    pub fn encode(&self) -> Result<String, SenmlError> {
        self.check()?;
        serde_json::to_string(self)
            .map_err(|error| SenmlError::at(0, "pack", &error.to_string(), "a pack that JSON can carry"))
    }

    fn check(&self) -> Result<(), SenmlError> {
        let mut base_name = "";
        for (index, record) in self.0.iter().enumerate() {
            if let Some(name) = &record.base_name {
                base_name = name;
            }
            let name = format!("{base_name}{}", record.name.as_deref().unwrap_or(""));
            check_name(index, &name)?;
            for (field, number) in [("v", record.value), ("t", record.time), ("bt", record.base_time)] {
                if let Some(number) = number
                    && !number.is_finite()
                {
                    return Err(SenmlError::at(index, field, &number.to_string(), "a finite number"));
                }
            }
        }
        Ok(())
    }
}

/// One record as decoded, base fields resolved.
#[derive(Debug, Clone, PartialEq)]
pub struct Resolved {
    /// Base name and name.
    pub name: String,
    /// Unit, if one was given.
    pub unit: Option<String>,
    /// What it says.
    pub value: SenmlValue,
    /// When, if the record says so.
    pub time: Option<SenmlTime>,
}

/// What a record says.
#[derive(Debug, Clone, PartialEq)]
pub enum SenmlValue {
    /// A number (`v`), base value added.
    Number(f64),
    /// Text (`vs`).
    Text(String),
    /// Truth value (`vb`).
    Boolean(bool),
    /// Octets (`vd`), or a sum (`s`) without a value.
    Other,
}

/// Time of a record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SenmlTime {
    /// Seconds since 1970-01-01T00:00:00Z.
    Absolute(f64),
    /// Seconds from now; negative in the past.
    Relative(f64),
}

/// What is wrong with a pack, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("SenML record {record}, `{field}`: found {found}; accepted is {accepted}")]
pub struct SenmlError {
    /// Position of the record, counted from 1.
    pub record: usize,
    /// Which field.
    pub field: String,
    /// What stood there.
    pub found: String,
    /// What would have been accepted.
    pub accepted: String,
}

impl SenmlError {
    fn at(index: usize, field: &str, found: &str, accepted: &str) -> Self {
        Self {
            record: index + 1,
            field: field.to_string(),
            found: crate::payload::shortened(found),
            accepted: accepted.to_string(),
        }
    }
}

fn check_name(index: usize, name: &str) -> Result<(), SenmlError> {
    let accepted = "a name of letters, digits and `- : . / _` that begins with a letter or digit";
    // Byte by byte: of what is not ASCII none is allowed either.
    let allowed = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b':' | b'.' | b'/' | b'_');
    if name.bytes().next().is_some_and(|byte| byte.is_ascii_alphanumeric()) && name.bytes().all(allowed) {
        Ok(())
    } else {
        Err(SenmlError::at(index, "n", &format!("`{name}`"), accepted))
    }
}

/// Decodes a pack from parsed JSON.
///
/// # Errors
/// Names the first record and field that RFC 8428 does not allow. Unknown fields are passed over, as
/// section 4.4 asks, except those that end in `_`, which must be understood.
pub fn decode(json: &Value) -> Result<Vec<Resolved>, SenmlError> {
    let Value::Array(records) = json else {
        return Err(SenmlError::at(0, "pack", kind(json), "an array of records"));
    };
    if records.len() > RECORDS_MAX {
        let found = format!("{} records", records.len());
        return Err(SenmlError::at(RECORDS_MAX, "pack", &found, &format!("at most {RECORDS_MAX} records")));
    }
    let mut base = Base::default();
    let mut resolved = Vec::with_capacity(records.len());
    for (index, record) in records.iter().enumerate() {
        let Value::Object(fields) = record else {
            return Err(SenmlError::at(index, "record", kind(record), "an object"));
        };
        if let Some(resolved_record) = decode_record(index, fields, &mut base)? {
            resolved.push(resolved_record);
        }
    }
    Ok(resolved)
}

#[derive(Default)]
struct Base {
    name: String,
    time: Option<f64>,
    unit: Option<String>,
    value: f64,
}

/// `None` for a record that only sets base fields.
fn decode_record(
    index: usize,
    fields: &Map<String, Value>,
    base: &mut Base,
) -> Result<Option<Resolved>, SenmlError> {
    if let Some(unknown) = fields.keys().find(|key| key.ends_with('_')) {
        return Err(SenmlError::at(index, unknown, "a field that must be understood", "no such field"));
    }
    let number = |key: &str| number_field(index, fields, key);
    let text = |key: &str| text_field(index, fields, key);
    if let Some(version) = fields.get("bver")
        && version.as_u64().is_none_or(|version| version > VERSION)
    {
        let accepted = format!("a version up to {VERSION}");
        return Err(SenmlError::at(index, "bver", &version.to_string(), &accepted));
    }
    if let Some(name) = text("bn")? {
        base.name = name;
    }
    if let Some(time) = number("bt")? {
        base.time = Some(time);
    }
    if let Some(unit) = text("bu")? {
        base.unit = Some(unit);
    }
    if let Some(value) = number("bv")? {
        base.value = value;
    }
    let values: Vec<&str> =
        ["v", "vs", "vb", "vd"].into_iter().filter(|key| fields.contains_key(*key)).collect();
    if values.len() > 1 {
        return Err(SenmlError::at(index, values.join("` and `").as_str(), "two values", "one value"));
    }
    let value = if let Some(value) = number("v")? {
        let value = base.value + value;
        if !value.is_finite() {
            return Err(SenmlError::at(index, "v", &value.to_string(), "a finite number"));
        }
        SenmlValue::Number(value)
    } else if let Some(text) = text("vs")? {
        SenmlValue::Text(text)
    } else if let Some(boolean) = fields.get("vb") {
        match boolean {
            Value::Bool(boolean) => SenmlValue::Boolean(*boolean),
            other => return Err(SenmlError::at(index, "vb", kind(other), "true or false")),
        }
    } else if fields.contains_key("vd") || fields.contains_key("s") {
        SenmlValue::Other
    } else {
        return Ok(None);
    };
    let name = format!("{}{}", base.name, text("n")?.unwrap_or_default());
    check_name(index, &name)?;
    let time = match (base.time, number("t")?) {
        (None, None) => None,
        (base, own) => {
            let time = base.unwrap_or(0.0) + own.unwrap_or(0.0);
            Some(if time < RELATIVE_TIME_BELOW_S {
                SenmlTime::Relative(time)
            } else {
                SenmlTime::Absolute(time)
            })
        }
    };
    let unit = text("u")?.or_else(|| base.unit.clone());
    Ok(Some(Resolved { name, unit, value, time }))
}

fn number_field(index: usize, fields: &Map<String, Value>, key: &str) -> Result<Option<f64>, SenmlError> {
    match fields.get(key) {
        None => Ok(None),
        Some(value) => match value.as_f64() {
            Some(number) if number.is_finite() => Ok(Some(number)),
            Some(number) => Err(SenmlError::at(index, key, &number.to_string(), "a finite number")),
            None => Err(SenmlError::at(index, key, kind(value), "a number")),
        },
    }
}

fn text_field(index: usize, fields: &Map<String, Value>, key: &str) -> Result<Option<String>, SenmlError> {
    match fields.get(key) {
        None => Ok(None),
        Some(Value::String(text)) => Ok(Some(text.clone())),
        Some(other) => Err(SenmlError::at(index, key, kind(other), "text")),
    }
}

/// What kind of JSON a value is, in words.
pub(crate) fn kind(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "true or false",
        Value::Number(_) => "a number",
        Value::String(_) => "text",
        Value::Array(_) => "an array",
        Value::Object(_) => "an object",
    }
}

/// The newest number of each name, for a reader that wants one value per name.
pub fn by_name(records: &[Resolved]) -> BTreeMap<&str, &Resolved> {
    records.iter().map(|record| (record.name.as_str(), record)).collect()
}

mod cbor;
mod numbers;
pub use numbers::{Label, Numbers};
#[cfg(test)]
mod tests;
