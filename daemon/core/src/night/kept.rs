//! The forecast that stands in while the oxygen cannot be believed: the last good one, less and less sure.

use super::course::below_chance;
use super::score::{interval_80, low_tenth};
use super::{Evening, NightState};
use crate::effect::Forecast;
use crate::said::{Said, length, said};
use crate::time::Timestamp;

/// Standard error that each hour without a usable reading adds, mg/L: the slope of a night is seldom off
/// by more. (Common practice, no source.)
const WIDENS_MG_L_H: f64 = 0.3;

/// The last good forecast of tonight.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct Kept {
    forecast: Forecast,
    /// Its standard error, mg/L.
    error: f64,
    /// Highest that the low could still be, mg/L: the oxygen then.
    highest: f64,
}

impl Kept {
    pub(super) fn new(forecast: &Forecast, error: f64, highest: f64) -> Self {
        Self { forecast: forecast.clone(), error, highest }
    }

    /// The same at a later time of the night, widened by what may have happened since.
    fn at(&self, now: Timestamp, reason: &Said) -> Forecast {
        let old = &self.forecast;
        let blind = now - old.at;
        let widening = WIDENS_MG_L_H * blind.as_hours().max(0.0);
        let error = libm::sqrt(self.error * self.error + widening * widening);
        let low = old.do_min_mg_l;
        let (low_80, high_80) = interval_80(low, error, self.highest);
        let below = old.below.iter().map(|crossing| {
            let probability =
                below_chance(crossing.limit_mg_l, low, error).max(crossing.probability.min(0.5));
            // A time that has passed unseen may have been the time.
            let at = crossing.at.map(|at| at.max(now));
            crate::effect::Crossing { probability, at, ..*crossing }
        });
        Forecast {
            at: now,
            do_min_at: old.do_min_at.max(now),
            low_80,
            high_80,
            low_tenth_mg_l: low_tenth(low, error),
            below: below.collect(),
            basis: said!(
                "basis-kept",
                "{reason}; kept from the last good reading {ago} ago and widened. Then: {basis}",
                reason = reason,
                ago = length(blind),
                basis = &old.basis
            ),
            ..old.clone()
        }
    }
}

impl NightState {
    /// What stands in for a forecast that cannot be made for `reason`: the last good one of tonight, unless
    /// an aerator was switched since.
    pub(super) fn kept_on(&self, evening: &Evening<'_>, reason: &Said) -> Option<Forecast> {
        let kept = self.kept.as_ref()?;
        let switched = evening.aerators_changed_at.is_some_and(|at| at > kept.forecast.at);
        (!switched).then(|| kept.at(evening.now, reason))
    }
}
