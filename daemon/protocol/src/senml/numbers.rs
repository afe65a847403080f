//! A pack of numbers written as it comes, into room that is used again: what goes out tens of thousands of times after a
//! week without a link is not first built record by record. The text is that of [`super::Pack::encode`].

use alloc::string::ToString;
use alloc::vec::Vec;

use super::{SenmlError, check_name};

/// A pack under way. What is in the room after an error is no pack.
#[derive(Debug)]
pub struct Numbers<'a> {
    out: &'a mut Vec<u8>,
    records: usize,
}

impl<'a> Numbers<'a> {
    /// Begins at the end of `out`; base name and base time are told with the first record.
    pub fn begin(out: &'a mut Vec<u8>, base_name: &str, base_time: f64) -> Result<Self, SenmlError> {
        check_name(0, base_name)?;
        out.extend_from_slice(b"[{\"bn\":\"");
        out.extend_from_slice(base_name.as_bytes());
        out.extend_from_slice(b"\",\"bt\":");
        put_number(out, 0, "bt", base_time)?;
        Ok(Self { out, records: 0 })
    }

    /// A record: `group/name`, or `name` where the group is empty; without a unit where that is empty.
    ///
    /// # Errors
    /// As [`super::Pack::encode`].
    pub fn put(&mut self, group: &str, name: &str, unit: &str, value: f64) -> Result<(), SenmlError> {
        let index = self.records;
        self.out.extend_from_slice(if index == 0 { b"," } else { b",{" });
        self.out.extend_from_slice(b"\"n\":\"");
        if !group.is_empty() {
            check_name(index, group)?;
            self.out.extend_from_slice(group.as_bytes());
            self.out.push(b'/');
        }
        check_name(index, name)?;
        self.out.extend_from_slice(name.as_bytes());
        self.out.push(b'"');
        if !unit.is_empty() {
            self.out.extend_from_slice(b",\"u\":");
            // It has characters of its own, which are escaped where JSON wants it.
            serde_json::to_writer(&mut *self.out, unit)
                .map_err(|error| SenmlError::at(index, "u", &error.to_string(), "a unit"))?;
        }
        self.out.extend_from_slice(b",\"v\":");
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

fn put_number(out: &mut Vec<u8>, index: usize, field: &str, value: f64) -> Result<(), SenmlError> {
    let unfit = || SenmlError::at(index, field, &value.to_string(), "a finite number");
    if !value.is_finite() {
        return Err(unfit());
    }
    serde_json::to_writer(out, &value).map_err(|_| unfit())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand from RFC 8428, sections 4.1 to 5.
    #[test]
    fn records_come_one_after_the_other() {
        let mut out = Vec::new();
        let mut numbers = Numbers::begin(&mut out, "pondreeve/tidewick/p1/", 1_772_341_920.0).unwrap();
        numbers.put("", "sequence", "count", 7.0).unwrap();
        numbers.put("do_mg_l", "mean", "mg/L", 6.25).unwrap();
        numbers.put("", "format", "", 1.0).unwrap();
        numbers.put("a", "b", "\"", -0.5).unwrap();
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
        numbers.put("", "a", "", 1.0).unwrap();
        assert_eq!(
            numbers.put("", "b", "", f64::NAN).unwrap_err().to_string(),
            "SenML record 2, `v`: found NaN; accepted is a finite number"
        );
        assert!(numbers.put("", "a\"b", "", 1.0).is_err());
        assert!(Numbers::begin(&mut Vec::new(), "p\"/", 0.0).is_err());
        assert!(Numbers::begin(&mut Vec::new(), "p/", f64::INFINITY).is_err());
    }
}
