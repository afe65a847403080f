//! Explanations: the numbers put into the formulas are those of published tables, and every alarm can be
//! asked about.

mod farm;

use farm::{Farm, minutes};
use pondreeve_core::effect::AlarmState;
use pondreeve_core::{Event, Quantity};

const EVENING: i64 = 20 * 60;

fn wobble(minute: i64) -> f64 {
    0.02 * ((minute % 3) as f64 - 1.0)
}

#[test]
fn low_oxygen_is_explained_with_its_limit_its_readings_and_its_saturation() {
    let mut farm = Farm::start(EVENING);
    farm.enter(EVENING, Quantity::SalinityPsu, 20.0);
    for minute in EVENING..EVENING + 90 {
        farm.sweep(minute, &[(Quantity::TemperatureC, 30.0 + wobble(minute))]);
        farm.oxygen(minute, 3.5 - 0.01 * (minute - EVENING) as f64 + wobble(minute));
    }
    let why = farm.state.why("p1.do-low-critical").expect("known");
    assert_eq!(why.alarm.map(|(_, state)| state), Some(AlarmState::Unacknowledged));
    assert_eq!(why.raised_when.english(), "oxygen below 3.0 mg/L for 5 min");
    assert_eq!(why.clears_when.english(), "oxygen at or above 3.4 mg/L for 15 min");
    assert_eq!(why.limit_key, Some("do_low_mg_l.critical"));
    assert_eq!(why.inputs[0].probe.as_deref(), Some("do11"));
    // Benson & Krause 1984 at 30 C, 20 PSU, sea level: 6.77 mg/L.
    let saturation = &why.worked[0];
    assert!(
        saturation.text.starts_with("saturation 6.77 mg/L at 30.0 C, 20.0 PSU, 1013 hPa; 2.6"),
        "{}",
        saturation.text
    );
    assert!(saturation.formula.unwrap().source.contains("Benson & Krause 1984"));
    // It falls by 0.01 mg/L a minute.
    assert!(
        why.worked[1].text.starts_with("slope -0.60 mg/L per hour; (2.63 - 2.0) / 0.60 = 1."),
        "{}",
        why.worked[1].text
    );
    assert!(why.verdict.is_some() && why.at_the_water);
}

#[test]
fn ammonia_is_explained_with_the_share_of_the_published_table() {
    let mut farm = Farm::start(EVENING);
    farm.enter(EVENING, Quantity::SalinityPsu, 0.0);
    farm.enter(EVENING, Quantity::TanMgL, 1.0);
    for minute in EVENING..EVENING + 130 {
        farm.sweep(
            minute,
            &[
                (Quantity::Ph, 8.0 + 0.01 * (minute % 2) as f64),
                (Quantity::TemperatureC, 25.0 + wobble(minute)),
            ],
        );
    }
    farm.sweep(EVENING + 130, &[(Quantity::TemperatureC, 25.0), (Quantity::Ph, 8.0)]);
    let why = farm.state.why("p1.nh3-mean-warn").expect("known");
    // Emerson et al. 1975: pKa = 0.09018 + 2729.92 / 298.15 = 9.2464, share = 1 / (1 + 10^1.2464) = 0.0537; the
    // table printed there says 5.38 %.
    let now = &why.worked[0].text;
    assert!(
        now.starts_with(
            "now: TAN 1.00 mg/L x share 0.0537 at pH 8.00, 25.0 C, 0.0 PSU = 0.054 +/-0.012 mg/L"
        ),
        "{now}"
    );
    assert!(why.inputs.iter().any(|input| input.quantity == Quantity::TanMgL && input.probe.is_none()));
}

#[test]
fn a_calm_alarm_says_why_it_is_calm_and_each_id_can_be_asked_about() {
    let mut farm = Farm::start(EVENING);
    farm.hold_oxygen(EVENING, EVENING + 30, 6.2);
    let why = farm.state.why("p1.do-low-warn").expect("known");
    assert!(why.says.starts_with("Not in alarm: oxygen 6.2 mg/L"), "{}", why.says);
    let known = farm.state.why("p9.nothing").expect_err("unknown");
    assert_eq!(known.ponds, ["p1", "p2"]);
    for id in known.ponds.iter().chain(&known.open).chain(&known.calm) {
        let why = farm.state.why(id).expect("known");
        assert_eq!(why.id, *id);
        for text in [&why.says, &why.raised_when, &why.clears_when] {
            assert!(!text.is_empty() && text.is_ascii(), "{id}: {text}");
        }
    }
}

#[test]
fn a_suspect_probe_is_explained_by_the_tests_that_dislike_it() {
    let mut farm = Farm::start(EVENING);
    farm.hold_oxygen(EVENING, EVENING + 60, 6.2);
    for minute in EVENING + 60..EVENING + 130 {
        farm.oxygen(minute, 6.2);
    }
    let why = farm.state.why("p1.probe-fault.do11").expect("known");
    assert_eq!(why.alarm.map(|(_, state)| state), Some(AlarmState::Unacknowledged));
    let disliked: Vec<&str> = why.inputs[0].disliked.iter().map(|(test, _)| test.id()).collect();
    assert_eq!(disliked, ["flat_line"]);
    let verdict = why.verdict.expect("there are clues");
    assert!(verdict.line().starts_with("looks like the probe: has not moved for 1 h"), "{}", verdict.line());
}

/// pH rises by 0.001 a minute for twelve hours from 8.00 at seven, then falls by 0.002 a minute for an hour.
#[test]
fn a_swing_of_ph_is_explained_with_its_highest_and_lowest_and_their_times() {
    let (start, top, end) = (7 * 60, 19 * 60, 20 * 60);
    let mut farm = Farm::start(start);
    for minute in start..=end {
        let ph = 8.0 + 0.001 * (minute.min(top) - start) as f64 - 0.002 * (minute - top).max(0) as f64;
        farm.sweep(minute, &[(Quantity::Ph, ph), (Quantity::TemperatureC, 29.0 + wobble(minute))]);
    }
    let why = farm.state.why("p1.ph-swing").expect("known");
    assert!(why.alarm.is_some_and(|(_, state)| state.is_standing()), "{why:?}");
    assert_eq!(
        why.worked[0].text.english(),
        "highest 8.72 (1 h ago) - lowest 8.00 (13 h ago) = 0.72, of the last 24 h"
    );
    assert!(why.worked[0].method.is_some());
}

/// What is more than a reading beside its limit says what it was worked out from.
#[test]
fn changes_shares_and_limits_that_move_are_worked_out() {
    let morning = 7 * 60;
    let mut farm = Farm::start(morning);
    for minute in morning..morning + 30 {
        farm.sweep(
            minute,
            &[(Quantity::Ph, 7.5 + wobble(minute)), (Quantity::TemperatureC, 28.0 + wobble(minute))],
        );
    }
    farm.enter(morning + 30, Quantity::SecchiCm, 40.0);
    farm.enter(morning + 30, Quantity::NitriteMgL, 2.5);
    farm.enter(morning + 30, Quantity::SulfideMgL, 0.1);
    farm.enter(morning + 40, Quantity::SecchiCm, 22.0);
    let worked = |id: &str| farm.state.why(id).expect("known").worked;
    assert_eq!(worked("p1.secchi-change")[0].text.english(), "22 - 40 = -18 cm");
    // At 18 PSU half of what is safe is 4.2, above the plain limit of 2.
    let nitrite = &worked("p1.nitrite-warn")[0];
    assert_eq!(nitrite.text.english(), "limit at 18.0 PSU: 2.00 mg/L");
    assert!(nitrite.formula.is_some_and(|formula| formula.source.contains("Lin")), "{nitrite:?}");
    let sulfide = &worked("p1.h2s-warn")[0];
    assert!(sulfide.text.starts_with("sulfide 0.100 mg/L x share 0."), "{}", sulfide.text);
    assert!(sulfide.text.contains("28.0 C, 18.0 PSU = 0.0") && sulfide.formula.is_some(), "{}", sulfide.text);
}

#[test]
fn a_state_is_entered_as_nought_or_one_and_a_refusal_says_that_nothing_was_done() {
    let mut farm = Farm::start(EVENING);
    farm.enter(EVENING, Quantity::AeratorOn, 0.5);
    assert_eq!(
        farm.refused(),
        ["aerator_on = 0.5 for pond p1 was not entered: accepted is 0 (stands still) or 1 (runs)"]
    );
    farm.enter(EVENING, Quantity::AeratorOn, 1.0);
    assert_eq!(farm.refused().len(), 1);
    for event in [
        Event::Shelve { alarm: "p1.x".into(), length: minutes(5), reason: "r".into(), by: "a".into() },
        Event::Unshelve { alarm: "p1.do-low-warn".into(), by: "a".into() },
        Event::Reset { alarm: "p1.do-low-warn".into(), by: "a".into() },
        Event::Acknowledge { alarm: "p1.do-low-warn".into(), by: "a".into() },
    ] {
        farm.event(EVENING + 1, event);
    }
    let refused = farm.refused();
    for (told, what) in refused[1..].iter().zip(["shelved", "unshelved", "reset", "acknowledged"]) {
        assert!(told.contains(&format!(" was not {what}")), "{told}");
    }
    assert_eq!(refused.len(), 5, "{refused:?}");
}
