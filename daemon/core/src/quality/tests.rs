//! The tests of one channel, by hand-made readings.

use super::*;

fn at(seconds: i64) -> Timestamp {
    Timestamp(0) + Span::from_secs(seconds)
}

const WHOSE: (Option<PondIndex>, ProbeIndex) = (Some(PondIndex(0)), ProbeIndex(0));

fn oxygen() -> (ChannelState, Channel) {
    (ChannelState::new(at(0)), Channel::uncorrected(Quantity::DoMgL))
}

fn judge(state: &mut ChannelState, channel: &Channel, raw: f64, seconds: i64) -> Reading {
    state
        .judge(channel, WHOSE, raw, Some(at(seconds)), (at(seconds), at(seconds)), &Around::default())
        .unwrap()
        .reading
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

/// What tells whether an aerator runs says 0 or 1. Half is neither, and must not count as running or as stopped.
#[test]
fn a_state_between_on_and_off_fails() {
    for (value, flag) in [(0.0, Flag::Pass), (1.0, Flag::Pass), (0.5, Flag::Fail), (2.0, Flag::Fail)] {
        assert_eq!(syntax(Quantity::AeratorOn, value), flag, "{value}");
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
    let late =
        state.judge(&channel, WHOSE, 3.0, Some(at(540)), (at(600), at(600)), &Around::default()).unwrap();
    assert_eq!((late.reading.flag, late.is_news), (Flag::Pass, false));
    let too_late =
        state.judge(&channel, WHOSE, 3.0, Some(at(60)), (at(600), at(600)), &Around::default()).unwrap();
    assert_eq!((too_late.reading.flag, too_late.is_news), (Flag::Suspect, false));
    assert_eq!(state.window.extremes(at(0), at(120)), None, "too late to count");
    assert_eq!(state.seen.map(|seen| seen.value), Some(5.0));
}

#[test]
fn the_future_is_refused_and_an_unset_clock_is_suspect() {
    let (mut state, channel) = oxygen();
    let now = at(3600 * 24 * 400);
    let ahead =
        state.judge(&channel, WHOSE, 6.0, Some(now + Span::from_minutes(6)), (now, now), &Around::default());
    assert_eq!(ahead, Err(FromTheFuture { ahead: Span::from_minutes(6) }));
    let unset = state.judge(&channel, WHOSE, 6.0, Some(at(0)), (now, now), &Around::default()).unwrap();
    assert_eq!((unset.reading.flag, unset.reading.at, unset.is_news), (Flag::Suspect, now, true));
}

/// The gateway started in 2001 and the node knows the year: the pond is watched all the same.
#[test]
fn while_the_gateways_own_clock_is_wrong_what_seems_of_the_future_is_suspect() {
    let (mut state, channel) = oxygen();
    let around = Around { clock_wrong: true, ..Around::default() };
    for (seconds, true_time) in [(600, at(3600 * 24 * 9_000)), (660, Timestamp(i64::MAX))] {
        let judged =
            state.judge(&channel, WHOSE, 2.4, Some(true_time), (at(seconds), at(seconds)), &around).unwrap();
        assert_eq!(
            (judged.reading.flag, judged.reading.at, judged.is_news),
            (Flag::Suspect, at(seconds), true)
        );
    }
    let a_minute_ahead =
        state.judge(&channel, WHOSE, 2.4, Some(at(780)), (at(720), at(720)), &around).unwrap();
    assert_eq!((a_minute_ahead.reading.flag, a_minute_ahead.reading.at), (Flag::Pass, at(780)));
}

/// Eight days or a month in a node's memory: its own time, and nothing about now.
#[test]
fn what_was_held_back_for_days_is_not_the_present() {
    let (mut state, channel) = oxygen();
    let now = at(3600 * 24 * 60);
    let good = state.judge(&channel, WHOSE, 2.4, Some(now), (now, now), &Around::default()).unwrap();
    assert!(good.is_news);
    for days in [1, 8, 30, 59] {
        let measured = now - Span::from_hours(24 * days);
        let late = state.judge(&channel, WHOSE, 8.8, Some(measured), (now, now), &Around::default()).unwrap();
        assert_eq!((late.reading.flag, late.reading.at, late.is_news), (Flag::Suspect, measured, false));
        assert_eq!(state.seen.map(|seen| seen.value), Some(2.4));
    }
}

/// Below zero a probe is out of its range, whatever else is wrong with the number.
#[test]
fn what_cannot_be_is_out_of_range_too() {
    let (mut state, channel) = oxygen();
    for (seconds, value) in [(60, -0.1), (120, -5.0), (180, 99.0)] {
        let reading = judge(&mut state, &channel, value, seconds);
        assert_eq!(reading.flag, Flag::Fail);
        assert!(reading.tests.contains(&(Test::GrossRange, Flag::Fail)), "{value}: {:?}", reading.tests);
    }
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

/// A month of readings each minute: all that a channel remembers stays within 64 KiB.
#[test]
fn a_channel_fits_in_64_kib() {
    let (mut state, channel) = oxygen();
    let other = Around { other: Some(6.0), ..Around::default() };
    for minute in 0..30 * 24 * 60_i64 {
        let angle = core::f64::consts::TAU * (minute % 1_440) as f64 / 1_440.0;
        let value = 6.0 + 2.0 * libm::sin(angle) + 0.02 * ((minute % 7) as f64);
        let now = at(60 * minute);
        state.judge(&channel, WHOSE, value, Some(now), (now, now), &other).unwrap();
    }
    let bytes = size_of::<ChannelState>() + state.window.size_bytes() + state.watch.size_bytes();
    assert!(bytes <= 64 * 1024, "{bytes} bytes");
    assert!(bytes > 30 * 1024, "the window alone holds a day of minutes: {bytes} bytes");
}

/// Each minute 6 mg/L with a little scatter, and one reading at 9: known as a spike when the next has
/// come, and taken out of the window.
#[test]
fn a_spike_is_known_after_its_neighbour() {
    let (mut state, channel) = oxygen();
    let mut step = |minute: i64, value: f64| {
        let now = at(60 * minute);
        state.judge(&channel, WHOSE, value, Some(now), (now, now), &Around::default()).unwrap()
    };
    for minute in 0..60 {
        step(minute, 6.0 + 0.02 * ((minute % 3) as f64));
    }
    assert!(step(60, 9.0).amended.is_empty());
    let amended = step(61, 6.0).amended;
    assert_eq!(amended.len(), 1);
    assert_eq!((amended[0].test, amended[0].flag), (Test::Spike, Flag::Fail));
    assert_eq!((amended[0].from, amended[0].to), (at(3_600), at(3_600)));
    assert!(state.window.extremes(at(0), at(4_000)).is_some_and(|(_, high)| high < 6.1));
}

/// Stuck for 30 minutes is suspect, for 90 fails, both back to its start.
#[test]
fn a_stuck_run_is_told_from_its_start() {
    let (mut state, channel) = oxygen();
    let mut told = Vec::new();
    for minute in 0..240_i64 {
        let value = if minute < 60 { 6.0 + 0.02 * ((minute % 3) as f64) } else { 6.5 };
        let now = at(60 * minute);
        let judged = state.judge(&channel, WHOSE, value, Some(now), (now, now), &Around::default()).unwrap();
        told.extend(judged.amended.iter().filter(|it| it.test == Test::FlatLine).map(|it| (minute, *it)));
    }
    let told: Vec<_> = told.iter().map(|(minute, it)| (*minute, it.from, it.flag)).collect();
    assert_eq!(told, [(90, at(3_600), Flag::Suspect), (150, at(3_600), Flag::Fail)]);
    assert_eq!(state.window.extremes(at(3_600), at(14_400)), None, "nothing of it counts");
}

/// A pond's probe whose swing shrinks to a tenth after ten usual days is suspect, not failed.
#[test]
fn a_swing_that_shrinks_is_suspect() {
    let (mut state, channel) = oxygen();
    let mut last = Vec::new();
    for minute in 0..13 * 24 * 60_i64 {
        let angle = core::f64::consts::TAU * (minute % 1_440) as f64 / 1_440.0;
        let swing = if minute < 10 * 24 * 60 { 3.0 } else { 0.3 };
        let value = 6.0 + swing * libm::sin(angle) + 0.02 * ((minute % 7) as f64);
        let now = at(60 * minute);
        let judged = state.judge(&channel, WHOSE, value, Some(now), (now, now), &Around::default()).unwrap();
        last = judged.reading.tests;
    }
    assert!(last.contains(&(Test::AttenuatedSignal, Flag::Suspect)), "{last:?}");
}
