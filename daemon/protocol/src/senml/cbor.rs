//! SenML in CBOR (RFC 8428, section 6): the same records with the labels of its table 4.

use alloc::string::ToString;
use alloc::vec::Vec;

use ciborium::Value;

use super::{Pack, Record, SenmlError};

/// Labels of RFC 8428, table 4.
mod label {
    pub(super) const BASE_NAME: i32 = -2;
    pub(super) const BASE_TIME: i32 = -3;
    pub(super) const BASE_UNIT: i32 = -4;
    pub(super) const NAME: i32 = 0;
    pub(super) const UNIT: i32 = 1;
    pub(super) const VALUE: i32 = 2;
    pub(super) const TEXT: i32 = 3;
    pub(super) const BOOLEAN: i32 = 4;
    pub(super) const TIME: i32 = 6;
}

/// Whole numbers below this are exact as a float, and shorter as an integer.
const EXACT: f64 = 9_007_199_254_740_992.0;

impl Pack {
    /// The pack as CBOR.
    ///
    /// # Errors
    /// As [`Pack::encode`].
    pub fn encode_cbor(&self) -> Result<Vec<u8>, SenmlError> {
        self.check()?;
        let pack = Value::Array(self.0.iter().map(map).collect());
        let mut bytes = Vec::new();
        ciborium::into_writer(&pack, &mut bytes)
            .map_err(|error| SenmlError::at(0, "pack", &error.to_string(), "a pack that CBOR can carry"))?;
        Ok(bytes)
    }
}

fn map(record: &Record) -> Value {
    let text = |text: &Option<_>| text.clone().map(Value::Text);
    let fields = [
        (label::BASE_NAME, text(&record.base_name)),
        (label::BASE_TIME, record.base_time.map(number)),
        (label::BASE_UNIT, text(&record.base_unit)),
        (label::NAME, text(&record.name)),
        (label::UNIT, text(&record.unit)),
        (label::VALUE, record.value.map(number)),
        (label::TEXT, text(&record.text)),
        (label::BOOLEAN, record.boolean.map(Value::Bool)),
        (label::TIME, record.time.map(number)),
    ];
    let present = fields.into_iter().filter_map(|(label, value)| Some((Value::from(label), value?)));
    Value::Map(present.collect())
}

fn number(value: f64) -> Value {
    let whole = value as i64;
    // Not for −0.0, which an integer cannot say.
    if value.abs() < EXACT && (whole as f64).to_bits() == value.to_bits() {
        Value::from(whole)
    } else {
        Value::Float(value)
    }
}

#[cfg(test)]
mod tests {
    use alloc::string::ToString;
    use alloc::vec;

    use super::*;

    /// The first example of RFC 8428, section 6: `[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]` has no
    /// CBOR form there, so the bytes are written by hand from RFC 8949: 81 an array of one; a3 a map of three; labels
    /// 00, 01, 02; 78 1b a text of 27 bytes; 63 a text of three; fb a double, 23.1 in IEEE 754.
    #[test]
    fn one_temperature() {
        let record = Record {
            name: Some("urn:dev:ow:10e2073a01080063".to_string()),
            unit: Some("Cel".to_string()),
            value: Some(23.1),
            ..Record::default()
        };
        let mut expected = vec![0x81, 0xa3, 0x00, 0x78, 0x1b];
        expected.extend_from_slice(b"urn:dev:ow:10e2073a01080063");
        expected.extend_from_slice(&[0x01, 0x63, b'C', b'e', b'l', 0x02]);
        expected.extend_from_slice(&[0xfb, 0x40, 0x37, 0x19, 0x99, 0x99, 0x99, 0x99, 0x9a]);
        assert_eq!(Pack(vec![record]).encode_cbor(), Ok(expected));
    }

    #[test]
    fn numbers_are_as_short_as_they_can_be() {
        let encoded = |value| {
            let record = Record { name: Some("x".to_string()), value: Some(value), ..Record::default() };
            // After the array, the map, label and text of the name, and the label of the value.
            Pack(vec![record]).encode_cbor().unwrap()[6..].to_vec()
        };
        assert_eq!(encoded(7.0), [0x07]);
        assert_eq!(encoded(-1.0), [0x20]);
        // A half float: 1.5 is 3e00 in RFC 8949, appendix A.
        assert_eq!(encoded(1.5), [0xf9, 0x3e, 0x00]);
        assert_eq!(encoded(-0.0), [0xf9, 0x80, 0x00]);
        assert!(Pack(vec![Record { value: Some(f64::NAN), ..Record::default() }]).encode_cbor().is_err());
    }
}
