//! What was done, and recording it with digits and Enter.

use super::*;
use crate::local::diary::{DeedStatus, DoseAsk, EntryAsk, RecordAsk, RecordedStatus, WaterAsk};
use crate::local::said::{PutInStatus, SaidStatus};

fn deed(number: u64, pond: &str, at: &str, kind: &str, words: &str) -> DeedStatus {
    DeedStatus {
        kind: kind.to_owned(),
        number: (number > 0).then_some(number),
        pond: Some(pond.to_owned()),
        at: at.to_owned(),
        stop: None,
        recorded: at.to_owned(),
        by: "mira".to_owned(),
        corrects: None,
        superseded_by: None,
        withdrawn: None,
        refused: None,
        words: words.to_owned(),
        values: std::collections::BTreeMap::new(),
        said: None,
    }
}

pub(super) fn deeds() -> Vec<DeedStatus> {
    let mut wrong = deed(18, "p3", "2026-11-24T12:10:00Z", "feed", "380 kg of feed");
    wrong.superseded_by = Some(19);
    let mut gone = deed(21, "p2", "2026-11-24T20:00:00Z", "note", "adviser called");
    (gone.superseded_by, gone.withdrawn) = (Some(22), Some("other pond".to_owned()));
    vec![
        deed(
            17,
            "p1",
            "2026-11-24T12:20:00Z",
            "dose",
            "30 kg = 19.6 L of slurry of lot M-17, 1.2 containers emptied, 4 mg/L of slurry",
        ),
        wrong,
        deed(19, "p3", "2026-11-24T12:10:00Z", "feed", "38 kg of feed"),
        deed(
            20,
            "p1",
            "2026-11-24T13:40:00Z",
            "drain",
            "1000 m3 let out, 13.3 % of 7500 m3, level 1.50 to 1.30 m",
        ),
        gone,
        deed(0, "p1", "2026-11-25T06:58:00Z", "acknowledgement", "acknowledged p1.do-low-critical"),
        deed(0, "p1", "2026-11-25T07:03:00Z", "reading", "Oxygen 4.70 mg/L by hand"),
    ]
}

/// The page with what the daemon told.
pub(super) fn done(farm: FarmStatus) -> Shown {
    let mut shown = Shown::of(farm);
    let Some(Action::Ask(Ask::Deeds { pond: None, from, to, .. })) = shown.press(Key::Char('d'), LATER)
    else {
        panic!("not asked")
    };
    assert_eq!((from.as_str(), to.as_str()), ("2026-11-11T07:14:00Z", "2026-11-25T08:14:00Z"));
    shown.ui.told_deeds(deeds());
    shown
}

fn sent(shown: &mut Shown, keys: &str) -> Option<RecordAsk> {
    let mut asked = None;
    for character in keys.chars() {
        let key = match character {
            '\n' => Key::Enter,
            '\t' => Key::Tab,
            other => Key::Char(other),
        };
        if let Some(Action::Ask(Ask::Record(ask))) = shown.press(key, LATER) {
            asked = Some(*ask);
        }
    }
    asked
}

#[test]
fn what_was_done_newest_first() {
    insta::assert_snapshot!(done(sample::normal_night()).text());
}

#[test]
fn what_was_done_in_a_small_window() {
    let shown = done(sample::critical_alarm()).sized(60, 14).keys(&[Key::Down]);
    insta::assert_snapshot!(shown.text());
}

#[test]
fn choosing_what_was_done() {
    insta::assert_snapshot!(done(sample::normal_night()).keys(&characters("d1")).text());
}

/// d d, pond 3, 1 for feed, 38, Enter.
#[test]
fn a_meal_takes_two_keys_and_its_digits() {
    let mut shown = done(sample::normal_night());
    let ask = sent(&mut shown, "d3138\n").unwrap();
    let entry = EntryAsk::Feed { kg: 38.0, tray_left_percent: None };
    assert_eq!(ask, RecordAsk { pond: "p3".to_owned(), entry, at: None, corrects: None });
    // From a pond's own page the pond is known.
    let mut shown = Shown::of(sample::normal_night()).keys(&characters("2"));
    assert_eq!(sent(&mut shown, "dd1\t5\n"), None, "no feed was said");
    assert!(shown.ui.notice.as_ref().unwrap().text.contains("Feed: type the number"));
    assert_eq!(sent(&mut shown, "12,5\n").unwrap().pond, "p2");
}

#[test]
fn a_dose_whose_containers_do_not_fit_is_asked_about_once_more() {
    let mut shown = done(sample::normal_night());
    let ask = sent(&mut shown, "d1238.4\t\t4.8\t1\n").unwrap();
    let dose = DoseAsk {
        slurry_kg: Some(38.4),
        containers: Some(4.8),
        lot: Some("M-17".to_owned()),
        ..DoseAsk::default()
    };
    assert_eq!(ask.entry, EntryAsk::Dose(dose.clone()));
    shown.ui.unsure("dose of pond p1: 38.4 kg weighed; 4.8 containers of 25 kg are 120.0 kg: they differ by 212 %. Nothing is recorded yet".to_owned(), LATER);
    insta::assert_snapshot!(shown.text());
    let confirmed = DoseAsk { confirm_mismatch: true, ..dose.clone() };
    assert_eq!(sent(&mut shown, "\n").unwrap().entry, EntryAsk::Dose(confirmed));
    // What is typed anew is asked about anew.
    shown.ui.unsure("again".to_owned(), LATER);
    let again = sent(&mut shown, "\t10:00\n").unwrap();
    let EntryAsk::Dose(again) = again.entry else { panic!("another kind") };
    assert!(!again.confirm_mismatch && again.stop.is_some());
}

#[test]
fn weather_is_chosen_by_its_number() {
    let mut shown = done(sample::normal_night());
    assert_eq!(sent(&mut shown, "d28"), None);
    insta::assert_snapshot!(shown.text());
    assert_eq!(sent(&mut shown, "3\n").unwrap().entry, EntryAsk::Weather { words: "overcast".to_owned() });
}

/// Ten rows down from feed, since only ten kinds have a digit.
#[test]
fn containers_of_product_are_counted_like_the_rest() {
    let mut shown = done(sample::normal_night()).keys(&characters("d1")).keys(&[Key::Down; 10]);
    assert_eq!(sent(&mut shown, "\n\n"), None, "how many are left was not said");
    assert!(shown.ui.notice.as_ref().unwrap().text.contains("Left: type the number"));
    assert_eq!(sent(&mut shown, "12.5\t6\t2\t1"), None);
    insta::assert_snapshot!(shown.text());
    let entry = EntryAsk::Count {
        lot: Some("M-18".to_owned()),
        left: 12.5,
        delivered: Some(6.0),
        container_kg: None,
        reason: Some("spilled or spoilt".to_owned()),
    };
    assert_eq!(sent(&mut shown, "\n").unwrap().entry, entry);
}

#[test]
fn every_kind_has_a_form_that_says_what_is_missing() {
    for kind in 0..super::super::diary::KINDS.len() {
        let mut shown = done(sample::normal_night()).keys(&characters("d1"));
        for _ in 0..kind {
            shown.press(Key::Down, LATER);
        }
        shown.press(Key::Enter, LATER);
        shown.press(Key::Enter, LATER);
        let form = shown.ui.form.as_ref().unwrap();
        assert_eq!(form.kind, Some(kind));
        // Sent empty it is refused here, or by the daemon, which knows what each kind needs.
        assert!(form.sending || shown.ui.notice.as_ref().unwrap().trouble, "{kind}");
        assert!(shown.text().contains(super::super::diary::KINDS[kind].0));
    }
}

#[test]
fn an_exchange_with_its_levels_and_its_time() {
    let mut shown = done(sample::normal_night());
    let ask = sent(&mut shown, "d141.5\t1.3\t1.5\t\t01:30\t00:30\n").unwrap();
    let water = WaterAsk {
        stop: Some("2026-11-25T06:30:00Z".to_owned()),
        level_before_m: Some(1.5),
        level_after_m: Some(1.3),
        refilled_to_m: Some(1.5),
        ..WaterAsk::default()
    };
    assert_eq!((ask.entry, ask.at.as_deref()), (EntryAsk::Exchange(water), Some("2026-11-25T05:30:00Z")));
}

/// Water let out, as the daemon takes and tells it.
fn exchanged() -> RecordedStatus {
    let said = |key: &str, with: Vec<(&str, &str)>| SaidStatus {
        key: key.to_owned(),
        english: "in English".to_owned(),
        with: with
            .into_iter()
            .map(|(name, text)| (name.to_owned(), PutInStatus::Text(text.to_owned())))
            .collect(),
    };
    RecordedStatus {
        entry: deeds()[3].clone(),
        told: vec!["The next dose is reckoned with 6500 m3.".to_owned()],
        cautions: vec![
            "What is let out may need a permit, settling or a report: ask for the local limit. Sick or dead shrimp in the pond: call the vet or the authority and let nothing out.".to_owned(),
            "NOT within 48 h of a dose without the adviser's approval: this pond was dosed 2 h before (entry 17).".to_owned(),
            "Hydrogen sulfide in drains, sumps and sludge pits kills, and the nose stops smelling it. Never enter a pit alone or to rescue; gas meter, ventilation, a trained team.".to_owned(),
        ],
        told_said: vec![said("told-next-dose", vec![("volume", "6500"), ("known", "")])],
        cautions_said: vec![
            said("mind-discharge", vec![]),
            said("mind-fresh-dose", vec![("hours", "2"), ("number", "17")]),
            said("mind-sulfide", vec![]),
        ],
        wants_reason: false,
    }
}

/// The page that reads it back.
pub(super) fn recorded(words: Words) -> Shown {
    let mut shown = done(sample::normal_night()).speaking(words);
    let farm = shown.farm.clone();
    sent(&mut shown, "d131.5\t1.3\n");
    let mut recorded = exchanged();
    let values = serde_json::json!({
        "volume_m3": 1_000.0, "percent": 13.333333, "level_before_m": 1.5, "level_after_m": 1.3,
    });
    recorded.entry.values = serde_json::from_value(values).unwrap();
    let _ = shown.ui.recorded(Box::new(recorded), farm.as_ref(), LATER);
    shown
}

#[test]
fn what_was_recorded_is_read_back_with_what_to_mind() {
    let mut shown = done(sample::normal_night());
    let ask = sent(&mut shown, "d131.5\t1.3\n").unwrap();
    let recorded = exchanged();
    let farm = shown.farm.clone();
    let next = shown.ui.recorded(Box::new(recorded), farm.as_ref(), LATER);
    assert!(matches!(next, Some(Action::Ask(Ask::Deeds { .. }))));
    insta::assert_snapshot!(shown.text());
    assert_eq!(shown.press(Key::Enter, LATER), None);
    assert_eq!(shown.ui.page, Page::Done);
    // Refused by the daemon: what was typed stays.
    let mut shown = done(sample::normal_night()).keys(&characters("d311"));
    shown.press(Key::Enter, LATER);
    shown.ui.answered(&Ask::Record(Box::new(ask)), Err("kg = 1 cannot be".to_owned()), LATER);
    let form = shown.ui.form.as_ref().unwrap();
    assert!(!form.sending && form.texts[0] == "1");
}

/// A dose that something speaks against: one digit says why, and stands in its place.
#[test]
fn a_dose_against_advice_is_asked_about_and_answered_with_a_digit() {
    let mut shown = done(sample::normal_night());
    let farm = shown.farm.clone();
    let asked = sent(&mut shown, "d1230\t\t\t1\n").unwrap();
    let mut taken = exchanged();
    taken.entry = deeds()[0].clone();
    taken.entry.words =
        "30 kg of slurry of lot M-17, 4 mg/L of slurry; against advice (nobody says why): pH 8.60 (limit 8.5)"
            .to_owned();
    taken.cautions = vec![
        "Recorded, although plan dose says NOT NOW. Why it was given is not said: say it with --correct 17 and --reason, and tell the adviser. Against it: pH 8.60 (limit 8.5).".to_owned(),
        "Slurry is alkaline, about pH 10: goggles, gloves, boots, water for the eyes at hand. Mix it with no acid, chlorine or other product. Rinse splashes at once.".to_owned(),
    ];
    (taken.told_said, taken.cautions_said, taken.wants_reason) = (Vec::new(), Vec::new(), true);
    let _ = shown.ui.recorded(Box::new(taken.clone()), farm.as_ref(), LATER);
    insta::assert_snapshot!(shown.text());
    assert_eq!(sent(&mut shown, "9"), None, "there are five");
    assert!(shown.ui.notice.as_ref().unwrap().text.contains("1 to 5"));
    let again = sent(&mut shown, "1").unwrap();
    let EntryAsk::Dose(dose) = &asked.entry else { panic!("another kind") };
    let reason = Some("the adviser approved it".to_owned());
    let entry = EntryAsk::Dose(DoseAsk { reason, ..dose.clone() });
    assert_eq!(again, RecordAsk { entry, corrects: Some(17), ..asked });
    // Once it has its reason nothing more is asked.
    taken.wants_reason = false;
    let _ = shown.ui.recorded(Box::new(taken.clone()), farm.as_ref(), LATER);
    assert!(!shown.text().contains("Press a number"));
    assert_eq!(sent(&mut shown, "1"), None);
    // Who leaves it leaves it.
    taken.wants_reason = true;
    let _ = shown.ui.recorded(Box::new(taken), farm.as_ref(), LATER);
    assert_eq!((shown.press(Key::Enter, LATER), shown.ui.page), (None, Page::Done));
}

/// The farm may show it before the answer to the request has come.
#[test]
fn an_acknowledgement_is_told_by_name_in_whatever_order_things_come() {
    let mut shown = done(sample::critical_alarm());
    let Some(Action::Ask(ask)) = shown.press(Key::Char('a'), LATER) else { panic!("it is sent") };
    let mut after = sample::critical_alarm();
    for alarm in &mut after.alarms {
        alarm.state = "acknowledged".to_owned();
    }
    shown.ui.heard(&after, LATER);
    shown.ui.answered(&ask, Ok(None), LATER);
    assert!(shown.ui.notice.as_ref().unwrap().text.starts_with("Acknowledged: P1, "));
}

#[test]
fn acknowledging_works_while_something_is_typed_and_nothing_is_sent_without_a_connection() {
    let mut shown = done(sample::critical_alarm()).keys(&characters("d11"));
    let action = shown.press(Key::Char('a'), LATER);
    assert!(matches!(action, Some(Action::Ask(Ask::Acknowledge { .. }))));
    let mut shown = shown.keys(&characters("12")).lost(30);
    assert_eq!(sent(&mut shown, "\n"), None);
    assert!(shown.ui.notice.as_ref().unwrap().text.starts_with("NOT recorded: no connection"));
}
