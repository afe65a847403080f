//! One pond: every reading with unit, quality and age, what to do, and tonight's oxygen.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::ammonia::with_band;
use crate::console::text::{age, quality, signed, width};
use crate::console::words::{day_words, probe_notes, quantity_name, quantity_short_name};
use crate::local::protocol::ReadingStatus;
use crate::texts::say;

use super::outlook::{self, is_old};
use super::{Canvas, Context, Rows, chart, nights, pond_label};

/// Columns of one reading: name 18, value 8, unit 10, quality 9, age 4, and gaps.
const READING: u16 = 53;
/// The same without the change per hour, in two columns on 80.
const NARROW_READING: u16 = 40;

/// Least rows a curve is worth.
const CHART_ROWS: u16 = 6;

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let (columns, words) = (canvas.columns(), context.words());
    let Some(pond) = context.farm.ponds.get(context.screen.ui.pond) else {
        canvas.put(0, rows.top, &say!(words, "no-ponds"), columns, Style::new());
        return None;
    };
    let mut y = rows.top;
    nights::title(canvas, context, y, &pond_label(&pond.id, &pond.name), pond);
    y += 1;

    // What to do stands above the numbers: it is what the page is opened for.
    let text = say!(words, "pond-do", what = outlook::action_and_reason(context, pond));
    let lines = if rows.height() >= 18 { 2 } else { 1 };
    y += canvas.paragraph(0, y, &text, columns - 1, lines, canvas.bold());
    let left = say!(words, "pond-left", what = outlook::time_left(context, pond));
    y += canvas.paragraph(0, y, &left, columns - 1, lines, Style::new());
    let running = say!(words, "pond-aerators", states = outlook::aerators(context, pond));
    canvas.put(0, y, &running, columns - 1, Style::new());
    // Beside the aerators where both fit: the curve needs every row of a small screen.
    if let Some(day) = pond.metabolism.as_ref().and_then(|day| day_words(words, day)) {
        let day = say!(words, "pond-day", day = day);
        if width(&running) + width(&day) + 2 > usize::from(columns) - 1 {
            y += 1;
            canvas.put(0, y, &day, columns - 1, Style::new());
        } else {
            canvas.put_right(columns - 1, y, &day, Style::new());
        }
    }
    y += 1;
    if let Some(line) = context.probe_or_water(pond) {
        canvas.put(0, y, &say!(words, "pond-probe-or-water", line = line), columns - 1, Style::new());
        y += 1;
    }

    let notes = probe_notes(context.farm, Some(&pond.id), context.clock);
    if !notes.is_empty() {
        let text = say!(words, "pond-probes", notes = notes.join("; "));
        canvas.put(0, y, &text, columns - 1, canvas.bold());
        y += 1;
    }

    let changed = context.farm.changed_limits.iter().filter(|change| change.pond == pond.id);
    let changed: Vec<String> =
        changed.map(|own| format!("{} {} ({})", own.key, own.value, own.configured)).collect();
    if !changed.is_empty() {
        let text = say!(words, "pond-limits-changed", limits = changed.join(", "));
        canvas.put(0, y, &text, columns - 1, canvas.bold());
        y += 1;
    }

    y += readings(canvas, context, Rows { top: y, bottom: rows.bottom });
    let curve = context.screen.curve.filter(|curve| curve.pond == pond.id);
    if rows.bottom.saturating_sub(y) >= CHART_ROWS {
        chart::oxygen(canvas, context, pond, curve, Rows { top: y, bottom: rows.bottom });
    }
    None
}

/// The readings in as many columns as fit; oxygen and what hangs on it first, as the daemon lists
/// them. Where rows are short the curve gives way before any reading does.
fn readings(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> u16 {
    let Some(pond) = context.farm.ponds.get(context.screen.ui.pond) else { return 0 };
    // Aerators have a line of their own that tells the groups apart.
    let all: Vec<&ReadingStatus> = pond
        .readings
        .iter()
        .chain(&pond.derived)
        .filter(|reading| !reading.quantity.starts_with("aerator_"))
        .collect();
    let columns = canvas.columns();
    if all.is_empty() {
        canvas.put(0, rows.top, &say!(context.words(), "pond-no-reading"), columns, canvas.doubtful());
        return 1;
    }
    let side_by_side = usize::from((columns / NARROW_READING).max(1)).min(all.len());
    let wide = columns / u16::try_from(side_by_side).unwrap_or(1);
    let lines = all.len().div_ceil(side_by_side);
    let shown = lines.min(usize::from(rows.height()));
    for (position, reading) in all.iter().enumerate() {
        let (line, column) = (position % lines, position / lines);
        // The last row in sight says what is not in it.
        if line >= shown {
            continue;
        }
        let x = u16::try_from(column).unwrap_or(0) * wide;
        let y = rows.top + u16::try_from(line).unwrap_or(0);
        one(canvas, context, reading, x, y, wide);
    }
    let shown = u16::try_from(shown).unwrap_or(0);
    if lines > usize::from(shown) && shown > 0 {
        let hidden = (lines - usize::from(shown)) * side_by_side;
        let text = format!(" {} ", say!(context.words(), "pond-more", hidden = hidden));
        canvas.put_right(columns - 1, rows.top + shown - 1, &text, canvas.reverse());
    }
    shown
}

fn one(canvas: &mut Canvas<'_>, context: &Context<'_>, reading: &ReadingStatus, x: u16, y: u16, wide: u16) {
    let old = is_old(context, reading);
    let abnormal = old || reading.flag > 2 || reading.value.is_none();
    let style = if abnormal { canvas.doubtful() } else { Style::new() };
    let words = context.words();
    let banded = context.farm.ponds.get(context.screen.ui.pond).and_then(|pond| with_band(pond, reading));
    let (name_columns, name) = if wide >= READING {
        let name = if banded.is_some() {
            // The band needs room.
            quantity_short_name(words, &reading.quantity)
        } else {
            quantity_name(words, &reading.quantity)
        };
        (19, name)
    } else {
        (14, quantity_short_name(words, &reading.quantity))
    };
    canvas.put(x, y, &name, name_columns - 1, Style::new());
    let value_end = x + name_columns + 6;
    let value = match banded {
        Some((value, half)) => format!("{value}{}±{half}", if reading.flag > 2 { "?" } else { " " }),
        None => outlook::value_text(context, reading),
    };
    canvas.put_right(value_end, y, &value, style);
    let unit_columns = 7;
    canvas.put(value_end + 1, y, &reading.unit, unit_columns, Style::new());
    let quality_at = value_end + unit_columns + 1;
    let word = match reading.flag {
        _ if old && reading.value.is_some() => say!(words, "quality-old"),
        // Seven columns: it is the only word that is longer.
        2 if wide < READING => say!(words, "quality-narrow-unchecked"),
        flag => quality(words, flag),
    };
    canvas.put(quality_at, y, &word, if wide >= READING { 10 } else { 7 }, style);
    let age_end = quality_at + if wide >= READING { 14 } else { 11 };
    canvas.put_right(age_end, y, &age(context.aged(reading.age_s)), style);
    if wide >= READING + 10
        && let Some(slope) = reading.per_hour
    {
        let text = say!(words, "pond-per-hour", slope = signed(slope, reading.decimals));
        canvas.put(age_end + 2, y, &text, 14, Style::new());
    }
}
