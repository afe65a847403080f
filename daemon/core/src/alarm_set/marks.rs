//! What the alarms of the water are judged by, and what is seen of each.

use super::side;
use crate::alarm::{Delays, Sight};
use crate::effect::Flag;
use crate::quality::Seen;
use crate::quantity::Quantity;
use crate::site::Threshold;
use crate::time::{Span, Timestamp};
use crate::water_limits::{Water, WaterLimits};

/// Two discs read this far apart at most are of one day and the next, at about the same hour.
pub const DISC_BESIDE: Span = Span::from_hours(26);

/// Two readings of the disc.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct DiscChange {
    /// The earlier, cm.
    pub before_cm: f64,
    /// The newest, cm.
    pub now_cm: f64,
}

/// Salt at the surface and below it.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Layers {
    /// At the surface, PSU.
    pub surface_psu: f64,
    /// At the bottom, or what the surface had half a day ago and more, PSU.
    pub below_psu: f64,
    /// Whether a probe measured the salt at the bottom.
    pub is_measured_below: bool,
    /// By how much the surface is cooler than the bottom, °C, where both are measured.
    pub cooler_c: Option<f64>,
}

/// Values of the water, as of the last look; nothing where nothing is known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Marks {
    /// Highest usable oxygen of the pond's probes, mg/L.
    pub oxygen_mg_l: Option<f64>,
    /// The same as a share of saturation, %.
    pub oxygen_percent: Option<f64>,
    /// Highest less lowest pH of a day.
    pub ph_swing: Option<f64>,
    /// °C.
    pub temperature_c: Option<f64>,
    /// Change within an hour, °C.
    pub temperature_hour_c: Option<f64>,
    /// Change within twelve hours, °C.
    pub temperature_half_day_c: Option<f64>,
    /// As measured, PSU.
    pub salinity_psu: Option<f64>,
    /// Salinity now less that of 24 to 12 hours ago, PSU.
    pub salinity_change_psu: Option<f64>,
    /// Measured, or else as configured, PSU: limits follow it.
    pub assumed_psu: f64,
    /// Salt at the surface and below.
    pub layers: Option<Layers>,
    /// Total ammonia nitrogen.
    pub tan: Option<Seen>,
    /// Nitrite nitrogen.
    pub nitrite: Option<Seen>,
    /// Alkalinity.
    pub alkalinity: Option<Seen>,
    /// Depth at which the disc vanishes.
    pub secchi: Option<Seen>,
    /// Two discs within a day; no change once the newest is older than that.
    pub disc: Option<DiscChange>,
    /// Orthophosphate.
    pub phosphate: Option<Seen>,
    /// Total iron.
    pub iron: Option<Seen>,
    /// Un-ionised hydrogen sulfide, mg/L as S, and its flag.
    pub h2s: Option<(f64, Flag)>,
    /// pH of the sludge.
    pub sludge_ph: Option<Seen>,
    /// When it was looked at.
    pub at: Timestamp,
}

impl Water {
    /// What is measured of it; a change without its sign.
    pub fn measured(self, marks: &Marks) -> Option<f64> {
        let value = |seen: Option<Seen>| seen.map(|seen| seen.value);
        match self {
            Self::DoHigh => marks.oxygen_mg_l,
            Self::DoHighPercent => marks.oxygen_percent,
            Self::PhSwing => marks.ph_swing,
            Self::TemperatureLowWarn
            | Self::TemperatureLowCritical
            | Self::TemperatureHighWarn
            | Self::TemperatureHighCritical => marks.temperature_c,
            Self::TemperatureChangeHour => marks.temperature_hour_c.map(libm::fabs),
            Self::TemperatureChangeHalfDay => marks.temperature_half_day_c.map(libm::fabs),
            Self::SalinityLow => marks.salinity_psu,
            Self::SalinityChangeWarn | Self::SalinityChangeCritical => {
                marks.salinity_change_psu.map(libm::fabs)
            }
            Self::Layered => marks.layers.map(|layers| layers.below_psu - layers.surface_psu),
            Self::TanWarn | Self::TanCritical => value(marks.tan),
            Self::NitriteWarn | Self::NitriteCritical => value(marks.nitrite),
            Self::AlkalinityLowWarn | Self::AlkalinityLowCritical | Self::AlkalinityHigh => {
                value(marks.alkalinity)
            }
            Self::SecchiLow | Self::SecchiHigh => value(marks.secchi),
            Self::SecchiChange => marks.disc.map(|disc| libm::fabs(disc.now_cm - disc.before_cm)),
            Self::PhosphateHigh => value(marks.phosphate),
            Self::IronWarn | Self::IronCritical => value(marks.iron),
            Self::H2sWarn | Self::H2sCritical => marks.h2s.map(|(value, _)| value),
            Self::SludgePhWarn | Self::SludgePhCritical => value(marks.sludge_ph),
        }
    }

    /// Whether what it rests on is suspect.
    pub fn is_doubted(self, marks: &Marks) -> bool {
        let seen = match self {
            Self::TanWarn | Self::TanCritical => marks.tan,
            Self::NitriteWarn | Self::NitriteCritical => marks.nitrite,
            Self::AlkalinityLowWarn | Self::AlkalinityLowCritical | Self::AlkalinityHigh => marks.alkalinity,
            Self::SecchiLow | Self::SecchiHigh | Self::SecchiChange => marks.secchi,
            Self::PhosphateHigh => marks.phosphate,
            Self::IronWarn | Self::IronCritical => marks.iron,
            Self::SludgePhWarn | Self::SludgePhCritical => marks.sludge_ph,
            Self::H2sWarn | Self::H2sCritical => {
                return marks.h2s.is_some_and(|(_, flag)| flag == Flag::Suspect);
            }
            // Probes' values count here only while nothing doubts them.
            _ => None,
        };
        seen.is_some_and(|seen| seen.flag == Flag::Suspect)
    }

    /// The limit that counts now.
    pub fn threshold(self, limits: &WaterLimits, marks: Option<&Marks>) -> Threshold {
        marks.map_or_else(|| limits.of(self), |marks| limits.at(self, marks.assumed_psu))
    }

    /// What is seen of it now, and the delays that apply.
    pub fn sight(self, limits: &WaterLimits, marks: Option<&Marks>) -> (Sight, Delays) {
        let threshold = self.threshold(limits, marks);
        let delays = Delays { on: threshold.on_delay, off: threshold.off_delay };
        let value = marks.and_then(|marks| self.measured(marks));
        (value.map_or(Sight::Unseen, |value| side(threshold, self.is_below(), value)), delays)
    }

    /// What it rests on.
    pub const fn quantities(self) -> &'static [Quantity] {
        use Quantity as Q;
        match self {
            Self::DoHigh => &[Q::DoMgL],
            Self::DoHighPercent => &[Q::DoMgL, Q::TemperatureC, Q::SalinityPsu],
            Self::PhSwing => &[Q::Ph],
            Self::TemperatureLowWarn
            | Self::TemperatureLowCritical
            | Self::TemperatureHighWarn
            | Self::TemperatureHighCritical
            | Self::TemperatureChangeHour
            | Self::TemperatureChangeHalfDay => &[Q::TemperatureC],
            Self::SalinityLow | Self::SalinityChangeWarn | Self::SalinityChangeCritical => &[Q::SalinityPsu],
            Self::Layered => &[Q::SalinityPsu, Q::TemperatureC],
            Self::TanWarn | Self::TanCritical => &[Q::TanMgL, Q::SalinityPsu],
            Self::NitriteWarn | Self::NitriteCritical => &[Q::NitriteMgL, Q::SalinityPsu],
            Self::AlkalinityLowWarn | Self::AlkalinityLowCritical | Self::AlkalinityHigh => {
                &[Q::AlkalinityMgL]
            }
            Self::SecchiLow | Self::SecchiHigh | Self::SecchiChange => &[Q::SecchiCm],
            Self::PhosphateHigh => &[Q::PhosphateMgL],
            Self::IronWarn | Self::IronCritical => &[Q::IronMgL],
            Self::H2sWarn | Self::H2sCritical => &[Q::SulfideMgL, Q::Ph, Q::TemperatureC],
            Self::SludgePhWarn | Self::SludgePhCritical => &[Q::SludgePh],
        }
    }
}
