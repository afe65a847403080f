//! What tonight's aeration changes against the night that is remembered.
//!
//! Memory holds the low of a night with the aerators that ran then. Where fewer or more run now than at
//! the same hour of that night, the oxygen balance says by how much the low differs for it.

use alloc::vec::Vec;

use super::NightState;
use crate::respiration::{AFTER_SUNRISE, EVERY, Respiration, Tank};
use crate::site::AeratorGroup;
use crate::sunlight::LOW_UNTIL;
use crate::time::{Span, Timestamp};

/// Longest night that is stepped through, quarter hours.
const MOST_STEPS: usize = 96;
/// A difference in aeration below this share of what runs says nothing.
const SAME: f64 = 0.1;
/// What started up to so much earlier in the night that is remembered may still be started: people and timers
/// are not punctual. (Common practice, no source.)
const LATE_BY: Span = Span::from_hours(1);
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
    /// The pond's groups.
    pub groups: &'a [AeratorGroup],
    /// Whether each of them runs, as far as it is known.
    pub on: &'a [Option<bool>],
}

fn differ(a: f64, b: f64) -> bool {
    (a - b).abs() > SAME * a.max(b)
}

impl Aeration<'_> {
    /// Lowest oxygen to come with what runs now and what the panel's timers will switch, mg/L.
    pub(super) fn as_it_runs_mg_l(&self, now: Timestamp, do_mg_l: f64, sunrise: Timestamp) -> Option<f64> {
        let has_stopped = self.has_stopped(now);
        self.low_mg_l(now, do_mg_l, sunrise, |at| self.by_timers(now, at, has_stopped))
    }

    /// Whether some group has a timer.
    pub(super) fn has_timers(&self) -> bool {
        self.groups.iter().any(|group| group.timer.is_some())
    }

    /// Whether nothing is switched but by timers.
    fn is_all_by_timers(&self) -> bool {
        self.groups.iter().all(|group| group.timer.is_some())
    }

    /// Whether more ran within the last hour than does now.
    fn has_stopped(&self, now: Timestamp) -> bool {
        let lately = self.respiration.mean_sotr(now - LATE_BY, now);
        lately.is_some_and(|lately| lately > self.sotr_kg_h && differ(lately, self.sotr_kg_h))
    }

    /// What will run at `at` if nobody touches a switch, kg/h. A group that stands although its timer is on was
    /// switched off, unless the timer has only just come: it stays off until the timer comes again. One that runs
    /// although its timer is off was switched on, and stays on.
    fn by_timers(&self, now: Timestamp, at: Timestamp, has_stopped: bool) -> f64 {
        let known = self.groups.iter().zip(self.on.iter().copied().chain(core::iter::repeat(None)));
        let running = known.filter(|&(group, on)| {
            let runs = on == Some(true);
            let Some(timer) = group.timer else { return runs };
            match (timer.on_for(now), timer.on_for(at)) {
                // On without a break until then.
                (Some(since), Some(then)) if now + then == at + since => {
                    runs || (since <= LATE_BY && !has_stopped)
                }
                (_, Some(_)) => true,
                (Some(_), None) => false,
                (None, None) => runs,
            }
        });
        running.map(|(group, _)| group.power_kw * group.sae_kg_kwh).fold(0.0, |sum, own| sum + own)
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
    /// What is assumed to run until sunrise, and what that changes. What runs less than at this hour, and for
    /// the hour before, of the night that is remembered is missing until sunrise; what runs more stays on.
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
        let has_stopped = aeration.has_stopped(now);
        if aeration.is_all_by_timers() {
            let assumed = |at| aeration.by_timers(now, at, has_stopped);
            return self.against(&assumed, aeration, now, do_mg_l, sunset, sunrise);
        }
        let Some(then) = ran(now) else {
            return Some(Shift { low_mg_l: 0.0, assumed_kg_h: runs });
        };
        let then = if has_stopped { then } else { then.min(self.least_lately(now - sunset).max(runs)) };
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
        self.against(&assumed, aeration, now, do_mg_l, sunset, sunrise)
    }

    /// What is assumed to run against what ran in the night that is remembered.
    fn against(
        &self,
        assumed: &dyn Fn(Timestamp) -> f64,
        aeration: &Aeration<'_>,
        now: Timestamp,
        do_mg_l: f64,
        sunset: Timestamp,
        sunrise: Timestamp,
    ) -> Option<Shift> {
        // Where nothing is remembered, nothing differs.
        let ran = |at: Timestamp| self.ran(at - sunset).unwrap_or_else(|| assumed(at));
        let (mut sum, mut steps, mut at, mut differs) = (0.0, 0.0, now, false);
        while at < sunrise && steps < MOST_STEPS as f64 {
            sum += assumed(at);
            differs |= differ(assumed(at), ran(at));
            steps += 1.0;
            at = at + EVERY;
        }
        let assumed_kg_h = if steps > 0.0 { sum / steps } else { aeration.sotr_kg_h };
        let low_mg_l = if differs {
            let tonight = aeration.low_mg_l(now, do_mg_l, sunrise, assumed)?;
            let remembered = aeration.low_mg_l(now, do_mg_l, sunrise, ran)?;
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

    /// The least that ran in the last hour up to so long after sunset, kg/h; infinite where nothing is known.
    fn least_lately(&self, after_sunset: Span) -> f64 {
        let quarters = LATE_BY.as_millis() / EVERY.as_millis();
        (0..=quarters)
            .map(|back| Span::from_millis(after_sunset.as_millis().saturating_sub(back * EVERY.as_millis())))
            .filter_map(|at| self.ran(at))
            .fold(f64::INFINITY, f64::min)
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
