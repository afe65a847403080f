//! Limits of alarms as written, in a pond and in a file of defaults.

use std::time::Duration;

use super::super::reader::At;
use super::super::rules::{Id, Length, Text, length_s, number};
use super::super::tables::{TableOf, table};
use super::water_limits::{
    RawDiscLimits, RawKitLimitAlone, RawKitLimits, RawOxygenHighLimits, RawPercentLimits, RawSafe,
    RawSalinityChanges, RawSalinityLimits, RawSludgePhLimits, RawSwingLimits, RawTemperatureChanges,
    RawTemperatureLimits,
};

/// Delays of alarms: a longer one than this is no alarm any more.
pub(super) const DELAY: Length = length_s(0, 3_600);
/// Oxygen can fall from a warning to deaths within an hour; half of it is the longest to wait.
const OXYGEN_ON_DELAY: Length = length_s(0, 1_800);

macro_rules! threshold {
    ($(#[doc = $about:literal])+ $name:ident, $lowest:literal ..= $highest:literal, $unit:literal, $deadband:literal, $on_delay:expr) => {
        table! {
            $(#[doc = $about])+
            pub struct $name {
                /// The limit.
                limit: f64 = optional number($lowest, $highest, $unit);
                /// How far the value must come back past the limit before the alarm clears.
                deadband: f64 = optional number(0.0, $deadband, $unit);
                /// How long the value must stay beyond the limit before the alarm is raised.
                on_delay: Duration = optional $on_delay;
                /// How long the value must stay clear before the alarm returns to normal.
                off_delay: Duration = optional DELAY;
                /// Where the limit comes from.
                source: String = optional Text;
            }
        }

        impl RawThreshold for $name {
            fn parts(&self) -> ThresholdParts<'_> {
                ThresholdParts {
                    at: &self.at,
                    limit: self.limit.as_ref(),
                    deadband: self.deadband.as_ref(),
                    on_delay: self.on_delay.as_ref(),
                    off_delay: self.off_delay.as_ref(),
                    source: self.source.as_ref(),
                }
            }
        }
    };
}

pub(super) use threshold;

/// What the tables of one limit have in common; they differ in the range of the limit.
#[derive(Debug, Clone, Copy)]
pub struct ThresholdParts<'a> {
    /// Place of the table.
    pub at: &'a At<()>,
    /// The limit.
    pub limit: Option<&'a At<f64>>,
    /// Deadband.
    pub deadband: Option<&'a At<f64>>,
    /// On-delay.
    pub on_delay: Option<&'a At<Duration>>,
    /// Off-delay.
    pub off_delay: Option<&'a At<Duration>>,
    /// Source.
    pub source: Option<&'a At<String>>,
}

/// A table of one limit.
pub trait RawThreshold {
    /// Its keys.
    fn parts(&self) -> ThresholdParts<'_>;
}

threshold!(
    /// Limit of low oxygen. It has a floor: no setting makes a pond's oxygen go unwatched.
    RawOxygenLimit, 0.5..=15.0, "mg/L", 5.0, OXYGEN_ON_DELAY
);
threshold!(
    /// Limit of pH.
    RawPhLimit, 4.0..=11.0, "", 2.0, DELAY
);
threshold!(
    /// Limit of un-ionised ammonia, as N.
    RawAmmoniaLimit, 0.001..=5.0, "mg/L", 1.0, DELAY
);

table! {
    /// Three limits of low oxygen, each lower than the one before.
    pub struct RawOxygenLimits {
        /// A person should look within the hour.
        warn: RawOxygenLimit = optional TableOf::<RawOxygenLimit>::new();
        /// A person must act within 15 minutes.
        critical: RawOxygenLimit = optional TableOf::<RawOxygenLimit>::new();
        /// Shrimp are dying.
        emergency: RawOxygenLimit = optional TableOf::<RawOxygenLimit>::new();
    }
}

table! {
    /// Two limits of pH.
    pub struct RawPhLimits {
        /// The same day.
        warn: RawPhLimit = optional TableOf::<RawPhLimit>::new();
        /// Within the hour.
        critical: RawPhLimit = optional TableOf::<RawPhLimit>::new();
    }
}

table! {
    /// Two limits of un-ionised ammonia.
    pub struct RawAmmoniaLimits {
        /// The same day.
        warn: RawAmmoniaLimit = optional TableOf::<RawAmmoniaLimit>::new();
        /// Within the hour.
        critical: RawAmmoniaLimit = optional TableOf::<RawAmmoniaLimit>::new();
    }
}

table! {
    /// Oxygen that the night's forecast must not reach.
    pub struct RawForecastLimits {
        /// Warn.
        warn_mg_l: f64 = optional number(0.5, 15.0, "mg/L");
        /// Critical.
        critical_mg_l: f64 = optional number(0.5, 15.0, "mg/L");
        /// Where the limits come from.
        source: String = optional Text;
    }
}

table! {
    /// A measured fall of oxygen that alarms.
    pub struct RawFallLimit {
        /// Fall within 30 minutes.
        limit: f64 = optional number(0.2, 10.0, "mg/L in 30 min");
        /// Where the limit comes from.
        source: String = optional Text;
    }
}

table! {
    /// How long a pond's oxygen may go unobserved at night.
    pub struct RawBlindLimits {
        /// Until the high alarm.
        high_after: Duration = optional length_s(120, 3_600);
        /// Until the critical alarm.
        critical_after: Duration = optional length_s(120, 7_200);
        /// Where the limits come from.
        source: String = optional Text;
    }
}

table! {
    /// Limits of a pond's alarms. In a pond, only what differs from the defaults of its species and stage.
    pub struct RawLimits {
        /// Oxygen low.
        do_low_mg_l: RawOxygenLimits = optional TableOf::<RawOxygenLimits>::new();
        /// Oxygen forecast to be low before one hour after sunrise.
        do_forecast: RawForecastLimits = optional TableOf::<RawForecastLimits>::new();
        /// Oxygen falling fast.
        do_fall_30min_mg_l: RawFallLimit = optional TableOf::<RawFallLimit>::new();
        /// Oxygen not observed at night.
        do_blind: RawBlindLimits = optional TableOf::<RawBlindLimits>::new();
        /// pH low.
        ph_low: RawPhLimits = optional TableOf::<RawPhLimits>::new();
        /// pH high.
        ph_high: RawPhLimits = optional TableOf::<RawPhLimits>::new();
        /// Un-ionised ammonia as N, mean of the last 24 hours.
        nh3_mean_mg_l: RawAmmoniaLimits = optional TableOf::<RawAmmoniaLimits>::new();
        /// Un-ionised ammonia as N, at its peak.
        nh3_peak_mg_l: RawAmmoniaLimits = optional TableOf::<RawAmmoniaLimits>::new();
        /// Oxygen high by day.
        do_high_mg_l: RawOxygenHighLimits = optional TableOf::<RawOxygenHighLimits>::new();
        /// The same as a share of saturation.
        do_high_percent: RawPercentLimits = optional TableOf::<RawPercentLimits>::new();
        /// Highest less lowest pH of 24 hours.
        ph_swing: RawSwingLimits = optional TableOf::<RawSwingLimits>::new();
        /// Temperature low.
        temperature_low_c: RawTemperatureLimits = optional TableOf::<RawTemperatureLimits>::new();
        /// Temperature high.
        temperature_high_c: RawTemperatureLimits = optional TableOf::<RawTemperatureLimits>::new();
        /// Temperature changing.
        temperature_change_c: RawTemperatureChanges = optional TableOf::<RawTemperatureChanges>::new();
        /// Salinity low.
        salinity_low_psu: RawSalinityLimits = optional TableOf::<RawSalinityLimits>::new();
        /// Salinity against that of 24 to 12 hours ago.
        salinity_change_psu: RawSalinityChanges = optional TableOf::<RawSalinityChanges>::new();
        /// Salt at the surface less than below: needs a probe with `layer = "surface"`.
        layers_psu: RawSalinityLimits = optional TableOf::<RawSalinityLimits>::new();
        /// Total ammonia nitrogen. The critical limit is never laxer than `tan_safe_mg_l`.
        tan_mg_l: RawKitLimits = optional TableOf::<RawKitLimits>::new();
        /// Total ammonia nitrogen that is safe at which salinity.
        tan_safe_mg_l: RawSafe = optional TableOf::<RawSafe>::new();
        /// Nitrite nitrogen. The critical limit is never laxer than `nitrite_safe_mg_l`, the other than half of it.
        nitrite_mg_l: RawKitLimits = optional TableOf::<RawKitLimits>::new();
        /// Nitrite nitrogen that is safe at which salinity.
        nitrite_safe_mg_l: RawSafe = optional TableOf::<RawSafe>::new();
        /// Alkalinity low, as CaCO3.
        alkalinity_low_mg_l: RawKitLimits = optional TableOf::<RawKitLimits>::new();
        /// Alkalinity high, as CaCO3.
        alkalinity_high_mg_l: RawKitLimitAlone = optional TableOf::<RawKitLimitAlone>::new();
        /// The disc vanishes early: dense plankton.
        secchi_low_cm: RawDiscLimits = optional TableOf::<RawDiscLimits>::new();
        /// The disc vanishes late: little plankton.
        secchi_high_cm: RawDiscLimits = optional TableOf::<RawDiscLimits>::new();
        /// The disc's depth from one day to the next.
        secchi_change_cm: RawDiscLimits = optional TableOf::<RawDiscLimits>::new();
        /// Orthophosphate, as P.
        phosphate_mg_l: RawKitLimitAlone = optional TableOf::<RawKitLimitAlone>::new();
        /// Total iron.
        iron_mg_l: RawKitLimits = optional TableOf::<RawKitLimits>::new();
        /// Un-ionised hydrogen sulfide, as S.
        h2s_s_mg_l: RawKitLimits = optional TableOf::<RawKitLimits>::new();
        /// pH of the sludge low.
        sludge_ph_low: RawSludgePhLimits = optional TableOf::<RawSludgePhLimits>::new();
    }
}

table! {
    /// A file of default limits for one species and stage.
    pub struct RawLimitsFile {
        /// Species the limits are for, as ponds name it.
        species: String = needed Id;
        /// Stage the limits are for, as ponds name it.
        stage: String = needed Id;
        /// What the file is, for people.
        description: String = needed Text;
        /// The limits, all of them.
        limits: RawLimits = needed TableOf::<RawLimits>::new();
    }
}
