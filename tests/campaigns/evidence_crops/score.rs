//! What is said of many crops, by us and by the usual test.

use std::collections::BTreeMap;

use pondreeve_core::evidence::bounce::Lost;
use pondreeve_core::evidence::verdict::{gaps, of_baci, of_bounce};
use pondreeve_core::evidence::{Level, Outcome, Wanted, baci, bounce};

use super::crop::{Control, Crop, Truth, crop};

/// How often something was said.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Score {
    pub crops: u32,
    /// "Consistent with an effect", or "Contradicted", which is an effect of the other sign.
    pub ours: u32,
    /// Of these, with the sign that was looked for.
    pub right_sign: u32,
    /// The usual test at 5 %.
    pub usual: u32,
    /// Sum of the true effect's being inside our interval, where there is one.
    pub covered: u32,
    pub intervals: u32,
    /// Doses that counted, in all.
    pub doses: u32,
    /// Those that did not, by the reason.
    pub lost: BTreeMap<Lost, u32>,
}

impl Score {
    fn add(&mut self, level: Level, usual: bool, interval: Option<(f64, f64)>, truth: f64) {
        self.crops += 1;
        self.ours += u32::from(matches!(level, Level::Consistent | Level::Contradicted));
        self.right_sign += u32::from(level == Level::Consistent);
        self.usual += u32::from(usual);
        if let Some((low, high)) = interval {
            self.intervals += 1;
            self.covered += u32::from(low <= truth && truth <= high);
        }
    }
}

/// The days before and after the first dose. What is given beside a verdict counts too: missing days.
pub fn before_after(control: Control, truth: Truth, seeds: core::ops::Range<u64>) -> Score {
    let mut score = Score::default();
    for seed in seeds {
        // 14 to 27 days before, 4 to 12 doses.
        let own = crop(seed, control, 14 + (seed % 14) as usize, 4 + (seed / 14 % 9) as usize, truth);
        let Crop { treated, control, periods, .. } = &own;
        let found = baci(treated, control, periods, 1);
        let against = gaps(Outcome::DawnMinimum, (treated, control), periods, (14, 28));
        let level = of_baci(&found, Wanted::Rise, against).level;
        let size = if let Truth::Step(size) = truth { size } else { 0.0 };
        let usual = found.as_ref().is_ok_and(|own| own.naive.chance < 0.05) || usual_test(&own);
        score.add(level, usual, found.ok().map(|own| (own.interval.low, own.interval.high)), size);
    }
    score
}

/// The usual test where ours gives no interval at all: it always gives one.
fn usual_test(own: &Crop) -> bool {
    let difference = own.treated.less(&own.control);
    let part = |stretch| difference.within(stretch).map(|day| day.value).collect::<Vec<f64>>();
    let (before, after) = (part(own.periods.before), part(own.periods.after));
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let square = |values: &[f64]| values.iter().map(|one| (one - mean(values)).powi(2)).sum::<f64>();
    let degrees = (before.len() + after.len() - 2) as f64;
    let error = ((square(&before) + square(&after)) / degrees
        * (1.0 / before.len() as f64 + 1.0 / after.len() as f64))
        .sqrt();
    let t = (mean(&after) - mean(&before)) / error;
    pondreeve_core::evidence::student::two_sided(t, degrees) < 0.05
}

/// The days after doses.
pub fn after_doses(control: Control, truth: Truth, doses: usize, seeds: core::ops::Range<u64>) -> Score {
    let mut score = Score::default();
    for seed in seeds {
        let own = crop(seed, control, 21, doses, truth);
        let stretch = (own.periods.before.0, own.periods.after.1);
        let found = bounce(&own.treated, &own.control, &own.doses, &own.aside, stretch);
        let level = of_bounce(&found, Wanted::Rise, Vec::new()).level;
        let size = if let Truth::Bounce(size) = truth { size } else { 0.0 };
        let usual = found.naive.is_some_and(|own| own.chance < 0.05);
        score.doses += found.doses.len() as u32;
        for (_, why) in &found.lost {
            *score.lost.entry(*why).or_default() += 1;
        }
        score.add(level, usual, found.interval.map(|own| (own.low, own.high)), size);
    }
    score
}

/// The most crops of `crops` in which something was said, that a rate of `rate` leaves at least one chance in a
/// thousand to exceed: by the exact binomial distribution.
pub fn at_most(crops: u32, rate: f64) -> u32 {
    let (mut below, mut one) = (0.0, (1.0 - rate).powi(crops as i32));
    for count in 0..=crops {
        below += one;
        if 1.0 - below <= 0.001 {
            return count;
        }
        one *= f64::from(crops - count) / f64::from(count + 1) * rate / (1.0 - rate);
    }
    crops
}
