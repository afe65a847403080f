//! Keys as a person presses them: acknowledging, moving about, entering.

use super::*;

#[test]
fn one_key_acknowledges_the_top_alarm_from_every_page() {
    for keys in [
        vec![],
        characters("3"),
        vec![Key::Tab, Key::Tab],
        characters("?"),
        characters("e"),
        characters("n"),
        characters("nn"),
    ] {
        let mut shown = Shown::of(sample::critical_alarm()).keys(&keys);
        let action = shown.press(Key::Char('a'), 2 * LATER);
        let wanted = Action::Ask(Ask::Acknowledge { id: "p1.do-low-critical".to_owned() });
        assert_eq!(action, Some(wanted), "{keys:?}");
    }
    for key in [Key::Char(' '), Key::Enter] {
        let mut shown = Shown::of(sample::critical_alarm());
        assert!(matches!(shown.press(key, LATER), Some(Action::Ask(Ask::Acknowledge { .. }))), "{key:?}");
    }
}

#[test]
fn an_alarm_that_has_just_come_on_top_is_not_acknowledged_unread() {
    let mut shown = Shown::of(sample::critical_alarm());
    assert_eq!(shown.press(Key::Char('a'), READ_FIRST_MS - 1), None);
    assert!(shown.text().contains("Read it, then press a again"));
    assert!(shown.press(Key::Char('a'), READ_FIRST_MS).is_some());
    // Held down: the next alarm on top is not taken with the first.
    let mut farm = sample::critical_alarm();
    farm.alarms[0].state = "acknowledged".to_owned();
    farm.alarms[1].state = "unacknowledged".to_owned();
    shown.ui.heard(&farm, LATER);
    shown.farm = Some(farm);
    assert_eq!(shown.press(Key::Char('a'), LATER + 30), None);
    let wanted = Action::Ask(Ask::Acknowledge { id: "p3.probe-ph".to_owned() });
    assert_eq!(shown.press(Key::Char('a'), LATER + READ_FIRST_MS), Some(wanted));
}

#[test]
fn an_acknowledgement_is_sent_once_and_again_only_after_a_failure() {
    let mut shown = Shown::of(sample::critical_alarm());
    let Some(Action::Ask(ask)) = shown.press(Key::Char('a'), LATER) else { panic!("not sent") };
    assert_eq!(shown.press(Key::Char('a'), LATER + 100), None);
    shown.ui.answered(&ask, Err("no answer from the daemon within 15 s".to_owned()), LATER + 200);
    assert!(shown.text().contains("NOT acknowledged: no answer"), "{}", shown.text());
    assert_eq!(shown.press(Key::Char('a'), LATER + 300), Some(Action::Ask(ask)));
}

#[test]
fn without_connection_nothing_is_acknowledged_or_kept_for_later() {
    let mut shown = Shown::of(sample::critical_alarm()).lost(60);
    assert_eq!(shown.press(Key::Char('a'), LATER), None);
    assert!(shown.text().contains("NOT acknowledged: no connection"), "{}", shown.text());
    let mut shown = Shown::of(sample::critical_alarm()).lost(60).keys(&characters("e14.6"));
    assert_eq!(shown.press(Key::Enter, LATER), None);
    assert!(shown.text().contains("NOT sent") && shown.text().contains("4.6"), "{}", shown.text());
}

#[test]
fn a_standing_alarm_comes_before_one_that_has_returned() {
    let mut farm = sample::critical_alarm();
    farm.alarms[0].state = "returned-unacknowledged".to_owned();
    farm.alarms[1].state = "unacknowledged".to_owned();
    let wanted = Action::Ask(Ask::Acknowledge { id: "p3.probe-ph".to_owned() });
    assert_eq!(Shown::of(farm.clone()).press(Key::Char('a'), LATER), Some(wanted));
    farm.alarms[1].state = "acknowledged".to_owned();
    let wanted = Action::Ask(Ask::Acknowledge { id: "p1.do-low-critical".to_owned() });
    assert_eq!(Shown::of(farm).press(Key::Char('a'), LATER), Some(wanted));
}

#[test]
fn the_bell_sounds_for_new_urgent_alarms_and_again_for_critical_ones() {
    let mut ui = Ui::default();
    assert!(!ui.heard(&sample::normal_night(), 0));
    assert!(ui.heard(&sample::critical_alarm(), 1_000));
    assert!(!ui.heard(&sample::critical_alarm(), 2_000));
    assert!(ui.heard(&sample::critical_alarm(), 61_000), "a minute later");
    let mut farm = sample::critical_alarm();
    farm.alarms[0].state = "acknowledged".to_owned();
    assert!(!ui.heard(&farm, 200_000));
    assert!(ui.heard(&sample::critical_alarm(), 201_000), "raised anew after acknowledgement");
    farm.alarms[0].state = "unacknowledged".to_owned();
    farm.alarms[0].priority = 3;
    assert!(!Ui::default().heard(&farm, 0), "medium alarms are silent");
}

#[test]
fn movement_between_pages_and_ponds() {
    let mut shown = Shown::of(sample::normal_night());
    let mut at = |key: Key| {
        shown.press(key, LATER);
        (shown.ui.page, shown.ui.pond)
    };
    assert_eq!(at(Key::Down), (Page::Farm, 1));
    assert_eq!(at(Key::Right), (Page::Pond, 1));
    assert_eq!(at(Key::Char('4')), (Page::Pond, 3));
    assert_eq!(at(Key::Down), (Page::Pond, 3));
    assert_eq!(at(Key::Escape), (Page::Farm, 3));
    assert_eq!(at(Key::Char('7')), (Page::Farm, 3));
    assert_eq!(at(Key::BackTab), (Page::Help, 3));
    assert_eq!(at(Key::Char('?')), (Page::Farm, 3));
    assert_eq!(at(Key::Char('e')), (Page::Entry, 3));
    assert_eq!(at(Key::Escape), (Page::Farm, 3));
    assert_eq!(shown.press(Key::Char('q'), LATER), Some(Action::Leave));
    assert_eq!(shown.press(Key::Interrupt, LATER), Some(Action::Leave));
}

#[test]
fn a_kept_reading_closes_the_form_and_a_refused_one_stays() {
    let mut shown = Shown::of(sample::normal_night()).keys(&characters("e24.6"));
    let Some(Action::Ask(ask)) = shown.press(Key::Enter, LATER) else { panic!("not sent") };
    shown.ui.answered(&ask, Err("the store is full".to_owned()), LATER);
    assert_eq!(shown.ui.page, Page::Entry);
    assert!(shown.text().contains("NOT kept: the store is full"), "{}", shown.text());
    assert_eq!(shown.press(Key::Enter, LATER), Some(Action::Ask(ask.clone())));
    shown.ui.answered(&ask, Ok(None), LATER);
    assert_eq!(shown.ui.page, Page::Farm);
    // 4.6 by hand against 5.71 from the probe.
    assert!(
        shown
            .text()
            .contains("Kept. P2 oxygen by hand 4.60, probe 5.71 mg/L: wipe the probe, compare again."),
        "{}",
        shown.text()
    );
}

/// Bytes sent to bring the terminal from one page to the next.
fn bytes(from: &Shown, to: &Shown) -> usize {
    let mut sent = Vec::new();
    let before = {
        let mut display = Display::new(&mut sent, Rect::new(0, 0, 80, 24));
        display.show(from.page(), None).unwrap();
        display.show(to.page(), None).unwrap();
        let mut first = Vec::new();
        let mut display = Display::new(&mut first, Rect::new(0, 0, 80, 24));
        display.show(from.page(), None).unwrap();
        first.len()
    };
    sent.len() - before
}

/// 9600 baud carry 960 bytes a second.
#[test]
fn a_redraw_fits_a_slow_line() {
    let quiet = Shown::of(sample::normal_night());
    let mut later = sample::normal_night();
    later.at = "2026-11-25T07:15:00Z".to_owned();
    for pond in &mut later.ponds {
        for reading in &mut pond.readings {
            reading.value = reading.value.map(|value| value - 0.01);
            reading.age_s += 60;
        }
    }
    let minute = bytes(&quiet, &Shown::of(later));
    let alarm = bytes(&quiet, &Shown::of(sample::critical_alarm()));
    let acknowledged = {
        let mut farm = sample::critical_alarm();
        farm.horn = false;
        farm.alarms[0].state = "acknowledged".to_owned();
        bytes(&Shown::of(sample::critical_alarm()), &Shown::of(farm))
    };
    let mut empty = Shown::of(sample::normal_night());
    empty.farm = None;
    empty.link = Link::Waiting { why: None };
    let whole = bytes(&empty, &Shown::of(sample::critical_alarm()));
    println!(
        "bytes: nothing new {}, a minute on {minute}, alarm {alarm}, acknowledged {acknowledged}, whole page {whole}",
        bytes(&quiet, &quiet)
    );
    assert_eq!(bytes(&quiet, &quiet), 0);
    assert!(minute < 960, "{minute}");
    assert!(acknowledged < 960, "{acknowledged}");
    assert!(alarm < 2_880, "{alarm}");
    assert!(whole < 2_880, "{whole}");
}
