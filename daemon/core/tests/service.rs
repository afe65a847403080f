//! A probe in service: it never silences its pond, comes back by itself, and is heard anew.

mod farm;

use farm::{Farm, at, minutes};
use pondreeve_core::effect::{AlarmState, Effect, Flag, ServiceNews};
use pondreeve_core::service::Step;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Quantity};

const EVENING: i64 = 20 * 60;
const OUT: i64 = EVENING + 60;

fn step(farm: &mut Farm, minute: i64, step: Step) {
    farm.event(minute, Event::Service { probe: ProbeIndex(0), step, by: "technician".into() });
}

/// An hour of oxygen at 5.2 mg/L, then out of service for half an hour.
fn out() -> Farm {
    let mut farm = Farm::start(EVENING);
    farm.hold_oxygen(EVENING, OUT, 5.2);
    step(&mut farm, OUT, Step::Begin { length: minutes(30) });
    farm
}

fn news(farm: &Farm) -> Vec<ServiceNews> {
    let news = farm.effects.iter().filter_map(|effect| match effect {
        Effect::Service(change) => Some(change.what),
        _ => None,
    });
    news.collect()
}

#[test]
fn what_it_reads_meanwhile_is_kept_and_never_taken_for_the_ponds() {
    let mut farm = out();
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::OutOfService);
    // In a standard without oxygen.
    farm.hold_oxygen(OUT + 1, OUT + 9, 0.1);
    let failed = farm.flags(Quantity::DoMgL).iter().filter(|flag| **flag == Flag::Fail).count();
    assert_eq!(failed, 8, "each of the eight, and no other");
    assert!(farm.raised("p1.do-low-warn").is_empty() && farm.raised("p1.do-falling").is_empty());
    let kept = farm.effects.iter().rev().find_map(|effect| match effect {
        Effect::Reading(reading) if reading.quantity == Quantity::DoMgL => reading.raw,
        _ => None,
    });
    assert!(kept.is_some_and(|raw| raw < 0.2), "raw is kept as it came: {kept:?}");
}

#[test]
fn blindness_still_counts_and_a_hand_reading_stands_in() {
    let mut farm = out();
    farm.hold_oxygen(OUT + 1, OUT + 12, 0.1);
    assert_eq!(
        farm.raised("p1.do-blind-high"),
        [at(OUT - 1 + 10)],
        "ten minutes after its last word on the pond"
    );
    let mut farm = out();
    farm.enter(OUT + 2, Quantity::DoMgL, 2.6);
    farm.hold_oxygen(OUT + 3, OUT + 12, 0.1);
    assert_eq!(farm.raised("p1.do-low-critical"), [at(OUT + 7)], "a low hand reading alarms as ever");
    assert!(farm.raised("p1.do-blind-high").is_empty());
}

#[test]
fn it_comes_back_by_itself() {
    let mut farm = out();
    farm.wake(OUT + 29);
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::OutOfService);
    farm.wake(OUT + 30);
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::Normal);
    assert_eq!(news(&farm), [ServiceNews::Out(at(OUT + 30)), ServiceNews::Back]);
    farm.oxygen(OUT + 31, 5.3);
    assert_eq!(farm.flags(Quantity::DoMgL).last(), Some(&Flag::Pass));
}

#[test]
fn a_whole_service_splits_fouling_from_drift_and_changes_what_comes_after() {
    let mut farm = out();
    let quantity = Quantity::DoMgL;
    // Cleaning brings 4.2 to 5.2 while the hand meter stays at 5.3; in air 7.56 is read as 7.20.
    step(&mut farm, OUT + 1, Step::Before { quantity, hand: Some(5.3), reading: Some(4.2) });
    step(&mut farm, OUT + 3, Step::Cleaned);
    step(&mut farm, OUT + 5, Step::After { quantity, hand: Some(5.3), reading: Some(5.2) });
    farm.oxygen(OUT + 9, 7.2);
    step(&mut farm, OUT + 10, Step::Standard { quantity, expected: 7.56, reading: None, millivolts: None });
    step(&mut farm, OUT + 11, Step::Adopt);
    step(&mut farm, OUT + 12, Step::End);
    assert_eq!(farm.refused(), Vec::<String>::new());
    let done = news(&farm).into_iter().find_map(|news| match news {
        ServiceNews::Done(service) => Some(service),
        _ => None,
    });
    let done = done.expect("a result");
    assert!((done.fouling - 1.0).abs() < 1e-9 && (done.drift - 0.36).abs() < 1e-9, "{done:?}");
    assert_eq!((done.from, done.to, done.rejected), (at(EVENING), at(OUT), false));
    // 7.56 / 7.20 = 1.05.
    farm.oxygen(OUT + 14, 5.2);
    let value = farm.effects.iter().rev().find_map(|effect| match effect {
        Effect::Reading(reading) if reading.quantity == quantity => Some((reading.raw, reading.value)),
        _ => None,
    });
    assert_eq!(value, Some((Some(5.2), Some(5.46))), "raw stays, the value is adjusted");
}

#[test]
fn a_probe_found_far_off_has_its_readings_rejected() {
    let mut farm = out();
    let quantity = Quantity::DoMgL;
    step(&mut farm, OUT + 1, Step::Before { quantity, hand: Some(5.3), reading: Some(2.9) });
    step(&mut farm, OUT + 2, Step::Cleaned);
    step(&mut farm, OUT + 3, Step::After { quantity, hand: Some(5.3), reading: Some(5.2) });
    step(&mut farm, OUT + 4, Step::End);
    let rejected = farm.effects.iter().any(|effect| match effect {
        Effect::Amended(amended) => {
            amended.test.id() == "service" && amended.flag == Flag::Fail && amended.to == at(OUT)
        }
        _ => false,
    });
    assert!(rejected, "2.3 mg/L are more than can be corrected");
    // Cleaned, it reads right from then on: the next correction is spread back to here, not beyond.
    step(&mut farm, OUT + 100, Step::Begin { length: minutes(30) });
    step(&mut farm, OUT + 101, Step::Before { quantity, hand: Some(5.3), reading: Some(4.8) });
    step(&mut farm, OUT + 102, Step::Cleaned);
    step(&mut farm, OUT + 103, Step::After { quantity, hand: Some(5.3), reading: Some(5.2) });
    step(&mut farm, OUT + 104, Step::End);
    let spans: Vec<_> = news(&farm)
        .into_iter()
        .filter_map(|news| match news {
            ServiceNews::Done(service) => Some((service.from, service.to)),
            _ => None,
        })
        .collect();
    assert_eq!(spans, [(at(EVENING), at(OUT)), (at(OUT), at(OUT + 100))]);
}

#[test]
fn a_service_ends_the_doubts_of_before() {
    let mut farm = Farm::start(EVENING);
    farm.hold_oxygen(EVENING, OUT, 5.2);
    farm.enter(OUT, Quantity::DoMgL, 7.0);
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::Unacknowledged);
    step(&mut farm, OUT + 1, Step::Begin { length: minutes(30) });
    step(&mut farm, OUT + 2, Step::Cleaned);
    step(&mut farm, OUT + 3, Step::End);
    farm.hold_oxygen(OUT + 4, OUT + 20, 7.0);
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::Normal);
}

#[test]
fn steps_that_cannot_be_are_refused_with_the_reason() {
    let mut farm = Farm::start(EVENING);
    step(&mut farm, EVENING, Step::Cleaned);
    step(&mut farm, EVENING, Step::End);
    step(&mut farm, EVENING, Step::Begin { length: minutes(0) });
    step(&mut farm, EVENING, Step::Begin { length: minutes(10) });
    step(&mut farm, EVENING, Step::Before { quantity: Quantity::Ph, hand: None, reading: Some(8.0) });
    farm.event(EVENING, Event::Service { probe: ProbeIndex(99), step: Step::End, by: "x".into() });
    let refused = farm.refused();
    for (reason, part) in refused.iter().zip([
        "begin the service first",
        "nothing to end",
        "1 min to 24 h is accepted",
        "it does not measure ph: it measures do_mg_l",
        "the farm has 4 probes",
    ]) {
        assert!(reason.contains(part), "{reason}");
    }
    assert_eq!(refused.len(), 5);
}
