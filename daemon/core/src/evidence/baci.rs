//! Before and after, treated and control: whether the difference between two ponds changed.
//!
//! ```text
//! d = treated - control, each day          estimate = mean of d after - mean of d before
//! n_eff = n (1 - r) / (1 + r)              SE = SD of d x sqrt(1/n_eff before + 1/n_eff after)
//! interval = estimate ± t(n_eff before + n_eff after - 2) x SE
//! ```
//!
//! `r` is the correlation of a day with the next, from the days' departures from the mean of their period.
//! Three things make it come out too small in short series, and each is mended: a mean was fitted to each
//! period (Marriott and Pope 1954, Biometrika 41: by (1 + 4r)/n), departures from a fitted mean spread less
//! than days do, and what is estimated from forty days is itself uncertain, by sqrt((1 - r²)/n): so much is
//! added. (The last is our own caution; the false-positive campaign shows what it is good for.)

use alloc::vec::Vec;

use libm::sqrt;

use super::series::{Day, Periods, Series};
use super::shift::shift_chance;
use super::student::{beyond, two_sided};

/// Chance of an interval that misses the truth.
pub const MISSES: f64 = 0.05;

/// A correlation above this leaves nothing to reckon with.
const R_AT_MOST: f64 = 0.99;

/// An estimate with its interval of 95 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Size of the effect, in the unit of the outcome.
    pub estimate: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Degrees of freedom of t.
    pub degrees: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// From a standard error; `None` where no interval can be computed.
    pub fn new(estimate: f64, standard_error: f64, degrees: f64) -> Option<Self> {
        let reach = beyond(MISSES, degrees) * standard_error;
        (estimate.is_finite() && reach.is_finite() && standard_error > 0.0).then_some(Self {
            estimate,
            standard_error,
            degrees,
            low: estimate - reach,
            high: estimate + reach,
        })
    }

    /// Whether zero lies outside.
    pub fn excludes_zero(&self) -> bool {
        self.low > 0.0 || self.high < 0.0
    }
}

/// The usual test, which takes the days for independent. Shown beside ours, never acted on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Naive {
    /// Its interval.
    pub interval: Interval,
    /// The chance that it gives of so large a difference where there is no effect.
    pub chance: f64,
}

/// What one period knows of the difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Period {
    /// Mean of treated less control.
    pub mean: f64,
    /// Days that both ponds know.
    pub days: usize,
    /// Independent days that these are worth.
    pub effective: f64,
}

/// The comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Baci {
    /// Ours.
    pub interval: Interval,
    /// The usual test.
    pub naive: Naive,
    /// Before the first dose.
    pub before: Period,
    /// After it.
    pub after: Period,
    /// Standard deviation of the daily difference within a period.
    pub spread: f64,
    /// Correlation of a day with the next as found, before anything was mended.
    pub correlation_found: f64,
    /// The correlation that was reckoned with.
    pub correlation: f64,
    /// Share of all the places where the first dose could have fallen in these days, that would show at least
    /// as large a change.
    pub shift_chance: f64,
}

impl Baci {
    /// Whether the interval leaves zero out and the check by shifting agrees.
    pub fn is_clear(&self) -> bool {
        self.interval.excludes_zero() && self.shift_chance <= MISSES
    }
}

/// Why there is no interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoEstimate {
    /// Too few days on which both ponds have a value: before, after.
    FewDays(usize, usize),
    /// The days resemble each other so much that they are worth less than three independent ones.
    NothingIndependent {
        /// The correlation.
        correlation: f64,
        /// The bare difference, in the unit of the outcome.
        estimate: f64,
    },
    /// Every day is the same: no probe or kit does that.
    NoSpread,
}

/// Independent days that `days` are worth at a correlation of each with the next.
pub fn effective(days: f64, correlation: f64) -> f64 {
    days * (1.0 - correlation) / (1.0 + correlation)
}

/// The interval of an estimate whose spread, days and correlation are given: the bare formula, with nothing
/// mended.
pub fn from_summary(estimate: f64, spread: f64, days: (f64, f64), correlation: f64) -> Option<Interval> {
    let own = (effective(days.0, correlation), effective(days.1, correlation));
    Interval::new(estimate, spread * sqrt(1.0 / own.0 + 1.0 / own.1), own.0 + own.1 - 2.0)
}

/// Departures of days from their mean, with the day; and the mean.
fn departures(days: &[Day]) -> (f64, Vec<Day>) {
    let mean = days.iter().map(|own| own.value).sum::<f64>() / days.len() as f64;
    (mean, days.iter().map(|own| Day { day: own.day, value: own.value - mean }).collect())
}

fn squares(days: &[Day]) -> f64 {
    days.iter().map(|own| own.value * own.value).sum()
}

/// Sum of products of a day and the next, and how many there were. `apart` is how many days may lie between
/// two that count as next to each other: 1 for a probe, more for a test kit.
fn products(days: &[Day], apart: i64) -> (f64, usize) {
    let next = days.iter().zip(days.iter().skip(1));
    let near = next.filter(|(one, two)| two.day.saturating_sub(one.day) <= apart);
    near.fold((0.0, 0_usize), |(sum, count), (one, two)| {
        (sum + one.value * two.value, count.saturating_add(1))
    })
}

/// Correlation of a day with the next over periods whose means were taken off: as found, and as reckoned with.
pub fn correlation(periods: &[&[Day]], apart: i64) -> (f64, f64) {
    let count: usize = periods.iter().map(|days| days.len()).sum();
    let (sum, pairs) = periods
        .iter()
        .map(|days| products(days, apart))
        .fold((0.0, 0_usize), |all, own| (all.0 + own.0, all.1.saturating_add(own.1)));
    let square: f64 = periods.iter().map(|days| squares(days)).sum();
    let days = count as f64;
    // Where days are missing there are fewer pairs than there would be.
    let whole = count.saturating_sub(periods.len()) as f64;
    if pairs == 0 || square.is_nan() || square <= 0.0 {
        // Nothing next to anything tells nothing: the worst is assumed.
        return (R_AT_MOST, R_AT_MOST);
    }
    let found = (sum / square * whole / pairs as f64).clamp(-R_AT_MOST, R_AT_MOST);
    let fitted = periods.len() as f64;
    if days <= 4.0 * fitted {
        return (found, R_AT_MOST);
    }
    let mended = ((days * found + fitted) / (days - 4.0 * fitted)).clamp(0.0, R_AT_MOST);
    let uncertain = sqrt((1.0 - mended * mended) / days);
    (found, (mended + uncertain).min(R_AT_MOST))
}

/// Compares two ponds. `apart` as in [`Outcome::apart`](super::Outcome::apart).
///
/// # Errors
/// Why no interval can be computed.
pub fn baci(treated: &Series, control: &Series, periods: &Periods, apart: i64) -> Result<Baci, NoEstimate> {
    let difference = treated.less(control);
    let before: Vec<Day> = difference.within(periods.before).collect();
    let after: Vec<Day> = difference.within(periods.after).collect();
    let counts = (before.len(), after.len());
    if counts.0 < 3 || counts.1 < 3 {
        return Err(NoEstimate::FewDays(counts.0, counts.1));
    }
    let days = (counts.0 as f64, counts.1 as f64);
    let ((mean_before, off_before), (mean_after, off_after)) = (departures(&before), departures(&after));
    let estimate = mean_after - mean_before;
    let square = squares(&off_before) + squares(&off_after);
    if square.is_nan() || square <= 0.0 {
        return Err(NoEstimate::NoSpread);
    }
    let (found, r) = correlation(&[&off_before, &off_after], apart);
    let own = (effective(days.0, r), effective(days.1, r));
    // A mean fitted to days that are worth so few takes that much of their spread away.
    let free = |days: f64, own: f64| days * (1.0 - 1.0 / own.max(1.0));
    let freedom = free(days.0, own.0) + free(days.1, own.1);
    let spread = sqrt(square / freedom);
    let error = spread * sqrt(1.0 / own.0 + 1.0 / own.1);
    let interval =
        if own.0 > 1.0 && own.1 > 1.0 { Interval::new(estimate, error, own.0 + own.1 - 2.0) } else { None };
    let nothing = NoEstimate::NothingIndependent { correlation: r, estimate };
    let interval = interval.ok_or(nothing)?;
    let degrees = days.0 + days.1 - 2.0;
    let error = sqrt(square / degrees) * sqrt(1.0 / days.0 + 1.0 / days.1);
    let naive = Interval::new(estimate, error, degrees).ok_or(nothing)?;
    Ok(Baci {
        interval,
        naive: Naive { interval: naive, chance: two_sided(estimate / error, degrees) },
        before: Period { mean: mean_before, days: counts.0, effective: own.0 },
        after: Period { mean: mean_after, days: counts.1, effective: own.1 },
        spread,
        correlation_found: found,
        correlation: r,
        shift_chance: shift_chance(&before, &after),
    })
}
