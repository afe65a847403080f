//! Why an alarm stands or does not, or what an advice rests on, in lines of a given width: the same for
//! the full screen and for the plain command.

use std::fmt::Write as _;

use super::text::{FarmClock, age_words, number, quality, wrap};
use super::words::{priority_name, quantity_name, state_name};
use crate::local::why::{InputStatus, WhyStatus};
use crate::texts::{english, say};

/// Rows a paragraph may take; no text comes near it.
const PARAGRAPH_ROWS: usize = 40;

/// One line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Line {
    /// What it says.
    pub(crate) text: String,
    /// Whether it heads a part.
    pub(crate) is_heading: bool,
}

struct Lines {
    columns: usize,
    made: Vec<Line>,
}

impl Lines {
    fn heading(&mut self, text: &str) {
        self.made.push(Line { text: text.to_owned(), is_heading: true });
    }

    fn blank(&mut self) {
        self.made.push(Line { text: String::new(), is_heading: false });
    }

    /// `words`, with `first` before the first row and `then` before the others.
    fn paragraph(&mut self, first: &str, then: &str, words: &str) {
        let room = self.columns.saturating_sub(first.len().max(then.len())).max(10);
        for (index, row) in wrap(words, room, PARAGRAPH_ROWS).iter().enumerate() {
            let before = if index == 0 { first } else { then };
            self.made.push(Line { text: format!("{before}{row}"), is_heading: false });
        }
    }

    /// A part with its lines; nothing where there are none.
    fn part<'a>(&mut self, title: &str, lines: impl IntoIterator<Item = &'a str>) {
        let mut lines = lines.into_iter().peekable();
        if lines.peek().is_some() {
            self.blank();
            self.heading(title);
        }
        for line in lines {
            self.paragraph("  ", "    ", line);
        }
    }
}

/// The explanation in lines of at most `columns`.
pub(crate) fn lines(why: &WhyStatus, clock: FarmClock, columns: usize) -> Vec<Line> {
    let mut out = Lines { columns, made: Vec::new() };
    let words = clock.words();
    if words != english() {
        out.paragraph("", "", &say!(words, "why-in-english"));
    }
    let mut head = why.name.clone();
    if let (Some(priority), Some(state)) = (why.priority, &why.state) {
        let priority = priority_name(words, priority).to_lowercase();
        // English says the state's id, which scripts know.
        let state = if words == english() { state.clone() } else { state_name(words, state).to_lowercase() };
        let _ = write!(head, ", {priority}, {state}");
    }
    if let Some(since) = &why.since {
        let _ = write!(head, " {}", say!(words, "since", at = clock.time_and_day(since)));
    }
    for row in wrap(&head, columns, PARAGRAPH_ROWS) {
        out.heading(&row);
    }
    out.paragraph("  ", "  ", &why.says);
    if let Some(verdict) = &why.verdict {
        let head = format!("{} {}. {}", verdict.probe, verdict.line, verdict.what_to_do);
        let clues: Vec<String> = verdict
            .clues
            .iter()
            .map(|(kind, says, points)| {
                let side = words.get(if *points > 0 { "why-side-probe" } else { "why-side-water" });
                format!("{side} {}: {says} ({kind})", points.unsigned_abs())
            })
            .collect();
        out.part(
            &say!(words, "why-probe-or-water"),
            [head.as_str()].into_iter().chain(clues.iter().map(String::as_str)),
        );
    }
    out.part(&say!(words, "why-raised"), [why.raised_when.as_str()]);
    out.part(&say!(words, "why-cleared"), [why.clears_when.as_str()]);
    out.part(&say!(words, "why-limit-from"), why.limit_source.as_deref());
    let inputs: Vec<String> = why.inputs.iter().map(|input| input_line(input, clock)).collect();
    out.part(&say!(words, "why-readings"), inputs.iter().map(String::as_str));
    let formulas: Vec<String> = why
        .formulas
        .iter()
        .map(|worked| {
            let of = worked.of.as_ref().map(|of| format!(", {of}")).unwrap_or_default();
            let source = worked.source.as_ref().map(|source| format!(" [{source}]")).unwrap_or_default();
            format!("{}{of}{source}", worked.text)
        })
        .collect();
    out.part(&say!(words, "why-worked-out"), formulas.iter().map(String::as_str));
    out.part(&say!(words, "why-forecast"), why.forecast.iter().map(String::as_str));
    if why.at_the_water {
        out.blank();
        out.paragraph("", "", &say!(words, "caution"));
    }
    out.made
}

fn input_line(input: &InputStatus, clock: FarmClock) -> String {
    let words = clock.words();
    let by = match &input.probe {
        Some(probe) => say!(words, "why-by-probe", probe = probe),
        None => say!(words, "why-by-hand"),
    };
    let value = input.value.map_or_else(
        || say!(words, "why-no-value"),
        |value| format!("{} {}", number(value, input.decimals), input.unit),
    );
    let age = match (&input.at, input.age_s) {
        (Some(at), Some(age_s)) => {
            say!(words, "why-age", age = age_words(words, age_s), at = clock.time_and_day(at))
        }
        _ => say!(words, "why-nothing-came"),
    };
    let mut line = say!(
        words,
        "why-input",
        what = quantity_name(words, &input.quantity),
        by = by,
        value = value.trim_end(),
        flag = input.flag,
        quality = quality(words, input.flag),
        age = age,
    );
    for (test, flag, says) in &input.disliked {
        let told = say!(words, "why-test", test = test, flag = *flag, says = says);
        let _ = write!(line, "; {told}");
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::console::sample;

    #[test]
    fn an_explanation_fits_a_serial_console_and_says_everything() {
        let why = sample::doubted_oxygen();
        let told: Vec<String> = lines(&why, FarmClock::new(&why.at, why.time_zone_offset_s), 80)
            .into_iter()
            .map(|line| line.text)
            .collect();
        assert!(told.iter().all(|line| line.chars().count() <= 80));
        insta::assert_snapshot!(told.join("\n"));
    }

    #[test]
    fn a_narrow_window_gets_narrow_lines() {
        let why = sample::doubted_oxygen();
        for columns in [20, 40, 60, 132] {
            let made = lines(&why, FarmClock::new(&why.at, why.time_zone_offset_s), columns);
            assert!(made.iter().all(|line| line.text.chars().count() <= columns), "{columns}");
        }
    }
}
