//! Commands that came in and were answered, in the tail and in hour 0.
//! ```text
//! command   form 1 B, person, number, SHA-256 of the message 32 B, whether it was done 1 B, what was said
//! in hour 0 count, commands, checksum 4 B: the newest of each person
//! ```

use std::collections::BTreeMap;

use super::codec::{Malformed, Reader, put_text, put_unsigned};
use crate::commands::Taken;

const FORM: u8 = 1;

pub(super) fn put(out: &mut Vec<u8>, taken: &Taken) {
    let Taken { person, number, digest, done, said } = taken;
    out.push(FORM);
    put_text(out, person);
    put_unsigned(out, *number);
    out.extend_from_slice(digest);
    out.push(u8::from(*done));
    put_text(out, said);
}

pub(super) fn read(reader: &mut Reader<'_>) -> Result<Taken, Malformed> {
    if reader.byte()? != FORM {
        return Err(Malformed::Unknown);
    }
    Ok(Taken {
        person: reader.text()?,
        number: reader.unsigned()?,
        digest: reader.array()?,
        done: reader.byte()? != 0,
        said: reader.text()?,
    })
}

pub(super) fn all_bytes(commands: &BTreeMap<String, Taken>) -> Vec<u8> {
    let mut bytes = Vec::new();
    put_unsigned(&mut bytes, commands.len() as u64);
    commands.values().for_each(|taken| put(&mut bytes, taken));
    let sum = crc32fast::hash(&bytes);
    bytes.extend_from_slice(&sum.to_be_bytes());
    bytes
}

pub(super) fn all_of(bytes: &[u8]) -> Result<BTreeMap<String, Taken>, Malformed> {
    let (body, sum) = bytes.split_last_chunk::<4>().ok_or(Malformed::CutShort)?;
    if crc32fast::hash(body) != u32::from_be_bytes(*sum) {
        return Err(Malformed::Unknown);
    }
    let mut reader = Reader::new(body);
    let count = reader.index()?;
    let mut commands = BTreeMap::new();
    for _ in 0..count {
        let taken = read(&mut reader)?;
        commands.insert(taken.person.clone(), taken);
    }
    reader.end()?;
    Ok(commands)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn taken(person: &str, number: u64) -> Taken {
        Taken {
            person: person.to_owned(),
            number,
            digest: [7; 32],
            done: number.is_multiple_of(2),
            said: "done".to_owned(),
        }
    }

    #[test]
    fn what_is_kept_comes_back_and_damage_is_seen() {
        let commands: BTreeMap<_, _> =
            [taken("ana", u64::MAX), taken("luis", 2)].map(|own| (own.person.clone(), own)).into();
        let bytes = all_bytes(&commands);
        assert_eq!(all_of(&bytes), Ok(commands));
        for place in 0..bytes.len() {
            let mut damaged = bytes.clone();
            damaged[place] ^= 1;
            assert!(all_of(&damaged).is_err(), "byte {place}");
            assert!(all_of(&bytes[..place]).is_err(), "cut at {place}");
        }
    }
}
