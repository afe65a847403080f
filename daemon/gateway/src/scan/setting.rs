//! How a line is set, and the settings that are tried.

use std::fmt;
use std::time::Duration;

use pondreeve_protocol::modbus::Framing;

use crate::cli::spoken;
use crate::config::farm::Parity;
use crate::texts::say;

/// Settings that are tried where none are named, in this order: what probes and meters are delivered with, and
/// the Modbus specification's own default. (Common practice, no source, but for 19200 8E1.)
const USUAL_SETTINGS: &[(u32, Parity)] = &[
    (9_600, Parity::None),
    (19_200, Parity::Even),
    (19_200, Parity::None),
    (9_600, Parity::Even),
    (4_800, Parity::None),
    (38_400, Parity::None),
    (115_200, Parity::None),
];

/// The same for Modbus ASCII, where no RTU answers. Seven bits with even parity are the specification's own; eight are
/// common where a device has both (common practice, no source).
const USUAL_ASCII: &[(u32, u8, Parity)] =
    &[(9_600, 7, Parity::Even), (19_200, 7, Parity::Even), (9_600, 8, Parity::None)];

/// A speed as people name it, with or without data bits, parity and stop bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Speed {
    baud: u32,
    format: Option<(u8, Parity, u8)>,
}

impl Speed {
    /// Reads `9600` or `19200-8E1`.
    ///
    /// # Errors
    /// What would be accepted.
    pub fn parse(text: &str) -> Result<Self, String> {
        let accepted = || say!(spoken(), "usage-line-setting", typed = text);
        let (speed, format) = match text.split_once('-') {
            Some((speed, format)) => (speed, Some(format)),
            None => (text, None),
        };
        let baud = speed.parse().ok().filter(|baud| (300..=1_000_000).contains(baud)).ok_or_else(accepted)?;
        let format = match format.map(str::to_ascii_uppercase).as_deref() {
            None => None,
            Some("8N1") => Some((8, Parity::None, 1)),
            Some("8N2") => Some((8, Parity::None, 2)),
            Some("8E1") => Some((8, Parity::Even, 1)),
            Some("8O1") => Some((8, Parity::Odd, 1)),
            Some("7E1") => Some((7, Parity::Even, 1)),
            Some("7O1") => Some((7, Parity::Odd, 1)),
            Some("7N2") => Some((7, Parity::None, 2)),
            Some(_) => return Err(accepted()),
        };
        Ok(Self { baud, format })
    }

    /// Whether seven data bits are named, which only Modbus ASCII and SDI-12 have.
    pub fn has_seven_bits(self) -> bool {
        matches!(self.format, Some((7, ..)))
    }

    /// As a line is set by it. Without a format it is the usual one: 7E1 for Modbus ASCII, else 8N1.
    pub fn setting(self, framing: Framing) -> Setting {
        let usual = if framing == Framing::Ascii { (7, Parity::Even, 1) } else { (8, Parity::None, 1) };
        let (data_bits, parity, stop_bits) = self.format.unwrap_or(usual);
        Setting { baud: self.baud, data_bits, parity, stop_bits, framing, by_server: false }
    }
}

/// How a line is set, and how Modbus travels on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Setting {
    /// Bits per second.
    pub baud: u32,
    /// 7 or 8. Modbus RTU has eight.
    pub data_bits: u8,
    /// Parity.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
    /// How Modbus frames travel; nothing where text is spoken.
    pub framing: Framing,
    /// A serial server has the line: nothing but the framing can be chosen, and the rest is taken for the time that bytes
    /// take on the line behind it.
    pub by_server: bool,
}

impl Setting {
    /// The usual ones of Modbus RTU.
    pub fn usual() -> Vec<Self> {
        let setting = |&(baud, parity): &(u32, Parity)| Self {
            baud,
            data_bits: 8,
            parity,
            stop_bits: 1,
            framing: Framing::Rtu,
            by_server: false,
        };
        USUAL_SETTINGS.iter().map(setting).collect()
    }

    /// The usual ones of Modbus ASCII.
    pub fn usual_ascii() -> Vec<Self> {
        let setting = |&(baud, data_bits, parity): &(u32, u8, Parity)| Self {
            baud,
            data_bits,
            parity,
            stop_bits: 1,
            framing: Framing::Ascii,
            by_server: false,
        };
        USUAL_ASCII.iter().map(setting).collect()
    }

    /// What a serial server is spoken to in, its line taken for the usual speed.
    pub const fn of_server(framing: Framing) -> Self {
        Self { baud: 9_600, data_bits: 8, parity: Parity::None, stop_bits: 1, framing, by_server: true }
    }

    /// The framings of serial servers. Modbus TCP comes first: what knows it says at once that it does.
    pub fn of_servers() -> Vec<Self> {
        [Framing::Tcp, Framing::Rtu, Framing::Ascii].into_iter().map(Self::of_server).collect()
    }

    /// The word of the configuration for its framing.
    pub(super) const fn framing_word(self) -> &'static str {
        match self.framing {
            Framing::Rtu => "rtu",
            Framing::Ascii => "ascii",
            Framing::Tcp => "tcp",
        }
    }

    /// Reads `9600` or `19200-8E1` of a line of Modbus RTU or of text.
    #[cfg(test)]
    pub(super) fn parse(text: &str) -> Result<Self, String> {
        Speed::parse(text).map(|speed| speed.setting(Framing::Rtu))
    }

    /// Bits of a character, start and stop included.
    const fn bits(self) -> u32 {
        let parity = if matches!(self.parity, Parity::None) { 0 } else { 1 };
        1 + self.data_bits as u32 + parity + self.stop_bits as u32
    }

    /// Time of one character.
    pub(super) fn character(self) -> Duration {
        Duration::from_secs_f64(f64::from(self.bits()) / f64::from(self.baud.max(1)))
    }

    /// The word of the configuration for its parity.
    pub(super) const fn parity_word(self) -> &'static str {
        match self.parity {
            Parity::None => "none",
            Parity::Even => "even",
            Parity::Odd => "odd",
        }
    }
}

impl fmt::Display for Setting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.by_server, self.framing) {
            (false, _) => {}
            (true, Framing::Tcp) => return f.write_str("Modbus TCP"),
            (true, Framing::Rtu) => return f.write_str("Modbus RTU / TCP"),
            (true, Framing::Ascii) => return f.write_str("Modbus ASCII / TCP"),
        }
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        let framing = if self.framing == Framing::Ascii { " ASCII" } else { "" };
        write!(f, "{} {}{parity}{}{framing}", self.baud, self.data_bits, self.stop_bits)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_are_read_as_people_write_them() {
        let shown = |text| Setting::parse(text).map(|setting| setting.to_string());
        assert_eq!(shown("9600"), Ok("9600 8N1".to_owned()));
        assert_eq!(shown("19200-8e1"), Ok("19200 8E1".to_owned()));
        assert_eq!(shown("1200-7E1"), Ok("1200 7E1".to_owned()));
        for wrong in ["", "96", "9600-6E1", "fast", "9600-"] {
            assert!(shown(wrong).is_err(), "{wrong}");
        }
        let ascii = |text| Speed::parse(text).map(|speed| speed.setting(Framing::Ascii).to_string());
        assert_eq!(ascii("9600"), Ok("9600 7E1 ASCII".to_owned()));
        assert_eq!(ascii("9600-8N1"), Ok("9600 8N1 ASCII".to_owned()));
    }
}
