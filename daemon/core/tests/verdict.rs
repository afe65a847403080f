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
