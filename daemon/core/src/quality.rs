//! From a sample to a judged reading: calibration and the QARTOD tests, one channel at a time.
//!
//! Each test is a function from what the channel knows to a flag; [`merge`] puts them together.
//! [`checks`] has the tests as plain functions, [`watch`] what a channel must remember for them,
//! [`history`] its hours of the last days. A further test is one more entry in [`ChannelState::judge`]
//! or in [`watch::Watch::judge`].

use alloc::collections::VecDeque;
use alloc::vec;
use alloc::vec::Vec;

pub use self::hand::{HandCheck, judge_entry};
use self::watch::{Amendment, Around, Watch};
use crate::compensation::Factors;
use crate::effect::{Flag, Reading, Test};
use crate::quantity::Quantity;
use crate::service::{Adjustment, Serviced};
use crate::site::{Channel, PondIndex, ProbeIndex, QualityLimits};
use crate::time::{Span, Timestamp};
use crate::window::Window;

pub mod checks;
mod hand;
pub mod history;
mod serviced;
pub mod watch;

/// A sample this far ahead of the gateway's clock is taken; further, it is refused, or, while the gateway's clock is known
/// to be wrong, counts from when it arrived, as suspect. (Common practice, no source: what an unsynchronised probe clock
/// gains in weeks.)
pub const AHEAD_TOLERANCE: Span = Span::from_minutes(5);

/// A sample may arrive this much later than its successor and still count. (Common practice, no
/// source: two radio paths.)
pub const LATE_TOLERANCE: Span = Span::from_minutes(2);

/// A probe that says it measured longer ago than this has no set clock, as one that counts from 1970: its samples
/// count from when they arrived, as suspect. What is less old was held back on its way and is kept with its own time;
/// it says nothing of now. (Common practice, no source: no node buffers for a year.)
pub const BEHIND_TOLERANCE: Span = Span::from_hours(366 * 24);

/// Whether a time that a probe gave is so far from when its sample arrived that one of the two clocks is wrong. What was taken
/// all the same counts from when it arrived.
pub fn is_of_no_clock(measured: Timestamp, arrived: Timestamp) -> bool {
    measured - arrived > AHEAD_TOLERANCE || arrived - measured > BEHIND_TOLERANCE
}

/// Merges flags in the QARTOD order of severity: any 4, else any 3, else any 1; 9 and 2 as such.
pub fn merge(tests: &[(Test, Flag)]) -> Flag {
    let any = |wanted: Flag| tests.iter().any(|&(_, flag)| flag == wanted);
    [Flag::Missing, Flag::Fail, Flag::Suspect, Flag::Pass]
        .into_iter()
        .find(|&flag| any(flag))
        .unwrap_or(Flag::NotEvaluated)
}

/// The gravest complaint of a test that doubts the probe as a whole, and not the one reading.
fn doubt(tests: &[(Test, Flag)]) -> Option<(Test, Flag)> {
    // What no water can have is out of range as well, which says less.
    let is_impossible = tests.contains(&(Test::Syntax, Flag::Fail));
    tests
        .iter()
        .copied()
        .filter(|&(test, flag)| match flag {
            Flag::Fail if test == Test::GrossRange => !is_impossible,
            Flag::Fail => true,
            Flag::Suspect => test.doubts_probe() && !matches!(test, Test::Order | Test::Spike),
            _ => false,
        })
        .max_by_key(|&(_, flag)| flag)
}

/// Merges the flags of some tests only.
fn merge_of(tests: &[(Test, Flag)], counts: fn(Test) -> bool) -> Flag {
    let kept: Vec<(Test, Flag)> = tests
        .iter()
        .copied()
        .filter(|&(test, flag)| counts(test) || flag != Flag::Suspect)
        // A probe that came back after a long failure may be wrong, and may be right.
        .map(|(test, flag)| (test, if test == Test::Recovery { flag.min(Flag::Suspect) } else { flag }))
        .collect();
    merge(&kept)
}

impl Test {
    /// Whether a suspect flag of it speaks against the probe, and not of unusual water.
    pub const fn doubts_probe(self) -> bool {
        !matches!(self, Self::Climatology | Self::RateOfChange)
    }

    /// Whether a suspect flag of it keeps the value out of what is computed over time. Where two probes
    /// differ, either may be right.
    pub const fn doubts_value(self) -> bool {
        self.doubts_probe() && !matches!(self, Self::Neighbour)
    }
}

impl Flag {
    /// Good enough to compute from.
    pub const fn is_usable(self) -> bool {
        matches!(self, Self::Pass | Self::NotEvaluated)
    }

    /// Good enough to warn by: usable, or suspect. A flag must never silence low oxygen.
    pub const fn may_warn(self) -> bool {
        !matches!(self, Self::Fail | Self::Missing)
    }

    /// The graver of two, for a value computed from both.
    #[must_use]
    pub fn worst(self, other: Self) -> Self {
        self.max(other)
    }
}

/// Syntax: the value is a finite number that this quantity can have at all.
pub fn syntax(quantity: Quantity, value: f64) -> Flag {
    if quantity.can_be(value) { Flag::Pass } else { Flag::Fail }
}

/// Gross range: what the probe can read and the pond can reach. Bounds are included.
pub fn gross_range(limits: &QualityLimits, value: f64) -> Flag {
    let within = |(lowest, highest): (f64, f64)| value >= lowest && value <= highest;
    if !within(limits.fail) {
        Flag::Fail
    } else if !within(limits.suspect) {
        Flag::Suspect
    } else {
        Flag::Pass
    }
}

/// Where a reading stands among those already seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    /// Newer than all.
    Newest,
    /// As old as the newest, with another value.
    Contradiction,
    /// A little late; counts in windows, says nothing of now.
    Late,
    /// Too late to count.
    TooLate,
    /// The newest one once more.
    Repeat,
}

/// How long a channel has said nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
enum Gap {
    Fresh,
    Stale,
    Missing,
}

/// The newest value that may warn.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Seen {
    /// In the unit of the quantity.
    pub value: f64,
    /// When it was measured.
    pub at: Timestamp,
    /// Pass, not evaluated or suspect.
    pub flag: Flag,
}

/// A hand reading is held against what the probe read within this time of it.
const HAND_BESIDE: Span = Span::from_minutes(15);

/// What is remembered of one channel.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct ChannelState {
    /// When the channel was first expected to report.
    expected_since: Timestamp,
    /// Time and bits of the raw value of the newest sample, whatever its flag. Bits, so that a NaN
    /// equals itself.
    newest: Option<(Timestamp, u64)>,
    /// Since when the farm has it.
    known_since: Timestamp,
    /// Flag of the newest sample.
    pub flag: Flag,
    /// The newest value that may warn.
    pub seen: Option<Seen>,
    gap: Gap,
    /// Since when every reading has failed.
    pub failing_since: Option<Timestamp>,
    /// What speaks against the probe, by the newest sample: the test and its flag, and since when that
    /// same test has spoken.
    pub doubt: Option<(Test, Flag, Timestamp)>,
    /// When readings were found to be spikes, of the last hour.
    spikes: VecDeque<Timestamp>,
    /// Every test that disliked the newest sample.
    pub disliked: Vec<(Test, Flag)>,
    /// What its calibrations in the field have added to that of the configuration.
    pub adjustment: Adjustment,
    /// What its newest reading was multiplied with for salt and pressure.
    factors: Factors,
    /// When it was last cleaned or read in a standard.
    pub serviced_at: Option<Timestamp>,
    /// What its last services found, newest last.
    pub services: VecDeque<Serviced>,
    /// The newest hand reading of the same water, with what the probe read then.
    pub hand_check: Option<HandCheck>,
    /// Usable values of the last day.
    pub window: Window,
    /// For the tests that need more than the one reading.
    pub watch: Watch,
}

/// A judged sample and what it is good for.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// For the store.
    pub reading: Reading,
    /// Whether it is the newest word on its quantity.
    pub is_news: bool,
    /// Verdicts on readings before it.
    pub amended: Vec<Amendment>,
}

impl ChannelState {
    /// A channel that is expected to report from `now` on.
    pub fn new(now: Timestamp) -> Self {
        Self {
            expected_since: now,
            known_since: now,
            newest: None,
            flag: Flag::NotEvaluated,
            seen: None,
            gap: Gap::Fresh,
            failing_since: None,
            doubt: None,
            spikes: VecDeque::new(),
            disliked: Vec::new(),
            adjustment: Adjustment::default(),
            factors: Factors::NONE,
            serviced_at: None,
            services: VecDeque::new(),
            hand_check: None,
            window: Window::default(),
            watch: Watch::default(),
        }
    }

    fn place(&self, at: Timestamp, raw: f64, own_clock: bool) -> Place {
        let Some((newest_at, newest_raw)) = self.newest else { return Place::Newest };
        if at > newest_at {
            return Place::Newest;
        }
        if at == newest_at {
            let same = raw.to_bits() == newest_raw;
            // Without a clock of the probe's own, two equal arrival times are two measurements.
            return match (same, own_clock) {
                (true, true) => Place::Repeat,
                (true, false) => Place::Newest,
                (false, _) => Place::Contradiction,
            };
        }
        if newest_at - at <= LATE_TOLERANCE { Place::Late } else { Place::TooLate }
    }

    /// Judges one sample. `measured` is when the probe says it measured, `arrived` when the sample
    /// reached the gateway, `now` the time of the state. `Err` with a reason for a sample from the
    /// future.
    pub fn judge(
        &mut self,
        channel: &Channel,
        whose: (Option<PondIndex>, ProbeIndex),
        raw: f64,
        measured: Option<Timestamp>,
        (arrived, now): (Timestamp, Timestamp),
        around: &Around,
    ) -> Result<Judged, FromTheFuture> {
        let ahead = measured.map(|measured| measured - now).filter(|&ahead| ahead > AHEAD_TOLERANCE);
        // Where it is the gateway's own clock that is wrong, a refusal would leave the pond unwatched.
        if let Some(ahead) = ahead.filter(|_| !around.clock_wrong) {
            return Err(FromTheFuture { ahead });
        }
        let clock_unset = measured.is_some_and(|measured| is_of_no_clock(measured, now));
        let at = if clock_unset { now } else { measured.unwrap_or(arrived) };
        let place = self.place(at, raw, measured.is_some() && !clock_unset);
        let order = match place {
            _ if clock_unset => Flag::Suspect,
            Place::Newest | Place::Late => Flag::Pass,
            Place::TooLate | Place::Contradiction => Flag::Suspect,
            Place::Repeat => Flag::Fail,
        };
        let value = self.adjustment.of(raw * channel.calibration_slope + channel.calibration_offset);
        let value = around.factors.map_or(value, |own| Adjustment { gain: own.pond, shift: 0.0 }.of(value));
        let syntax = syntax(channel.quantity, value);
        let mut tests = vec![(Test::Syntax, syntax), (Test::Order, order)];
        if around.out_of_service {
            // In the air, in a bucket, in a standard: kept, and never taken for the pond.
            tests.push((Test::Service, Flag::Fail));
        } else if value.is_finite() {
            tests.push((Test::GrossRange, gross_range(&channel.quality, value)));
        }
        if matches!(place, Place::Newest | Place::Contradiction) {
            tests.push((Test::Gap, self.gap_flag()));
        }
        let mut amended = Vec::new();
        let is_possible = merge(&tests).may_warn();
        if place == Place::Newest && is_possible && !clock_unset {
            let what = (channel.quantity, &channel.quality);
            amended = self.watch.judge(what, (at, value), around, &self.window, &mut tests);
        }
        let flag = merge(&tests);
        let usable_time = matches!(place, Place::Newest | Place::Contradiction | Place::Late);
        for amendment in &amended {
            self.note_spike(amendment);
            self.watch.take_back(amendment);
            if amendment.flag >= Flag::Suspect {
                self.window.forget(amendment.from, amendment.to);
            }
        }
        // Unusual water is water all the same: only a doubt about the probe keeps a value out.
        if merge_of(&tests, Test::doubts_value).is_usable() && usable_time {
            self.window.add(at, value);
            self.watch.accept(at, value);
        }
        let is_news = matches!(place, Place::Newest | Place::Contradiction);
        if is_news {
            self.newest = Some((at, raw.to_bits()));
            self.factors = around.factors.unwrap_or(Factors::NONE);
            self.flag = flag;
            if around.out_of_service {
                let reading = reading(channel, whose, (raw, value, syntax), (at, flag, tests));
                return Ok(Judged { reading, is_news: false, amended });
            }
            self.disliked.clear();
            self.disliked.extend(
                tests.iter().copied().filter(|&(_, flag)| matches!(flag, Flag::Suspect | Flag::Fail)),
            );
            self.doubt = doubt(&tests).or_else(|| self.spiky(at)).map(|(test, flag)| match self.doubt {
                Some((same, _, since)) if same == test => (test, flag, since),
                _ => (test, flag, at),
            });
            let flag = merge_of(&tests, Test::doubts_probe);
            if flag.may_warn() {
                self.seen = Some(Seen { value, at, flag });
                self.failing_since = None;
            } else {
                self.failing_since.get_or_insert(now);
            }
            self.gap = match now - at {
                age if age >= channel.quality.missing_after => Gap::Missing,
                age if age >= channel.quality.stale_after => Gap::Stale,
                _ => Gap::Fresh,
            };
        }
        let reading = reading(channel, whose, (raw, value, syntax), (at, flag, tests));
        Ok(Judged { reading, is_news, amended })
    }

    /// The gap test on a reading that has come: the silence before it was reported when it fell due,
    /// so the reading itself passes.
    fn gap_flag(&self) -> Flag {
        if self.newest.is_some() { Flag::Pass } else { Flag::NotEvaluated }
    }

    /// Gives the channel its time to report again, unless it was missing before.
    pub fn expect_anew(&mut self, now: Timestamp) {
        if self.gap != Gap::Missing {
            self.gap = Gap::Fresh;
            self.expected_since = now;
        }
    }

    /// Time has leapt: it has been silent for as long as before, and what was read a moment ago still is of a moment ago.
    pub fn shift(&mut self, by: Span) {
        self.seen = self.seen.map(|seen| Seen { at: seen.at + by, ..seen });
        if self.gap != Gap::Missing {
            self.expected_since = self.silent_since() + by;
        }
    }

    fn silent_since(&self) -> Timestamp {
        self.newest.map_or(self.expected_since, |(at, _)| at.max(self.expected_since))
    }

    /// When the silence next changes the channel's flag.
    pub fn deadline(&self, limits: &QualityLimits) -> Option<Timestamp> {
        match self.gap {
            Gap::Fresh => Some(self.silent_since() + limits.stale_after),
            Gap::Stale => Some(self.silent_since() + limits.missing_after.max(limits.stale_after)),
            Gap::Missing => None,
        }
    }

    /// Carries out the gap test at a deadline: a reading without a value, flag 3 once the channel is
    /// stale, flag 9 once it is missing.
    pub fn fall_silent(
        &mut self,
        channel: &Channel,
        whose: (Option<PondIndex>, ProbeIndex),
        now: Timestamp,
    ) -> Option<Reading> {
        if self.deadline(&channel.quality).is_none_or(|due| due > now) {
            return None;
        }
        let flag = match self.gap {
            Gap::Fresh if channel.quality.missing_after > channel.quality.stale_after => {
                self.gap = Gap::Stale;
                Flag::Suspect
            }
            _ => {
                self.gap = Gap::Missing;
                Flag::Missing
            }
        };
        let (pond, probe) = whose;
        Some(Reading {
            pond,
            probe: Some(probe),
            quantity: channel.quantity,
            at: now,
            raw: None,
            value: None,
            flag,
            tests: vec![(Test::Gap, flag)],
        })
    }

    /// Whether so long a silence that the quantity counts as not observed.
    pub fn is_missing(&self) -> bool {
        self.gap == Gap::Missing
    }

    /// The flag to show now: that of the newest reading, or what silence has made of it.
    pub fn flag_now(&self) -> Flag {
        match self.gap {
            Gap::Fresh => self.flag,
            Gap::Stale => self.flag.worst(Flag::Suspect),
            Gap::Missing => Flag::Missing,
        }
    }

    /// The newest value that may warn, if it is not too old to speak of now. Suspect where a hand meter
    /// contradicted the probe and nobody has serviced it or found it right since.
    pub fn present(&self, channel: &Channel, now: Timestamp) -> Option<Seen> {
        let limits = &channel.quality;
        let seen = self.seen.filter(|seen| now - seen.at < limits.missing_after.max(limits.stale_after))?;
        let flag =
            if self.is_contradicted(channel.quantity) { seen.flag.worst(Flag::Suspect) } else { seen.flag };
        Some(Seen { flag, ..seen })
    }

    /// Whether the newest hand reading says that the probe is wrong.
    pub fn is_contradicted(&self, quantity: Quantity) -> bool {
        self.hand_check.is_some_and(|check| check.contradicts(quantity))
    }

    /// Holds a hand reading against what the channel read at that time.
    pub fn check_by_hand(&mut self, quantity: Quantity, hand: f64, at: Timestamp) {
        if self.hand_check.is_some_and(|known| known.at > at) {
            return;
        }
        let newest = self.seen.filter(|seen| seen.at - at <= HAND_BESIDE && at - seen.at <= HAND_BESIDE);
        let then = || self.window.mean(at - HAND_BESIDE, at + HAND_BESIDE);
        if let Some(probe) = newest.map(|seen| seen.value).or_else(then) {
            let again = self.hand_check.is_some_and(|known| known.repeats(quantity, hand - probe));
            let check = HandCheck { at, hand, probe, again };
            if check.agrees(quantity) {
                self.watch.found_right();
            }
            self.hand_check = Some(check);
        }
    }

    /// When [`Self::present`] runs out.
    pub fn expires_at(&self, limits: &QualityLimits) -> Option<Timestamp> {
        self.seen.map(|seen| seen.at + limits.missing_after.max(limits.stale_after))
    }

    /// Time of the newest sample, whatever its flag.
    pub fn newest_at(&self) -> Option<Timestamp> {
        self.newest.map(|(at, _)| at)
    }

    /// Since when the channel has been expected to report.
    pub fn expected_since(&self) -> Timestamp {
        self.expected_since
    }
}

fn reading(
    channel: &Channel,
    (pond, probe): (Option<PondIndex>, ProbeIndex),
    (raw, value, syntax): (f64, f64, Flag),
    (at, flag, tests): (Timestamp, Flag, Vec<(Test, Flag)>),
) -> Reading {
    Reading {
        pond,
        probe: Some(probe),
        quantity: channel.quantity,
        at,
        raw: raw.is_finite().then_some(raw),
        value: (syntax == Flag::Pass).then_some(value),
        flag,
        tests,
    }
}

/// A sample that cannot have been measured yet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FromTheFuture {
    /// By how much the probe's clock is ahead.
    pub ahead: Span,
}

#[cfg(test)]
mod tests;
