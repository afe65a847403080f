//! Limits of the water beyond low oxygen, pH and un-ionised ammonia: what they are called, what they start
//! from, and how some of them follow the salinity.

use alloc::vec;
use alloc::vec::Vec;

use crate::effect::Priority;
use crate::site::Threshold;
use crate::time::Span;

/// Declares every condition once: key of its limit, end of its alarm's id, name, priority, and its limit for
/// grow-out (limit, deadband, minutes on, minutes off).
macro_rules! waters {
    ($( $(#[$doc:meta])* $variant:ident = $key:literal, $suffix:literal, $name:literal, $priority:ident,
        ($limit:literal, $deadband:literal, $on:literal, $off:literal); )*) => {
        /// A condition of the water that has one limit.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Water { $( $(#[$doc])* $variant, )* }

        impl Water {
            /// Every one, in the order of the alarms.
            pub const ALL: [Self; COUNT] = [ $( Self::$variant, )* ];

            /// Key of its limit in a pond's table `limits`.
            pub const fn key(self) -> &'static str { match self { $( Self::$variant => $key, )* } }

            /// Last part of its alarm's id.
            pub const fn suffix(self) -> &'static str { match self { $( Self::$variant => $suffix, )* } }

            /// What a person calls it.
            pub const fn name(self) -> &'static str { match self { $( Self::$variant => $name, )* } }

            /// How urgent.
            pub const fn priority(self) -> Priority {
                match self { $( Self::$variant => Priority::$priority, )* }
            }
        }

        /// How many there are.
        pub const COUNT: usize = [ $( $key, )* ].len();

        const GROW_OUT: [Threshold; COUNT] = [ $( threshold($limit, $deadband, $on, $off), )* ];
    };
}

const fn threshold(limit: f64, deadband: f64, on_min: i64, off_min: i64) -> Threshold {
    Threshold {
        limit,
        deadband,
        on_delay: Span::from_minutes(on_min),
        off_delay: Span::from_minutes(off_min),
    }
}

// Values of a test kit count when they are entered, so they have no delays. Sources stand with the limits in
// `config/limits/`; where none is named there: common practice, no source.
waters! {
    /// Oxygen far above saturation by day.
    DoHigh = "do_high_mg_l.warn", "do-high", "Oxygen very high", Medium, (15.0, 1.0, 30, 30);
    /// The same as a share of saturation, %.
    DoHighPercent = "do_high_percent.warn", "do-high-percent", "Oxygen far above saturation", Medium,
        (200.0, 10.0, 30, 30);
    /// Highest less lowest pH of a day.
    PhSwing = "ph_swing.warn", "ph-swing", "pH swings widely", Medium, (0.6, 0.1, 20, 30);
    /// Cool water.
    TemperatureLowWarn = "temperature_low_c.warn", "temperature-low-warn", "Temperature low", Medium,
        (24.0, 0.3, 30, 30);
    /// Cold water.
    TemperatureLowCritical = "temperature_low_c.critical", "temperature-low-critical",
        "Temperature critically low", High, (20.0, 0.3, 30, 30);
    /// Warm water.
    TemperatureHighWarn = "temperature_high_c.warn", "temperature-high-warn", "Temperature high", Medium,
        (32.5, 0.3, 30, 30);
    /// Hot water.
    TemperatureHighCritical = "temperature_high_c.critical", "temperature-high-critical",
        "Temperature critically high", High, (34.5, 0.3, 30, 30);
    /// Change of temperature within an hour.
    TemperatureChangeHour = "temperature_change_c.hour", "temperature-change-hour",
        "Temperature changes fast", Medium, (2.0, 0.5, 10, 30);
    /// Change of temperature within twelve hours.
    TemperatureChangeHalfDay = "temperature_change_c.half_day", "temperature-change-half-day",
        "Temperature has changed much", High, (4.0, 0.5, 10, 30);
    /// Nearly fresh water.
    SalinityLow = "salinity_low_psu.warn", "salinity-low", "Salinity low", Medium, (3.0, 0.5, 30, 60);
    /// Change of salinity within a day.
    SalinityChangeWarn = "salinity_change_psu.warn", "salinity-change-warn", "Salinity has changed", Medium,
        (3.0, 0.5, 30, 60);
    /// Great change of salinity within a day.
    SalinityChangeCritical = "salinity_change_psu.critical", "salinity-change-critical",
        "Salinity has changed much", High, (6.0, 0.5, 30, 60);
    /// Fresher water on top.
    Layered = "layers_psu.warn", "stratified", "Fresh water lies on top", High, (2.0, 1.0, 15, 30);
    /// Total ammonia nitrogen.
    TanWarn = "tan_mg_l.warn", "tan-warn", "Total ammonia high", Medium, (2.0, 0.3, 0, 0);
    /// The same, dangerous.
    TanCritical = "tan_mg_l.critical", "tan-critical", "Total ammonia critical", High, (4.0, 0.3, 0, 0);
    /// Nitrite nitrogen.
    NitriteWarn = "nitrite_mg_l.warn", "nitrite-warn", "Nitrite high", Medium, (2.0, 0.2, 0, 0);
    /// The same, dangerous.
    NitriteCritical = "nitrite_mg_l.critical", "nitrite-critical", "Nitrite critical", High, (5.0, 0.5, 0, 0);
    /// Little alkalinity.
    AlkalinityLowWarn = "alkalinity_low_mg_l.warn", "alkalinity-low-warn", "Alkalinity low", Medium,
        (80.0, 5.0, 0, 0);
    /// Very little alkalinity.
    AlkalinityLowCritical = "alkalinity_low_mg_l.critical", "alkalinity-low-critical",
        "Alkalinity critically low", High, (50.0, 5.0, 0, 0);
    /// Much alkalinity.
    AlkalinityHigh = "alkalinity_high_mg_l.warn", "alkalinity-high", "Alkalinity high", Medium,
        (220.0, 5.0, 0, 0);
    /// Dense plankton.
    SecchiLow = "secchi_low_cm.warn", "secchi-low", "Water very green: disc vanishes early", Medium,
        (20.0, 3.0, 0, 0);
    /// Clear water.
    SecchiHigh = "secchi_high_cm.warn", "secchi-high-warn", "Water very clear", Medium, (50.0, 3.0, 0, 0);
    /// Change of clearness from one day to the next.
    SecchiChange = "secchi_change_cm.warn", "secchi-change", "Clearness changed within a day", High,
        (15.0, 3.0, 0, 0);
    /// Orthophosphate.
    PhosphateHigh = "phosphate_mg_l.warn", "phosphate-high", "Phosphate high", Medium, (0.5, 0.05, 0, 0);
    /// Total iron.
    IronWarn = "iron_mg_l.warn", "iron-warn", "Iron high", Medium, (0.5, 0.05, 0, 0);
    /// Much total iron.
    IronCritical = "iron_mg_l.critical", "iron-critical", "Iron very high", High, (1.0, 0.1, 0, 0);
    /// Un-ionised hydrogen sulfide.
    H2sWarn = "h2s_s_mg_l.warn", "h2s-warn", "Hydrogen sulfide high", Medium, (0.005, 0.001, 0, 0);
    /// The same, dangerous.
    H2sCritical = "h2s_s_mg_l.critical", "h2s-critical", "Hydrogen sulfide critical", High, (0.02, 0.004, 0, 0);
    /// Sour sludge.
    SludgePhWarn = "sludge_ph_low.warn", "sludge-ph-low-warn", "Sludge sour", Medium, (6.3, 0.2, 0, 0);
    /// Very sour sludge.
    SludgePhCritical = "sludge_ph_low.critical", "sludge-ph-low-critical", "Sludge very sour", High,
        (5.5, 0.2, 0, 0);
}

impl Water {
    /// The condition of the same kind that is one level graver; it follows in [`Self::ALL`].
    pub const fn graver(self) -> Option<Self> {
        Some(match self {
            Self::TemperatureLowWarn => Self::TemperatureLowCritical,
            Self::TemperatureHighWarn => Self::TemperatureHighCritical,
            Self::SalinityChangeWarn => Self::SalinityChangeCritical,
            Self::TanWarn => Self::TanCritical,
            Self::NitriteWarn => Self::NitriteCritical,
            Self::AlkalinityLowWarn => Self::AlkalinityLowCritical,
            Self::IronWarn => Self::IronCritical,
            Self::H2sWarn => Self::H2sCritical,
            Self::SludgePhWarn => Self::SludgePhCritical,
            _ => return None,
        })
    }

    /// Whether the danger lies below the limit.
    pub const fn is_below(self) -> bool {
        matches!(
            self,
            Self::TemperatureLowWarn
                | Self::TemperatureLowCritical
                | Self::SalinityLow
                | Self::AlkalinityLowWarn
                | Self::AlkalinityLowCritical
                | Self::SecchiLow
                | Self::SludgePhWarn
                | Self::SludgePhCritical
        )
    }
}

/// What is safe at salinities: pairs of PSU and mg/L, both rising.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct SafeAt(pub Vec<(f64, f64)>);

impl SafeAt {
    /// Between two points a straight line in logarithms of both; beyond the first and the last point their
    /// values. `None` without points, or where one is not above zero.
    pub fn at(&self, salinity_psu: f64) -> Option<f64> {
        let (first, last) = (self.0.first()?, self.0.last()?);
        if salinity_psu <= first.0 {
            return Some(first.1);
        }
        if salinity_psu >= last.0 {
            return Some(last.1);
        }
        let (&(s0, y0), &(s1, y1)) =
            self.0.iter().zip(self.0.iter().skip(1)).find(|(_, upper)| salinity_psu <= upper.0)?;
        if [s0, y0, s1, y1].iter().any(|value| *value <= 0.0) {
            return None;
        }
        let share = libm::log(salinity_psu / s0) / libm::log(s1 / s0);
        let safe = libm::exp(libm::log(y0) + share * libm::log(y1 / y0));
        safe.is_finite().then_some(safe)
    }
}

/// Limits of one pond's water.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct WaterLimits {
    /// In the order of [`Water::ALL`].
    pub thresholds: [Threshold; COUNT],
    /// Total ammonia nitrogen that is safe at a salinity: the critical limit is never laxer, the other never
    /// above five sixths of it.
    pub tan_safe: SafeAt,
    /// Nitrite nitrogen that is safe at a salinity: the critical limit is never laxer, the other never above
    /// half of it.
    pub nitrite_safe: SafeAt,
}

impl WaterLimits {
    /// P. vannamei in grow-out.
    ///
    /// - Total ammonia: "safety levels" of 2.4, 3.6 and 4.0 mg/L at 15, 25 and 35 PSU and pH 8.05 (Lin & Chen
    ///   2001, JEMBE 259:109-119).
    /// - Nitrite: 6.1, 15.2 and 25.7 mg/L at 15, 25 and 35 PSU (Lin & Chen 2003, Aquaculture); 0.28 at 0.6 and
    ///   0.35 at 1 PSU (Aquacult. Res. 2016); at 2 PSU 0.62 by the same and below 0.45 by Gross and others
    ///   (2004): 0.5. Between 2 and 15 PSU nobody has measured: an estimate.
    pub fn grow_out() -> Self {
        Self {
            thresholds: GROW_OUT,
            tan_safe: SafeAt(vec![(15.0, 2.4), (25.0, 3.6), (35.0, 4.0)]),
            nitrite_safe: SafeAt(vec![
                (0.6, 0.28),
                (1.0, 0.35),
                (2.0, 0.5),
                (15.0, 6.1),
                (25.0, 15.2),
                (35.0, 25.7),
            ]),
        }
    }

    /// Post-larvae: half of what is safe for juveniles (common practice, no source).
    pub fn post_larvae() -> Self {
        let halved = |safe: SafeAt| SafeAt(safe.0.into_iter().map(|(psu, mg_l)| (psu, mg_l / 2.0)).collect());
        let Self { thresholds, tan_safe, nitrite_safe } = Self::grow_out();
        Self { thresholds, tan_safe: halved(tan_safe), nitrite_safe: halved(nitrite_safe) }
    }

    /// The same for P. monodon, whose nitrite is recalled as about 4 mg/L near 20 PSU, for post-larvae 1.4
    /// (from memory), with the shape of vannamei's points. Weak.
    #[must_use]
    pub fn for_monodon(self, post_larvae: bool) -> Self {
        let nitrite = if post_larvae {
            vec![(0.6, 0.04), (1.0, 0.05), (2.0, 0.07), (15.0, 0.84), (25.0, 2.1), (35.0, 3.5)]
        } else {
            vec![(0.6, 0.11), (1.0, 0.14), (2.0, 0.2), (15.0, 2.4), (25.0, 6.0), (35.0, 10.1)]
        };
        Self { nitrite_safe: SafeAt(nitrite), ..self }
    }

    /// The limit of a condition as it is set.
    pub fn of(&self, water: Water) -> Threshold {
        self.thresholds.get(water as usize).copied().unwrap_or(threshold(f64::INFINITY, 0.0, 0, 0))
    }

    /// The limit that counts at a salinity, its deadband in proportion.
    pub fn at(&self, water: Water, salinity_psu: f64) -> Threshold {
        let set = self.of(water);
        let most = match water {
            Water::TanWarn => self.tan_safe.at(salinity_psu).map(|safe| safe * 5.0 / 6.0),
            Water::TanCritical => self.tan_safe.at(salinity_psu),
            Water::NitriteWarn => self.nitrite_safe.at(salinity_psu).map(|safe| safe / 2.0),
            Water::NitriteCritical => self.nitrite_safe.at(salinity_psu),
            _ => None,
        };
        match most.filter(|&most| most < set.limit) {
            Some(most) => Threshold { limit: most, deadband: set.deadband * most / set.limit, ..set },
            None => set,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// At the published points their values; at 5 PSU about 1.6 mg/L: 0.5 x (5/2)^1.24, where
    /// 1.24 = ln(6.1/0.5) / ln(15/2).
    #[test]
    fn nitrite_follows_the_published_points() {
        let safe = WaterLimits::grow_out().nitrite_safe;
        for (psu, mg_l) in [(0.6, 0.28), (1.0, 0.35), (15.0, 6.1), (25.0, 15.2), (35.0, 25.7)] {
            assert!((safe.at(psu).unwrap() - mg_l).abs() < 1e-9, "{psu} PSU: {:?}", safe.at(psu));
        }
        assert!((safe.at(5.0).unwrap() - 1.56).abs() < 0.01, "{:?}", safe.at(5.0));
        assert_eq!(safe.at(0.1), Some(0.28));
        assert_eq!(safe.at(40.0), Some(25.7));
    }

    /// Warning at the smaller of 2 and half of what is safe, critical at the smaller of 5 and what is safe.
    #[test]
    fn fresher_water_bears_less_nitrite() {
        let limits = WaterLimits::grow_out();
        let both = |psu: f64| {
            (limits.at(Water::NitriteWarn, psu).limit, limits.at(Water::NitriteCritical, psu).limit)
        };
        assert_eq!(both(30.0), (2.0, 5.0));
        assert_eq!(both(1.0), (0.175, 0.35));
        let (warn, critical) = both(5.0);
        assert!((warn - 0.78).abs() < 0.01 && (critical - 1.56).abs() < 0.01, "{warn} {critical}");
    }

    /// About 4 mg/L near 20 PSU, for post-larvae 1.4.
    #[test]
    fn monodon_bears_less() {
        for (post_larvae, told) in [(false, 4.0), (true, 1.4)] {
            let limits = WaterLimits::grow_out().for_monodon(post_larvae);
            let safe = limits.nitrite_safe.at(20.0).unwrap();
            assert!((safe - told).abs() < 0.05 * told, "{safe}");
        }
    }

    #[test]
    fn total_ammonia_is_never_laxer_than_what_is_safe() {
        let limits = WaterLimits::grow_out();
        assert_eq!(limits.at(Water::TanCritical, 35.0).limit, 4.0);
        assert_eq!(limits.at(Water::TanCritical, 15.0).limit, 2.4);
        assert_eq!(limits.at(Water::TanWarn, 15.0).limit, 2.0);
    }

    #[test]
    fn a_graver_condition_follows_its_milder_one() {
        for (place, water) in Water::ALL.into_iter().enumerate() {
            assert_eq!(water as usize, place);
            if let Some(graver) = water.graver() {
                assert_eq!(Water::ALL.get(place + 1), Some(&graver));
                assert!(graver.priority() < water.priority(), "{graver:?}");
            }
        }
    }
}
