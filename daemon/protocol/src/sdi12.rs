//! SDI-12: what goes to a sensor and what comes back, as text.
//!
//! Source: SDI-12, A Serial-Digital Interface Standard for Microprocessor-Based Sensors, version 1.4 of 20 February
//! 2023 (SDI-12 Support Group): section 4.3 (addresses), 4.4 (commands), 4.4.12 (CRC), 6 (metadata). At 1200 bits/s,
//! seven data bits, even parity; an adapter makes break and marking.

use alloc::string::String;
use alloc::vec::Vec;
use core::fmt;

pub use self::parameter::{Parameter, decode_parameter};
pub use self::sensor::{SensorMap, VALUES_MAX};

mod parameter;
mod sensor;

/// Longest value: sign, seven digits and a point (section 4.4.8).
const VALUE_DIGITS_MAX: usize = 7;

/// Whether a character is the address of a sensor: a digit or a letter.
pub const fn is_address(address: u8) -> bool {
    address.is_ascii_alphanumeric()
}

/// What is asked of a sensor. None of it changes a sensor: the command that changes an address is not coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Command {
    /// `a!`: is it there.
    Acknowledge,
    /// `aI!`: what it is.
    Identify,
    /// `aIM1!` … `aIM9!`, `aIC1!` and so on, since version 1.4: what a measurement would announce, without making it.
    Announce {
        /// 0, or 1 to 9 for further measurements.
        number: u8,
        /// Of the one that is made while others are.
        concurrent: bool,
    },
    /// `aIM_001!`, `aIMC2_001!`, `aICC_012!` and so on, since version 1.4: what one value of a measurement is, without
    /// making it.
    Describe {
        /// 0, or 1 to 9 for further measurements.
        number: u8,
        /// Of the one that is made while others are.
        concurrent: bool,
        /// Of the one with a CRC; the answer to this then has one too.
        crc: bool,
        /// Which value, counted from 1.
        position: u8,
    },
    /// `aM!`, `aM1!` … `aM9!`, with a CRC `aMC!`: measure, and send a service request when ready.
    Measure {
        /// 0, or 1 to 9 for further measurements.
        number: u8,
        /// Whether the data shall carry a CRC.
        crc: bool,
    },
    /// `aC!` and so on: measure while others do.
    Concurrent {
        /// 0, or 1 to 9 for further measurements.
        number: u8,
        /// Whether the data shall carry a CRC.
        crc: bool,
    },
    /// `aD0!` … `aD9!`: send data.
    Data(u8),
}

impl Command {
    /// The number of the measurement that it asks for; `None` where it asks for none.
    pub const fn measurement(self) -> Option<u8> {
        match self {
            Self::Measure { number, .. } | Self::Concurrent { number, .. } => Some(number),
            Self::Acknowledge
            | Self::Identify
            | Self::Announce { .. }
            | Self::Describe { .. }
            | Self::Data(_) => None,
        }
    }

    /// As sent to the sensor of an address; `None` for an address or a number that cannot be.
    pub fn encode(self, address: u8) -> Option<Vec<u8>> {
        if !is_address(address) {
            return None;
        }
        let mut text = Vec::with_capacity(10);
        text.push(address);
        let numbered = |text: &mut Vec<u8>, letter: u8, number: u8, crc: bool| {
            text.push(letter);
            if crc {
                text.push(b'C');
            }
            if number > 0 {
                text.push(b'0' + number);
            }
        };
        match self {
            Self::Acknowledge => {}
            Self::Identify => text.push(b'I'),
            Self::Announce { number: number @ 0..=9, concurrent } => {
                text.push(b'I');
                numbered(&mut text, if concurrent { b'C' } else { b'M' }, number, false);
            }
            Self::Describe {
                number: number @ 0..=9,
                concurrent,
                crc,
                position: position @ 1..=VALUES_MAX,
            } => {
                text.push(b'I');
                numbered(&mut text, if concurrent { b'C' } else { b'M' }, number, crc);
                text.extend([b'_', b'0', b'0' + position / 10, b'0' + position % 10]);
            }
            Self::Measure { number: number @ 0..=9, crc } => numbered(&mut text, b'M', number, crc),
            Self::Concurrent { number: number @ 0..=9, crc } => numbered(&mut text, b'C', number, crc),
            Self::Data(page @ 0..=9) => text.extend([b'D', b'0' + page]),
            Self::Announce { .. }
            | Self::Describe { .. }
            | Self::Measure { .. }
            | Self::Concurrent { .. }
            | Self::Data(_) => return None,
        }
        text.push(b'!');
        Some(text)
    }
}

/// Why an answer is not one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Sdi12Error {
    /// No line that ends in CR LF.
    #[error("no line that ends in carriage return and line feed")]
    NoEnd,
    /// Another sensor's.
    #[error("address `{}` answered, `{}` was asked", char::from(*.found), char::from(*.asked))]
    OtherAddress {
        /// Who answered.
        found: u8,
        /// Who was asked.
        asked: u8,
    },
    /// Not of the form that was asked for.
    #[error("the answer {found:?} is not of the form {wanted}")]
    Form {
        /// What came.
        found: String,
        /// What would have been accepted.
        wanted: &'static str,
    },
    /// The checksum does not fit.
    #[error("checksum `{found}` in the answer, `{computed}` computed from its characters")]
    Crc {
        /// As sent.
        found: String,
        /// As computed.
        computed: String,
    },
}

/// CRC-16 of SDI-12 (section 4.4.12.1): reflected polynomial 0xA001, start 0.
pub fn crc16(bytes: &[u8]) -> u16 {
    let mut crc = 0_u16;
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

/// The three characters in which a CRC travels (section 4.4.12.2): four and twice six bits, each with 0x40.
pub fn crc_text(crc: u16) -> [u8; 3] {
    let six = |shift: u16| 0x40 | u8::try_from((crc >> shift) & 0x3F).unwrap_or_default();
    [six(12), six(6), six(0)]
}

/// A value as a sensor sends it: its sign, and up to seven digits of it.
pub fn value_text(value: f64) -> String {
    let value = if value.is_finite() { value } else { -9_999.0 };
    for decimals in (0..=3).rev() {
        let text = alloc::format!("{value:+.decimals$}");
        if text.bytes().filter(u8::is_ascii_digit).count() <= VALUE_DIGITS_MAX {
            return text;
        }
    }
    String::from("-9999")
}

/// A measurement that a sensor has begun.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Begun {
    /// Data are ready after so many seconds at the latest.
    pub ready_after_s: u16,
    /// So many values will come.
    pub values: u8,
}

/// The characters between the address and the line's end, of the first line in what was received. What is no
/// printable ASCII in front of it (a break, noise) is passed over, and so is the echo of the command.
fn body<'r>(received: &'r [u8], command: &[u8], address: u8) -> Result<&'r [u8], Sdi12Error> {
    let end = received.windows(2).position(|pair| pair == b"\r\n").ok_or(Sdi12Error::NoEnd)?;
    let printable = |bytes: &'r [u8]| {
        let start = bytes.iter().position(u8::is_ascii_graphic).unwrap_or(bytes.len());
        bytes.get(start..).unwrap_or_default()
    };
    let line = printable(received.get(..end).unwrap_or_default());
    let line = line.strip_prefix(command).map_or(line, printable);
    match line.split_first() {
        Some((found, rest)) if *found == address => Ok(rest),
        Some((found, _)) => Err(Sdi12Error::OtherAddress { found: *found, asked: address }),
        None => Err(Sdi12Error::NoEnd),
    }
}

fn form(found: &[u8], wanted: &'static str) -> Sdi12Error {
    let shown = found.iter().take(80).map(|byte| char::from(*byte)).collect();
    Sdi12Error::Form { found: shown, wanted }
}

fn number(digits: &[u8]) -> Option<u16> {
    digits.iter().try_fold(0_u16, |sum, digit| {
        digit.is_ascii_digit().then(|| sum.checked_mul(10)?.checked_add(u16::from(digit - b'0')))?
    })
}

/// Reads `atttn` of a measurement, or `atttnn` of a concurrent one.
///
/// # Errors
/// Another sensor's answer, or not of that form.
pub fn decode_begun(received: &[u8], command: Command, address: u8) -> Result<Begun, Sdi12Error> {
    let sent = command.encode(address).unwrap_or_default();
    let rest = body(received, &sent, address)?;
    let (length, wanted) = match command {
        Command::Concurrent { .. } | Command::Announce { concurrent: true, .. } => (5, "atttnn"),
        _ => (4, "atttn"),
    };
    let (seconds, count) = rest.split_at_checked(3).ok_or_else(|| form(rest, wanted))?;
    let values = number(count).and_then(|count| u8::try_from(count).ok());
    match (number(seconds), values) {
        (Some(ready_after_s), Some(values)) if rest.len() == length => Ok(Begun { ready_after_s, values }),
        _ => Err(form(rest, wanted)),
    }
}

/// Whether a sensor says that it is ready: its address alone on a line.
pub fn is_service_request(received: &[u8], address: u8) -> bool {
    body(received, &[], address) == Ok(&[])
}

/// Whether a sensor says that it is there: its address alone on a line, behind the adapter's own echo if any.
pub fn is_acknowledged(received: &[u8], address: u8) -> bool {
    let sent = Command::Acknowledge.encode(address).unwrap_or_default();
    body(received, &sent, address) == Ok(&[])
}

/// What is wrong with an answer to [`Command::Acknowledge`].
pub fn not_acknowledged(received: &[u8], address: u8) -> Sdi12Error {
    let sent = Command::Acknowledge.encode(address).unwrap_or_default();
    match body(received, &sent, address) {
        Ok(rest) => form(rest, "the address alone"),
        Err(why) => why,
    }
}

/// The command of a line that a sensor was sent, and the address: what a capture of a line holds.
pub fn decode_command(sent: &[u8]) -> Option<(u8, Command)> {
    let start = sent.iter().position(u8::is_ascii_graphic)?;
    let (&address, rest) = sent.get(start..)?.split_first()?;
    let rest = rest.strip_suffix(b"!").filter(|_| is_address(address))?;
    let digit = |bytes: &[u8]| match bytes {
        [] => Some(0),
        [digit] if digit.is_ascii_digit() => Some(digit - b'0'),
        _ => None,
    };
    let command = match rest.split_first() {
        None => Command::Acknowledge,
        Some((b'I', [])) => Command::Identify,
        Some((b'I', [letter @ (b'M' | b'C'), more @ ..])) => {
            let concurrent = *letter == b'C';
            match more.split_last_chunk::<4>() {
                Some((more, [b'_', position @ ..])) => {
                    let crc = more.first() == Some(&b'C');
                    let number = digit(more.strip_prefix(b"C").unwrap_or(more))?;
                    let position = u8::try_from(self::number(position)?).ok()?;
                    Command::Describe { number, concurrent, crc, position }
                }
                // With a CRC it would announce the same (section 6.1).
                _ => {
                    Command::Announce { number: digit(more.strip_prefix(b"C").unwrap_or(more))?, concurrent }
                }
            }
        }
        Some((b'D', page)) if page.len() == 1 => Command::Data(digit(page)?),
        Some((letter @ (b'M' | b'C'), more)) => {
            let crc = more.first() == Some(&b'C');
            let number = digit(more.strip_prefix(b"C").unwrap_or(more))?;
            match letter {
                b'M' => Command::Measure { number, crc },
                _ => Command::Concurrent { number, crc },
            }
        }
        Some(_) => return None,
    };
    Some((address, command))
}

/// What a CRC covers behind the address, if it fits.
fn checked<'r>(rest: &'r [u8], address: u8, wanted: &'static str) -> Result<&'r [u8], Sdi12Error> {
    let Some((own, check)) = rest.split_last_chunk::<3>() else { return Err(form(rest, wanted)) };
    let mut covered = Vec::with_capacity(1 + own.len());
    covered.push(address);
    covered.extend_from_slice(own);
    let computed = crc_text(crc16(&covered));
    if computed == *check {
        return Ok(own);
    }
    let text = |bytes: &[u8]| bytes.iter().map(|byte| char::from(*byte)).collect();
    Err(Sdi12Error::Crc { found: text(check), computed: text(&computed) })
}

/// What can be printed of a field, without the spaces around it.
fn printable_text(bytes: &[u8]) -> String {
    let printable = bytes.iter().filter(|byte| (0x20..0x7F).contains(*byte));
    String::from(printable.map(|byte| char::from(*byte)).collect::<String>().trim())
}

/// Reads the values of one answer to [`Command::Data`], with or without the CRC that was asked for.
///
/// # Errors
/// Another sensor's answer, a CRC that does not fit, or not of the form `a±1.23±4.5`.
pub fn decode_data(received: &[u8], page: u8, address: u8, crc: bool) -> Result<Vec<f64>, Sdi12Error> {
    const WANTED: &str = "values, each with its sign and at most seven digits, such as +3.14-2.7";
    let sent = Command::Data(page).encode(address).unwrap_or_default();
    let mut rest = body(received, &sent, address)?;
    if crc {
        rest = checked(rest, address, WANTED)?;
    }
    let mut values = Vec::new();
    let whole = rest;
    while let Some((sign, after)) = rest.split_first() {
        let length = after.iter().position(|byte| matches!(byte, b'+' | b'-')).unwrap_or(after.len());
        let (digits, next) = after.split_at_checked(length).unwrap_or((after, &[]));
        let points = digits.iter().filter(|byte| **byte == b'.').count();
        let count = digits.iter().filter(|byte| byte.is_ascii_digit()).count();
        let is_number =
            points <= 1 && points + count == digits.len() && (1..=VALUE_DIGITS_MAX).contains(&count);
        let text = core::str::from_utf8(digits).ok().filter(|_| is_number && matches!(sign, b'+' | b'-'));
        let value: f64 = text.and_then(|text| text.parse().ok()).ok_or_else(|| form(whole, WANTED))?;
        values.push(if *sign == b'-' { -value } else { value });
        rest = next;
    }
    Ok(values)
}

/// What a sensor says of itself (section 4.4.2): `allccccccccmmmmmmvvvxxx…`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sensor {
    /// SDI-12 version it keeps to, such as 14 for 1.4.
    pub version: u16,
    /// Vendor.
    pub vendor: String,
    /// Model.
    pub model: String,
    /// Version of the sensor.
    pub revision: String,
    /// Serial number or whatever else it adds.
    pub more: String,
}

impl fmt::Display for Sensor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { vendor, model, revision, more, .. } = self;
        write!(f, "{vendor} {model} {revision}")?;
        if more.is_empty() { Ok(()) } else { write!(f, " {more}") }
    }
}

/// Reads an identification.
///
/// # Errors
/// Another sensor's answer, or not of that form.
pub fn decode_identity(received: &[u8], address: u8) -> Result<Sensor, Sdi12Error> {
    const WANTED: &str = "allccccccccmmmmmmvvv and at most 13 characters more";
    let sent = Command::Identify.encode(address).unwrap_or_default();
    let rest = body(received, &sent, address)?;
    let part = |from: usize, to: usize| rest.get(from..to).ok_or_else(|| form(rest, WANTED));
    let version = number(part(0, 2)?).ok_or_else(|| form(rest, WANTED))?;
    if rest.len() > 19 + 13 {
        return Err(form(rest, WANTED));
    }
    Ok(Sensor {
        version,
        vendor: printable_text(part(2, 10)?),
        model: printable_text(part(10, 16)?),
        revision: printable_text(part(16, 19)?),
        more: printable_text(rest.get(19..).unwrap_or_default()),
    })
}

#[cfg(test)]
mod tests;
