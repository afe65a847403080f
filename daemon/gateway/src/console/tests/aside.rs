//! Alarms that are shelved, counted in another, or latched; and the keys for them.

use super::*;
use crate::local::protocol::{AlarmStatus, ShelfStatus};

/// The power is lost in the middle of the night; seven alarms are counted in it, one is shelved.
pub(super) fn dark() -> FarmStatus {
    let mut farm = sample::critical_alarm();
    let like = farm.alarms[0].clone();
    let of = |id: &str, name: &str, priority: u8, state: &str| AlarmStatus {
        id: id.to_owned(),
        pond: id.split('.').next().filter(|pond| pond.starts_with('p')).map(str::to_owned),
        name: name.to_owned(),
        priority,
        state: state.to_owned(),
        ..like.clone()
    };
    let mut root = of("farm.power-lost", "Power lost, aerators off", 1, "unacknowledged");
    root.message = "Farm: power seems lost, all 7 running aerator groups in 4 ponds stopped together. Start \
                    the generator, then aerators one after another, 10 s apart. Time left: Avocet (p4): not \
                    known, measure by hand; Ibis (p2): 3.0 mg/L in about 1 h 10 min; Heron (p1): 3.0 mg/L in \
                    about 2 h 45 min; Curlew (p3): not before the morning. Walk, do not run; stay out of the \
                    water; a licensed electrician for the mains. 4 further alarms are counted in this one."
        .to_owned();
    root.inside = 4;
    let mut shelved = of("p3.ph-high-warn", "pH high", 3, "shelved");
    shelved.shelf = Some(ShelfStatus {
        until: "2026-11-25T13:00:00Z".to_owned(),
        by: "mira".to_owned(),
        reason: "known, and being mended".to_owned(),
    });
    let inside = ["p1", "p2", "p3", "p4"].map(|pond| {
        let mut alarm = of(
            &format!("{pond}.aerators-stopped"),
            "Several aerators stopped at night",
            1,
            "suppressed-by-design",
        );
        alarm.root = Some("farm.power-lost".to_owned());
        alarm
    });
    farm.alarms = [root].into_iter().chain(inside).chain([shelved]).collect();
    farm
}

#[test]
fn farm_without_power() {
    insta::assert_snapshot!(Shown::of(dark()).text());
}

#[test]
fn alarm_list_without_power() {
    insta::assert_snapshot!(Shown::of(dark()).keys(&[Key::Tab, Key::Tab]).text());
}

#[test]
fn power_is_back_and_somebody_must_look() {
    let mut farm = dark();
    farm.horn = false;
    farm.alarms.truncate(1);
    farm.alarms[0].state = "latched-acknowledged".to_owned();
    farm.alarms[0].message =
        "Farm: aerators run again. Not running again: p2 b. Look at each pond, and test TAN \
                              today and tomorrow: ammonia may rise for hours after oxygen was short."
            .to_owned();
    let mut shown = Shown::of(farm);
    insta::assert_snapshot!(shown.text());
    let action = shown.press(Key::Char('r'), LATER);
    assert_eq!(action, Some(Action::Ask(Ask::Reset { id: "farm.power-lost".to_owned() })));
}

#[test]
fn shelving_takes_one_key_for_the_form_and_one_for_the_reason() {
    let mut shown = Shown::of(sample::suspect_probe()).keys(&[Key::Char('s')]);
    assert_eq!(shown.ui.page, Page::Shelving);
    insta::assert_snapshot!(shown.text());
    // A high alarm: half an hour, an hour at most; Enter alone is no reason.
    assert_eq!(shown.press(Key::Enter, LATER), None);
    assert!(shown.ui.notice.as_ref().unwrap().text.contains("A reason is asked for"));
    shown.press(Key::Up, LATER);
    shown.press(Key::Up, LATER);
    let ask = Ask::Shelve {
        id: "p3.probe-suspect-do".to_owned(),
        seconds: 3_600,
        reason: "a probe or a part is being serviced".to_owned(),
    };
    assert_eq!(shown.press(Key::Char('2'), LATER), Some(Action::Ask(ask.clone())));
    // The daemon refuses: what was chosen stays.
    shown.ui.answered(&ask, Err("it is shelved already".to_owned()), LATER);
    assert_eq!(shown.ui.page, Page::Shelving);
    assert!(shown.ui.notice.as_ref().unwrap().text.starts_with("NOT shelved: it is"));
    assert_eq!(shown.press(Key::Char('2'), LATER), Some(Action::Ask(ask.clone())));
    shown.ui.answered(&ask, Ok(None), LATER);
    assert_eq!(shown.ui.page, Page::Farm);
}

#[test]
fn a_shelved_alarm_is_taken_back_with_the_same_key() {
    let farm = dark();
    let last = farm.alarms.len() - 1;
    let mut shown = Shown::of(farm).keys(&[Key::Tab, Key::Tab]).keys(&vec![Key::Down; last]);
    let action = shown.press(Key::Char('s'), LATER);
    assert_eq!(action, Some(Action::Ask(Ask::Unshelve { id: "p3.ph-high-warn".to_owned() })));
    // What is counted in another announces nothing already.
    shown.press(Key::Up, LATER);
    assert_eq!(shown.press(Key::Char('s'), LATER), None);
    assert!(shown.ui.notice.as_ref().unwrap().text.contains("counted in another"));
}

#[test]
fn nothing_is_put_aside_without_a_connection() {
    let mut shown = Shown::of(sample::critical_alarm()).lost(30);
    assert_eq!(shown.press(Key::Char('s'), LATER), None);
    assert_eq!(shown.press(Key::Char('r'), LATER), None);
    assert_eq!(shown.ui.page, Page::Farm);
}
