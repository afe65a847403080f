//! All alarms that are not in the normal state, one marked, with its message in full; then the gateway's
//! own faults.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::ui::needs_acknowledging;
use crate::console::words::{act_within, alarm_name, held_alarm_words, priority_name, state_name};
use crate::local::protocol::AlarmStatus;
use crate::texts::recognised;
use crate::texts::say;

use super::{Canvas, Context, Rows};

/// Rows kept for the marked alarm's message and its state.
const DETAIL_ROWS: u16 = 6;

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let (columns, words) = (canvas.columns(), context.words());
    let farm = context.farm;
    let faults = u16::try_from(context.faults_without_alarm().count()).unwrap_or(u16::MAX).min(4);
    let waiting = u16::from(farm.waiting_to_forward > 0);
    let detail = DETAIL_ROWS.min(rows.height() / 2);
    let list = rows.height().saturating_sub(detail + faults + waiting + 1);
    let mut y = rows.top;
    if farm.alarms.is_empty() {
        canvas.put(0, y, &say!(words, "farm-no-alarms"), columns, canvas.bold());
        y += 2;
    } else {
        let name_at = 22;
        // Narrow windows give up the end of the state's words, never the alarm's name.
        let state_columns = if columns >= 72 { 14 } else { 7 };
        canvas.put(1, y, &say!(words, "alarms-alarm"), 6, Style::new());
        canvas.put(8, y, &say!(words, "alarms-where"), 13, Style::new());
        canvas.put(name_at, y, &say!(words, "alarms-what"), 10, Style::new());
        canvas.put(columns - state_columns - 11, y, &say!(words, "alarms-since"), 9, Style::new());
        canvas.put(columns - state_columns, y, &say!(words, "alarms-state"), state_columns, Style::new());

        y += 1;
        let marked = context.screen.ui.marked_position(farm);
        let shown = usize::from(list.max(1));
        let first = (marked + 1).saturating_sub(shown);
        for (position, alarm) in farm.alarms.iter().enumerate().skip(first).take(shown) {
            let style = if needs_acknowledging(alarm) { canvas.bold() } else { Style::new() };
            let sign = if position == marked { ">" } else { " " };
            canvas.put(0, y, sign, 1, canvas.bold());
            let mark = context.alarm_mark(alarm);
            canvas.put(1, y, &mark, 6, canvas.alarm(alarm.priority, needs_acknowledging(alarm)));
            canvas.put(8, y, &context.alarm_place(alarm), 13, style);
            let since_at = columns - state_columns - 11;
            canvas.put(name_at, y, &alarm_name(words, alarm), since_at - name_at - 1, style);
            canvas.put(since_at, y, &context.clock.time_and_day(&alarm.raised_at), 10, style);
            let state = state_name(words, &alarm.state);
            canvas.put(columns - state_columns, y, &state, state_columns, style);
            y += 1;
        }
        if farm.alarms.len() > shown {
            let text = format!("  {}", say!(words, "alarms-in-all", all = farm.alarms.len()));
            canvas.put(0, y, &text, columns, Style::new());
        }
        y += 1;
        if let Some(alarm) = farm.alarms.get(marked) {
            y += marked_alarm(
                canvas,
                context,
                alarm,
                Rows { top: y, bottom: rows.bottom.saturating_sub(faults + waiting) },
            );
        }
    }
    for fault in context.faults_without_alarm().take(usize::from(faults)) {
        if y < rows.bottom {
            let since = context.clock.time_and_day(&fault.since);
            let part = recognised::part(words, &fault.part);
            let detail = recognised::recognised(words, &fault.detail);
            let text = say!(words, "gateway-fault", part = part, detail = detail, since = since);
            canvas.put(0, y, &text, columns - 1, Style::new());
            y += 1;
        }
    }
    if waiting > 0 && y < rows.bottom {
        let waiting = farm.waiting_to_forward.to_string();
        let text = say!(words, "alarms-waiting", waiting = waiting);
        canvas.put(0, y, &text, columns - 1, Style::new());
    }
    None
}

fn marked_alarm(canvas: &mut Canvas<'_>, context: &Context<'_>, alarm: &AlarmStatus, rows: Rows) -> u16 {
    let (columns, words) = (canvas.columns(), context.words());
    let mut y = rows.top;
    let title = format!(
        "{} {}: {} ({})",
        priority_name(words, alarm.priority),
        context.alarm_place(alarm),
        alarm_name(words, alarm),
        act_within(words, alarm.priority)
    );
    canvas.put(0, y, &title, columns - 1, canvas.bold());
    y += 1;
    let lines = rows.height().saturating_sub(2);
    let message = context.message(alarm);
    y += canvas.paragraph(0, y, &message, columns - 1, lines, Style::new());
    let changed = context.clock.time_and_day(&alarm.changed_at);
    let state = match &alarm.acknowledged_by {
        _ if alarm.is_held() => held_alarm_words(alarm, context.clock),
        _ if alarm.state == "latched-acknowledged" => {
            say!(words, "alarms-over", changed = changed, id = &alarm.id)
        }
        Some(by) => say!(words, "alarms-by", by = by, changed = changed, id = &alarm.id),
        None if context.screen.ui.is_pending(&alarm.id) => say!(words, "acknowledgement-sent"),
        None => say!(words, "alarms-nobody", changed = changed, id = &alarm.id),
    };
    if y < rows.bottom {
        canvas.put(0, y, &state, columns - 1, Style::new());
        y += 1;
    }
    y - rows.top
}
