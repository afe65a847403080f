//! What was done, newest first, and the form for recording more.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::deed_words::{deed_words, kind_words};
use crate::console::diary::{DOSED, Form, KINDS, Place, Sort, choice_key};
use crate::console::text::wrap;
use crate::local::diary::DeedStatus;
use crate::local::said::SaidStatus;
use crate::texts::said::told;
use crate::texts::{Words, say};

use super::{Canvas, Context, Rows, pond_label};

/// Columns of a field: its text and a bracket on each side.
const FIELD: u16 = 11;

/// What people did: entries of the diary, readings by hand, acknowledgements, services.
pub(super) fn done(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let (columns, words) = (canvas.columns(), context.words());
    canvas.put(0, rows.top, &say!(words, "diary-title"), columns, canvas.bold());
    canvas.put_right(columns - 1, rows.top, &say!(words, "diary-record"), Style::new());
    let Some(deeds) = &context.screen.ui.deeds else {
        canvas.put(0, rows.top + 1, &say!(words, "asking"), columns - 1, Style::new());
        return None;
    };
    let mut lines: Vec<(String, bool)> = Vec::new();
    for deed in deeds.iter().rev() {
        // What is over is said in a word, since not every terminal can strike it out.
        let is_over = deed.superseded_by.is_some();
        for (place, row) in wrap(&line(context, deed), usize::from(columns) - 9, 3).into_iter().enumerate() {
            let text = if place == 0 { row } else { format!("        {row}") };
            lines.push((text, is_over));
        }
    }
    if lines.is_empty() {
        canvas.put(0, rows.top + 2, &say!(words, "diary-none"), columns - 1, Style::new());
    }
    let height = usize::from(rows.height().saturating_sub(1));
    let all = lines.len();
    let shown = if all > height { height.saturating_sub(1) } else { height };
    let first = context.screen.ui.scroll.min(all.saturating_sub(shown));
    for (y, (text, _)) in (rows.top + 1..).zip(lines.iter().skip(first).take(shown)) {
        canvas.put(0, y, text, columns - 1, Style::new());
    }
    if all > height && rows.bottom > rows.top {
        let text = say!(words, "lines", first = first + 1, last = (first + shown).min(all), all = all);
        canvas.put_right(columns - 1, rows.bottom - 1, &text, canvas.bold());
    }
    None
}

fn line(context: &Context<'_>, deed: &DeedStatus) -> String {
    let words = context.words();
    let when = context.clock.time_and_day(&deed.at);
    let pond = deed.pond.as_deref().map_or_else(String::new, |pond| format!(" {}", pond.to_uppercase()));
    let number = deed.number.map_or_else(String::new, |number| format!(" #{number}"));
    let state = match (deed.superseded_by, &deed.withdrawn) {
        (Some(_), Some(_)) => format!("{} ", say!(words, "diary-withdrawn")),
        (Some(later), None) => format!("{} ", say!(words, "diary-superseded", number = later.to_string())),
        (None, _) => String::new(),
    };
    let kind = kind_words(words, &deed.kind);
    format!("{when}{pond} {state}{kind}: {}, {}{number}", deed_words(words, deed), deed.by)
}

/// The form.
pub(super) fn form(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let form = context.screen.ui.form.as_ref()?;
    let (columns, words) = (canvas.columns(), context.words());
    if form.recorded.is_some() {
        recorded(canvas, words, form, rows);
        return None;
    }
    let mut y = rows.top;
    canvas.put(0, y, &say!(words, "diary-form-title"), columns, canvas.bold());
    y += 1;
    let pond = context.farm.ponds.get(form.pond)?;
    let here = form.place == Place::Pond;
    let name = if form.pond_chosen {
        format!("{} {}", form.pond + 1, pond_label(&pond.id, &pond.name))
    } else {
        say!(words, "press-pond", last = context.farm.ponds.len().min(9))
    };
    canvas.put(0, y, &say!(words, "label-pond"), 13, Style::new());
    canvas.put(13, y, &name, columns - 14, if here { canvas.reverse() } else { canvas.bold() });
    let mut cursor = here.then(|| Position::new(13, y));
    y += 1;
    let Some((kind, fields)) = form.kind.and_then(|kind| KINDS.get(kind)) else {
        return kinds(canvas, words, form, rows, y + 1).or(cursor);
    };
    canvas.put(0, y, &say!(words, "diary-label-what"), 13, Style::new());
    canvas.put(13, y, &kind_words(words, kind), columns - 14, canvas.bold());
    y += 1;
    let mut options: Vec<String> = Vec::new();
    for (place, ((label, hint, sort), text)) in fields.iter().zip(&form.texts).enumerate() {
        let here = form.place == Place::Field(place);
        canvas.put(0, y, &words.get(label), 13, Style::new());
        cursor = field(canvas, y, text, here).or(cursor);
        let own = Form::options(*sort, context.farm, words);
        let own: Vec<String> = own.into_iter().map(|own| own.read).collect();
        let chosen = text.parse::<usize>().ok().and_then(|digit| own.get(digit.wrapping_sub(1)));
        let hint = match (chosen, sort) {
            (Some(chosen), _) => chosen.clone(),
            (None, Sort::Lot) if own.is_empty() => say!(words, "diary-no-lot"),
            (None, Sort::Lot) if own.len() == 1 => say!(words, "diary-one-lot", lot = own.concat()),
            (None, Sort::Lot | Sort::Choice(_)) => say!(words, "diary-one-of", last = own.len()),
            (None, _) if hint.is_empty() => String::new(),
            (None, _) => words.get(hint),
        };
        canvas.put(13 + FIELD + 1, y, &hint, columns - FIELD - 15, Style::new());
        if here {
            options = own;
        }
        y += 1;
    }
    canvas.put(0, y, &say!(words, "diary-at"), 13, Style::new());
    cursor = field(canvas, y, &form.time, form.place == Place::Time).or(cursor);
    let hint = say!(words, "entry-time-hint");
    canvas.put(13 + FIELD + 1, y, &hint, columns - FIELD - 15, Style::new());
    y += 2;
    if let Some(unsure) = &form.unsure {
        canvas.paragraph(0, y, unsure, columns - 1, 4, canvas.reverse());
        return cursor;
    }
    for (place, option) in options.iter().enumerate() {
        if y >= rows.bottom {
            break;
        }
        canvas.put(2, y, &format!("{}  {option}", place + 1), columns - 3, canvas.bold());
        y += 1;
    }
    cursor
}

/// The kinds to choose from.
fn kinds(canvas: &mut Canvas<'_>, words: Words, form: &Form, rows: Rows, from: u16) -> Option<Position> {
    let columns = canvas.columns();
    let mut cursor = None;
    canvas.put(0, from, &say!(words, "diary-what-done"), columns - 1, Style::new());
    let visible = usize::from(rows.bottom.saturating_sub(from + 1)).max(1);
    let first = (form.marked + 1).saturating_sub(visible);
    for (y, (place, (kind, _))) in (from + 1..rows.bottom).zip(KINDS.iter().enumerate().skip(first)) {
        let key = match place {
            0..=8 => (place + 1).to_string(),
            9 => "0".to_owned(),
            _ => " ".to_owned(),
        };
        let here = form.place == Place::Kind && form.marked == place;
        let style = if here { canvas.reverse() } else { canvas.bold() };
        canvas.put(2, y, &format!("{key}  {}", kind_words(words, kind)), columns - 3, style);
        if here {
            cursor = Some(Position::new(2, y));
        }
    }
    cursor
}

/// The entry as it was taken, read back with what to mind.
fn recorded(canvas: &mut Canvas<'_>, words: Words, form: &Form, rows: Rows) {
    let Some(recorded) = &form.recorded else { return };
    let columns = canvas.columns();
    let entry = &recorded.entry;
    let pond = entry.pond.as_deref().unwrap_or_default().to_uppercase();
    let number = entry.number.unwrap_or_default().to_string();
    let title = say!(words, "diary-kept", number = number, pond = pond);
    canvas.put(0, rows.top, &title, columns - 1, canvas.bold());
    let mut y = rows.top + 1;
    let said = format!("{}: {}.", kind_words(words, &entry.kind), deed_words(words, entry));
    let lines = std::iter::once((said, canvas.bold()));
    let in_words =
        |(place, english): (usize, &String), said: &[SaidStatus]| told(words, english, said.get(place));
    let more = recorded.told.iter().enumerate();
    let more: Vec<_> = more.map(|own| (in_words(own, &recorded.told_said), Style::new())).collect();
    let cautions = recorded.cautions.iter().enumerate();
    let cautions: Vec<_> = cautions
        .map(|own| (format!("! {}", in_words(own, &recorded.cautions_said)), canvas.bold()))
        .collect();
    let asks = form.asks_reason();
    // Where something is asked there is less room: what to mind comes before what follows from it.
    let (first, second) = if asks { (cautions, more) } else { (more, cautions) };
    let bottom = if asks { question(canvas, words, rows) } else { rows.bottom - 1 };
    for (text, style) in lines.chain(first).chain(second).collect::<Vec<_>>() {
        let room = bottom.saturating_sub(y);
        if room == 0 {
            break;
        }
        y += canvas.paragraph(0, y, &text, columns - 1, room.min(4), style);
    }
    canvas.put(0, rows.bottom - 1, &say!(words, "diary-back"), columns - 1, Style::new());
}

/// Asks why a dose was given against advice. Gives the row above which there is room.
fn question(canvas: &mut Canvas<'_>, words: Words, rows: Rows) -> u16 {
    let columns = canvas.columns();
    let (list, reasons) = DOSED;
    let top = rows.bottom.saturating_sub(2 + u16::try_from(reasons.len()).unwrap_or(0)).max(rows.top + 1);
    canvas.put(0, top, &say!(words, "diary-why-dosed"), columns - 1, canvas.bold());
    for (y, place) in (top + 1..rows.bottom - 1).zip(0..reasons.len()) {
        let reason = words.get(&choice_key(list, place));
        canvas.put(2, y, &format!("{}  {reason}", place + 1), columns - 3, Style::new());
    }
    top
}

/// A field. Gives the place of the cursor if it is in it.
fn field(canvas: &mut Canvas<'_>, y: u16, text: &str, here: bool) -> Option<Position> {
    let style = if here { canvas.reverse() } else { Style::new() };
    canvas.put(13, y, &format!("[{text:<9}]"), FIELD, style);
    let after = 14 + u16::try_from(text.chars().count()).unwrap_or(0);
    here.then(|| Position::new(after.min(13 + FIELD - 1), y))
}
