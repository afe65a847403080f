//! The pages in Spanish, as a technician on an 80×24 serial line without accents sees them.

use serde_json::json;

use super::*;
use crate::local::said::{PutInStatus, SaidStatus};

fn spanish() -> Words {
    chosen(&Choice { language: Some("es".to_owned()), ..Choice::default() }).unwrap()
}

fn said(key: &str, with: Vec<(&str, PutInStatus)>) -> SaidStatus {
    let with = with.into_iter().map(|(name, put_in)| (name.to_owned(), put_in)).collect();
    SaidStatus { key: key.to_owned(), english: "in English".to_owned(), with }
}

fn text(text: &str) -> PutInStatus {
    PutInStatus::Text(text.to_owned())
}

fn part(key: &str, with: Vec<(&str, PutInStatus)>) -> PutInStatus {
    PutInStatus::Said(said(key, with))
}

fn nothing() -> PutInStatus {
    PutInStatus::Said(SaidStatus { key: String::new(), english: String::new(), with: Vec::new() })
}

/// The critical alarm with what the daemon tells of it beside the English.
fn critical() -> FarmStatus {
    let mut farm = sample::critical_alarm();
    let trend = part(
        "trend-falling",
        vec![
            ("slope", text("0.7")),
            (
                "left",
                part(
                    "trend-left",
                    vec![
                        ("limit", text("2.0")),
                        (
                            "left",
                            part("length-hours-minutes", vec![("hours", text("1")), ("minutes", text("14"))]),
                        ),
                    ],
                ),
            ),
        ],
    );
    farm.alarms[0].said = Some(Box::new(said(
        "said-do-low",
        vec![
            ("place", text("Heron (p1)")),
            ("what", part("said-low-1", vec![])),
            ("value", text("2.8")),
            ("limit", text("3.0")),
            ("trend", trend),
            ("doubt", nothing()),
            ("todo", part("low-do-1", vec![])),
        ],
    )));
    farm.alarms[1].id = "p3.probe-fault.p3-ph".to_owned();
    farm.alarms[1].said = Some(Box::new(said(
        "said-probe-fault",
        vec![
            ("place", text("Curlew (p3)")),
            ("probe", text("p3-ph")),
            ("what", part("fault-silent", vec![])),
        ],
    )));
    if let Some(advice) = &mut farm.ponds[0].advice {
        let now =
            part("advice-low", vec![("value", text("2.8")), ("limit", text("3.0")), ("doubt", nothing())]);
        let groups = part("group-one", vec![("id", text("b"))]);
        advice.said = Some(Box::new(said(
            "advice-start-all",
            vec![("now", now), ("groups", groups), ("power", text("4.5")), ("stopped", nothing())],
        )));
    }
    farm
}

/// The blind pond likewise.
fn blind() -> FarmStatus {
    let mut farm = sample::blind_pond();
    let since = part("length-minutes", vec![("minutes", text("25"))]);
    farm.alarms[0].said = Some(Box::new(said(
        "said-do-blind",
        vec![("place", text("Ibis (p2)")), ("since", since), ("in_doubt", part("in-doubt", vec![]))],
    )));
    let ibis = &mut farm.ponds[1];
    ibis.no_forecast_said = Some(Box::new(said("no-forecast-oxygen", vec![])));
    if let Some(advice) = &mut ibis.advice {
        advice.said = Some(Box::new(said("advice-no-oxygen", vec![("in_doubt", part("in-doubt", vec![]))])));
        advice.reason = "No usable oxygen reading. If in doubt, start aerators and look.".to_owned();
    }
    farm
}

/// What was done, with the values that the daemon tells beside its English line.
fn diary_told(words: Words) -> Shown {
    let mut shown = diary::done(sample::normal_night()).speaking(words);
    for deed in shown.ui.deeds.iter_mut().flatten() {
        let values = match deed.kind.as_str() {
            "feed" => json!({ "kg": if deed.number == Some(18) { 380 } else { 38 }, "pond_m3": 7_500.0 }),
            "dose" => json!({
                "slurry_kg": 30.0, "slurry_l": 19.6, "lot": "M-17", "containers": 1.2, "slurry_mg_l": 4.0,
            }),
            "drain" => json!({
                "volume_m3": 1_000.0, "percent": 13.333333, "level_before_m": 1.5, "level_after_m": 1.3,
            }),
            "reading" => json!({ "do_mg_l": 4.7 }),
            _ => json!({}),
        };
        deed.values = serde_json::from_value(values).unwrap();
    }
    shown
}

/// The main pages, by name.
fn pages(words: Words) -> Vec<(&'static str, Shown)> {
    let of = |farm: FarmStatus| Shown::of(farm).speaking(words);
    let tab = |count: usize| vec![Key::Tab; count];
    vec![
        ("overview_quiet", of(sample::normal_night())),
        ("overview_alarm", of(critical())),
        ("overview_called", of(sample::people_called())),
        ("overview_blind", of(blind())),
        ("overview_suspect", of(sample::suspect_probe())),
        ("overview_without_power", of(aside::dark())),
        ("overview_lost", of(sample::critical_alarm()).lost(190)),
        ("pond", of(sample::normal_night()).with_curve().keys(&characters("1"))),
        ("pond_alarm", of(critical()).with_curve().keys(&characters("1"))),
        ("pond_blind", of(blind()).keys(&characters("2"))),
        ("night", night::with_nights().speaking(words).keys(&characters("n"))),
        ("nights", night::with_nights().speaking(words).keys(&characters("nn"))),
        ("alarms", of(critical()).keys(&tab(2)).keys(&[Key::Down])),
        ("alarms_without_power", of(aside::dark()).keys(&tab(2))),
        ("help", of(sample::normal_night()).keys(&characters("?"))),
        ("help_below", of(sample::normal_night()).keys(&characters("?")).keys(&[Key::PageDown])),
        (
            "entry",
            of(sample::critical_alarm())
                .keys(&characters("e24.6"))
                .keys(&tab(2))
                .keys(&characters("81"))
                .keys(&[Key::Enter]),
        ),
        ("shelving", of(critical()).keys(&characters("s"))),
        ("limits", limits::opened().speaking(words).keys(&[Key::Down, Key::Down])),
        ("limits_why", limits::opened().speaking(words).keys(&characters("4.2")).keys(&[Key::Enter])),
        ("diary", diary_told(words)),
        ("diary_kinds", diary::done(sample::normal_night()).speaking(words).keys(&characters("d2"))),
        ("diary_dose", diary::done(sample::normal_night()).speaking(words).keys(&characters("d12"))),
        ("diary_weather", diary::done(sample::normal_night()).speaking(words).keys(&characters("d18"))),
        (
            "diary_count",
            diary::done(sample::normal_night())
                .speaking(words)
                .keys(&characters("d1"))
                .keys(&[Key::Down; 10])
                .keys(&[Key::Enter])
                .keys(&characters("12"))
                .keys(&tab(3)),
        ),
        ("diary_recorded", diary::recorded(words)),
        ("unheard", {
            let mut shown = of(sample::normal_night());
            shown.farm = None;
            shown.link = Link::Waiting { why: None };
            shown
        }),
    ]
}

#[test]
fn the_pages_in_spanish() {
    for (name, shown) in pages(spanish()) {
        insta::assert_snapshot!(format!("es_{name}"), shown.text());
    }
}

/// `..` marks what was cut.
#[test]
fn nothing_the_console_says_itself_is_cut_or_leaves_the_window() {
    for words in [english(), spanish()] {
        for (name, shown) in pages(words) {
            for (y, row) in shown.text().lines().enumerate() {
                assert!(row.chars().count() <= 80, "{} {name}: {row}", words.code());
                // A range such as 0..50 is none.
                let cut = row.replace("...", "").match_indices("..").any(|(at, _)| {
                    !row.get(at + 2..).is_some_and(|after| after.starts_with(|c: char| c.is_ascii_digit()))
                });
                // The daemon's English names of alarms are longer than the list's column, and stand in full below.
                let is_name = words == english() && name.starts_with("alarms");
                assert!(!cut || is_name, "{} {name} row {y}: {row}", words.code());
            }
        }
    }
}

/// Every text of the catalogue is there: what is not shows as its key.
#[test]
fn no_page_shows_a_key() {
    for words in [english(), spanish()] {
        for (name, shown) in pages(words) {
            let mut shown = shown;
            shown.capabilities = FULL;
            assert!(!shown.text().contains('⟨'), "{} {name}\n{}", words.code(), shown.text());
        }
    }
}

#[test]
fn accents_become_plain_letters_where_the_terminal_has_no_others() {
    let mut shown = Shown::of(sample::critical_alarm()).speaking(spanish());
    assert!(shown.text().is_ascii(), "{}", shown.text());
    assert!(shown.text().contains("CRITICA") && shown.text().contains("Oxigeno"), "{}", shown.text());
    shown.capabilities = FULL;
    assert!(shown.text().contains("CRÍTICA") && shown.text().contains("Oxígeno"), "{}", shown.text());
}

/// What is kept is the same whatever is spoken: the audit trail is read by others too.
#[test]
fn what_is_sent_does_not_hang_on_the_language() {
    for words in [english(), spanish()] {
        let mut shown = Shown::of(sample::critical_alarm()).speaking(words).keys(&characters("s"));
        let asked = shown.press(Key::Char('1'), LATER);
        let Some(Action::Ask(Ask::Shelve { reason, .. })) = asked else { panic!("{asked:?}") };
        assert_eq!(reason, "known, and being mended");
        let mut shown = diary::done(sample::normal_night()).speaking(words);
        let mut asked = None;
        for key in characters("d182").into_iter().chain([Key::Enter]) {
            asked = shown.press(key, LATER);
        }
        let Some(Action::Ask(Ask::Record(ask))) = asked else { panic!("{asked:?}") };
        assert_eq!(
            ask.entry,
            crate::local::diary::EntryAsk::Weather { words: "part cloud".to_owned() },
            "{}",
            words.code()
        );
    }
}
