//! How good the forecasts of the last nights were, and what that says about tonight's interval.

use alloc::collections::VecDeque;
use alloc::vec::Vec;

use super::aerated::ran_as_assumed;
use super::{Aeration, NightState, Z_80};
use crate::time::Timestamp;

/// Nights scored.
const NIGHTS: usize = 14;
/// Nights whose needs set the width: what one night in five passes takes more nights to tell than a mean. (Our own
/// choice: four weeks, so that a change of season still shows.)
const NIGHTS_OF_NEEDS: usize = 28;
/// Hours after sunset at which the night's forecast is taken for its score.
const SCORED_AFTER_H: f64 = 2.0;
/// Hours after sunset at which later forecasts are taken, which tell how wide the interval is to be by then.
const LATE_AFTER_H: [f64; LATE] = [4.0, 6.0];
/// Later forecasts of a night that are taken.
pub(super) const LATE: usize = 2;
/// Fewer nights say nothing of an interval.
const FEWEST_NIGHTS: usize = 5;
/// What the interval as it is made is worth, in nights, against what the last ones say.
const PRIOR_NIGHTS: f64 = 5.0;
/// Standard errors below the mean that one night in five passes (normal distribution).
const Z_ONE_SIDED: f64 = 0.841_621_233_572_9;
/// Up to so many standard errors from the forecast the interval that ends at a bound is the shorter:
/// `2 * 1.2816 - 0.8416`.
const ENDS_AT_BOUND: f64 = 2.0 * Z_80 - Z_ONE_SIDED;
/// The interval is not made narrower or wider than by these factors.
const SCALE: (f64, f64) = (0.3, 3.0);

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
    /// Highest that the low could still be, mg/L.
    pub(super) highest: f64,
    /// Mean of what was assumed to run until sunrise, kg/h.
    pub(super) assumed_kg_h: Option<f64>,
}

/// One night's forecast beside what came.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct Scored {
    /// Forecast less what came, mg/L.
    error: f64,
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

/// The shortest interval about a forecast that holds the low four times in five. The low cannot come above `highest`,
/// which has lasted already, nor below nothing. Where the nearer of these bounds is not far, the interval ends at it, and
/// all of the fifth that it leaves out lies on the other side.
pub(super) fn interval_80(low_mg_l: f64, error: f64, highest: f64) -> (f64, f64) {
    let over = highest - low_mg_l;
    let (below, above) = if low_mg_l.min(over) >= ENDS_AT_BOUND * error {
        (Z_80 * error, Z_80 * error)
    } else if low_mg_l < over {
        (low_mg_l, Z_ONE_SIDED * error)
    } else {
        (Z_ONE_SIDED * error, over)
    };
    ((low_mg_l - below).max(0.0), (low_mg_l + above).min(highest).max(low_mg_l))
}

/// One night in ten falls lower, mg/L.
pub(super) fn low_tenth(low_mg_l: f64, error: f64) -> f64 {
    (low_mg_l - Z_80 * error).max(0.0)
}

/// What the standard error of a forecast had to be multiplied by for its interval to reach what came.
fn needed(early: &Early, came_mg_l: f64) -> f64 {
    let error = early.error.max(0.05);
    let over = early.highest - early.do_min_mg_l;
    let ends_at_bound = early.do_min_mg_l.min(over).max(0.0) / (ENDS_AT_BOUND * error);
    let off = libm::fabs(early.do_min_mg_l - came_mg_l) / error;
    let bound_is_below = early.do_min_mg_l < over;
    if (came_mg_l < early.do_min_mg_l) == bound_is_below {
        (off / Z_80).min(ends_at_bound)
    } else if off / Z_80 <= ends_at_bound {
        off / Z_80
    } else {
        (off / Z_ONE_SIDED).max(ends_at_bound)
    }
}

/// Keeps one more, and no more than `most`.
fn keep<T>(kept: &mut VecDeque<T>, one: T, most: usize) {
    while kept.len() >= most {
        kept.pop_front();
    }
    kept.push_back(one);
}

impl NightState {
    /// Holds last night's forecast against what came, unless other aerators ran than it assumed.
    pub(super) fn score(&mut self, low_mg_l: f64, aeration: Option<&Aeration<'_>>, sunrise: Timestamp) {
        let early = self.early.take();
        let forecasts = core::iter::once(early).chain(core::mem::take(&mut self.late));
        let as_assumed = |made: &Early| ran_as_assumed(aeration, made.at, sunrise, made.assumed_kg_h);
        for (made, needs) in forecasts.zip(&mut self.needs) {
            if let Some(made) = made.filter(as_assumed) {
                keep(needs, needed(&made, low_mg_l), NIGHTS_OF_NEEDS);
            }
        }
        let Some(early) = early.filter(as_assumed) else { return };
        let scored = Scored {
            error: early.do_min_mg_l - low_mg_l,
            covered: (early.low_80..=early.high_80).contains(&low_mg_l),
        };
        keep(&mut self.scores, scored, NIGHTS);
    }

    /// Keeps what is scored in the morning, each the first that is made after its hour.
    pub(super) fn keep_for_score(&mut self, hours: f64, made: Early) {
        let early = (SCORED_AFTER_H, &mut self.early);
        let late = LATE_AFTER_H.into_iter().zip(&mut self.late);
        for (_, place) in core::iter::once(early).chain(late).filter(|(after_h, _)| hours >= *after_h) {
            place.get_or_insert(made);
        }
    }

    /// What the standard error of a forecast so many hours after sunset is multiplied by: so that of the last nights
    /// four in five would have lain inside, drawn toward 1 while they are few. What is known late in a night errs
    /// otherwise than what is known early, so each has nights of its own.
    pub(super) fn interval_scale(&self, hours: f64) -> f64 {
        let [early, late @ ..] = &self.needs;
        let stage = LATE_AFTER_H.iter().rposition(|&after_h| hours >= after_h - 1.0);
        let own = stage.and_then(|stage| late.get(stage)).filter(|needs| needs.len() >= FEWEST_NIGHTS);
        let mut needed: Vec<f64> = own.unwrap_or(early).iter().copied().collect();
        let nights = needed.len();
        if nights < FEWEST_NIGHTS {
            return 1.0;
        }
        needed.sort_unstable_by(f64::total_cmp);
        let place = (0.8 * (nights as f64 + 1.0) - 1.0).clamp(0.0, nights as f64 - 1.0);
        let at = |place: f64| needed.get(place as usize).copied().unwrap_or(1.0);
        let share = place - libm::floor(place);
        let own = at(place) * (1.0 - share) + at(libm::ceil(place)) * share;
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
                assumed_kg_h: None,
                do_min_mg_l: forecast,
                error: 0.5,
                low_80: forecast - 0.5 * Z_80,
                high_80: forecast + 0.5 * Z_80,
                highest: 8.0,
            };
            state.early = Some(early);
            state.score(came, None, Timestamp(0));
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
        assert_eq!(state.interval_scale(2.0), 1.0, "four nights say nothing of an interval");
        assert_eq!(NightState::default().forecast_score(), None);
    }

    #[test]
    fn an_interval_that_is_too_narrow_widens_and_one_too_wide_narrows() {
        let wild: Vec<(f64, f64)> =
            (0..14).map(|n| (4.0, 4.0 + if n % 2 == 0 { 1.5 } else { -1.5 })).collect();
        // Each is three standard errors off: 3 / 1.2816 = 2.341, by 14 nights of 19, and 1 by 5: 1.988.
        let scale = after(&wild).interval_scale(2.0);
        assert!((scale - 1.988).abs() < 0.001, "{scale}");
        let calm = alloc::vec![(4.0, 4.05); 14];
        // A tenth of a standard error: 0.078, by 14 of 19, and 1 by 5: 0.321.
        assert!((after(&calm).interval_scale(2.0) - 0.321).abs() < 0.001);
        // 28 nights count: 0.078 by 28 of 33, and 1 by 5, is 0.218, held at 0.3.
        assert_eq!(after(&alloc::vec![(4.0, 4.05); 40]).interval_scale(2.0), 0.3);
        assert_eq!(after(&alloc::vec![(4.0, 4.0); 40]).forecast_score().unwrap().nights, 14);
    }
    #[test]
    fn an_interval_that_ends_at_the_highest_low_leaves_the_fifth_out_below() {
        // 5 mg/L now, 4 forecast, 1 off: four in five lie between 4 - 0.8416 and 5, since none can lie above 5.
        assert_eq!(interval_80(4.0, 1.0, 5.0), (4.0 - Z_ONE_SIDED, 5.0));
        // Far above, and so evenly about it: 1.2816 on either side.
        assert_eq!(interval_80(4.0, 1.0, 8.0), (4.0 - Z_80, 4.0 + Z_80));
        // Where one becomes the other both are as wide: 2.563.
        let (low, high) = interval_80(4.0, 1.0, 4.0 + ENDS_AT_BOUND - 1e-9);
        assert!((high - low - 2.0 * Z_80).abs() < 1e-6);
        // Oxygen is not below nothing, and a forecast at the reading itself has it as its upper end.
        assert_eq!(interval_80(0.5, 1.0, 0.5), (0.0, 0.5));
        // Near nothing it is the other way about: all of the fifth lies above.
        assert_eq!(interval_80(0.5, 1.0, 8.0), (0.0, 0.5 + Z_ONE_SIDED));
        // The nearer of the two counts.
        assert_eq!(interval_80(1.0, 1.0, 1.8), (1.0 - Z_ONE_SIDED, 1.8));
        assert_eq!(interval_80(0.0, 1.0, 0.0), (0.0, 0.0));
        // Plans keep to one night in ten all the same.
        assert_eq!(low_tenth(4.0, 1.0), 4.0 - Z_80);
    }

    #[test]
    fn what_a_night_needed_is_where_its_interval_just_reaches_it() {
        for (forecast, highest, came) in [
            (4.0, 8.0, 5.1),
            (4.0, 8.0, 2.2),
            (4.0, 4.3, 3.0),
            (4.0, 4.3, 4.2),
            (4.0, 4.0, 3.9),
            (2.0, 3.4, 0.4),
            (0.3, 5.0, 0.1),
            (0.3, 5.0, 1.4),
            (0.3, 0.5, 0.1),
        ] {
            let early = Early {
                at: Timestamp(0),
                assumed_kg_h: None,
                do_min_mg_l: forecast,
                error: 0.4,
                low_80: forecast,
                high_80: forecast,
                highest,
            };
            let needed = needed(&early, came);
            let inside = |scale: f64| {
                let (low, high) = interval_80(forecast, 0.4 * scale, highest);
                (low..=high).contains(&came)
            };
            assert!(inside(needed + 1e-6), "{forecast} {highest} {came}: {needed}");
            assert!(!inside(needed - 1e-6), "{forecast} {highest} {came}: {needed}");
        }
    }

    #[test]
    fn late_in_the_night_the_late_forecasts_tell_the_width() {
        let mut state = NightState::default();
        for _ in 0..14 {
            let made = |do_min_mg_l: f64| Early {
                at: Timestamp(0),
                assumed_kg_h: None,
                do_min_mg_l,
                error: 0.5,
                low_80: 3.0,
                high_80: 5.0,
                highest: 9.0,
            };
            // At two hours 1.5 too high, at four hours just so; later ones than the first of an hour are not taken.
            state.keep_for_score(2.0, made(5.5));
            state.keep_for_score(4.0, made(4.0));
            state.keep_for_score(5.0, made(9.0));
            state.score(4.0, None, Timestamp(0));
        }
        assert!((state.interval_scale(2.0) - 1.988).abs() < 0.001);
        assert_eq!(state.interval_scale(4.0), 0.3);
        // No forecast was made after six hours: what was known at two tells it.
        assert!((state.interval_scale(7.0) - 1.988).abs() < 0.001);
    }
}
