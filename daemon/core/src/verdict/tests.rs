//! Each clue of the trade's table by a hand-made case, and the sum of them by cases a technician meets.

use super::*;
use crate::effect::{Flag, Test};
use crate::quality::HandCheck;
use crate::window::Window;

const MINUTE: Span = Span::from_minutes(1);

fn at(minutes: i64) -> Timestamp {
    Timestamp(1_800_000_000_000) + Span::from_minutes(minutes)
}

/// Minute readings from a function of the minute, 48 of them, the last at minute 0.
fn readings(of: impl Fn(f64) -> f64) -> alloc::vec::Vec<(Timestamp, f64)> {
    (-47..=0_i32).map(|minute| (at(minute.into()), of(f64::from(minute)))).collect()
}

fn window(of: impl Fn(f64) -> f64) -> Window {
    let mut window = Window::default();
    for minute in -120..=0_i32 {
        window.add(at(minute.into()), of(f64::from(minute)));
    }
    window
}

fn evidence(recent: &[(Timestamp, f64)]) -> Evidence<'_> {
    let (last_at, last) = *recent.last().unwrap();
    Evidence {
        probe: ProbeIndex(0),
        quantity: Quantity::DoMgL,
        now: last_at,
        seen: Some(Seen { value: last, at: last_at, flag: Flag::Pass }),
        recent,
        disliked: &[],
        flat_since: None,
        scale: (0.0, 25.0),
        usual: None,
        ph: None,
        salinity: None,
        other: None,
        temperature_jump: None,
        hand: None,
        serviced_at: None,
        ponds_falling: 0,
        aerators: (None, None),
        is_night: false,
    }
}

fn weighed<'a>(recent: &'a [(Timestamp, f64)], change: impl FnOnce(&mut Evidence<'a>)) -> Verdict {
    let mut evidence = evidence(recent);
    change(&mut evidence);
    weigh(&evidence)
}

fn has(verdict: &Verdict, wanted: fn(&Sign) -> bool) -> bool {
    verdict.clues().any(|clue| wanted(&clue.sign))
}

/// A wobble no larger than a good probe's.
fn wobble(minute: f64) -> f64 {
    0.02 * libm::sin(minute * 2.1)
}

#[test]
fn a_step_speaks_for_the_probe_and_a_smooth_fall_for_the_water() {
    let step = readings(|minute| if minute < -10.0 { 6.0 } else { 2.8 } + wobble(minute));
    let verdict = weighed(&step, |_| ());
    assert!(has(&verdict, |sign| matches!(sign, Sign::Step(by) if *by < -3.0)), "{verdict:?}");
    assert_eq!(verdict.leaning(), Leaning::Probe);

    let fall = readings(|minute| 5.0 - 0.015 * (minute + 47.0) + wobble(minute));
    let verdict = weighed(&fall, |evidence| evidence.is_night = true);
    assert!(has(&verdict, |sign| matches!(sign, Sign::Smooth(_))), "{verdict:?}");
    assert!(has(&verdict, |sign| matches!(sign, Sign::Night)));
    assert_eq!(verdict.leaning(), Leaning::Water);
}

#[test]
fn a_flat_line_and_a_sawtooth_speak_for_the_probe() {
    let flat = readings(|_| 3.41);
    let verdict = weighed(&flat, |evidence| {
        evidence.flat_since = Some(at(-47));
        evidence.disliked = &[(Test::FlatLine, Flag::Suspect)];
    });
    assert_eq!(verdict.leaning(), Leaning::Probe);
    assert_eq!(&*verdict.line(), "looks like the probe: has not moved for 47 min");

    let saw = readings(|minute| 4.0 + if minute.rem_euclid(2.0) < 1.0 { 0.7 } else { -0.7 });
    let verdict = weighed(&saw, |_| ());
    assert!(has(&verdict, |sign| matches!(sign, Sign::Sawtooth(_))), "{verdict:?}");
    assert_eq!(verdict.leaning(), Leaning::Probe);
}

#[test]
fn ph_that_went_along_speaks_for_the_water_and_ph_that_stayed_for_the_probe() {
    // Twice 0.04 mg/L a minute: 1.9 mg/L over the readings.
    let fall = readings(|minute| 6.0 - 0.04 * (minute + 47.0) + wobble(minute));
    let along = window(|minute| 8.2 - 0.003 * (minute + 120.0));
    let verdict = weigh(&Evidence { ph: Some(&along), ..evidence(&fall) });
    assert!(has(&verdict, |sign| matches!(sign, Sign::PhMoved(..))), "{verdict:?}");
    assert_eq!(verdict.leaning(), Leaning::Water);
    let stayed = window(|minute| 8.2 + 0.1 * wobble(minute));
    let verdict = weigh(&Evidence { ph: Some(&stayed), ..evidence(&fall) });
    assert!(has(&verdict, |sign| matches!(sign, Sign::PhStayed(_))), "{verdict:?}");
    assert_ne!(verdict.leaning(), Leaning::Water);
}

#[test]
fn a_second_probe_and_a_hand_meter_outweigh_the_shape() {
    let step = readings(|minute| if minute < -10.0 { 6.0 } else { 2.8 } + wobble(minute));
    let agrees = weighed(&step, |evidence| evidence.other = Some((3.0, 1.0)));
    assert_ne!(agrees.leaning(), Leaning::Probe);
    let fall = readings(|minute| 5.0 - 0.015 * (minute + 47.0) + wobble(minute));
    let hand = HandCheck { at: at(-5), hand: 5.1, probe: 2.7, again: false };
    let verdict = weighed(&fall, |evidence| evidence.hand = Some(hand));
    assert_eq!(verdict.leaning(), Leaning::Probe, "{verdict:?}");
    assert_eq!(
        &*verdict.line(),
        "looks like the probe: a hand meter read 5.1 mg/L where the probe read 2.7, 5 min ago"
    );
    let agreed = HandCheck { at: at(-5), hand: 2.9, probe: 2.8, again: false };
    let verdict = weighed(&step, |evidence| evidence.hand = Some(agreed));
    assert_ne!(verdict.leaning(), Leaning::Probe);
    // An old one says nothing any more.
    let old = HandCheck { at: at(-200), ..hand };
    let verdict = weighed(&fall, |evidence| evidence.hand = Some(old));
    assert!(!has(&verdict, |sign| sign.kind() == Kind::Companions));
}

#[test]
fn an_aerator_stop_and_rain_speak_for_the_water() {
    let fall = readings(|minute| 5.0 - 0.015 * (minute + 47.0) + wobble(minute));
    let stopped = weighed(&fall, |evidence| evidence.aerators.0 = Some(at(-50)));
    assert!(has(&stopped, |sign| matches!(sign, Sign::AeratorStopped(_))));
    assert_eq!(stopped.leaning(), Leaning::Water);
    let salt = window(|minute| 20.0 - 0.02 * (minute + 120.0));
    let rain = weigh(&Evidence { salinity: Some(&salt), ..evidence(&fall) });
    assert!(has(&rain, |sign| matches!(sign, Sign::Rain(by) if *by > 0.5)), "{rain:?}");
}

#[test]
fn aerators_must_bend_the_curve() {
    // Falls by 0.9 an hour until minute -25, then rises by 0.6 an hour.
    let bends =
        readings(
            |minute| {
                if minute < -25.0 { 4.0 - 0.015 * (minute + 47.0) } else { 3.67 + 0.01 * (minute + 25.0) }
            },
        );
    let verdict = weighed(&bends, |evidence| evidence.aerators.1 = Some(at(-25)));
    assert!(has(&verdict, |sign| matches!(sign, Sign::AeratorsHelp(..))), "{verdict:?}");
    let unmoved = readings(|minute| 4.0 - 0.015 * (minute + 47.0));
    let verdict = weighed(&unmoved, |evidence| evidence.aerators.1 = Some(at(-25)));
    assert!(has(&verdict, |sign| matches!(sign, Sign::AeratorsDoNothing(_))), "{verdict:?}");
    // Nothing can be said within the first twenty minutes.
    let verdict = weighed(&unmoved, |evidence| evidence.aerators.1 = Some(at(-15)));
    assert!(!has(&verdict, |sign| sign.kind() == Kind::Response));
}

#[test]
fn a_restart_after_silence_and_a_service_are_clues_of_timing() {
    let mut gap = readings(|minute| 5.0 + wobble(minute));
    gap.drain(20..40);
    let verdict = weighed(&gap, |evidence| evidence.serviced_at = Some(at(-30)));
    assert!(has(&verdict, |sign| matches!(sign, Sign::AfterSilence(_))), "{verdict:?}");
    assert!(has(&verdict, |sign| matches!(sign, Sign::AfterService(_))));
}

#[test]
fn what_is_usual_at_the_hour_speaks_for_the_water() {
    let low = readings(|minute| 3.2 + wobble(minute));
    let verdict = weighed(&low, |evidence| evidence.usual = Some((3.4, 0.3)));
    assert!(has(&verdict, |sign| matches!(sign, Sign::Usual(_))));
}

#[test]
fn a_probe_lifted_out_of_the_water_shows_by_its_own_temperature() {
    let step = readings(|minute| if minute < -10.0 { 5.0 } else { 7.4 } + wobble(minute));
    let verdict = weighed(&step, |evidence| evidence.temperature_jump = Some(3.1));
    assert!(has(&verdict, |sign| matches!(sign, Sign::TemperatureJumped(_))));
    assert_eq!(verdict.leaning(), Leaning::Probe);
}

#[test]
fn without_clues_nothing_is_claimed() {
    let few = [(at(0), 3.0)];
    let verdict = weighed(&few, |_| ());
    assert_eq!(verdict.leaning(), Leaning::Unsure);
    assert_eq!(&*verdict.line(), "cannot tell probe from water");
    assert!(verdict.leaning().what_to_do().contains("Act as if the water were bad"));
}

/// Whatever numbers come in, a verdict comes out, its score is the sum of its clues, and each clue can
/// be said.
#[test]
fn any_numbers_give_a_verdict() {
    use proptest::prelude::*;
    let number = prop_oneof![
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(f64::MIN),
        Just(0.0),
        -1.0e6..1.0e6,
        0.0..20.0_f64
    ];
    let series = proptest::collection::vec((-100_i64..100, number.clone()), 0..60);
    proptest!(|(series in series, a in number.clone(), b in number.clone(), start in -200_i64..50, night: bool)| {
        let recent: alloc::vec::Vec<_> = series.iter().map(|&(minute, value)| (at(minute), value)).collect();
        let mut window = Window::default();
        for &(time, value) in &recent {
            window.add(time, value);
        }
        let evidence = Evidence {
            probe: ProbeIndex(3),
            quantity: if night { Quantity::DoMgL } else { Quantity::Ph },
            now: at(0),
            seen: Some(Seen { value: a, at: at(0), flag: Flag::Suspect }),
            recent: &recent,
            disliked: &[(Test::GrossRange, Flag::Fail), (Test::Climatology, Flag::Suspect)],
            flat_since: (start < 0).then(|| at(start)),
            scale: (a, b),
            usual: Some((a, b)),
            ph: Some(&window),
            salinity: Some(&window),
            other: Some((a, b)),
            temperature_jump: Some(b),
            hand: Some(HandCheck { at: at(start), hand: a, probe: b, again: night }),
            serviced_at: Some(at(start)),
            ponds_falling: 2,
            aerators: (Some(at(start)), Some(at(start) + MINUTE)),
            is_night: night,
        };
        let verdict = weigh(&evidence);
        let sum: i16 = verdict.clues().map(|clue| clue.points).sum();
        prop_assert_eq!(sum, verdict.score);
        for clue in verdict.clues() {
            prop_assert!(!clue.sign.says(verdict.quantity).is_empty());
            prop_assert!(!clue.sign.kind().says().is_empty());
        }
        prop_assert!(!verdict.line().is_empty());
    });
}
