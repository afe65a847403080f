//! The limits of a pond, and the form that changes one.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::limits::{REASONS, reason_key, reason_words};
use crate::console::text::wrap;
use crate::texts::recognised::recognised;
use crate::texts::say;

use super::{Canvas, Context, Rows};

/// Rows below the list: source and form.
const BELOW: u16 = 8;

/// Columns before the field of the new value.
const FIELD_AT: u16 = 40;

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let form = context.screen.ui.limits.as_ref()?;
    let (columns, words) = (canvas.columns(), context.words());
    let title = say!(words, "limits-title", pond = context.pond_label(&form.pond));
    canvas.put(0, rows.top, &title, columns, canvas.bold());
    let Some(limits) = &form.limits else {
        canvas.put(0, rows.top + 1, &say!(words, "asking"), columns - 1, Style::new());
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
            let configured = change.configured.to_string();
            let text = say!(words, "limits-changed-by", configured = configured, by = &change.by);
            canvas.put(FIELD_AT, y, &text, columns - FIELD_AT - 1, canvas.bold());
        }
        y += 1;
    }
    let more = say!(words, "limits-place", place = form.marked + 1, all = limits.len());
    canvas.put_right(columns - 1, rows.top, &more, Style::new());
    let own = form.chosen()?;
    if form.asks_why {
        let what = if form.value.is_empty() {
            say!(words, "limits-take-back", key = &own.key, configured = configured(own).to_string())
        } else {
            let old = own.value.to_string();
            say!(words, "limits-change", key = &own.key, old = old, new = &form.value)
        };
        canvas.put(0, y, &what, columns - 1, canvas.bold());
        for place in 0..REASONS.len() {
            let reason = words.get(&reason_key(place));
            y += 1;
            canvas.put(2, y, &format!("{}  {reason}", place + 1), columns - 3, canvas.bold());
        }
        return None;
    }
    let source = match (&own.changed, &own.source) {
        (Some(change), _) => say!(
            words,
            "limits-changed-why",
            configured = change.configured.to_string(),
            value = change.value.to_string(),
            by = &change.by,
            at = context.clock.time_and_day(&change.at),
            reason = reason_words(words, &change.reason),
        ),
        (None, Some(source)) => say!(words, "limits-source", source = recognised(words, source)),
        (None, None) => say!(words, "limits-no-source"),
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
