//! From looks at the machine to faults that people must know of.

use std::time::Duration;

use super::{Bounds, Health, Supply, TimeService};
use pondreeve_core::said::{Said, said};

/// So many looks in a row must find it wrong, and so many right again: a moment of full load is no fault, and one that
/// comes and goes is told once.
const WRONG_LOOKS: u32 = 5;
const RIGHT_LOOKS: u32 = 15;

/// So much cooler than the bound it must be to be well again, °C.
const COOLER_C: f64 = 5.0;

/// At this share of its rated life the disk is to be replaced.
pub(super) const WORN: f64 = 0.8;

/// Without a time server a clock drifts by seconds a day (50 parts in a million, common practice, no source): after
/// this long by about a minute.
const UNSYNCHRONISED: Duration = Duration::from_secs(14 * 86_400);

/// One thing that can be wrong.
#[derive(Debug)]
struct Sign {
    which: &'static str,
    faulty: bool,
    looks: u32,
}

/// Remembers what was told.
#[derive(Debug)]
pub(super) struct Judge {
    bounds: Bounds,
    first: bool,
    signs: [Sign; 5],
}

impl Judge {
    pub(super) fn new(bounds: Bounds) -> Self {
        let signs = ["temperature", "supply", "disk-room", "card", "time-service"];
        Self { bounds, first: true, signs: signs.map(|which| Sign { which, faulty: false, looks: 0 }) }
    }

    /// What has changed: which sign, and the fault in plain words or `None` for over.
    pub(super) fn judge(&mut self, health: &Health) -> Vec<(&'static str, Option<String>)> {
        let first = std::mem::take(&mut self.first);
        let mut told = Vec::new();
        for sign in &mut self.signs {
            let wrong = wrong(sign.which, sign.faulty, health, &self.bounds);
            if wrong.is_some() == sign.faulty {
                sign.looks = 0;
                continue;
            }
            sign.looks += 1;
            let enough = if sign.faulty { RIGHT_LOOKS } else { WRONG_LOOKS };
            // A fault that stood at the last start and still does must not end and come anew.
            if first || sign.looks >= enough {
                sign.faulty = wrong.is_some();
                sign.looks = 0;
                told.push((sign.which, wrong.map(String::from)));
            }
        }
        told
    }
}

fn wrong(which: &str, was: bool, health: &Health, bounds: &Bounds) -> Option<Said> {
    match which {
        "temperature" => {
            let high = bounds.temperature_high_c - if was { COOLER_C } else { 0.0 };
            let found = health.temperature_c.filter(|&c| c >= high)?;
            Some(said!(
                "trouble-hot",
                "its processor is at {found} °C, the bound is {bound}: it slows itself down, and ages. Shade the cabinet, clear its vents, look after its fan",
                found = format!("{found:.0}"),
                bound = format!("{:.0}", bounds.temperature_high_c)
            ))
        }
        "supply" => match &health.supply {
            Supply::Low(sensor) => Some(said!(
                "trouble-supply",
                "its supply voltage is too low ({sensor}): it may stop or spoil the card at any moment. Look after its power supply, cable and battery",
                sensor = sensor
            )),
            Supply::Good | Supply::Unknown => None,
        },
        "disk-room" => {
            // Well again with a tenth more.
            let low = if was { bounds.room_low_bytes / 10 * 11 } else { bounds.room_low_bytes };
            let found = health.room_bytes.filter(|&room| room < low)?;
            Some(said!(
                "trouble-disk-room",
                "its disk has {left} MB left, the bound is {bound}: when it is full the oldest readings go, then nothing is kept. Make room, or lower [store] max_megabytes",
                left = (found / 1_000_000).to_string(),
                bound = (bounds.room_low_bytes / 1_000_000).to_string()
            ))
        }
        "card" => {
            let used = health.disk_says_used.filter(|&used| used >= WORN)?;
            Some(said!(
                "trouble-card-worn",
                "its disk says that {used} % of its life is used: make a backup, and replace it before it fails",
                used = format!("{:.0}", used * 100.0)
            ))
        }
        _ => match health.time_service {
            TimeService::Waiting(up) if up >= UNSYNCHRONISED => Some(said!(
                "trouble-no-time",
                "no time server has answered since it was started {days} days ago: its clock may be off by minutes. Connect it to a time server, or set the clock by hand",
                days = (up.as_secs() / 86_400).to_string()
            )),
            _ => None,
        },
    }
}
