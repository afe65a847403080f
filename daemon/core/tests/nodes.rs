//! A device that carries several probes falls silent, and a farm whose probes have no power but the mains loses it: one
//! alarm each, times worked out by hand.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::allow_attributes, missing_docs, reason = "a test")]

mod farm;

use farm::{Farm, at, site};
use pondreeve_core::effect::{AlarmState, Effect};
use pondreeve_core::input::{ProbeFault, Sample};
use pondreeve_core::site::{Channel, Node, PondIndex, Probe, ProbeIndex};
use pondreeve_core::{Event, Quantity, Site};

use AlarmState::{
    LatchedUnacknowledged, Normal, ReturnedUnacknowledged as Returned, Suppressed, Unacknowledged as Alarm,
};

const NOON: i64 = 12 * 60;
const NODE: &str = "p1.node-silent.buoy";

fn node(id: &str, is_on_mains: bool) -> Option<Node> {
    Some(Node { id: id.into(), is_on_mains })
}

/// The first pond's two probes on one buoy.
fn with_buoy() -> Site {
    let mut site = site();
    for probe in &mut site.probes[..2] {
        probe.node = node("buoy", false);
    }
    site
}

/// Oxygen and pH of the first pond each minute in `[from, to)`.
fn hear(farm: &mut Farm, from: i64, to: i64) {
    for minute in from..to {
        let wiggle = 0.02 * (minute % 3) as f64;
        farm.sweep(
            minute,
            &[
                (Quantity::DoMgL, 6.0 + wiggle),
                (Quantity::Ph, 8.0 + wiggle),
                (Quantity::TemperatureC, 29.0 + wiggle),
            ],
        );
    }
}

fn course(farm: &Farm, id: &str) -> Vec<(i64, AlarmState)> {
    let changes = farm.effects.iter().filter_map(|effect| match effect {
        Effect::AlarmChanged(change) if change.id == id => {
            Some(((change.at - at(0)).as_millis() / 60_000, change.state))
        }
        _ => None,
    });
    changes.collect()
}

fn said(farm: &mut Farm, minute: i64, is_there: bool) {
    farm.event(minute, Event::NodeSaid { node: "buoy".into(), is_there });
}

/// Last heard at 11:59. Oxygen may be silent for 10 minutes: silent from 12:09, told a minute later. Its probes' own
/// faults, 10 and 30 minutes after 11:59 and 5 more to see what else is silent, are counted inside.
#[test]
fn a_silent_device_is_one_alarm_that_counts_its_probes() {
    let mut farm = Farm::start_with(NOON - 60, with_buoy());
    hear(&mut farm, NOON - 60, NOON);
    farm.wake(NOON + 60);
    assert_eq!(course(&farm, NODE), [(NOON + 10, Alarm)]);
    assert_eq!(course(&farm, "p1.probe-fault.do11"), [(NOON + 14, Suppressed)]);
    assert_eq!(course(&farm, "p1.probe-fault.ph12"), [(NOON + 34, Suppressed)]);
    let view = farm.state.view();
    let root = view.alarms.iter().find(|alarm| alarm.id == NODE).unwrap();
    assert_eq!(root.inside, 2);
    assert!(
        root.message.contains("Heron (p1): node buoy sends nothing")
            && root.message.contains("it carries do11, ph12")
            && root.message.contains("2 further alarms are counted"),
        "{}",
        root.message
    );
    assert!(farm.horn().is_empty(), "by day nobody is called out");
    let why = farm.state.why(NODE).unwrap();
    assert_eq!(why.inputs.len(), 3, "oxygen, pH, temperature: {why:?}");

    hear(&mut farm, NOON + 61, NOON + 80);
    assert_eq!(course(&farm, NODE)[1..], [(NOON + 66, Returned)], "heard again for five minutes");
    for probe in ["p1.probe-fault.do11", "p1.probe-fault.ph12"] {
        assert_eq!(course(&farm, probe).len(), 2, "told of by the node's: {:?}", course(&farm, probe));
        assert_eq!(farm.state(probe), Normal);
    }
}

/// What it carries is not heard, so the pond's oxygen is not observed: at night that alarms as ever, 10 and 20 minutes
/// after the last reading, whatever stands.
#[test]
fn blindness_never_hides_behind_it() {
    let mut farm = Farm::start_with(20 * 60, with_buoy());
    hear(&mut farm, 20 * 60, 21 * 60);
    farm.wake(22 * 60);
    assert_eq!(course(&farm, NODE), [(21 * 60 + 10, Alarm)]);
    assert_eq!(course(&farm, "p1.do-blind-high"), [(21 * 60 + 9, Alarm)]);
    assert_eq!(course(&farm, "p1.do-blind-critical"), [(21 * 60 + 19, Alarm)]);
}

/// The last will is heard at 12:00, before any reading is missed: told at 12:01.
#[test]
fn what_is_said_of_it_counts_at_once_and_what_is_heard_counts_more() {
    let mut farm = Farm::start_with(NOON - 60, with_buoy());
    hear(&mut farm, NOON - 60, NOON);
    said(&mut farm, NOON, false);
    farm.wake(NOON + 5);
    assert_eq!(course(&farm, NODE), [(NOON + 1, Alarm)]);
    assert!(farm.message(NODE).contains("is said to be gone"), "{}", farm.message(NODE));
    // It is there again without a word of that: its readings say so.
    hear(&mut farm, NOON + 6, NOON + 20);
    assert_eq!(course(&farm, NODE)[1..], [(NOON + 11, Returned)]);

    let mut farm = Farm::start_with(NOON - 60, with_buoy());
    hear(&mut farm, NOON - 60, NOON);
    // Back within a minute: it only connected anew.
    farm.event(NOON, Event::NodeSaid { node: "buoy".into(), is_there: false });
    said(&mut farm, NOON, true);
    farm.wake(NOON + 5);
    assert!(course(&farm, NODE).is_empty());
    said(&mut farm, NOON + 6, false);
    assert!(farm.refused().is_empty());
    farm.event(NOON + 7, Event::NodeSaid { node: "raft".into(), is_there: false });
    assert!(farm.refused()[0].contains("nodes that carry several probes: buoy"), "{:?}", farm.refused());
}

/// Oxygen alone is silent: missing at 12:09, and five minutes show that pH is still heard.
#[test]
fn one_silent_probe_of_two_alarms_for_itself() {
    let mut farm = Farm::start_with(NOON - 60, with_buoy());
    hear(&mut farm, NOON - 60, NOON);
    for minute in NOON..NOON + 40 {
        farm.sweep(minute, &[(Quantity::Ph, 8.0 + 0.02 * (minute % 3) as f64)]);
    }
    assert!(course(&farm, NODE).is_empty());
    assert_eq!(course(&farm, "p1.probe-fault.do11"), [(NOON + 14, Alarm)]);
}

/// The device is back, and one of its probes is not: once the device's alarm is over, that probe's own is told.
#[test]
fn what_stays_silent_is_told_when_the_device_is_back() {
    let mut farm = Farm::start_with(NOON - 60, with_buoy());
    hear(&mut farm, NOON - 60, NOON);
    farm.wake(NOON + 60);
    farm.hold_oxygen(NOON + 61, NOON + 80, 6.0);
    assert_eq!(course(&farm, NODE)[1..], [(NOON + 66, Returned)]);
    assert_eq!(course(&farm, "p1.probe-fault.ph12"), [(NOON + 34, Suppressed), (NOON + 66, Alarm)]);
    assert_eq!(farm.state("p1.probe-fault.do11"), Normal);
}

const LOST: i64 = 23 * 60 + 40;
const BACK: i64 = 25 * 60 + 5;

/// Every probe of both ponds, motor meters among them, on one line that has no power but the mains.
fn on_mains() -> Site {
    let mut site = site();
    for pond in 0..2 {
        let channel = |group| Channel { aerator: Some(group), ..Channel::uncorrected(Quantity::AeratorKw) };
        site.probes.push(Probe {
            id: format!("motors{pond}"),
            pond: Some(PondIndex(pond)),
            link: "line".into(),
            node: None,
            channels: vec![channel(0), channel(1)],
        });
    }
    for probe in &mut site.probes {
        probe.node = node("line-north", true);
    }
    site
}

fn sample(probe: u16, quantity: Quantity, channel: Option<u16>, value: f64) -> Sample {
    Sample { probe: ProbeIndex(probe), quantity, channel, value, taken_at: None }
}

/// One minute in which everything answers.
fn answers(farm: &mut Farm, minute: i64, oxygen: f64, kw: f64) {
    let wiggle = 0.02 * (minute % 3) as f64;
    let mut samples = Vec::new();
    for (dissolved, rest, motors) in [(0, 1, 4), (2, 3, 5)] {
        samples.push(sample(dissolved, Quantity::DoMgL, None, oxygen + wiggle));
        samples.push(sample(rest, Quantity::Ph, None, 8.0 + wiggle));
        samples.push(sample(rest, Quantity::TemperatureC, None, 29.0 + wiggle));
        for group in 0..2 {
            samples.push(sample(motors, Quantity::AeratorKw, Some(group), kw));
        }
    }
    farm.event(minute, Event::Sweep { samples });
}

fn unanswered(farm: &mut Farm, minute: i64) {
    for probe in 0..6 {
        farm.event(minute, Event::ProbeFault { probe: ProbeIndex(probe), fault: ProbeFault::Silent });
    }
}

/// What was announced in `[from, to)`.
fn announced(farm: &Farm, from: i64, to: i64) -> Vec<(i64, String)> {
    let new = farm.effects.iter().filter_map(|effect| match effect {
        Effect::AlarmChanged(change) if change.state == Alarm => {
            Some(((change.at - at(0)).as_millis() / 60_000, change.id.clone()))
        }
        _ => None,
    });
    new.filter(|(minute, _)| (from..to).contains(minute)).collect()
}

fn dark(oxygen_afterwards: f64, kw_afterwards: f64) -> Farm {
    let mut farm = Farm::start_with(20 * 60, on_mains());
    for minute in 20 * 60..LOST {
        answers(&mut farm, minute, 6.5 - 0.002 * (minute - 20 * 60) as f64, 4.0);
    }
    for minute in LOST..BACK {
        unanswered(&mut farm, minute);
    }
    for minute in BACK..BACK + 90 {
        answers(&mut farm, minute, oxygen_afterwards, kw_afterwards);
    }
    farm
}

/// Mains out at 23:40, last heard 23:39: two minutes without an answer are 23:41. Blindness of each pond 10 and 20
/// minutes after 23:39. Nothing else is announced, and nothing when all is back at 01:05 but that it is over.
#[test]
fn probes_that_die_with_the_mains_are_one_alarm_and_blindness() {
    let farm = dark(5.4, 4.0);
    let mut expected = vec![(LOST + 1, "farm.power-lost".to_owned())];
    for pond in ["p1", "p2"] {
        expected.push((LOST + 9, format!("{pond}.do-blind-high")));
        expected.push((LOST + 19, format!("{pond}.do-blind-critical")));
    }
    let mut told = announced(&farm, LOST - 60, BACK);
    // By id and time; a critical alarm sounds again by itself.
    told.sort();
    told.dedup();
    expected.sort();
    assert_eq!(told, expected);
    assert!(
        farm.message("farm.power-lost")
            .contains("what has no power but the mains answers again; aerator groups known to run: 4")
    );
    assert_eq!(announced(&farm, BACK, BACK + 90), []);
    // Back for five minutes: over, and latched until somebody has looked.
    assert_eq!(course(&farm, "farm.power-lost")[1..], [(BACK + 5, LatchedUnacknowledged)]);
    assert_eq!(course(&farm, "p1.do-blind-critical").last(), Some(&(BACK + 5, Returned)));
    assert_eq!(farm.state("farm.node-silent.line-north"), Normal);
}

#[test]
fn six_probes_and_their_line_are_counted_inside() {
    let mut farm = Farm::start_with(20 * 60, on_mains());
    for minute in 20 * 60..LOST {
        answers(&mut farm, minute, 6.0, 4.0);
    }
    for minute in LOST..LOST + 40 {
        unanswered(&mut farm, minute);
    }
    let view = farm.state.view();
    let root = view.alarms.iter().find(|alarm| alarm.id == "farm.power-lost").unwrap();
    assert_eq!(root.inside, 7, "{view:?}");
    assert!(root.message.contains("Whether aerators turn is not seen: look"), "{}", root.message);
    assert!(root.message.contains("7 further alarms are counted"), "{}", root.message);
}

/// The meters are back and the aerators are not: the loss goes on, until they are started one after another.
#[test]
fn aerators_that_did_not_start_again_keep_it_standing() {
    let farm = dark(5.4, 0.0);
    assert_eq!(farm.state("farm.power-lost"), Alarm);
    assert!(course(&farm, "farm.power-lost").len() == 1, "{:?}", course(&farm, "farm.power-lost"));
    let view = farm.state.view();
    let root = view.alarms.iter().find(|alarm| alarm.id == "farm.power-lost").unwrap();
    assert!(root.message.contains("all 4 running aerator groups in 2 ponds"), "{}", root.message);
}

/// One line of two is dead: a broken cable, not the mains.
#[test]
fn one_dead_line_of_two_is_not_the_mains() {
    let mut site = on_mains();
    for probe in site.probes.iter_mut().filter(|probe| probe.pond == Some(PondIndex(1))) {
        probe.node = node("line-south", true);
    }
    let mut farm = Farm::start_with(NOON - 60, site);
    for minute in NOON - 60..NOON {
        answers(&mut farm, minute, 6.0, 4.0);
    }
    for minute in NOON..NOON + 30 {
        for probe in [0, 1, 4] {
            farm.event(minute, Event::ProbeFault { probe: ProbeIndex(probe), fault: ProbeFault::Silent });
        }
        let wiggle = 0.02 * (minute % 3) as f64;
        let samples =
            vec![sample(2, Quantity::DoMgL, None, 6.0 + wiggle), sample(3, Quantity::Ph, None, 8.0 + wiggle)];
        farm.event(minute, Event::Sweep { samples });
    }
    assert_eq!(farm.state("farm.power-lost"), Normal);
    // Last heard 11:59, two minutes without an answer, and one more: 12:02.
    assert_eq!(course(&farm, "p1.node-silent.line-north"), [(NOON + 2, Alarm)]);
    for probe in ["do11", "ph12", "motors0"] {
        assert_eq!(farm.state(&format!("p1.probe-fault.{probe}")), Suppressed);
    }
}
