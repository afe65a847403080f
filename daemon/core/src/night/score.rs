//! How good the forecasts of the last nights were, and what that says about tonight's interval.

use alloc::vec::Vec;

use super::{NightState, Z_80};
use crate::time::Timestamp;

/// Nights scored.
const NIGHTS: usize = 14;
/// Hours after sunset at which the night's forecast is taken for its score.
pub(super) const SCORED_AFTER_H: f64 = 2.0;
/// What the interval as it is made is worth, in nights, against what the last ones say.
const PRIOR_NIGHTS: f64 = 10.0;
/// The interval is not made narrower or wider than by these factors.
const SCALE: (f64, f64) = (0.6, 2.0);

/// A forecast that waits for its morning.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct Early {
    pub(super) at: Timestamp,
    pub(super) do_min_mg_l: f64,
    /// Standard error before it was scaled, mg/L.
    pub(super) error: f64,
    pub(super) low_80: f64,
    pub(super) high_80: f64,
}

/// One night's forecast beside what came.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct Scored {
    /// Forecast less what came, mg/L.
    error: f64,
    /// Its size in standard errors.
    sigmas: f64,
    covered: bool,
}

/// The forecasts of the last nights, made two hours after sunset, beside what came.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ForecastScore {
    /// So many nights, 14 at most.
    pub nights: usize,
    /// Mean absolute error, mg/L.
    pub mean_error_mg_l: f64,
    /// Mean of forecast less what came, mg/L: below zero where it was too gloomy.
    pub bias_mg_l: f64,
    /// Nights of which the low lay inside the 80 % interval.
    pub inside_80: usize,
}

impl NightState {
    /// Holds last night's forecast against what came.
    pub(super) fn score(&mut self, low_mg_l: f64) {
        let Some(early) = self.early.take() else { return };
        let error = early.do_min_mg_l - low_mg_l;
        if self.scores.len() >= NIGHTS {
            self.scores.pop_front();
        }
        self.scores.push_back(Scored {
            error,
            sigmas: libm::fabs(error) / early.error.max(0.05),
            covered: (early.low_80..=early.high_80).contains(&low_mg_l),
        });
    }

    /// What the standard error is multiplied by: so that of the last nights four in five would have lain
    /// inside, drawn toward 1 while they are few.
    pub(super) fn interval_scale(&self) -> f64 {
        let nights = self.scores.len();
        if nights < 5 {
            return 1.0;
        }
        let mut sigmas: Vec<f64> = self.scores.iter().map(|scored| scored.sigmas).collect();
        sigmas.sort_unstable_by(f64::total_cmp);
        let place = (0.8 * (nights as f64 + 1.0) - 1.0).clamp(0.0, nights as f64 - 1.0);
        let at = |place: f64| sigmas.get(place as usize).copied().unwrap_or(Z_80);
        let share = place - libm::floor(place);
        let quantile = at(place) * (1.0 - share) + at(libm::ceil(place)) * share;
        let own = quantile / Z_80;
        let weight = nights as f64 / (nights as f64 + PRIOR_NIGHTS);
        (weight * own + 1.0 - weight).clamp(SCALE.0, SCALE.1)
    }

    /// How good the last nights' forecasts were; `None` before the first morning.
    pub fn forecast_score(&self) -> Option<ForecastScore> {
        let nights = self.scores.len();
        if nights == 0 {
            return None;
        }
        let mean = |of: fn(&Scored) -> f64| self.scores.iter().map(of).sum::<f64>() / nights as f64;
        Some(ForecastScore {
            nights,
            mean_error_mg_l: mean(|scored| libm::fabs(scored.error)),
            bias_mg_l: mean(|scored| scored.error),
            inside_80: self.scores.iter().filter(|scored| scored.covered).count(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(nights: &[(f64, f64)]) -> NightState {
        let mut state = NightState::default();
        for &(forecast, came) in nights {
            let early = Early {
                at: Timestamp(0),
                do_min_mg_l: forecast,
                error: 0.5,
                low_80: forecast - 0.5 * Z_80,
                high_80: forecast + 0.5 * Z_80,
            };
            state.early = Some(early);
            state.score(came);
        }
        state
    }

    #[test]
    fn error_bias_and_coverage_are_those_of_the_last_nights() {
        // Errors 0.5, -0.5, 1.0, 0.0: mean size 0.5, mean 0.25; one is beyond 0.64.
        let state = after(&[(4.0, 3.5), (4.0, 4.5), (4.0, 3.0), (4.0, 4.0)]);
        let score = state.forecast_score().unwrap();
        assert_eq!((score.nights, score.inside_80), (4, 3));
        assert!((score.mean_error_mg_l - 0.5).abs() < 1e-12 && (score.bias_mg_l - 0.25).abs() < 1e-12);
        assert_eq!(state.interval_scale(), 1.0, "four nights say nothing of an interval");
        assert_eq!(NightState::default().forecast_score(), None);
    }

    #[test]
    fn an_interval_that_is_too_narrow_widens_and_one_too_wide_narrows() {
        let wild: Vec<(f64, f64)> =
            (0..14).map(|n| (4.0, 4.0 + if n % 2 == 0 { 1.5 } else { -1.5 })).collect();
        // Each is three standard errors off: 3 / 1.2816 = 2.34, by 14 nights of 24, and 1 by 10: 1.78.
        let scale = after(&wild).interval_scale();
        assert!((scale - 1.782).abs() < 0.01, "{scale}");
        let calm = alloc::vec![(4.0, 4.05); 14];
        // A tenth of a standard error: 0.078, by 14 of 24, and 1 by 10: 0.46, held at 0.6.
        assert_eq!(after(&calm).interval_scale(), 0.6);
        assert_eq!(after(&alloc::vec![(4.0, 4.0); 40]).forecast_score().unwrap().nights, 14);
    }
}
