//! The other two ways in which the same questions and answers travel: Modbus ASCII on serial lines, and Modbus
//! TCP to a serial server.
//!
//! Source: MODBUS over Serial Line, Specification and Implementation Guide V1.02, section 2.5.2 (ASCII framing,
//! LRC), and MODBUS Messaging on TCP/IP, Implementation Guide V1.0b, section 3.1.3 (MBAP header). Both carry unit,
//! function and data as RTU does; here they are turned from and into RTU frames, so that one set of checks
//! judges all three.

use alloc::vec::Vec;

use super::{FRAME_BYTES_MAX, crc16};

/// How frames travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Framing {
    /// Bytes and silences, with a CRC.
    #[default]
    Rtu,
    /// Hexadecimal characters between `:` and CR LF, with an LRC.
    Ascii,
    /// A header with a transaction number and a length, over TCP.
    Tcp,
}

/// Colon, two characters for each of 254 bytes and the LRC, CR, LF.
pub const ASCII_BYTES_MAX: usize = 513;

/// Transaction, protocol, length.
const HEADER_BYTES: usize = 6;

/// Checksum of Modbus ASCII: the two's complement of the sum of all bytes (section 2.5.2.2).
pub fn lrc(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte)).wrapping_neg()
}

impl Framing {
    /// An RTU frame as it goes out. `transaction` numbers what goes over TCP.
    pub fn wrap(self, rtu: &[u8], transaction: u16) -> Vec<u8> {
        let body = rtu.get(..rtu.len().saturating_sub(2)).unwrap_or_default();
        match self {
            Self::Rtu => rtu.to_vec(),
            Self::Ascii => {
                let mut text = Vec::with_capacity(2 * body.len() + 5);
                text.push(b':');
                for byte in body.iter().copied().chain([lrc(body)]) {
                    text.push(digit(byte >> 4));
                    text.push(digit(byte & 0x0F));
                }
                text.extend_from_slice(b"\r\n");
                text
            }
            Self::Tcp => {
                let mut frame = Vec::with_capacity(HEADER_BYTES + body.len());
                frame.extend_from_slice(&transaction.to_be_bytes());
                frame.extend_from_slice(&[0, 0]);
                frame.extend_from_slice(&u16::try_from(body.len()).unwrap_or(u16::MAX).to_be_bytes());
                frame.extend_from_slice(body);
                frame
            }
        }
    }

    /// Bytes that an RTU frame of so many takes.
    pub const fn bytes(self, rtu: usize) -> usize {
        let body = rtu.saturating_sub(2);
        match self {
            Self::Rtu => rtu,
            Self::Ascii => 2 * body + 5,
            Self::Tcp => HEADER_BYTES + body,
        }
    }

    /// Every whole frame in what was received, as RTU frames with where each begins and ends. Of RTU itself
    /// there is no telling where a frame ends: that is for the one who knows what was asked. Over TCP only
    /// frames of this transaction count: a late answer to an earlier one is passed over.
    pub fn frames(self, received: &[u8], transaction: u16) -> Vec<Framed> {
        match self {
            Self::Rtu => Vec::new(),
            Self::Ascii => ascii_frames(received),
            Self::Tcp => tcp_frames(received, transaction),
        }
    }
}

/// A frame found in what was received.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Framed {
    /// As RTU has it.
    pub rtu: Vec<u8>,
    /// Its first byte.
    pub start: usize,
    /// Past its last byte.
    pub end: usize,
}

const fn digit(value: u8) -> u8 {
    if value < 10 { b'0' + value } else { b'A' + value - 10 }
}

/// The specification has capitals; small letters are understood as well.
const fn value(digit: u8) -> Option<u8> {
    match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'A'..=b'F' => Some(digit - b'A' + 10),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        _ => None,
    }
}

fn with_crc(body: &[u8]) -> Vec<u8> {
    let mut rtu = body.to_vec();
    rtu.extend_from_slice(&crc16(body).to_le_bytes());
    rtu
}

fn ascii_frames(received: &[u8]) -> Vec<Framed> {
    let mut found = Vec::new();
    let starts = received.iter().enumerate().filter(|(_, byte)| **byte == b':');
    for (start, _) in starts {
        let Some(rest) = received.get(start + 1..) else { continue };
        // Another colon begins a new frame, whatever came before it (section 2.5.2.1).
        let Some(length) = rest.iter().position(|byte| matches!(byte, b'\r' | b':')) else { continue };
        if rest.get(length..length + 2) != Some(b"\r\n") || length + 3 > ASCII_BYTES_MAX {
            continue;
        }
        let bytes: Option<Vec<u8>> = rest
            .get(..length)
            .unwrap_or_default()
            .chunks(2)
            .map(|pair| match pair {
                [high, low] => Some(value(*high)? << 4 | value(*low)?),
                _ => None,
            })
            .collect();
        let Some(bytes) = bytes else { continue };
        if let Some((check, body)) = bytes.split_last()
            && body.len() >= 2
            && lrc(body) == *check
        {
            found.push(Framed { rtu: with_crc(body), start, end: start + 1 + length + 2 });
        }
    }
    found
}

fn tcp_frames(received: &[u8], transaction: u16) -> Vec<Framed> {
    let mut found = Vec::new();
    let mut start = 0;
    while let Some([a, b, 0, 0, high, low]) = received.get(start..start + HEADER_BYTES) {
        let length = usize::from(u16::from_be_bytes([*high, *low]));
        if !(2..=FRAME_BYTES_MAX - 2).contains(&length) {
            break;
        }
        let end = start + HEADER_BYTES + length;
        let Some(body) = received.get(start + HEADER_BYTES..end) else { break };
        if u16::from_be_bytes([*a, *b]) == transaction {
            found.push(Framed { rtu: with_crc(body), start, end });
        }
        start = end;
    }
    found
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::{Found, ReadRequest};
    use super::*;
    use crate::register_map::Table;

    fn ask(unit: u8, table: Table, address: u16, count: u16) -> ReadRequest {
        ReadRequest { unit, table, address, count }
    }

    /// Frames of pymodbus 3.16.1's framers: the read of holding registers 107 to 109 that section 6.3 of the
    /// application protocol V1.1b3 has as its example, and an answer of two input registers.
    #[test]
    fn frames_are_those_of_an_independent_implementation() {
        let request = ask(6, Table::Holding, 107, 3).encode();
        assert_eq!(Framing::Ascii.wrap(&request, 0), b":0603006B000389\r\n");
        assert_eq!(
            Framing::Tcp.wrap(&request, 0x1501),
            [0x15, 0x01, 0, 0, 0, 6, 6, 3, 0, 0x6B, 0, 3],
            "transaction, protocol 0, six bytes follow"
        );
        assert_eq!((Framing::Ascii.bytes(8), Framing::Tcp.bytes(8)), (17, 12));
        let asked = ask(11, Table::Input, 0, 2);
        let line = b"\x00:0B0:0B040440CD70A4CC\r\n:0B";
        let frames = Framing::Ascii.frames(line, 0);
        assert_eq!(frames.iter().map(|own| (own.start, own.end)).collect::<Vec<_>>(), [(5, 24)]);
        let found = asked.find_answer(&frames[0].rtu);
        assert!(
            matches!(&found, Found::Registers { registers, .. } if *registers == [0x40CD, 0x70A4]),
            "{found:?}"
        );
        let mut socket = vec_of("0006000000070b04040000ffff");
        socket.extend(vec_of("0007000000070b040440cd70a4"));
        let frames = Framing::Tcp.frames(&socket, 7);
        assert_eq!(frames.len(), 1, "the late answer to transaction 6 is passed over");
        assert!(
            matches!(asked.find_answer(&frames[0].rtu), Found::Registers { registers, .. } if registers[0] == 0x40CD)
        );
    }

    fn vec_of(hex: &str) -> Vec<u8> {
        hex.as_bytes().chunks(2).map(|pair| value(pair[0]).unwrap() << 4 | value(pair[1]).unwrap()).collect()
    }

    #[test]
    fn a_character_that_is_wrong_makes_a_frame_nobodys() {
        let sound = b":0B040440CD70A4CC\r\n";
        assert_eq!(Framing::Ascii.frames(sound, 0).len(), 1);
        for place in 0..sound.len() {
            for wrong in [b'0', b'F', b'G', b':', 0xFF] {
                let mut line = sound.to_vec();
                if line[place] == wrong {
                    continue;
                }
                line[place] = wrong;
                assert_eq!(Framing::Ascii.frames(&line, 0), [], "{place} {wrong}");
            }
        }
    }

    proptest! {
        #[test]
        fn what_is_wrapped_is_found_again(
            body in proptest::collection::vec(any::<u8>(), 2..254), transaction: u16, noise in "[^:]{0,20}"
        ) {
            let rtu = with_crc(&body);
            for framing in [Framing::Ascii, Framing::Tcp] {
                let wrapped = framing.wrap(&rtu, transaction);
                prop_assert_eq!(wrapped.len(), framing.bytes(rtu.len()));
                let before = if framing == Framing::Ascii { noise.as_bytes() } else { &[] };
                let line = [before, &wrapped].concat();
                let found = framing.frames(&line, transaction);
                prop_assert_eq!(found, [Framed { rtu: rtu.clone(), start: before.len(), end: line.len() }]);
            }
        }

        #[test]
        fn any_bytes_are_survived(bytes in proptest::collection::vec(any::<u8>(), 0..600)) {
            for framing in [Framing::Rtu, Framing::Ascii, Framing::Tcp] {
                let _ = framing.frames(&bytes, 0);
                let _ = framing.wrap(&bytes, 0);
            }
        }
    }
}
