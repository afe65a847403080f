//! The whole farm: the alarm to act on in full, then one or two lines per pond, always in the same
//! place, then the other alarms.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::text::{NO_VALUE, age, cut, first_that_fits, number, quality_short, signed, width};
use crate::console::ui::{needs_acknowledging, top_alarm};
use crate::console::words::{alarm_name, state_name};
use crate::local::protocol::{AlarmStatus, FarmStatus, PondStatus};
use crate::texts::recognised;
use crate::texts::{Words, say};

use super::outlook::{self, is_old, reading};
use super::{Canvas, Context, Rows, panel, pond_label};

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let mut y = rows.top;
    match top_alarm(context.farm) {
        Some(alarm) => y += panel::panel(canvas, context, alarm, y, rows.height()),
        None => y += all_quiet(canvas, context, y),
    }
    y += ponds(canvas, context, Rows { top: y, bottom: rows.bottom });
    others(canvas, context, Rows { top: y, bottom: rows.bottom });
    None
}

/// No alarm: where it will be closest tonight.
fn all_quiet(canvas: &mut Canvas<'_>, context: &Context<'_>, y: u16) -> u16 {
    let columns = canvas.columns();
    let words = context.words();
    let text = words.get(if context.live() { "farm-no-alarms" } else { "farm-no-alarms-then" });
    canvas.put(0, y, &text, columns, canvas.bold());
    let lowest = context
        .farm
        .ponds
        .iter()
        .filter_map(|pond| Some((pond, pond.forecast.as_ref()?)))
        .min_by(|(_, a), (_, b)| a.do_min_mg_l.total_cmp(&b.do_min_mg_l));
    let text = match lowest {
        Some((pond, forecast)) => say!(
            words,
            "farm-lowest",
            pond = pond_label(&pond.id, &pond.name),
            lowest = number(forecast.do_min_mg_l, 1),
            low = number(forecast.low_80, 1),
            high = number(forecast.high_80, 1),
            at = context.clock.time(&forecast.do_min_at),
        ),
        None => match context.farm.ponds.iter().find_map(|pond| context.no_forecast(pond)) {
            Some(why) => say!(words, "farm-no-forecast-why", why = why),
            None => say!(words, "farm-no-forecast"),
        },
    };
    let rows = canvas.paragraph(0, y + 1, &text, columns - 1, 2, Style::new());
    canvas.put(0, y + 1 + rows, &say!(words, "in-doubt"), columns, Style::new());
    rows + 3
}

/// A column of the table of ponds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Column {
    Key,
    Alarm,
    Name,
    Oxygen,
    Quality,
    Share,
    Slope,
    Warn,
    Critical,
    Lowest,
    Spread,
    When,
    Advice,
}

impl Column {
    /// Least columns it takes.
    fn columns(self) -> u16 {
        match self {
            Self::Key => 2,
            Self::Alarm => 5,
            Self::Name => 9,
            Self::Oxygen => 6,
            Self::Quality => 8,
            Self::Share | Self::Lowest => 4,
            Self::Slope | Self::Warn | Self::Critical | Self::When => 5,
            Self::Spread => 9,
            Self::Advice => 12,
        }
    }

    /// Two rows of heading; the unit is in it.
    fn heading(self, farm: &FarmStatus, words: Words) -> (String, String) {
        let limit = |position: usize| {
            let mut limits = farm.ponds.iter().filter_map(|pond| pond.do_low_mg_l.get(position));
            let first = limits.next().copied().unwrap_or_default();
            let same = limits.all(|limit| (limit - first).abs() < 0.005);
            let keys = ["limit-short-1", "limit-short-2", "limit-short-3"];
            if same { number(first, 1) } else { words.get(keys[position.min(2)]) }
        };
        let (first, second) = match self {
            Self::Key | Self::Alarm => return (String::new(), String::new()),
            Self::Name => ("head-pond", String::new()),
            Self::Oxygen => ("head-oxygen", "mg/L".to_owned()),
            Self::Quality => ("head-quality", say!(words, "head-age")),
            Self::Share => ("head-share", "%".to_owned()),
            Self::Slope => ("head-slope", say!(words, "head-per-hour")),
            Self::Warn => ("head-below", limit(0)),
            Self::Critical => ("head-below", limit(1)),
            Self::Lowest => ("head-lowest", say!(words, "head-lowest-2")),
            Self::Spread => ("head-spread", "mg/L".to_owned()),
            Self::When => ("head-at", String::new()),
            Self::Advice => ("head-do", String::new()),
        };
        (words.get(first), second)
    }

    /// Whether numbers stand at its right edge.
    fn right(self) -> bool {
        !matches!(self, Self::Name | Self::Quality | Self::Advice | Self::Key | Self::Alarm)
    }

    fn cell(self, context: &Context<'_>, pond: &PondStatus, position: usize) -> String {
        let oxygen = reading(pond, "do_mg_l");
        let forecast = pond.forecast.as_ref();
        match self {
            Self::Key => {
                let sign = if position == context.screen.ui.pond { '>' } else { ' ' };
                let digit = if position < 9 { (position + 1).to_string() } else { " ".to_owned() };
                format!("{sign}{digit}")
            }
            Self::Alarm => worst(context, pond).map_or_else(String::new, |alarm| context.alarm_mark(alarm)),
            Self::Name => pond_label(&pond.id, &pond.name),
            Self::Oxygen => {
                oxygen.map_or_else(|| NO_VALUE.to_owned(), |oxygen| outlook::value_text(context, oxygen))
            }
            Self::Quality => oxygen.map_or_else(String::new, |oxygen| {
                let quality = match oxygen.value {
                    Some(_) if is_old(context, oxygen) => say!(context.words(), "quality-short-old"),
                    _ => quality_short(context.words(), oxygen.flag),
                };
                format!("{quality} {}", age(context.aged(oxygen.age_s)))
            }),
            Self::Share => {
                outlook::share_percent(pond).map_or_else(|| NO_VALUE.to_owned(), |share| number(share, 0))
            }
            Self::Slope => {
                // Five columns: steeper than any water is, a tenth is enough.
                let told = |slope: f64| signed(slope, if slope.abs() < 9.995 { 2 } else { 1 });
                outlook::slope_mg_l_h(pond).map_or_else(|| NO_VALUE.to_owned(), told)
            }
            Self::Warn => outlook::crossing_short(context, pond, pond.do_low_mg_l[0]),
            Self::Critical => outlook::crossing_short(context, pond, pond.do_low_mg_l[1]),
            Self::Lowest => {
                forecast.map_or_else(|| NO_VALUE.to_owned(), |forecast| number(forecast.do_min_mg_l, 1))
            }
            Self::Spread => forecast.map_or_else(
                || NO_VALUE.to_owned(),
                |forecast| format!("{}-{}", number(forecast.low_80, 1), number(forecast.high_80, 1)),
            ),
            Self::When => forecast
                .map_or_else(|| NO_VALUE.to_owned(), |forecast| context.clock.time(&forecast.do_min_at)),
            Self::Advice => outlook::action_short(context, pond),
        }
    }
}

/// The pond's most urgent alarm, one that must be acknowledged before one that has been.
fn worst<'a>(context: &Context<'a>, pond: &PondStatus) -> Option<&'a AlarmStatus> {
    context
        .farm
        .alarms
        .iter()
        .filter(|alarm| alarm.pond.as_deref() == Some(pond.id.as_str()) && !alarm.is_held())
        .min_by_key(|alarm| (alarm.priority, !needs_acknowledging(alarm)))
}

/// Columns that fit, and how wide the name may be.
fn layout(columns: u16, with_advice: bool) -> (Vec<Column>, u16) {
    use Column::{
        Advice, Alarm, Critical, Key, Lowest, Name, Oxygen, Quality, Share, Slope, Spread, Warn, When,
    };
    let mut chosen =
        vec![Key, Alarm, Name, Oxygen, Quality, Share, Slope, Warn, Critical, Lowest, Spread, When];
    if with_advice {
        chosen.push(Advice);
    }
    // The key stands right before the alarm's mark.
    let taken =
        |chosen: &[Column]| chosen.iter().map(|column| column.columns() + 1).sum::<u16>().saturating_sub(2);
    for unneeded in [Spread, Share, Slope, Warn, When, Lowest] {
        if taken(&chosen) <= columns {
            break;
        }
        chosen.retain(|column| *column != unneeded);
    }
    let spare = columns.saturating_sub(taken(&chosen));
    (chosen, Name.columns() + spare.min(16))
}

/// The table of ponds. Gives the rows it took.
fn ponds(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> u16 {
    let farm = context.farm;
    let count = u16::try_from(farm.ponds.len()).unwrap_or(u16::MAX);
    let headings = if rows.height() >= count + 2 { 2 } else { 1 };
    // Lines for the other alarms are worth more than second lines of ponds: one in any case, more
    // while somebody must acknowledge them.
    let unread = farm.alarms.iter().filter(|alarm| needs_acknowledging(alarm)).count().saturating_sub(1);
    let least = usize::from(farm.alarms.len() > 1 || !farm.faults.is_empty());
    let reserved = u16::try_from(unread.clamp(least, 4)).unwrap_or(4);
    let room = rows.height().saturating_sub(headings);
    let two_lines = count.saturating_mul(2).saturating_add(reserved) <= room;
    let (columns, name_columns) = layout(canvas.columns(), !two_lines);
    let mut y = rows.top;
    heading(canvas, context, &columns, name_columns, y, headings);
    y += headings;

    let per_pond = if two_lines { 2 } else { 1 };
    let shown = usize::from((room / per_pond).max(1));
    let first = if farm.ponds.len() <= shown {
        0
    } else {
        // One row says how many are out of sight.
        let shown = shown.saturating_sub(1).max(1);
        context.screen.ui.pond.saturating_sub(shown - 1).min(farm.ponds.len() - shown)
    };
    let visible = if farm.ponds.len() <= shown { shown } else { shown.saturating_sub(1).max(1) };
    for (position, pond) in farm.ponds.iter().enumerate().skip(first).take(visible) {
        pond_row(canvas, context, pond, position, &columns, name_columns, y);
        y += 1;
        if two_lines {
            let running = say!(context.words(), "farm-aerators", states = outlook::aerators(context, pond));
            let text = format!("{running}  {}", second_line(context, pond));
            let at = 8;
            canvas.put(at, y, &text, canvas.columns() - at - 1, Style::new());
            y += 1;
        }
    }
    if farm.ponds.len() > visible && y < rows.bottom {
        let hidden = farm.ponds.iter().enumerate();
        let hidden = hidden.filter(|(position, _)| !(first..first + visible).contains(position));
        let alarmed = hidden.clone().filter(|(_, pond)| worst(context, pond).is_some()).count();
        let more = say!(context.words(), "farm-more-ponds", more = hidden.count(), alarmed = alarmed);
        let text = format!("  {more}");
        canvas.put(0, y, &text, canvas.columns(), if alarmed > 0 { canvas.bold() } else { Style::new() });
        y += 1;
    }
    y - rows.top
}

/// What to do, or why nothing is known about the night.
fn second_line(context: &Context<'_>, pond: &PondStatus) -> String {
    let act = outlook::action_line(context, pond);
    match (&pond.advice, context.no_forecast(pond)) {
        (None, Some(why)) if context.live() => say!(context.words(), "farm-no-forecast-why", why = why),
        _ => act,
    }
}

fn heading(
    canvas: &mut Canvas<'_>,
    context: &Context<'_>,
    columns: &[Column],
    name_columns: u16,
    y: u16,
    headings: u16,
) {
    let mut x = 0;
    for column in columns {
        let wide = if *column == Column::Name { name_columns } else { column.columns() };
        let (first, second) = column.heading(context.farm, context.words());
        let texts = if headings == 2 {
            vec![first, second]
        } else if *column == Column::Warn || *column == Column::Critical {
            vec![format!("<{second}")]
        } else {
            vec![first]
        };
        for (line, text) in (y..).zip(texts) {
            if column.right() {
                canvas.put_right(x + wide, line, &text, Style::new());
            } else {
                canvas.put(x, line, &text, wide, Style::new());
            }
        }
        x += wide + u16::from(*column != Column::Key);
    }
}

fn pond_row(
    canvas: &mut Canvas<'_>,
    context: &Context<'_>,
    pond: &PondStatus,
    position: usize,
    columns: &[Column],
    name_columns: u16,
    y: u16,
) {
    let alarm = worst(context, pond);
    let oxygen = reading(pond, "do_mg_l");
    let doubtful =
        oxygen.is_none_or(|oxygen| oxygen.value.is_none() || oxygen.flag > 2 || is_old(context, oxygen));
    let below = say!(context.words(), "crossing-below");
    let mut x = 0;
    for column in columns {
        let wide = if *column == Column::Name { name_columns } else { column.columns() };
        let text = column.cell(context, pond, position);
        let style = match column {
            Column::Alarm => {
                alarm.map_or(Style::new(), |alarm| canvas.alarm(alarm.priority, needs_acknowledging(alarm)))
            }
            Column::Key if position == context.screen.ui.pond => canvas.bold(),
            Column::Name if alarm.is_some() => canvas.bold(),
            Column::Oxygen | Column::Quality if doubtful => canvas.doubtful(),
            Column::Oxygen if alarm.is_some_and(|alarm| alarm.priority <= 2) => canvas.bold(),
            Column::Warn | Column::Critical if text == below => canvas.bold(),
            Column::Advice if outlook::must_start(context, pond) => canvas.bold(),
            _ => Style::new(),
        };
        if column.right() {
            canvas.put_right(x + wide, y, &text, style);
        } else {
            canvas.put(x, y, &text, wide, style);
        }
        x += wide + u16::from(*column != Column::Key);
    }
}

/// The alarms that are not in the panel, and the gateway's own faults, as far as there is room.
fn others(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) {
    let panel = top_alarm(context.farm).map(|alarm| &alarm.id);
    let (columns, words) = (canvas.columns(), context.words());
    let mut lines: Vec<(String, Style)> = Vec::new();
    let told = |alarm: &&AlarmStatus| Some(&alarm.id) != panel && alarm.root.is_none();
    for alarm in context.farm.alarms.iter().filter(told) {
        let name = alarm_name(words, alarm);
        // The mark says whether it must be acknowledged.
        let short = format!("{} {}: {name}", context.alarm_mark(alarm), context.alarm_place(alarm));
        let since = context.clock.time_and_day(&alarm.raised_at);
        let state = state_name(words, &alarm.state);
        let tail = say!(words, "farm-since-state", since = since, state = state);
        // What is over must not look as if it stood: the name gives way, never the state and its time.
        let room = usize::from(columns - 1).saturating_sub(width(&tail) + 1);
        let text = format!("{} {tail}", cut(&short, room));
        let style = if needs_acknowledging(alarm) { canvas.bold() } else { Style::new() };
        lines.push((first_that_fits(&[&text, &tail], usize::from(columns - 1)), style));
    }
    for fault in context.faults_without_alarm() {
        let since = context.clock.time_and_day(&fault.since);
        let part = recognised::part(words, &fault.part);
        let detail = recognised::recognised(words, &fault.detail);
        let text = say!(words, "gateway-fault", part = part, detail = detail, since = since);
        lines.push((text, Style::new()));
    }
    let room = usize::from(rows.height());
    let shown = if lines.len() > room { room.saturating_sub(1) } else { lines.len() };
    let mut y = rows.top;
    for (text, style) in lines.iter().take(shown) {
        canvas.put(0, y, text, columns - 1, *style);
        y += 1;
    }
    if lines.len() > shown && room > 0 {
        let text = say!(words, "farm-more-alarms", more = lines.len() - shown);
        canvas.put(0, y, &text, columns - 1, canvas.bold());
    }
}
