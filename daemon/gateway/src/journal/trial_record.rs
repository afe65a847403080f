//! A trial inside a journal record.
//!
//! ```text
//! number, what it replaces (0 for nothing), treated pond, control pond
//! outcome 1 B, wanted 1 B, method 1 B, from and to in ms since 1970, days before, days after
//! who chose the ponds, why, whether it was chosen after the first dose 1 B
//! ```

use pondreeve_core::Timestamp;
use pondreeve_core::evidence::{Method, Outcome, Trial, Wanted};

use super::codec::{Malformed, Reader, put_signed, put_text, put_unsigned};

/// Codes of the outcomes. Never reuse one.
const OUTCOMES: [(u8, Outcome); 8] = [
    (1, Outcome::DawnMinimum),
    (2, Outcome::DuskPeak),
    (3, Outcome::NightFall),
    (4, Outcome::Nh3N),
    (5, Outcome::Tan),
    (6, Outcome::Nitrite),
    (7, Outcome::SludgePh),
    (8, Outcome::AerationKwh),
];

/// Codes of the ways that an outcome should go. Never reuse one.
const WANTED: [(u8, Wanted); 2] = [(1, Wanted::Rise), (2, Wanted::Fall)];

/// Codes of the methods. Never reuse one.
const METHODS: [(u8, Method); 2] = [(1, Method::BeforeAfter), (2, Method::Doses)];

fn put_code<T: Copy + PartialEq>(out: &mut Vec<u8>, codes: &[(u8, T)], own: T) {
    out.push(codes.iter().find(|(_, one)| *one == own).map_or(0, |(code, _)| *code));
}

fn code<T: Copy>(reader: &mut Reader<'_>, codes: &[(u8, T)]) -> Result<T, Malformed> {
    let found = reader.byte()?;
    codes.iter().find(|(code, _)| *code == found).map(|(_, one)| *one).ok_or(Malformed::Unknown)
}

/// Appends a trial.
pub(super) fn put(out: &mut Vec<u8>, trial: &Trial) {
    put_unsigned(out, trial.number);
    put_unsigned(out, trial.replaces.unwrap_or(0));
    put_text(out, &trial.treated);
    put_text(out, &trial.control);
    put_code(out, &OUTCOMES, trial.outcome);
    put_code(out, &WANTED, trial.wanted);
    put_code(out, &METHODS, trial.method);
    put_signed(out, trial.from.as_millis());
    put_signed(out, trial.to.as_millis());
    put_unsigned(out, u64::from(trial.days_before));
    put_unsigned(out, u64::from(trial.days_after));
    put_text(out, &trial.chosen_by);
    put_text(out, &trial.reason);
    out.push(u8::from(trial.is_late));
}

/// Reads one back.
pub(super) fn read(reader: &mut Reader<'_>) -> Result<Trial, Malformed> {
    Ok(Trial {
        number: reader.unsigned()?,
        replaces: Some(reader.unsigned()?).filter(|&number| number > 0),
        treated: reader.text()?,
        control: reader.text()?,
        outcome: code(reader, &OUTCOMES)?,
        wanted: code(reader, &WANTED)?,
        method: code(reader, &METHODS)?,
        from: Timestamp(reader.signed()?),
        to: Timestamp(reader.signed()?),
        days_before: reader.index()?,
        days_after: reader.index()?,
        chosen_by: reader.text()?,
        reason: reader.text()?,
        is_late: match reader.byte()? {
            0 => false,
            1 => true,
            _ => return Err(Malformed::Unknown),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The bytes were written down by hand from the table above: a store must stay readable for years.
    #[test]
    fn the_form_stays_as_it_is() {
        let trial = Trial {
            number: 3,
            replaces: Some(2),
            treated: "p1".into(),
            control: "p2".into(),
            outcome: Outcome::Tan,
            wanted: Wanted::Fall,
            method: Method::BeforeAfter,
            from: Timestamp(1),
            to: Timestamp(-2),
            days_before: 14,
            days_after: 200,
            chosen_by: "adviser".into(),
            reason: "lot".into(),
            is_late: true,
        };
        let mut bytes = Vec::new();
        put(&mut bytes, &trial);
        // Unsigned numbers are LEB128 (200 is c8 01), signed ones zigzag before (1 is 2, -2 is 3), texts led by length.
        let by_hand: [u8; 28] = [
            3, 2, 2, b'p', b'1', 2, b'p', b'2', 5, 2, 1, 2, 3, 14, 0xc8, 0x01, 7, b'a', b'd', b'v', b'i',
            b's', b'e', b'r', 3, b'l', b'o', b't',
        ];
        assert_eq!(bytes[..28], by_hand);
        assert_eq!(bytes[28..], [1]);
        let mut reader = Reader::new(&bytes);
        assert_eq!(read(&mut reader).ok(), Some(trial));
        assert!(reader.end().is_ok());
    }

    #[test]
    fn unknown_codes_are_refused() {
        let mut bytes = vec![1, 0, 1, b'a', 1, b'b', 99, 1, 1];
        bytes.extend([0; 8]);
        assert!(read(&mut Reader::new(&bytes)).is_err());
    }
}
