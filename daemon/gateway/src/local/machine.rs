//! The gateway computer as it is said over the socket, and in one line for people.

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
    pub fn words(&self) -> String {
        let mut parts = Vec::new();
        if let Some(c) = self.temperature_c {
            parts.push(format!("{c:.0} °C"));
        }
        match self.supply_good {
            Some(true) => parts.push("supply good".to_owned()),
            Some(false) => parts.push("SUPPLY TOO LOW".to_owned()),
            None => {}
        }
        if let (Some(store), Some(room)) = (self.store_bytes, self.room_bytes) {
            parts.push(format!("store {}, room for {}", size(store), size(room)));
        }
        match (self.written_bytes, self.rated_bytes) {
            (Some(written), Some(rated)) if rated > 0 => {
                let share = written as f64 / rated as f64 * 100.0;
                parts.push(format!("{} written, {share:.1} % of the card's rated life", size(written)));
            }
            (Some(written), _) => parts.push(format!("{} written to the card", size(written))),
            (None, _) => {}
        }
        if let Some(used) = self.disk_says_used {
            parts.push(format!("the disk says {:.0} % of its life is used", used * 100.0));
        }
        match (self.clock_synchronised, self.battery_clock) {
            (Some(true), _) => parts.push("clock set by a time server".to_owned()),
            (Some(false), _) => parts.push("no time server has answered".to_owned()),
            (None, Some(false)) => parts.push("no battery clock, no time service known".to_owned()),
            (None, _) => {}
        }
        parts.join("; ")
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
            status.words(),
            "48 °C; supply good; store 412 MB, room for 25 GB; 812 GB written, 2.0 % of the card's rated life; \
             clock set by a time server"
        );
        let bare = MachineStatus { battery_clock: Some(false), ..MachineStatus::default() };
        assert_eq!(bare.words(), "no battery clock, no time service known");
    }
}
