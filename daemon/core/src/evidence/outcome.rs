//! What can be compared between two ponds, and how much of it there must be.

/// Days that a trial needs before its first dose. This and the numbers below: common practice, no source.
pub const DAYS_BEFORE: usize = 14;
/// Days that it needs after.
pub const DAYS_AFTER: usize = 28;
/// Share of the days that must have a value in both ponds, where a probe tells it.
pub const VALID_SHARE: f64 = 0.90;
/// Tests a week that must have been made in both ponds, where a kit tells it.
pub const TESTS_A_WEEK: f64 = 2.0;
/// Doses that the test of the days after doses needs.
pub const DOSES: usize = 8;

/// What is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Outcome {
    /// Lowest oxygen of the night.
    DawnMinimum,
    /// Highest oxygen of the day.
    DuskPeak,
    /// Fall of oxygen by night: what the probe sees of the pond's respiration, air and aerators included.
    NightFall,
    /// Un-ionised ammonia, mean of the day.
    Nh3N,
    /// Total ammonia by test kit.
    Tan,
    /// Nitrite by test kit.
    Nitrite,
    /// pH of the sludge.
    SludgePh,
    /// Energy that the aerators took.
    AerationKwh,
}

/// Which way an outcome should go.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Wanted {
    /// Up.
    Rise,
    /// Down.
    Fall,
}

impl Wanted {
    /// As commands and files name it.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Rise => "rise",
            Self::Fall => "fall",
        }
    }

    /// Finds it by its name.
    pub fn from_id(id: &str) -> Option<Self> {
        [Self::Rise, Self::Fall].into_iter().find(|own| own.id() == id)
    }

    /// Whether a change goes this way.
    pub fn is_met(self, change: f64) -> bool {
        match self {
            Self::Rise => change > 0.0,
            Self::Fall => change < 0.0,
        }
    }
}

impl Outcome {
    /// Every outcome.
    pub const ALL: [Self; 8] = [
        Self::DawnMinimum,
        Self::DuskPeak,
        Self::NightFall,
        Self::Nh3N,
        Self::Tan,
        Self::Nitrite,
        Self::SludgePh,
        Self::AerationKwh,
    ];

    /// As commands and files name it.
    pub const fn id(self) -> &'static str {
        match self {
            Self::DawnMinimum => "dawn_minimum",
            Self::DuskPeak => "dusk_peak",
            Self::NightFall => "night_fall",
            Self::Nh3N => "nh3_n",
            Self::Tan => "tan",
            Self::Nitrite => "nitrite",
            Self::SludgePh => "sludge_ph",
            Self::AerationKwh => "aeration_kwh",
        }
    }

    /// Finds it by its name.
    pub fn from_id(id: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|own| own.id() == id)
    }

    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::DawnMinimum => "lowest oxygen of the night",
            Self::DuskPeak => "highest oxygen of the day",
            Self::NightFall => "fall of oxygen by night",
            Self::Nh3N => "un-ionised ammonia (NH3-N), mean of the day",
            Self::Tan => "total ammonia nitrogen (TAN)",
            Self::Nitrite => "nitrite nitrogen (NO2-N)",
            Self::SludgePh => "pH of the sludge",
            Self::AerationKwh => "energy of the aerators",
        }
    }

    /// The unit; empty where there is none.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::DawnMinimum | Self::DuskPeak | Self::Nh3N | Self::Tan | Self::Nitrite => "mg/L",
            Self::NightFall => "mg/L/h",
            Self::SludgePh => "",
            Self::AerationKwh => "kWh/day",
        }
    }

    /// Decimals worth showing of an effect.
    pub const fn decimals(self) -> usize {
        match self {
            Self::AerationKwh => 1,
            Self::Nh3N | Self::NightFall => 3,
            _ => 2,
        }
    }

    /// Which way a treatment is usually said to move it.
    pub const fn usually_wanted(self) -> Wanted {
        match self {
            Self::DawnMinimum | Self::DuskPeak | Self::SludgePh => Wanted::Rise,
            _ => Wanted::Fall,
        }
    }

    /// Whether a person's test tells it rather than a probe.
    pub const fn is_by_kit(self) -> bool {
        matches!(self, Self::Tan | Self::Nitrite | Self::SludgePh)
    }

    /// So many days may lie between two values that count as next to each other.
    pub const fn apart(self) -> i64 {
        if self.is_by_kit() { 5 } else { 1 }
    }

    /// Whether the days after single doses can be looked at: something must be known each day, and a dose
    /// must be able to move it within one.
    pub const fn can_bounce(self) -> bool {
        matches!(self, Self::DawnMinimum | Self::DuskPeak)
    }

    /// Whether the value of a day is from before a dose in the morning of that day.
    pub const fn is_before_dose(self) -> bool {
        matches!(self, Self::DawnMinimum | Self::NightFall)
    }
}
