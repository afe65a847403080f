//! One entry of the diary.

use alloc::string::String;

use pondreeve_chemistry::dose::Basis;

use crate::time::Timestamp;

/// What somebody did to a pond, or saw of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Counted through the farm from 1. 0 until [`crate::State::complete`] has accepted it: an entry that
    /// stands in the journal with 0 was refused.
    pub number: u64,
    /// When it happened; where it took a while, when it began.
    pub at: Timestamp,
    /// The entry whose place it takes.
    pub corrects: Option<u64>,
    /// The pond then, as [`crate::State::complete`] knew it.
    pub basin: Option<Basin>,
    /// What.
    pub what: What,
}

/// Surface and water of a pond.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Basin {
    /// Water surface, m2.
    pub area_m2: f64,
    /// Mean depth, m.
    pub depth_m: f64,
    /// Whether the depth was measured within a day, rather than being the one in the configuration.
    pub is_measured: bool,
}

impl Basin {
    /// Water in it, m3.
    pub fn volume_m3(&self) -> f64 {
        pondreeve_chemistry::dose::volume_m3(self.area_m2, self.depth_m)
    }
}

/// What was done or seen.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// Mineral slurry was given.
    Dose(Dose),
    /// Fed.
    Feed(Feed),
    /// Water was let out.
    Drain(WaterMove),
    /// Water was replaced.
    Exchange(WaterMove),
    /// A sample was counted and weighed.
    Sampling(Sampling),
    /// Stocked.
    Stocking(Stocking),
    /// Dead shrimp were found.
    Mortality(Mortality),
    /// Harvested.
    Harvest(Harvest),
    /// The sludge was looked at.
    Sludge(Sludge),
    /// Containers of a lot were counted.
    Count(Count),
    /// What happened to the pond that had nothing to do with what it is compared for.
    Disturbance(Disturbance),
    /// The weather.
    Weather {
        /// In words.
        words: String,
    },
    /// Money spent.
    Cost {
        /// For what.
        item: String,
        /// How much, in the farm's currency.
        amount: f64,
    },
    /// What a unit of something costs or brings.
    Price {
        /// Of what.
        item: String,
        /// How much, in the farm's currency.
        amount: f64,
        /// For how much of it, such as "kg" or "1000 PL".
        per: String,
    },
    /// Anything else.
    Note {
        /// In words.
        words: String,
    },
    /// The entry that this one corrects is taken back.
    Withdrawal {
        /// Why.
        reason: String,
    },
}

/// Kind of an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Kind {
    /// See [`What::Dose`].
    Dose,
    /// See [`What::Feed`].
    Feed,
    /// See [`What::Drain`].
    Drain,
    /// See [`What::Exchange`].
    Exchange,
    /// See [`What::Sampling`].
    Sampling,
    /// See [`What::Stocking`].
    Stocking,
    /// See [`What::Mortality`].
    Mortality,
    /// See [`What::Harvest`].
    Harvest,
    /// See [`What::Sludge`].
    Sludge,
    /// See [`What::Count`].
    Count,
    /// See [`What::Disturbance`].
    Disturbance,
    /// See [`What::Weather`].
    Weather,
    /// See [`What::Cost`].
    Cost,
    /// See [`What::Price`].
    Price,
    /// See [`What::Note`].
    Note,
    /// See [`What::Withdrawal`].
    Withdrawal,
}

impl Kind {
    /// The kind as commands and files name it.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Dose => "dose",
            Self::Feed => "feed",
            Self::Drain => "drain",
            Self::Exchange => "exchange",
            Self::Sampling => "sampling",
            Self::Stocking => "stocking",
            Self::Mortality => "mortality",
            Self::Harvest => "harvest",
            Self::Sludge => "sludge",
            Self::Count => "count",
            Self::Disturbance => "disturbance",
            Self::Weather => "weather",
            Self::Cost => "cost",
            Self::Price => "price",
            Self::Note => "note",
            Self::Withdrawal => "withdrawal",
        }
    }
}

impl What {
    /// Its kind.
    pub const fn kind(&self) -> Kind {
        match self {
            Self::Dose(_) => Kind::Dose,
            Self::Feed(_) => Kind::Feed,
            Self::Drain(_) => Kind::Drain,
            Self::Exchange(_) => Kind::Exchange,
            Self::Sampling(_) => Kind::Sampling,
            Self::Stocking(_) => Kind::Stocking,
            Self::Mortality(_) => Kind::Mortality,
            Self::Harvest(_) => Kind::Harvest,
            Self::Sludge(_) => Kind::Sludge,
            Self::Count(_) => Kind::Count,
            Self::Disturbance(_) => Kind::Disturbance,
            Self::Weather { .. } => Kind::Weather,
            Self::Cost { .. } => Kind::Cost,
            Self::Price { .. } => Kind::Price,
            Self::Note { .. } => Kind::Note,
            Self::Withdrawal { .. } => Kind::Withdrawal,
        }
    }

    /// When it ended, where it took a while and that is known.
    pub const fn stop(&self) -> Option<Timestamp> {
        match self {
            Self::Dose(dose) => dose.stop,
            Self::Drain(water) | Self::Exchange(water) => water.stop,
            Self::Disturbance(own) => own.stop,
            _ => None,
        }
    }
}

/// Mineral slurry that was given. At least one of mass, volume, and containers of a known mass.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Dose {
    /// Slurry, kg.
    pub slurry_kg: Option<f64>,
    /// Slurry, L.
    pub slurry_l: Option<f64>,
    /// Containers that were emptied.
    pub containers: Option<f64>,
    /// Which lot of the product.
    pub lot: Option<String>,
    /// What the lot's doses count in ppm.
    pub basis: Option<Basis>,
    /// Solids in the slurry by mass, %.
    pub solids_percent: Option<f64>,
    /// Density of the slurry, kg/L.
    pub density_kg_l: Option<f64>,
    /// Slurry in a full container, kg.
    pub container_kg: Option<f64>,
    /// When the last of it was in.
    pub stop: Option<Timestamp>,
    /// What spoke against it when it was recorded, in English, as other programs are told.
    pub against: Option<String>,
    /// Why it was given against advice.
    pub reason: Option<String>,
    /// Somebody said that it is so although amounts contradict each other.
    pub is_confirmed: bool,
}

/// A pond was not as it is, for a time: a broken dike, a plankton crash, a power cut, the wrong feed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Disturbance {
    /// When it was over; its day only, where absent.
    pub stop: Option<Timestamp>,
    /// What it was.
    pub words: String,
}

/// One feeding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Feed {
    /// Feed, kg.
    pub kg: f64,
    /// What was left in the tray of this meal, % of what was put in.
    pub tray_left_percent: Option<f64>,
}

/// Water that was let out. Either by the levels before and after, or by its volume.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct WaterMove {
    /// When it ended.
    pub stop: Option<Timestamp>,
    /// Mean depth before, m.
    pub level_before_m: Option<f64>,
    /// Mean depth once the water was out, before any was let in, m.
    pub level_after_m: Option<f64>,
    /// Mean depth once the pond was filled up again, m.
    pub refilled_to_m: Option<f64>,
    /// Water let out, m3, where no levels were read.
    pub volume_m3: Option<f64>,
    /// pH of what was let out.
    pub ph: Option<f64>,
}

impl WaterMove {
    /// Water let out of a pond, m3.
    pub fn moved_m3(&self, basin: &Basin) -> Option<f64> {
        match (self.level_before_m, self.level_after_m) {
            (Some(before), Some(after)) => Some(basin.area_m2 * (before - after)),
            _ => self.volume_m3,
        }
    }

    /// Water in the pond before, m3.
    pub fn before_m3(&self, basin: &Basin) -> f64 {
        self.level_before_m.map_or_else(|| basin.volume_m3(), |level| basin.area_m2 * level)
    }

    /// Mean depth after everything, where it is known.
    pub fn level_now_m(&self, is_drain: bool) -> Option<f64> {
        // Of an exchange, how far the pond was filled up again is not known unless said.
        self.refilled_to_m.or(if is_drain { self.level_after_m } else { None })
    }
}

/// A sample that was counted and weighed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampling {
    /// Shrimp in it.
    pub count: u32,
    /// Their weight together, g.
    pub total_g: f64,
}

impl Sampling {
    /// Average body weight, g.
    pub fn abw_g(&self) -> f64 {
        self.total_g / f64::from(self.count.max(1))
    }
}

/// Shrimp put into the pond.
#[derive(Debug, Clone, PartialEq)]
pub struct Stocking {
    /// How many.
    pub count: u32,
    /// Which species.
    pub species: Option<String>,
    /// Which lot.
    pub lot: Option<String>,
    /// Their age or stage, such as "PL10".
    pub size: Option<String>,
    /// Average body weight, g.
    pub abw_g: Option<f64>,
}

/// Dead shrimp that were found: counted or weighed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mortality {
    /// How many.
    pub count: Option<u32>,
    /// How much, kg.
    pub kg: Option<f64>,
}

/// Shrimp taken out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Harvest {
    /// How much, kg.
    pub kg: f64,
    /// Average body weight, g.
    pub abw_g: Option<f64>,
    /// What a kg brought, in the farm's currency.
    pub price_per_kg: Option<f64>,
    /// Nothing is left in the pond.
    pub is_final: bool,
}

/// What the sludge was like. At least one of the three.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sludge {
    /// pH.
    pub ph: Option<f64>,
    /// Redox potential as the electrode reads it, mV.
    pub orp_mv: Option<f64>,
    /// How thick it lies, cm.
    pub depth_cm: Option<f64>,
    /// How it was measured: in place, diluted, which electrode.
    pub method: Option<String>,
}

/// Containers of a lot of slurry that were counted.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Count {
    /// Which lot of the product.
    pub lot: Option<String>,
    /// Those that are left, an opened one as its part.
    pub left: f64,
    /// Those delivered since the last count.
    pub delivered: Option<f64>,
    /// Slurry in a full one, kg.
    pub container_kg: Option<f64>,
    /// Why what is gone was not given to a pond, where that is so: spilled, lent, sent back.
    pub reason: Option<String>,
}
