//! Why an alarm stands or does not, or what an advice rests on, in lines of a given width: the same for
//! the full screen and for the plain command.

use std::fmt::Write as _;

use super::text::{FarmClock, age_words, number, quality, wrap};
use super::words::{alarm_name_by_id, priority_name, quantity_name, state_name, test_words};
use crate::local::said::SaidStatus;
use crate::local::why::{InputStatus, VerdictStatus, WhySaid, WhyStatus};
use crate::texts::recognised::recognised;
use crate::texts::said::translated;
use crate::texts::{Words, english, say};

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
    fn part(&mut self, title: &str, lines: &[String]) {
        if !lines.is_empty() {
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
    let own = Told { words, said: why.said.as_deref().filter(|_| words != english()) };
    if words != english() && own.said.is_none() {
        out.paragraph("", "", &say!(words, "why-in-english"));
    }
    for row in wrap(&head(why, own, clock), columns, PARAGRAPH_ROWS) {
        out.heading(&row);
    }
    out.paragraph("  ", "  ", &own.sentence(&why.says, |said| Some(&said.says)));
    if let Some(verdict) = &why.verdict {
        out.part(&say!(words, "why-probe-or-water"), &verdict_lines(verdict, own));
    }
    let raised = own.sentence(&why.raised_when, |said| Some(&said.raised_when));
    out.part(&say!(words, "why-raised"), &[raised]);
    let cleared = own.sentence(&why.clears_when, |said| Some(&said.clears_when));
    out.part(&say!(words, "why-cleared"), &[cleared]);
    let source: Vec<String> = why.limit_source.iter().map(|source| recognised(words, source)).collect();
    out.part(&say!(words, "why-limit-from"), &source);
    let inputs: Vec<String> = why.inputs.iter().map(|input| input_line(input, clock)).collect();
    out.part(&say!(words, "why-readings"), &inputs);
    let formulas: Vec<String> = why
        .formulas
        .iter()
        .enumerate()
        .map(|(place, worked)| {
            let text = own.sentence(&worked.text, |said| Some(&said.formulas.get(place)?.0));
            let of = worked.of.as_ref();
            let of = of.map(|of| own.sentence(of, |said| said.formulas.get(place)?.1.as_ref()));
            let of = of.map_or_else(String::new, |of| format!(", {of}"));
            let source = worked.source.as_ref();
            let source = source.map(|from| own.sentence(from, |said| said.formulas.get(place)?.2.as_ref()));
            let source = source.map_or_else(String::new, |source| format!(" [{source}]"));
            format!("{text}{of}{source}")
        })
        .collect();
    out.part(&say!(words, "why-worked-out"), &formulas);
    let forecast = why.forecast.iter().enumerate();
    let forecast = forecast.map(|(place, line)| own.sentence(line, |said| said.forecast.get(place)));
    out.part(&say!(words, "why-forecast"), &forecast.collect::<Vec<String>>());
    if why.at_the_water {
        out.blank();
        out.paragraph("", "", &say!(words, "caution"));
    }
    out.made
}

/// The sentences in the language that is spoken, where the daemon tells what they are made of.
#[derive(Clone, Copy)]
struct Told<'a> {
    words: Words,
    said: Option<&'a WhySaid>,
}

impl<'a> Told<'a> {
    fn sentence(self, in_english: &str, of: impl Fn(&'a WhySaid) -> Option<&'a SaidStatus>) -> String {
        let said = self.said.and_then(of);
        said.map_or_else(|| in_english.to_owned(), |said| translated(self.words, said))
    }
}

fn head(why: &WhyStatus, own: Told<'_>, clock: FarmClock) -> String {
    let words = own.words;
    let mut head = if why.priority.is_some() {
        alarm_name_by_id(words, &why.id, &why.name)
    } else {
        own.sentence(&why.name, |said| Some(&said.name))
    };
    if let (Some(priority), Some(state)) = (why.priority, &why.state) {
        let priority = priority_name(words, priority).to_lowercase();
        // English says the state's id, which scripts know.
        let state = if words == english() { state.clone() } else { state_name(words, state).to_lowercase() };
        let _ = write!(head, ", {priority}, {state}");
    }
    if let Some(since) = &why.since {
        let _ = write!(head, " {}", say!(words, "since", at = clock.time_and_day(since)));
    }
    head
}

/// What the clues come to, then each of them.
fn verdict_lines(verdict: &VerdictStatus, own: Told<'_>) -> Vec<String> {
    let words = own.words;
    let line = own.sentence(&verdict.line, |said| Some(&said.verdict.as_ref()?.0));
    let key = format!("leaning-do-{}", verdict.leaning);
    let known = own.said.and_then(|_| words.find(&key));
    let todo = known.unwrap_or_else(|| verdict.what_to_do.clone());
    let mut lines = vec![format!("{} {line}. {todo}", verdict.probe)];
    for (place, (kind, says, points)) in verdict.clues.iter().enumerate() {
        let side = words.get(if *points > 0 { "why-side-probe" } else { "why-side-water" });
        let says = own.sentence(says, |said| said.verdict.as_ref()?.1.get(place));
        let known = own.said.and_then(|_| words.find(&format!("clue-kind-{kind}")));
        let kind = known.unwrap_or_else(|| kind.clone());
        lines.push(format!("{side} {}: {says} ({kind})", points.unsigned_abs()));
    }
    lines
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
        let says = test_words(words, test, says);
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
