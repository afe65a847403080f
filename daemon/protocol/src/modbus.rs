//! Modbus RTU frames, both ways: what a master sends and must check, what a slave reads and answers.
//!
//! Source: MODBUS over Serial Line, Specification and Implementation Guide V1.02 (framing, CRC) and
//! MODBUS Application Protocol Specification V1.1b3 (functions 3, 4 and 5, exceptions). Of writing only one
//! coil is coded, in `coil`, for the horn and the lamp: no probe is ever written to, and no aerator.
//!
//! An RTU answer does not say which request it belongs to, so the checks here are all there is: the
//! unit, the function, the byte count and the CRC. An answer that arrives too late for its own request
//! passes them for the next one of the same shape; the caller must keep the line quiet after a time-out.

use alloc::vec::Vec;
use core::fmt;

use crate::register_map::Table;

mod coil;
mod framing;
pub mod survey;

pub use framing::{ASCII_BYTES_MAX, Framed, Framing, lrc};

pub use coil::{CoilFound, CoilWrite, WRITE_COIL};

/// Longest RTU frame: unit, 253 bytes of function and data, CRC.
pub const FRAME_BYTES_MAX: usize = 256;

/// Most registers that one request may ask for.
pub const REGISTERS_MAX: u16 = 125;

/// Lowest and highest unit address of a slave; 0 is broadcast, 248 to 255 are reserved.
pub const UNITS: core::ops::RangeInclusive<u8> = 1..=247;

/// Shortest frame: unit, function, CRC.
const FRAME_BYTES_MIN: usize = 4;

/// Bytes of every request that reads or writes single items: unit, function, two words, CRC.
const REQUEST_BYTES: usize = 8;

/// Bytes of an exception answer: unit, function, code, CRC.
const EXCEPTION_BYTES: usize = 5;

/// Set in the function code of an exception answer.
const EXCEPTION_BIT: u8 = 0x80;

/// CRC-16 of Modbus: reflected polynomial 0xA001, start 0xFFFF. Sent low byte first.
pub fn crc16(bytes: &[u8]) -> u16 {
    let mut crc = 0xFFFF_u16;
    for &byte in bytes {
        crc ^= u16::from(byte);
        for _ in 0..8 {
            let carry = crc & 1;
            crc >>= 1;
            if carry != 0 {
                crc ^= 0xA001;
            }
        }
    }
    crc
}

fn push_crc(frame: &mut Vec<u8>) {
    let crc = crc16(frame);
    frame.extend_from_slice(&crc.to_le_bytes());
}

/// Whether a frame ends in its own CRC.
fn crc_fits(frame: &[u8]) -> bool {
    match frame.split_last_chunk::<2>() {
        Some((body, crc)) => !body.is_empty() && crc16(body) == u16::from_le_bytes(*crc),
        None => false,
    }
}

/// Function code that reads a table.
pub const fn function_of(table: Table) -> u8 {
    match table {
        Table::Holding => 3,
        Table::Input => 4,
    }
}

/// A request to read neighbouring registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ReadRequest {
    /// Address of the slave, 1 to 247.
    pub unit: u8,
    /// Which table.
    pub table: Table,
    /// First register, counted from 0.
    pub address: u16,
    /// How many registers, 1 to 125.
    pub count: u16,
}

impl ReadRequest {
    /// The frame that asks for it, CRC and all.
    pub fn encode(&self) -> [u8; REQUEST_BYTES] {
        let [address_high, address_low] = self.address.to_be_bytes();
        let [count_high, count_low] = self.count.to_be_bytes();
        let body = [self.unit, function_of(self.table), address_high, address_low, count_high, count_low];
        let [crc_low, crc_high] = crc16(&body).to_le_bytes();
        let [unit, function, a, b, c, d] = body;
        [unit, function, a, b, c, d, crc_low, crc_high]
    }

    /// Length of the answer that carries all registers asked for.
    pub fn answer_bytes(&self) -> usize {
        5 + 2 * usize::from(self.count)
    }

    /// Reads one whole frame as the answer to this request, checking everything that can be checked.
    ///
    /// # Errors
    /// Says which check failed, what stood there and what would have been accepted. An exception answer
    /// is [`AnswerError::Exception`].
    pub fn decode_answer(&self, frame: &[u8]) -> Result<Vec<u16>, AnswerError> {
        let (Some((body, crc)), true) = (frame.split_last_chunk::<2>(), frame.len() >= FRAME_BYTES_MIN)
        else {
            return Err(AnswerError::Short { found: frame.len(), wanted: self.answer_bytes() });
        };
        let (computed, found) = (crc16(body), u16::from_le_bytes(*crc));
        if computed != found {
            return Err(AnswerError::Crc { found, computed });
        }
        let (unit, function, data) = match body {
            [unit, function, data @ ..] => (*unit, *function, data),
            _ => return Err(AnswerError::Short { found: frame.len(), wanted: self.answer_bytes() }),
        };
        if unit != self.unit {
            return Err(AnswerError::OtherUnit { found: unit, asked: self.unit });
        }
        let asked = function_of(self.table);
        if function == asked | EXCEPTION_BIT {
            return match data {
                [code] => Err(AnswerError::Exception(*code)),
                _ => Err(AnswerError::ByteCount { found: data.len(), wanted: 1 }),
            };
        }
        if function != asked {
            return Err(AnswerError::OtherFunction { found: function, asked });
        }
        let wanted = 2 * usize::from(self.count);
        match data {
            [count, registers @ ..] if usize::from(*count) == wanted && registers.len() == wanted => {
                Ok(registers.chunks_exact(2).map(word).collect())
            }
            [count, registers @ ..] if usize::from(*count) == wanted => {
                Err(AnswerError::ByteCount { found: registers.len(), wanted })
            }
            [count, ..] => Err(AnswerError::ByteCount { found: usize::from(*count), wanted }),
            [] => Err(AnswerError::Short { found: frame.len(), wanted: self.answer_bytes() }),
        }
    }

    /// Looks for the answer in what has come over the line so far. Whatever stands in front of it is
    /// passed over: noise of a line that turns round, the echo of our own request by a half-duplex
    /// adapter, a late answer of another unit. Only a frame that passes every check is taken.
    pub fn find_answer(&self, received: &[u8]) -> Found {
        // The echo of the request cannot be taken for an answer: as an answer its third byte would be a
        // byte count, and then its length or its CRC does not fit, except by a chance of 1 in 65,536
        // for some addresses; so it is cut out by its exact bytes.
        let request = self.encode();
        let mut start = 0;
        while let Some(rest) = received.get(start..) {
            if rest.is_empty() {
                break;
            }
            if rest.starts_with(&request) {
                start += REQUEST_BYTES;
                continue;
            }
            for length in [EXCEPTION_BYTES, self.answer_bytes()] {
                let Some(frame) = rest.get(..length) else { continue };
                match self.decode_answer(frame) {
                    Ok(registers) => return Found::Registers { registers, start, end: start + length },
                    Err(AnswerError::Exception(code)) => {
                        return Found::Exception { code, start, end: start + length };
                    }
                    Err(_) => {}
                }
            }
            start += 1;
        }
        Found::NotYet
    }

    /// Why nothing was found in all that came until the time-out, for people: the nearest miss.
    pub fn explain(&self, received: &[u8]) -> AnswerError {
        let received = received.strip_prefix(&self.encode()).unwrap_or(received);
        self.decode_answer(received)
            .err()
            .unwrap_or(AnswerError::Short { found: received.len(), wanted: self.answer_bytes() })
    }
}

fn word(pair: &[u8]) -> u16 {
    match pair {
        [high, low] => u16::from_be_bytes([*high, *low]),
        _ => 0,
    }
}

/// What a search through received bytes gave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Found {
    /// The answer, at bytes `start..end`.
    Registers {
        /// As many as were asked for.
        registers: Vec<u16>,
        /// Its first byte.
        start: usize,
        /// Past its last byte.
        end: usize,
    },
    /// An exception answer, at bytes `start..end`.
    Exception {
        /// The code; [`exception_name`] has the words.
        code: u8,
        /// Its first byte.
        start: usize,
        /// Past its last byte.
        end: usize,
    },
    /// Neither, so far.
    NotYet,
}

/// Why a frame is not the answer to a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum AnswerError {
    /// Too few bytes.
    #[error("{found} bytes came, the whole answer has {wanted}")]
    Short {
        /// Bytes there.
        found: usize,
        /// Bytes of the whole answer.
        wanted: usize,
    },
    /// The checksum does not fit.
    #[error("checksum {found:#06x} in the answer, {computed:#06x} computed from its bytes")]
    Crc {
        /// As sent.
        found: u16,
        /// As computed.
        computed: u16,
    },
    /// Another slave answered.
    #[error("unit {found} answered, unit {asked} was asked")]
    OtherUnit {
        /// Who answered.
        found: u8,
        /// Who was asked.
        asked: u8,
    },
    /// The answer is to another function.
    #[error("the answer is to function {found}, function {asked} was asked")]
    OtherFunction {
        /// As answered.
        found: u8,
        /// As asked.
        asked: u8,
    },
    /// The answer does not carry what was asked for.
    #[error("the answer carries {found} data bytes, {wanted} were asked for")]
    ByteCount {
        /// As answered.
        found: usize,
        /// As asked.
        wanted: usize,
    },
    /// The slave confirms another coil or the other state.
    #[error("the answer confirms another coil, or the other state of this one")]
    OtherCoil,
    /// The slave refused.
    #[error("the probe refused with Modbus exception {}", ExceptionText(*.0))]
    Exception(u8),
}

struct ExceptionText(u8);

impl fmt::Display for ExceptionText {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({})", self.0, exception_name(self.0))
    }
}

/// What the application protocol specification (section 7) calls an exception code.
pub const fn exception_name(code: u8) -> &'static str {
    match code {
        1 => "illegal function",
        2 => "illegal data address",
        3 => "illegal data value",
        4 => "server device failure",
        5 => "acknowledge",
        6 => "server device busy",
        8 => "memory parity error",
        10 => "gateway path unavailable",
        11 => "gateway target device failed to respond",
        _ => "a code that the specification does not know",
    }
}

/// Exception codes that a slave sends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Exception {
    /// The slave does not have this function.
    IllegalFunction = 1,
    /// The registers are not all there.
    IllegalDataAddress = 2,
    /// The count is 0 or above 125.
    IllegalDataValue = 3,
    /// The slave is broken.
    ServerDeviceFailure = 4,
    /// The slave is busy; ask again later.
    ServerDeviceBusy = 6,
}

/// A request as a slave sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Request {
    /// To read registers; the count is not yet checked.
    Read(ReadRequest),
    /// To switch a coil.
    WriteCoil(CoilWrite),
    /// A well-formed frame with a function that is not coded here; answer [`Exception::IllegalFunction`].
    Other {
        /// Whom it is for.
        unit: u8,
        /// The function code.
        function: u8,
    },
}

impl Request {
    /// Whom it is for.
    pub const fn unit(&self) -> u8 {
        match *self {
            Self::Read(ReadRequest { unit, .. })
            | Self::WriteCoil(CoilWrite { unit, .. })
            | Self::Other { unit, .. } => unit,
        }
    }
}

/// Reads one whole frame as a request. `None` where it is not one: short, or its CRC does not fit; a
/// slave stays silent then.
pub fn decode_request(frame: &[u8]) -> Option<Request> {
    if frame.len() < FRAME_BYTES_MIN || frame.len() > FRAME_BYTES_MAX || !crc_fits(frame) {
        return None;
    }
    let (&unit, rest) = frame.split_first()?;
    let (&function, rest) = rest.split_first()?;
    let table = match function {
        3 => Table::Holding,
        4 => Table::Input,
        WRITE_COIL => {
            return Some(
                CoilWrite::decode(frame).map_or(Request::Other { unit, function }, Request::WriteCoil),
            );
        }
        _ => return Some(Request::Other { unit, function }),
    };
    match rest {
        [a, b, c, d, _, _] => Some(Request::Read(ReadRequest {
            unit,
            table,
            address: u16::from_be_bytes([*a, *b]),
            count: u16::from_be_bytes([*c, *d]),
        })),
        _ => None,
    }
}

/// Takes the first request out of what a slave has received so far, and says how many bytes to drop
/// from the front: those of the request and whatever stood before it. A slave's receive buffer never
/// needs to grow past [`FRAME_BYTES_MAX`]; bytes that can no longer begin a request are dropped too.
pub fn take_request(received: &[u8]) -> (Option<Request>, usize) {
    for start in 0..received.len() {
        let rest = received.get(start..).unwrap_or_default();
        // Requests of 8 bytes (functions 1 to 6), and those that carry their own length (15, 16).
        let length = match rest {
            [_, 15 | 16, _, _, _, _, count, ..] => 9 + usize::from(*count),
            _ => REQUEST_BYTES,
        };
        if let Some(request) = rest.get(..length).and_then(decode_request) {
            return (Some(request), start + length);
        }
    }
    (None, received.len().saturating_sub(FRAME_BYTES_MAX))
}

/// A slave's answer that carries registers. More than 125 are refused with an exception frame, since no
/// frame can hold them.
pub fn encode_registers(request: &ReadRequest, registers: &[u16]) -> Vec<u8> {
    let byte_count = match u8::try_from(registers.len() * 2) {
        Ok(count) if registers.len() <= usize::from(REGISTERS_MAX) => count,
        _ => return encode_exception(request.unit, function_of(request.table), Exception::IllegalDataValue),
    };
    let mut frame = Vec::with_capacity(5 + registers.len() * 2);
    frame.extend_from_slice(&[request.unit, function_of(request.table), byte_count]);
    for register in registers {
        frame.extend_from_slice(&register.to_be_bytes());
    }
    push_crc(&mut frame);
    frame
}

/// A slave's answer that refuses.
pub fn encode_exception(unit: u8, function: u8, exception: Exception) -> Vec<u8> {
    let mut frame = Vec::with_capacity(EXCEPTION_BYTES);
    frame.extend_from_slice(&[unit, function | EXCEPTION_BIT, exception as u8]);
    push_crc(&mut frame);
    frame
}

/// What a slave answers to a request, given its registers: `register(table, address)` is `None` where
/// the slave has none.
pub fn answer(request: &Request, register: impl Fn(Table, u16) -> Option<u16>) -> Vec<u8> {
    let read = match request {
        Request::Read(read) => read,
        Request::WriteCoil(write) => {
            return encode_exception(write.unit, WRITE_COIL, Exception::IllegalFunction);
        }
        Request::Other { unit, function } => {
            return encode_exception(*unit, *function, Exception::IllegalFunction);
        }
    };
    let function = function_of(read.table);
    if read.count == 0 || read.count > REGISTERS_MAX {
        return encode_exception(read.unit, function, Exception::IllegalDataValue);
    }
    let registers: Option<Vec<u16>> = (0..read.count)
        .map(|i| read.address.checked_add(i).and_then(|address| register(read.table, address)))
        .collect();
    match registers {
        Some(registers) => encode_registers(read, &registers),
        None => encode_exception(read.unit, function, Exception::IllegalDataAddress),
    }
}

#[cfg(test)]
mod tests;
