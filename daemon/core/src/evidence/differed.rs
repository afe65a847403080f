//! What else differed between two ponds while one was treated.
//!
//! A dose effect cannot be told apart from anything that changed along with it. Fewer drainages, for one, are
//! often part of a treatment: their effect and that of the dose can be separated only where one is held equal.

use libm::fabs;

use super::series::{Periods, Series};
use crate::said::{Said, said};

/// What was logged of the days.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Factor {
    /// Light for photosynthesis.
    Light,
    /// Water temperature.
    Temperature,
    /// Energy of the aerators.
    Aeration,
    /// Feed.
    Feed,
    /// Water let out or exchanged.
    Water,
}

/// How far two ponds may part in a factor. (Common practice, no source.)
#[derive(Debug, Clone, Copy, PartialEq)]
enum Limit {
    /// As a share.
    Share(f64),
    /// In the factor's unit.
    Units(f64),
}

impl Factor {
    /// Every factor.
    pub const ALL: [Self; 5] = [Self::Light, Self::Temperature, Self::Aeration, Self::Feed, Self::Water];

    /// As files name it.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Light => "light",
            Self::Temperature => "temperature",
            Self::Aeration => "aeration",
            Self::Feed => "feed",
            Self::Water => "water",
        }
    }

    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Light => "light",
            Self::Temperature => "water temperature",
            Self::Aeration => "aerator energy",
            Self::Feed => "feed",
            Self::Water => "water let out",
        }
    }

    /// The same for other languages too.
    pub fn said(self) -> Said {
        match self {
            Self::Light => said!("factor-light", "light"),
            Self::Temperature => said!("factor-temperature", "water temperature"),
            Self::Aeration => said!("factor-aeration", "aerator energy"),
            Self::Feed => said!("factor-feed", "feed"),
            Self::Water => said!("factor-water", "water let out"),
        }
    }

    /// The unit of its days.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Light => "µmol/m2/s",
            Self::Temperature => "°C",
            Self::Aeration => "kWh/day",
            Self::Feed => "kg/day",
            Self::Water => "% of the pond a day",
        }
    }

    const fn limit(self) -> Limit {
        match self {
            Self::Light => Limit::Share(0.20),
            Self::Aeration | Self::Feed => Limit::Share(0.10),
            Self::Temperature => Limit::Units(1.0),
            Self::Water => Limit::Units(1.0),
        }
    }

    /// Whether nothing can be said without it: it is in a farmer's own hand.
    pub const fn is_needed(self) -> bool {
        matches!(self, Self::Aeration | Self::Feed | Self::Water)
    }
}

/// A factor in both ponds, before and after: means of the days that were logged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Which.
    pub factor: Factor,
    /// Treated pond, before and after.
    pub treated: [Option<f64>; 2],
    /// Control pond, before and after.
    pub control: [Option<f64>; 2],
    /// By how much the treated pond changed beyond the control, in the factor's unit.
    pub change: Option<f64>,
    /// The same as a share of the treated pond's level before.
    pub share: Option<f64>,
    /// Whether it stayed alike; `None` where that is not known.
    pub is_balanced: Option<bool>,
}

/// Compares a factor over the days of both ponds.
pub fn differed(factor: Factor, treated: &Series, control: &Series, periods: &Periods) -> Difference {
    let means = |own: &Series| [periods.before, periods.after].map(|part| own.mean(part).map(|own| own.0));
    let (own, other) = (means(treated), means(control));
    let change = match (own, other) {
        ([Some(before), Some(after)], [Some(other_before), Some(other_after)]) => {
            Some((after - before) - (other_after - other_before))
        }
        _ => None,
    };
    let share = match (own, other) {
        ([Some(before), Some(after)], [Some(other_before), Some(other_after)])
            if before > 0.0 && other_before > 0.0 && other_after > 0.0 =>
        {
            Some((after / before) / (other_after / other_before) - 1.0)
        }
        _ => None,
    };
    let is_balanced = match (factor.limit(), change, share) {
        (Limit::Units(most), Some(change), _) => Some(fabs(change) <= most),
        (Limit::Share(most), _, Some(share)) => Some(fabs(share) <= most),
        // Where one of them was nothing there is no share; nothing at all in both is alike.
        (Limit::Share(_), Some(change), None) => Some(change == 0.0),
        (_, None, _) => None,
    };
    Difference { factor, treated: own, control: other, change, share, is_balanced }
}
