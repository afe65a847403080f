//! A linear regression that learns a little each morning and never quite forgets what it was shipped
//! with: Bayesian, with weights that leak back toward the prior.

use core::array::from_fn;

/// Number of terms.
pub const TERMS: usize = 10;

/// Terms or weights.
pub type Terms = [f64; TERMS];

/// What is kept of the learnt from one night to the next. (Common practice, no source; a season's
/// change of weather shows within some 200 nights.)
const KEEP: f64 = 0.995;

/// What the shipped weights are worth, in nights.
const PRIOR_NIGHTS: f64 = 15.0;

/// Usual square of a term, (mg/L)2: terms that vary by about 1 mg/L between nights.
const USUAL_SQUARE: f64 = 1.0;

/// What the shipped standard error is worth, in nights.
const PRIOR_ERROR_NIGHTS: f64 = 5.0;

/// Standard deviation over mean absolute deviation of a normal distribution: √(π/2).
const SPREAD_PER_MEAN_ERROR: f64 = 1.253_314_137_315_500_3;

/// An error of more than so many standard errors counts as so many: one odd night must not bend the
/// rule for all.
const ROBUST: f64 = 2.5;

/// The regression.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Regression {
    weights: Terms,
    covariance: [Terms; TERMS],
    /// Discounted sum of absolute errors and of nights.
    errors: (f64, f64),
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

    /// Learns from a night: what the terms were, what came, and by how much what was told of it was off
    /// (an estimate that was kept within bounds before it was told is off by less than the estimate).
    pub fn learn(&mut self, prior: &Terms, terms: &Terms, outcome: f64, off_by: f64, shipped_error: f64) {
        let error = outcome - self.estimate(terms);
        if !error.is_finite() || !off_by.is_finite() {
            return;
        }
        let bound = ROBUST * self.standard_error(shipped_error);
        let error = error.clamp(-bound, bound);
        self.errors = (KEEP * self.errors.0 + libm::fabs(off_by).min(bound), KEEP * self.errors.1 + 1.0);
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
            let off_by = outcome - regression.estimate(&terms);
            regression.learn(&prior, &terms, outcome, off_by, 0.5);
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
        regression.learn(&prior, &terms, 1.0e9, 1.0e9, 0.5);
        assert!((regression.estimate(&terms) - 2.0).abs() < 0.3);
    }
}
