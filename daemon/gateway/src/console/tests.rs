//! Pages as a person sees them, and keys as a person presses them.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier};

use crate::local::protocol::{Ask, FarmStatus};
use crate::local::why::WhyStatus;
use crate::texts::{Choice, Words, chosen, english};

use super::draw::{Curve, Link, Nights, Screen, draw};
use super::keys::Key;
use super::sample;
use super::terminal::{Capabilities, Display};
use super::ui::{Action, Page, READ_FIRST_MS, Ui};

mod aside;
mod calls;
mod diary;
mod limits;
mod long_names;
mod night;
mod pressing;
mod redraw;
mod spanish;

const PLAIN: Capabilities = Capabilities { colour: false, utf8: false };
const FULL: Capabilities = Capabilities { colour: true, utf8: true };

/// Later than any guard against keys pressed too soon.
const LATER: u64 = 10_000;

struct Shown {
    farm: Option<FarmStatus>,
    link: Link,
    ui: Ui,
    curve: Option<Curve>,
    nights: Option<Nights>,
    size: (u16, u16),
    capabilities: Capabilities,
}

impl Shown {
    fn of(farm: FarmStatus) -> Self {
        let mut ui = Ui::default();
        ui.heard(&farm, 0);
        Self {
            farm: Some(farm),
            link: Link::Live,
            ui,
            curve: None,
            nights: None,
            size: (80, 24),
            capabilities: PLAIN,
        }
    }

    fn keys(mut self, keys: &[Key]) -> Self {
        for key in keys {
            self.press(*key, LATER);
        }
        self
    }

    fn press(&mut self, key: Key, at_ms: u64) -> Option<Action> {
        self.ui.key(key, self.farm.as_ref(), self.link == Link::Live, at_ms)
    }

    fn speaking(mut self, words: Words) -> Self {
        self.ui.words = words;
        self
    }

    fn sized(mut self, columns: u16, lines: u16) -> Self {
        self.size = (columns, lines);
        self
    }

    fn lost(mut self, for_s: i64) -> Self {
        self.link = Link::Lost { for_s, why: "the daemon closed the connection".to_owned() };
        self
    }

    fn with_curve(mut self) -> Self {
        let last = self.farm.as_ref().and_then(|farm| farm.ponds[0].readings[0].value).unwrap();
        self.curve = Some(Curve { pond: "p1".to_owned(), points: sample::curve(last), trouble: None });
        self
    }

    fn page(&self) -> Buffer {
        let screen = Screen {
            farm: self.farm.as_ref(),
            link: &self.link,
            ui: &self.ui,
            curve: self.curve.as_ref(),
            nights: self.nights.as_ref(),
            title: None,
            capabilities: self.capabilities,
        };
        draw(Rect::new(0, 0, self.size.0, self.size.1), &screen).0
    }

    fn text(&self) -> String {
        text(&self.page())
    }
}

fn text(page: &Buffer) -> String {
    let mut lines = Vec::new();
    for y in 0..page.area.height {
        let line: String = (0..page.area.width).map(|x| page[(x, y)].symbol()).collect();
        lines.push(line.trim_end().to_owned());
    }
    lines.join("\n")
}

fn characters(keys: &str) -> Vec<Key> {
    keys.chars().map(Key::Char).collect()
}

#[test]
fn farm_on_a_normal_night() {
    insta::assert_snapshot!(Shown::of(sample::normal_night()).text());
}

#[test]
fn farm_with_a_critical_alarm() {
    insta::assert_snapshot!(Shown::of(sample::critical_alarm()).text());
}

#[test]
fn farm_with_a_blind_pond() {
    insta::assert_snapshot!(Shown::of(sample::blind_pond()).text());
}

#[test]
fn farm_with_a_suspect_probe() {
    insta::assert_snapshot!(Shown::of(sample::suspect_probe()).text());
}

#[test]
fn farm_when_the_daemon_is_gone() {
    insta::assert_snapshot!(Shown::of(sample::critical_alarm()).lost(190).text());
}

#[test]
fn farm_in_a_small_window() {
    insta::assert_snapshot!(Shown::of(sample::critical_alarm()).sized(60, 20).text());
}

#[test]
fn farm_in_a_large_window() {
    insta::assert_snapshot!(Shown::of(sample::critical_alarm()).sized(120, 40).text());
}

#[test]
fn farm_with_many_alarms() {
    let mut farm = sample::critical_alarm();
    for (pond, name) in [("p2", "Oxygen forecast low"), ("p4", "pH high")] {
        let mut alarm = farm.alarms[0].clone();
        alarm.id = format!("{pond}.{name}");
        alarm.pond = Some(pond.to_owned());
        alarm.priority = 2;
        alarm.name = name.to_owned();
        farm.alarms.insert(1, alarm);
    }
    let mut gateway = farm.alarms[0].clone();
    gateway.id = "gateway.bus.rs485-1".to_owned();
    gateway.pond = None;
    gateway.name = "Bus rs485-1 faulty".to_owned();
    gateway.state = "returned-unacknowledged".to_owned();
    farm.alarms.push(gateway);
    farm.faults = sample::blind_pond().faults;
    insta::assert_snapshot!(Shown::of(farm).text());
}

#[test]
fn farm_with_more_ponds_than_rows() {
    let mut farm = sample::critical_alarm();
    for number in 5..=20 {
        let mut pond = farm.ponds[1].clone();
        pond.id = format!("p{number}");
        pond.name = format!("Pond {number}");
        farm.ponds.push(pond);
    }
    insta::assert_snapshot!(Shown::of(farm).keys(&[Key::Down; 12]).text());
}

#[test]
fn before_the_daemon_answers() {
    let mut shown = Shown::of(sample::normal_night());
    shown.farm = None;
    shown.link =
        Link::Waiting { why: Some("no daemon runs here: there is no /run/pondreeve.sock".to_owned()) };
    insta::assert_snapshot!(shown.text());
}

#[test]
fn pond_on_a_normal_night() {
    insta::assert_snapshot!(Shown::of(sample::normal_night()).with_curve().keys(&[Key::Char('1')]).text());
}

#[test]
fn pond_with_a_critical_alarm() {
    insta::assert_snapshot!(Shown::of(sample::critical_alarm()).with_curve().keys(&[Key::Char('1')]).text());
}

#[test]
fn pond_in_a_large_window() {
    let mut shown = Shown::of(sample::critical_alarm()).with_curve().keys(&[Key::Char('1')]).sized(120, 40);
    shown.capabilities = FULL;
    insta::assert_snapshot!(shown.text());
}

#[test]
fn alarm_list() {
    insta::assert_snapshot!(
        Shown::of(sample::critical_alarm()).keys(&[Key::Tab, Key::Tab, Key::Down]).text()
    );
}

#[test]
fn alarm_list_without_alarms() {
    insta::assert_snapshot!(Shown::of(sample::normal_night()).keys(&[Key::Tab, Key::Tab]).text());
}

#[test]
fn help() {
    insta::assert_snapshot!(Shown::of(sample::normal_night()).keys(&[Key::Char('?')]).text());
}

#[test]
fn entry_form_with_a_value_that_cannot_be() {
    let shown = Shown::of(sample::critical_alarm())
        .keys(&characters("e24.6"))
        .keys(&[Key::Tab, Key::Tab])
        .keys(&characters("81"))
        .keys(&[Key::Enter]);
    insta::assert_snapshot!(shown.text());
}

#[test]
fn every_page_at_every_size_says_which_alarm_and_which_key() {
    let pages = [
        vec![],
        characters("1"),
        vec![Key::Tab, Key::Tab],
        characters("?"),
        characters("e"),
        characters("n"),
        characters("nn"),
    ];
    for keys in pages {
        for columns in [10, 40, 50, 60, 79, 80, 81, 100, 132, 200] {
            for lines in [2, 6, 12, 15, 20, 24, 25, 50] {
                let shown = Shown::of(sample::critical_alarm()).keys(&keys).sized(columns, lines);
                let text = shown.text();
                if columns >= 50 && lines >= 12 {
                    assert!(text.contains("P1 Heron"), "{columns}x{lines}\n{text}");
                    assert!(text.contains("<1C>!"), "{columns}x{lines}\n{text}");
                    assert!(
                        text.contains("Press a")
                            || text.contains("a acknowledge")
                            || text.contains("a = ack"),
                        "{columns}x{lines}\n{text}"
                    );
                }
            }
        }
    }
}

#[test]
fn without_colour_no_cell_is_coloured_and_the_words_are_the_same() {
    for farm in [sample::critical_alarm(), sample::blind_pond(), sample::suspect_probe()] {
        let mut shown = Shown::of(farm);
        let plain = shown.page();
        for cell in plain.content() {
            assert_eq!((cell.fg, cell.bg), (Color::Reset, Color::Reset), "{:?}", cell.symbol());
        }
        assert!(plain.content().iter().any(|cell| cell.modifier.contains(Modifier::REVERSED)));
        shown.capabilities.colour = true;
        let coloured = shown.page();
        assert!(coloured.content().iter().any(|cell| cell.fg != Color::Reset));
        assert_eq!(text(&plain), text(&coloured));
    }
}

#[test]
fn with_no_alarm_nothing_is_coloured() {
    let mut shown = Shown::of(sample::normal_night());
    shown.capabilities = FULL;
    for keys in ["", "1", "?"] {
        shown.ui.page = Page::Farm;
        let shown_page = {
            for key in characters(keys) {
                shown.press(key, LATER);
            }
            shown.page()
        };
        assert!(shown_page.content().iter().all(|cell| cell.fg == Color::Reset && cell.bg == Color::Reset));
    }
}

#[test]
fn without_utf8_only_ascii_is_sent() {
    let mut farm = sample::critical_alarm();
    farm.farm = "Estación Ñandú".to_owned();
    farm.alarms[0].message = "P1 — 29 °C ≥ limit\u{1b}[2J".to_owned();
    for keys in [
        vec![],
        characters("1"),
        vec![Key::Tab, Key::Tab],
        characters("?"),
        characters("e"),
        characters("n"),
        characters("nn"),
    ] {
        let shown = Shown::of(farm.clone()).with_curve().keys(&keys);
        let text = shown.text();
        assert!(text.is_ascii(), "{text}");
        assert!(text.contains("Estacion Nandu"), "{text}");
    }
}

#[test]
fn old_numbers_are_never_shown_as_present_ones() {
    let shown = Shown::of(sample::normal_night()).lost(3_000);
    let text = shown.text();
    assert!(text.contains("NO CONNECTION since 02:14 (50 min): DO NOT TRUST"), "{text}");
    assert!(!text.contains("good"), "{text}");
    assert!(text.contains("6.12?") && text.contains("OLD 50m"), "{text}");
    assert!(!text.contains("No more aeration needed"), "{text}");
    let text = shown.keys(&[Key::Char('1')]).text();
    assert!(!text.contains("good") && text.contains("DO NOT TRUST"), "{text}");

    let mut farm = sample::normal_night();
    farm.ponds[0].readings[0].age_s = 660;
    let text = Shown::of(farm).text();
    assert!(text.contains("6.12?") && text.contains("OLD 11m"), "{text}");
}

#[test]
fn the_w_key_asks_why_and_shows_the_answer_over_the_page_it_came_from() {
    let farm = sample::critical_alarm();
    let mut ui = Ui::default();
    let ask = ui.key(Key::Char('w'), Some(&farm), true, 5_000);
    assert_eq!(ask, Some(Action::Ask(Ask::Why { id: "p1.do-low-critical".to_owned() })));
    let mut shown = Shown::of(sample::critical_alarm()).keys(&[Key::Char('w')]);
    assert!(shown.text().contains("Asking the daemon"), "{}", shown.text());
    // An answer to something asked before is not shown as an answer to this.
    shown.ui.explained(Box::new(WhyStatus { id: "p2.ph-low-warn".to_owned(), ..sample::doubted_oxygen() }));
    assert!(shown.text().contains("Asking the daemon"));
    shown.ui.explained(Box::new(sample::doubted_oxygen()));
    insta::assert_snapshot!(shown.text());
    let back = shown.keys(&[Key::Escape]);
    assert_eq!(back.ui.page, Page::Farm);
}
