//! The alarm to act on, in full: the top of the overview.

use ratatui::style::Style;

use crate::console::text::{age_words, clean, first_that_fits, width, wrap};
use crate::console::ui::needs_acknowledging;
use crate::console::words::{alarm_name, called_words, priority_name};
use crate::local::protocol::AlarmStatus;
use crate::texts::say;

use super::{Canvas, Context, outlook};

/// Columns of the labels at the left of the panel.
const LABEL: u16 = 8;

/// The alarm to act on: which pond, what, how sure, how long is left, what to do.
pub(super) fn panel(
    canvas: &mut Canvas<'_>,
    context: &Context<'_>,
    alarm: &AlarmStatus,
    y: u16,
    height: u16,
) -> u16 {
    let (columns, words) = (canvas.columns() - LABEL - 1, context.words());
    title(canvas, context, alarm, y);
    let utf8 = canvas.capabilities.utf8;
    let rows_of = |text: &str, most: usize| wrap(&clean(text, utf8), usize::from(columns), most);
    let plain = Style::new();
    let pond = alarm.pond.as_deref().and_then(|id| context.farm.ponds.iter().find(|pond| pond.id == id));
    // The farm's own alarms say everything in their message.
    let most = if pond.is_some() { 4 } else { 7 };
    let mut answers = vec![("panel-what", context.message(alarm), most, plain)];
    if let Some(called) = called_words(alarm, context.clock) {
        answers.push(("panel-called", called, 2, plain));
    }
    if let Some(pond) = pond {
        answers.push(("panel-oxygen", outlook::oxygen_now(context, pond), 2, plain));
        answers.push(("panel-left", outlook::time_left(context, pond), 2, plain));
        let act = outlook::action_and_reason(context, pond);
        answers.push(("panel-do", act, 3, canvas.bold()));
    }
    let wanted: Vec<usize> = answers.iter().map(|(_, text, most, _)| rows_of(text, *most).len()).collect();
    // Room beyond the title, the line of the key, a heading, a row per pond and one for other alarms.
    let ponds = u16::try_from(context.farm.ponds.len()).unwrap_or(u16::MAX).min(8);
    let room = usize::from(height.saturating_sub(ponds + 4));
    let given = share_rows(&wanted, room);
    let spare = room.saturating_sub(given.iter().sum());
    let mut row = y + 1;
    for ((label, text, _, style), lines) in answers.iter().zip(given) {
        canvas.put(0, row, &words.get(label), LABEL - 1, plain);
        for line in rows_of(text, lines) {
            canvas.put(LABEL, row, &line, columns, *style);
            row += 1;
        }
    }
    if alarm.priority == 1 && spare > 0 {
        canvas.put(LABEL, row, &say!(words, "panel-caution"), columns, plain);
        row += 1;
    }
    // This row stays when the alarm has been acknowledged, so that nothing below it moves.
    let (text, style) = if alarm.state == "latched-acknowledged" {
        (say!(words, "panel-over"), canvas.bold())
    } else if !needs_acknowledging(alarm) {
        let by = alarm.acknowledged_by.clone().unwrap_or_else(|| say!(words, "somebody"));
        (say!(words, "panel-acknowledged", by = by), plain)
    } else if !context.live() {
        (say!(words, "panel-no-connection"), canvas.bold())
    } else if context.screen.ui.is_pending(&alarm.id) {
        (say!(words, "acknowledgement-sent"), canvas.bold())
    } else {
        let is_over = alarm.state != "unacknowledged";
        let over = if is_over { format!("{} ", say!(words, "panel-is-over")) } else { String::new() };
        let keys = words.get(if context.farm.horn { "panel-keys-horn" } else { "panel-keys" });
        let key = say!(words, "panel-key");
        let choices = [&*format!("{over}{keys}"), &*format!("{over}{key}"), &*key];
        (first_that_fits(&choices, usize::from(columns)), canvas.bold())
    };
    canvas.put(LABEL, row, &text, columns, style);
    row + 1 - y
}

/// Shares rows among answers that want so many each: one for each first, then what is to be done and
/// how long is left before the rest.
fn share_rows(wanted: &[usize], room: usize) -> Vec<usize> {
    let mut given: Vec<usize> = wanted.iter().map(|wanted| (*wanted).min(1)).collect();
    let mut left = room.saturating_sub(given.iter().sum());
    for level in 2..=7 {
        for (wanted, given) in wanted.iter().zip(&mut given).rev() {
            if left > 0 && *wanted >= level {
                *given = level;
                left -= 1;
            }
        }
    }
    given
}

fn title(canvas: &mut Canvas<'_>, context: &Context<'_>, alarm: &AlarmStatus, y: u16) {
    let (columns, words) = (canvas.columns(), context.words());
    let age_s = context.clock.seconds_since(&alarm.raised_at).map(|s| age_words(words, context.aged(s)));
    let since = context.clock.time_and_day(&alarm.raised_at);
    let style = canvas.alarm(alarm.priority, needs_acknowledging(alarm));
    let text = format!(
        "{} {} {}: {}",
        context.alarm_mark(alarm),
        priority_name(words, alarm.priority),
        context.alarm_place(alarm),
        alarm_name(words, alarm)
    );
    // The name is worth more than how long ago, which the time says too.
    let room = usize::from(columns).saturating_sub(width(&clean(&text, canvas.capabilities.utf8)) + 1);
    let short = say!(words, "since", at = since);
    let long = age_s.map_or_else(|| short.clone(), |age| format!("{short} ({age})"));
    let right = if width(&long) <= room { &long } else { &short };
    let end = canvas.put_right(columns, y, right, style);
    canvas.put(0, y, &text, end.saturating_sub(1), style);
    canvas.style_row(y, style);
}
