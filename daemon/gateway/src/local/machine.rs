//! The gateway computer as it is said over the socket, and in one line for people.

use pondreeve_core::said::{Said, said};
use serde::{Deserialize, Serialize};

use crate::machine::{Health, Supply, TimeService};

/// What the gateway computer says of itself; what it does not tell is left out.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MachineStatus {
    /// The hottest place that it measures, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Whether its supply is high enough.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supply_good: Option<bool>,
    /// Room on the store's disk, bytes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub room_bytes: Option<u64>,
    /// Files of the store, bytes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub store_bytes: Option<u64>,
    /// Written to the store's disk in its life, bytes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub written_bytes: Option<u64>,
    /// What the disk's maker rates it for, bytes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rated_bytes: Option<u64>,
    /// Share of its life that the disk says it has used, 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub disk_says_used: Option<f64>,
    /// Whether a time server has set the clock since the machine was started.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_synchronised: Option<bool>,
    /// Whether it has a battery clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub battery_clock: Option<bool>,
}

pub(super) fn machine_status(health: &Health) -> MachineStatus {
    MachineStatus {
        temperature_c: health.temperature_c,
        supply_good: match health.supply {
            Supply::Unknown => None,
            Supply::Good => Some(true),
            Supply::Low(_) => Some(false),
        },
        room_bytes: health.room_bytes,
        store_bytes: health.store_bytes,
        written_bytes: health.written_bytes,
        rated_bytes: health.rated_bytes,
        disk_says_used: health.disk_says_used,
        clock_synchronised: match health.time_service {
            TimeService::Unknown => None,
            TimeService::Synchronised => Some(true),
            TimeService::Waiting(_) => Some(false),
        },
        battery_clock: health.battery_clock,
    }
}

/// Megabytes or gigabytes, whichever is read more easily.
fn size(bytes: u64) -> String {
    if bytes < 10_000_000_000 {
        format!("{} MB", bytes / 1_000_000)
    } else {
        format!("{:.0} GB", bytes as f64 / 1e9)
    }
}

impl MachineStatus {
    /// In one line.
    pub fn said(&self) -> Said {
        let mut parts = Vec::new();
        if let Some(c) = self.temperature_c {
            parts.push(Said::plain(format!("{c:.0} °C")));
        }
        match self.supply_good {
            Some(true) => parts.push(said!("machine-supply", "supply good")),
            Some(false) => parts.push(said!("machine-supply-low", "SUPPLY TOO LOW")),
            None => {}
        }
        if let (Some(store), Some(room)) = (self.store_bytes, self.room_bytes) {
            parts.push(said!(
                "machine-store",
                "store {store}, room for {room}",
                store = size(store),
                room = size(room)
            ));
        }
        match (self.written_bytes, self.rated_bytes) {
            (Some(written), Some(rated)) if rated > 0 => {
                let share = written as f64 / rated as f64 * 100.0;
                parts.push(said!(
                    "machine-written-of",
                    "{written} written, {share} % of the card's rated life",
                    written = size(written),
                    share = format!("{share:.1}")
                ));
            }
            (Some(written), _) => {
                parts.push(said!(
                    "machine-written",
                    "{written} written to the card",
                    written = size(written)
                ));
            }
            (None, _) => {}
        }
        if let Some(used) = self.disk_says_used {
            parts.push(said!(
                "machine-disk",
                "the disk says {used} % of its life is used",
                used = format!("{:.0}", used * 100.0)
            ));
        }
        match (self.clock_synchronised, self.battery_clock) {
            (Some(true), _) => parts.push(said!("machine-clock", "clock set by a time server")),
            (Some(false), _) => parts.push(said!("machine-no-server", "no time server has answered")),
            (None, Some(false)) => {
                parts.push(said!("machine-no-clock", "no battery clock, no time service known"));
            }
            (None, _) => {}
        }
        Said::joined(parts, "; ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_line_for_people() {
        let status = MachineStatus {
            temperature_c: Some(48.3),
            supply_good: Some(true),
            room_bytes: Some(24_600_000_000),
            store_bytes: Some(412_000_000),
            written_bytes: Some(812_000_000_000),
            rated_bytes: Some(40_000_000_000_000),
            disk_says_used: None,
            clock_synchronised: Some(true),
            battery_clock: Some(true),
        };
        assert_eq!(
            status.said().english(),
            "48 °C; supply good; store 412 MB, room for 25 GB; 812 GB written, 2.0 % of the card's rated life; \
             clock set by a time server"
        );
        let bare = MachineStatus { battery_clock: Some(false), ..MachineStatus::default() };
        assert_eq!(bare.said().english(), "no battery clock, no time service known");
    }
}
