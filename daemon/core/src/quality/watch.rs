//! The tests that need more than the one reading: spike, rate of change, flat line, climatology,
//! attenuated signal, multi-variate, neighbour, and our own for a probe that comes back from the dead.
//!
//! Limits are times and amounts, never counts alone, and each is widened to what the channel itself
//! shows: a probe that reports each half hour in a lively lagoon is not judged like one that reports
//! each minute in a calm pond.

use alloc::collections::VecDeque;
use alloc::vec::Vec;

use super::checks;
use super::history::{CLIMATE_DAYS, CLIMATE_HOURS, DAY, History, hour_of};
use crate::compensation::Factors;
use crate::effect::{Flag, Test};
use crate::quantity::Quantity;
use crate::site::QualityLimits;
use crate::time::{Span, Timestamp};
use crate::window::{Window, median};

mod look;
mod restless;
mod stepped;

use restless::Restlessness;
use stepped::Step;

/// Newest values kept to know the channel's pace and liveliness by.
const RECENT: usize = 48;
/// The channel's own scatter is measured anew after so many readings.
const MEASURE_EVERY: u8 = 8;
/// A spike must stand out so far from the channel's own scatter, in robust standard deviations. (Common
/// practice, no source.)
const SPIKE_SIGMAS: (f64, f64) = (12.0, 24.0);
/// The same for its rate of change. (Common practice, no source.)
const RATE_SIGMAS: f64 = 12.0;
/// Between two readings of a slow probe water may move by a good share of its usual daily range: so much
/// of it is a spike. (Common practice, no source.)
const SPIKE_OF_DAY: (f64, f64) = (0.6, 1.2);
/// The same for its change from one reading to the next.
const RATE_OF_DAY: f64 = 0.8;
/// And for its distance from the usual, where days differ widely.
const CLIMATE_OF_DAY: f64 = 1.0;
/// The rate is measured over at least this long, or noise alone would be fast.
const RATE_OVER: Span = Span::from_minutes(10);
/// A flat line counts from so many readings on, suspect and fail: as many as a probe that reports each
/// minute gives in the 30 and 90 minutes that are common practice.
const FLAT_READINGS: (i64, i64) = (30, 90);
/// The same for a channel whose readings scatter by [`LIVELY_TOLERANCES`] times the tolerance. (Common
/// practice, no source: eight equal readings by chance would be one in thousands.)
const LIVELY_READINGS: (i64, i64) = (8, 24);
/// See [`LIVELY_READINGS`].
const LIVELY_TOLERANCES: f64 = 3.0;
/// No flat line need last longer than this to fail.
const FLAT_AT_MOST: Span = Span::from_hours(48);
/// Below this a flat line of oxygen is what water without oxygen gives: never more than suspect, mg/L.
const ANOXIC_MG_L: f64 = 0.5;
/// After a failure of a day or more that no service ended, a probe is suspect for this long. (Common
/// practice, no source: what the daily tests need to know it again.)
const RECOVERY: Span = Span::from_hours(10 * 24);
/// After a failure of so long what it reads is not used for records, but still warns. (Common practice,
/// no source.)
const LONG_FAILURE: Span = Span::from_hours(7 * 24);
/// An amendment reaches back no further than this.
pub const AMENDS_WITHIN: Span = FLAT_AT_MOST;

/// Days over which the usual difference from another probe is known.
const DIFFERENCE_DAYS: i64 = 7;
/// Hours kept for it.
const DIFFERENCE_HOURS: i64 = 24 * (DIFFERENCE_DAYS + 1);

/// What surrounds a channel when it is judged.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Around {
    /// An aerator was switched in the last 20 minutes, or rain fell: oxygen, temperature and salt may
    /// move fast.
    pub stirred: bool,
    /// What the probe's value is multiplied by for what it does not take into account itself; `None` for
    /// nothing.
    pub factors: Option<Factors>,
    /// The probe is out of service: what it reads is not the pond's.
    pub out_of_service: bool,
    /// Range of the pond's oxygen over the last day, mg/L.
    pub oxygen_range: Option<f64>,
    /// How far pH moved in the last half hour.
    pub ph_shift: Option<f64>,
    /// What another probe in the same pond reads of the same quantity.
    pub other: Option<f64>,
    /// The gateway's own clock is known to be wrong: what a probe says of when it measured cannot be held against it.
    pub clock_wrong: bool,
}

/// A verdict on readings that were judged before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amendment {
    /// First reading it is about.
    pub from: Timestamp,
    /// Last reading it is about.
    pub to: Timestamp,
    /// Which test.
    pub test: Test,
    /// Its flag.
    pub flag: Flag,
}

#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Run {
    from: Timestamp,
    low: f64,
    high: f64,
    count: i64,
    told: Flag,
}

/// What is remembered of one channel for these tests.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Watch {
    recent: VecDeque<(Timestamp, f64)>,
    run: Option<Run>,
    /// All that was read, of the last day.
    seen: History,
    /// What was sound, of the last fortnight.
    sound: History,
    /// Differences from the other probe.
    differences: History,
    /// Robust scatter: of a value about its neighbours, and of the change per hour.
    scatter: (f64, f64),
    until_measured: u8,
    restlessness: Restlessness,
    step: Option<Step>,
    /// Judged once an hour.
    hour: Option<i64>,
    usual: Option<(f64, f64)>,
    usual_range: Option<f64>,
    usual_difference: Option<(f64, f64)>,
    daily: NotYet,
    pinned: bool,
    failed_since: Option<Timestamp>,
    /// Until when it is not believed after a failure, and whether that was a long one.
    recovers_until: Option<(Timestamp, bool)>,
}

/// A flag that starts as not evaluated.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct NotYet(Flag);

impl Default for NotYet {
    fn default() -> Self {
        Self(Flag::NotEvaluated)
    }
}

impl Watch {
    /// Judges a reading that is the newest of its channel and passed syntax. `window` holds the sound
    /// values before it.
    pub fn judge(
        &mut self,
        (quantity, limits): (Quantity, &QualityLimits),
        (at, value): (Timestamp, f64),
        around: &Around,
        window: &Window,
        tests: &mut Vec<(Test, Flag)>,
    ) -> Vec<Amendment> {
        let mut amended = Vec::new();
        if limits.spike.is_none() && limits.rate_per_h.is_none() && limits.flat_line.is_none() {
            return amended;
        }
        let every = self.interval();
        self.hourly(quantity, limits, at, around, &mut amended);
        tests.extend(self.spike(limits, at, value, every, &mut amended));
        tests.push((Test::RateOfChange, self.rate(limits, at, value, every, around, window)));
        tests.extend(self.flat(quantity, limits, at, value, every, &mut amended));
        let climatology = self.usual.zip(limits.climatology).map_or(
            Flag::NotEvaluated,
            |((usual, sigma), (sigmas, least))| {
                let allowed = (sigmas * sigma).max(least);
                let lively = CLIMATE_OF_DAY * self.usual_range.unwrap_or_default();
                checks::climatology(value, usual, allowed.max(lively))
            },
        );
        tests.push((Test::Climatology, climatology));
        tests.push((Test::AttenuatedSignal, self.attenuated(limits, value)));
        tests.push((Test::Step, self.stepped(limits, at, value, around)));
        tests.push((Test::Restless, self.restless(limits, at, every)));
        let together = self.together(quantity, value, at, around, window);
        tests.push((Test::MultiVariate, together));
        if let (Some(other), Some(least)) = (around.other, limits.neighbour) {
            let flag = self.usual_difference.map_or(Flag::NotEvaluated, |(usual, sigma)| {
                checks::neighbour(value - other, usual, (3.0 * sigma).max(least))
            });
            tests.push((Test::Neighbour, flag));
            self.differences.add(at, value - other, DIFFERENCE_HOURS);
        }
        self.recover(at, tests);
        self.seen.add(at, value, 26);
        self.recent.push_back((at, value));
        while self.recent.len() > RECENT {
            self.recent.pop_front();
        }
        self.measure();
        amended
    }

    /// Takes a value that was found sound.
    pub fn accept(&mut self, at: Timestamp, value: f64) {
        self.sound.add(at, value, CLIMATE_HOURS);
    }

    /// Takes back what an amendment spoiled.
    pub fn take_back(&mut self, amendment: &Amendment) {
        if amendment.flag == Flag::Fail {
            self.sound.forget(amendment.from, amendment.to);
        }
    }

    /// Forgets its failures: the probe was serviced.
    pub fn serviced(&mut self) {
        let sound = core::mem::take(&mut self.sound);
        *self = Self { sound, ..Self::default() };
    }

    /// Mean time between readings, of the newest ones.
    fn interval(&self) -> Option<Span> {
        let (&(first, _), &(last, _)) = (self.recent.front()?, self.recent.back()?);
        let steps = i64::try_from(self.recent.len()).unwrap_or(1).saturating_sub(1);
        (steps > 0).then(|| Span::from_millis((last - first).as_millis() / steps))
    }

    fn measure(&mut self) {
        if self.until_measured > 0 || self.recent.len() < 8 {
            self.until_measured = self.until_measured.saturating_sub(1);
            return;
        }
        self.until_measured = MEASURE_EVERY;
        let values: Vec<(Timestamp, f64)> = self.recent.iter().copied().collect();
        let mut bends: Vec<f64> = values
            .windows(3)
            .filter_map(|three| match three {
                [(_, a), (_, b), (_, c)] => Some(libm::fabs(b - (a + c) / 2.0)),
                _ => None,
            })
            .collect();
        let mut rates: Vec<f64> = values
            .windows(2)
            .filter_map(|two| match two {
                [(t, a), (u, b)] if u > t => Some(libm::fabs(b - a) / (*u - *t).as_hours()),
                _ => None,
            })
            .collect();
        self.scatter = (
            1.4826 * median(&mut bends).unwrap_or_default(),
            1.4826 * median(&mut rates).unwrap_or_default(),
        );
    }

    /// Spike: the reading before this one is judged now that its neighbour is known; this one waits.
    fn spike(
        &self,
        limits: &QualityLimits,
        at: Timestamp,
        value: f64,
        every: Option<Span>,
        amended: &mut Vec<Amendment>,
    ) -> Option<(Test, Flag)> {
        let (suspect, fail) = limits.spike?;
        let mut newest = self.recent.iter().rev();
        if let (Some(&(middle_at, middle)), Some(&(before_at, before)), Some(every)) =
            (newest.next(), newest.next(), every)
        {
            let close = Span::from_millis(every.as_millis().saturating_mul(3)).max(RATE_OVER);
            let returns = (middle - before) * (value - middle) < 0.0;
            if at - middle_at <= close && middle_at - before_at <= close && returns {
                // Water moves further in half an hour than in a minute: with the square root of time, as
                // a wander does.
                let slow = libm::sqrt((every.as_hours() * 12.0).max(1.0));
                let (own, _) = self.scatter;
                let day = self.of_the_day(every);
                let limits = (
                    (suspect * slow).max(SPIKE_SIGMAS.0 * own).max(SPIKE_OF_DAY.0 * day),
                    (fail * slow).max(SPIKE_SIGMAS.1 * own).max(SPIKE_OF_DAY.1 * day),
                );
                let flag = match checks::spike(before, middle, value, limits) {
                    // It fails only where the water was the same before and after.
                    Flag::Fail if libm::fabs(value - before) > limits.0 => Flag::Suspect,
                    flag => flag,
                };
                if flag > Flag::NotEvaluated {
                    amended.push(Amendment { from: middle_at, to: middle_at, test: Test::Spike, flag });
                }
            }
        }
        Some((Test::Spike, Flag::NotEvaluated))
    }

    /// The usual range of a day, for a probe that reports seldom; nothing for a fast one.
    fn of_the_day(&self, every: Span) -> f64 {
        if every >= RATE_OVER { self.usual_range.unwrap_or_default() } else { 0.0 }
    }

    fn rate(
        &self,
        limits: &QualityLimits,
        at: Timestamp,
        value: f64,
        every: Option<Span>,
        around: &Around,
        window: &Window,
    ) -> Flag {
        let Some(suspect) = limits.rate_per_h else { return Flag::NotEvaluated };
        let reach =
            every.map_or(RATE_OVER, |every| Span::from_millis(every.as_millis().saturating_mul(5) / 2));
        let oldest = at - Span::from_minutes(20).max(reach);
        let Some(then) = window.between(oldest, at - RATE_OVER).next_back() else {
            return Flag::NotEvaluated;
        };
        let allowed = if around.stirred { 2.0 * suspect } else { suspect };
        let (_, own) = self.scatter;
        // The scatter of the newest readings is a rate only where they are as far apart as this one.
        let is_slow = every.is_some_and(|every| every >= RATE_OVER);
        let allowed = match every {
            Some(every) if is_slow => {
                allowed.max(RATE_SIGMAS * own).max(RATE_OF_DAY * self.of_the_day(every) / every.as_hours())
            }
            _ => allowed,
        };
        checks::rate_of_change(value - then.mean(), (at - then.at()).as_hours(), (allowed, f64::INFINITY))
    }

    fn flat(
        &mut self,
        quantity: Quantity,
        limits: &QualityLimits,
        at: Timestamp,
        value: f64,
        every: Option<Span>,
        amended: &mut Vec<Amendment>,
    ) -> Option<(Test, Flag)> {
        let (tolerance, suspect, fail) = limits.flat_line?;
        let run = match self.run {
            Some(run) if run.high.max(value) - run.low.min(value) <= tolerance + 1e-9 => Run {
                low: run.low.min(value),
                high: run.high.max(value),
                count: run.count.saturating_add(1),
                ..run
            },
            _ => Run { from: at, low: value, high: value, count: 1, told: Flag::Pass },
        };
        let own = every.unwrap_or(Span::ZERO).as_millis();
        let coarse = self.coarseness(tolerance);
        // A channel that never gives the same value twice running is stuck long before a calm one would be.
        let lively = self.scatter.0 > LIVELY_TOLERANCES * tolerance;
        let (few, many) = if lively { LIVELY_READINGS } else { FLAT_READINGS };
        let needed = |after: Span, readings: i64| {
            let by_readings = own.saturating_mul(readings);
            after.as_millis().max(by_readings).saturating_mul(coarse).min(FLAT_AT_MOST.as_millis())
        };
        let needed = (needed(suspect, few), needed(fail, many));
        let enough = run.count >= 5;
        let flag = match checks::flat_line(
            run.high - run.low,
            tolerance + 1e-9,
            (at - run.from).as_millis(),
            needed,
        ) {
            _ if !enough => Flag::Pass,
            Flag::Fail if quantity == Quantity::DoMgL && run.high <= ANOXIC_MG_L => Flag::Suspect,
            flag => flag,
        };
        let told = run.told;
        self.run = Some(Run { told: if flag > told { flag } else { told }, ..run });
        if flag > told && flag > Flag::NotEvaluated {
            amended.push(Amendment { from: run.from, to: at, test: Test::FlatLine, flag });
            if flag == Flag::Fail {
                self.failed_since.get_or_insert(run.from);
            }
        }
        Some((Test::FlatLine, flag))
    }

    /// How much longer a flat line must last because the channel reports in coarse steps: 4 where every
    /// value is a multiple of five times the tolerance.
    fn coarseness(&self, tolerance: f64) -> i64 {
        let step = 5.0 * tolerance;
        let is_multiple = |value: f64| {
            let times = value / step;
            libm::fabs(times - libm::round(times)) < 0.02
        };
        let moves = self.recent.front().is_some_and(|&(_, first)| {
            self.recent.iter().any(|&(_, value)| libm::fabs(value - first) > 1e-9)
        });
        if step > 0.0 && moves && self.recent.iter().all(|&(_, value)| is_multiple(value)) { 4 } else { 1 }
    }

    /// What is looked at once an hour: what is usual now, and the day as a whole.
    fn hourly(
        &mut self,
        quantity: Quantity,
        limits: &QualityLimits,
        at: Timestamp,
        around: &Around,
        amended: &mut Vec<Amendment>,
    ) {
        let hour = hour_of(at);
        if self.hour == Some(hour) {
            return;
        }
        self.hour = Some(hour);
        self.usual = self.sound.usual_at_hour(at, CLIMATE_DAYS, 5);
        self.usual_difference = self.differences.usual_at_hour(at, DIFFERENCE_DAYS, 2);
        let last = at - Span::from_hours(1);
        let range = self.seen.day_range(last);
        let usual_range = self.sound.usual_day_range(last, 7, 4);
        self.usual_range = usual_range;
        self.daily = NotYet(match (limits.attenuated_share, range, usual_range) {
            (Some(share), Some(range), Some(usual)) => checks::attenuated(range, usual, share),
            _ => Flag::NotEvaluated,
        });
        // A pH that does not move while oxygen does is not the water's.
        if quantity == Quantity::Ph
            && range.is_some_and(|range| range < 0.05)
            && around.oxygen_range.is_some_and(|range| range > 1.0)
        {
            self.daily = NotYet(Flag::Suspect);
        }
        let Some(level) = limits.pinned_below else { return };
        let (known, high) = self.seen.hours_at_least(last, level);
        let pinned = known >= 20 && high == 0;
        if pinned && !self.pinned {
            let from = last - DAY;
            amended.push(Amendment { from, to: at, test: Test::AttenuatedSignal, flag: Flag::Fail });
            self.failed_since.get_or_insert(from);
        }
        self.pinned = pinned;
    }

    /// Pinned to the bottom of its range through a whole day and night fails; a high value that comes
    /// after it is suspect.
    fn attenuated(&self, limits: &QualityLimits, value: f64) -> Flag {
        match limits.pinned_below {
            Some(level) if self.pinned && value < 2.0 * level => Flag::Fail,
            Some(_) if self.pinned => Flag::Suspect,
            _ => self.daily.0,
        }
    }

    /// Oxygen that falls to nothing within half an hour while pH stays where it was is the probe's.
    fn together(
        &self,
        quantity: Quantity,
        value: f64,
        at: Timestamp,
        around: &Around,
        window: &Window,
    ) -> Flag {
        if quantity != Quantity::DoMgL {
            return Flag::NotEvaluated;
        }
        let Some(shift) = around.ph_shift else { return Flag::NotEvaluated };
        let before = window.between(at - Span::from_minutes(40), at - Span::from_minutes(20)).next_back();
        match before {
            Some(bin) if value < 0.3 && bin.mean() > 2.0 && shift < 0.05 => Flag::Suspect,
            Some(_) => Flag::Pass,
            None => Flag::NotEvaluated,
        }
    }

    /// A probe that failed for a day and comes back by itself is not believed at once.
    fn recover(&mut self, at: Timestamp, tests: &mut Vec<(Test, Flag)>) {
        let failing = tests.iter().any(|&(test, flag)| flag == Flag::Fail && test != Test::Recovery);
        if let Some(since) = self.failed_since
            && !failing
            && !self.pinned
        {
            if at - since >= DAY {
                self.recovers_until = Some((at + RECOVERY, at - since >= LONG_FAILURE));
                // Its days before the failure say nothing of the probe that came back.
                self.sound.clear();
            }
            self.failed_since = None;
        }
        self.recovers_until = self.recovers_until.filter(|&(until, _)| until > at);
        if let Some((_, long)) = self.recovers_until {
            tests.push((Test::Recovery, if long { Flag::Fail } else { Flag::Suspect }));
        }
    }
}
