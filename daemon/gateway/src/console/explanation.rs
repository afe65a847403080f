//! Why an alarm stands or does not, or what an advice rests on, in lines of a given width: the same for
//! the full screen and for the plain command.

use std::fmt::Write as _;

use super::text::{FarmClock, age_words, number, quality, wrap};
use super::words::{priority_name, quantity_name};
use crate::cli::CAUTION;
use crate::local::why::{InputStatus, WhyStatus};

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
    let mut head = why.name.clone();
    if let (Some(priority), Some(state)) = (why.priority, &why.state) {
        let _ = write!(head, ", {}, {state}", priority_name(priority).to_lowercase());
    }
    if let Some(since) = &why.since {
        let _ = write!(head, " since {}", clock.time_and_day(since));
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
                let side = if *points > 0 { "probe" } else { "water" };
                format!("{side} {}: {says} ({kind})", points.unsigned_abs())
            })
            .collect();
        out.part("Probe or water", [head.as_str()].into_iter().chain(clues.iter().map(String::as_str)));
    }
    out.part("Raised when", [why.raised_when.as_str()]);
    out.part("Cleared when", [why.clears_when.as_str()]);
    out.part("Limit from", why.limit_source.as_deref());
    let inputs: Vec<String> = why.inputs.iter().map(|input| input_line(input, clock)).collect();
    out.part("Readings", inputs.iter().map(String::as_str));
    let formulas: Vec<String> = why
        .formulas
        .iter()
        .map(|worked| {
            let of = worked.of.as_ref().map(|of| format!(", {of}")).unwrap_or_default();
            let source = worked.source.as_ref().map(|source| format!(" [{source}]")).unwrap_or_default();
            format!("{}{of}{source}", worked.text)
        })
        .collect();
    out.part("Worked out", formulas.iter().map(String::as_str));
    out.part("Forecast", why.forecast.iter().map(String::as_str));
    if why.at_the_water {
        out.blank();
        out.paragraph("", "", CAUTION);
    }
    out.made
}

fn input_line(input: &InputStatus, clock: FarmClock) -> String {
    let by = input.probe.as_ref().map_or_else(|| "by hand".to_owned(), |probe| format!("probe {probe}"));
    let value = input.value.map_or_else(
        || "no value that may warn".to_owned(),
        |value| format!("{} {}", number(value, input.decimals), input.unit),
    );
    let age = match (&input.at, input.age_s) {
        (Some(at), Some(age_s)) => format!(", {} ago at {}", age_words(age_s), clock.time_and_day(at)),
        _ => ", nothing came yet".to_owned(),
    };
    let mut line = format!(
        "{}, {by}: {}, flag {} {}{age}",
        quantity_name(&input.quantity),
        value.trim_end(),
        input.flag,
        quality(input.flag)
    );
    for (test, flag, says) in &input.disliked {
        let _ = write!(line, "; test {test} {flag}: {says}");
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
