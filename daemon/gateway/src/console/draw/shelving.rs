//! The form that puts an alarm aside.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::shelving::{REASONS, length_words, reason_key};
use crate::console::words::{act_within, alarm_name, priority_name};
use crate::texts::say;

use super::{Canvas, Context, Rows};

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let form = context.screen.ui.shelving.as_ref()?;
    let (columns, words) = (canvas.columns(), context.words());
    let mut y = rows.top;
    canvas.put(0, y, &say!(words, "shelve-title"), columns, canvas.bold());
    y += 2;
    let Some(alarm) = context.farm.alarms.iter().find(|alarm| alarm.id == form.id) else {
        canvas.put(0, y, &say!(words, "shelve-over"), columns - 1, Style::new());
        return None;
    };
    let title = format!(
        "{} {}: {} ({})",
        priority_name(words, alarm.priority),
        context.alarm_place(alarm),
        alarm_name(words, alarm),
        act_within(words, alarm.priority)
    );
    canvas.put(0, y, &title, columns - 1, canvas.bold());
    y += 1;
    let message = context.message(alarm);
    let room = rows.bottom.saturating_sub(y).saturating_sub(11).clamp(1, 4);
    y += canvas.paragraph(0, y, &message, columns - 1, room, Style::new()) + 1;

    let length = length_words(words, form.minutes());
    canvas.put(0, y, &say!(words, "shelve-for"), 5, Style::new());
    let end = canvas.put(5, y, &format!("[{length}]"), 12, canvas.reverse());
    let longest = say!(words, "shelve-longest", longest = length_words(words, form.longest()));
    canvas.put(end + 2, y, &longest, columns - end - 3, Style::new());
    y += 2;
    canvas.put(0, y, &say!(words, "shelve-why"), columns - 1, Style::new());
    y += 1;
    for place in 0..REASONS.len() {
        let reason = words.get(&reason_key(place));
        canvas.put(2, y, &format!("{}  {reason}", place + 1), columns - 3, canvas.bold());
        y += 1;
    }
    y += 1;
    let told = say!(words, "shelve-told");
    canvas.paragraph(0, y, &told, columns - 1, rows.bottom.saturating_sub(y), Style::new());
    None
}
