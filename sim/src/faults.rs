//! How probes fail, by plan: what the water truly was stays known, so a test can say whether the
//! daemon was right to doubt a reading.

use crate::noise::Noise;

/// One fault of one probe over a stretch of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    /// Which probe, by its id.
    pub probe: String,
    /// Which of its quantities; all if absent. Faults of the line always concern all.
    pub quantity: Option<String>,
    /// First moment, ms since 1970.
    pub from_ms: i64,
    /// End, exclusive, ms since 1970.
    pub until_ms: i64,
    /// What is wrong.
    pub kind: Kind,
}

/// What can be wrong with a probe.
#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    /// Repeats the last value, while it still answers.
    Stuck,
    /// A film grows on the cap: the reading slides away by so much an hour.
    Fouling {
        /// Change per hour, in the unit of the quantity.
        per_hour: f64,
        /// The reading slides no further than this.
        at_most: f64,
    },
    /// Single readings jump.
    Spikes {
        /// Size of the jump, in the unit of the quantity; up or down at random.
        size: f64,
        /// Share of readings that jump, 0 to 1.
        share: f64,
    },
    /// Nothing is heard of it.
    Silent,
    /// Answers arrive with bits flipped, so that the checksum is wrong.
    BadChecksum,
    /// Answers with a Modbus exception code.
    Exception(u8),
    /// Answers come late.
    Late {
        /// Real time by which they are late, ms.
        by_ms: u64,
    },
    /// So many stray bytes come before each answer.
    Stray {
        /// How many.
        bytes: usize,
    },
}

/// What a fault does to the line, as opposed to the value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineFault {
    /// No answer.
    Silent,
    /// A flipped bit.
    BadChecksum,
    /// A Modbus exception.
    Exception(u8),
    /// Late by so many ms of real time.
    Late(u64),
    /// So many stray bytes first.
    Stray(usize),
}

impl Fault {
    /// Whether it is on at a moment.
    pub fn is_on(&self, at_ms: i64) -> bool {
        (self.from_ms..self.until_ms).contains(&at_ms)
    }

    fn concerns(&self, probe: &str, quantity: &str) -> bool {
        self.probe == probe && self.quantity.as_deref().is_none_or(|own| own == quantity)
    }
}

/// The fault of a probe's line at a moment, if any; the first in the plan counts.
pub fn on_line(plan: &[Fault], probe: &str, at_ms: i64) -> Option<LineFault> {
    plan.iter().filter(|fault| fault.probe == probe && fault.is_on(at_ms)).find_map(|fault| {
        match fault.kind {
            Kind::Silent => Some(LineFault::Silent),
            Kind::BadChecksum => Some(LineFault::BadChecksum),
            Kind::Exception(code) => Some(LineFault::Exception(code)),
            Kind::Late { by_ms } => Some(LineFault::Late(by_ms)),
            Kind::Stray { bytes } => Some(LineFault::Stray(bytes)),
            Kind::Stuck | Kind::Fouling { .. } | Kind::Spikes { .. } => None,
        }
    })
}

/// What a reading becomes under the plan. `held` is the last value before a fault that holds it.
pub fn on_value(
    plan: &[Fault],
    noise: &Noise,
    probe: &str,
    quantity: &str,
    at_ms: i64,
    reading: f64,
    held: impl Fn(usize) -> Option<f64>,
) -> f64 {
    let mut value = reading;
    for (index, fault) in plan.iter().enumerate() {
        if !fault.concerns(probe, quantity) || !fault.is_on(at_ms) {
            continue;
        }
        match fault.kind {
            Kind::Stuck => value = held(index).unwrap_or(value),
            Kind::Fouling { per_hour, at_most } => {
                let slid = per_hour * (at_ms - fault.from_ms) as f64 / 3_600_000.0;
                value += slid.clamp(-at_most.abs(), at_most.abs());
            }
            Kind::Spikes { size, share } => {
                let draw = noise.unit(Noise::stream(&format!("spike {probe} {quantity}")), at_ms / 20_000);
                if draw <= share {
                    value += if draw <= share / 2.0 { size } else { -size };
                }
            }
            _ => {}
        }
    }
    value
}
