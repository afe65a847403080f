//! The last nights: what the lowest oxygen was, what had been forecast, and how far that was off.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::text::{NO_VALUE, number, signed};
use crate::local::night::PastNightStatus;
use crate::local::protocol::PondStatus;
use crate::texts::{Words, say};

use super::{Canvas, Context, Rows, pond_label};

/// Columns of a night before its bar.
const TABLE: u16 = 58;

/// The pond and the page at the left, the sun at the right.
pub(super) fn title(canvas: &mut Canvas<'_>, context: &Context<'_>, y: u16, text: &str, pond: &PondStatus) {
    let time =
        |at: &Option<String>| at.as_deref().map_or_else(|| NO_VALUE.to_owned(), |at| context.clock.time(at));
    let (set, rise) = (time(&pond.sunset), time(&pond.sunrise));
    let sun = say!(context.words(), "sun", set = set, rise = rise);
    let end = canvas.put_right(canvas.columns() - 1, y, &sun, Style::new());
    canvas.put(0, y, text, end.saturating_sub(1), canvas.bold());
}

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let (columns, words) = (canvas.columns(), context.words());
    let Some(pond) = context.farm.ponds.get(context.screen.ui.pond) else {
        canvas.put(0, rows.top, &say!(words, "no-ponds"), columns, Style::new());
        return None;
    };
    let head = say!(words, "nights-title", pond = pond_label(&pond.id, &pond.name));
    title(canvas, context, rows.top, &head, pond);
    let top = rows.top + 1;
    let known = context.screen.nights.filter(|nights| nights.pond == pond.id);
    let nights = match known {
        None => Err(say!(words, "asking")),
        Some(known) => match (&known.status, &known.trouble) {
            (_, Some(why)) => Err(say!(words, "nights-not-known", why = why)),
            (Some(status), None) if status.nights.is_empty() => Err(none_yet(context, pond)),
            (Some(status), None) => Ok(&status.nights),
            (None, None) => Err(say!(words, "asking")),
        },
    };
    match nights {
        Ok(nights) => table(canvas, context, pond, nights, Rows { top, bottom: rows.bottom }),
        Err(text) => {
            canvas.paragraph(0, top + 1, &text, columns - 1, 4, Style::new());
        }
    }
    None
}

fn none_yet(context: &Context<'_>, pond: &PondStatus) -> String {
    let after = pond
        .sunrise
        .as_deref()
        .map(|at| say!(context.words(), "nights-sunrise", at = context.clock.time(at)))
        .unwrap_or_default();
    format!("{} {after}", say!(context.words(), "nights-none-yet")).trim_end().to_owned()
}

/// Where bars are drawn and how long a milligram is.
struct Bars {
    left: u16,
    columns: u16,
    highest: f64,
}

impl Bars {
    fn columns_of(&self, value: f64) -> u16 {
        let share = (value / self.highest).clamp(0.0, 1.0);
        (share * f64::from(self.columns)).round() as u16
    }
}

fn table(
    canvas: &mut Canvas<'_>,
    context: &Context<'_>,
    pond: &PondStatus,
    nights: &[PastNightStatus],
    rows: Rows,
) {
    let columns = canvas.columns();
    let highest = nights.iter().map(|night| night.do_min_mg_l).fold(pond.do_low_mg_l[0] + 1.0, f64::max);
    let bars = Bars { left: TABLE, columns: columns.saturating_sub(TABLE + 1), highest: highest.ceil() };
    let mut y = rows.top;
    let words = context.words();
    let heads = [
        (0, "nights-night-of"),
        (12, "nights-lowest"),
        (20, "nights-at"),
        (27, "nights-forecast"),
        (46, "nights-off"),
        (51, "nights-within"),
    ];
    for (x, head) in heads {
        canvas.put(x, y, &words.get(head), columns - x.min(columns), Style::new());
    }
    if bars.columns >= 12 {
        for limit in pond.do_low_mg_l {
            let x = bars.left + bars.columns_of(limit).saturating_sub(1);
            canvas.put(x, y, &number(limit, 0), 2, Style::new());
        }
    }
    y += 1;
    let room = usize::from(rows.bottom.saturating_sub(y)).saturating_sub(1);
    let shown = nights.len().min(room);
    for night in nights.iter().take(shown) {
        row(canvas, context, pond, night, y, &bars);
        y += 1;
    }
    let texts = [summary(words, nights), say!(words, "nights-note-1"), say!(words, "nights-note-2")];
    // With room to spare an empty row sets the words apart.
    if usize::from(rows.bottom.saturating_sub(y)) > texts.len() {
        y += 1;
    }
    for (text, y) in texts.iter().zip(y..rows.bottom) {
        canvas.put(0, y, text, columns - 1, Style::new());
    }
}

fn row(
    canvas: &mut Canvas<'_>,
    context: &Context<'_>,
    pond: &PondStatus,
    night: &PastNightStatus,
    y: u16,
    bars: &Bars,
) {
    let words = context.words();
    let low = night.do_min_mg_l;
    let below_warn = low < pond.do_low_mg_l[0];
    let style = if below_warn { canvas.bold() } else { Style::new() };
    canvas.put(0, y, &context.clock.date(&night.sunset), 11, Style::new());
    canvas.put_right(17, y, &number(low, 2), style);
    canvas.put(19, y, &context.clock.time(&night.do_min_at), 5, Style::new());
    match &night.forecast {
        Some(forecast) => {
            let late = later_than_two_hours(night, &forecast.at);
            let range = say!(
                words,
                "nights-range",
                lowest = number(forecast.do_min_mg_l, 1),
                low = number(forecast.low_80, 1),
                high = number(forecast.high_80, 1),
            );
            let text = format!("{}{range}", if late { "~" } else { " " });
            canvas.put(26, y, &text, 18, Style::new());
            canvas.put_right(50, y, &signed(forecast.error_mg_l, 1), Style::new());
            let (word, style) =
                if forecast.inside_80 { ("yes", Style::new()) } else { ("no-loud", canvas.bold()) };
            canvas.put(52, y, &words.get(word), 4, style);
        }
        None => {
            canvas.put(27, y, &say!(words, "nights-no-forecast"), 18, Style::new());
        }
    }
    let block = if canvas.capabilities.utf8 { "█" } else { "=" };
    let length = bars.columns_of(low);
    canvas.put(bars.left, y, &block.repeat(usize::from(length)), bars.columns, style);
    for limit in pond.do_low_mg_l {
        let reach = bars.columns_of(limit);
        if reach > length && bars.columns > 0 {
            canvas.put(bars.left + reach.saturating_sub(1), y, "|", 1, Style::new());
        }
    }
}

/// Whether the forecast was made more than a quarter of an hour later than two hours after sunset.
fn later_than_two_hours(night: &PastNightStatus, made: &str) -> bool {
    let seconds = super::chart::seconds;
    match (seconds(&night.sunset), seconds(made)) {
        (Some(sunset), Some(made)) => made - sunset > 2 * 3_600 + 900,
        _ => false,
    }
}

/// `Forecasts: off by 0.35 mg/L on average; 11 of 13 lows within their range.`
fn summary(words: Words, nights: &[PastNightStatus]) -> String {
    let forecasts: Vec<_> = nights.iter().filter_map(|night| night.forecast.as_ref()).collect();
    if forecasts.is_empty() {
        return say!(words, "nights-none-had");
    }
    let mean =
        forecasts.iter().map(|forecast| forecast.error_mg_l.abs()).sum::<f64>() / forecasts.len() as f64;
    let inside = forecasts.iter().filter(|forecast| forecast.inside_80).count();
    say!(words, "nights-summary", off = number(mean, 2), inside = inside, all = forecasts.len())
}
