//! What goes wrong with probes in a season, drawn from its seed. Kinds, sizes and how often: invented, to
//! cover what field probes are known to do, and far oftener than on a farm.

use sim::faults::{Fault, Kind};
use sim::noise::Noise;

use super::pond::{DAYS, OFFSET_MS, START_MS};

const HOUR_MS: f64 = 3_600_000.0;
const DAY_MS: i64 = 86_400_000;

/// Days in which the tests learn what is usual; faults begin afterwards.
const LEARN_DAYS: f64 = 10.0;

/// Mean days between the end of one fault and the next of a sensor.
const BETWEEN_DAYS: f64 = 9.0;

/// Names of the kinds, in the order of the table.
pub const KINDS: [&str; 10] =
    ["stuck", "film", "drift", "spikes", "dropout", "bubble", "dry", "noise", "unit swap", "reboot"];

/// A fault with its name and how long it lasts unless somebody services the probe before.
#[derive(Debug, Clone)]
pub struct Planned {
    pub kind: usize,
    pub fault: Fault,
}

/// One sensor's faults, one after the other; the next is drawn when the one before is over.
#[derive(Debug)]
pub struct Plan {
    noise: Noise,
    probe: String,
    quantity: &'static str,
    drawn: i64,
    earliest_ms: i64,
}

impl Plan {
    /// Of a season that begins at `start_ms`.
    pub fn new(seed: u64, probe: &str, quantity: &'static str, start_ms: i64) -> Self {
        let earliest_ms = start_ms + (LEARN_DAYS * DAY_MS as f64) as i64;
        Self { noise: Noise::new(seed ^ 0x5eed), probe: probe.to_owned(), quantity, drawn: 0, earliest_ms }
    }

    fn draw(&self, what: &str) -> f64 {
        self.noise.unit(Noise::stream(&format!("{what} {} {}", self.probe, self.quantity)), self.drawn)
    }

    /// The next fault, beginning some days after `after_ms`; `None` once the season is over.
    pub fn next(&mut self, after_ms: i64) -> Option<Planned> {
        self.drawn += 1;
        let wait = -BETWEEN_DAYS * (1.0 - self.draw("wait")).max(1e-9).ln();
        let from_ms = after_ms.max(self.earliest_ms) + ((1.0 + wait) * DAY_MS as f64) as i64;
        if from_ms >= START_MS + DAYS * DAY_MS {
            return None;
        }
        // Of pH some kinds do not exist; they are drawn again.
        let kinds: Vec<usize> = match self.quantity {
            "do_mg_l" => (0..KINDS.len()).collect(),
            _ => vec![0, 2, 3, 4, 7, 9],
        };
        let kind = kinds[((self.draw("kind") * kinds.len() as f64) as usize).min(kinds.len() - 1)];
        let (size, sign) = (self.draw("size"), if self.draw("sign") < 0.5 { -1.0 } else { 1.0 });
        let between = |low: f64, high: f64| low + (high - low) * size;
        let (fault, hours) = match KINDS[kind] {
            "stuck" => (Kind::Stuck, 48.0),
            "film" => (
                Kind::Film {
                    lost_per_day: between(0.05, 0.15),
                    at_most: 0.6,
                    night_mg_l: between(0.4, 1.0),
                    utc_offset_ms: OFFSET_MS,
                },
                14.0 * 24.0,
            ),
            "drift" => (Kind::Drift { per_day: sign * between(0.1, 0.6) }, 14.0 * 24.0),
            "spikes" => (Kind::Spikes { size: between(2.0, 5.0), share: between(0.02, 0.1) }, 48.0),
            "dropout" => (Kind::Silent, between(1.0, 8.0)),
            "bubble" => (Kind::Bubble { saturated_mg_l: 7.0, share: between(0.5, 0.95) }, 48.0),
            "dry" => (Kind::Dry { saturated_mg_l: 7.2 }, between(2.0, 12.0)),
            "noise" => (Kind::Noise { deviation: between(0.6, 1.5) }, 48.0),
            "unit swap" => (Kind::UnitSwap { saturated_mg_l: 7.0 }, 72.0),
            _ => (
                Kind::Reboot { repeats_ms: (between(5.0, 20.0) * 60_000.0) as i64 },
                between(5.0, 20.0) / 60.0,
            ),
        };
        let fault = Fault {
            probe: self.probe.clone(),
            quantity: Some(self.quantity.to_owned()),
            from_ms,
            until_ms: from_ms + (hours * HOUR_MS) as i64,
            kind: fault.sized_for(self.quantity),
        };
        Some(Planned { kind, fault })
    }
}
