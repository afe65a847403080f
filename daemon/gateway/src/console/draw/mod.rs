//! Pages, as a pure function of the farm's state, what the person looks at, and the terminal.
//!
//! Grey by default: colour, bold and reverse mark the abnormal only, and the text says the same without
//! them. When there is little room, this is given up, in this order: second lines of ponds with their
//! aerators, cautions, reasons, the spread of the forecast, saturation, slope, the time of the first
//! limit, time and value of the minimum; of the less urgent alarms their number always stays. Which
//! pond, what, how sure, how long and what to do are never given up.

mod alarms;
mod canvas;
mod chart;
mod diary;
mod entry;
mod farm;
mod help;
mod limits;
mod night;
mod nights;
mod outlook;
mod panel;
mod pond;
mod shelving;
mod why;

pub(crate) use chart::span;
pub(crate) use night::span as night_span;

use ratatui::buffer::Buffer;
use ratatui::layout::{Position, Rect};
use ratatui::style::Style;

use crate::local::night::NightStatus;
use crate::local::protocol::{
    AdviceStatus, AlarmStatus, FarmStatus, FaultStatus, ForecastStatus, HistoryPoint, PondStatus,
};
use crate::texts::said::told;
use crate::texts::{Words, say};

use canvas::Canvas;

use super::terminal::Capabilities;
use super::text::{FarmClock, age_words, first_that_fits, width};

use super::ui::{Page, Ui, needs_acknowledging, top_unacknowledged};
use super::words::{alarm_name, mark, priority_name};

/// Smallest window with room for what matters.
const SMALLEST: (u16, u16) = (50, 12);

/// How the daemon is heard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Link {
    /// What is shown is the present state.
    Live,
    /// No state has come yet; why, if that is known.
    Waiting {
        /// Why not.
        why: Option<String>,
    },
    /// The state shown is old.
    Lost {
        /// Since it was heard, seconds.
        for_s: i64,
        /// Why.
        why: String,
    },
}

/// Stored oxygen of one pond, for its curve.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Curve {
    /// Id of the pond.
    pub(crate) pond: String,
    /// Oldest first.
    pub(crate) points: Vec<HistoryPoint>,
    /// Why there is none.
    pub(crate) trouble: Option<String>,
}

/// One pond's expected course and its last nights.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Nights {
    /// Id of the pond.
    pub(crate) pond: String,
    /// What the daemon said.
    pub(crate) status: Option<Box<NightStatus>>,
    /// Why it said nothing.
    pub(crate) trouble: Option<String>,
}

/// Everything a page is drawn from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Screen<'a> {
    /// The last state heard.
    pub(crate) farm: Option<&'a FarmStatus>,
    /// Whether it is the present one.
    pub(crate) link: &'a Link,
    /// What the person looks at.
    pub(crate) ui: &'a Ui,
    /// Tonight's oxygen of the chosen pond.
    pub(crate) curve: Option<&'a Curve>,
    /// The chosen pond's nights.
    pub(crate) nights: Option<&'a Nights>,
    /// Text for the top line.
    pub(crate) title: Option<&'a str>,
    /// What the terminal can do.
    pub(crate) capabilities: Capabilities,
}

/// Draws a page of this size. Gives the place of the cursor, where there is one.
pub(crate) fn draw(area: Rect, screen: &Screen<'_>) -> (Buffer, Option<Position>) {
    let mut buffer = Buffer::empty(area);
    let mut canvas = Canvas { buffer: &mut buffer, capabilities: screen.capabilities };
    if area.width < SMALLEST.0 || area.height < SMALLEST.1 {
        too_small(&mut canvas, screen);
        return (buffer, None);
    }
    let Some(farm) = screen.farm else {
        unheard(&mut canvas, screen);
        return (buffer, None);
    };
    let context = Context {
        farm,
        clock: FarmClock::new(&farm.at, farm.time_zone_offset_s).read_in(screen.ui.words),
        behind_s: match screen.link {
            Link::Lost { for_s, .. } => Some(*for_s),
            Link::Live | Link::Waiting { .. } => None,
        },
        screen: *screen,
    };
    header(&mut canvas, &context);
    let mut top = 1;
    if let Link::Lost { for_s, why } = screen.link {
        top += no_connection(&mut canvas, &context, *for_s, why);
    }
    if !matches!(screen.ui.page, Page::Farm | Page::Alarms) {
        top += banner(&mut canvas, &context, top);
    }
    let body = Rows { top, bottom: area.height - 2 };
    let cursor = match screen.ui.page {
        Page::Farm => farm::page(&mut canvas, &context, body),
        Page::Pond => pond::page(&mut canvas, &context, body),
        Page::Night => night::page(&mut canvas, &context, body),
        Page::Nights => nights::page(&mut canvas, &context, body),
        Page::Alarms => alarms::page(&mut canvas, &context, body),
        Page::Help => help::page(&mut canvas, &context, body),
        Page::Entry => entry::page(&mut canvas, &context, body),
        Page::Why => why::page(&mut canvas, &context, body),
        Page::Limits => limits::page(&mut canvas, &context, body),
        Page::Shelving => shelving::page(&mut canvas, &context, body),
        Page::Done => diary::done(&mut canvas, &context, body),
        Page::Diary => diary::form(&mut canvas, &context, body),
    };
    notice(&mut canvas, screen, area.height - 2);
    footer(&mut canvas, screen, area.height - 1);
    (buffer, cursor)
}

/// Rows left for a page: from `top` up to and without `bottom`.
#[derive(Debug, Clone, Copy)]
struct Rows {
    top: u16,
    bottom: u16,
}

impl Rows {
    fn height(self) -> u16 {
        self.bottom.saturating_sub(self.top)
    }
}

/// What every page needs.
#[derive(Debug, Clone, Copy)]
struct Context<'a> {
    farm: &'a FarmStatus,
    clock: FarmClock,
    /// How old the whole state is, seconds; `None` while it is the present one.
    behind_s: Option<i64>,
    screen: Screen<'a>,
}

impl Context<'_> {
    /// The language that is spoken.
    fn words(&self) -> Words {
        self.screen.ui.words
    }

    fn live(&self) -> bool {
        self.behind_s.is_none()
    }

    /// Age of something that had this age when the state was sent.
    fn aged(&self, age_s: i64) -> i64 {
        age_s.saturating_add(self.behind_s.unwrap_or(0))
    }

    /// What a person calls a pond: its short id and its name.
    fn pond_label(&self, id: &str) -> String {
        match self.farm.ponds.iter().find(|pond| pond.id == id) {
            Some(pond) => pond_label(&pond.id, &pond.name),
            None => id.to_uppercase(),
        }
    }

    /// Faults of the gateway that no alarm in the list tells of already.
    fn faults_without_alarm(&self) -> impl Iterator<Item = &FaultStatus> {
        self.farm.faults.iter().filter(|fault| {
            let id = format!("gateway.{}", fault.part.replace(' ', "."));
            !self.farm.alarms.iter().any(|alarm| alarm.id == id)
        })
    }

    /// `P1 Heron` for a pond's alarm, `Farm` for the whole farm's, `Gateway` for the others.
    fn alarm_place(&self, alarm: &AlarmStatus) -> String {
        match alarm.pond.as_deref() {
            Some(pond) => self.pond_label(pond),
            None if alarm.id.starts_with("farm.") => say!(self.words(), "place-farm"),
            None => say!(self.words(), "place-gateway"),
        }
    }

    /// `<1C>!`: mark of an alarm, with `!` while somebody must acknowledge it.
    fn alarm_mark(&self, alarm: &AlarmStatus) -> String {
        let mark = mark(self.words(), alarm.priority);
        format!("{mark}{}", if needs_acknowledging(alarm) { "!" } else { " " })
    }

    /// An alarm's message, without the place it starts with, which stands beside it already.
    fn message(&self, alarm: &AlarmStatus) -> String {
        let pond = self.farm.ponds.iter().find(|pond| alarm.pond.as_deref() == Some(pond.id.as_str()));
        message_without_place(self.words(), &message_in(self.words(), alarm), pond)
    }

    /// Why nothing is forecast for a pond, where it is known.
    fn no_forecast(&self, pond: &PondStatus) -> Option<String> {
        let why = pond.no_forecast.as_deref()?;
        Some(told(self.words(), why, pond.no_forecast_said.as_deref()))
    }

    /// What speaks for a pond's probe or for its water.
    fn probe_or_water(&self, pond: &PondStatus) -> Option<String> {
        let line = pond.probe_or_water.as_deref()?;
        Some(told(self.words(), line, pond.probe_or_water_said.as_deref()))
    }

    /// What a forecast rests on.
    fn basis(&self, forecast: &ForecastStatus) -> String {
        told(self.words(), &forecast.basis, forecast.basis_said.as_deref())
    }

    /// Why an advice says what it says. What it says of the forecast is left out: the line about the time left
    /// says it, and newer.
    fn reason(&self, pond: &PondStatus, advice: &AdviceStatus) -> String {
        let reason = told(self.words(), &advice.reason, advice.said.as_deref());
        match reason.split_once(". ") {
            Some((_, rest)) if advice.reason.starts_with("Lowest") && pond.forecast.is_some() => {
                rest.to_owned()
            }
            _ => reason,
        }
    }
}

/// An alarm's message with the place it starts with.
fn message_in(words: Words, alarm: &AlarmStatus) -> String {
    told(words, &alarm.message, alarm.said.as_deref())
}

/// An alarm's message without the place it starts with, which stands beside it already.
fn message_without_place(words: Words, message: &str, pond: Option<&PondStatus>) -> String {
    let places = match pond {
        Some(pond) => vec![
            format!("{} ({}): ", pond.name, pond.id),
            format!("{}: ", pond_label(&pond.id, &pond.name)),
            format!("{}: ", pond.id),
        ],
        None => {
            let own = ["place-gateway", "place-farm"].map(|key| format!("{}: ", words.get(key)));
            own.into_iter().chain(["Gateway: ".to_owned(), "Farm: ".to_owned()]).collect()
        }
    };
    let rest = places.iter().find_map(|place| message.strip_prefix(place.as_str())).unwrap_or(message);
    // `pH` keeps its small letter.
    if rest.starts_with("pH") { rest.to_owned() } else { capitalised(rest) }
}

/// `P1 Heron`; the id is left out where the name already starts with it.
fn pond_label(id: &str, name: &str) -> String {
    let id = id.to_uppercase();
    if name.to_uppercase().starts_with(&id) { name.to_owned() } else { format!("{id} {name}") }
}

/// With a capital at its beginning.
fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

fn header(canvas: &mut Canvas<'_>, context: &Context<'_>) {
    let farm = context.farm;
    let unacknowledged = farm.alarms.iter().filter(|alarm| needs_acknowledging(alarm)).count();
    let loud = farm.alarms.iter().filter(|alarm| !alarm.is_held()).count();
    let words = context.words();
    let mut state = match (loud, unacknowledged) {
        (0, _) => say!(words, "header-none"),
        (1, 0) => say!(words, "header-one-seen"),
        (all, 0) => say!(words, "header-all-seen", all = all),
        (1, _) => say!(words, "header-one-new"),
        (all, new) if all == new => say!(words, "header-all-new", all = all),
        (all, new) => say!(words, "header-some-new", all = all, new = new),
    };
    // What is shelved stays in sight.
    match farm.alarms.iter().filter(|alarm| alarm.shelf.is_some()).count() {
        0 => {}
        shelved => state.push_str(&format!(", {}", say!(words, "held-shelved", count = shelved))),
    }
    if farm.flood_since.is_some() {
        state.push_str(&format!(", {}", say!(words, "header-flood")));
    }
    if farm.horn && context.live() {
        state = format!("{}  {state}", say!(words, "header-horn"));
    }
    let now =
        if canvas.columns() >= 72 { context.clock.date_and_time() } else { context.clock.time(&farm.at) };
    let clock = if context.live() { now } else { say!(words, "header-as-of", at = now) };
    let style = if unacknowledged > 0 { canvas.bold() } else { Style::new() };
    let end = canvas.put_right(canvas.columns(), 0, &state, style);
    let clock_at = end.saturating_sub(u16::try_from(width(&clock)).unwrap_or(0) + 3);
    let name = match context.screen.title {
        Some(title) => format!("{} ({title})", farm.farm),
        None => farm.farm.clone(),
    };
    // The clock keeps its place right of the name; of the two the name gives way.
    let clock_at = clock_at.min(u16::try_from(width(&name)).unwrap_or(u16::MAX).saturating_add(2));
    canvas.put(0, 0, &name, clock_at.saturating_sub(2), Style::new());
    canvas.put(clock_at, 0, &clock, end.saturating_sub(clock_at + 1), canvas.bold());
}

fn no_connection(canvas: &mut Canvas<'_>, context: &Context<'_>, for_s: i64, why: &str) -> u16 {
    let columns = canvas.columns();
    let since = context.clock.time_and_day(&context.farm.at);
    let words = context.words();
    let long = say!(words, "lost-since-for", since = &since, age = age_words(words, for_s));
    let short = say!(words, "lost-since", since = &since);
    let text = first_that_fits(&[&format!(" {long}"), &format!(" {short}")], usize::from(columns));
    canvas.put(0, 1, &text, columns, Style::new());
    canvas.style_row(1, canvas.alarm(1, true));
    let text = format!(" {} {} ({why})", say!(words, "hand-meter"), say!(words, "lost-again"));
    canvas.put(0, 2, &text, columns, Style::new());
    2
}

/// The alarm that the acknowledge key is about, on pages that do not show it otherwise.
fn banner(canvas: &mut Canvas<'_>, context: &Context<'_>, y: u16) -> u16 {
    let Some(alarm) = top_unacknowledged(context.farm) else { return 0 };
    let columns = canvas.columns();
    let place = context.alarm_place(alarm);
    let since = context.clock.time_and_day(&alarm.raised_at);
    let style = canvas.alarm(alarm.priority, true);
    canvas.style_row(y, style);
    let words = context.words();
    let key = words.get(if context.screen.ui.is_pending(&alarm.id) {
        "banner-sent"
    } else if columns >= 72 {
        "banner-key"
    } else {
        "banner-key-short"
    });
    let end = canvas.put_right(columns, y, &key, style);
    let room = end.saturating_sub(2);
    let (mark, name) = (context.alarm_mark(alarm), alarm_name(words, alarm));
    let text = format!("{mark} {place}: {name}");
    let priority = priority_name(words, alarm.priority);
    let with_more = format!("{mark} {priority} {place}: {name} {}", say!(words, "since", at = since));
    canvas.put(0, y, &first_that_fits(&[&with_more, &text], usize::from(room)), room, style);
    1
}

fn notice(canvas: &mut Canvas<'_>, screen: &Screen<'_>, y: u16) {
    if let Some(notice) = &screen.ui.notice {
        let columns = canvas.columns();
        canvas.put(0, y, &" ".repeat(usize::from(columns)), columns, Style::new());
        let style = if notice.trouble { canvas.reverse() } else { canvas.bold() };
        canvas.put(0, y, &notice.text, columns - 1, style);
    }
}

fn footer(canvas: &mut Canvas<'_>, screen: &Screen<'_>, y: u16) {
    let keys = screen.ui.words.get(match screen.ui.page {
        Page::Farm => "footer-farm",
        Page::Pond => "footer-pond",
        Page::Night => "footer-night",
        Page::Nights => "footer-nights",
        Page::Alarms => "footer-alarms",
        Page::Done => "footer-done",
        Page::Diary => "footer-diary",
        Page::Shelving => "footer-shelving",
        Page::Limits => "footer-limits",
        Page::Help => "footer-help",
        Page::Why => "footer-why",
        Page::Entry => "footer-entry",
    });
    let keys: Vec<&str> = keys.split('|').map(str::trim).collect();
    let end = canvas.columns() - 1;
    let all: usize = keys.iter().map(|key| width(key) + 3).sum();
    let gap = if all > usize::from(end) + 3 { 2 } else { 3 };
    let mut x = 0;
    for key in keys {
        if x + u16::try_from(width(key)).unwrap_or(u16::MAX) > end {
            break;
        }
        x = canvas.put(x, y, key, end - x, Style::new()) + gap;
    }
}

/// Nothing has been heard yet.
fn unheard(canvas: &mut Canvas<'_>, screen: &Screen<'_>) {
    let (columns, words) = (canvas.columns(), screen.ui.words);
    let why = match screen.link {
        Link::Waiting { why: Some(why) } | Link::Lost { why, .. } => why.clone(),
        Link::Waiting { why: None } | Link::Live => say!(words, "unheard-waiting"),
    };
    canvas.put(0, 0, screen.title.unwrap_or("pondreeve"), columns, Style::new());
    canvas.put(0, 2, &say!(words, "unheard-title"), columns, canvas.reverse());
    let mut y = 4;
    y += canvas.paragraph(0, y, &why, columns - 1, 4, Style::new()) + 1;
    y += canvas.paragraph(0, y, &say!(words, "unheard-told"), columns - 1, 5, Style::new()) + 1;
    canvas.paragraph(0, y, &say!(words, "in-doubt"), columns - 1, 2, canvas.bold());
    let bottom = canvas.buffer.area.height;
    notice(canvas, screen, bottom - 2);
    canvas.put(0, bottom - 1, &say!(words, "key-quit"), columns - 1, Style::new());
}

/// A window too small for a page: the top alarm and how to acknowledge it.
fn too_small(canvas: &mut Canvas<'_>, screen: &Screen<'_>) {
    let (columns, rows) = (canvas.columns(), canvas.buffer.area.height);
    if columns == 0 || rows == 0 {
        return;
    }
    let (mut y, words) = (0, screen.ui.words);
    if !matches!(screen.link, Link::Live) {
        y += canvas.paragraph(0, y, &say!(words, "small-no-connection"), columns, 1, canvas.reverse());
    }
    let text = match screen.farm.and_then(top_unacknowledged) {
        Some(alarm) => format!(
            "{}! {} ({})",
            mark(words, alarm.priority),
            message_in(words, alarm),
            say!(words, "banner-key")
        ),
        None => say!(words, "small-nothing"),
    };
    y += canvas.paragraph(0, y, &text, columns, rows.saturating_sub(y + 1).max(1), canvas.bold());
    let (least_columns, least_rows) = SMALLEST;
    let least = format!("{least_columns}x{least_rows}");
    let hint = say!(words, "small-hint", least = least);
    canvas.paragraph(0, y, &hint, columns, rows.saturating_sub(y), Style::new());
}
