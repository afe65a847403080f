//! Changing a limit at the console.

use super::*;
use crate::local::limits::{ChangedLimitStatus, LimitStatus};
use crate::local::protocol::Ask;

fn limits() -> Vec<LimitStatus> {
    let own = |key: &str, value: f64, source: &str| LimitStatus {
        key: key.to_owned(),
        value,
        source: Some(source.to_owned()),
        changed: None,
    };
    let mut list = vec![
        own(
            "do_low_mg_l.warn",
            4.0,
            "daily minimum above 3 for feed and growth (Boyd); the limit: common practice",
        ),
        own("do_low_mg_l.critical", 3.0, "common practice, no source"),
        own("ph_high.warn", 8.6, "common practice, no source"),
    ];
    list[2].changed = Some(ChangedLimitStatus {
        pond: "p1".to_owned(),
        key: "ph_high.warn".to_owned(),
        configured: 8.8,
        value: 8.6,
        at: "2026-11-25T06:30:00Z".to_owned(),
        by: "mira".to_owned(),
        reason: "adviser, after the dose".to_owned(),
    });
    list
}

pub(super) fn opened() -> Shown {
    let mut shown = Shown::of(sample::normal_night()).keys(&[Key::Char('1')]);
    let asked = shown.press(Key::Char('l'), LATER);
    assert_eq!(asked, Some(Action::Ask(Ask::Limits { pond: "p1".to_owned() })));
    shown.ui.told_limits(limits());
    shown
}

#[test]
fn a_value_and_a_reason_change_a_limit() {
    let mut shown = opened().keys(&characters("4.2"));
    insta::assert_snapshot!(shown.text());
    assert_eq!(shown.press(Key::Enter, LATER), None);
    insta::assert_snapshot!("a_limit_waits_for_its_reason", shown.text());
    let asked = shown.press(Key::Char('1'), LATER);
    let ask = Ask::ChangeLimit {
        pond: "p1".to_owned(),
        key: "do_low_mg_l.warn".to_owned(),
        value: Some(4.2),
        reason: "the adviser said so".to_owned(),
    };
    assert_eq!(asked, Some(Action::Ask(ask.clone())));
    shown.ui.answered(&ask, Err("it cannot be".to_owned()), LATER);
    assert!(shown.text().contains("NOT changed: it cannot be"), "{}", shown.text());
    assert!(shown.text().contains("[4.2"), "what was typed stays: {}", shown.text());
}

#[test]
fn nothing_typed_takes_a_change_back() {
    let mut shown = opened();
    shown.press(Key::Enter, LATER);
    assert!(shown.text().contains("Type the new value first."), "{}", shown.text());
    let mut shown = shown.keys(&[Key::Down, Key::Down]);
    insta::assert_snapshot!("a_limit_that_was_changed", shown.text());
    assert_eq!(shown.press(Key::Enter, LATER), None);
    let asked = shown.press(Key::Char('5'), LATER);
    let Some(Action::Ask(Ask::ChangeLimit { key, value, .. })) = asked else { panic!("{asked:?}") };
    assert_eq!((key.as_str(), value), ("ph_high.warn", None));
}
