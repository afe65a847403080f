//! Sensor against water: what alarms say, and what a hand meter settles.

mod farm;

use farm::{Farm, at};
use pondreeve_core::effect::AlarmState;
use pondreeve_core::{Quantity, Span};

const EVENING: i64 = 20 * 60;
const ELEVEN: i64 = 23 * 60;

fn wobble(minute: i64) -> f64 {
    0.02 * ((minute % 3) as f64 - 1.0)
}

/// Oxygen at 5.2 mg/L and pH at 8.1 through the evening, then a step down to 2.7 at 23:00.
fn stepped() -> Farm {
    let mut farm = Farm::start(EVENING);
    for minute in EVENING..ELEVEN {
        farm.sweep(
            minute,
            &[(Quantity::Ph, 8.1 + wobble(minute)), (Quantity::TemperatureC, 29.0 + wobble(minute))],
        );
        farm.oxygen(minute, 5.2 + wobble(minute));
    }
    on(&mut farm, ELEVEN, ELEVEN + 10);
    farm
}

fn on(farm: &mut Farm, from: i64, to: i64) {
    for minute in from..to {
        farm.sweep(
            minute,
            &[(Quantity::Ph, 8.1 + wobble(minute)), (Quantity::TemperatureC, 29.0 + wobble(minute))],
        );
        farm.oxygen(minute, 2.7 + wobble(minute));
    }
}

#[test]
fn a_step_alarms_and_says_that_it_looks_like_the_probe() {
    let farm = stepped();
    assert_eq!(farm.raised("p1.do-low-critical"), [at(ELEVEN + 5)], "as soon as without any doubt");
    let message = farm.message("p1.do-low-critical");
    assert!(
        message.contains("suspect, looks like the probe: fell 2.5 mg/L between two readings"),
        "{message}"
    );
    assert!(message.to_lowercase().contains("start aerators and look"), "doubt or not: {message}");
}

#[test]
fn a_hand_meter_settles_it_for_half_an_hour_and_leaves_the_probe_its_fault() {
    let mut farm = stepped();
    farm.enter(ELEVEN + 10, Quantity::DoMgL, 5.1);
    let fault = farm.message("p1.probe-fault.do11");
    assert!(fault.contains("read oxygen 2.7 where a hand meter read 5.1: clean and calibrate it"), "{fault}");
    assert_eq!(farm.raised("p1.probe-fault.do11"), [at(ELEVEN + 10)]);
    let standing =
        farm.state.view().alarms.into_iter().find(|alarm| alarm.id == "p1.do-low-critical").unwrap();
    assert!(standing.message.contains("The hand meter counts for another 30 min"), "{}", standing.message);
    on(&mut farm, ELEVEN + 10, ELEVEN + 39);
    assert_eq!(farm.state("p1.do-low-critical"), AlarmState::ReturnedUnacknowledged);
    // Then the probe's word counts again, doubted as it is: no flag silences low oxygen for good.
    on(&mut farm, ELEVEN + 39, ELEVEN + 60);
    assert_eq!(farm.state("p1.do-low-critical"), AlarmState::Unacknowledged);
    assert!(
        farm.message("p1.do-low-critical").contains("suspect, looks like the probe: a hand meter read 5.1")
    );
    // A second look that finds the probe right ends the doubt.
    farm.enter(ELEVEN + 60, Quantity::DoMgL, 2.8);
    on(&mut farm, ELEVEN + 60, ELEVEN + 67);
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::ReturnedUnacknowledged);
}

#[test]
fn a_probe_that_falls_on_after_the_hand_meter_is_heard_again() {
    let mut farm = stepped();
    farm.enter(ELEVEN + 10, Quantity::DoMgL, 5.1);
    on(&mut farm, ELEVEN + 10, ELEVEN + 28);
    assert_eq!(farm.state("p1.do-low-critical"), AlarmState::ReturnedUnacknowledged);
    // 2.7 when the hand meter was in the water; 1.6 is 1.1 mg/L lower.
    for minute in ELEVEN + 28..ELEVEN + 36 {
        farm.oxygen(minute, 1.6 + wobble(minute));
    }
    assert_eq!(farm.state("p1.do-low-critical"), AlarmState::Unacknowledged);
}

/// A smooth fall from 6.0 mg/L, told by a probe that nothing speaks against, as low as 2.5 mg/L.
fn fallen() -> (Farm, i64) {
    let mut farm = Farm::start(EVENING);
    let low = EVENING + 160;
    for minute in EVENING..low {
        let gone = (minute - EVENING) as f64;
        farm.sweep(minute, &[(Quantity::Ph, 8.3 - 0.002 * gone + wobble(minute) / 4.0)]);
        farm.oxygen(minute, 6.0 - 0.022 * gone + wobble(minute));
    }
    assert_eq!(farm.state("p1.do-low-critical"), AlarmState::Unacknowledged);
    (farm, low)
}

#[test]
fn no_hand_reading_silences_a_probe_that_nothing_else_speaks_against() {
    // 5.1 may be another corner of the pond; 15 is a slip of the finger.
    for hand in [5.1, 15.0] {
        let (mut farm, low) = fallen();
        farm.enter(low, Quantity::DoMgL, hand);
        for minute in low..low + 15 {
            farm.oxygen(minute, 2.5 + wobble(minute));
            assert_eq!(farm.state("p1.do-low-critical"), AlarmState::Unacknowledged, "{hand} at {minute}");
        }
        let standing = farm.state.view().alarms.into_iter().find(|it| it.id == "p1.do-low-critical").unwrap();
        assert!(standing.message.contains("suspect"), "{}", standing.message);
        assert!(!standing.message.contains("The hand meter counts"), "{}", standing.message);
        // The two do not agree, and that is told of the probe.
        assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::Unacknowledged);
    }
}

#[test]
fn a_low_hand_reading_counts_beside_a_good_probe() {
    let mut farm = Farm::start(EVENING);
    farm.hold_oxygen(EVENING, ELEVEN, 5.2);
    farm.enter(ELEVEN, Quantity::DoMgL, 2.6);
    farm.hold_oxygen(ELEVEN, ELEVEN + 10, 5.2);
    assert_eq!(farm.raised("p1.do-low-critical"), [at(ELEVEN + 5)]);
    assert_eq!(farm.raised("p1.probe-fault.do11"), [at(ELEVEN)]);
}

#[test]
fn a_smooth_fall_with_ph_along_is_not_called_suspect() {
    let mut farm = Farm::start(EVENING);
    for minute in EVENING..EVENING + 180 {
        let gone = (minute - EVENING) as f64;
        farm.sweep(minute, &[(Quantity::Ph, 8.3 - 0.002 * gone + wobble(minute) / 4.0)]);
        farm.oxygen(minute, 6.0 - 0.022 * gone + wobble(minute));
    }
    let [raised] = farm.raised("p1.do-low-critical")[..] else { panic!("raised once") };
    // 6.0 - 0.022 x falls below 3.0 at minute 137; five minutes of delay.
    assert!(raised - at(EVENING + 137) <= Span::from_minutes(7), "{raised:?}");
    let message = farm.message("p1.do-low-critical");
    assert!(!message.contains("suspect"), "{message}");
}
