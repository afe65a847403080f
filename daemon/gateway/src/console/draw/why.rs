//! Why an alarm stands or does not, or what an advice rests on.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::explanation;
use crate::texts::say;

use super::{Canvas, Context, Rows};

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let columns = canvas.columns();
    let Some(why) = &context.screen.ui.why else {
        canvas.put(0, rows.top, &say!(context.words(), "asking"), columns, Style::new());
        return None;
    };
    let lines = explanation::lines(why, context.clock, usize::from(columns - 1));
    let height = usize::from(rows.height());
    let all = lines.len();
    let more = all > height;
    let shown = if more { height.saturating_sub(1) } else { height };
    let first = context.screen.ui.scroll.min(all.saturating_sub(shown));
    for (y, line) in (rows.top..).zip(lines.iter().skip(first).take(shown)) {
        let style = if line.is_heading { canvas.bold() } else { Style::new() };
        canvas.put(0, y, &line.text, columns - 1, style);
    }
    if more && rows.bottom > rows.top {
        let last = (first + shown).min(all);
        let lines = say!(context.words(), "lines", first = first + 1, last = last, all = all);
        let text = say!(context.words(), "why-lines", at = context.clock.time(&why.at), lines = lines);
        canvas.put_right(columns - 1, rows.bottom - 1, &text, canvas.bold());
    }
    None
}
