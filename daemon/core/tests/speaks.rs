//! What a person is shown as the pond's present: the probe that speaks, advice for what really stands still, and no day
//! by night.

mod farm;

use farm::{Farm, at};
use pondreeve_core::effect::{AdviceAction, Effect, Flag, Latest};
use pondreeve_core::site::{AeratorGroup, Channel, PondIndex, Probe, ProbeIndex};
use pondreeve_core::{Event, Quantity};

fn latest(farm: &Farm, quantity: Quantity) -> Latest {
    let view = farm.state.view();
    let found = view.ponds[0].latest.iter().find(|latest| latest.quantity == quantity);
    found.expect("it is measured").clone()
}

/// Pond p1 with a second oxygen probe, near the surface, which is the first in the configuration.
fn two_probes() -> Farm {
    let mut site = farm::site();
    let surface = Probe {
        id: "p1-surface".into(),
        channels: vec![Channel::uncorrected(Quantity::DoMgL)],
        ..site.probes[0].clone()
    };
    site.probes.push(surface);
    Farm::start_with(20 * 60, site)
}

fn both(farm: &mut Farm, minute: i64, bottom: f64, surface: f64) {
    let sample = |probe, value| pondreeve_core::input::Sample {
        probe: ProbeIndex(probe),
        quantity: Quantity::DoMgL,
        channel: None,
        value,
        taken_at: None,
    };
    let wave = 0.02 * (minute % 3) as f64;
    // Each polled by itself, the surface last.
    farm.event(minute, Event::Sweep { samples: vec![sample(0, bottom + wave)] });
    farm.event(minute, Event::Sweep { samples: vec![sample(4, surface + wave)] });
}

#[test]
fn of_two_probes_the_lower_oxygen_is_shown_and_named_and_summed_up() {
    let mut farm = two_probes();
    for minute in 20 * 60 + 1..20 * 60 + 40 {
        both(&mut farm, minute, 3.1, 6.1);
        let shown = latest(&farm, Quantity::DoMgL);
        assert_eq!(shown.probe, Some(ProbeIndex(0)), "at minute {minute}");
        assert!(shown.value.is_some_and(|value| value < 3.2), "{shown:?}");
    }
    let summaries = farm.effects.iter().filter_map(|effect| match effect {
        Effect::Summary(summary) if summary.pond == PondIndex(0) => summary.quantities.first(),
        _ => None,
    });
    let summaries: Vec<_> = summaries.filter(|own| own.quantity == Quantity::DoMgL).collect();
    assert!(!summaries.is_empty());
    for oxygen in summaries {
        assert!(oxygen.maximum < 3.2 && oxygen.mean < 3.2 && oxygen.last < 3.2, "{oxygen:?}");
    }
    // The lower probe falls silent: the other takes over, by name.
    let sample = |minute: i64| pondreeve_core::input::Sample {
        probe: ProbeIndex(4),
        quantity: Quantity::DoMgL,
        channel: None,
        value: 6.0 + 0.02 * (minute % 3) as f64,
        taken_at: None,
    };
    for minute in 20 * 60 + 40..21 * 60 + 20 {
        farm.event(minute, Event::Sweep { samples: vec![sample(minute)] });
    }
    let shown = latest(&farm, Quantity::DoMgL);
    assert_eq!((shown.probe, shown.flag), (Some(ProbeIndex(4)), Flag::Pass));
}

#[test]
fn a_probe_that_a_hand_meter_contradicts_is_not_shown_as_good() {
    let mut farm = Farm::start(20 * 60);
    farm.hold_oxygen(20 * 60 + 1, 20 * 60 + 6, 10.0);
    assert_eq!(latest(&farm, Quantity::DoMgL).flag, Flag::Pass);
    farm.enter(20 * 60 + 6, Quantity::DoMgL, 4.7);
    farm.hold_oxygen(20 * 60 + 7, 20 * 60 + 11, 10.0);
    // While the hand reading counts, it is the lower and speaks.
    assert_eq!(latest(&farm, Quantity::DoMgL).value, Some(4.7));
    farm.hold_oxygen(20 * 60 + 11, 22 * 60, 10.0);
    let shown = latest(&farm, Quantity::DoMgL);
    assert!(shown.value.is_some_and(|value| value > 9.0));
    assert_eq!(shown.flag, Flag::Suspect);
    // The forecast from before goes on, and says why there is no newer one and what ends that.
    let forecast = farm.state.view().ponds[0].forecast.clone().expect("the one from before");
    let basis = forecast.basis.english();
    assert!(basis.contains("measure beside it again"), "{basis}");
}

/// Groups a, b and c with a meter each; a and c trip at four, oxygen goes below its limit.
fn tripped(running_after: [bool; 3]) -> Farm {
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
    let mut farm = Farm::start_with(26 * 60, site);
    let mut minute = |minute: i64, running: [bool; 3], oxygen: f64| {
        let kw = running.map(|runs| (Quantity::AeratorKw, if runs { 2.0 } else { 0.0 }));
        let oxygen = oxygen + 0.02 * (minute % 3) as f64;
        farm.sweep(minute, &[(Quantity::DoMgL, oxygen), kw[0], kw[1], kw[2]]);
    };
    for now in 26 * 60 + 1..28 * 60 {
        minute(now, [true, false, true], 4.4);
    }
    for now in 28 * 60..28 * 60 + 10 {
        minute(now, [false, false, false], 3.6);
    }
    for now in 28 * 60 + 10..28 * 60 + 20 {
        minute(now, running_after, 3.6);
    }
    farm
}

#[test]
fn what_tripped_is_not_called_for_while_something_else_stands_ready() {
    let advice = tripped([false, false, false]).last_advice();
    assert_eq!((advice.action, advice.aerators.as_slice()), (AdviceAction::StartNow, [1].as_slice()));
    let reason = advice.reason.english();
    assert!(reason.contains("Start group b (4.5 kW) and look"), "{reason}");
    assert!(reason.contains("Tonight groups a and c stopped: find out why"), "{reason}");
}

#[test]
fn with_nothing_else_left_the_reason_of_the_stop_comes_first() {
    let advice = tripped([false, true, false]).last_advice();
    assert_eq!((advice.action, advice.aerators.as_slice()), (AdviceAction::StartNow, [0, 2].as_slice()));
    let reason = advice.reason.english();
    assert!(reason.contains("Tonight groups a and c stopped: find out why, then start again"), "{reason}");
    assert!(!reason.contains("Start groups"), "{reason}");
}

#[test]
fn a_first_start_by_night_does_not_say_that_it_is_day() {
    // 23:00 at longitude 0.
    let mut farm = Farm::start(23 * 60 + 1);
    farm.oxygen(23 * 60 + 2, 5.5);
    let advice = farm.last_advice();
    assert_eq!((advice.action, advice.at), (AdviceAction::Unknown, at(23 * 60 + 2)));
    assert!(!advice.reason.english().contains("day"), "{}", advice.reason.english());
    // And by day it does.
    let mut farm = Farm::start(12 * 60);
    farm.oxygen(12 * 60 + 2, 5.5);
    assert_eq!(farm.last_advice().action, AdviceAction::Rest);
}

#[test]
fn without_aerators_the_energy_is_nothing_and_not_minus_nothing() {
    let mut site = farm::site();
    site.ponds[0].aerators.clear();
    let mut farm = Farm::start_with(23 * 60 + 1, site);
    farm.oxygen(23 * 60 + 2, 2.0);
    let advice = farm.last_advice();
    assert_eq!(advice.action, AdviceAction::StartNow);
    assert!(advice.kwh.is_sign_positive(), "{}", advice.kwh);
}
