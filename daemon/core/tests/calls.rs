//! Horn, lamp and calls. The expected times are worked out by hand from the usual plan (0, 3, 8, 15 min, then
//! each 10) and the usual limits (oxygen below 3 for 5 min is critical, below 2 for 1 min an emergency).

mod farm;

use farm::{Farm, at, minutes, site_with_calls};
use pondreeve_core::call::{CallPlan, CallStep, Carried, Outcome};
use pondreeve_core::effect::{AlarmState, Effect, Priority};
use pondreeve_core::input::GatewayPart;
use pondreeve_core::{Event, Input, State};

const NOON: i64 = 12 * 60;
const LOW: &str = "p1.do-low-critical";

fn start() -> Farm {
    Farm::start_with(NOON, site_with_calls())
}

/// Steps and minutes since noon.
fn steps(farm: &Farm) -> Vec<(String, i64)> {
    farm.calls().into_iter().map(|(step, minute, _)| (step, minute - NOON)).collect()
}

fn expect(farm: &Farm, expected: &[(&str, i64)]) {
    let expected: Vec<(String, i64)> = expected.iter().map(|&(step, minute)| (step.into(), minute)).collect();
    assert_eq!(steps(farm), expected);
}

fn carried(farm: &mut Farm, minute: i64, step: &str, asked: i64, outcome: Outcome) {
    let what = Carried::Call { step: step.into(), asked_at: at(asked) };
    farm.event(minute, Event::Carried { what, outcome });
}

#[test]
fn everybody_is_called_in_turn_until_somebody_acknowledges() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 43, 2.5);
    // Raised at minute 5.
    expect(
        &farm,
        &[("on-shift", 5), ("second-person", 8), ("adviser", 13), ("all", 20), ("all", 30), ("all", 40)],
    );
    assert_eq!(farm.calls()[0].2, [LOW], "the milder alarm of minute 10 is not called for");
    farm.acknowledge(NOON + 43, LOW);
    farm.hold_oxygen(NOON + 44, NOON + 53, 2.5);
    assert_eq!(farm.calls().len(), 6, "silence for ten minutes");
    farm.hold_oxygen(NOON + 53, NOON + 57, 2.5);
    assert_eq!(farm.horn().last(), Some(&(at(NOON + 53), true)));
    assert_eq!(steps(&farm)[6..], [("on-shift".into(), 53), ("second-person".into(), 56)], "it begins anew");
}

/// A time server sets the clock three hours on a minute after the first call: the others are not called all at once.
#[test]
fn a_leap_of_the_clock_calls_nobody_sooner() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 7, 2.5);
    let leap = 3 * 60;
    farm.event(NOON + 6, Event::ClockStepped { from: at(NOON + 6), to: at(NOON + 6 + leap) });
    farm.event(NOON + 6 + leap, Event::Tick);
    farm.hold_oxygen(NOON + leap + 7, NOON + leap + 22, 2.5);
    expect(
        &farm,
        &[("on-shift", 5), ("second-person", leap + 8), ("adviser", leap + 13), ("all", leap + 20)],
    );
}

#[test]
fn an_acknowledgement_stops_what_is_left_of_the_chain() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 10, 2.5);
    farm.acknowledge(NOON + 10, LOW);
    farm.hold_oxygen(NOON + 10, NOON + 20, 4.8);
    farm.wake(NOON + 200);
    expect(&farm, &[("on-shift", 5), ("second-person", 8)]);
    assert_eq!(farm.state(LOW), AlarmState::Normal, "clear for 15 minutes");
}

#[test]
fn improving_alone_does_not_end_the_calls() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 6, 2.5);
    farm.hold_oxygen(NOON + 6, NOON + 42, 4.8);
    assert_eq!(farm.state(LOW), AlarmState::ReturnedUnacknowledged);
    expect(
        &farm,
        &[("on-shift", 5), ("second-person", 8), ("adviser", 13), ("all", 20), ("all", 30), ("all", 40)],
    );
    farm.acknowledge(NOON + 42, LOW);
    farm.wake(NOON + 300);
    assert_eq!(farm.calls().len(), 6);
}

#[test]
fn alarms_of_one_minute_share_a_call() {
    let mut farm = start();
    // 1.5 mg/L: the emergency after 1 min, critical after 5; each begins a chain.
    farm.hold_oxygen(NOON, NOON + 9, 1.5);
    let for_both = [("on-shift", 1), ("second-person", 4), ("on-shift", 5), ("second-person", 8)];
    expect(&farm, &for_both);
    farm.hold_oxygen(NOON + 9, NOON + 27, 1.5);
    // Emergency: 9 adviser, 16 all, 26 all. Critical: 13 adviser, 20 all, 30 all.
    assert_eq!(
        steps(&farm)[4..],
        [("adviser", 9), ("adviser", 13), ("all", 16), ("all", 20), ("all", 26)].map(|(s, m)| (s.into(), m))
    );
    assert_eq!(farm.state("p1.do-low-warn"), AlarmState::Unacknowledged);
    // One acknowledgement implies the milder levels.
    farm.acknowledge(NOON + 27, "p1.do-low-emergency");
    farm.hold_oxygen(NOON + 27, NOON + 36, 1.5);
    assert_eq!(farm.calls().len(), 9);
    farm.hold_oxygen(NOON + 36, NOON + 38, 1.5);
    assert_eq!(
        farm.calls()[9..],
        [("on-shift".into(), NOON + 37, vec!["p1.do-low-emergency".into()])],
        "the graver one speaks for both"
    );
}

#[test]
fn a_burst_waits_for_the_next_call_which_tells_of_all() {
    let mut site = site_with_calls();
    site.calls.mildest = Some(Priority::High);
    let mut farm = Farm::start_with(NOON, site);
    let fault = |which: &str| Event::GatewayFault {
        part: GatewayPart::Store,
        which: which.into(),
        detail: Some("disk full".into()),
    };
    for which in ["a", "b", "c"] {
        farm.event(NOON + 1, fault(which));
    }
    farm.wake(NOON + 3);
    let calls = farm.calls();
    assert_eq!(calls[0], ("on-shift".into(), NOON + 1, vec!["gateway.store.a".into()]));
    let rest = vec!["gateway.store.b".into(), "gateway.store.c".into()];
    assert_eq!(calls[1], ("on-shift".into(), NOON + 2, rest));
    assert_eq!(calls.len(), 2);
    farm.wake(NOON + 4);
    assert_eq!(farm.calls()[2].2.len(), 3, "the second person hears of all at once");
}

#[test]
fn high_alarms_are_called_for_only_where_that_is_asked() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 60, 3.5);
    assert_eq!(farm.state("p1.do-low-warn"), AlarmState::Unacknowledged);
    assert_eq!(farm.calls(), []);
}

#[test]
fn who_was_called_and_who_is_next_is_known() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 9, 2.5);
    assert_eq!(farm.state.view().open_calls.len(), 2);
    carried(&mut farm, NOON + 9, "on-shift", NOON + 5, Outcome::Done);
    carried(&mut farm, NOON + 9, "second-person", NOON + 8, Outcome::Failed("no answer".into()));
    let view = farm.state.view();
    assert_eq!(view.open_calls, []);
    let alarm = view.alarms.iter().find(|alarm| alarm.id == LOW).unwrap();
    let called: Vec<_> =
        alarm.called.iter().map(|called| (called.step.as_str(), called.at, called.outcome.clone())).collect();
    assert_eq!(
        called,
        [
            ("on-shift", at(NOON + 5), Some(Outcome::Done)),
            ("second-person", at(NOON + 8), Some(Outcome::Failed("no answer".into())))
        ]
    );
    assert_eq!(alarm.next_call, Some(("adviser".into(), at(NOON + 13))));
}

#[test]
fn unacknowledged_for_three_minutes_it_says_to_start_what_is_left() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 9, 2.5);
    let message = |step: &str| {
        farm.effects
            .iter()
            .find_map(|effect| match effect {
                Effect::Call(call) if call.step == step => Some(call.alarms[0].message.clone()),
                _ => None,
            })
            .unwrap()
    };
    assert!(!message("on-shift").contains("start by hand"), "{}", message("on-shift"));
    assert!(
        message("second-person")
            .ends_with("Not acknowledged for 3 min: start by hand every aerator that can run (a, b)."),
        "{}",
        message("second-person")
    );
}

/// A crash: what was journalled is replayed into a new state, its effects are thrown away.
#[test]
fn a_restart_in_the_middle_neither_repeats_nor_forgets() {
    let site = site_with_calls();
    let mut inputs = vec![Input { seq: 0, at: at(NOON), event: Event::Started { site: site.clone() } }];
    let mut push = |minute: i64, event: Event| {
        inputs.push(Input { seq: inputs.len() as u64, at: at(minute), event });
    };
    let mut live = Farm::start_with(NOON, site.clone());
    for minute in NOON..NOON + 9 {
        live.oxygen(minute, 2.5);
        let samples = vec![pondreeve_core::input::Sample {
            probe: pondreeve_core::site::ProbeIndex(0),
            quantity: pondreeve_core::Quantity::DoMgL,
            channel: None,
            value: 2.5,
            taken_at: None,
        }];
        push(minute, Event::Sweep { samples });
    }
    let done = |step: &str, asked: i64| Event::Carried {
        what: Carried::Call { step: step.into(), asked_at: at(asked) },
        outcome: Outcome::Done,
    };
    push(NOON + 8, done("on-shift", NOON + 5));
    expect(&live, &[("on-shift", 5), ("second-person", 8)]);

    let mut state = State::new();
    let mut thrown_away = Vec::new();
    for input in &inputs {
        state.step(input, &mut thrown_away);
    }
    // Down until minute 21: the adviser's and the last step fall due meanwhile.
    let mut effects = Vec::new();
    let started = Input { seq: 100, at: at(NOON + 21), event: Event::Started { site } };
    state.step(&started, &mut effects);
    let called = |effects: &[Effect]| -> Vec<String> {
        let calls = effects.iter().filter_map(|effect| match effect {
            Effect::Call(call) => Some(call.step.clone()),
            _ => None,
        });
        calls.collect()
    };
    assert_eq!(called(&effects), ["adviser", "all"], "none twice, none left out");
    let open: Vec<String> = state.view().open_calls.iter().map(|call| call.step.clone()).collect();
    assert_eq!(open, ["second-person", "adviser", "all"], "what nobody reported on is carried out after all");
    effects.clear();
    state.wake(at(NOON + 31), &mut effects);
    assert_eq!(called(&effects), ["all"], "ten minutes after minute 20");
}

#[test]
fn after_an_orderly_stop_overdue_steps_are_made_up_for() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 7, 2.5);
    farm.event(NOON + 7, Event::Stopped);
    farm.wake(NOON + 30);
    expect(&farm, &[("on-shift", 5)]);
    farm.event(NOON + 30, Event::Started { site: site_with_calls() });
    expect(&farm, &[("on-shift", 5), ("second-person", 30), ("adviser", 30), ("all", 30)]);
}

#[test]
fn a_plan_that_comes_while_an_alarm_waits_begins_then() {
    let mut farm = Farm::start(NOON);
    farm.hold_oxygen(NOON, NOON + 40, 2.5);
    expect(&farm, &[]);
    farm.event(NOON + 40, Event::SiteChanged { site: site_with_calls() });
    farm.hold_oxygen(NOON + 40, NOON + 44, 2.5);
    expect(&farm, &[("on-shift", 40), ("second-person", 43)]);
}

#[test]
fn a_shelved_alarm_asks_nobody() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 6, 2.5);
    let length = minutes(30);
    let (alarm, by, reason) = (LOW.into(), "technician".into(), "pond is drained".into());
    farm.event(NOON + 6, Event::Shelve { alarm, length, reason, by });
    assert_eq!(farm.state(LOW), AlarmState::Shelved);
    farm.hold_oxygen(NOON + 6, NOON + 36, 2.5);
    expect(&farm, &[("on-shift", 5)]);
    farm.hold_oxygen(NOON + 36, NOON + 40, 2.5);
    expect(&farm, &[("on-shift", 5), ("on-shift", 36), ("second-person", 39)]);
}

#[test]
fn the_lamp_is_lit_while_a_critical_or_high_alarm_stands_acknowledged_or_not() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 6, 2.5);
    farm.acknowledge(NOON + 6, LOW);
    farm.hold_oxygen(NOON + 6, NOON + 30, 4.8);
    let lamp: Vec<_> = farm
        .effects
        .iter()
        .filter_map(|effect| match effect {
            Effect::Lamp { at, lit } => Some((*at, *lit)),
            _ => None,
        })
        .collect();
    // Clear from minute 6 on, off-delay 15 minutes.
    assert_eq!(lamp, [(at(NOON + 5), true), (at(NOON + 21), false)]);
    assert_eq!(farm.horn(), [(at(NOON + 5), true), (at(NOON + 6), false)]);
    // Medium priority: neither.
    let detail = Some("unplugged".into());
    farm.event(NOON + 31, Event::GatewayFault { part: GatewayPart::Bus, which: "east".into(), detail });
    let view = farm.state.view();
    assert!(!view.lamp && !view.horn && !view.alarms.is_empty());
}

#[test]
fn a_horn_that_cannot_sound_is_an_alarm_of_its_own() {
    let mut farm = start();
    let fault = |detail: Option<&str>| Event::GatewayFault {
        part: GatewayPart::Horn,
        which: String::new(),
        detail: detail.map(Into::into),
    };
    farm.event(NOON, fault(Some("relay coil 0 of unit 60 does not answer")));
    let view = farm.state.view();
    assert_eq!((view.alarms[0].id.as_str(), view.alarms[0].priority), ("gateway.horn", Priority::High));
    assert!(view.lamp, "what cannot be heard can still be seen");
    farm.event(NOON + 5, fault(None));
    assert_eq!(farm.state("gateway.horn"), AlarmState::ReturnedUnacknowledged);
}

#[test]
fn a_plan_that_shrinks_or_goes_leaves_nothing_behind() {
    let mut farm = start();
    farm.hold_oxygen(NOON, NOON + 21, 2.5);
    let mut site = site_with_calls();
    site.calls = CallPlan {
        steps: vec![CallStep { id: "owner".into(), name: "owner".into(), after: minutes(2) }],
        repeat_every: None,
        mildest: None,
    };
    farm.event(NOON + 21, Event::SiteChanged { site });
    assert_eq!(farm.calls().last().map(|(step, ..)| step.as_str()), Some("owner"));
    let count = farm.calls().len();
    farm.wake(NOON + 300);
    assert_eq!(farm.calls().len(), count, "never repeated");
    farm.event(NOON + 301, Event::SiteChanged { site: farm::site() });
    assert_eq!(farm.state.view().open_calls, []);
}
