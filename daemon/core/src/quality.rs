//! From a sample to a judged reading: calibration and the QARTOD tests, one channel at a time.
//!
//! Each test is a function from what the channel knows to a flag; [`merge`] puts them together. A
//! further test is one more entry in [`ChannelState::judge`].

use alloc::vec;
use alloc::vec::Vec;

use crate::effect::{Flag, Reading, Test};
use crate::quantity::Quantity;
use crate::site::{Channel, PondIndex, ProbeIndex, QualityLimits};
use crate::time::{Span, Timestamp};
use crate::window::Window;

/// A sample this far ahead of the gateway's clock is taken; further, it is refused. (Common practice,
/// no source: what an unsynchronised probe clock gains in weeks.)
pub const AHEAD_TOLERANCE: Span = Span::from_minutes(5);

/// A sample may arrive this much later than its successor and still count. (Common practice, no
/// source: two radio paths.)
pub const LATE_TOLERANCE: Span = Span::from_minutes(2);

/// A probe that says it measured longer ago than this has no set clock: its samples count from
/// when they arrived, as suspect. (Common practice, no source: no node buffers longer.)
pub const BEHIND_TOLERANCE: Span = Span::from_hours(7 * 24);

/// Merges flags in the QARTOD order of severity: any 4, else any 3, else any 1; 9 and 2 as such.
pub fn merge(tests: &[(Test, Flag)]) -> Flag {
    let any = |wanted: Flag| tests.iter().any(|&(_, flag)| flag == wanted);
    [Flag::Missing, Flag::Fail, Flag::Suspect, Flag::Pass]
        .into_iter()
        .find(|&flag| any(flag))
        .unwrap_or(Flag::NotEvaluated)
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
    let (lowest, highest) = quantity.conceivable();
    if value.is_finite() && value >= lowest && value <= highest { Flag::Pass } else { Flag::Fail }
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

/// What is remembered of one channel.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct ChannelState {
    /// When the channel was first expected to report.
    expected_since: Timestamp,
    /// Time and bits of the raw value of the newest sample, whatever its flag. Bits, so that a NaN
    /// equals itself.
    newest: Option<(Timestamp, u64)>,
    /// Flag of the newest sample.
    pub flag: Flag,
    /// The newest value that may warn.
    pub seen: Option<Seen>,
    gap: Gap,
    /// Since when every reading has failed.
    pub failing_since: Option<Timestamp>,
    /// Usable values of the last day.
    pub window: Window,
}

/// A judged sample and what it is good for.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// For the store.
    pub reading: Reading,
    /// Whether it is the newest word on its quantity.
    pub is_news: bool,
}

impl ChannelState {
    /// A channel that is expected to report from `now` on.
    pub fn new(now: Timestamp) -> Self {
        Self {
            expected_since: now,
            newest: None,
            flag: Flag::NotEvaluated,
            seen: None,
            gap: Gap::Fresh,
            failing_since: None,
            window: Window::default(),
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
        arrived: Timestamp,
        now: Timestamp,
    ) -> Result<Judged, FromTheFuture> {
        if let Some(measured) = measured.filter(|&measured| measured - now > AHEAD_TOLERANCE) {
            return Err(FromTheFuture { ahead: measured - now });
        }
        let clock_unset = measured.is_some_and(|measured| now - measured > BEHIND_TOLERANCE);
        let at = if clock_unset { now } else { measured.unwrap_or(arrived) };
        let place = self.place(at, raw, measured.is_some() && !clock_unset);
        let order = match place {
            _ if clock_unset => Flag::Suspect,
            Place::Newest | Place::Late => Flag::Pass,
            Place::TooLate | Place::Contradiction => Flag::Suspect,
            Place::Repeat => Flag::Fail,
        };
        let value = raw * channel.calibration_slope + channel.calibration_offset;
        let syntax = syntax(channel.quantity, value);
        let mut tests = vec![(Test::Syntax, syntax), (Test::Order, order)];
        if syntax == Flag::Pass {
            tests.push((Test::GrossRange, gross_range(&channel.quality, value)));
        }
        if matches!(place, Place::Newest | Place::Contradiction) {
            tests.push((Test::Gap, self.gap_flag()));
        }
        let flag = merge(&tests);
        let usable_time = matches!(place, Place::Newest | Place::Contradiction | Place::Late);
        if flag.is_usable() && usable_time {
            self.window.add(at, value);
        }
        let is_news = matches!(place, Place::Newest | Place::Contradiction);
        if is_news {
            self.newest = Some((at, raw.to_bits()));
            self.flag = flag;
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
        let (pond, probe) = whose;
        let reading = Reading {
            pond,
            probe: Some(probe),
            quantity: channel.quantity,
            at,
            raw: raw.is_finite().then_some(raw),
            value: (syntax == Flag::Pass).then_some(value),
            flag,
            tests,
        };
        Ok(Judged { reading, is_news })
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

    /// The newest value that may warn, if it is not too old to speak of now.
    pub fn present(&self, limits: &QualityLimits, now: Timestamp) -> Option<Seen> {
        self.seen.filter(|seen| now - seen.at < limits.missing_after.max(limits.stale_after))
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

/// A sample that cannot have been measured yet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FromTheFuture {
    /// By how much the probe's clock is ahead.
    pub ahead: Span,
}

/// Judges what a person entered: syntax and gross range only.
pub fn judge_entry(
    pond: PondIndex,
    quantity: Quantity,
    value: f64,
    at: Timestamp,
    limits: Option<&QualityLimits>,
) -> Reading {
    let mut tests: Vec<(Test, Flag)> = vec![(Test::Syntax, syntax(quantity, value))];
    if let Some(limits) = limits {
        tests.push((Test::GrossRange, gross_range(limits, value)));
    }
    let flag = merge(&tests);
    Reading { pond: Some(pond), probe: None, quantity, at, raw: Some(value), value: Some(value), flag, tests }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Timestamp {
        Timestamp(0) + Span::from_secs(seconds)
    }

    const WHOSE: (Option<PondIndex>, ProbeIndex) = (Some(PondIndex(0)), ProbeIndex(0));

    fn oxygen() -> (ChannelState, Channel) {
        (ChannelState::new(at(0)), Channel::uncorrected(Quantity::DoMgL))
    }

    fn judge(state: &mut ChannelState, channel: &Channel, raw: f64, seconds: i64) -> Reading {
        state.judge(channel, WHOSE, raw, Some(at(seconds)), at(seconds), at(seconds)).unwrap().reading
    }

    #[test]
    fn flags_merge_in_the_order_of_severity() {
        use Flag::{Fail, Missing, NotEvaluated, Pass, Suspect};
        let merged = |flags: &[Flag]| merge(&flags.iter().map(|&flag| (Test::Gap, flag)).collect::<Vec<_>>());
        assert_eq!(merged(&[Pass, Suspect, Fail]), Fail);
        assert_eq!(merged(&[Pass, Suspect, NotEvaluated]), Suspect);
        assert_eq!(merged(&[NotEvaluated, Pass]), Pass);
        assert_eq!(merged(&[NotEvaluated]), NotEvaluated);
        assert_eq!(merged(&[Missing]), Missing);
        assert_eq!(merged(&[]), NotEvaluated);
    }

    /// Oxygen, gross range: fail below 0 or above 25, suspect below 0.2 or above 20 (common practice,
    /// no source); bounds included, as the QARTOD manuals have it.
    #[test]
    fn gross_range_and_syntax_judge_the_value() {
        for (raw, flag, kept) in [
            (6.0, Flag::Pass, Some(6.0)),
            (0.2, Flag::Pass, Some(0.2)),
            (0.1, Flag::Suspect, Some(0.1)),
            (20.5, Flag::Suspect, Some(20.5)),
            (25.0, Flag::Suspect, Some(25.0)),
            (25.1, Flag::Fail, Some(25.1)),
            (-0.1, Flag::Fail, None),
            (60.0, Flag::Fail, None),
            (f64::NAN, Flag::Fail, None),
            (f64::INFINITY, Flag::Fail, None),
        ] {
            let (mut state, channel) = oxygen();
            let reading = judge(&mut state, &channel, raw, 0);
            assert_eq!((reading.flag, reading.value), (flag, kept), "raw {raw}");
        }
    }

    #[test]
    fn calibration_is_applied_before_the_tests_and_raw_is_kept() {
        let (mut state, mut channel) = oxygen();
        (channel.calibration_slope, channel.calibration_offset) = (2.0, -1.0);
        let reading = judge(&mut state, &channel, 4.0, 0);
        assert_eq!((reading.raw, reading.value), (Some(4.0), Some(7.0)));
        assert_eq!(judge(&mut state, &channel, 13.5, 60).flag, Flag::Fail, "26 mg/L after calibration");
    }

    #[test]
    fn a_repeat_fails_and_an_old_reading_does_not_become_the_newest() {
        let (mut state, channel) = oxygen();
        judge(&mut state, &channel, 6.0, 600);
        assert_eq!(judge(&mut state, &channel, 6.0, 600).flag, Flag::Fail, "the same once more");
        let contradiction = judge(&mut state, &channel, 5.0, 600);
        assert_eq!(contradiction.flag, Flag::Suspect, "the same time, another value");
        let late = state.judge(&channel, WHOSE, 3.0, Some(at(540)), at(600), at(600)).unwrap();
        assert_eq!((late.reading.flag, late.is_news), (Flag::Pass, false));
        let too_late = state.judge(&channel, WHOSE, 3.0, Some(at(60)), at(600), at(600)).unwrap();
        assert_eq!((too_late.reading.flag, too_late.is_news), (Flag::Suspect, false));
        assert_eq!(state.window.extremes(at(0), at(120)), None, "too late to count");
        assert_eq!(state.seen.map(|seen| seen.value), Some(5.0));
    }

    #[test]
    fn the_future_is_refused_and_an_unset_clock_is_suspect() {
        let (mut state, channel) = oxygen();
        let now = at(3600 * 24 * 30);
        let ahead = state.judge(&channel, WHOSE, 6.0, Some(now + Span::from_minutes(6)), now, now);
        assert_eq!(ahead, Err(FromTheFuture { ahead: Span::from_minutes(6) }));
        let unset = state.judge(&channel, WHOSE, 6.0, Some(at(0)), now, now).unwrap();
        assert_eq!((unset.reading.flag, unset.reading.at, unset.is_news), (Flag::Suspect, now, true));
    }

    /// Oxygen: stale at 3 min, missing at 10 min.
    #[test]
    fn silence_is_stale_then_missing() {
        let (mut state, channel) = oxygen();
        judge(&mut state, &channel, 6.0, 0);
        assert_eq!(state.deadline(&channel.quality), Some(at(180)));
        assert_eq!(state.fall_silent(&channel, WHOSE, at(179)), None);
        let stale = state.fall_silent(&channel, WHOSE, at(180)).unwrap();
        assert_eq!((stale.flag, stale.value), (Flag::Suspect, None));
        assert_eq!(state.deadline(&channel.quality), Some(at(600)));
        let missing = state.fall_silent(&channel, WHOSE, at(600)).unwrap();
        assert_eq!((missing.flag, missing.at, state.is_missing()), (Flag::Missing, at(600), true));
        assert_eq!(state.deadline(&channel.quality), None);
        judge(&mut state, &channel, 6.0, 700);
        assert_eq!((state.is_missing(), state.flag_now()), (false, Flag::Pass));
    }
}
