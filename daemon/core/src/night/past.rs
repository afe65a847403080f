//! Nights that are over, and what they say of tonight.

use super::aerated::ran_as_assumed;
use super::course::{half_hours, lasting_low, lately};
use super::score::Early;
use super::witness::Memory;
use super::{BLOCK, COURSE_HOURS, Evening, NIGHTS, NightState};
use crate::regression::{Lesson, Regression};
use crate::sunlight::LOW_UNTIL;
use crate::time::{Span, Timestamp};
use crate::window::{Window, median};

use alloc::vec::Vec;

/// A night counts this much of the one after it in what is usual. (Common practice, no source: half the
/// weight lies on the last three nights.)
const KEPT_PER_NIGHT: f64 = 0.8;

/// How long before sunset the day's oxygen is averaged.
const DAY: Span = Span::from_hours(10);

/// A night that is over.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct PastNight {
    pub(super) sunset: Timestamp,
    pub(super) sunrise: Timestamp,
    /// Its forecast as it was scored; `None` where none could be made.
    pub(super) early: Option<Early>,
    pub(super) low_mg_l: f64,
    /// How long after sunset.
    pub(super) low_after: Span,
    /// Mean oxygen of the half hour up to each full hour after sunset.
    course_mg_l: [Option<f64>; COURSE_HOURS],
    /// What the water could hold at each full hour after sunset.
    saturation_mg_l: [Option<f64>; COURSE_HOURS],
    /// Mean oxygen of the day before.
    day_mg_l: Option<f64>,
    sunrise_mg_l: Option<f64>,
}

/// A value so many hours after sunset, between the full hours.
fn at(course: &[Option<f64>; COURSE_HOURS], hours: f64) -> Option<f64> {
    let whole = libm::floor(hours.max(0.0));
    let before = course.get(whole as usize).copied().flatten()?;
    let after = course.get(whole as usize + 1).copied().flatten().unwrap_or(before);
    Some(before + (hours.max(0.0) - whole) * (after - before))
}

/// Mean oxygen of the day before `sunset`; `None` where less than half of it was seen.
pub(super) fn day_mg_l(window: &Window, sunset: Timestamp) -> Option<f64> {
    let halves = half_hours(window, sunset - DAY, sunset);
    let enough = halves.len() as f64 >= DAY.as_hours();
    enough.then(|| halves.iter().map(|(_, mean)| mean).sum::<f64>() / halves.len() as f64)
}

impl NightState {
    /// What recent nights say of the one that began at `sunset`, `hours` after their own.
    pub(super) fn memory(&self, sunset: Timestamp, hours: f64) -> Option<Memory> {
        let last = self.past.back()?;
        let fall = |night: &PastNight| Some((at(&night.course_mg_l, hours)? - night.low_mg_l).max(0.0));
        let share = |night: &PastNight| {
            Some((night.low_mg_l / at(&night.course_mg_l, hours)?.max(0.5)).clamp(0.0, 1.0))
        };
        let nights = self.past.len();
        Some(Memory {
            last_low: last.low_mg_l,
            usual_low: self.usual(|night| Some(night.low_mg_l))?,
            mean_low: self.past.iter().map(|night| night.low_mg_l).sum::<f64>() / nights as f64,
            last_fall: fall(last),
            usual_fall: self.usual(fall),
            usual_share: self.usual(share),
            last_saturation: at(&last.saturation_mg_l, hours),
            usual_saturation: self.usual(|night| at(&night.saturation_mg_l, hours)),
            last_day: last.day_mg_l,
            nights,
            nights_ago: libm::round((sunset - last.sunset).as_hours() / 24.0).max(1.0) as usize,
        })
    }

    /// Mean over the nights that know it, the last ones counting most.
    fn usual(&self, of: impl Fn(&PastNight) -> Option<f64>) -> Option<f64> {
        let (mut sum, mut weights, mut weight) = (0.0, 0.0, 1.0);
        for night in self.past.iter().rev() {
            if let Some(value) = of(night) {
                sum += weight * value;
                weights += weight;
            }
            weight *= KEPT_PER_NIGHT;
        }
        (weights > 0.0).then(|| sum / weights)
    }

    pub(super) fn usual_low_after(&self) -> Option<Span> {
        let mut after: Vec<f64> = self.past.iter().map(|night| night.low_after.as_hours()).collect();
        median(&mut after).map(|hours| Span::from_millis((hours * 3_600_000.0) as i64))
    }

    pub(super) fn usual_rise_to_sunrise(&self) -> f64 {
        let mut rises: Vec<f64> = self
            .past
            .iter()
            .filter_map(|night| Some((night.sunrise_mg_l? - night.low_mg_l).max(0.0)))
            .collect();
        median(&mut rises).unwrap_or(0.0)
    }

    /// Keeps the night that is over, and learns from it. A night of which less than seven tenths was
    /// seen teaches nothing.
    pub(super) fn remember(&mut self, evening: &Evening<'_>, sunset: Timestamp, sunrise: Timestamp) {
        let tonight = core::mem::take(&mut self.tonight);
        let saturation_mg_l = core::mem::take(&mut self.saturation_mg_l);
        let Some(window) = evening.window else { return };
        let end = sunrise + LOW_UNTIL;
        let halves = half_hours(window, sunset, end);
        let seen = halves.len() as f64;
        if seen < 0.7 * (end - sunset).as_hours() * 2.0 {
            return;
        }
        let Some(low_mg_l) = lasting_low(window, sunset, end) else { return };
        let aeration = evening.aeration.as_ref();
        let early = self.early;
        self.score(low_mg_l, aeration, sunrise);
        // A first night has nothing to compare with, so it has no terms to weigh.
        if !self.past.is_empty() {
            if self.rules.is_empty() {
                self.rules = (0..COURSE_HOURS).map(|phase| Regression::new(&self.prior(phase))).collect();
            }
            self.has_learnt = true;
            for made in tonight {
                let prior = self.prior(made.phase);
                let at = sunset + Span::from_hours(made.phase as i64);
                if let Some(rule) = self.rules.get_mut(made.phase)
                    && ran_as_assumed(aeration, at, sunrise, made.assumed_kg_h)
                {
                    let lesson = Lesson {
                        terms: made.terms,
                        outcome: low_mg_l - made.base_mg_l,
                        told: made.do_min_mg_l - made.base_mg_l,
                        doubt: made.doubt,
                        shipped_error: made.shipped_error,
                    };
                    rule.learn(&prior, &lesson);
                }
            }
        }
        match aeration {
            Some(aeration) => self.remember_aeration(aeration.respiration, sunset, end),
            None => self.ran_kg_h.clear(),
        }
        let low_hours =
            halves.into_iter().min_by(|(_, a), (_, b)| a.total_cmp(b)).map_or(0.0, |(hour, _)| hour);
        if self.past.len() >= NIGHTS {
            self.past.pop_front();
        }
        self.past.push_back(PastNight {
            sunset,
            sunrise,
            early,
            low_mg_l,
            low_after: Span::from_millis((low_hours * 3_600_000.0) as i64),
            course_mg_l: core::array::from_fn(|hour| {
                let at = sunset + Span::from_hours(hour as i64);
                (at <= end).then(|| lately(window, at)).flatten()
            }),
            saturation_mg_l,
            day_mg_l: self.day_mg_l.or_else(|| day_mg_l(window, sunset)),
            sunrise_mg_l: window.mean(sunrise - BLOCK, sunrise + BLOCK),
        });
    }
}
