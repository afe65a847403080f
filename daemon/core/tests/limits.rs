//! Limits that people change: what they alarm by, and what outlasts a start.

#![allow(clippy::unwrap_used, reason = "a test")]

mod farm;

use farm::{at, site};
use pondreeve_core::limit_change::value_of;
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Effect, Event, Input, Site, State};

fn step(state: &mut State, minute: i64, event: Event) -> Vec<Effect> {
    let mut effects = Vec::new();
    let seq = 1 + minute.unsigned_abs();
    state.step(&Input { seq, at: at(minute), event }, &mut effects);
    effects
}

fn change(key: &str, value: Option<f64>) -> Event {
    let (reason, by) = ("adviser".into(), "mira".into());
    Event::LimitChange { pond: PondIndex(0), key: key.into(), value, reason, by }
}

fn holds(state: &State, key: &str) -> f64 {
    value_of(&state.site().unwrap().ponds[0].limits, key).unwrap()
}

#[test]
fn a_change_outlasts_a_start_until_the_configuration_is_given_another_value() {
    let mut state = State::new();
    step(&mut state, 0, Event::Started { site: site() });
    let effects = step(&mut state, 1, change("ph_high.warn", Some(8.5)));
    let told = effects.iter().find_map(|effect| match effect {
        Effect::LimitChanged(own) => Some((own.old, own.new, own.configured)),
        _ => None,
    });
    assert_eq!(told, Some((8.8, 8.5, 8.8)));
    step(&mut state, 2, Event::Started { site: site() });
    assert_eq!(holds(&state, "ph_high.warn"), 8.5);
    assert_eq!(state.view().limit_changes.len(), 1);
    let mut edited: Site = site();
    edited.ponds[0].limits.ph_high[0].limit = 8.7;
    step(&mut state, 3, Event::Started { site: edited });
    assert_eq!(holds(&state, "ph_high.warn"), 8.7, "the newest decision counts");
    assert!(state.view().limit_changes.is_empty());
}

#[test]
fn what_cannot_be_is_refused_and_changes_nothing() {
    let mut state = State::new();
    let refused = |effects: &[Effect]| effects.iter().any(|effect| matches!(effect, Effect::Refused { .. }));
    assert!(refused(&step(&mut state, 0, change("ph_high.warn", Some(8.5)))), "before any farm");
    step(&mut state, 1, Event::Started { site: site() });
    let before = state.site().cloned();
    for (key, value) in [
        ("do_low_mg_l.emergency", Some(0.1)),
        ("do_low_mg_l.warn", Some(f64::NAN)),
        ("nothing", Some(1.0)),
        ("ph_high.warn", None),
    ] {
        assert!(refused(&step(&mut state, 2, change(key, value))), "{key}");
    }
    let silent = Event::LimitChange {
        pond: PondIndex(0),
        key: "ph_high.warn".into(),
        value: Some(8.5),
        reason: " ".into(),
        by: "x".into(),
    };
    assert!(refused(&step(&mut state, 3, silent)));
    assert_eq!(state.site().cloned(), before);
}
