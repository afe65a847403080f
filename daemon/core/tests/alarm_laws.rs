//! Laws of the alarms' life over random events: nothing is lost, nobody acknowledges by himself, a shelf
//! ends, and no known cause silences the water.

mod farm;

use std::collections::HashMap;

use farm::at;
use pondreeve_core::alarm::life::{Cause, Footing, transition};
use pondreeve_core::alarm::shelf::longest;
use pondreeve_core::effect::{AlarmChange, AlarmState, Effect, Priority};
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::service::Step;
use pondreeve_core::site::{Channel, Node, PondIndex, Probe, ProbeIndex};
use pondreeve_core::sunlight::{Night, WATCH_UNTIL};
use pondreeve_core::{Event, Input, Quantity, Site, Span, State};
use proptest::prelude::*;

/// The farm of the other tests with proof of what runs in both ponds.
fn site() -> Site {
    let mut site = farm::site();
    for pond in 0..2 {
        let channel = |group| Channel { aerator: Some(group), ..Channel::uncorrected(Quantity::AeratorOn) };
        site.probes.push(Probe {
            id: format!("motors{pond}"),
            pond: Some(PondIndex(pond)),
            link: "line".into(),
            node: None,
            channels: vec![channel(0), channel(1)],
        });
    }
    for probe in &mut site.probes {
        // A buoy at the first pond; what else there is has no power but the mains.
        let is_buoy = probe.pond == Some(PondIndex(0)) && !probe.id.starts_with("motors");
        let id = if is_buoy { "buoy" } else { "line-main" };
        probe.node = Some(Node { id: id.into(), is_on_mains: !is_buoy });
    }
    site
}

const ALARMS: [&str; 10] = [
    "p1.do-low-warn",
    "p1.do-low-critical",
    "p1.do-low-emergency",
    "p1.do-blind-critical",
    "p2.aerators-stopped",
    "p1.probe-fault.do11",
    "gateway.bus.line",
    "gateway.store",
    "farm.power-lost",
    "p1.node-silent.buoy",
];

fn alarm() -> impl Strategy<Value = String> {
    prop::sample::select(&ALARMS[..]).prop_map(Into::into)
}

fn who() -> String {
    "technician".into()
}

fn event() -> impl Strategy<Value = Event> {
    let oxygen = (prop::sample::select(&[0_u16, 2][..]), 0.5..9.0_f64).prop_map(|(probe, value)| Sample {
        probe: ProbeIndex(probe),
        quantity: Quantity::DoMgL,
        channel: None,
        value,
        taken_at: None,
    });
    let motors = (4..6_u16, prop::array::uniform2(any::<bool>())).prop_map(|(probe, on)| {
        let sample = |(channel, on): (u16, bool)| Sample {
            probe: ProbeIndex(probe),
            quantity: Quantity::AeratorOn,
            channel: Some(channel),
            value: f64::from(on),
            taken_at: None,
        };
        Event::Sweep { samples: (0..).zip(on).map(sample).collect() }
    });
    // Everything runs, or everything stops, in both ponds.
    let mains = any::<bool>().prop_map(|on| {
        let sample = |(probe, channel)| Sample {
            probe: ProbeIndex(probe),
            quantity: Quantity::AeratorOn,
            channel: Some(channel),
            value: f64::from(on),
            taken_at: None,
        };
        Event::Sweep { samples: [(4, 0), (4, 1), (5, 0), (5, 1)].map(sample).into() }
    });
    let part = prop::sample::select(vec![GatewayPart::Bus, GatewayPart::Store]);
    prop_oneof![
        12 => oxygen.prop_map(|sample| Event::Sweep { samples: vec![sample] }),
        4 => motors,
        4 => mains,
        3 => (0..6_u16, prop::sample::select(vec![ProbeFault::Silent, ProbeFault::Unreachable]))
            .prop_map(|(probe, fault)| Event::ProbeFault { probe: ProbeIndex(probe), fault }),
        2 => (part, any::<bool>()).prop_map(|(part, fails)| Event::GatewayFault {
            part,
            which: if part == GatewayPart::Bus { "line".into() } else { String::new() },
            detail: fails.then(|| "gone".into()),
        }),
        3 => alarm().prop_map(|alarm| Event::Acknowledge { alarm, by: who() }),
        3 => (alarm(), 0..800_i64).prop_map(|(alarm, minutes)| Event::Shelve {
            alarm,
            length: Span::from_minutes(minutes),
            reason: "mending".into(),
            by: who(),
        }),
        1 => alarm().prop_map(|alarm| Event::Unshelve { alarm, by: who() }),
        1 => alarm().prop_map(|alarm| Event::Reset { alarm, by: who() }),
        1 => (0..6_u16, 1..40_i64).prop_map(|(probe, minutes)| Event::Service {
            probe: ProbeIndex(probe),
            step: Step::Begin { length: Span::from_minutes(minutes) },
            by: who(),
        }),
        1 => (0..6_u16)
            .prop_map(|probe| Event::Service { probe: ProbeIndex(probe), step: Step::End, by: who() }),
        2 => any::<bool>().prop_map(|is_there| Event::NodeSaid { node: "buoy".into(), is_there }),
        1 => Just(Event::Stopped),
        1 => Just(Event::Started { site: site() }),
    ]
}

fn journal() -> impl Strategy<Value = Vec<Input>> {
    let gap = prop_oneof![8 => 0..4 * 60_000_i64, 1 => 0..4 * 3_600_000_i64];
    (0..24 * 60_i64, prop::collection::vec((gap, event()), 1..160)).prop_map(|(start, events)| {
        let mut now = at(start);
        let mut inputs = vec![Input { seq: 0, at: now, event: Event::Started { site: site() } }];
        for (gap_ms, event) in events {
            now = now + Span::from_millis(gap_ms);
            inputs.push(Input { seq: inputs.len() as u64, at: now, event });
        }
        inputs
    })
}

/// Runs the inputs and gives every change with the input that it came of.
fn changes(state: &mut State, inputs: &[Input]) -> Vec<(Input, AlarmChange)> {
    let mut found = Vec::new();
    for input in inputs {
        let mut effects = Vec::new();
        state.step(input, &mut effects);
        found.extend(effects.into_iter().filter_map(|effect| match effect {
            Effect::AlarmChanged(change) => Some((input.clone(), change)),
            _ => None,
        }));
    }
    found
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    /// The changes of each alarm are a chain without a gap, each link one of the standard's.
    #[test]
    fn every_change_is_one_of_the_standards_and_none_is_missing(inputs in journal()) {
        let mut state = State::new();
        let mut known: HashMap<String, AlarmState> = HashMap::new();
        for (_, change) in changes(&mut state, &inputs) {
            let was = known.insert(change.id.clone(), change.state).unwrap_or(AlarmState::Normal);
            prop_assert_eq!(was, change.previous_state, "{}", change.id);
            let is_standard = Cause::ALL.into_iter().any(|cause| {
                [(false, false), (false, true), (true, false), (true, true)].into_iter().any(|(latches, stands)| {
                    transition(was, cause, Footing { latches, stands }) == Some(change.state)
                })
            });
            prop_assert!(is_standard, "{}: {was:?} to {:?}", change.id, change.state);
        }
        // What the changes say is what the view says.
        let view = state.view();
        for (id, state) in known {
            let shown = view.alarms.iter().find(|alarm| alarm.id == id);
            prop_assert_eq!(shown.map_or(AlarmState::Normal, |alarm| alarm.state), state, "{}", id);
        }
    }

    /// Looking early, late or twice changes nothing.
    #[test]
    fn waking_at_each_deadline_changes_nothing(inputs in journal()) {
        let (mut plain, mut woken) = (State::new(), State::new());
        let mut effects = (Vec::new(), Vec::new());
        for input in &inputs {
            plain.step(input, &mut effects.0);
            while let Some(due) = woken.next_deadline().filter(|&due| due <= input.at) {
                woken.wake(due, &mut effects.1);
                woken.wake(due, &mut effects.1);
            }
            woken.step(input, &mut effects.1);
        }
        prop_assert_eq!(effects.0, effects.1);
        prop_assert_eq!(plain, woken);
    }

    /// Only a person's acknowledgement acknowledges, only a person's word shelves, and each says who.
    #[test]
    fn no_alarm_is_acknowledged_or_shelved_by_nobody(inputs in journal()) {
        for (input, change) in changes(&mut State::new(), &inputs) {
            if matches!(change.state, AlarmState::Acknowledged | AlarmState::LatchedAcknowledged)
                && change.previous_state != AlarmState::Acknowledged
            {
                let by_person = matches!(input.event, Event::Acknowledge { .. }) && change.at == input.at;
                prop_assert!(by_person && change.by.is_some(), "{change:?} after {input:?}");
            }
            if change.state == AlarmState::Shelved {
                let by_person =
                    matches!(&input.event, Event::Shelve { alarm, .. } if *alarm == change.id);
                prop_assert!(by_person && change.at == input.at, "{change:?} after {input:?}");
                let shelf = change.shelf.unwrap();
                prop_assert_eq!((shelf.by.as_str(), shelf.reason.as_str()), ("technician", "mending"));
            }
        }
    }

    /// A shelf is over when it says, never longer than its priority allows, and no critical alarm is on
    /// one by night.
    #[test]
    fn a_shelf_ends_in_time_and_no_critical_alarm_is_aside_by_night(inputs in journal()) {
        let mut state = State::new();
        let site = site();
        let mut ends = HashMap::new();
        for (_, change) in changes(&mut state, &inputs) {
            if change.previous_state == AlarmState::Shelved {
                let until = ends.remove(&change.id).unwrap();
                // While the gateway is off nothing ends; it does so with the first thing heard again.
                let was_off = inputs.windows(2).any(|pair| {
                    pair[0].event == Event::Stopped && pair[0].at <= until && pair[1].at == change.at
                });
                prop_assert!(change.at <= until || was_off, "{}: shelved too long", change.id);
            }
            if let Some(shelf) = &change.shelf {
                prop_assert!(shelf.until - change.at <= longest(change.priority));
                ends.insert(change.id.clone(), shelf.until);
                if change.priority == Priority::Critical {
                    let night = Night::at(&site, change.at, WATCH_UNTIL);
                    prop_assert!(!night.is_watch(change.at), "{} shelved by night", change.id);
                    if let Night::Between { sunset, .. } = night {
                        prop_assert!(shelf.until <= sunset, "{} shelved into the night", change.id);
                    }
                }
            }
        }
    }

    /// A known cause speaks for stopped aerators and silent probes, never for oxygen.
    #[test]
    fn what_is_known_of_oxygen_is_never_suppressed(inputs in journal()) {
        for (_, change) in changes(&mut State::new(), &inputs) {
            if change.state == AlarmState::Suppressed {
                prop_assert!(!change.id.contains(".do-"), "{change:?}");
                prop_assert!(change.root.is_some(), "{change:?}");
            }
        }
    }

    /// However it was put aside, low oxygen that stands is told at the latest when the longest shelf is
    /// over.
    #[test]
    fn low_oxygen_is_never_lost(inputs in journal()) {
        let mut state = State::new();
        changes(&mut state, &inputs);
        let mut now = inputs[inputs.len() - 1].at;
        let mut rest = vec![Input { seq: 0, at: now, event: Event::Started { site: site() } }];
        // An hour and a half of low oxygen, read each minute: past the longest shelf of this priority and
        // the longest service.
        for minute in 0..150_u32 {
            now = now + Span::from_minutes(1);
            let value = 2.6 - 0.2 * f64::from(minute % 3);
            let sample = Sample {
                probe: ProbeIndex(0),
                quantity: Quantity::DoMgL,
                channel: None,
                value,
                taken_at: None,
            };
            rest.push(Input { seq: 0, at: now, event: Event::Sweep { samples: vec![sample] } });
        }
        changes(&mut state, &rest);
        let view = state.view();
        let stands = |id: &str| {
            view.alarms.iter().any(|alarm| alarm.id == id && alarm.state.is_standing())
        };
        prop_assert!(stands("p1.do-low-warn") && stands("p1.do-low-critical"), "{:#?}", view.alarms);
    }
}
