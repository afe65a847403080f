//! The days after doses: whether oxygen "bounces" when a pond is dosed.
//!
//! Of each dose: the next day less the mean of the three days before, less the same in the control. A dose is
//! given after the lowest oxygen of the night, so that there its own day is still one before. Days on
//! which something else differed do not count; in their place older ones are taken, up to five days back. The
//! doses are then held against sham days, drawn at random from weeks without a dose, to which exactly the same
//! is done: what the pond does by itself shows there.

use alloc::vec::Vec;

use libm::{fabs, sqrt};

use super::baci::{Interval, MISSES, Naive};
use super::outcome::DOSES;
use super::series::Series;
use super::student::two_sided;
use crate::said::{Said, said};

/// Days before a dose that are averaged, and how many there must be.
const BEFORE: usize = 3;
const LEAST_BEFORE: usize = 1;

/// So far back they are looked for.
const BACK: i64 = 5;

/// A dose shows until the day after it.
const SHOWS: i64 = 1;

/// A sham day has no dose on so many days before it, nor on the day after.
const UNDOSED: i64 = 7;

/// Sham days that must be there to draw from. (Common practice, no source.)
pub const SHAMS: usize = 8;

/// So often are as many sham days drawn as there were doses.
const DRAWS: usize = 9_999;

/// Light of a day before may differ from that of the day after by this share. (Common practice, no source;
/// so is the next.)
pub const LIGHT_SHARE: f64 = 0.20;

/// So may the energy of the treated pond's aerators against the control's.
pub const AERATION_SHARE: f64 = 0.10;

/// What else is known of the days of both ponds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Aside {
    /// Light that lies behind the value of each day.
    pub light: Series,
    /// Energy of the aerators, treated and control.
    pub aeration: [Series; 2],
    /// Days on which an oxygen probe of either pond was serviced: the day of a dose and the day after must be
    /// free of it.
    pub serviced: Vec<i64>,
    /// The value of a dose's day is from before the dose, as [`super::Outcome::is_before_dose`] says.
    pub is_before_dose: bool,
    /// Days that do not count for another reason, such as a control that was disturbed.
    pub disturbed: Vec<i64>,
}

/// Why a dose does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Lost {
    /// A value is missing in one of the ponds.
    Missing,
    /// Another dose shows in the days before.
    Dosed,
    /// Light differed.
    Light,
    /// The aerators ran more or less.
    Aeration,
    /// A probe was serviced.
    Service,
    /// Something else was noted.
    Disturbed,
}

impl Lost {
    /// For people.
    pub fn words(self) -> Said {
        match self {
            Self::Missing => said!("lost-missing", "a value is missing"),
            Self::Dosed => said!("lost-dosed", "another dose shows in the days before"),
            Self::Light => {
                said!("lost-light", "light differed by more than 20 % from the days before")
            }
            Self::Aeration => {
                said!("lost-aeration", "aerator energy changed by more than 10 % against the control's")
            }
            Self::Service => said!("lost-service", "a probe was serviced"),
            Self::Disturbed => {
                said!("lost-disturbed", "water was let out of one pond, or something else disturbed it")
            }
        }
    }
}

/// The test.
#[derive(Debug, Clone, PartialEq)]
pub struct Bounce {
    /// Of each dose that counts: its day, and the change beyond the control's.
    pub doses: Vec<(i64, f64)>,
    /// Doses that do not count.
    pub lost: Vec<(i64, Lost)>,
    /// Mean over the doses; `None` where no interval can be computed.
    pub interval: Option<Interval>,
    /// The usual test: the days after in the treated pond alone, against the three days before.
    pub naive: Option<Naive>,
    /// Sham days: how many, and their mean.
    pub shams: Option<(usize, f64)>,
    /// Share of draws of as many sham days whose mean lies as far from zero as that of the doses.
    pub sham_chance: Option<f64>,
}

impl Bounce {
    /// Whether there are enough doses, the interval leaves zero out and the sham days agree.
    pub fn is_clear(&self) -> bool {
        self.doses.len() >= DOSES
            && self.interval.is_some_and(|interval| interval.excludes_zero())
            && self.sham_chance.is_some_and(|chance| chance <= MISSES)
    }
}

/// The next day less the mean of the three days before, from `first` days back, whatever else happened.
fn plain_change(series: &Series, day: i64, first: i64) -> Option<f64> {
    let after = series.get(day.saturating_add(1))?;
    let stretch = first..first.saturating_add(BEFORE as i64);
    let before: Option<f64> = stretch.map(|back| series.get(day.saturating_sub(back))).sum();
    Some(after - before? / BEFORE as f64)
}

/// Whether two values are within a share of each other; where one is not known nothing speaks against it.
fn alike(own: Option<f64>, other: Option<f64>, share: f64) -> bool {
    match (own, other) {
        (Some(own), Some(other)) if other > 0.0 => fabs(own / other - 1.0) <= share,
        (Some(own), Some(other)) => own == other,
        _ => true,
    }
}

/// What is known of the ponds, for one comparison.
struct Look<'a> {
    difference: &'a Series,
    doses: &'a [i64],
    aside: &'a Aside,
}

impl Look<'_> {
    /// The energy of the treated pond's aerators as a multiple of the control's.
    fn aeration(&self, day: i64) -> Option<f64> {
        let [treated, control] = &self.aside.aeration;
        let other = control.get(day).filter(|&kwh| kwh > 0.0)?;
        Some(treated.get(day)? / other)
    }

    /// How many days back the newest day before lies.
    fn first_back(&self) -> i64 {
        i64::from(!self.aside.is_before_dose)
    }

    /// A day before, where it can be compared with the day after.
    fn before(&self, day: i64, after: i64) -> Result<f64, Lost> {
        let aside = self.aside;
        // A dose shows from its own day, or the day after it where that is still before, to the day after it.
        let shows = |dose: i64| {
            let first = dose.saturating_add(i64::from(aside.is_before_dose));
            (first..=dose.saturating_add(SHOWS)).contains(&day)
        };
        if self.doses.iter().any(|&dose| shows(dose)) {
            return Err(Lost::Dosed);
        }
        let value = self.difference.get(day).ok_or(Lost::Missing)?;
        if aside.serviced.contains(&day) {
            return Err(Lost::Service);
        }
        if aside.disturbed.contains(&day) {
            return Err(Lost::Disturbed);
        }
        if !alike(aside.light.get(day), aside.light.get(after), LIGHT_SHARE) {
            return Err(Lost::Light);
        }
        if !alike(self.aeration(day), self.aeration(after), AERATION_SHARE) {
            return Err(Lost::Aeration);
        }
        Ok(value)
    }

    /// The change of a day beyond the control's, or why the day does not count.
    fn event(&self, day: i64) -> Result<f64, Lost> {
        let after = day.saturating_add(1);
        let value = self.difference.get(after).ok_or(Lost::Missing)?;
        if [day, after].iter().any(|own| self.aside.serviced.contains(own)) {
            return Err(Lost::Service);
        }
        if [day, after].iter().any(|own| self.aside.disturbed.contains(own)) {
            return Err(Lost::Disturbed);
        }
        let (mut known, mut lost) = (Vec::with_capacity(BEFORE), Vec::new());
        for back in self.first_back()..=BACK {
            match self.before(day.saturating_sub(back), after) {
                Ok(before) => known.push(before),
                Err(why) => lost.push(why),
            }
            if known.len() == BEFORE {
                break;
            }
        }
        if known.len() < LEAST_BEFORE {
            // What took most of the days.
            let count = |why: &Lost| lost.iter().filter(|own| *own == why).count();
            return Err(lost.iter().copied().max_by_key(|why| count(why)).unwrap_or(Lost::Missing));
        }
        Ok(value - mean(&known))
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Mean with its interval, for values that do not hang together.
fn of_independent(values: &[f64]) -> Option<Naive> {
    let degrees = values.len().checked_sub(1).filter(|&degrees| degrees > 0)? as f64;
    let own = mean(values);
    let square: f64 = values.iter().map(|value| (value - own) * (value - own)).sum();
    let error = sqrt(square / degrees / values.len() as f64);
    Some(Naive { interval: Interval::new(own, error, degrees)?, chance: two_sided(own / error, degrees) })
}

/// Numbers that look random and are the same each time (SplitMix64; Steele, Lea and Flood 2014).
struct Draw(u64);

impl Draw {
    fn below(&mut self, count: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        bits ^= bits >> 31;
        // The high half of a product: even enough for some hundred days.
        ((u128::from(bits) * count as u128) >> 64) as usize
    }
}

/// Share of draws of `count` sham days, each day as often as it comes, whose mean lies as far from zero.
fn sham_chance(shams: &[f64], count: usize, found: f64) -> f64 {
    let mut draw = Draw(1);
    let mut as_far = 1_usize;
    for _ in 0..DRAWS {
        let sum: f64 = (0..count).filter_map(|_| shams.get(draw.below(shams.len()))).sum();
        if fabs(sum / count as f64) >= fabs(found) * (1.0 - 1e-9) {
            as_far = as_far.saturating_add(1);
        }
    }
    as_far as f64 / (DRAWS + 1) as f64
}

/// Looks at the days after the doses of `doses`, days in any order. Sham days are taken from `from` to `to`,
/// both included; at most some hundred days.
pub fn bounce(
    treated: &Series,
    control: &Series,
    doses: &[i64],
    aside: &Aside,
    (from, to): (i64, i64),
) -> Bounce {
    let mut days: Vec<i64> = doses.to_vec();
    days.sort_unstable();
    days.dedup();
    let mut found = Bounce {
        doses: Vec::new(),
        lost: Vec::new(),
        interval: None,
        naive: None,
        shams: None,
        sham_chance: None,
    };
    let difference = treated.less(control);
    let look = Look { difference: &difference, doses: &days, aside };
    for &day in &days {
        match look.event(day) {
            Ok(value) => found.doses.push((day, value)),
            Err(why) => found.lost.push((day, why)),
        }
    }
    let values: Vec<f64> = found.doses.iter().map(|(_, value)| *value).collect();
    // Doses lie days apart, and none shares a day with another.
    found.interval = of_independent(&values).map(|own| own.interval);
    let alone: Vec<f64> =
        days.iter().filter_map(|&day| plain_change(treated, day, look.first_back())).collect();
    found.naive = of_independent(&alone);
    let is_undosed = |day: i64| {
        !days.iter().any(|&dose| dose >= day.saturating_sub(UNDOSED) && dose <= day.saturating_add(1))
    };
    let shams: Vec<f64> =
        (from..=to).filter(|&day| is_undosed(day)).filter_map(|day| look.event(day).ok()).collect();
    if !shams.is_empty() {
        found.shams = Some((shams.len(), mean(&shams)));
    }
    if shams.len() >= SHAMS && !values.is_empty() {
        found.sham_chance = Some(sham_chance(&shams, values.len(), mean(&values)));
    }
    found
}
