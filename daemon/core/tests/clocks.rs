//! Clocks that are wrong, of nodes and of the gateway, and the moment in which one is set.

mod farm;

use farm::{Farm, at};
use pondreeve_core::effect::{AlarmState, Effect};
use pondreeve_core::input::{GatewayPart, Sample};
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Quantity, Span};

/// Sunset is near 18:00 and sunrise near 06:00 at the equator, at longitude 0 the clock is UTC.
const NOON: i64 = 12 * 60;
const DAY: i64 = 24 * 60;

/// A reading a minute whose node dates them `behind` minutes before they arrive.
fn hold_dated(farm: &mut Farm, minutes: std::ops::Range<i64>, value: f64, behind: i64) {
    for minute in minutes {
        let samples = vec![Sample {
            probe: ProbeIndex(0),
            quantity: Quantity::DoMgL,
            channel: None,
            value: value + 0.02 * ((minute % 3) as f64 - 1.0),
            taken_at: Some(at(minute - behind)),
        }];
        farm.event(minute, Event::Sweep { samples });
    }
}

/// A node that counts from 1970, or from the day it was made: the pond is watched by it, and somebody is told to set it.
#[test]
fn a_node_whose_clock_was_never_set_alarms_and_is_told_of() {
    let mut farm = Farm::start(NOON);
    hold_dated(&mut farm, NOON..NOON + 32, 2.5, 20_000 * DAY);
    assert_eq!(farm.raised("p1.do-low-critical"), [at(NOON + 5)]);
    assert!(farm.message("p1.do-low-critical").contains("suspect: check with a hand meter"));
    assert_eq!(farm.raised("p1.probe-fault.do11"), [at(NOON + 30)]);
    let told = farm.message("p1.probe-fault.do11");
    assert!(
        told.contains("has a clock that was never set") && told.contains("as if the water were as it reads"),
        "{told}"
    );
    hold_dated(&mut farm, NOON + 32..NOON + 70, 2.5, 0);
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::ReturnedUnacknowledged);
    assert_eq!(farm.refused(), Vec::<String>::new());
}

/// Five hours behind, as who takes the farm's time for UTC: nothing is known of now, and it is said why.
#[test]
fn a_node_that_keeps_the_farms_time_is_not_said_to_be_silent() {
    let mut farm = Farm::start(NOON);
    hold_dated(&mut farm, NOON..NOON + 20, 2.5, 5 * 60);
    assert_eq!(farm.raised("p1.do-low-critical"), []);
    let told = farm.message("p1.probe-fault.do11");
    assert!(
        told.contains("sends oxygen dated 5 h before it comes") && told.contains("another time zone?"),
        "{told}"
    );
    // Its clock is set, or what was held back has all come.
    hold_dated(&mut farm, NOON + 20..NOON + 40, 2.5, 0);
    assert_eq!(farm.raised("p1.do-low-critical"), [at(NOON + 25)]);
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::ReturnedUnacknowledged);
}

/// The other way round: the gateway woke up years ago, and the nodes know better.
#[test]
fn a_gateway_whose_clock_is_wrong_watches_by_nodes_that_are_right() {
    let mut farm = Farm::start(NOON);
    let fault = |detail: Option<&str>| Event::GatewayFault {
        part: GatewayPart::Clock,
        which: String::new(),
        detail: detail.map(String::from),
    };
    farm.event(NOON, fault(Some("the clock has not been set")));
    hold_dated(&mut farm, NOON..NOON + 40, 2.5, -9_000 * DAY);
    assert_eq!(farm.refused(), Vec::<String>::new());
    assert_eq!(farm.raised("p1.do-low-critical"), [at(NOON + 5)]);
    assert!(farm.message("p1.do-low-critical").contains("suspect: check with a hand meter"));
    assert_eq!(farm.raised("p1.probe-fault.do11"), [], "it is the gateway's that has to be set");
    farm.event(NOON + 40, fault(None));
    hold_dated(&mut farm, NOON + 41..NOON + 42, 2.5, -9_000 * DAY);
    assert_eq!(farm.refused().len(), 1, "now it is the node's");
}

/// A gateway without a battery clock boots three hours late at night, and a time server answers after five minutes: nobody
/// was silent for those hours, and no delay has passed in them.
#[test]
fn a_leap_of_the_clock_is_not_three_hours_of_silence() {
    let mut farm = Farm::start(NOON);
    let night = 22 * 60;
    farm.hold_oxygen(NOON, night, 6.0);
    // Below 4.0 for four of the ten minutes after which it is told.
    farm.hold_oxygen(night, night + 5, 3.6);
    let leap = 3 * 60;
    let told_before = farm.effects.len();
    farm.event(night + 4, Event::ClockStepped { from: at(night + 4), to: at(night + 4 + leap) });
    farm.wake(night + 4 + leap);
    farm.event(night + 4 + leap, Event::Tick);
    farm.wake(night + 4 + leap + 1);
    let raised = |farm: &Farm| {
        let changes = farm.effects[told_before..].iter().filter_map(|effect| match effect {
            Effect::AlarmChanged(own) if own.state == AlarmState::Unacknowledged => Some(own.id.clone()),
            _ => None,
        });
        changes.filter(|id| id != "gateway.clock").collect::<Vec<_>>()
    };
    assert_eq!(raised(&farm), Vec::<String>::new());
    assert!(
        !farm.effects[told_before..]
            .iter()
            .any(|effect| matches!(effect, Effect::Summary(own) if own.to < at(night + leap))),
        "no summary of hours that never were"
    );
    // It goes on falling short as before: told ten minutes after the crossing, of which the leap is none.
    farm.hold_oxygen(night + leap + 5, night + leap + 12, 3.6);
    assert_eq!(farm.raised("p1.do-low-warn"), [at(night + leap + 10)]);
    assert_eq!(farm.raised("p1.do-blind-high"), []);
}

/// What is silent stays silent for as long as it was.
#[test]
fn a_leap_of_the_clock_hides_no_silence() {
    let mut farm = Farm::start(NOON);
    let night = 22 * 60;
    farm.hold_oxygen(NOON, night, 6.0);
    // The last reading is of minute `night - 1`; nine minutes later the clock leaps, and again each minute.
    let mut now = night + 8;
    for _ in 0..30 {
        farm.event(now, Event::ClockStepped { from: at(now), to: at(now + 60) });
        farm.event(now + 60, Event::Tick);
        now += 61;
        farm.wake(now);
    }
    // Two minutes after the first leap, at the latest, ten minutes are over.
    let told = farm.raised("p1.do-blind-high");
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0] <= at(night + 8 + 2 * 61), "{told:?}");
}

/// A battery clock that gained half a minute, and a time server: nobody has to act.
#[test]
fn a_clock_that_is_set_by_seconds_is_no_alarm() {
    let mut farm = Farm::start(NOON);
    for (from, to) in [(0, 30), (30, -20)] {
        let set = |seconds| at(NOON) + Span::from_secs(seconds);
        farm.event(NOON, Event::ClockStepped { from: set(from), to: set(to) });
        farm.event(NOON + 1, Event::Tick);
    }
    assert_eq!(farm.raised("gateway.clock"), []);
    farm.event(NOON + 2, Event::ClockStepped { from: at(NOON + 2), to: at(NOON + 1) });
    assert_eq!(farm.raised("gateway.clock"), [at(NOON + 2)]);
}
