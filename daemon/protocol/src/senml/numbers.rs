//! A pack of numbers written as it comes, into room that is used again: what goes out tens of thousands of times after a
//! week without a link is not first built record by record. The text is that of [`super::Pack::encode`].

use alloc::string::{String, ToString};
use alloc::vec::Vec;

use super::{SenmlError, check_name};

/// Name and unit of a record, looked at once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Label {
    name: String,
    unit: Option<String>,
    /// From the name to the number.
    json: Vec<u8>,
}

impl Label {
    /// Without a unit where that is empty.
    ///
    /// # Errors
    /// As [`super::Pack::encode`] for the name.
    pub fn new(name: &str, unit: &str) -> Result<Self, SenmlError> {
        check_name(0, name)?;
        let mut json = Vec::new();
        json.extend_from_slice(b"\"n\":\"");
        json.extend_from_slice(name.as_bytes());
        json.extend_from_slice(b"\",");
        if !unit.is_empty() {
            json.extend_from_slice(b"\"u\":");
            // It has characters of its own, which are escaped where JSON wants it.
            let quoted = serde_json::to_string(unit)
                .map_err(|error| SenmlError::at(0, "u", &error.to_string(), "a unit"))?;
            json.extend_from_slice(quoted.as_bytes());
            json.push(b',');
        }
        json.extend_from_slice(b"\"v\":");
        Ok(Self { name: name.to_string(), unit: (!unit.is_empty()).then(|| unit.to_string()), json })
    }

    /// The name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The unit.
    pub fn unit(&self) -> Option<&str> {
        self.unit.as_deref()
    }
}

/// A pack under way. What is in the room after an error is no pack.
#[derive(Debug)]
pub struct Numbers<'a> {
    out: &'a mut Vec<u8>,
    records: usize,
}

impl<'a> Numbers<'a> {
    /// Begins at the end of `out`; base name and base time are told with the first record.
    ///
    /// # Errors
    /// As [`super::Pack::encode`].
    pub fn begin(out: &'a mut Vec<u8>, base_name: &str, base_time: f64) -> Result<Self, SenmlError> {
        check_name(0, base_name)?;
        out.extend_from_slice(b"[{\"bn\":\"");
        out.extend_from_slice(base_name.as_bytes());
        out.extend_from_slice(b"\",\"bt\":");
        put_number(out, 0, "bt", base_time)?;
        out.push(b',');
        Ok(Self { out, records: 0 })
    }

    /// A record.
    ///
    /// # Errors
    /// As [`super::Pack::encode`] for the number.
    pub fn put(&mut self, label: &Label, value: f64) -> Result<(), SenmlError> {
        let index = self.records;
        if index > 0 {
            self.out.extend_from_slice(b",{");
        }
        self.out.extend_from_slice(&label.json);
        put_number(self.out, index, "v", value)?;
        self.out.push(b'}');
        self.records += 1;
        Ok(())
    }

    /// Ends the pack, which has at least one record.
    pub fn end(self) {
        self.out.push(b']');
    }
}

/// Six decimals as a factor.
const MILLIONTHS: f64 = 1e6;

/// Nearly every number that goes out is a short decimal: it is written from its millionths, in a third of the time that
/// finding the shortest text of any number takes. A decimal of up to fifteen digits is the shortest text of the number it
/// stands for, so both ways write the same (tested as a property).
fn put_number(out: &mut Vec<u8>, index: usize, field: &str, value: f64) -> Result<(), SenmlError> {
    let unfit = || SenmlError::at(index, field, &value.to_string(), "a finite number");
    if !value.is_finite() {
        return Err(unfit());
    }
    let size = value.abs();
    // Halves are rounded up, away from where a short decimal can lie.
    let millionths = (size * MILLIONTHS + 0.5) as u64;
    let short = (size == 0.0 || (1e-3..1e9).contains(&size))
        && (millionths as f64 / MILLIONTHS).to_bits() == size.to_bits();
    if !short {
        let text = serde_json::to_string(&value).map_err(|_| unfit())?;
        out.extend_from_slice(text.as_bytes());
        return Ok(());
    }
    // Sign, nine digits, point, six digits.
    let mut text = [0_u8; 17];
    let mut start = text.len();
    let mut put = |digit: u8| {
        start -= 1;
        if let Some(place) = text.get_mut(start) {
            *place = digit;
        }
    };
    let (mut whole, mut rest) = (millionths / 1_000_000, millionths % 1_000_000);
    let mut decimals = 6;
    while decimals > 1 && rest % 10 == 0 {
        rest /= 10;
        decimals -= 1;
    }
    for _ in 0..decimals {
        put(b'0' + (rest % 10) as u8);
        rest /= 10;
    }
    put(b'.');
    loop {
        put(b'0' + (whole % 10) as u8);
        whole /= 10;
        if whole == 0 {
            break;
        }
    }
    if value.is_sign_negative() {
        put(b'-');
    }
    out.extend_from_slice(text.get(start..).unwrap_or_default());
    Ok(())
}

#[cfg(test)]
mod tests {
    use alloc::format;

    use proptest::prelude::*;

    use super::*;

    fn label(name: &str, unit: &str) -> Label {
        Label::new(name, unit).unwrap()
    }

    /// By hand from RFC 8428, sections 4.1 to 5.
    #[test]
    fn records_come_one_after_the_other() {
        let mut out = Vec::new();
        let mut numbers = Numbers::begin(&mut out, "pondreeve/tidewick/p1/", 1_772_341_920.0).unwrap();
        numbers.put(&label("sequence", "count"), 7.0).unwrap();
        numbers.put(&label("do_mg_l/mean", "mg/L"), 6.25).unwrap();
        numbers.put(&label("format", ""), 1.0).unwrap();
        numbers.put(&label("a/b", "\""), -0.5).unwrap();
        numbers.end();
        assert_eq!(
            core::str::from_utf8(&out).unwrap(),
            r#"[{"bn":"pondreeve/tidewick/p1/","bt":1772341920.0,"n":"sequence","u":"count","v":7.0},"#
                .to_string()
                + r#"{"n":"do_mg_l/mean","u":"mg/L","v":6.25},{"n":"format","v":1.0},{"n":"a/b","u":"\"","v":-0.5}]"#
        );
    }

    #[test]
    fn what_json_cannot_carry_is_refused() {
        let mut out = Vec::new();
        let mut numbers = Numbers::begin(&mut out, "p/", 0.0).unwrap();
        numbers.put(&label("a", ""), 1.0).unwrap();
        assert_eq!(
            numbers.put(&label("b", ""), f64::NAN).unwrap_err().to_string(),
            "SenML record 2, `v`: found NaN; accepted is a finite number"
        );
        assert!(Label::new("a\"b", "").is_err());
        assert!(Numbers::begin(&mut Vec::new(), "p\"/", 0.0).is_err());
        assert!(Numbers::begin(&mut Vec::new(), "p/", f64::INFINITY).is_err());
    }

    fn text(value: f64) -> String {
        let mut out = Vec::new();
        put_number(&mut out, 0, "v", value).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn numbers_are_written_with_the_digits_they_have() {
        for (value, written) in [
            (0.0, "0.0"),
            (-0.0, "-0.0"),
            (90.0, "90.0"),
            (0.001, "0.001"),
            (-0.1, "-0.1"),
            (100.000_001, "100.000001"),
            (999_999_999.999_999, "999999999.999999"),
            (1e9, "1000000000.0"),
            (0.3, "0.3"),
            (0.1 + 0.2, "0.30000000000000004"),
        ] {
            assert_eq!(text(value), written);
        }
    }

    proptest! {
        /// The other writer is `serde_json`'s.
        #[test]
        fn any_number_is_written_as_by_others(bits: u64, whole in -2_000_000_000_000_i64..2_000_000_000_000, places in 0_i32..8) {
            let short = whole as f64 / 10_f64.powi(places);
            for value in [f64::from_bits(bits), short, f64::from_bits(short.to_bits() + 1)] {
                if value.is_finite() {
                    prop_assert_eq!(text(value), serde_json::to_string(&value).unwrap(), "{}", format!("{value:e}"));
                }
            }
        }
    }
}
