//! The limits of a pond, and the form that changes one.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::limits::REASONS;
use crate::console::text::wrap;

use super::{Canvas, Context, Rows};

/// Rows below the list: source and form.
const BELOW: u16 = 8;

/// Columns before the field of the new value.
const FIELD_AT: u16 = 40;

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let form = context.screen.ui.limits.as_ref()?;
    let columns = canvas.columns();
    let title = format!("Limits of {}", context.pond_label(&form.pond));
    canvas.put(0, rows.top, &title, columns, canvas.bold());
    let Some(limits) = &form.limits else {
        canvas.put(0, rows.top + 1, "Asking the daemon ...", columns - 1, Style::new());
        return None;
    };
    let room = usize::from(rows.height().saturating_sub(1 + BELOW)).max(1);
    let first = form.marked.saturating_sub(room / 2).min(limits.len().saturating_sub(room));
    let mut y = rows.top + 1;
    let mut cursor = None;
    for (place, own) in limits.iter().enumerate().skip(first).take(room) {
        let here = place == form.marked;
        let sign = if here { ">" } else { " " };
        let style = if own.changed.is_some() { canvas.bold() } else { Style::new() };
        canvas.put(0, y, &format!("{sign}{}", own.key), 29, style);
        canvas.put_right(38, y, &own.value.to_string(), style);
        if here {
            canvas.put(FIELD_AT, y, &format!("[{:<9}]", form.value), 11, canvas.reverse());
            let typed = u16::try_from(form.value.len()).unwrap_or(0);
            cursor = (!form.asks_why).then(|| Position::new(FIELD_AT + 1 + typed, y));
        } else if let Some(change) = &own.changed {
            let text = format!("CHANGED from {} by {}", change.configured, change.by);
            canvas.put(FIELD_AT, y, &text, columns - FIELD_AT - 1, canvas.bold());
        }
        y += 1;
    }
    let more = format!("{} of {}", form.marked + 1, limits.len());
    canvas.put_right(columns - 1, rows.top, &more, Style::new());
    let own = form.chosen()?;
    if form.asks_why {
        let what = if form.value.is_empty() {
            format!("{} back to {} as configured. Why? This key sends it:", own.key, configured(own))
        } else {
            format!("{} from {} to {}. Why? This key sends it:", own.key, own.value, form.value)
        };
        canvas.put(0, y, &what, columns - 1, canvas.bold());
        for (place, reason) in REASONS.iter().enumerate() {
            y += 1;
            canvas.put(2, y, &format!("{}  {reason}", place + 1), columns - 3, canvas.bold());
        }
        return None;
    }
    let source = match (&own.changed, &own.source) {
        (Some(change), _) => format!(
            "CHANGED from {} to {} by {} at {}: {}. Enter with nothing typed takes it back.",
            change.configured,
            change.value,
            change.by,
            context.clock.time_and_day(&change.at),
            change.reason
        ),
        (None, Some(source)) => format!("From: {source}"),
        (None, None) => "No source is given.".to_owned(),
    };
    for line in wrap(&source, usize::from(columns - 1), 4) {
        y += 1;
        canvas.put(0, y, &line, columns - 1, Style::new());
    }
    cursor
}

fn configured(own: &crate::local::limits::LimitStatus) -> f64 {
    own.changed.as_ref().map_or(own.value, |change| change.configured)
}
