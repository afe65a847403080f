//! Laws that hold for every sequence of inputs.

mod farm;

use farm::at;
use pondreeve_core::call::{Carried, Outcome};
use pondreeve_core::effect::{AlarmState, Effect, Flag};
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::service::Step;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Span, State, Timestamp};
use proptest::prelude::*;

const QUANTITIES: [Quantity; 5] =
    [Quantity::DoMgL, Quantity::Ph, Quantity::TemperatureC, Quantity::TanMgL, Quantity::AeratorKw];

/// Limits that people change.
const LIMITS: [&str; 5] =
    ["do_low_mg_l.warn", "do_low_mg_l.critical", "ph_high.warn", "do_forecast.warn_mg_l", "no_limit"];

const ALARMS: [&str; 7] = [
    "farm.power-lost",
    "p1.do-low-warn",
    "p1.do-low-critical",
    "p1.do-blind-high",
    "p1.probe-fault.do11",
    "gateway.store",
    "nothing",
];

/// Values as a pond has them, with some that it cannot have.
fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => 0.0..12.0_f64,
        1 => -5.0..40.0_f64,
        1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(f64::NEG_INFINITY), Just(f64::MAX), Just(-0.0)],
        1 => any::<f64>(),
    ]
}

fn sample(probes: std::ops::Range<u16>) -> impl Strategy<Value = Sample> {
    (probes, prop::sample::select(&QUANTITIES[..]), prop::option::weighted(0.1, 0..3_u16), value()).prop_map(
        |(probe, quantity, channel, value)| Sample {
            probe: ProbeIndex(probe),
            quantity,
            channel,
            value,
            taken_at: None,
        },
    )
}

fn part() -> impl Strategy<Value = GatewayPart> {
    prop::sample::select(vec![
        GatewayPart::Store,
        GatewayPart::Bus,
        GatewayPart::Clock,
        GatewayPart::Quarantine,
        GatewayPart::Horn,
    ])
}

fn fault() -> impl Strategy<Value = ProbeFault> {
    prop_oneof![
        Just(ProbeFault::Silent),
        any::<u8>().prop_map(ProbeFault::Exception),
        "[a-z]{0,8}".prop_map(ProbeFault::Undecodable),
    ]
}

fn step() -> impl Strategy<Value = Step> {
    let quantity = || prop::sample::select(&QUANTITIES[..]);
    let maybe = || prop::option::of(value());
    prop_oneof![
        3 => (-1..60_i64).prop_map(|minutes| Step::Begin { length: Span::from_minutes(minutes) }),
        1 => (quantity(), maybe(), maybe())
            .prop_map(|(quantity, hand, reading)| Step::Before { quantity, hand, reading }),
        2 => Just(Step::Cleaned),
        1 => (quantity(), maybe(), maybe())
            .prop_map(|(quantity, hand, reading)| Step::After { quantity, hand, reading }),
        2 => (quantity(), value(), maybe(), maybe()).prop_map(|(quantity, expected, reading, millivolts)| {
            Step::Standard { quantity, expected, reading, millivolts }
        }),
        1 => Just(Step::Adopt),
        1 => Just(Step::End),
    ]
}

fn event(probes: std::ops::Range<u16>, ponds: std::ops::Range<u16>) -> impl Strategy<Value = Event> {
    prop_oneof![
        12 => prop::collection::vec(sample(probes.clone()), 0..6).prop_map(|samples| Event::Sweep { samples }),
        1 => (probes.clone(), value())
            .prop_map(|(probe, salinity_psu)| Event::ProbeSetting { probe: ProbeIndex(probe), salinity_psu }),
        1 => (probes.clone(), step()).prop_map(|(probe, step)| {
            Event::Service { probe: ProbeIndex(probe), step, by: "technician".into() }
        }),
        1 => (probes, fault()).prop_map(|(probe, fault)| Event::ProbeFault { probe: ProbeIndex(probe), fault }),
        1 => (ponds.clone(), prop::sample::select(&QUANTITIES[..]), value()).prop_map(|(pond, quantity, value)| {
            Event::ManualSample { pond: PondIndex(pond), quantity, value, taken_at: None, by: "technician".into() }
        }),
        1 => prop::sample::select(&ALARMS[..])
            .prop_map(|alarm| Event::Acknowledge { alarm: alarm.into(), by: "technician".into() }),
        1 => (prop::sample::select(&ALARMS[..]), -1..800_i64).prop_map(|(alarm, minutes)| Event::Shelve {
            alarm: alarm.into(),
            length: Span::from_minutes(minutes),
            reason: "mending".into(),
            by: "technician".into(),
        }),
        1 => prop::sample::select(&ALARMS[..])
            .prop_map(|alarm| Event::Unshelve { alarm: alarm.into(), by: "technician".into() }),
        1 => (ponds, prop::sample::select(&LIMITS[..]), prop::option::of(-1.0..12.0_f64)).prop_map(
            |(pond, key, value)| Event::LimitChange {
                pond: PondIndex(pond),
                key: key.into(),
                value,
                reason: "adviser".into(),
                by: "technician".into(),
            }
        ),
        1 => prop::sample::select(&ALARMS[..])
            .prop_map(|alarm| Event::Reset { alarm: alarm.into(), by: "technician".into() }),
    ]
}

/// What happens to the gateway rather than to a pond.
fn farm_event() -> impl Strategy<Value = Event> {
    prop_oneof![
        30 => event(0..5, 0..3),
        1 => (part(), prop::option::of("[a-z]{0,8}"))
            .prop_map(|(part, detail)| Event::GatewayFault { part, which: String::new(), detail }),
        1 => (-9_999_999..9_999_999_i64)
            .prop_map(|ms| Event::ClockStepped { from: at(0), to: at(0) + Span::from_millis(ms) }),
        1 => Just(Event::Started { site: farm::site_with_calls() }),
        1 => Just(Event::SiteChanged { site: farm::site_with_calls() }),
        1 => Just(Event::Stopped),
        1 => (0..1_440_i64).prop_map(|minute| Event::Carried {
            what: Carried::Call { step: "on-shift".into(), asked_at: at(minute) },
            outcome: Outcome::Done,
        }),
    ]
}

/// Events some minutes apart, from any hour of the day on.
fn journal(event: impl Strategy<Value = Event>) -> impl Strategy<Value = Vec<Input>> {
    let gap = prop_oneof![8 => 0..3 * 60_000_i64, 1 => 0..3 * 3_600_000_i64];
    (0..24 * 60_i64, prop::collection::vec((gap, event), 1..120)).prop_map(|(start, events)| {
        let mut now = at(start);
        let mut inputs =
            vec![Input { seq: 0, at: now, event: Event::Started { site: farm::site_with_calls() } }];
        for (gap_ms, event) in events {
            now = now + Span::from_millis(gap_ms);
            inputs.push(Input { seq: inputs.len() as u64, at: now, event });
        }
        inputs
    })
}

fn run(state: &mut State, inputs: &[Input]) -> Vec<Effect> {
    let mut effects = Vec::new();
    for input in inputs {
        state.step(input, &mut effects);
    }
    effects
}

/// Effects in order, those of the horn and the summaries' numbers left out, which ponds share.
fn of_pond(effects: &[Effect], pond: PondIndex) -> Vec<String> {
    let mine = effects.iter().filter_map(|effect| {
        let (whose, mut effect) = match effect.clone() {
            Effect::Reading(reading) => (reading.pond, Effect::Reading(reading)),
            Effect::Amended(amended) => (amended.pond, Effect::Amended(amended)),
            Effect::Derived(derived) => (Some(derived.pond), Effect::Derived(derived)),
            Effect::Forecast(forecast) => (Some(forecast.pond), Effect::Forecast(forecast)),
            Effect::AlarmChanged(change) => (change.pond, Effect::AlarmChanged(change)),
            Effect::Advice(advice) => (Some(advice.pond), Effect::Advice(advice)),
            Effect::Summary(summary) => (Some(summary.pond), Effect::Summary(summary)),
            Effect::Service(change) => (change.pond, Effect::Service(change)),
            Effect::LimitChanged(change) => (Some(change.pond), Effect::LimitChanged(change)),
            Effect::Recorded(recorded) => (Some(recorded.pond), Effect::Recorded(recorded)),
            Effect::Horn { .. } | Effect::Lamp { .. } | Effect::Call(_) | Effect::Refused { .. } => {
                return None;
            }
        };
        if let Effect::Summary(summary) = &mut effect {
            summary.sequence = 0;
        }
        (whose == Some(pond)).then(|| format!("{effect:?}"))
    });
    mine.collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn the_same_inputs_have_the_same_effects(inputs in journal(farm_event())) {
        let (mut one, mut other) = (State::new(), State::new());
        prop_assert_eq!(run(&mut one, &inputs), run(&mut other, &inputs));
        prop_assert_eq!(one, other);
    }

    #[test]
    fn extra_ticks_and_wakes_change_nothing(
        inputs in journal(farm_event()),
        ticks in prop::collection::vec((0.0..1.0_f64, any::<bool>()), 0..20),
    ) {
        let (mut plain, mut ticked) = (State::new(), State::new());
        let expected = run(&mut plain, &inputs);
        let mut effects = Vec::new();
        for pair in inputs.windows(2) {
            ticked.step(&pair[0], &mut effects);
            let gap = (pair[1].at - pair[0].at).as_millis() as f64;
            let mut shares = ticks.clone();
            shares.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (share, by_input) in shares {
                let at = pair[0].at + Span::from_millis((gap * share) as i64);
                if by_input {
                    ticked.step(&Input { seq: pair[0].seq, at, event: Event::Tick }, &mut effects);
                } else {
                    ticked.wake(at, &mut effects);
                }
            }
        }
        ticked.step(&inputs[inputs.len() - 1], &mut effects);
        prop_assert_eq!(effects, expected);
        prop_assert_eq!(ticked.view(), plain.view());
        prop_assert_eq!(ticked, plain);
    }

    #[test]
    fn waking_at_each_deadline_is_enough(inputs in journal(farm_event())) {
        let (mut plain, mut woken) = (State::new(), State::new());
        let expected = run(&mut plain, &inputs);
        let mut effects = Vec::new();
        for input in &inputs {
            while let Some(due) = woken.next_deadline().filter(|&due| due <= input.at) {
                woken.wake(due, &mut effects);
                prop_assert!(woken.next_deadline().is_none_or(|next| next > due), "a deadline must not stay");
            }
            woken.step(input, &mut effects);
        }
        prop_assert_eq!(effects, expected);
    }

    #[test]
    fn a_journal_may_be_cut_anywhere(inputs in journal(farm_event()), cut in any::<prop::sample::Index>()) {
        let cut = cut.index(inputs.len());
        let mut whole = State::new();
        let expected = run(&mut whole, &inputs);
        let mut before = State::new();
        let mut effects = run(&mut before, &inputs[..cut]);
        let mut rebuilt = State::new();
        run(&mut rebuilt, &inputs[..cut]);
        prop_assert_eq!(&rebuilt, &before);
        effects.extend(run(&mut rebuilt, &inputs[cut..]));
        prop_assert_eq!(effects, expected);
        prop_assert_eq!(rebuilt, whole);
    }

    #[test]
    fn ponds_do_not_affect_each_other(
        mine in journal(event(0..2, 0..1)),
        theirs in journal(event(2..4, 1..2)),
    ) {
        // The other pond's inputs are moved into the span of this one's.
        let (first, last) = (mine[0].at, mine[mine.len() - 1].at);
        let mut both = mine.clone();
        for input in theirs.into_iter().skip(1) {
            let span = (last - first).as_millis().max(1);
            let at = first + Span::from_millis(input.at.as_millis().rem_euclid(span));
            let is_shared = matches!(
                input.event,
                Event::Acknowledge { .. } | Event::Shelve { .. } | Event::Unshelve { .. } | Event::Reset { .. }
            );
            // The one thing that ponds share is the farm's power, which their motors tell of together.
            let is_motor = matches!(&input.event, Event::Sweep { samples }
                if samples.iter().any(|sample| sample.quantity == Quantity::AeratorKw));
            if !is_shared && !is_motor {
                both.push(Input { at, ..input });
            }
        }
        let start = both.remove(0);
        both.sort_by_key(|input| input.at);
        both.insert(0, start);
        let alone = run(&mut State::new(), &mine);
        let together = run(&mut State::new(), &both);
        // One by one: the whole lists would be unreadable.
        let (together, alone) = (of_pond(&together, PondIndex(0)), of_pond(&alone, PondIndex(0)));
        for (together, alone) in together.iter().zip(&alone) {
            prop_assert_eq!(together, alone);
        }
        prop_assert_eq!(together.len(), alone.len());
    }

    #[test]
    fn no_input_makes_it_panic(
        inputs in prop::collection::vec((any::<i64>(), prop::option::of(any::<i64>()), farm_event(), value()), 1..16),
        place in (any::<f64>(), any::<f64>()),
    ) {
        let mut site = farm::site();
        (site.latitude_deg, site.longitude_deg) = place;
        let mut state = State::new();
        let mut effects = Vec::new();
        state.step(&Input { seq: 0, at: Timestamp(0), event: Event::Started { site } }, &mut effects);
        for (at, taken_at, event, value) in inputs {
            let at = Timestamp(at);
            state.step(&Input { seq: 1, at, event }, &mut effects);
            let samples = vec![Sample {
                probe: ProbeIndex(0),
                quantity: Quantity::DoMgL,
                channel: None,
                value,
                taken_at: taken_at.map(Timestamp),
            }];
            state.step(&Input { seq: 2, at, event: Event::Sweep { samples } }, &mut effects);
            state.wake(Timestamp(i64::MAX), &mut effects);
            state.view();
            effects.clear();
        }
    }

    #[test]
    fn a_reading_that_is_not_good_never_raises_a_plain_water_alarm(
        inputs in journal(event(0..2, 0..1)),
        low in prop_oneof![0.0..0.2_f64, -3.0..0.0_f64, Just(f64::NAN)],
    ) {
        // Every oxygen value is suspect (below 0.2) or failed (below 0, or no number).
        let mut inputs = inputs;
        for input in &mut inputs {
            match &mut input.event {
                Event::Sweep { samples } => {
                    for sample in samples.iter_mut().filter(|sample| sample.quantity == Quantity::DoMgL) {
                        sample.value = low;
                    }
                }
                Event::ManualSample { .. } => input.event = Event::Stopped,
                _ => {}
            }
        }
        for effect in run(&mut State::new(), &inputs) {
            if let Effect::Reading(reading) = &effect
                && reading.quantity == Quantity::DoMgL
            {
                prop_assert!(!matches!(reading.flag, Flag::Pass), "{reading:?}");
            }
            if let Effect::AlarmChanged(change) = &effect
                && change.state == AlarmState::Unacknowledged
                && change.id.starts_with("p1.do-")
                && !change.id.contains("blind")
            {
                // What was shelved, or sounds again, may not be observed any more.
                let told = ["suspect", "not observed now"].iter().any(|told| change.message.contains(told));
                prop_assert!(told, "{}", change.message);
            }
        }
    }
}
