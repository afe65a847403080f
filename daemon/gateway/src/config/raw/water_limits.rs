//! Limits of the water beyond low oxygen, pH and un-ionised ammonia, as written.

use std::time::Duration;

use super::super::reader::At;
use super::super::rules::{Text, number};
use super::super::tables::{ListOf, TableOf, table};
use super::limits::{DELAY, RawLimits, RawPhLimit, RawThreshold, ThresholdParts, threshold};

/// At most so many points of what is safe at which salinity.
const MOST_POINTS: usize = 12;

threshold!(
    /// Limit of oxygen far above saturation.
    RawOxygenHighLimit, 5.0..=40.0, "mg/L", 10.0, DELAY
);
threshold!(
    /// Limit of oxygen as a share of saturation.
    RawPercentLimit, 100.0..=500.0, "%", 100.0, DELAY
);
threshold!(
    /// Limit of the day's swing of pH.
    RawSwingLimit, 0.05..=5.0, "", 2.0, DELAY
);
threshold!(
    /// Limit of temperature.
    RawTemperatureLimit, -2.0..=45.0, "°C", 10.0, DELAY
);
threshold!(
    /// Limit of a change of temperature.
    RawTemperatureChange, 0.2..=20.0, "°C", 10.0, DELAY
);
threshold!(
    /// Limit of salinity, or of a difference of salinity.
    RawSalinityLimit, 0.1..=60.0, "PSU", 20.0, DELAY
);
threshold!(
    /// Limit of what a test kit counts.
    RawKitLimit, 0.0005..=1_000.0, "mg/L", 500.0, DELAY
);
threshold!(
    /// Limit of the depth at which the disc vanishes.
    RawDiscLimit, 1.0..=500.0, "cm", 100.0, DELAY
);

table! {
    /// One limit of oxygen above saturation.
    pub struct RawOxygenHighLimits {
        /// The same day.
        warn: RawOxygenHighLimit = optional TableOf::<RawOxygenHighLimit>::new();
    }
}

table! {
    /// One limit of oxygen as a share of saturation.
    pub struct RawPercentLimits {
        /// The same day.
        warn: RawPercentLimit = optional TableOf::<RawPercentLimit>::new();
    }
}

table! {
    /// One limit of the day's swing of pH.
    pub struct RawSwingLimits {
        /// The same day.
        warn: RawSwingLimit = optional TableOf::<RawSwingLimit>::new();
    }
}

table! {
    /// Two limits of temperature.
    pub struct RawTemperatureLimits {
        /// The same day.
        warn: RawTemperatureLimit = optional TableOf::<RawTemperatureLimit>::new();
        /// Within the hour.
        critical: RawTemperatureLimit = optional TableOf::<RawTemperatureLimit>::new();
    }
}

table! {
    /// Changes of temperature that alarm.
    pub struct RawTemperatureChanges {
        /// Within an hour.
        hour: RawTemperatureChange = optional TableOf::<RawTemperatureChange>::new();
        /// Within twelve hours.
        half_day: RawTemperatureChange = optional TableOf::<RawTemperatureChange>::new();
    }
}

table! {
    /// One limit of salinity.
    pub struct RawSalinityLimits {
        /// See the key of the table.
        warn: RawSalinityLimit = optional TableOf::<RawSalinityLimit>::new();
    }
}

table! {
    /// Two limits of a change of salinity.
    pub struct RawSalinityChanges {
        /// The same day.
        warn: RawSalinityLimit = optional TableOf::<RawSalinityLimit>::new();
        /// Within the hour.
        critical: RawSalinityLimit = optional TableOf::<RawSalinityLimit>::new();
    }
}

table! {
    /// One limit of what a test kit counts.
    pub struct RawKitLimitAlone {
        /// The same day.
        warn: RawKitLimit = optional TableOf::<RawKitLimit>::new();
    }
}

table! {
    /// Two limits of what a test kit counts.
    pub struct RawKitLimits {
        /// The same day.
        warn: RawKitLimit = optional TableOf::<RawKitLimit>::new();
        /// Within the hour.
        critical: RawKitLimit = optional TableOf::<RawKitLimit>::new();
    }
}

table! {
    /// One limit of the depth at which the disc vanishes.
    pub struct RawDiscLimits {
        /// See the key of the table.
        warn: RawDiscLimit = optional TableOf::<RawDiscLimit>::new();
    }
}

table! {
    /// Two limits of the pH of sludge.
    pub struct RawSludgePhLimits {
        /// The same day.
        warn: RawPhLimit = optional TableOf::<RawPhLimit>::new();
        /// Within the hour.
        critical: RawPhLimit = optional TableOf::<RawPhLimit>::new();
    }
}

table! {
    /// What is safe at which salinity. Between two points a straight line in logarithms of both; beyond the
    /// first and the last their values.
    pub struct RawSafe {
        /// Salinities, PSU, rising.
        salinity_psu: Vec<At<f64>> = needed ListOf { each: number(0.01, 60.0, "PSU"), least: 1, most: MOST_POINTS };
        /// What is safe at each, as N.
        limit: Vec<At<f64>> = needed ListOf { each: number(0.001, 1_000.0, "mg/L"), least: 1, most: MOST_POINTS };
        /// Where the points come from.
        source: String = optional Text;
    }
}

impl RawLimits {
    /// What is written of a limit, by its key.
    pub fn water(&self, key: &str) -> Option<ThresholdParts<'_>> {
        macro_rules! find {
            ($($field:ident: $($level:ident)+;)+) => { $( $(
                if key == concat!(stringify!($field), ".", stringify!($level)) {
                    return self.$field.as_ref()?.value.$level.as_ref().map(|at| at.value.parts());
                }
            )+ )+ };
        }
        find! {
            do_high_mg_l: warn;
            do_high_percent: warn;
            ph_swing: warn;
            temperature_low_c: warn critical;
            temperature_high_c: warn critical;
            temperature_change_c: hour half_day;
            salinity_low_psu: warn;
            salinity_change_psu: warn critical;
            layers_psu: warn;
            tan_mg_l: warn critical;
            nitrite_mg_l: warn critical;
            alkalinity_low_mg_l: warn critical;
            alkalinity_high_mg_l: warn;
            secchi_low_cm: warn;
            secchi_high_cm: warn;
            secchi_change_cm: warn;
            phosphate_mg_l: warn;
            iron_mg_l: warn critical;
            h2s_s_mg_l: warn critical;
            sludge_ph_low: warn critical;
        }
        None
    }
}
