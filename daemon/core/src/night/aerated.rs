//! What tonight's aeration changes against the night that is remembered.
//!
//! Memory holds the low of a night with the aerators that ran then. Where fewer or more run now than at
//! the same hour of that night, the oxygen balance says by how much the low differs for it.

use alloc::vec::Vec;

use super::NightState;
use crate::respiration::{AFTER_SUNRISE, EVERY, Respiration, Tank};
use crate::sunlight::LOW_UNTIL;
use crate::time::{Span, Timestamp};

/// Longest night that is stepped through, quarter hours.
const MOST_STEPS: usize = 96;
/// A difference in aeration below this share of what runs says nothing.
const SAME: f64 = 0.1;
/// Share of the difference that is doubt: the water takes up more or less than the standard rate says.
/// (Common practice, no source: field factors are known to about a quarter.)
pub(super) const DOUBT: f64 = 0.25;

/// What runs, and the balance by which a change of it is reckoned.
#[derive(Debug, Clone, Copy)]
pub struct Aeration<'a> {
    /// The pond's water.
    pub tank: Tank,
    /// What it uses up, and what ran when.
    pub respiration: &'a Respiration,
    /// Sum of the standard rates of what runs, kg/h.
    pub sotr_kg_h: f64,
}

fn differ(a: f64, b: f64) -> bool {
    (a - b).abs() > SAME * a.max(b)
}

impl Aeration<'_> {
    /// Lowest oxygen to come with what runs now, mg/L.
    pub(super) fn as_it_runs_mg_l(&self, now: Timestamp, do_mg_l: f64, sunrise: Timestamp) -> Option<f64> {
        self.low_mg_l(now, do_mg_l, sunrise, |_| self.sotr_kg_h)
    }

    /// Lowest oxygen from `now` to an hour after sunrise, mg/L, under what `sotr_kg_h` says runs when.
    fn low_mg_l(
        &self,
        now: Timestamp,
        do_mg_l: f64,
        sunrise: Timestamp,
        sotr_kg_h: impl Fn(Timestamp) -> f64,
    ) -> Option<f64> {
        let ahead = self.respiration.ahead()?;
        let (mut at, mut oxygen, mut low) = (now, do_mg_l, do_mg_l);
        for _ in 0..MOST_STEPS {
            if at >= sunrise + LOW_UNTIL {
                break;
            }
            let light = if at >= sunrise { AFTER_SUNRISE } else { 1.0 };
            let rate = light * ahead.at(at, &self.tank)?.mg_l_h;
            oxygen = self.tank.after(oxygen, rate, sotr_kg_h(at), EVERY.as_hours());
            low = oxygen.min(low);
            at = at + EVERY;
        }
        Some(low)
    }
}

/// Tonight's aeration against that of the night that is remembered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shift {
    /// By how much the low differs for it, mg/L.
    pub(super) low_mg_l: f64,
    /// Mean that is assumed to run until sunrise, kg/h.
    pub(super) assumed_kg_h: f64,
}

impl NightState {
    /// What is assumed to run until sunrise, and what that changes. What runs less than at this hour of
    /// the night that is remembered is missing until sunrise; what runs more stays on.
    pub(super) fn shift(
        &self,
        aeration: &Aeration<'_>,
        now: Timestamp,
        do_mg_l: f64,
        sunset: Timestamp,
        sunrise: Timestamp,
    ) -> Option<Shift> {
        let ran = |at: Timestamp| self.ran(at - sunset);
        let runs = aeration.sotr_kg_h;
        let Some(then) = ran(now) else {
            return Some(Shift { low_mg_l: 0.0, assumed_kg_h: runs });
        };
        let assumed = |at: Timestamp| {
            let ran = ran(at).unwrap_or(runs);
            if !differ(runs, then) {
                ran
            } else if runs > then {
                ran.max(runs)
            } else {
                (ran - (then - runs)).max(0.0)
            }
        };
        let (mut sum, mut steps, mut at) = (0.0, 0.0, now);
        while at < sunrise && steps < MOST_STEPS as f64 {
            sum += assumed(at);
            steps += 1.0;
            at = at + EVERY;
        }
        let assumed_kg_h = if steps > 0.0 { sum / steps } else { runs };
        let low_mg_l = if differ(runs, then) {
            let tonight = aeration.low_mg_l(now, do_mg_l, sunrise, assumed)?;
            let remembered = aeration.low_mg_l(now, do_mg_l, sunrise, |at| ran(at).unwrap_or(runs))?;
            tonight - remembered
        } else {
            0.0
        };
        Some(Shift { low_mg_l, assumed_kg_h })
    }

    /// What ran so long after sunset in the night that is remembered, kg/h.
    fn ran(&self, after_sunset: Span) -> Option<f64> {
        let quarter = usize::try_from(after_sunset.as_millis().div_euclid(EVERY.as_millis())).ok()?;
        self.ran_kg_h.get(quarter).copied().flatten()
    }

    /// Remembers what ran in the night that is over.
    pub(super) fn remember_aeration(&mut self, respiration: &Respiration, sunset: Timestamp, end: Timestamp) {
        let quarters = (end - sunset).as_millis().div_euclid(EVERY.as_millis()).max(0) as usize;
        self.ran_kg_h = (0..quarters.min(MOST_STEPS))
            .map(|quarter| {
                let from = sunset + Span::from_millis(EVERY.as_millis().saturating_mul(quarter as i64));
                respiration.mean_sotr(from, from + EVERY)
            })
            .collect::<Vec<_>>();
    }
}

/// Whether what a forecast assumed to run until sunrise is what ran. A forecast whose aerators were
/// switched after it was made was not wrong for it.
pub(super) fn ran_as_assumed(
    aeration: Option<&Aeration<'_>>,
    made: Timestamp,
    sunrise: Timestamp,
    assumed_kg_h: Option<f64>,
) -> bool {
    let (Some(aeration), Some(assumed)) = (aeration, assumed_kg_h) else { return true };
    aeration.respiration.mean_sotr(made, sunrise).is_some_and(|ran| !differ(ran, assumed))
}
