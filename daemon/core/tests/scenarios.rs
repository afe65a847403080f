//! Nights and faults with hand-reasoned outcomes: each expected time stands beside its reason.

mod farm;

use farm::{Farm, at, minutes};
use pondreeve_core::effect::{AdviceAction, AlarmState, Effect, Flag};
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Quantity};

/// Sunset is near 18:00 and sunrise near 06:00 at the equator, at longitude 0 the clock is UTC.
const NOON: i64 = 12 * 60;

/// A value that never moved would be a stuck probe.
fn wobble(step: i64) -> f64 {
    0.02 * ((step % 3) as f64 - 1.0)
}

#[test]
fn critical_low_oxygen_is_raised_five_minutes_after_the_crossing() {
    let mut farm = Farm::start(NOON);
    // 6.0 mg/L at noon, falling 0.05 a minute by day: below 4.0 first at minute 41 (3.95), below 3.0
    // at minute 61 (2.95), below 2.0 at minute 81 (1.95).
    for minute in 0..=100 {
        farm.oxygen(NOON + minute, 6.0 - 0.05 * minute as f64);
    }
    assert_eq!(farm.raised("p1.do-low-warn"), [at(NOON + 41 + 10)]);
    assert_eq!(farm.raised("p1.do-low-critical"), [at(NOON + 61 + 5)]);
    assert_eq!(farm.raised("p1.do-low-emergency"), [at(NOON + 81 + 1)]);
    // 0.05 a minute is 1.5 in 30 minutes, which is the limit and not beyond it.
    assert_eq!(farm.raised("p1.do-falling"), []);
    assert_eq!(farm.horn(), [(at(NOON + 51), true)]);
    let message = farm.message("p1.do-low-critical");
    assert!(
        message.starts_with(
            "Heron (p1): oxygen critically low, 2.8 mg/L (limit 3.0), falling 3.0 mg/L per hour"
        ),
        "{message}"
    );
    assert!(
        message.contains("2.0 in about 15 min"),
        "2.75 mg/L at minute 65, 0.75 at 3 per hour is 15 min: {message}"
    );
    assert!(message.contains("Start all aerators now and look"), "{message}");
}

#[test]
fn the_on_delay_runs_out_without_a_further_reading() {
    let mut farm = Farm::start(NOON);
    farm.oxygen(NOON, 6.0);
    farm.oxygen(NOON + 1, 2.5);
    farm.wake(NOON + 30);
    // The deadline of the critical alarm is minute 6; the probe is missing only at minute 11.
    assert_eq!(farm.raised("p1.do-low-critical"), [at(NOON + 6)]);
    // The warning would be due at minute 11, but by then the oxygen is not observed any more.
    assert_eq!(farm.raised("p1.do-low-warn"), []);
}

#[test]
fn recovery_needs_the_deadband_and_the_off_delay() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 10, 2.8);
    farm.hold_oxygen(NOON + 10, NOON + 40, 3.3);
    assert_eq!(
        farm.state("p1.do-low-critical"),
        AlarmState::Unacknowledged,
        "3.3 is within the deadband of 0.4"
    );
    farm.hold_oxygen(NOON + 40, NOON + 54, 3.45);
    assert_eq!(farm.state("p1.do-low-critical"), AlarmState::Unacknowledged);
    farm.hold_oxygen(NOON + 54, NOON + 56, 3.45);
    assert_eq!(
        farm.state("p1.do-low-critical"),
        AlarmState::ReturnedUnacknowledged,
        "clear since minute 40, 15 min"
    );
    farm.acknowledge(NOON + 57, "p1.do-low-critical");
    assert_eq!(farm.state("p1.do-low-critical"), AlarmState::Normal);
}

#[test]
fn acknowledging_silences_the_horn_and_danger_brings_it_back() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 20, 2.5);
    farm.acknowledge(NOON + 20, "p1.do-low-critical");
    assert_eq!(farm.state("p1.do-low-warn"), AlarmState::Acknowledged, "the graver implies the milder");
    assert_eq!(farm.horn(), [(at(NOON + 5), true), (at(NOON + 20), false)]);
    farm.hold_oxygen(NOON + 21, NOON + 35, 2.5);
    assert_eq!(farm.horn().last(), Some(&(at(NOON + 30), true)), "ten minutes after the acknowledgement");
}

#[test]
fn it_sounds_again_without_a_further_reading() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 6, 2.5);
    farm.acknowledge(NOON + 6, "p1.do-low-critical");
    farm.wake(NOON + 60);
    assert_eq!(farm.horn().last(), Some(&(at(NOON + 16), true)), "ten minutes after the acknowledgement");
}

#[test]
fn acknowledging_what_does_not_wait_is_refused_with_what_does() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 6, 2.5);
    farm.acknowledge(NOON + 6, "p1.do-low");
    let refused = farm.refused();
    assert_eq!(refused.len(), 1);
    assert!(
        refused[0].contains("p1.do-low was not acknowledged: it is not the id of any alarm"),
        "{}",
        refused[0]
    );
    assert!(refused[0].contains("waiting for it: p1.do-low-critical"), "{}", refused[0]);
}

#[test]
fn suspect_low_oxygen_alarms_and_says_so() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 10, 0.1);
    assert_eq!(farm.state("p1.do-low-emergency"), AlarmState::Unacknowledged);
    assert!(farm.message("p1.do-low-emergency").contains("suspect: check with a hand meter"));
}

#[test]
fn failed_readings_at_night_are_blindness_not_low_oxygen() {
    let mut farm = Farm::start(NOON);
    let dusk = 20 * 60;
    farm.hold_oxygen(NOON, dusk, 7.0);
    // The last good reading is at minute 1199; -1 mg/L is no measurement.
    for minute in dusk..dusk + 40 {
        farm.oxygen(minute, -1.0);
    }
    assert_eq!(farm.raised("p1.do-blind-high"), [at(dusk - 1 + 10)]);
    assert_eq!(farm.raised("p1.do-blind-critical"), [at(dusk - 1 + 20)]);
    assert_eq!(farm.raised("p1.do-low-critical"), []);
    assert_eq!(farm.raised("p1.probe-fault.do11"), [at(dusk + 5)], "failing for five minutes");
    assert_eq!(farm.last_advice().action, AdviceAction::Unknown);
    assert!(farm.last_advice().reason.contains("start aerators and look"));
}

#[test]
fn silence_is_a_probe_fault_by_day_and_blindness_from_sunset() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 10, 7.0);
    farm.event(NOON + 10, Event::ProbeFault { probe: ProbeIndex(0), fault: ProbeFault::Silent });
    farm.wake(NOON + 60);
    assert_eq!(farm.raised("p1.probe-fault.do11"), [at(NOON + 15)]);
    assert!(farm.message("p1.probe-fault.do11").contains("does not answer"));
    assert_eq!(farm.flags(Quantity::DoMgL).last(), Some(&Flag::Missing));
    assert_eq!(farm.raised("p1.do-blind-high"), []);
    farm.wake(20 * 60);
    let raised = farm.raised("p1.do-blind-critical");
    let sunset = farm.state.view().ponds[0].sunset.unwrap();
    assert_eq!(raised, [sunset], "long unseen when night begins");
    assert!((sunset - at(18 * 60)).as_millis().abs() < minutes(20).as_millis(), "equator: near 18:00");
}

#[test]
fn a_hand_meter_stands_in_for_a_blind_probe() {
    let mut farm = Farm::start(20 * 60);
    farm.hold_oxygen(20 * 60, 20 * 60 + 1, 6.0);
    farm.wake(20 * 60 + 15);
    assert_eq!(farm.state("p1.do-blind-high"), AlarmState::Unacknowledged);
    farm.enter(20 * 60 + 16, Quantity::DoMgL, 5.5);
    farm.wake(20 * 60 + 22);
    assert_eq!(farm.state("p1.do-blind-high"), AlarmState::ReturnedUnacknowledged);
    farm.wake(20 * 60 + 16 + 31);
    assert_eq!(farm.state("p1.do-blind-high"), AlarmState::Unacknowledged, "for half an hour only");
}

#[test]
fn ammonia_is_judged_by_the_kit_value() {
    let mut farm = Farm::start(NOON);
    for minute in 0..30 {
        farm.sweep(NOON + minute, &[(Quantity::TemperatureC, 30.0), (Quantity::Ph, 8.8)]);
    }
    // At 30 °C and pH 8.8 a third of total ammonia is un-ionised in fresh water, some 5 to 20 % less in
    // brackish: of 2 mg/L about 0.55, beyond the peak limit 0.40.
    farm.enter(NOON + 30, Quantity::TanMgL, 2.0);
    assert_eq!(farm.raised("p1.nh3-peak-critical"), [at(NOON + 30)]);
    let ammonia = farm.derived(Quantity::Nh3NMgL);
    assert!(ammonia.last().is_some_and(|value| (0.5..0.68).contains(value)), "{ammonia:?}");
}

#[test]
fn a_night_is_forecast_each_quarter_of_an_hour_from_sunset_to_sunrise() {
    let mut farm = Farm::start(NOON);
    // 8 mg/L until 18:00, then falling 0.5 mg/L per hour: 2 mg/L at 06:00.
    for minute in (0..18 * 60).step_by(5) {
        let night_h = ((NOON + minute) as f64 / 60.0 - 18.0).max(0.0);
        farm.oxygen(NOON + minute, 8.0 - 0.5 * night_h.min(12.0) + wobble(minute / 5));
    }
    let forecasts = farm.forecasts();
    assert!(forecasts.len() >= 48, "{}", forecasts.len());
    for pair in forecasts.windows(2) {
        assert!(pair[1].at - pair[0].at <= minutes(15));
    }
    let (first, last) = (&forecasts[0], &forecasts[forecasts.len() - 1]);
    assert_eq!(first.at, first.sunset);
    assert!(last.sunrise - last.at <= minutes(15));
    for forecast in &forecasts {
        assert!(forecast.low_80 <= forecast.do_min_mg_l && forecast.do_min_mg_l <= forecast.high_80);
        assert!(forecast.below.iter().all(|crossing| (0.0..=1.0).contains(&crossing.probability)));
        assert!(forecast.below.windows(2).all(
            |pair| pair[0].limit_mg_l > pair[1].limit_mg_l && pair[0].probability >= pair[1].probability
        ));
    }
    let four_hours_before = &forecasts[forecasts.len() - 17];
    assert!((four_hours_before.night_slope_mg_l_h + 0.5).abs() < 0.02, "{four_hours_before:?}");
    assert!((2.0..3.2).contains(&four_hours_before.do_min_mg_l), "{four_hours_before:?}");
    assert!(!farm.raised("p1.do-forecast-critical").is_empty());
    assert!(farm.raised("p1.do-forecast-critical")[0] < farm.raised("p1.do-low-critical")[0] - minutes(120));
    let start_at = farm.advice().into_iter().find(|advice| advice.action == AdviceAction::StartAt).unwrap();
    assert!(!start_at.aerators.is_empty() && start_at.kwh > 0.0 && start_at.stop.is_some(), "{start_at:?}");
}

#[test]
fn a_suspect_probe_gets_no_forecast_and_a_reason() {
    let mut farm = Farm::start(20 * 60);
    farm.hold_oxygen(20 * 60, 20 * 60 + 60, 0.1);
    assert!(farm.forecasts().is_empty());
    let reason = farm.state.view().ponds[0].no_forecast.clone().unwrap();
    assert!(reason.contains("suspect"), "{reason}");
}

/// A probe that falls silent in the night: the last good forecast is kept and widens by 0.3 mg/L of standard
/// error an hour.
#[test]
fn a_forecast_outlives_its_probe_and_widens() {
    let mut farm = Farm::start(18 * 60);
    for minute in 18 * 60..22 * 60 {
        let gone = (minute - 18 * 60) as f64;
        farm.oxygen(minute, 6.5 - 0.005 * gone + 0.02 * ((minute % 3) as f64 - 1.0));
    }
    farm.wake(24 * 60 + 1);
    let is_good = |forecast: &pondreeve_core::effect::Forecast| !forecast.basis.contains("kept from");
    let good = farm.forecasts().into_iter().rfind(is_good).expect("a forecast by ten");
    let kept = farm.forecasts().pop().expect("one by midnight");
    assert!(kept.at > good.at && kept.basis.contains("kept from the last good reading"), "{}", kept.basis);
    assert_eq!(kept.do_min_mg_l, good.do_min_mg_l);
    // Of an error e at ten, after two and a quarter hours at most: the root of e squared and 0.68 squared.
    let half = |forecast: &pondreeve_core::effect::Forecast| forecast.do_min_mg_l - forecast.low_tenth_mg_l;
    let (before, after) = (half(&good) / 1.2816, half(&kept) / 1.2816);
    let hours = (kept.at - good.at).as_hours();
    assert!(
        (after - (before * before + 0.09 * hours * hours).sqrt()).abs() < 0.01,
        "{before} {after} {hours}"
    );
    assert_eq!(farm.raised("p1.do-blind-critical").len(), 1, "blindness alarms all the same");
}

#[test]
fn a_gateway_fault_stands_until_it_is_over() {
    let mut farm = Farm::start(NOON);
    let fault = |detail: Option<&str>| Event::GatewayFault {
        part: GatewayPart::Bus,
        which: "east".into(),
        detail: detail.map(Into::into),
    };
    farm.event(NOON + 1, fault(Some("/dev/ttyUSB0 is not there")));
    assert_eq!(farm.state("gateway.bus.east"), AlarmState::Unacknowledged);
    assert!(farm.message("gateway.bus.east").contains("/dev/ttyUSB0 is not there"));
    assert_eq!(farm.state.view().faults.len(), 1);
    farm.event(NOON + 2, fault(None));
    assert_eq!(farm.state("gateway.bus.east"), AlarmState::ReturnedUnacknowledged);
    assert!(farm.state.view().faults.is_empty());
}

#[test]
fn summaries_are_numbered_and_hold_the_interval() {
    let mut farm = Farm::start(NOON);
    for minute in 0..60 {
        farm.oxygen(NOON + minute, 6.0 + f64::from(minute as i32) / 40.0);
    }
    let summaries: Vec<_> = farm
        .effects
        .iter()
        .filter_map(|effect| match effect {
            Effect::Summary(summary) if summary.pond.0 == 0 => Some(summary.clone()),
            _ => None,
        })
        .collect();
    assert_eq!(summaries.len(), 3, "at 12:15, 12:30 and 12:45");
    assert!(
        summaries.windows(2).all(|pair| pair[0].sequence < pair[1].sequence && pair[0].to == pair[1].from)
    );
    let oxygen = summaries[0].quantities.iter().find(|summary| summary.quantity == Quantity::DoMgL).unwrap();
    // Minutes 0 to 14: 6.0 to 6.35, mean 6.175.
    assert_eq!((oxygen.minimum, oxygen.maximum, oxygen.usable), (6.0, 6.35, 15));
    assert!((oxygen.mean - 6.175).abs() < 1e-9);
}

#[test]
fn what_is_known_survives_a_changed_configuration() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 10, 2.5);
    let mut site = farm::site();
    site.ponds.reverse();
    for probe in &mut site.probes {
        probe.pond = probe.pond.map(|pond| pondreeve_core::site::PondIndex(1 - pond.0));
    }
    farm.event(NOON + 10, Event::SiteChanged { site });
    assert_eq!(farm.state("p1.do-low-critical"), AlarmState::Unacknowledged);
    assert_eq!(farm.raised("p1.do-low-critical"), [at(NOON + 5)], "raised once only");
    let view = farm.state.view();
    assert_eq!(view.alarms.iter().find(|alarm| alarm.id == "p1.do-low-critical").unwrap().pond.unwrap().0, 1);
}

#[test]
fn an_orderly_stop_is_not_held_against_the_probes() {
    let mut farm = Farm::start(20 * 60);
    farm.hold_oxygen(20 * 60, 20 * 60 + 10, 6.0);
    farm.event(20 * 60 + 10, Event::Stopped);
    assert_eq!(farm.state.next_deadline(), None, "nothing is watched");
    farm.wake(23 * 60);
    farm.event(23 * 60, Event::Started { site: farm::site() });
    farm.oxygen(23 * 60 + 1, 6.0);
    assert_eq!(farm.raised("p1.do-blind-high"), []);
    assert_eq!(farm.raised("p1.probe-fault.do11"), []);
    // The watch goes on: the other pond's probe never reports, which is missing ten minutes after the
    // start, and so is its oxygen.
    farm.wake(23 * 60 + 9);
    assert_eq!(farm.raised("p2.do-blind-high"), [at(20 * 60 + 10)], "before the stop");
    farm.hold_oxygen(23 * 60 + 9, 23 * 60 + 40, 2.5);
    assert_eq!(farm.raised("p1.do-low-critical"), [at(23 * 60 + 9 + 5)]);
}

#[test]
fn a_power_cut_at_night_is_blindness() {
    let mut farm = Farm::start(20 * 60);
    farm.hold_oxygen(20 * 60, 20 * 60 + 10, 6.0);
    // No Stopped: the power went. The last reading is of minute 9.
    farm.event(23 * 60, Event::Started { site: farm::site() });
    assert_eq!(farm.raised("p1.do-blind-high"), [at(20 * 60 + 9 + 10)]);
    assert_eq!(farm.raised("p1.do-blind-critical"), [at(20 * 60 + 9 + 20)]);
}

#[test]
fn a_farm_of_which_nothing_is_heard_for_weeks_is_taken_up_again() {
    let mut farm = Farm::start(NOON);
    farm.oxygen(NOON, 6.0);
    let month = 30 * 24 * 60;
    farm.wake(month);
    let summaries =
        |farm: &Farm| farm.effects.iter().filter(|effect| matches!(effect, Effect::Summary(_))).count();
    // A week of quarters of an hour for two ponds, and no more.
    assert_eq!(summaries(&farm), 7 * 24 * 4 * 2);
    farm.hold_oxygen(month, month + 40, 2.5);
    assert_eq!(farm.raised("p1.do-low-critical").last(), Some(&at(month + 5)));
    assert!(summaries(&farm) > 7 * 24 * 4 * 2, "summaries go on");
    assert!(farm.state.next_deadline().is_some_and(|due| due > at(month + 39)));
}

#[test]
fn the_horn_falls_silent_when_the_sounding_pond_is_removed() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 10, 2.5);
    assert!(farm.state.view().horn);
    let mut site = farm::site();
    site.ponds.remove(0);
    site.probes.drain(0..2);
    for probe in &mut site.probes {
        probe.pond = Some(pondreeve_core::site::PondIndex(0));
    }
    farm.event(NOON + 10, Event::SiteChanged { site });
    assert_eq!(farm.horn().last(), Some(&(at(NOON + 10), false)));
    assert!(farm.state.view().alarms.iter().all(|alarm| !alarm.id.starts_with("p1.")));
}

#[test]
fn aerators_just_switched_make_the_forecast_wait() {
    let mut site = farm::site();
    site.probes[1].channels.push(pondreeve_core::site::Channel {
        aerator: Some(0),
        ..pondreeve_core::site::Channel::uncorrected(Quantity::AeratorKw)
    });
    let mut farm = Farm::start(NOON);
    farm.event(NOON, Event::SiteChanged { site });
    let switched = 22 * 60;
    for minute in NOON..switched + 60 {
        let kw = if minute < switched { 0.0 } else { 4.4 };
        farm.sweep(minute, &[(Quantity::DoMgL, 7.0 + wobble(minute)), (Quantity::AeratorKw, kw)]);
    }
    assert_eq!(farm.state.view().ponds[0].aerators_on, [Some(true), None]);
    let waited: Vec<_> =
        farm.forecasts().iter().map(|forecast| forecast.at).filter(|&made| made >= at(switched)).collect();
    assert!(!waited.is_empty() && waited[0] - at(switched) >= minutes(45), "{waited:?}");
}

#[test]
fn samples_of_what_is_not_configured_are_refused_by_name() {
    let mut farm = Farm::start(NOON);
    let sample = |probe, quantity| Sample {
        probe: ProbeIndex(probe),
        quantity,
        channel: None,
        value: 1.0,
        taken_at: None,
    };
    farm.event(NOON, Event::Sweep { samples: vec![sample(9, Quantity::DoMgL), sample(0, Quantity::Ph)] });
    farm.event(NOON, Event::ProbeFault { probe: ProbeIndex(9), fault: ProbeFault::Silent });
    farm.enter(NOON, Quantity::DawnDoMgL, 4.0);
    farm.enter(NOON, Quantity::TanMgL, -1.0);
    let refused = farm.refused();
    for (reason, part) in refused.iter().zip([
        "probe number 9; the farm has 4 probes",
        "took ph from probe do11, which is configured for do_mg_l",
        "fault of probe number 9; the farm has 4 probes",
        "dawn_do_mg_l = 4 for pond p1 was not entered: it is computed, not entered",
        "tan_mg_l = -1 for pond p1 was not entered: accepted is 0 to 1000 mg/L",
    ]) {
        assert!(reason.contains(part), "{reason}");
    }
    assert_eq!(refused.len(), 5);
}

#[test]
fn every_message_is_plain_ascii_on_one_line() {
    let mut farm = Farm::start(NOON);
    for minute in 0..22 * 60 {
        let oxygen = 9.0 - minute as f64 / 150.0;
        farm.sweep(
            NOON + minute,
            &[(Quantity::DoMgL, oxygen), (Quantity::Ph, 9.4), (Quantity::TemperatureC, 29.0)],
        );
        if minute == 30 {
            farm.enter(NOON + minute, Quantity::TanMgL, 3.0);
        }
    }
    let texts = farm.effects.iter().flat_map(|effect| match effect {
        Effect::AlarmChanged(change) => vec![change.message.clone(), change.name.clone()],
        Effect::Advice(advice) => vec![advice.reason.english().to_owned()],
        Effect::Forecast(forecast) => vec![forecast.basis.english().to_owned()],
        _ => Vec::new(),
    });
    let texts: std::collections::BTreeSet<String> = texts.collect();
    assert!(texts.len() > 20);
    for text in texts {
        assert!(text.is_ascii() && !text.contains('\n') && text.len() < 320, "{text}");
    }
}

#[test]
fn kits_of_alkalinity_and_sulfide_give_carbon_dioxide_and_hydrogen_sulfide() {
    let mut farm = Farm::start(NOON);
    farm.sweep(NOON, &[(Quantity::TemperatureC, 30.0), (Quantity::Ph, 7.0)]);
    farm.enter(NOON + 1, Quantity::AlkalinityMgL, 100.0);
    farm.enter(NOON + 2, Quantity::SulfideMgL, 0.1);
    // At pH 7.0 and 30 °C some 49 % of sulfide is un-ionised in fresh and 29 % in sea water (tables for
    // fish ponds), so at 18 PSU between 0.029 and 0.049 mg/L of 0.1.
    let sulfide = farm.derived(Quantity::H2sSMgL);
    assert!(sulfide.last().is_some_and(|value| (0.027..0.049).contains(value)), "{sulfide:?}");
    // Henderson-Hasselbalch by hand: 2 mmol/L bicarbonate, pK1 near 6.0 in brackish water at 30 °C:
    // 0.2 mmol/L of CO2, 8.8 mg/L; ± 30 % for the pH scale.
    let carbon_dioxide = farm.derived(Quantity::Co2MgL);
    assert!(carbon_dioxide.last().is_some_and(|value| (6.0..12.0).contains(value)), "{carbon_dioxide:?}");
}

#[test]
fn starting_anew_with_the_same_farm_repeats_nothing() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 10, 2.5);
    farm.wake(NOON + 10);
    let before = farm.effects.len();
    farm.event(NOON + 10, Event::Started { site: farm::site() });
    assert_eq!(farm.effects[before..], []);
}

/// Whoever keeps a list of alarms by what he was told has neither one for ever nor one too few.
#[test]
fn alarms_that_a_configuration_takes_away_or_renames_are_told() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 10, 2.5);
    farm.event(NOON + 10, Event::ProbeFault { probe: ProbeIndex(0), fault: ProbeFault::Silent });
    farm.wake(NOON + 20);
    let standing = ["p1.do-low-critical", "p1.probe-fault.do11"];
    assert_eq!(standing.map(|id| farm.state(id)), [AlarmState::Unacknowledged; 2]);
    let mut site = farm::site();
    site.ponds[0].id = "p9".into();
    let told_before = farm.effects.len();
    farm.event(NOON + 21, Event::SiteChanged { site });
    let told: Vec<(&str, AlarmState, AlarmState)> = farm.effects[told_before..]
        .iter()
        .filter_map(|effect| match effect {
            Effect::AlarmChanged(own) => Some((own.id.as_str(), own.previous_state, own.state)),
            _ => None,
        })
        .collect();
    for id in standing {
        assert!(told.contains(&(id, AlarmState::Unacknowledged, AlarmState::Normal)), "{id}: {told:?}");
    }
    assert!(
        told.contains(&("p9.probe-fault.do11", AlarmState::Normal, AlarmState::Unacknowledged)),
        "{told:?}"
    );
    // The same configuration again changes nothing.
    let told_before = farm.effects.len();
    let site = farm.state.site().cloned().unwrap();
    farm.event(NOON + 22, Event::Started { site });
    let again = farm.effects[told_before..].iter().filter(|effect| matches!(effect, Effect::AlarmChanged(_)));
    assert_eq!(again.count(), 0);
}
