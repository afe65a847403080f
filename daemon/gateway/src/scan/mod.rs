//! Looking for probes on a serial line, at a device or behind a serial server: who answers at which address and setting,
//! which known register map fits, what it reads now, and the piece of configuration that follows.
//!
//! Nothing is ever written to a device. What goes out are reads of registers (functions 3 and 4) and, to units
//! that have answered, read device identification (function 43, type 14). Lines on which text is spoken are `spoken`'s.

mod access;
mod by_server;
mod fit;
mod fragment;
mod place;
mod report;
mod setting;
pub mod spoken;
mod walk;
mod watch;
mod wire;

use std::path::PathBuf;
use std::time::Duration;

use pondreeve_protocol::register_map::{RegisterMap, Table};

use crate::cli::spoken;
use crate::texts::say;

pub use access::Access;
pub(crate) use fit::judge;
pub use fit::{Fit, Seen, Verdict};
pub use fragment::fragment;
pub use place::Place;
pub use report::{json, text};
pub use setting::{Setting, Speed};
pub use walk::scan;
pub use watch::Watched;

/// What is to be done.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Where the line is.
    pub place: Place,
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
    /// How long what was found is watched, if it is to be.
    pub watch: Option<Duration>,
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
    /// Two sound answers came to one question.
    pub twice: bool,
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
    /// Addresses of which a serial server says that nothing answers there.
    pub absent: usize,
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
    /// What was watched afterwards.
    pub watched: Vec<Watched>,
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
    /// What was found is watched.
    Watching {
        /// For so many seconds more.
        left_s: u64,
        /// A line for each channel.
        rows: Vec<String>,
    },
}

/// Reads a list of addresses such as `1-20,51`.
///
/// # Errors
/// What would be accepted.
pub fn addresses(text: &str) -> Result<Vec<u8>, String> {
    let accepted = || say!(spoken(), "usage-addresses", typed = text);
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
    fn addresses_are_read_as_people_write_them() {
        assert_eq!(addresses("1-3,51,2"), Ok(vec![1, 2, 3, 51]));
        for wrong in ["", "0", "248", "9-3", "1;2", "1-"] {
            assert!(addresses(wrong).is_err(), "{wrong}");
        }
    }
}
