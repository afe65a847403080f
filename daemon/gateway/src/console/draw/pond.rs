//! One pond: every reading with unit, quality and age, what to do, and tonight's oxygen.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::text::{NO_VALUE, age, quality, signed, width};
use crate::console::words::{day_words, probe_notes, quantity_name};
use crate::local::protocol::ReadingStatus;

use super::outlook::{self, is_old};
use super::{Canvas, Context, Rows, chart, pond_label};

/// Columns of one reading: name 18, value 8, unit 10, quality 9, age 4, and gaps.
const READING: u16 = 53;
/// The same without the change per hour, in two columns on 80.
const NARROW_READING: u16 = 40;

/// Least rows a curve is worth.
const CHART_ROWS: u16 = 6;

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let columns = canvas.columns();
    let Some(pond) = context.farm.ponds.get(context.screen.ui.pond) else {
        canvas.put(0, rows.top, "This farm has no ponds.", columns, Style::new());
        return None;
    };
    let mut y = rows.top;
    let time =
        |at: &Option<String>| at.as_deref().map_or_else(|| NO_VALUE.to_owned(), |at| context.clock.time(at));
    let sun = format!("sunset {}, sunrise {}", time(&pond.sunset), time(&pond.sunrise));
    let end = canvas.put_right(columns - 1, y, &sun, Style::new());
    canvas.put(0, y, &pond_label(&pond.id, &pond.name), end.saturating_sub(1), canvas.bold());
    y += 1;

    // What to do stands above the numbers: it is what the page is opened for.
    let text = format!("Do: {}", outlook::action_and_reason(context, pond));
    let lines = if rows.height() >= 18 { 2 } else { 1 };
    y += canvas.paragraph(0, y, &text, columns - 1, lines, canvas.bold());
    let left = format!("Left: {}", outlook::time_left(context, pond));
    y += canvas.paragraph(0, y, &left, columns - 1, lines, Style::new());
    let running = format!("Aerators: {}", outlook::aerators(context, pond));
    canvas.put(0, y, &running, columns - 1, Style::new());
    // Beside the aerators where both fit: the curve needs every row of a small screen.
    if let Some(words) = pond.metabolism.as_ref().and_then(day_words) {
        let words = format!("Day: {words}");
        if width(&running) + width(&words) + 2 > usize::from(columns) - 1 {
            y += 1;
            canvas.put(0, y, &words, columns - 1, Style::new());
        } else {
            canvas.put_right(columns - 1, y, &words, Style::new());
        }
    }
    y += 1;
    if let Some(line) = &pond.probe_or_water {
        canvas.put(0, y, &format!("Oxygen: {line} (w why)"), columns - 1, Style::new());
        y += 1;
    }

    let notes = probe_notes(context.farm, Some(&pond.id), context.clock);
    if !notes.is_empty() {
        let text = format!("Probes: {}", notes.join("; "));
        canvas.put(0, y, &text, columns - 1, canvas.bold());
        y += 1;
    }

    let changed = context.farm.changed_limits.iter().filter(|change| change.pond == pond.id);
    let changed: Vec<String> =
        changed.map(|own| format!("{} {} ({})", own.key, own.value, own.configured)).collect();
    if !changed.is_empty() {
        let text = format!("Limits changed: {} (l)", changed.join(", "));
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
        canvas.put(0, rows.top, "No reading yet.", columns, canvas.doubtful());
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
        let text = format!(" {hidden} more ");
        canvas.put_right(columns - 1, rows.top + shown - 1, &text, canvas.reverse());
    }
    shown
}

fn one(canvas: &mut Canvas<'_>, context: &Context<'_>, reading: &ReadingStatus, x: u16, y: u16, wide: u16) {
    let old = is_old(context, reading);
    let abnormal = old || reading.flag > 2 || reading.value.is_none();
    let style = if abnormal { canvas.doubtful() } else { Style::new() };
    let quality = if old && reading.value.is_some() { "OLD" } else { quality(reading.flag) };
    let name_columns = if wide >= READING { 19 } else { 14 };
    canvas.put(x, y, short_name(&reading.quantity, name_columns), name_columns - 1, Style::new());
    let value_end = x + name_columns + 6;
    canvas.put_right(value_end, y, &outlook::value_text(context, reading), style);
    let unit_columns = 7;
    canvas.put(value_end + 1, y, &reading.unit, unit_columns, Style::new());
    let quality_at = value_end + unit_columns + 1;
    let word = if wide >= READING {
        quality.to_owned()
    } else {
        // Seven columns: `unchecked` is the only word that is longer.
        quality.replace("unchecked", "unchckd")
    };
    canvas.put(quality_at, y, &word, if wide >= READING { 10 } else { 7 }, style);
    let age_end = quality_at + if wide >= READING { 14 } else { 11 };
    canvas.put_right(age_end, y, &age(context.aged(reading.age_s)), style);
    if wide >= READING + 10
        && let Some(slope) = reading.per_hour
    {
        let text = format!("{} per h", signed(slope, reading.decimals));
        canvas.put(age_end + 2, y, &text, 14, Style::new());
    }
}

/// A name that fits in `columns - 1`.
fn short_name(id: &str, columns: u16) -> &str {
    if columns > 14 {
        return quantity_name(id);
    }
    match id {
        "do_saturation_mg_l" => "O2 full sat.",
        "do_saturation_percent" => "O2 saturation",
        "nh3_n_mg_l" => "NH3-N",
        "h2s_s_mg_l" => "H2S-S",
        "co2_mg_l" => "CO2",
        "ph_swing" => "pH swing 24h",
        "dawn_do_mg_l" => "Lowest O2",
        "alkalinity_mg_l" => "Alkalinity",
        "hardness_mg_l" => "Hardness",
        "phosphate_mg_l" => "PO4 (as P)",
        "nitrite_mg_l" => "NO2 (as N)",
        "nitrate_mg_l" => "NO3 (as N)",
        "sulfide_mg_l" => "Sulfide S",
        other => quantity_name(other),
    }
}
