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
    /// Slides without end, as an electrode does that ages.
    Drift {
        /// Change per day, in the unit of the quantity.
        per_day: f64,
    },
    /// A living film on the cap of an oxygen probe: it loses a share of its range, and the film breathes
    /// in the dark, so that nights read lower still. Other quantities are left alone.
    Film {
        /// Share of the reading lost in a day, 0 to 1.
        lost_per_day: f64,
        /// Share lost at most, 0 to 1.
        at_most: f64,
        /// What a full-grown film takes in the dark, mg/L.
        night_mg_l: f64,
        /// Local time less UTC, ms: dark is from 18 to 6 h.
        utc_offset_ms: i64,
    },
    /// An air bubble under the cap of an oxygen probe pulls the reading towards saturation.
    Bubble {
        /// Oxygen at saturation, mg/L.
        saturated_mg_l: f64,
        /// How far, 0 to 1.
        share: f64,
    },
    /// Out of the water: oxygen reads that of air, salinity, conductivity and depth nothing.
    Dry {
        /// Oxygen at saturation, mg/L.
        saturated_mg_l: f64,
    },
    /// Noise on every reading, as a ground loop makes it.
    Noise {
        /// Standard deviation, in the unit of the quantity.
        deviation: f64,
    },
    /// Oxygen in percent of saturation and temperature in degrees Fahrenheit; the rest is left alone.
    UnitSwap {
        /// Oxygen at saturation, mg/L.
        saturated_mg_l: f64,
    },
    /// Restarts at its begin and repeats the last value from before for a while.
    Reboot {
        /// How long it repeats, ms.
        repeats_ms: i64,
    },
    /// Its own clock runs fast or slow; matters where it says when it measured.
    Clock {
        /// By how much it gains in a day, ms; negative where it loses.
        per_day_ms: i64,
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
    /// Half of each answer is missing.
    Partial,
    /// The adapter hears its own sending: each request comes back in front of the answer.
    Echo,
    /// Answers come from another address.
    OtherAddress,
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
    /// The second half is missing.
    Partial,
    /// The request comes back in front of it.
    Echo,
    /// Another address answers.
    OtherAddress,
}

impl Kind {
    /// The same with sizes that fit another quantity than oxygen: a fault of 1 mg/L is like one of 0.2 in
    /// pH, of 0.6 °C or of 1 PSU. (Invented.)
    #[must_use]
    pub fn sized_for(&self, quantity: &str) -> Self {
        let share = match quantity {
            "ph" => 0.2,
            "temperature_c" => 0.6,
            _ => 1.0,
        };
        match *self {
            Self::Fouling { per_hour, at_most } => {
                Self::Fouling { per_hour: per_hour * share, at_most: at_most * share }
            }
            Self::Spikes { size, share: often } => Self::Spikes { size: size * share, share: often },
            Self::Drift { per_day } => Self::Drift { per_day: per_day * share },
            Self::Noise { deviation } => Self::Noise { deviation: deviation * share },
            ref other => other.clone(),
        }
    }

    /// Whether it repeats the value of the moment at which it begins.
    pub const fn holds(&self) -> bool {
        matches!(self, Self::Stuck | Self::Reboot { .. })
    }
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
            Kind::Partial => Some(LineFault::Partial),
            Kind::Echo => Some(LineFault::Echo),
            Kind::OtherAddress => Some(LineFault::OtherAddress),
            _ => None,
        }
    })
}

/// By how much a probe's own clock is ahead at a moment, ms.
pub fn clock_ahead_ms(plan: &[Fault], probe: &str, at_ms: i64) -> i64 {
    plan.iter()
        .filter(|fault| fault.probe == probe && fault.is_on(at_ms))
        .filter_map(|fault| match fault.kind {
            Kind::Clock { per_day_ms } => Some((per_day_ms as f64 * days(at_ms - fault.from_ms)) as i64),
            _ => None,
        })
        .sum()
}

const DAY_MS: i64 = 86_400_000;

fn days(ms: i64) -> f64 {
    ms as f64 / DAY_MS as f64
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
            Kind::Drift { per_day } => value += per_day * days(at_ms - fault.from_ms),
            Kind::Film { lost_per_day, at_most, night_mg_l, utc_offset_ms } if quantity == "do_mg_l" => {
                let lost = (lost_per_day * days(at_ms - fault.from_ms)).clamp(0.0, at_most.max(0.0));
                let grown = if at_most > 0.0 { lost / at_most } else { 0.0 };
                let hour = (at_ms + utc_offset_ms).rem_euclid(DAY_MS) as f64 / 3_600_000.0;
                let breath = if (6.0..18.0).contains(&hour) { 0.0 } else { night_mg_l * grown };
                value = (value * (1.0 - lost) - breath).max(0.0);
            }
            Kind::Bubble { saturated_mg_l, share } if quantity == "do_mg_l" => {
                value += (saturated_mg_l - value) * share;
            }
            Kind::Dry { saturated_mg_l } => match quantity {
                "do_mg_l" => value = saturated_mg_l,
                "salinity_psu" | "conductivity_ms_cm" | "depth_m" => value = 0.0,
                _ => {}
            },
            Kind::Noise { deviation } => {
                let stream = Noise::stream(&format!("ground loop {probe} {quantity}"));
                value += deviation * noise.gaussian(stream, at_ms.div_euclid(20_000));
            }
            Kind::UnitSwap { saturated_mg_l } => match quantity {
                "do_mg_l" => value *= 100.0 / saturated_mg_l,
                "temperature_c" => value = value * 1.8 + 32.0,
                _ => {}
            },
            Kind::Reboot { repeats_ms } if at_ms - fault.from_ms < repeats_ms => {
                value = held(index).unwrap_or(value);
            }
            _ => {}
        }
    }
    value
}

#[cfg(test)]
#[path = "faults_tests.rs"]
mod tests;
