//! A linear regression that learns a little each morning and never quite forgets what it was shipped
//! with: Bayesian, with weights that leak back toward the prior.

use core::array::from_fn;

/// Number of terms.
pub const TERMS: usize = 10;

/// Terms or weights.
pub type Terms = [f64; TERMS];

/// What is kept of the learnt weights from one night to the next. (Our own choice: how a pond answers to warmth or
/// to a bright day changes slowly; a crop is some 120 nights.)
const KEEP: f64 = 0.999;

/// What is kept of the errors, so that a calmer season shows. (Common practice, no source.)
const KEEP_ERRORS: f64 = 0.995;

/// What is kept of how far the estimates lay from nothing: a month or so counts. (Our own choice.)
const KEEP_SIZES: f64 = 0.97;

/// What the shipped weights are worth, in nights.
const PRIOR_NIGHTS: f64 = 15.0;

/// Usual square of a term, (mg/L)2: terms that vary by about 1 mg/L between nights.
const USUAL_SQUARE: f64 = 1.0;

/// What the shipped standard error is worth, in nights.
const PRIOR_ERROR_NIGHTS: f64 = 5.0;

/// Standard deviation over mean absolute deviation of a normal distribution: √(π/2).
const SPREAD_PER_MEAN_ERROR: f64 = 1.253_314_137_315_500_3;

/// An error of more than so many standard errors counts as so many in the standard error itself.
const ROBUST: f64 = 2.5;

/// And as so many where it moves the weights: one odd night must not bend the rule for all. What is wanted is the
/// usual night rather than the mean one. (Our own choice, from Huber 1964, Ann. Math. Stat.: 1.5 standard errors lose
/// little on normal nights.)
const ROBUST_WEIGHTS: f64 = 1.5;

/// How much more or less sure than usual an unusual or a usual estimate is held to be.
const SURENESS: (f64, f64) = (0.5, 2.0);

/// The regression.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Regression {
    weights: Terms,
    covariance: [Terms; TERMS],
    /// Discounted sum of absolute errors and of nights.
    errors: (f64, f64),
    /// Discounted sum of how far estimates lay from nothing, and of nights.
    sizes: (f64, f64),
}

/// What a night teaches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lesson {
    /// What was known.
    pub terms: Terms,
    /// What came.
    pub outcome: f64,
    /// What was told: the estimate, kept within bounds.
    pub told: f64,
    /// How much less sure than usual it was held to be, as [`Regression::doubt`] said.
    pub doubt: f64,
    /// Its shipped standard error.
    pub shipped_error: f64,
}

fn prior_variance() -> f64 {
    1.0 / (PRIOR_NIGHTS * USUAL_SQUARE)
}

fn dot(a: &Terms, b: &Terms) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

impl Regression {
    /// As shipped.
    pub fn new(prior: &Terms) -> Self {
        let unit = |row: usize, column: usize| if row == column { prior_variance() } else { 0.0 };
        Self {
            weights: *prior,
            covariance: from_fn(|row| from_fn(|column| unit(row, column))),
            errors: (0.0, 0.0),
            sizes: (0.0, 0.0),
        }
    }

    /// The weights as they stand.
    pub fn weights(&self) -> &Terms {
        &self.weights
    }

    /// Nights learnt from, the older ones counting a little less.
    pub fn nights(&self) -> f64 {
        self.errors.1
    }

    /// The estimate.
    pub fn estimate(&self, terms: &Terms) -> f64 {
        dot(&self.weights, terms)
    }

    /// Standard error of an estimate, from the shipped one and the nights learnt from. Taken from the
    /// mean absolute error, as for a normal distribution: a few wild nights then widen it less, and 80 %
    /// of the usual nights still lie within 1.28 of it (for errors of the double exponential kind as
    /// for normal ones).
    pub fn standard_error(&self, shipped: f64) -> f64 {
        let (absolute, nights) = self.errors;
        (SPREAD_PER_MEAN_ERROR * absolute + PRIOR_ERROR_NIGHTS * shipped) / (nights + PRIOR_ERROR_NIGHTS)
    }

    /// How much less sure than usual an estimate is that lies so far from nothing: a night much unlike the last ones
    /// is the harder to tell. The square root of its size against the usual one, each beside the standard error.
    pub fn doubt(&self, told: f64, shipped: f64) -> f64 {
        let (size, nights) = self.sizes;
        let error = self.standard_error(shipped);
        if nights <= 0.0 || error <= 0.0 {
            return 1.0;
        }
        libm::sqrt((libm::fabs(told) + error) / (size / nights + error)).clamp(SURENESS.0, SURENESS.1)
    }

    /// Learns from a night. The standard error is that of what was told, which was kept within bounds and so is off by
    /// less than the estimate, on a night of the usual size.
    pub fn learn(&mut self, prior: &Terms, lesson: &Lesson) {
        let Lesson { ref terms, outcome, told, doubt, shipped_error } = *lesson;
        let error = outcome - self.estimate(terms);
        let off_by = (outcome - told) / doubt;
        if !error.is_finite() || !off_by.is_finite() {
            return;
        }
        let usual = self.standard_error(shipped_error);
        let error = error.clamp(-ROBUST_WEIGHTS * usual, ROBUST_WEIGHTS * usual);
        let off_by = libm::fabs(off_by).min(ROBUST * usual);
        self.errors = (KEEP_ERRORS * self.errors.0 + off_by, KEEP_ERRORS * self.errors.1 + 1.0);
        self.sizes = (KEEP_SIZES * self.sizes.0 + libm::fabs(told), KEEP_SIZES * self.sizes.1 + 1.0);
        let spread: Terms = from_fn(|row| self.covariance.get(row).map_or(0.0, |row| dot(row, terms)));
        let scale = 1.0 + dot(&spread, terms);
        for ((weight, spread), prior) in self.weights.iter_mut().zip(&spread).zip(prior) {
            *weight += spread * error / scale;
            *weight += (1.0 - KEEP) * (prior - *weight);
        }
        for (place, (row, spread_row)) in self.covariance.iter_mut().zip(&spread).enumerate() {
            for (column, (cell, spread_column)) in row.iter_mut().zip(&spread).enumerate() {
                *cell -= spread_row * spread_column / scale;
                let prior = if place == column { prior_variance() } else { 0.0 };
                *cell += (1.0 - KEEP) * (prior - *cell);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_learns_a_rule_it_was_not_shipped_with() {
        let prior: Terms = [1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0];
        let mut regression = Regression::new(&prior);
        let night = |n: i32| -> (Terms, f64) {
            let (a, b) = (2.0 + f64::from(n % 5) * 0.5, 1.0 + f64::from(n % 3) * 0.7);
            ([a, b, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0], 0.4 * a + 0.8 * b)
        };
        for n in 0..120 {
            let (terms, outcome) = night(n);
            let told = regression.estimate(&terms);
            regression.learn(&prior, &Lesson { terms, outcome, told, doubt: 1.0, shipped_error: 0.5 });
        }
        let (terms, outcome) = night(121);
        assert!(
            (regression.estimate(&terms) - outcome).abs() < 0.15,
            "{} for {outcome}",
            regression.estimate(&terms)
        );
        assert!(regression.standard_error(0.5) < 0.4);
    }

    #[test]
    fn one_odd_night_bends_little() {
        let prior: Terms = [1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0];
        let terms: Terms = [2.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0];
        let mut regression = Regression::new(&prior);
        let odd = Lesson { terms, outcome: 1.0e9, told: 2.0, doubt: 1.0, shipped_error: 0.5 };
        regression.learn(&prior, &odd);
        // By at most 1.5 standard errors of 0.5, of which 4 / 15 / (1 + 4 / 15) are believed.
        let moved = regression.estimate(&terms) - 2.0;
        assert!(moved > 0.1 && moved <= 1.5 * 0.5 * (4.0 / 15.0) / (19.0 / 15.0) + 1e-12, "{moved}");
    }

    /// Told 0.5 on each of many nights, off by 0.4: a standard error of 0.4 · 1.2533 = 0.5013.
    #[test]
    fn an_unusual_night_is_doubted_and_a_usual_one_is_not() {
        let prior: Terms = [0.0; TERMS];
        let mut regression = Regression::new(&prior);
        assert_eq!(regression.doubt(3.0, 0.5), 1.0, "before the first night nothing is unusual");
        let lesson = |doubt| Lesson { terms: prior, outcome: 0.9, told: 0.5, doubt, shipped_error: 0.5013 };
        for _ in 0..500 {
            regression.learn(&prior, &lesson(1.0));
        }
        assert!((regression.doubt(0.5, 0.5013) - 1.0).abs() < 1e-9);
        // √((2.5 + 0.5013) / (0.5 + 0.5013)) = 1.7313; √(0.5013 / 1.0013) = 0.7076.
        assert!((regression.doubt(2.5, 0.5013) - 1.7313).abs() < 1e-3);
        assert!((regression.doubt(0.0, 0.5013) - 0.7076).abs() < 1e-3);
        assert_eq!(regression.doubt(1.0e9, 0.5013), 2.0);
        // What is off on a night that was doubted as much says nothing new.
        let before = regression.standard_error(0.5013);
        regression.learn(&prior, &Lesson { outcome: 0.5 + 0.8, ..lesson(2.0) });
        assert!((regression.standard_error(0.5013) - before).abs() < 1e-4);
    }
}
