//! The form for readings made by hand.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::cli::enter::basis::kept_as;
use crate::console::entry::{FIELDS, Place};
use crate::console::text::{age_words, quality};
use crate::console::words::quantity_name;
use crate::texts::say;

use super::outlook::{reading, value_text};
use super::{Canvas, Context, Rows, pond_label};

/// Columns of a field: its text and a bracket on each side.
const FIELD: u16 = 9;

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let entry = context.screen.ui.entry.as_ref()?;
    let (columns, words) = (canvas.columns(), context.words());
    let mut y = rows.top;
    canvas.put(0, y, &say!(words, "entry-title"), columns, canvas.bold());
    y += 1;

    let pond = context.farm.ponds.get(entry.pond)?;
    let here = entry.place == Place::Pond;
    let name = if entry.pond_chosen {
        format!("{} {}", entry.pond + 1, pond_label(&pond.id, &pond.name))
    } else {
        say!(words, "press-pond", last = context.farm.ponds.len().min(9))
    };
    canvas.put(0, y, &say!(words, "label-pond"), 12, Style::new());
    canvas.put(12, y, &name, columns - 13, if here { canvas.reverse() } else { canvas.bold() });
    let mut cursor = here.then(|| Position::new(12, y));
    y += 1;

    canvas.put(0, y, &say!(words, "entry-sampled-at"), 12, Style::new());
    let place = field(canvas, 12, y, &entry.time, entry.place == Place::Time);
    cursor = place.or(cursor);
    let hint = say!(words, "entry-time-hint");
    canvas.put(12 + FIELD + 1, y, &hint, columns - FIELD - 14, Style::new());
    y += 1;

    if let Some(oxygen) =
        reading(pond, "do_mg_l").filter(|oxygen| entry.pond_chosen && oxygen.value.is_some())
    {
        let text = say!(
            words,
            "entry-probe-says",
            value = value_text(context, oxygen),
            quality = quality(words, oxygen.flag),
            age = age_words(words, context.aged(oxygen.age_s)),
        );
        canvas.put(0, y, &text, columns - 1, Style::new());
    }
    y += 1;

    // Two columns where there is room; the cursor scrolls the form where rows are short.
    let half = FIELDS.len() / 2;
    let two = columns >= 78;
    let per_column = if two { half } else { FIELDS.len() };
    let visible = usize::from(rows.bottom.saturating_sub(y)).max(1);
    let line_of = |position: usize| if two { position % half } else { position };
    let first = match entry.place {
        Place::Value(position) => line_of(position).saturating_sub(visible - 1),
        Place::Pond | Place::Time => 0,
    }
    .min(per_column.saturating_sub(visible));
    for (position, (quantity, text)) in FIELDS.iter().zip(&entry.values).enumerate() {
        let line = line_of(position);
        if !(first..first + visible).contains(&line) {
            continue;
        }
        let x = if two && position >= half { 40 } else { 0 };
        let row = y + u16::try_from(line - first).unwrap_or(0);
        canvas.put(x, row, &quantity_name(words, quantity.id()), 16, Style::new());
        let place = field(canvas, x + 16, row, text, entry.place == Place::Value(position));
        cursor = place.or(cursor);
        let (low, high) = quantity.conceivable();
        let accepted = match (kept_as(*quantity), entry.basis(position)) {
            (None, _) => format!("{low}..{high} {}", quantity.unit()),
            (Some(_), Some(basis)) => say!(words, "entry-as", basis = basis.name()),
            (Some(_), None) => say!(words, "entry-as-unknown"),
        };
        canvas.put(x + 16 + FIELD + 1, row, &accepted, 14, Style::new());
    }
    cursor
}

/// A field. Gives the place of the cursor if it is in it.
fn field(canvas: &mut Canvas<'_>, x: u16, y: u16, text: &str, here: bool) -> Option<Position> {
    let style = if here { canvas.reverse() } else { Style::new() };
    let padded = format!("[{text:<7}]");
    canvas.put(x, y, &padded, FIELD, style);
    let after = x + 1 + u16::try_from(text.chars().count()).unwrap_or(0);
    here.then(|| Position::new(after.min(x + FIELD - 1), y))
}
