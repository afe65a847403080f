//! Keys, signs and cautions.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::text::{clean, wrap};
use crate::texts::say;

use super::{Canvas, Context, Rows};

/// Keys of headings, which are bold, and of paragraphs. Keys and cautions stand on the first screen.
const TEXT: &[(&str, bool)] = &[
    ("help-keys", true),
    ("help-keys-acknowledge", false),
    ("help-keys-pages", false),
    ("help-keys-tasks", false),
    ("help-keys-aside", false),
    ("help-cautions", true),
    ("help-caution-doubt", false),
    ("help-caution-walk", false),
    ("help-caution-current", false),
    ("help-caution-pits", false),
    ("help-caution-slurry", false),
    ("help-signs", true),
    ("help-sign-priorities", false),
    ("help-sign-quality", false),
    ("help-sign-values", false),
    ("help-sign-below", false),
    ("help-sign-spread", false),
    ("help-sign-times", false),
];

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let (columns, words) = (canvas.columns(), context.words());
    let mut lines: Vec<(String, bool)> = Vec::new();
    for (key, is_heading) in TEXT {
        let text = clean(&words.get(key), canvas.capabilities.utf8);
        lines.extend(wrap(&text, usize::from(columns - 1), 9).into_iter().map(|line| (line, *is_heading)));
    }
    let height = usize::from(rows.height());
    let all = lines.len();
    let more = all > height;
    let shown = if more { height - 1 } else { height };
    let first = context.screen.ui.scroll.min(all.saturating_sub(shown));
    for (y, (line, heading)) in (rows.top..).zip(lines.iter().skip(first).take(shown)) {
        let style = if *heading { canvas.bold() } else { Style::new() };
        canvas.put(0, y, line, columns - 1, style);
    }
    if more {
        let last = (first + shown).min(all);
        let text = say!(words, "lines", first = first + 1, last = last, all = all);
        canvas.put_right(columns - 1, rows.bottom - 1, &text, canvas.bold());
    }
    None
}
