//! `pondreeve plan wrong-dose`: what to do after a dose went wrong.

use std::fmt::Write as _;

use clap::builder::PossibleValue;
use pondreeve_core::dosing::recovery::Mistake;
use serde_json::json;

use super::plain::paragraph;
use crate::exit_code::{DONE, Outcome};
use crate::texts::recognised::recognised;
use crate::texts::{Words, say};

/// One mistake, as the command line names it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Named(Mistake);

impl clap::ValueEnum for Named {
    fn value_variants<'a>() -> &'a [Self] {
        const ALL: [Named; Mistake::ALL.len()] = {
            let mut all = [Named(Mistake::TooMuch); Mistake::ALL.len()];
            let mut place = 0;
            while place < all.len() {
                all[place] = Named(Mistake::ALL[place]);
                place += 1;
            }
            all
        };
        &ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        Some(PossibleValue::new(self.0.id()).help(self.0.name()))
    }
}

/// Arguments of `plan wrong-dose`.
#[derive(Debug, Clone, clap::Args)]
pub struct Arguments {
    /// What went wrong; without it the steps of every mistake
    pub mistake: Option<Named>,
    /// Print JSON, one object a mistake
    #[arg(long)]
    pub json: bool,
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
    /// Where the daemon listens, if it runs: it knows the farm's language
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Prints the steps.
///
/// # Errors
/// When they cannot be printed.
pub fn run(arguments: &Arguments) -> Outcome {
    let wanted = Mistake::ALL.into_iter().filter(|own| arguments.mistake.is_none_or(|named| named.0 == *own));
    if arguments.json {
        let mut out = String::new();
        for mistake in wanted {
            let line = json!({ "mistake": mistake.id(), "name": mistake.name(), "steps": mistake.steps() });
            let _ = writeln!(out, "{line}");
        }
        return super::print(&out);
    }
    let words = arguments.speech.words_by(&arguments.daemon)?;
    super::print_plain(&told(wanted, words)).map(|_| DONE)
}

pub(super) fn told(mistakes: impl Iterator<Item = Mistake>, words: Words) -> String {
    let mut out = String::new();
    for mistake in mistakes {
        let _ = writeln!(out, "{} ({})", recognised(words, mistake.name()), mistake.id());
        for (number, step) in mistake.steps().into_iter().enumerate() {
            paragraph(&mut out, &format!("  {}. ", number + 1), "     ", &recognised(words, step));
        }
        out.push('\n');
    }
    paragraph(&mut out, "", "", &say!(words, "plan-wrong-end"));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_steps_after_a_wrong_dose() {
        insta::assert_snapshot!(told(Mistake::ALL.into_iter(), crate::texts::english()));
    }
}
