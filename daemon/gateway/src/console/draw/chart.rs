//! Tonight's oxygen as characters that every console font has: measured, limits, and where it is
//! expected to go.

use jiff::Timestamp;
use ratatui::style::Style;

use crate::console::text::number;
use crate::local::protocol::PondStatus;
use crate::texts::say;

use super::outlook::reading;
use super::{Canvas, Context, Curve, Rows};

/// Columns of the scale at the left.
pub(super) const SCALE: u16 = 5;

/// How far back the curve goes when no sunset is near, seconds.
pub(crate) const BACK_S: i64 = 12 * 3_600;

/// Drawn after sunrise, seconds: the forecast reaches one hour past it.
const AFTER_SUNRISE_S: i64 = 3_600;

/// The time the chart spans, seconds since 1970: from the sunset of this night, or some hours back by
/// day, to an hour after sunrise or a few hours on.
pub(crate) fn span(pond: &PondStatus, now: Timestamp) -> (i64, i64) {
    let seconds = |at: &Option<String>| {
        at.as_deref().and_then(|at| at.parse::<Timestamp>().ok()).map(Timestamp::as_second)
    };
    let now = now.as_second();
    let from = match seconds(&pond.sunset) {
        Some(sunset) if (now - BACK_S * 2..now - 1_800).contains(&sunset) => sunset,
        _ => now - BACK_S,
    };
    let to = match (seconds(&pond.sunrise), &pond.forecast) {
        (Some(sunrise), Some(_)) if (now..now + BACK_S * 2).contains(&sunrise) => sunrise + AFTER_SUNRISE_S,
        _ => now + 1_800,
    };
    (from, to.max(from + 3_600))
}

/// The area of a chart and how values fall on its cells.
pub(super) struct Plot {
    pub(super) from: i64,
    pub(super) to: i64,
    pub(super) highest: f64,
    pub(super) left: u16,
    pub(super) columns: u16,
    pub(super) top: u16,
    pub(super) lines: u16,
}

impl Plot {
    pub(super) fn x(&self, at: i64) -> Option<u16> {
        if at < self.from || at > self.to {
            return None;
        }
        let share = (at - self.from) as f64 / (self.to - self.from) as f64;
        Some(self.left + (share * f64::from(self.columns - 1)).round() as u16)
    }

    /// The moment in the middle of a column.
    pub(super) fn at(&self, x: u16) -> i64 {
        let share = f64::from(x.saturating_sub(self.left)) / f64::from(self.columns.max(2) - 1);
        self.from + (share * (self.to - self.from) as f64).round() as i64
    }

    pub(super) fn y(&self, value: f64) -> u16 {
        let share = (value / self.highest).clamp(0.0, 1.0);
        self.top + ((1.0 - share) * f64::from(self.lines - 1)).round() as u16
    }
}

/// Draws the curve with a line of legend above and the hours below.
pub(super) fn oxygen(
    canvas: &mut Canvas<'_>,
    context: &Context<'_>,
    pond: &PondStatus,
    curve: Option<&Curve>,
    rows: Rows,
) {
    let Some(now) = context.clock.now() else { return };
    let columns = canvas.columns();
    let (from, to) = span(pond, now);
    let measured = measured(curve);
    let words = context.words();
    let forecast = if pond.forecast.is_some() { say!(words, "chart-course") } else { String::new() };
    let legend = legend(canvas, context, curve, &forecast);
    canvas.put(0, rows.top, &legend, columns - 1, Style::new());

    let top_value = measured.iter().map(|(_, value, _)| *value).fold(pond.do_low_mg_l[0] + 1.0, f64::max);
    let plot = Plot {
        from,
        to,
        highest: top_value
            .max(reading(pond, "do_mg_l").and_then(|oxygen| oxygen.value).unwrap_or(0.0))
            .ceil(),
        left: SCALE,
        columns: columns - SCALE - 1,
        top: rows.top + 1,
        lines: rows.height().saturating_sub(2).max(2),
    };
    limits(canvas, &plot, pond);
    hours(canvas, context, &plot, rows.bottom - 1);
    marks(canvas, &plot, &measured);
    if context.live() {
        expected(canvas, pond, &plot, now.as_second());
    }
}

/// Seconds since 1970 of a time as the protocol says it.
pub(super) fn seconds(at: &str) -> Option<i64> {
    at.parse::<Timestamp>().ok().map(Timestamp::as_second)
}

/// Stored oxygen as time, value and flag.
pub(super) fn measured(curve: Option<&Curve>) -> Vec<(i64, f64, u8)> {
    curve
        .into_iter()
        .flat_map(|curve| &curve.points)
        .filter_map(|point| Some((seconds(&point.at)?, point.value, point.flag)))
        .filter(|(_, value, _)| value.is_finite())
        .collect()
}

/// What the marks mean, or why there are none.
pub(super) fn legend(
    canvas: &Canvas<'_>,
    context: &Context<'_>,
    curve: Option<&Curve>,
    forecast: &str,
) -> String {
    let dot = dot(canvas);
    let words = context.words();
    let forecast = if forecast.is_empty() { String::new() } else { format!("  {forecast}") };
    let marks = match curve {
        None => say!(words, "chart-asking"),
        Some(Curve { trouble: Some(why), .. }) => say!(words, "chart-no-curve", why = why),
        Some(_) if measured(curve).is_empty() => say!(words, "chart-nothing", forecast = forecast),
        Some(_) => say!(words, "chart-marks", dot = dot, forecast = forecast),
    };
    let legend = say!(words, "chart-oxygen", marks = marks);
    if context.live() { legend } else { format!("{legend} {}", say!(words, "chart-old")) }
}

fn dot(canvas: &Canvas<'_>) -> &'static str {
    if canvas.capabilities.utf8 { "•" } else { "*" }
}

/// The measured oxygen.
pub(super) fn marks(canvas: &mut Canvas<'_>, plot: &Plot, measured: &[(i64, f64, u8)]) {
    let dot = dot(canvas);
    for (at, value, flag) in measured {
        let Some(x) = plot.x(*at) else { continue };
        match flag {
            1 | 2 => canvas.put(x, plot.y(*value), dot, 1, canvas.bold()),
            3 => canvas.put(x, plot.y(*value), "?", 1, canvas.doubtful()),
            // A failed value is no measurement; the gap says so.
            _ => continue,
        };
    }
}

pub(super) fn limits(canvas: &mut Canvas<'_>, plot: &Plot, pond: &PondStatus) {
    let top = number(plot.highest, 0);
    canvas.put_right(SCALE - 1, plot.top, &top, Style::new());
    canvas.put_right(SCALE - 1, plot.top + plot.lines - 1, "0", Style::new());
    for limit in pond.do_low_mg_l {
        let y = plot.y(limit);
        let dashes = "- ".repeat(usize::from(plot.columns / 2));
        canvas.put(plot.left, y, dashes.trim_end(), plot.columns, Style::new());
        canvas.put_right(SCALE - 1, y, &number(limit, 1), Style::new());
    }
}

/// Whole hours of farm time below the chart, as many as have room.
pub(super) fn hours(canvas: &mut Canvas<'_>, context: &Context<'_>, plot: &Plot, y: u16) {
    let every = [1, 2, 3, 4, 6, 12]
        .into_iter()
        .map(|hours| hours * 3_600)
        .find(|step| {
            let labels = (plot.to - plot.from) / step + 1;
            labels * 7 <= i64::from(plot.columns)
        })
        .unwrap_or(86_400);
    let offset = i64::from(context.clock.offset().seconds());
    let mut at = (plot.from + offset).div_euclid(every) * every - offset;
    while at <= plot.to {
        if let (Some(x), Ok(time)) = (plot.x(at), Timestamp::from_second(at)) {
            let start = x.saturating_sub(2);
            if start + 5 < canvas.columns() {
                canvas.put(start, y, &context.clock.time_of(time), 5, Style::new());
            }
        }
        at += every;
    }
}

/// The expected course through the points the forecast names, and its spread at the minimum.
fn expected(canvas: &mut Canvas<'_>, pond: &PondStatus, plot: &Plot, now: i64) {
    let Some(forecast) = &pond.forecast else { return };
    let Some(present) = reading(pond, "do_mg_l").and_then(|oxygen| oxygen.value) else { return };
    let mut course = vec![(now, present)];
    for (limit, at, _) in &forecast.below {
        if let Some(at) = at.as_deref().and_then(seconds)
            && at > now
        {
            course.push((at, *limit));
        }
    }
    let lowest_at = seconds(&forecast.do_min_at);
    if let Some(at) = lowest_at {
        course.push((at, forecast.do_min_mg_l));
    }
    if let Some(at) = pond.sunrise.as_deref().and_then(seconds) {
        course.push((at, forecast.do_sunrise_mg_l));
    }
    course.sort_by_key(|(at, _)| *at);
    for pair in course.windows(2) {
        let [(start, first), (end, second)] = pair else { continue };
        let steps = i64::from(plot.columns);
        for step in 1..=steps {
            let at = start + (end - start) * step / steps;
            let value = first + (second - first) * (step as f64 / steps as f64);
            // Every other column: a forecast must not look like a measurement.
            if let Some(x) = plot.x(at).filter(|x| x % 2 == 0 && at > now) {
                canvas.put(x, plot.y(value), "o", 1, Style::new());
            }
        }
    }
    if let Some(x) = lowest_at.and_then(|at| plot.x(at)) {
        for y in plot.y(forecast.high_80)..=plot.y(forecast.low_80) {
            canvas.put(x, y, "I", 1, canvas.bold());
        }
    }
}
