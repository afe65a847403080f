//! Calibration and service of a probe: fouling told apart from drift, the correction between two
//! services, the health of an electrode.
//!
//! The order of a service is read, hand meter, clean, read, hand meter, standards, adjust, read. Fouling
//! is what cleaning changed beyond what the hand meter saw the water change; drift is what the cleaned
//! probe is off in a standard. Both grow between services, so the correction of what was read in between
//! rises linearly from nothing at the last good service to the whole at this one. (Wagner, Boulger,
//! Oblinger & Smith 2006, USGS Techniques and Methods 1-D3; criteria from memory.)

use crate::quantity::Quantity;
use crate::time::{Span, Timestamp};

mod session;
mod standards;
#[cfg(test)]
mod tests;

pub use session::{OutOfService, Preview, SANE_GAIN, Session, check_length};
pub use standards::{Buffer, air_saturated_mg_l, buffer_ph};

/// A probe that nobody puts back comes back by itself after this long. (Common practice, no source.)
pub const RETURNS_AFTER: Span = Span::from_minutes(30);

/// No probe is out of service longer than this without somebody saying so again.
pub const LONGEST: Span = Span::from_hours(24);

/// Services kept per channel, newest last.
pub const SERVICES_KEPT: usize = 32;

/// One step of a service, as a person reports it.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Step {
    /// Out of service from now on, for so long.
    Begin {
        /// It returns by itself after this.
        length: Span,
    },
    /// Read before cleaning, in the pond, with the hand meter beside it.
    Before {
        /// What was read.
        quantity: Quantity,
        /// By the hand meter, where there is one.
        hand: Option<f64>,
        /// By the probe; its newest reading where absent.
        reading: Option<f64>,
    },
    /// Cleaned.
    Cleaned,
    /// Read after cleaning, in the pond, with the hand meter beside it.
    After {
        /// What was read.
        quantity: Quantity,
        /// By the hand meter, where there is one.
        hand: Option<f64>,
        /// By the probe; its newest reading where absent.
        reading: Option<f64>,
    },
    /// Read in a standard.
    Standard {
        /// What was read.
        quantity: Quantity,
        /// What the standard is.
        expected: f64,
        /// By the probe; its newest reading where absent.
        reading: Option<f64>,
        /// By the electrode, where the probe tells it, mV.
        millivolts: Option<f64>,
    },
    /// Take the adjustment that the standards ask for.
    Adopt,
    /// Back in service.
    End,
}

/// What readings are multiplied by and what is then added.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Adjustment {
    /// Factor.
    pub gain: f64,
    /// Added after it, in the unit of the quantity.
    pub shift: f64,
}

impl Default for Adjustment {
    fn default() -> Self {
        Self { gain: 1.0, shift: 0.0 }
    }
}

impl Adjustment {
    /// The adjusted value, to a ten-thousandth: far finer than any probe, and short on disk.
    pub fn of(&self, value: f64) -> f64 {
        if *self == Self::default() {
            return value;
        }
        libm::round((value * self.gain + self.shift) * 1e4) / 1e4
    }

    /// This one after an earlier one.
    #[must_use]
    pub fn after(&self, earlier: &Self) -> Self {
        Self { gain: self.gain * earlier.gain, shift: self.gain * earlier.shift + self.shift }
    }
}

/// A standard as it was read: what it is, what the probe said.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct InStandard {
    /// What was read.
    pub quantity: Quantity,
    /// What the standard is.
    pub expected: f64,
    /// What the probe said.
    pub reading: f64,
    /// By the electrode, mV.
    pub millivolts: Option<f64>,
}

/// What the readings between two services are off by.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Serviced {
    /// What.
    pub quantity: Quantity,
    /// The last good service before, or since when the channel reports.
    pub from: Timestamp,
    /// This service.
    pub to: Timestamp,
    /// To be added to a reading of `to` for what had grown on the probe.
    pub fouling: f64,
    /// To be added for what the cleaned probe was off in its standard.
    pub drift: f64,
    /// The adjustment taken from then on, on top of the earlier ones; `None` where none was.
    pub adopted: Option<Adjustment>,
    /// Too far off for a correction to mean anything.
    pub rejected: bool,
}

impl Serviced {
    /// To be added to a reading of the time `at`: nothing at the service before, the whole at this one,
    /// linear in between; `None` outside.
    pub fn correction(&self, at: Timestamp) -> Option<f64> {
        if at < self.from || at > self.to {
            return None;
        }
        let whole = (self.to - self.from).as_millis();
        let share = if whole > 0 { (at - self.from).as_millis() as f64 / whole as f64 } else { 1.0 };
        Some((self.fouling + self.drift) * share)
    }
}

/// Fouling: what cleaning changed, less what the hand meter saw the water change meanwhile. To be added
/// to what the fouled probe read.
pub fn fouling(before: Beside, after: Beside) -> f64 {
    let water = match (before.hand, after.hand) {
        (Some(before), Some(after)) => after - before,
        _ => 0.0,
    };
    (after.reading - before.reading) - water
}

/// A reading of the probe and the hand meter's beside it.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Beside {
    /// What was read.
    pub quantity: Quantity,
    /// By the probe.
    pub reading: f64,
    /// By the hand meter.
    pub hand: Option<f64>,
    /// When.
    pub at: Timestamp,
}

/// Beyond this, readings are rejected rather than corrected: 2 mg/L or 20 % of oxygen, whichever is more, 2
/// of pH, 2 C, 30 % of salinity and conductivity. (USGS TM 1-D3, from memory.)
pub fn is_rejected(quantity: Quantity, error: f64, value: f64) -> bool {
    let error = libm::fabs(error);
    let share = if value > 0.0 { error / value } else { 0.0 };
    match quantity {
        Quantity::DoMgL => error > (0.2 * value).max(2.0),
        Quantity::Ph | Quantity::TemperatureC => error > 2.0,
        Quantity::SalinityPsu | Quantity::ConductivityMsCm => share > 0.3,
        _ => false,
    }
}

/// Whether a probe this far off should be adjusted: 0.3 mg/L of oxygen, 0.2 of pH, 3 % of salinity and
/// conductivity. (USGS TM 1-D3, from memory.)
pub fn should_adjust(quantity: Quantity, error: f64, value: f64) -> bool {
    let error = libm::fabs(error);
    match quantity {
        Quantity::DoMgL => error > 0.3,
        Quantity::Ph => error > 0.2,
        Quantity::SalinityPsu | Quantity::ConductivityMsCm => error > 0.03 * libm::fabs(value),
        _ => false,
    }
}

/// What a person is told about the sensor itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Health {
    /// Share of the slope it should have, percent: of Nernst's for pH, of its own last for the others.
    pub slope_percent: f64,
    /// pH only: millivolts at pH 7.
    pub offset_mv: Option<f64>,
    /// Within what is accepted.
    pub is_good: bool,
}

/// Nernst's slope, mV per pH: 59.16 at 25 C, in proportion to absolute temperature.
pub fn nernst_mv_per_ph(temperature_c: f64) -> f64 {
    59.16 * (temperature_c + 273.15) / 298.15
}

/// Health by the standards read. pH needs two: accepted are 92 to 102 % of Nernst's slope and 30 mV at pH
/// 7 either way (common practice, no source). Oxygen and salt need one: accepted are 80 to 125 % of what
/// the probe gave when it was set (common practice, no source).
pub fn health(quantity: Quantity, standards: &[InStandard], temperature_c: f64) -> Option<Health> {
    let mut own = standards.iter().filter(|standard| standard.quantity == quantity);
    let first = own.next()?;
    if quantity != Quantity::Ph {
        let strong = standards
            .iter()
            .filter(|standard| standard.quantity == quantity && standard.expected > 0.0)
            .max_by(|a, b| a.expected.total_cmp(&b.expected))?;
        let slope_percent = 100.0 * strong.reading / strong.expected;
        let is_good = (80.0..=125.0).contains(&slope_percent);
        return Some(Health { slope_percent, offset_mv: None, is_good });
    }
    let second = own.next()?;
    let nernst = nernst_mv_per_ph(temperature_c);
    // Without millivolts, a pH that is a factory-set function of them tells the same.
    let mv = |standard: &InStandard| standard.millivolts.unwrap_or((7.0 - standard.reading) * nernst);
    let apart = second.expected - first.expected;
    if libm::fabs(apart) < 0.5 {
        return None;
    }
    let slope = (mv(second) - mv(first)) / apart;
    let offset_mv = mv(first) + slope * (7.0 - first.expected);
    let slope_percent = 100.0 * -slope / nernst;
    let is_good = (92.0..=102.0).contains(&slope_percent) && libm::fabs(offset_mv) <= 30.0;
    Some(Health { slope_percent, offset_mv: Some(offset_mv), is_good })
}
