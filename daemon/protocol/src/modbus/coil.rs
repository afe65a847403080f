//! Writing one coil: function 5 of the MODBUS Application Protocol Specification V1.1b3, section 6.5.
//!
//! The normal answer is the request again, byte for byte. So is what a half-duplex adapter hears of itself,
//! and that is no proof of anything: whoever looks for the answer must know whether the line echoes.

use alloc::vec::Vec;

use super::{AnswerError, EXCEPTION_BIT, EXCEPTION_BYTES, FRAME_BYTES_MIN, REQUEST_BYTES, crc_fits, crc16};

/// Function code of writing one coil.
pub const WRITE_COIL: u8 = 5;

/// What stands in a request for "on" and "off"; every other word is illegal.
const ON: u16 = 0xFF00;
const OFF: u16 = 0x0000;

/// A request to switch one coil.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct CoilWrite {
    /// Address of the slave, 1 to 247.
    pub unit: u8,
    /// Which coil, counted from 0.
    pub coil: u16,
    /// `true` for on.
    pub on: bool,
}

/// What a search through received bytes gave.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CoilFound {
    /// The slave has confirmed, at bytes `start..end`.
    Confirmed {
        /// First byte of the answer.
        start: usize,
        /// Past its last byte.
        end: usize,
    },
    /// The slave refused, at bytes `start..end`.
    Exception {
        /// The code.
        code: u8,
        /// First byte of the answer.
        start: usize,
        /// Past its last byte.
        end: usize,
    },
    /// Neither, so far.
    NotYet,
}

impl CoilWrite {
    /// The frame that asks for it, CRC and all; also the answer that confirms it.
    pub fn encode(&self) -> [u8; REQUEST_BYTES] {
        let [coil_high, coil_low] = self.coil.to_be_bytes();
        let [on, off] = (if self.on { ON } else { OFF }).to_be_bytes();
        let [crc_low, crc_high] = crc16(&[self.unit, WRITE_COIL, coil_high, coil_low, on, off]).to_le_bytes();
        [self.unit, WRITE_COIL, coil_high, coil_low, on, off, crc_low, crc_high]
    }

    /// Length of the answer that confirms.
    pub const fn answer_bytes(&self) -> usize {
        REQUEST_BYTES
    }

    /// Reads a frame as such a request; `None` where it is none. As an answer: `None` where the slave
    /// confirms something else.
    pub fn decode(frame: &[u8]) -> Option<Self> {
        if !crc_fits(frame) {
            return None;
        }
        let [unit, WRITE_COIL, coil_high, coil_low, on, off, _, _] = *frame else { return None };
        let on = match u16::from_be_bytes([on, off]) {
            ON => true,
            OFF => false,
            _ => return None,
        };
        Some(Self { unit, coil: u16::from_be_bytes([coil_high, coil_low]), on })
    }

    /// Looks for the answer in what has come over the line so far. `line_echoes`: the adapter hears its
    /// own requests, so the first copy of the request is not the slave's.
    pub fn find_answer(&self, received: &[u8], line_echoes: bool) -> CoilFound {
        let request = self.encode();
        let mut own = usize::from(line_echoes);
        let mut start = 0;
        while let Some(rest) = received.get(start..).filter(|rest| !rest.is_empty()) {
            if rest.starts_with(&request) {
                if own == 0 {
                    return CoilFound::Confirmed { start, end: start + REQUEST_BYTES };
                }
                own -= 1;
                start += REQUEST_BYTES;
                continue;
            }
            if let Some(frame) = rest.get(..EXCEPTION_BYTES)
                && let [unit, function, code, ..] = *frame
                && (unit, function) == (self.unit, WRITE_COIL | EXCEPTION_BIT)
                && crc_fits(frame)
            {
                return CoilFound::Exception { code, start, end: start + EXCEPTION_BYTES };
            }
            start += 1;
        }
        CoilFound::NotYet
    }

    /// Why nothing was found in all that came until the time-out, for people: the nearest miss.
    pub fn explain(&self, received: &[u8], line_echoes: bool) -> AnswerError {
        let received =
            if line_echoes { received.strip_prefix(&self.encode()).unwrap_or(received) } else { received };
        match received {
            [unit, function, .., low, high] if received.len() >= FRAME_BYTES_MIN => {
                let body = received.get(..received.len() - 2).unwrap_or_default();
                let (found, computed) = (u16::from_le_bytes([*low, *high]), crc16(body));
                if found != computed {
                    AnswerError::Crc { found, computed }
                } else if *unit != self.unit {
                    AnswerError::OtherUnit { found: *unit, asked: self.unit }
                } else if *function != WRITE_COIL {
                    AnswerError::OtherFunction { found: *function, asked: WRITE_COIL }
                } else {
                    AnswerError::OtherCoil
                }
            }
            _ => AnswerError::Short { found: received.len(), wanted: REQUEST_BYTES },
        }
    }

    /// A slave's answer that confirms.
    pub fn confirm(&self) -> Vec<u8> {
        self.encode().into()
    }
}

#[cfg(test)]
mod tests {
    use alloc::vec;

    use super::*;
    use crate::modbus::{Request, decode_request, take_request};

    /// Section 6.5 of the specification: "write Coil 173 ON", function and data `05 00 AC FF 00`; in an RTU
    /// frame of slave 17 with the CRC of the serial line guide.
    const COIL_173: CoilWrite = CoilWrite { unit: 17, coil: 172, on: true };
    const COIL_173_ON: [u8; 8] = [0x11, 0x05, 0x00, 0xAC, 0xFF, 0x00, 0x4E, 0x8B];
    const COIL_173_OFF: [u8; 8] = [0x11, 0x05, 0x00, 0xAC, 0x00, 0x00, 0x0F, 0x7B];
    /// Section 7: the function code with its top bit set, then the exception code.
    const REFUSED: [u8; 5] = [0x11, 0x85, 0x02, 0xC2, 0x94];

    #[test]
    fn frames_are_those_of_the_specification() {
        assert_eq!(COIL_173.encode(), COIL_173_ON);
        let off = CoilWrite { on: false, ..COIL_173 };
        assert_eq!(off.encode(), COIL_173_OFF);
        assert_eq!(CoilWrite::decode(&COIL_173_ON), Some(COIL_173));
        assert_eq!(CoilWrite::decode(&COIL_173_OFF), Some(off));
        assert_eq!(decode_request(&COIL_173_ON), Some(Request::WriteCoil(COIL_173)));
        assert_eq!(take_request(&COIL_173_OFF), (Some(Request::WriteCoil(off)), 8));
    }

    #[test]
    fn only_ff00_and_0000_are_states() {
        let mut frame = [0x11, 0x05, 0x00, 0xAC, 0x12, 0x34, 0, 0];
        let crc = crc16(&frame[..6]).to_le_bytes();
        frame[6..].copy_from_slice(&crc);
        assert_eq!(CoilWrite::decode(&frame), None);
        assert_eq!(decode_request(&frame), Some(Request::Other { unit: 17, function: 5 }));
    }

    #[test]
    fn the_answer_is_the_request_again() {
        let confirmed = CoilFound::Confirmed { start: 0, end: 8 };
        assert_eq!(COIL_173.find_answer(&COIL_173_ON, false), confirmed);
        assert_eq!(COIL_173.find_answer(&COIL_173_OFF, false), CoilFound::NotYet, "the other state");
        assert_eq!(COIL_173.find_answer(&COIL_173_ON[..7], false), CoilFound::NotYet);
        let mut noisy = vec![0x00, 0x11];
        noisy.extend(COIL_173_ON);
        assert_eq!(COIL_173.find_answer(&noisy, false), CoilFound::Confirmed { start: 2, end: 10 });
        assert_eq!(COIL_173.find_answer(&REFUSED, false), CoilFound::Exception { code: 2, start: 0, end: 5 });
    }

    #[test]
    fn what_an_adapter_hears_of_itself_confirms_nothing() {
        assert_eq!(COIL_173.find_answer(&COIL_173_ON, true), CoilFound::NotYet);
        let both: Vec<u8> = [COIL_173_ON, COIL_173_ON].concat();
        assert_eq!(COIL_173.find_answer(&both, true), CoilFound::Confirmed { start: 8, end: 16 });
        let refused: Vec<u8> = COIL_173_ON.iter().chain(&REFUSED).copied().collect();
        assert_eq!(COIL_173.find_answer(&refused, true), CoilFound::Exception { code: 2, start: 8, end: 13 });
    }

    #[test]
    fn the_nearest_miss_is_told() {
        let told = |received: &[u8]| COIL_173.explain(received, false);
        assert_eq!(told(&[]), AnswerError::Short { found: 0, wanted: 8 });
        assert_eq!(told(&COIL_173_OFF), AnswerError::OtherCoil);
        let other = CoilWrite { unit: 18, ..COIL_173 }.encode();
        assert_eq!(told(&other), AnswerError::OtherUnit { found: 18, asked: 17 });
        let mut torn = COIL_173_ON;
        torn[3] ^= 1;
        assert!(matches!(told(&torn), AnswerError::Crc { .. }));
    }

    proptest::proptest! {
        #[test]
        fn whatever_comes_nothing_panics_and_only_the_frame_confirms(
            received in proptest::collection::vec(proptest::num::u8::ANY, 0..64),
            echoes: bool,
        ) {
            if let CoilFound::Confirmed { start, end } = COIL_173.find_answer(&received, echoes) {
                assert_eq!(received[start..end], COIL_173_ON);
            }
            let _ = COIL_173.explain(&received, echoes);
            let _ = CoilWrite::decode(&received);
        }
    }
}
