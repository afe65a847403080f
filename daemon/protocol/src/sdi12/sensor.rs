//! Which of the values that a kind of SDI-12 sensor sends is what, by their order.

use alloc::string::String;
use alloc::vec::Vec;

use super::Command;
use crate::reported::Reported;

/// Most values of one measurement (section 4.4.7: two digits for a concurrent one; a sensor has ten pages of data).
pub const VALUES_MAX: u8 = 99;

/// One kind of sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorMap {
    /// Short id of the profile.
    pub id: String,
    /// What it describes, for people.
    pub description: String,
    /// The measurement to ask for.
    pub measurement: Command,
    /// What the values mean, each with its position in the answer, counted from 1.
    pub values: Vec<(u8, Reported)>,
}

impl SensorMap {
    /// Whether its data carry a CRC.
    pub const fn has_crc(&self) -> bool {
        matches!(self.measurement, Command::Measure { crc: true, .. } | Command::Concurrent { crc: true, .. })
    }

    /// 0, or 1 to 9 where it is a further measurement.
    pub fn number(&self) -> u8 {
        self.measurement.measurement().unwrap_or_default()
    }

    /// Whether it measures while others do.
    pub const fn is_concurrent(&self) -> bool {
        matches!(self.measurement, Command::Concurrent { .. })
    }
}
