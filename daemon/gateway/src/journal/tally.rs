//! What a quarter hour of a series comes to, while its readings are counted.

use pondreeve_core::Timestamp;
use pondreeve_core::effect::Flag;

use super::rollup::{QUARTER_MS, Rolled};

const QUARTERS_OF_HOUR: usize = 4;
pub(super) const HOUR_MS: i64 = QUARTER_MS * QUARTERS_OF_HOUR as i64;

/// The quarters of one hour.
pub(super) type OfHour = [Tally; QUARTERS_OF_HOUR];

/// In which quarter of its hour each of these times lies; `None` where one lies outside of the hour.
pub(super) fn quarters_of(hour: u32, ats: &[i64]) -> Option<Vec<u8>> {
    let from = i64::from(hour) * HOUR_MS;
    let quarter = |at: &i64| u8::try_from(at.wrapping_sub(from).div_euclid(QUARTER_MS)).ok();
    let quarters = ats.iter().map(quarter).map(|own| own.filter(|own| usize::from(*own) < QUARTERS_OF_HOUR));
    quarters.collect()
}

/// A quarter hour while its readings are counted.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Tally {
    any: bool,
    usable: u32,
    sum: f64,
    minimum: f64,
    maximum: f64,
    suspect: u32,
    failed: u32,
    missing: u32,
}

impl Tally {
    pub(super) fn add(&mut self, flag: Option<Flag>, value: Option<f64>) {
        self.any = true;
        match flag {
            Some(Flag::Pass | Flag::NotEvaluated) => {
                if let Some(value) = value.filter(|value| value.is_finite()) {
                    let is_first = self.usable == 0;
                    self.minimum = if is_first { value } else { self.minimum.min(value) };
                    self.maximum = if is_first { value } else { self.maximum.max(value) };
                    self.sum += value;
                    self.usable += 1;
                }
            }
            Some(Flag::Suspect) => self.suspect += 1,
            Some(Flag::Fail) => self.failed += 1,
            Some(Flag::Missing) => self.missing += 1,
            None => {}
        }
    }

    /// Adds readings that passed, at less cost than one by one.
    pub(super) fn add_passed(&mut self, values: impl Iterator<Item = f64>) {
        let known = self.usable > 0;
        let (mut minimum, mut maximum) =
            if known { (self.minimum, self.maximum) } else { (f64::INFINITY, f64::NEG_INFINITY) };
        for value in values {
            self.any = true;
            if value.is_finite() {
                minimum = minimum.min(value);
                maximum = maximum.max(value);
                self.sum += value;
                self.usable += 1;
            }
        }
        if self.usable > 0 {
            (self.minimum, self.maximum) = (minimum, maximum);
        }
    }

    /// Adds what another piece counted of the same quarter hour.
    pub(super) fn merge(&mut self, other: &Self) {
        if other.usable > 0 {
            let is_first = self.usable == 0;
            self.minimum = if is_first { other.minimum } else { self.minimum.min(other.minimum) };
            self.maximum = if is_first { other.maximum } else { self.maximum.max(other.maximum) };
        }
        self.any |= other.any;
        self.sum += other.sum;
        self.usable += other.usable;
        self.suspect += other.suspect;
        self.failed += other.failed;
        self.missing += other.missing;
    }

    /// `None` where there was no reading at all.
    pub(super) fn rolled(self, from: Timestamp) -> Option<Rolled> {
        let Self { any, usable, sum, minimum, maximum, suspect, failed, missing } = self;
        let known = |value: f64| (usable > 0).then_some(value);
        any.then(|| Rolled {
            from,
            minimum: known(minimum),
            // A mean lies between the two also where rounding, or a sum beyond all bounds, would have it elsewhere.
            mean: known((sum / f64::from(usable)).max(minimum).min(maximum)),
            maximum: known(maximum),
            usable,
            suspect,
            failed,
            missing,
        })
    }
}
