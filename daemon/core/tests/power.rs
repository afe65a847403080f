//! The mains fail at twenty to midnight: one alarm for it, the rest counted inside, oxygen as loud as
//! ever; and afterwards what did not start again.

mod farm;

use farm::{Farm, at};
use pondreeve_core::effect::{AlarmState, Effect};
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::site::{Channel, PondIndex, Probe, ProbeIndex};
use pondreeve_core::{Event, Quantity};

const LOST: i64 = 23 * 60 + 40;

/// Motor currents of both ponds, oxygen of both.
fn with_motors() -> Farm {
    let mut site = farm::site();
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
    let mut farm = Farm::start(20 * 60);
    farm.event(20 * 60, Event::SiteChanged { site });
    farm
}

fn sample(probe: u16, quantity: Quantity, channel: Option<u16>, value: f64) -> Sample {
    Sample { probe: ProbeIndex(probe), quantity, channel, value, taken_at: None }
}

/// One minute: oxygen of each pond, and what runs of each pond's two groups.
fn minute(farm: &mut Farm, minute: i64, oxygen: [f64; 2], running: [[bool; 2]; 2]) {
    // A value that never moved would be a stuck probe.
    let wiggle = 0.02 * (minute % 3) as f64;
    let mut samples = vec![
        sample(0, Quantity::DoMgL, None, oxygen[0] + wiggle),
        sample(2, Quantity::DoMgL, None, oxygen[1] + wiggle),
    ];
    for probe in [1, 3] {
        samples.push(sample(probe, Quantity::Ph, None, 8.0 + wiggle));
        samples.push(sample(probe, Quantity::TemperatureC, None, 29.0 + wiggle));
    }
    for (pond, groups) in (4_u16..).zip(running) {
        for (group, runs) in (0_u16..).zip(groups) {
            samples.push(sample(pond, Quantity::AeratorKw, Some(group), if runs { 4.0 } else { 0.0 }));
        }
    }
    farm.event(minute, Event::Sweep { samples });
}

const ALL: [[bool; 2]; 2] = [[true; 2]; 2];
const NONE: [[bool; 2]; 2] = [[false; 2]; 2];

/// Everything runs until the mains fail, and is needed: oxygen falls all the same, to 5.0 and 4.8 mg/L.
fn evening(farm: &mut Farm) {
    for now in 20 * 60..LOST {
        let above = 0.01 * (LOST - now) as f64;
        minute(farm, now, [5.0 + above, 4.8 + above], ALL);
    }
}

/// Everything runs until the mains fail; then nothing for `minutes`.
fn dark_for(minutes: i64) -> Farm {
    let mut farm = with_motors();
    evening(&mut farm);
    for now in LOST..LOST + minutes {
        let fallen = 0.03 * (now - LOST) as f64;
        minute(&mut farm, now, [5.0 - fallen, 4.8 - fallen], NONE);
    }
    farm
}

#[test]
fn one_alarm_tells_of_it_at_once_and_the_others_are_counted_inside() {
    let mut farm = dark_for(3);
    assert_eq!(farm.raised("farm.power-lost"), [at(LOST)]);
    assert_eq!(farm.state("farm.power-lost"), AlarmState::Unacknowledged);
    assert!(farm.horn().last().is_some_and(|(_, sound)| *sound));
    // The stop of several groups is announced after a minute; here it is one more sign of the same.
    for pond in ["p1", "p2"] {
        assert_eq!(farm.state(&format!("{pond}.aerators-stopped")), AlarmState::Suppressed);
    }
    // A bus of the same mains falls silent, and with it a probe.
    let which = "line".to_owned();
    farm.event(
        LOST + 3,
        Event::GatewayFault { part: GatewayPart::Bus, which, detail: Some("the adapter is gone".into()) },
    );
    for minute in 3..12 {
        let fault = ProbeFault::Unreachable;
        farm.event(LOST + minute, Event::ProbeFault { probe: ProbeIndex(0), fault });
    }
    assert_eq!(farm.state("gateway.bus.line"), AlarmState::Suppressed);
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::Suppressed);
    let view = farm.state.view();
    let root = view.alarms.iter().find(|alarm| alarm.id == "farm.power-lost").unwrap();
    assert!(root.message.contains("4 further alarms are counted in this one"), "{}", root.message);
    assert!(root.message.contains("all 4 running aerator groups in 2 ponds"), "{}", root.message);
    // P2 began lower, so it is named first.
    let [p1, p2] = ["Heron (p1)", "Ibis (p2)"].map(|pond| root.message.find(pond).unwrap());
    assert!(p2 < p1, "{}", root.message);
    let loud: Vec<&str> = view
        .alarms
        .iter()
        .filter(|alarm| alarm.state == AlarmState::Unacknowledged)
        .map(|alarm| alarm.id.as_str())
        .filter(|id| !id.contains(".do-"))
        .collect();
    assert_eq!(loud, ["farm.power-lost"], "besides what is known of oxygen");
}

#[test]
fn oxygen_is_never_counted_inside() {
    // 4.8 falling 0.03 a minute is below 4.0 after 27 minutes; on-delay 10.
    let farm = dark_for(45);
    assert_eq!(farm.state("p2.do-low-warn"), AlarmState::Unacknowledged);
    assert!(!farm.raised("p2.do-low-warn").is_empty());
}

#[test]
fn afterwards_what_did_not_start_again_is_told_and_somebody_must_have_looked() {
    let mut farm = dark_for(12);
    farm.acknowledge(LOST + 12, "farm.power-lost");
    let partly = [[true, true], [true, false]];
    for now in LOST + 12..LOST + 20 {
        minute(&mut farm, now, [4.7, 4.5], partly);
    }
    // Running from 12 on, off-delay 5 min.
    let over = farm.effects.iter().find_map(|effect| match effect {
        Effect::AlarmChanged(change)
            if change.id == "farm.power-lost" && change.state == AlarmState::LatchedAcknowledged =>
        {
            Some(change.clone())
        }
        _ => None,
    });
    let over = over.unwrap();
    assert_eq!(over.at, at(LOST + 17));
    assert!(over.message.contains("Not running again: p2 b. "), "{}", over.message);
    assert!(over.message.contains("test TAN"), "{}", over.message);
    assert_eq!(farm.state("p2.aerator-stopped"), AlarmState::Unacknowledged);
    assert_eq!(farm.state("p1.aerators-stopped"), AlarmState::Normal);
    farm.event(LOST + 20, Event::Reset { alarm: "farm.power-lost".into(), by: "technician".into() });
    assert_eq!(farm.state("farm.power-lost"), AlarmState::Normal);
}

#[test]
fn a_trip_of_one_pond_is_no_loss_of_power_nor_are_stops_one_after_another() {
    let mut farm = with_motors();
    evening(&mut farm);
    for now in LOST..LOST + 5 {
        minute(&mut farm, now, [5.0, 4.8], [[false; 2], [true; 2]]);
    }
    assert_eq!(farm.state("p1.aerators-stopped"), AlarmState::Unacknowledged);
    for now in LOST + 5..LOST + 9 {
        minute(&mut farm, now, [5.0, 4.8], NONE);
    }
    assert_eq!(farm.raised("farm.power-lost"), [], "five minutes apart");
    assert_eq!(farm.state("p2.aerators-stopped"), AlarmState::Unacknowledged);
}

#[test]
fn by_day_people_switch_aerators_off() {
    let mut farm = with_motors();
    let morning = 34 * 60;
    for now in morning - 30..morning {
        minute(&mut farm, now, [6.0, 6.0], ALL);
    }
    for now in morning..morning + 10 {
        minute(&mut farm, now, [6.0, 6.0], NONE);
    }
    assert_eq!(farm.raised("farm.power-lost"), []);
}

#[test]
fn a_lost_line_speaks_for_its_probes() {
    let mut farm = Farm::start(11 * 60);
    let well = |farm: &mut Farm, minute: i64, which: &[u16]| {
        let wiggle = 0.02 * (minute % 3) as f64;
        let of = |&probe: &u16| match probe {
            0 | 2 => vec![sample(probe, Quantity::DoMgL, None, 7.0 + wiggle)],
            _ => vec![
                sample(probe, Quantity::Ph, None, 8.0 + wiggle),
                sample(probe, Quantity::TemperatureC, None, 29.0 + wiggle),
            ],
        };
        farm.event(minute, Event::Sweep { samples: which.iter().flat_map(of).collect() });
    };
    let noon = 12 * 60;
    for now in 11 * 60..noon {
        well(&mut farm, now, &[0, 1, 2, 3]);
    }
    let line = |detail: Option<&str>| Event::GatewayFault {
        part: GatewayPart::Bus,
        which: "line".into(),
        detail: detail.map(Into::into),
    };
    farm.event(noon, line(Some("the adapter is gone")));
    for now in noon..noon + 10 {
        for probe in 0..4 {
            let fault = ProbeFault::Unreachable;
            farm.event(now, Event::ProbeFault { probe: ProbeIndex(probe), fault });
        }
    }
    let view = farm.state.view();
    let suppressed = view.alarms.iter().filter(|alarm| alarm.root.as_deref() == Some("gateway.bus.line"));
    assert_eq!(suppressed.count(), 4);
    assert_eq!(farm.state("gateway.bus.line"), AlarmState::Unacknowledged);
    // It is back, and two of its probes are not: one does not answer, of one nothing is heard.
    farm.event(noon + 10, line(None));
    let mut silent_at = None;
    let mut missed_at = None;
    for now in noon + 10..noon + 60 {
        well(&mut farm, now, &[0, 2]);
        if now >= noon + 12 {
            farm.event(now, Event::ProbeFault { probe: ProbeIndex(1), fault: ProbeFault::Silent });
        }
        let told = |farm: &Farm, id| farm.state(id) == AlarmState::Unacknowledged;
        if silent_at.is_none() && told(&farm, "p1.probe-fault.ph12") {
            silent_at = Some(now);
        }
        if missed_at.is_none() && told(&farm, "p2.probe-fault.ph22") {
            missed_at = Some(now);
        }
    }
    // Silent from 12 on: at once, since it stood all the while. pH counts as missing after 30 min.
    assert_eq!((silent_at, missed_at), (Some(noon + 12), Some(noon + 40)));
    for well in ["p1.probe-fault.do11", "p2.probe-fault.do21"] {
        assert_eq!(farm.state(well), AlarmState::Normal);
        assert_eq!(farm.raised(well).len(), 1, "suppressed, and never announced");
    }
}

/// Nothing has started when the night ends: that is not told as power that is back.
#[test]
fn a_night_that_ends_in_the_dark_is_not_told_as_power_that_is_back() {
    let mut farm = dark_for(12);
    let day = 32 * 60;
    for now in LOST + 12..day {
        minute(&mut farm, now, [4.6, 4.5], NONE);
    }
    assert_eq!(farm.state("farm.power-lost"), AlarmState::LatchedUnacknowledged);
    let message = farm.message("farm.power-lost");
    assert!(message.contains("no aerator runs: whether the power is back is not known"), "{message}");
}
