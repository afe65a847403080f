//! A feeder trips at ten past two: what a person is told, and when they are left in peace again.

mod farm;

use farm::{Farm, at};
use pondreeve_core::effect::{AdviceAction, AlarmState, Effect};
use pondreeve_core::site::{AeratorGroup, Channel};
use pondreeve_core::{Event, Quantity};

const TRIP: i64 = 26 * 60 + 10;

/// Groups a and c run, b stands in reserve; one meter each.
fn three_groups() -> Farm {
    let mut site = farm::site();
    site.ponds[0].aerators.push(AeratorGroup {
        id: "c".into(),
        power_kw: 2.2,
        sae_kg_kwh: 1.3,
        must_run: false,
        timer: None,
    });
    for group in [0, 1, 2] {
        let meter = Channel { aerator: Some(group), ..Channel::uncorrected(Quantity::AeratorKw) };
        site.probes[1].channels.push(meter);
    }
    let mut farm = Farm::start(20 * 60);
    farm.event(20 * 60, Event::SiteChanged { site });
    farm
}

/// One minute: oxygen 4.6 mg/L, and which of a, b, c draw power.
fn minute(farm: &mut Farm, minute: i64, running: [bool; 3]) {
    let kw = running.map(|runs| (Quantity::AeratorKw, if runs { 2.0 } else { 0.0 }));
    // A value that never moved would be a stuck probe.
    let oxygen = 4.6 + 0.02 * (minute % 3) as f64;
    farm.sweep(minute, &[(Quantity::DoMgL, oxygen), kw[0], kw[1], kw[2]]);
}

fn until_acknowledged() -> Farm {
    let mut farm = three_groups();
    for now in 20 * 60..TRIP {
        minute(&mut farm, now, [true, false, true]);
    }
    for now in TRIP..TRIP + 3 {
        minute(&mut farm, now, [false, false, false]);
    }
    farm.acknowledge(TRIP + 3, "p1.aerators-stopped");
    farm
}

fn sounded_again(farm: &Farm) -> Vec<pondreeve_core::Timestamp> {
    let again = farm.effects.iter().filter_map(|effect| match effect {
        Effect::AlarmChanged(change)
            if change.id == "p1.aerators-stopped"
                && change.previous_state == AlarmState::Acknowledged
                && change.state == AlarmState::Unacknowledged =>
        {
            Some(change.at)
        }
        _ => None,
    });
    again.collect()
}

#[test]
fn a_trip_of_two_groups_is_one_alarm_and_says_what_to_start() {
    let farm = until_acknowledged();
    assert_eq!(farm.raised("p1.aerators-stopped"), [at(TRIP + 1)]);
    assert_eq!(farm.raised("p1.aerator-stopped"), [], "the graver alarm says it all");
    let message = farm.message("p1.aerators-stopped");
    assert!(message.contains("aerators a and c have stopped; oxygen 4.6 mg/L"), "{message}");
    assert!(message.contains("Start b now"), "{message}");
    let advice = farm.state.view().ponds[0].advice.clone().expect("advice");
    assert_eq!((advice.action, advice.aerators.as_slice()), (AdviceAction::StartNow, [1].as_slice()));
    assert!(advice.reason.contains("Start group b"), "{}", advice.reason);
}

#[test]
fn it_sounds_again_while_the_reserve_stands_idle() {
    let mut farm = until_acknowledged();
    for now in TRIP + 4..TRIP + 20 {
        minute(&mut farm, now, [false, false, false]);
    }
    // Acknowledged at +3, so ten minutes later.
    assert_eq!(sounded_again(&farm), [at(TRIP + 13)]);
}

#[test]
fn it_stays_silent_once_everything_that_can_run_does() {
    let mut farm = until_acknowledged();
    for now in TRIP + 4..TRIP + 60 {
        minute(&mut farm, now, [false, true, false]);
    }
    assert_eq!(sounded_again(&farm), []);
    assert_eq!(farm.state("p1.aerators-stopped"), AlarmState::Acknowledged, "it stands all the same");
}

#[test]
fn the_numbers_in_a_reason_to_start_are_at_most_half_an_hour_old() {
    let mut farm = until_acknowledged();
    let reason = |farm: &Farm| farm.state.view().ponds[0].advice.clone().expect("advice").reason;
    assert!(reason(&farm).contains("Oxygen is 4.6 mg/L"), "{}", reason(&farm));
    for now in TRIP + 4..TRIP + 40 {
        farm.sweep(now, &[(Quantity::DoMgL, 4.2)]);
    }
    assert!(reason(&farm).contains("Oxygen is 4.2 mg/L"), "{}", reason(&farm));
}

#[test]
fn aerators_that_stop_at_night_are_announced_within_a_minute() {
    let mut site = farm::site();
    for group in [0, 1] {
        site.probes[1]
            .channels
            .push(Channel { aerator: Some(group), ..Channel::uncorrected(Quantity::AeratorKw) });
    }
    let mut farm = Farm::start(20 * 60);
    farm.event(20 * 60, Event::SiteChanged { site });
    for minute in 20 * 60..TRIP + 12 {
        // Group a trips at 02:10, group b three minutes later.
        let kw = |stops: i64| if minute < stops { 4.4 } else { 0.0 };
        let kw = [kw(TRIP), kw(TRIP + 3)];
        farm.sweep(
            minute,
            &[
                (Quantity::DoMgL, 4.6 + 0.02 * ((minute % 3) as f64 - 1.0)),
                (Quantity::AeratorKw, kw[0]),
                (Quantity::AeratorKw, kw[1]),
            ],
        );
    }
    assert_eq!(farm.raised("p1.aerator-stopped"), [at(TRIP + 1)]);
    assert_eq!(farm.raised("p1.aerators-stopped"), [at(TRIP + 3 + 1)]);
    let message = farm.message("p1.aerator-stopped");
    assert!(message.contains("aerator a has stopped; oxygen 4.6 mg/L"), "{message}");
    assert!(message.contains("Nothing else is left to start"), "both ran until then: {message}");
    // Turning again for five minutes ends it.
    for minute in TRIP + 12..TRIP + 20 {
        let both = [(Quantity::DoMgL, 4.6), (Quantity::AeratorKw, 4.4), (Quantity::AeratorKw, 4.4)];
        farm.sweep(minute, &both);
    }
    assert_eq!(farm.state("p1.aerator-stopped"), AlarmState::ReturnedUnacknowledged);
}

/// One minute of some oxygen, with all three groups or only a running.
fn water(farm: &mut Farm, minute: i64, do_mg_l: f64, all: bool) {
    let kw = |runs| (Quantity::AeratorKw, if runs { 2.0 } else { 0.0 });
    let wobble = 0.01 * (minute % 3) as f64;
    farm.sweep(minute, &[(Quantity::DoMgL, do_mg_l + wobble), kw(true), kw(all), kw(all)]);
}

#[test]
fn where_everything_runs_nobody_is_told_to_start_aerators() {
    for (all, expected) in [(false, "Start aerators and look."), (true, "look whether they turn")] {
        let mut farm = three_groups();
        for now in 22 * 60..25 * 60 {
            let oxygen = 4.6 - 0.8 * (now - 22 * 60) as f64 / 60.0;
            water(&mut farm, now, oxygen.max(3.5), all);
        }
        let message = farm.message("p1.do-low-warn");
        assert!(message.contains(expected), "{message}");
        assert_eq!(message.contains("Start aerators"), !all, "{message}");
    }
}

/// Down to 2.6 mg/L at one, then up by 0.5 an hour: past 3.4 after an hour and a half, in which an acknowledged alarm
/// would sound nine times.
#[test]
fn low_oxygen_that_rises_fast_enough_does_not_sound_again_and_says_when_it_is_back() {
    let mut farm = three_groups();
    let course = |now: i64| {
        let since = (now - 25 * 60) as f64 / 60.0;
        if since < 0.0 { 2.6 - 0.8 * since } else { 2.6 + 0.5 * since }
    };
    let again = |farm: &Farm, from: i64, until: i64| {
        let changes = farm.effects.iter().filter(|effect| {
            matches!(effect, Effect::AlarmChanged(change) if change.id == "p1.do-low-critical"
                && change.state == AlarmState::Unacknowledged
                && change.previous_state == AlarmState::Acknowledged
                && change.at > at(from) && change.at <= at(until))
        });
        changes.count()
    };
    for now in 23 * 60..29 * 60 {
        water(&mut farm, now, course(now).min(6.0), false);
        farm.acknowledge(now, "p1.do-low-critical");
    }
    assert!(!farm.raised("p1.do-low-critical").is_empty());
    // The slope of the last hour turns some time after the water does.
    assert!(again(&farm, 24 * 60 + 30, 25 * 60) > 0, "it falls");
    assert_eq!(again(&farm, 26 * 60, 29 * 60), 0, "it rises");
    // Above 3.0 by a quarter past two, and above 4.0 by five minutes to four.
    for (until, id, expected) in [
        (26 * 60 + 15, "p1.do-low-critical", "Start all aerators now and look"),
        (27 * 60 + 55, "p1.do-low-warn", "It is back above the limit, but only just"),
    ] {
        let mut farm = three_groups();
        for now in 23 * 60..until {
            water(&mut farm, now, course(now), false);
        }
        let shown = farm.state.view().alarms.into_iter().find(|alarm| alarm.id == id);
        let message = shown.expect("it stands").message;
        assert!(message.contains(expected), "{message}");
    }
}
