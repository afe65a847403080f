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
mod tests {
    use alloc::vec;

    use proptest::prelude::*;

    use super::*;

    fn expected(channel: &str) -> Option<Expected<'static>> {
        match channel {
            "do_mg_l" => Some(Expected { unit: "mg/L", switch: false }),
            "temperature_c" => Some(Expected { unit: "°C", switch: false }),
            "aerator_on" => Some(Expected { unit: "", switch: true }),
            _ => None,
        }
    }

    fn pick(channel: &str, from: PickFrom) -> Pick {
        Pick { channel: channel.to_string(), from, scale: 1.0, offset: 0.0 }
    }

    fn json(pointer: &str, time: Option<&str>) -> PickFrom {
        PickFrom::Json { pointer: pointer.to_string(), time: time.map(ToString::to_string) }
    }

    fn senml(name: &str) -> PickFrom {
        PickFrom::Senml { name: name.to_string() }
    }

    #[track_caller]
    fn value(payload: &str, pick: Pick) -> (f64, Option<PickedTime>) {
        let decoded = decode(payload.as_bytes(), &[pick], expected);
        assert_eq!(decoded.problems, [], "{payload}");
        (decoded.values[0].value, decoded.values[0].time)
    }

    #[track_caller]
    fn problem(payload: &[u8], pick: Pick) -> String {
        let decoded = decode(payload, &[pick], expected);
        assert_eq!((decoded.values, decoded.problems.len()), (vec![], 1), "{payload:?}");
        decoded.problems[0].to_string()
    }

    #[test]
    fn bare_numbers_are_read() {
        for (payload, expected) in
            [("6.42", 6.42), (" 6.42\r\n", 6.42), ("-1", -1.0), ("+0.5", 0.5), ("65e-1", 6.5), (".5", 0.5)]
        {
            assert_eq!(value(payload, pick("do_mg_l", PickFrom::Bare)).0, expected);
        }
        let mut scaled = pick("do_mg_l", PickFrom::Bare);
        (scaled.scale, scaled.offset) = (0.01, 1.0);
        assert_eq!(value("642", scaled).0, 642.0 * 0.01 + 1.0);
    }

    #[test]
    fn what_is_not_a_bare_number_is_refused_with_what_stood_there() {
        for payload in
            ["", "NaN", "nan", "inf", "-infinity", "1e999", "6,42", "6.42 mg/L", "0x10", "1_0", "e"]
        {
            let text = problem(payload.as_bytes(), pick("do_mg_l", PickFrom::Bare));
            let found =
                alloc::format!("payload: found `{payload}`; accepted is one finite number, such as `6.42`");
            assert_eq!(text, found);
        }
        assert_eq!(
            problem(&[b'6', 0xFF, b'4'], pick("do_mg_l", PickFrom::Bare)),
            "payload: found byte 0xff at position 1; accepted is text in UTF-8"
        );
        let long = "7 ".repeat(500_000);
        let text = problem(long.as_bytes(), pick("do_mg_l", PickFrom::Bare));
        assert!(text.len() < 300, "a message about a large payload is short: {}", text.len());
        let escape = problem(b"\x1b[2J", pick("do_mg_l", PickFrom::Bare));
        assert!(!escape.contains('\x1b'), "{escape:?} must not steer a terminal");
    }

    /// RFC 6901, section 5: the document and some of its pointers.
    const RFC_6901: &str = r#"{"foo": ["bar", 9], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}"#;

    #[test]
    fn json_pointers_find_what_the_rfc_says() {
        for (pointer, expected) in [
            ("/", 0.0),
            ("/a~1b", 1.0),
            ("/c%d", 2.0),
            ("/e^f", 3.0),
            ("/g|h", 4.0),
            ("/i\\j", 5.0),
            ("/k\"l", 6.0),
            ("/ ", 7.0),
            ("/m~0n", 8.0),
            ("/foo/1", 9.0),
        ] {
            assert_eq!(check_pointer(pointer), Ok(()));
            assert_eq!(value(RFC_6901, pick("do_mg_l", json(pointer, None))).0, expected, "{pointer}");
        }
        assert_eq!(value("4.5", pick("do_mg_l", json("", None))).0, 4.5, "the whole document");
        assert!(
            check_pointer("foo").is_err() && check_pointer("/a~2").is_err() && check_pointer("/a~").is_err()
        );
    }

    #[test]
    fn json_that_has_no_number_there_is_refused() {
        for (payload, found) in [
            (r#"{"do": null}"#, "null"),
            (r#"{"do": "6.4"}"#, "the text `6.4`"),
            (r#"{"do": true}"#, "true or false"),
            (r#"{"do": [6.4]}"#, "an array"),
            (r#"{"d0": 6.4}"#, "nothing there in `{\"d0\":6.4}`"),
        ] {
            let text = problem(payload.as_bytes(), pick("do_mg_l", json("/do", None)));
            assert!(text.starts_with(&alloc::format!("JSON pointer `/do`: found {found}; ")), "{text}");
        }
        for payload in [r#"{"do": NaN}"#, r#"{"do": 1e999}"#, r#"{"do": 6.4"#, "", "{'do': 6.4}"] {
            let text = problem(payload.as_bytes(), pick("do_mg_l", json("/do", None)));
            assert!(text.contains("accepted is JSON (RFC 8259), without NaN"), "{text}");
        }
        let deep = "[".repeat(100_000);
        let text = problem(deep.as_bytes(), pick("do_mg_l", json("/0", None)));
        assert!(text.contains("recursion limit"), "{text}");
    }

    #[test]
    fn json_times_are_read_as_text_seconds_or_milliseconds() {
        let time = |stamp: &str| {
            let payload = alloc::format!(r#"{{"do": 6.4, "at": {stamp}}}"#);
            value(&payload, pick("do_mg_l", json("/do", Some("/at")))).1
        };
        // 2026-03-01T05:12:00Z is 1772341920 by GNU date.
        assert_eq!(time("\"2026-03-01T05:12:00Z\""), Some(PickedTime::UnixMs(1_772_341_920_000)));
        assert_eq!(time("1772341920"), Some(PickedTime::UnixMs(1_772_341_920_000)));
        assert_eq!(time("1772341920.25"), Some(PickedTime::UnixMs(1_772_341_920_250)));
        assert_eq!(time("1772341920250"), Some(PickedTime::UnixMs(1_772_341_920_250)));
        for stamp in ["null", "-5", "\"yesterday\"", "1e300", "\"2026-03-01T05:12:00\""] {
            let payload = alloc::format!(r#"{{"do": 6.4, "at": {stamp}}}"#);
            let text = problem(payload.as_bytes(), pick("do_mg_l", json("/do", Some("/at"))));
            assert!(text.starts_with("JSON pointer `/at`: found "), "{text}");
        }
        problem(br#"{"do": 6.4}"#, pick("do_mg_l", json("/do", Some("/at"))));
    }

    #[test]
    fn one_bad_value_does_not_lose_the_others() {
        let picks = [
            pick("do_mg_l", json("/do", None)),
            pick("temperature_c", json("/t", None)),
            pick("aerator_on", json("/on", None)),
            pick("colour", json("/do", None)),
        ];
        let decoded = decode(br#"{"do": 6.4, "t": null, "on": true}"#, &picks, expected);
        let values: Vec<(usize, f64)> = decoded.values.iter().map(|v| (v.pick, v.value)).collect();
        assert_eq!(values, [(0, 6.4), (2, 1.0)]);
        assert_eq!(decoded.problems.len(), 2);
    }

    #[test]
    fn senml_values_come_in_the_channels_unit() {
        let pack = r#"[{"bn":"p3:","bt":1772341920,"n":"do","u":"kg/m3","v":0.0064},
                       {"n":"temp","u":"K","v":302.15,"t":-5},{"n":"wheel","vb":true},{"n":"bare","v":7}]"#;
        let (oxygen, time) = value(pack, pick("do_mg_l", senml("p3:do")));
        assert!((oxygen - 6.4).abs() < 1e-12, "{oxygen}");
        assert_eq!(time, Some(PickedTime::UnixMs(1_772_341_920_000)));
        let (temperature, time) = value(pack, pick("temperature_c", senml("p3:temp")));
        assert!((temperature - 29.0).abs() < 1e-9);
        assert_eq!(time, Some(PickedTime::UnixMs(1_772_341_915_000)));
        assert_eq!(value(pack, pick("aerator_on", senml("p3:wheel"))).0, 1.0);
        assert_eq!(value(pack, pick("do_mg_l", senml("p3:bare"))).0, 7.0);
    }

    #[test]
    fn senml_in_a_wrong_unit_or_under_another_name_is_refused() {
        let pack = br#"[{"n":"do","u":"Cel","v":6.4},{"n":"text","vs":"ok"}]"#;
        let text = problem(pack, pick("do_mg_l", senml("do")));
        assert!(text.starts_with("SenML record `do`: found the unit `Cel`; accepted is `mg/L`"), "{text}");
        let text = problem(pack, pick("do_mg_l", senml("oxygen")));
        assert_eq!(text, "SenML pack: found only do, text; accepted is a record named `oxygen`");
        let text = problem(pack, pick("do_mg_l", senml("text")));
        assert!(text.contains("the text `ok`"), "{text}");
        let text = problem(br#"[{"n":"do","v":"6.4"}]"#, pick("do_mg_l", senml("do")));
        assert_eq!(text, "SenML record 1, `v`: found text; accepted is a number");
    }

    #[test]
    fn a_series_in_one_pack_gives_every_value() {
        let pack = br#"[{"bn":"do","bt":1772341920,"v":6.4},{"t":60,"v":6.3},{"t":120,"v":6.2}]"#;
        let decoded = decode(pack, &[pick("do_mg_l", senml("do"))], expected);
        let values: Vec<f64> = decoded.values.iter().map(|v| v.value).collect();
        assert_eq!(values, [6.4, 6.3, 6.2]);
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic_and_every_value_is_finite(
            bytes in prop_oneof![
                prop::collection::vec(any::<u8>(), 0..200),
                "[\\[\\]{}\":,a-z0-9.eE+-]{0,80}".prop_map(String::into_bytes),
                (any::<f64>(), any::<f64>(), "[a-z/%]{0,5}")
                    .prop_map(|(v, t, u)| alloc::format!(r#"[{{"n":"a","v":{v},"t":{t},"u":"{u}"}}]"#).into_bytes()),
            ],
            pointer in ".{0,12}",
        ) {
            let picks = [
                pick("do_mg_l", PickFrom::Bare),
                pick("temperature_c", json(&pointer, Some(&pointer))),
                pick("do_mg_l", senml("a")),
            ];
            for value in decode(&bytes, &picks, expected).values {
                prop_assert!(value.value.is_finite());
            }
        }
    }
}
