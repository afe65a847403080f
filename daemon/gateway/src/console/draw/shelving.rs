//! The form that puts an alarm aside.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::shelving::{REASONS, length_words};
use crate::console::words::{act_within, priority_name};

use super::{Canvas, Context, Rows, message_without_place};

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let form = context.screen.ui.shelving.as_ref()?;
    let columns = canvas.columns();
    let mut y = rows.top;
    canvas.put(0, y, "Put an alarm aside for a while", columns, canvas.bold());
    y += 2;
    let Some(alarm) = context.farm.alarms.iter().find(|alarm| alarm.id == form.id) else {
        canvas.put(0, y, "It is not in alarm any more. Esc leaves.", columns - 1, Style::new());
        return None;
    };
    let title = format!(
        "{} {}: {} ({})",
        priority_name(alarm.priority),
        context.alarm_place(alarm),
        alarm.name,
        act_within(alarm.priority)
    );
    canvas.put(0, y, &title, columns - 1, canvas.bold());
    y += 1;
    let pond = context.farm.ponds.iter().find(|pond| alarm.pond.as_deref() == Some(pond.id.as_str()));
    let message = message_without_place(&alarm.message, pond);
    let room = rows.bottom.saturating_sub(y).saturating_sub(11).clamp(1, 4);
    y += canvas.paragraph(0, y, &message, columns - 1, room, Style::new()) + 1;

    let length = length_words(form.minutes());
    canvas.put(0, y, "For", 5, Style::new());
    let end = canvas.put(5, y, &format!("[{length}]"), 12, canvas.reverse());
    let longest = format!("arrows change it; at most {}", length_words(form.longest()));
    canvas.put(end + 2, y, &longest, columns - end - 3, Style::new());
    y += 2;
    canvas.put(0, y, "Why? This key sends it:", columns - 1, Style::new());
    y += 1;
    for (place, reason) in REASONS.iter().enumerate() {
        canvas.put(2, y, &format!("{}  {reason}", place + 1), columns - 3, canvas.bold());
        y += 1;
    }
    y += 1;
    let told = "It stays on the list with your name and the reason, and comes back by itself, in alarm if \
                its cause still stands. The water is no better for it.";
    canvas.paragraph(0, y, told, columns - 1, rows.bottom.saturating_sub(y), Style::new());
    None
}
