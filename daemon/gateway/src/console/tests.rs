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
mod night;
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
