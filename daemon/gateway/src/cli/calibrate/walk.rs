//! The service in a conversation: one question after the other, on any terminal.

use std::io::{BufRead, Write};

use super::super::plain::COLUMNS;
use super::{Arguments, measured, previews, take};
use crate::console::text::wrap;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::service::{BesideAsk, OutStatus, StepAsk};
use crate::texts::{Words, say};

/// Quantities that are asked for, with the keys of their names and of what is accepted in a standard; none where they are
/// not adjusted.
const ASKED: [(&str, &str, Option<&str>); 5] = [
    ("do_mg_l", "walk-oxygen", Some("walk-accepts-air")),
    ("ph", "walk-ph", Some("walk-accepts-buffers")),
    ("salinity_psu", "walk-salinity", Some("walk-accepts-near")),
    ("conductivity_ms_cm", "walk-conductivity", Some("walk-accepts-near")),
    ("temperature_c", "walk-temperature", None),
];

/// Those that this probe measures.
fn asked(own: &OutStatus) -> Vec<(&'static str, &'static str, Option<&'static str>)> {
    ASKED.into_iter().filter(|(quantity, ..)| own.measures.iter().any(|known| known == quantity)).collect()
}

fn io_failed(error: &std::io::Error, words: Words) -> Failure {
    Failure::failed(say!(words, "walk-terminal", error = error.to_string()))
}

struct Talk<'a> {
    input: &'a mut dyn BufRead,
    out: &'a mut dyn Write,
    words: Words,
}

impl Talk<'_> {
    /// A line or several, broken at spaces to fit a serial console; what ends without a line's end waits for
    /// an answer behind it.
    fn say(&mut self, text: &str) -> Result<(), Failure> {
        let mut text = text;
        let mut wrapped = String::new();
        let indent = text.trim_start_matches('\n');
        wrapped.push_str(&text[..text.len() - indent.len()]);
        text = indent;
        let ends = text.ends_with('\n');
        let left = " ".repeat(text.len() - text.trim_start_matches(' ').len());
        let mut rows = Vec::new();
        for line in text.lines() {
            rows.extend(wrap(line, COLUMNS - left.len() - 2, 20));
        }
        wrapped.push_str(&rows.iter().map(|row| format!("{left}{row}")).collect::<Vec<_>>().join("\n"));
        wrapped.push_str(if ends {
            "\n"
        } else if text.ends_with(' ') {
            " "
        } else {
            ""
        });
        let text = wrapped.as_str();
        self.out
            .write_all(text.as_bytes())
            .and_then(|()| self.out.flush())
            .map_err(|error| io_failed(&error, self.words))
    }

    /// A line, trimmed; a failure once nothing can come any more.
    fn ask(&mut self, question: &str) -> Result<String, Failure> {
        self.say(&format!("{question} "))?;
        let mut line = String::new();
        let read = self.input.read_line(&mut line).map_err(|error| io_failed(&error, self.words))?;
        if read == 0 {
            return Err(Failure::failed(say!(self.words, "walk-broken-off")));
        }
        Ok(line.trim().to_owned())
    }

    fn yes(&mut self, indent: &str, question: &str) -> Result<bool, Failure> {
        let question = say!(self.words, "walk-yes", question = question);
        // In any language: who types the other one means it too.
        let answer = self.ask(&format!("{indent}{question}"))?.to_lowercase();
        Ok(matches!(answer.as_str(), "y" | "yes" | "s" | "si" | "sí"))
    }
}

/// Walks through a service; takes up one that is on.
pub(in crate::cli) fn through(
    arguments: &Arguments,
    input: &mut dyn BufRead,
    out: &mut dyn Write,
    words: Words,
) -> Outcome {
    let mut talk = Talk { input, out, words };
    let now = |arguments: &Arguments| -> Result<Option<OutStatus>, Failure> {
        Ok(measured(&arguments.daemon.status()?, &arguments.probe))
    };
    talk.say(&format!("{}\n", say!(words, "walk-caution")))?;
    let mut own = match now(arguments)? {
        Some(own) => {
            talk.say(&format!("{}\n", say!(words, "walk-going-on", probe = &arguments.probe)))?;
            own
        }
        None => {
            if !talk.yes("", &say!(words, "walk-begin", probe = &arguments.probe))? {
                talk.say(&format!("{}\n", say!(words, "walk-nothing")))?;
                return Ok(DONE);
            }
            take(arguments, StepAsk::Begin { seconds: None }, words)?;
            let Some(own) = now(arguments)? else { return Ok(DONE) };
            own
        }
    };
    // What is adopted is not read on: the probe reads adjusted values since.
    if !own.adopted {
        until_standards(arguments, &mut talk, &own)?;
    }
    if let Some(fresh) = now(arguments)? {
        own = fresh;
    }
    talk.say(&format!("\n{}\n", say!(words, "walk-found")))?;
    for line in previews(&own, words) {
        talk.say(&format!("   {line}\n"))?;
    }
    let can_adopt = own.previews.iter().any(|preview| preview.gain.is_some());
    if can_adopt && !own.adopted && talk.yes("   ", &say!(words, "walk-adopt"))? {
        match take(arguments, StepAsk::Adopt, words) {
            Ok(()) => talk.say(&format!("   {}\n", say!(words, "walk-adopted")))?,
            Err(failure) => {
                let why = say!(words, "walk-not-adopted", why = failure.message);
                talk.say(&format!("   {why}\n"))?;
            }
        }
    }
    talk.ask(&format!("\n{}", say!(words, "walk-end")))?;
    take(arguments, StepAsk::End, words)?;
    talk.say(&format!("{}\n", say!(words, "walk-back")))?;
    Ok(DONE)
}

/// Readings before and after cleaning, then standards.
fn until_standards(arguments: &Arguments, talk: &mut Talk<'_>, own: &OutStatus) -> Result<(), Failure> {
    let words = talk.words;
    if !own.cleaned {
        talk.say(&format!("\n{}\n", say!(words, "walk-before")))?;
        readings(arguments, talk, own, StepAsk::Before)?;
        talk.ask(&format!("\n{}", say!(words, "walk-clean")))?;
        take(arguments, StepAsk::Cleaned, words)?;
        talk.say(&format!("\n{}\n", say!(words, "walk-after")))?;
        readings(arguments, talk, own, StepAsk::After)?;
    }
    talk.say(&format!("\n{}\n", say!(words, "walk-standards")))?;
    for (quantity, name, accepted) in asked(own) {
        let Some(accepted) = accepted else { continue };
        let question = say!(words, "walk-standard", name = words.get(name), accepted = words.get(accepted));
        loop {
            let standard = talk.ask(&format!("   {question}"))?;
            if standard.is_empty() {
                break;
            }
            let act = StepAsk::Standard {
                quantity: quantity.to_owned(),
                standard,
                reading: None,
                millivolts: None,
                temperature_c: None,
                salinity_psu: None,
            };
            match take(arguments, act, words) {
                Ok(()) => talk.say(&format!("   {}\n", say!(words, "walk-taken")))?,
                Err(failure) => talk.say(&format!("   {}\n", failure.message))?,
            }
        }
    }
    Ok(())
}

/// Asks for the hand meter's readings.
fn readings(
    arguments: &Arguments,
    talk: &mut Talk<'_>,
    own: &OutStatus,
    make: fn(BesideAsk) -> StepAsk,
) -> Result<(), Failure> {
    let words = talk.words;
    for (quantity, name, _) in asked(own) {
        let question = say!(words, "walk-hand", name = words.get(name));
        loop {
            let answer = talk.ask(&format!("   {question}"))?;
            if answer.is_empty() {
                break;
            }
            let hand = match answer.as_str() {
                "-" => None,
                text => match text.replace(',', ".").parse::<f64>() {
                    Ok(value) => Some(value),
                    Err(_) => {
                        talk.say(&format!("   {}\n", say!(words, "walk-number")))?;
                        continue;
                    }
                },
            };
            let act = make(BesideAsk { quantity: quantity.to_owned(), hand, reading: None });
            match take(arguments, act, words) {
                Ok(()) => break,
                Err(failure) => talk.say(&format!("   {}\n", failure.message))?,
            }
        }
    }
    Ok(())
}
