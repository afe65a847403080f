//! Looking for probes on a serial line: who answers at which address and setting, which known register map fits,
//! what it reads now, and the piece of configuration that follows.
//!
//! Nothing is ever written to a device. What goes out are reads of registers (functions 3 and 4) and, to units
//! that have answered, read device identification (function 43, type 14). Lines on which text is spoken are `spoken`'s.

mod access;
mod fit;
mod fragment;
mod report;
pub mod spoken;
mod walk;
mod wire;

use std::fmt;
use std::path::PathBuf;
use std::time::Duration;

use pondreeve_protocol::register_map::{RegisterMap, Table};

use crate::config::farm::Parity;

pub use access::Access;
pub use fit::{Fit, Seen, Verdict};
pub use fragment::fragment;
pub use report::{json, text};
pub use walk::scan;

/// Settings that are tried where none are named, in this order: what probes and meters are delivered with, and
/// the Modbus specification's own default. (Common practice, no source, but for 19200 8E1.)
pub const USUAL_SETTINGS: &[(u32, Parity)] = &[
    (9_600, Parity::None),
    (19_200, Parity::Even),
    (19_200, Parity::None),
    (9_600, Parity::Even),
    (4_800, Parity::None),
    (38_400, Parity::None),
    (115_200, Parity::None),
];

/// How a line is set. Modbus RTU has eight data bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Setting {
    /// Bits per second.
    pub baud: u32,
    /// 7 or 8.
    pub data_bits: u8,
    /// Parity.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
}

impl Setting {
    /// The usual ones.
    pub fn usual() -> Vec<Self> {
        let setting = |&(baud, parity): &(u32, Parity)| Self { baud, data_bits: 8, parity, stop_bits: 1 };
        USUAL_SETTINGS.iter().map(setting).collect()
    }

    /// Reads `9600` or `19200-8E1`.
    ///
    /// # Errors
    /// What would be accepted.
    pub fn parse(text: &str) -> Result<Self, String> {
        let accepted = || {
            format!(
                "{text:?} is no line setting: write a speed from 300 to 1000000, such as 9600, 19200-8E1 or 1200-7E1"
            )
        };
        let (speed, format) = text.split_once('-').unwrap_or((text, "8N1"));
        let baud = speed.parse().ok().filter(|baud| (300..=1_000_000).contains(baud)).ok_or_else(accepted)?;
        let (data_bits, parity, stop_bits) = match format.to_ascii_uppercase().as_str() {
            "8N1" => (8, Parity::None, 1),
            "8N2" => (8, Parity::None, 2),
            "8E1" => (8, Parity::Even, 1),
            "8O1" => (8, Parity::Odd, 1),
            "7E1" => (7, Parity::Even, 1),
            "7O1" => (7, Parity::Odd, 1),
            "7N2" => (7, Parity::None, 2),
            _ => return Err(accepted()),
        };
        Ok(Self { baud, data_bits, parity, stop_bits })
    }

    /// Bits of a character, start and stop included.
    const fn bits(self) -> u32 {
        let parity = if matches!(self.parity, Parity::None) { 0 } else { 1 };
        1 + self.data_bits as u32 + parity + self.stop_bits as u32
    }

    /// Time of one character.
    fn character(self) -> Duration {
        Duration::from_secs_f64(f64::from(self.bits()) / f64::from(self.baud.max(1)))
    }

    /// The word of the configuration for its parity.
    const fn parity_word(self) -> &'static str {
        match self.parity {
            Parity::None => "none",
            Parity::Even => "even",
            Parity::Odd => "odd",
        }
    }
}

impl fmt::Display for Setting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        write!(f, "{} {}{parity}{}", self.baud, self.data_bits, self.stop_bits)
    }
}

/// What is to be done.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The line.
    pub device: PathBuf,
    /// Settings in the order in which they are tried.
    pub settings: Vec<Setting>,
    /// Every setting is tried; else the first at which something answers is the last.
    pub every_setting: bool,
    /// Addresses in order.
    pub addresses: Vec<u8>,
    /// How long a unit may take to begin its answer.
    pub patience: Duration,
    /// Register maps to try.
    pub profiles: Vec<RegisterMap>,
}

/// A unit that answers.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    /// Its address.
    pub address: u8,
    /// The setting of the line.
    pub setting: Setting,
    /// How long it took to answer, the bytes' own time taken off.
    pub answers_in: Duration,
    /// What it says of itself, such as vendor, product and revision.
    pub identity: Option<String>,
    /// Register maps that fit, best first.
    pub fits: Vec<Fit>,
    /// Register maps that were tried and do not fit: name and why.
    pub others: Vec<(String, String)>,
    /// Its first registers, where no map fits.
    pub registers: Vec<(Table, Vec<u16>)>,
    /// Where the running configuration already knows it: the probes' ids.
    pub known_as: Vec<String>,
}

/// An address at which bytes came, but no answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Garbled {
    /// The address asked.
    pub address: u8,
    /// The setting of the line.
    pub setting: Setting,
    /// Bytes of the last attempt.
    pub bytes: usize,
}

/// One setting that was tried.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tried {
    /// The setting.
    pub setting: Setting,
    /// Addresses asked, the first of the list on.
    pub addresses: usize,
    /// Bytes that came when nobody had asked.
    pub unasked_bytes: usize,
}

/// What a scan gave.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Outcome {
    /// Who answers.
    pub units: Vec<Unit>,
    /// Where something answers that cannot be read.
    pub garbled: Vec<Garbled>,
    /// What was tried.
    pub tried: Vec<Tried>,
    /// Settings that were not, or not to the end.
    pub left: Vec<Setting>,
    /// Why it ended before its end.
    pub stopped: Option<String>,
    /// How long it took.
    pub took: Duration,
    /// The bus of the running configuration, where the line is one.
    pub bus: Option<String>,
    /// The device by a path that survives replugging, where there is one.
    pub stable_device: Option<PathBuf>,
}

/// What is told while it runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Progress {
    /// A setting begins.
    Setting(Setting),
    /// An address is about to be asked.
    Address {
        /// Which.
        address: u8,
        /// How many were asked at this setting.
        done: usize,
        /// Of how many.
        of: usize,
        /// Units found so far.
        found: usize,
    },
    /// A unit answers.
    Found(u8),
    /// A unit is looked at closely.
    Look(u8),
    /// The line is wanted back for a moment.
    Recalled,
    /// The line is listened to for so long.
    Listen(Duration),
    /// It is asked as this profile says.
    Asked(String),
    /// A line came.
    Line(String),
}

/// Reads a list of addresses such as `1-20,51`.
///
/// # Errors
/// What would be accepted.
pub fn addresses(text: &str) -> Result<Vec<u8>, String> {
    let accepted =
        || format!("{text:?} is no list of addresses: write numbers from 1 to 247, such as 1-20,51");
    let number = |text: &str| {
        text.trim().parse::<u8>().ok().filter(|address| (1..=247).contains(address)).ok_or_else(accepted)
    };
    let mut list = Vec::new();
    for part in text.split(',') {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let (first, last) = (number(first)?, number(last)?);
        if first > last {
            return Err(accepted());
        }
        list.extend((first..=last).filter(|address| !list.contains(address)).collect::<Vec<_>>());
    }
    Ok(list)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_and_addresses_are_read_as_people_write_them() {
        let shown = |text| Setting::parse(text).map(|setting| setting.to_string());
        assert_eq!(shown("9600"), Ok("9600 8N1".to_owned()));
        assert_eq!(shown("19200-8e1"), Ok("19200 8E1".to_owned()));
        assert_eq!(shown("1200-7E1"), Ok("1200 7E1".to_owned()));
        for wrong in ["", "96", "9600-6E1", "fast", "9600-"] {
            assert!(shown(wrong).is_err(), "{wrong}");
        }
        assert_eq!(addresses("1-3,51,2"), Ok(vec![1, 2, 3, 51]));
        for wrong in ["", "0", "248", "9-3", "1;2", "1-"] {
            assert!(addresses(wrong).is_err(), "{wrong}");
        }
    }
}
