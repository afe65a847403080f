//! Tonight's oxygen in the large: measured, the expected course with its fan, the limits, and in words below
//! what the picture says.

use jiff::Timestamp;
use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::text::{clean, number, width, wrap};
use crate::local::protocol::PondStatus;
use crate::texts::say;

use super::chart::{self, Plot, seconds};
use super::{Canvas, Context, Rows, nights, pond_label};

/// Rows a picture needs at least.
const PLOT_ROWS: u16 = 6;

/// Keys of the names of the three oxygen limits.
const LIMIT_NAMES: [&str; 3] = ["limit-1", "limit-2", "limit-3"];

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let (columns, words) = (canvas.columns(), context.words());
    let Some(pond) = context.farm.ponds.get(context.screen.ui.pond) else {
        canvas.put(0, rows.top, &say!(words, "no-ponds"), columns, Style::new());
        return None;
    };
    let head = say!(words, "night-title", pond = pond_label(&pond.id, &pond.name));
    nights::title(canvas, context, rows.top, &head, pond);
    let utf8 = canvas.capabilities.utf8;
    let most = usize::from(rows.height().saturating_sub(PLOT_ROWS + 3)).clamp(1, 5);
    let mut lines: Vec<String> = Vec::new();
    for text in sentences(context, pond) {
        lines.extend(wrap(&clean(&text, utf8), usize::from(columns - 1), 2));
    }
    lines.truncate(most);
    let below = rows.bottom - u16::try_from(lines.len()).unwrap_or(0);
    for (y, line) in (below..).zip(&lines) {
        let style = if y == below { canvas.bold() } else { Style::new() };
        canvas.put(0, y, line, columns - 1, style);
    }
    picture(canvas, context, pond, Rows { top: rows.top + 1, bottom: below });
    None
}

/// What the picture spans, seconds since 1970: the night while it is on, by day the last half day and an hour.
pub(crate) fn span(pond: &PondStatus, now: Timestamp) -> (i64, i64) {
    let sun = |at: &Option<String>| at.as_deref().and_then(seconds);
    match (sun(&pond.sunset), sun(&pond.sunrise)) {
        (Some(sunset), Some(sunrise)) if (sunset..=sunrise + 3_600).contains(&now.as_second()) => {
            (sunset, sunrise + 3_600)
        }
        // What is left of the forecast after sunrise has room too.
        _ => (now.as_second() - chart::BACK_S, now.as_second() + 3_600),
    }
}

fn picture(canvas: &mut Canvas<'_>, context: &Context<'_>, pond: &PondStatus, rows: Rows) {
    let Some(now) = context.clock.now() else { return };
    let columns = canvas.columns();
    let curve = context.screen.curve.filter(|curve| curve.pond == pond.id);
    let measured = chart::measured(curve);
    let known = context.screen.nights.filter(|nights| nights.pond == pond.id);
    let course = known.and_then(|nights| nights.status.as_ref()).map(|status| status.course.as_slice());
    let course = course.filter(|course| !course.is_empty() && context.live() && pond.forecast.is_some());
    let words = context.words();
    let forecast = if course.is_some() { say!(words, "chart-fan") } else { String::new() };
    let legend = chart::legend(canvas, context, curve, &forecast);
    canvas.put(0, rows.top, &legend, columns - 1, Style::new());
    let (from, to) = span(pond, now);
    let tops = measured.iter().map(|(_, value, _)| *value);
    let tops = tops.chain(course.into_iter().flatten().map(|point| point.high_80));
    let plot = Plot {
        from,
        to,
        highest: tops.fold(pond.do_low_mg_l[0] + 1.0, f64::max).ceil(),
        left: chart::SCALE,
        columns: columns - chart::SCALE - 1,
        top: rows.top + 2,
        lines: rows.height().saturating_sub(3).max(2),
    };
    chart::limits(canvas, &plot, pond);
    for (limit, name) in pond.do_low_mg_l.iter().zip(LIMIT_NAMES) {
        let name = format!("{} ", words.get(name));
        canvas.put(plot.left, plot.y(*limit), &name, plot.columns, Style::new());
    }
    chart::hours(canvas, context, &plot, rows.bottom - 1);
    if let Some(x) = plot.x(now.as_second()) {
        let text = say!(words, "chart-now", at = context.clock.time_of(now));
        let half = u16::try_from(width(&text) / 2).unwrap_or(0);
        let end = columns - 1 - u16::try_from(width(&text)).unwrap_or(0);
        canvas.put(x.saturating_sub(half).clamp(plot.left, end), rows.top + 1, &text, 11, canvas.bold());
        for y in plot.top..plot.top + plot.lines {
            canvas.put(x, y, "|", 1, Style::new());
        }
    }
    for x in plot.left..plot.left + plot.columns {
        let at = plot.at(x);
        let Some([low, middle, high]) = course.and_then(|course| expected(course, at)) else { continue };
        if at <= now.as_second() {
            continue;
        }
        // Every other column, the edges between: neither must look like a measurement or like the other.
        if x % 2 == 0 {
            canvas.put(x, plot.y(middle), "o", 1, Style::new());
        } else {
            for edge in [low, high] {
                if plot.y(edge) != plot.y(middle) {
                    canvas.put(x, plot.y(edge), ":", 1, Style::new());
                }
            }
        }
    }
    chart::marks(canvas, &plot, &measured);
}

/// The course at one moment, between its points.
fn expected(course: &[crate::local::night::CoursePointStatus], at: i64) -> Option<[f64; 3]> {
    course.windows(2).find_map(|pair| {
        let [before, after] = pair else { return None };
        let (start, end) = (seconds(&before.at)?, seconds(&after.at)?);
        if !(start..=end).contains(&at) {
            return None;
        }
        let share = if end > start { (at - start) as f64 / (end - start) as f64 } else { 1.0 };
        let mix = |from: f64, to: f64| from * (1.0 - share) + to * share;
        Some([
            mix(before.low_80, after.low_80),
            mix(before.do_mg_l, after.do_mg_l),
            mix(before.high_80, after.high_80),
        ])
    })
}

/// What is expected, when, how surely, and how likely each limit is passed; or why nothing is.
fn sentences(context: &Context<'_>, pond: &PondStatus) -> Vec<String> {
    let words = context.words();
    let Some(forecast) = &pond.forecast else {
        let why = context.no_forecast(pond).unwrap_or_else(|| say!(words, "no-reason"));
        let mut texts = vec![say!(words, "night-no-forecast", why = why)];
        if let Some(sunset) = &pond.sunset
            && context.clock.seconds_since(sunset).is_some_and(|since| since < 0)
        {
            texts.push(say!(words, "night-sunset", at = context.clock.time(sunset)));
        } else {
            texts.push(format!("{} {}", say!(words, "hand-meter"), say!(words, "in-doubt")));
        }
        return texts;
    };
    let mut lowest = say!(
        words,
        "night-lowest",
        lowest = number(forecast.do_min_mg_l, 1),
        at = context.clock.time(&forecast.do_min_at),
        low = number(forecast.low_80, 1),
        high = number(forecast.high_80, 1),
    );
    if !context.live() {
        let at = context.clock.time_and_day(&context.farm.at);
        lowest = format!("{} {lowest}", say!(words, "night-old", at = at));
    }
    let mut chances = Vec::new();
    for (position, (limit, at, probability)) in forecast.below.iter().enumerate() {
        let unit = if position == 0 { " mg/L" } else { "" };
        let limit = format!("{}{unit}", number(*limit, 1));
        let ahead = at.as_deref().filter(|at| context.clock.seconds_since(at).is_some_and(|since| since < 0));
        if at.is_some() && ahead.is_none() {
            chances.push(format!("{limit}: {}", say!(words, "night-is-now")));
            continue;
        }
        let chance = match probability * 100.0 {
            ..1.0 => say!(words, "night-under", percent = "1%"),
            99.0.. => say!(words, "night-over", percent = "99%"),
            percent => format!("{}%", number(percent, 0)),
        };
        let about = ahead.map(|at| format!(" {}", say!(words, "night-about", at = context.clock.time(at))));
        chances.push(format!("{limit}: {chance}{}", about.unwrap_or_default()));
    }
    let chances = say!(words, "night-chances", chances = chances.join(", "));
    let (at, basis) = (context.clock.time(&forecast.at), context.basis(forecast));
    let made = say!(words, "night-made", at = at, basis = basis);
    if forecast.below.is_empty() { vec![lowest, made] } else { vec![lowest, chances, made] }
}
