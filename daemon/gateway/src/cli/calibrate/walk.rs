//! The service in a conversation: one question after the other, on any terminal.

use std::io::{BufRead, Write};

use super::super::plain::COLUMNS;
use super::{Arguments, measured, previews, take};
use crate::console::text::wrap;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::service::{BesideAsk, OutStatus, StepAsk};

const CAUTION: &str = "Switch off and lock what drives the aerators before you reach into the pond. Do not work \
                       alone at night. Rinse with clean water; no acid, no abrasive on an oxygen cap.\n";

/// Quantities that are asked for, with their names, their standards and whether they are adjusted.
const ASKED: [(&str, &str, &str, bool); 5] = [
    ("do_mg_l", "oxygen, mg/L", "air, zero or a number", true),
    ("ph", "pH", "buffer7, buffer10, buffer4 or a number", true),
    ("salinity_psu", "salinity, PSU", "a number near that of the pond", true),
    ("conductivity_ms_cm", "conductivity, mS/cm", "a number near that of the pond", true),
    ("temperature_c", "temperature, C", "", false),
];

/// Those that this probe measures.
fn asked(own: &OutStatus) -> Vec<(&'static str, &'static str, &'static str, bool)> {
    ASKED.into_iter().filter(|(quantity, ..)| own.measures.iter().any(|known| known == quantity)).collect()
}

fn io_failed(error: &std::io::Error) -> Failure {
    Failure::failed(format!("the terminal could not be read or written: {error}"))
}

struct Talk<'a> {
    input: &'a mut dyn BufRead,
    out: &'a mut dyn Write,
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
        self.out.write_all(text.as_bytes()).and_then(|()| self.out.flush()).map_err(|error| io_failed(&error))
    }

    /// A line, trimmed; a failure once nothing can come any more.
    fn ask(&mut self, question: &str) -> Result<String, Failure> {
        self.say(&format!("{question} "))?;
        let mut line = String::new();
        let read = self.input.read_line(&mut line).map_err(|error| io_failed(&error))?;
        if read == 0 {
            return Err(Failure::failed(
                "the conversation was broken off; the probe stays out of service and returns by itself: go on with the same command".to_owned(),
            ));
        }
        Ok(line.trim().to_owned())
    }

    fn yes(&mut self, question: &str) -> Result<bool, Failure> {
        Ok(matches!(self.ask(&format!("{question} [y/N]"))?.as_str(), "y" | "Y" | "yes"))
    }
}

/// Walks through a service; takes up one that is on.
pub(super) fn through(arguments: &Arguments, input: &mut dyn BufRead, out: &mut dyn Write) -> Outcome {
    let mut talk = Talk { input, out };
    let now = |arguments: &Arguments| -> Result<Option<OutStatus>, Failure> {
        Ok(measured(&arguments.daemon.status()?, &arguments.probe))
    };
    talk.say(CAUTION)?;
    let mut own = match now(arguments)? {
        Some(own) => {
            talk.say(&format!("{} is out of service already: going on.\n", arguments.probe))?;
            own
        }
        None => {
            let question = format!("Take {} out of service for half an hour now?", arguments.probe);
            if !talk.yes(&question)? {
                talk.say("Nothing was done.\n")?;
                return Ok(DONE);
            }
            take(arguments, StepAsk::Begin { seconds: None })?;
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
    talk.say("\n5. What was found:\n")?;
    for line in previews(&own) {
        talk.say(&format!("   {line}\n"))?;
    }
    let can_adopt = own.previews.iter().any(|preview| preview.gain.is_some());
    if can_adopt && !own.adopted && talk.yes("   Adopt?")? {
        match take(arguments, StepAsk::Adopt) {
            Ok(()) => talk.say("   Adopted.\n")?,
            Err(failure) => talk.say(&format!("   NOT adopted: {}\n", failure.message))?,
        }
    }
    talk.ask("\n6. Put it back into the pond. Then Enter: it is in service again.")?;
    take(arguments, StepAsk::End)?;
    talk.say("Back in service.\n")?;
    Ok(DONE)
}

/// Readings before and after cleaning, then standards.
fn until_standards(arguments: &Arguments, talk: &mut Talk<'_>, own: &OutStatus) -> Result<(), Failure> {
    if !own.cleaned {
        talk.say("\n1. Before cleaning: hand meter beside the probe. Empty to leave one out.\n")?;
        readings(arguments, talk, own, StepAsk::Before)?;
        talk.ask("\n2. Clean it, put it back into the pond, wait until it reads steadily. Then Enter.")?;
        take(arguments, StepAsk::Cleaned)?;
        talk.say("\n3. After cleaning: hand meter beside the probe again.\n")?;
        readings(arguments, talk, own, StepAsk::After)?;
    }
    talk.say(
        "\n4. Standards: put it in, wait until it reads steadily, then name the standard. Empty when done.\n",
    )?;
    for (quantity, name, accepted, _) in asked(own).into_iter().filter(|(.., adjusted)| *adjusted) {
        loop {
            let standard = talk.ask(&format!("   {name} ({accepted}):"))?;
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
            match take(arguments, act) {
                Ok(()) => talk.say("   taken.\n")?,
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
    for (quantity, name, ..) in asked(own) {
        loop {
            let answer = talk.ask(&format!("   {name} (- without a hand meter):"))?;
            if answer.is_empty() {
                break;
            }
            let hand = match answer.as_str() {
                "-" => None,
                text => match text.replace(',', ".").parse::<f64>() {
                    Ok(value) => Some(value),
                    Err(_) => {
                        talk.say("   Accepted is a number, - or nothing.\n")?;
                        continue;
                    }
                },
            };
            let act = make(BesideAsk { quantity: quantity.to_owned(), hand, reading: None });
            match take(arguments, act) {
                Ok(()) => break,
                Err(failure) => talk.say(&format!("   {}\n", failure.message))?,
            }
        }
    }
    Ok(())
}
