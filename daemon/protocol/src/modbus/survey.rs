//! Finding out who is on a line: signs of life of any unit, frames of another master, and what a unit says
//! of itself.
//!
//! Source: MODBUS Application Protocol Specification V1.1b3, section 6.21 (read device identification, function
//! 43 with MEI type 14). It reads and changes nothing, and a device that does not know it refuses with an
//! exception. Function 17 (report server id) is not coded: its answer has no agreed form.

use alloc::string::String;
use alloc::vec::Vec;

use super::{
    EXCEPTION_BIT, EXCEPTION_BYTES, FRAME_BYTES_MAX, REQUEST_BYTES, ReadRequest, UNITS, crc_fits, crc16,
};
use crate::register_map::Table;

/// Highest exception code of the specification.
const EXCEPTION_CODE_MAX: u8 = 11;

/// Function 43, which carries others.
const ENCAPSULATED: u8 = 0x2B;
/// Read device identification within it.
const IDENTIFICATION: u8 = 0x0E;
/// Unit, function, type, code, conformity, more follows, next object, count.
const IDENTITY_HEAD: usize = 8;
/// Most objects of the basic category: vendor, product, revision.
const OBJECTS_MAX: u8 = 16;

/// A sound frame by which a unit answers a read, whoever was asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sign {
    /// Who answered.
    pub unit: u8,
    /// The code, where it refuses. A unit that refuses is there.
    pub exception: Option<u8>,
}

/// All sound answers to reads of so many registers that stand in what was received, in order. A unit that is
/// slow answers while another is asked: its sign is worth as much. The request's own echo is no sign.
pub fn signs(received: &[u8], request: &ReadRequest) -> Vec<Sign> {
    let own = request.encode();
    let mut found = Vec::new();
    let mut start = 0;
    while let Some(rest) = received.get(start..).filter(|rest| !rest.is_empty()) {
        if rest.starts_with(&own) {
            start += REQUEST_BYTES;
            continue;
        }
        match sign_at(rest, request) {
            Some((sign, length)) => {
                found.push(sign);
                start += length;
            }
            None => start += 1,
        }
    }
    found
}

fn sign_at(rest: &[u8], request: &ReadRequest) -> Option<(Sign, usize)> {
    let (unit, function, third) = match rest {
        [unit, function, third, ..] => (*unit, *function, *third),
        _ => return None,
    };
    let is_read = |code: u8| code == 3 || code == 4;
    let (length, exception) = if is_read(function) && usize::from(third) == 2 * usize::from(request.count) {
        (request.answer_bytes(), None)
    } else if is_read(function & !EXCEPTION_BIT)
        && function & EXCEPTION_BIT != 0
        && (1..=EXCEPTION_CODE_MAX).contains(&third)
    {
        (EXCEPTION_BYTES, Some(third))
    } else {
        return None;
    };
    let sound = UNITS.contains(&unit) && rest.get(..length).is_some_and(crc_fits);
    sound.then_some((Sign { unit, exception }, length))
}

/// The unit of a sound frame of any master or slave in what was heard on a line where nobody of ours has
/// asked: somebody else speaks there.
pub fn overheard(received: &[u8]) -> Option<u8> {
    (0..received.len()).find_map(|start| {
        let rest = received.get(start..)?;
        let (unit, function, third) = match rest {
            [unit, function, third, ..] => (*unit, *function, *third),
            _ => return None,
        };
        let answer = 5 + usize::from(third);
        let lengths: &[usize] = match function {
            1..=4 => &[REQUEST_BYTES, answer],
            5 | 6 => &[REQUEST_BYTES],
            0x81..=0x86 => &[EXCEPTION_BYTES],
            _ => &[],
        };
        let sound = |length: &usize| rest.get(..*length).is_some_and(crc_fits);
        (UNITS.contains(&unit) && lengths.iter().any(sound)).then_some(unit)
    })
}

/// The frame that asks a unit what it is: vendor, product, revision.
pub fn identity_request(unit: u8) -> [u8; 7] {
    let body = [unit, ENCAPSULATED, IDENTIFICATION, 1, 0];
    let [low, high] = crc16(&body).to_le_bytes();
    let [unit, function, kind, code, object] = body;
    [unit, function, kind, code, object, low, high]
}

/// What a unit said of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Identity {
    /// Texts in the order of the specification: vendor, product, revision. Only printable ASCII is kept.
    Told(Vec<String>),
    /// It refused with this code; most probes do.
    Refused(u8),
}

/// Looks for a unit's answer to [`identity_request`] in what has come so far.
pub fn find_identity(received: &[u8], unit: u8) -> Option<Identity> {
    let own = identity_request(unit);
    let mut start = 0;
    while let Some(rest) = received.get(start..).filter(|rest| !rest.is_empty()) {
        if rest.starts_with(&own) {
            start += own.len();
            continue;
        }
        if let Some(found) = identity_at(rest, unit) {
            return Some(found);
        }
        start += 1;
    }
    None
}

fn identity_at(rest: &[u8], unit: u8) -> Option<Identity> {
    match rest {
        [own, function, code, ..] if *own == unit && *function == ENCAPSULATED | EXCEPTION_BIT => {
            return rest.get(..EXCEPTION_BYTES).filter(|f| crc_fits(f)).map(|_| Identity::Refused(*code));
        }
        [own, ENCAPSULATED, IDENTIFICATION, 1, ..] if *own == unit => {}
        _ => return None,
    }
    let count = *rest.get(IDENTITY_HEAD - 1)?;
    let mut at = IDENTITY_HEAD;
    let mut texts = Vec::new();
    for _ in 0..count.min(OBJECTS_MAX) {
        let length = usize::from(*rest.get(at + 1)?);
        let text = rest.get(at + 2..at + 2 + length)?;
        let printable = text.iter().filter(|byte| (0x20..0x7F).contains(*byte));
        texts.push(printable.map(|byte| char::from(*byte)).collect());
        at += 2 + length;
    }
    let end = at + 2;
    (end <= FRAME_BYTES_MAX && rest.get(..end).is_some_and(crc_fits)).then_some(Identity::Told(texts))
}

/// The two reads of one register that a scan knocks with, in order: most devices answer the first, with
/// data or with a refusal; some keep silent about a table they do not have.
pub fn knocks(unit: u8) -> [ReadRequest; 2] {
    [Table::Holding, Table::Input].map(|table| ReadRequest { unit, table, address: 0, count: 1 })
}

#[cfg(test)]
mod tests {
    use alloc::vec;

    use proptest::prelude::*;

    use super::*;

    fn framed(body: &[u8]) -> Vec<u8> {
        let mut frame = body.to_vec();
        frame.extend_from_slice(&crc16(body).to_le_bytes());
        frame
    }

    #[test]
    fn signs_of_several_units_are_found_between_noise_and_echo() {
        let [ask, _] = knocks(12);
        let mut line = vec![0xFF, 0x00, 0x83];
        line.extend_from_slice(&ask.encode());
        line.extend(framed(&[11, 3, 2, 0x01, 0x00]));
        line.push(0x55);
        line.extend(framed(&[12, 0x83, 2]));
        let told = |unit, exception| Sign { unit, exception };
        assert_eq!(signs(&line, &ask), [told(11, None), told(12, Some(2))]);
        // One bit wrong, and it is nobody's.
        let end = line.len() - 1;
        line[end] ^= 1;
        assert_eq!(signs(&line, &ask), [told(11, None)]);
        assert_eq!(signs(&ask.encode(), &ask), [], "an echo is no answer");
    }

    #[test]
    fn another_master_is_overheard() {
        // The request of the serial line guide's CRC example: unit 2, function 7 is not watched for; a read is.
        let [ask, _] = knocks(9);
        let mut line = vec![0x00, 0xFF];
        line.extend_from_slice(&ask.encode());
        assert_eq!(overheard(&line), Some(9));
        assert_eq!(overheard(&framed(&[7, 4, 4, 1, 2, 3, 4])), Some(7));
        assert_eq!(overheard(&[0xFF; 64]), None);
    }

    /// Section 6.21 of the application protocol: the texts of its example, framed for a serial line.
    #[test]
    fn the_specifications_identity_is_read() {
        assert_eq!(identity_request(1)[..5], [1, 0x2B, 0x0E, 0x01, 0x00]);
        let mut body = vec![1, 0x2B, 0x0E, 0x01, 0x01, 0x00, 0x00, 0x03];
        for (object, text) in ["Company identification", "Product code XX", "V2.11"].iter().enumerate() {
            body.extend([u8::try_from(object).unwrap(), u8::try_from(text.len()).unwrap()]);
            body.extend(text.bytes());
        }
        let told = ["Company identification", "Product code XX", "V2.11"].map(String::from).to_vec();
        let mut line = identity_request(1).to_vec();
        line.extend(framed(&body));
        assert_eq!(find_identity(&line, 1), Some(Identity::Told(told)));
        assert_eq!(find_identity(&line[..line.len() - 1], 1), None, "not whole");
        assert_eq!(find_identity(&framed(&[1, 0xAB, 1]), 1), Some(Identity::Refused(1)));
        assert_eq!(find_identity(&line, 2), None, "another unit's");
    }

    proptest! {
        #[test]
        fn any_bytes_are_survived(bytes in proptest::collection::vec(any::<u8>(), 0..600), unit in 1..=247_u8) {
            let _ = signs(&bytes, &knocks(unit)[1]);
            let _ = overheard(&bytes);
            let _ = find_identity(&bytes, unit);
        }
    }
}
