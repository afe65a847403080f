//! One record as it is kept and exported, and what its hash covers.
//!
//! A record is one line of CSV (RFC 4180) with every field in double quotes, a double quote within a field doubled,
//! no spaces between fields, UTF-8:
//! ```text
//! "record","time_utc","time_local","user","place","action","object","old","new","reason","previous"
//! ```
//! `previous` is the hash of the record before, 64 zeros in the first. The hash of a record is the SHA-256 of these
//! bytes, without the end of the line, in lower-case hexadecimal; an export has it as a twelfth field. Fields hold no
//! control characters, so a record is always one line.

use std::fmt;

use sha2::{Digest, Sha256};

use super::Note;
use crate::local::status::rfc3339;

/// Names of the fields, in their order.
pub const FIELDS: [&str; 12] = [
    "record",
    "time_utc",
    "time_local",
    "user",
    "place",
    "action",
    "object",
    "old",
    "new",
    "reason",
    "previous",
    "hash",
];

/// Longer texts are cut: a record is for reading, and a line of it must fit into one message.
const LONGEST_FIELD: usize = 2_000;

/// Bytes of a hash.
pub const HASH_BYTES: usize = 32;

/// A SHA-256.
#[derive(Clone, Copy, PartialEq, Eq, Default)]
pub struct Hash(pub [u8; HASH_BYTES]);

impl Hash {
    /// Reads 64 hexadecimal digits.
    pub fn from_hex(text: &str) -> Option<Self> {
        let mut bytes = [0; HASH_BYTES];
        if text.len() != 2 * HASH_BYTES || !text.is_ascii() {
            return None;
        }
        for (place, byte) in bytes.iter_mut().enumerate() {
            *byte = u8::from_str_radix(text.get(2 * place..2 * place + 2)?, 16).ok()?;
        }
        Some(Self(bytes))
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// The end of a chain: how many records, and the hash of the last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Head {
    /// Records.
    pub records: u64,
    /// Hash of the last; zero where there is none.
    pub hash: Hash,
}

impl Head {
    /// Chains a note on: its record.
    pub fn chain(&mut self, note: &Note) -> Row {
        let row = Row::new(self.records + 1, note, self.hash);
        *self = Self { records: self.records + 1, hash: row.hash };
        row
    }
}

/// A record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// What the hash covers.
    pub text: String,
    /// Its hash.
    pub hash: Hash,
}

impl Row {
    fn new(number: u64, note: &Note, previous: Hash) -> Self {
        let (number, utc, previous) = (number.to_string(), rfc3339(note.at), previous.to_string());
        let fields = [
            &number,
            &utc,
            &note.local,
            &note.user,
            note.place.word(),
            &note.action,
            &note.object,
            &note.old,
            &note.new,
            &note.reason,
            &previous,
        ];
        let mut text = String::new();
        for (place, field) in fields.into_iter().enumerate() {
            text.push_str(if place == 0 { "\"" } else { ",\"" });
            put_field(&mut text, field);
            text.push('"');
        }
        let hash = hash_of(&text);
        Self { text, hash }
    }

    /// The line of an export: the record and its hash.
    pub fn line(&self) -> String {
        format!("{},\"{}\"", self.text, self.hash)
    }

    /// Its fields without the hash; `None` where it is no record.
    pub fn fields(&self) -> Option<Vec<String>> {
        fields_of(&self.text)
    }

    /// As it is kept.
    pub(crate) fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = self.hash.0.to_vec();
        bytes.extend_from_slice(self.text.as_bytes());
        bytes
    }

    /// The same read back. Whether the hash fits is for [`super::check`] to say.
    pub(crate) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (hash, text) = bytes.split_first_chunk::<HASH_BYTES>()?;
        Some(Self { text: String::from_utf8(text.to_vec()).ok()?, hash: Hash(*hash) })
    }
}

/// The hash of what it covers.
pub fn hash_of(text: &str) -> Hash {
    Hash(Sha256::digest(text.as_bytes()).into())
}

fn put_field(out: &mut String, field: &str) {
    for (count, letter) in field.chars().enumerate() {
        if count == LONGEST_FIELD {
            out.push('…');
            return;
        }
        match letter {
            '"' => out.push_str("\"\""),
            letter if letter.is_control() || matches!(letter, '\u{2028}' | '\u{2029}') => out.push(' '),
            letter => out.push(letter),
        }
    }
}

/// The fields of a record's text, every one in quotes.
fn fields_of(text: &str) -> Option<Vec<String>> {
    let mut fields = Vec::new();
    let mut rest = text;
    loop {
        let mut field = String::new();
        rest = rest.strip_prefix('"')?;
        loop {
            let end = rest.find('"')?;
            field.push_str(rest.get(..end)?);
            rest = rest.get(end + 1..)?;
            match rest.strip_prefix('"') {
                Some(after) => {
                    field.push('"');
                    rest = after;
                }
                None => break,
            }
        }
        fields.push(field);
        match rest.strip_prefix(',') {
            Some(after) => rest = after,
            None => return rest.is_empty().then_some(fields).filter(|all| all.len() == FIELDS.len() - 1),
        }
    }
}

#[cfg(test)]
mod tests {
    use pondreeve_core::Timestamp;

    use super::super::Place;
    use super::*;

    pub(crate) fn note(reason: &str) -> Note {
        Note {
            at: Timestamp(1_780_000_000_000),
            local: "2026-05-28T15:26:40-05:00".to_owned(),
            user: "ana".to_owned(),
            place: Place::Console,
            action: "acknowledge".to_owned(),
            object: "p1.do-low-critical".to_owned(),
            old: "unacknowledged".to_owned(),
            new: "acknowledged".to_owned(),
            reason: reason.to_owned(),
        }
    }

    /// The two hashes were worked out with `printf %s '…' | sha256sum` (GNU coreutils 9.1).
    #[test]
    fn a_record_is_what_sha256sum_says() {
        let mut head = Head::default();
        let first = head.chain(&note("the \"big\" aerator\nwas off"));
        assert_eq!(
            first.line(),
            "\"1\",\"2026-05-28T20:26:40Z\",\"2026-05-28T15:26:40-05:00\",\"ana\",\"console\",\"acknowledge\",\
             \"p1.do-low-critical\",\"unacknowledged\",\"acknowledged\",\"the \"\"big\"\" aerator was off\",\
             \"0000000000000000000000000000000000000000000000000000000000000000\",\"3f8922bc090488bd9ca7df92b06b87f3677d2a0ae878ee726cad68069a36f883\""
        );
        let second = head.chain(&note(""));
        assert_eq!(
            second.hash.to_string(),
            "9f07f1f4e8376540a20b8736eeee250573a4ef512f4d9ce04902d791dc131c24"
        );
        assert_eq!(head, Head { records: 2, hash: second.hash });
        let fields = first.fields().unwrap();
        assert_eq!((&*fields[0], &*fields[9]), ("1", "the \"big\" aerator was off"));
    }

    #[test]
    fn anything_in_a_field_stays_one_line_and_comes_back() {
        for reason in ["", "a,b", "\"", "\"\",\"", "üö\u{2028}\u{7}", &"x".repeat(5_000)] {
            let row = Head::default().chain(&note(reason));
            assert!(!row.text.contains(char::is_control) && row.text.len() < 2_400);
            let clean = |text: &str| text.replace(['\u{2028}', '\u{7}'], " ");
            let expected: String = clean(reason).chars().take(2_000).collect();
            assert_eq!(row.fields().unwrap()[9].trim_end_matches('…'), expected);
            assert_eq!(Row::from_bytes(&row.to_bytes()), Some(row));
        }
        for odd in ["", "\"1\"", "1,2", "\"1", "\"1\"x"] {
            assert_eq!(fields_of(odd), None);
        }
    }
}
