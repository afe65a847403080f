//! `pondreeve why`: what an alarm or an advice rests on.

use super::plain::COLUMNS;
use crate::console::explanation;
use crate::console::text::FarmClock;
use crate::exit_code::{Failure, Outcome};
use crate::local::protocol::{Ask, Reply};
use crate::local::why::WhyStatus;
use crate::texts::said::told as told_in;
use crate::texts::{Words, say};

const AFTER: &str = "\
Takes the id of any alarm, in alarm or not, or the id of a pond for its advice.
Shows what it says now, what raises and what clears it, where the limit comes
from, every reading that counts with its flag, its age and the tests that
dislike it, the formulas with the numbers put in, what the forecast assumed,
and, for oxygen and pH, whether the clues point to the probe or to the water.

With --json: one JSON object, times in UTC.

Examples:
  pondreeve why p1.do-low-critical
  pondreeve why p1
  pondreeve why p1.probe-fault.p1-do --json";

/// Arguments of `why`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// An alarm's id, as `pondreeve alarms` shows it, or a pond's id
    #[arg(value_name = "ID")]
    pub id: String,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Explains an alarm or an advice.
///
/// # Errors
/// When no daemon answers, or the id is of nothing.
pub fn run(arguments: &Arguments) -> Outcome {
    match arguments.daemon.ask(Ask::Why { id: arguments.id.clone() })? {
        Reply::Why(mut why) if arguments.json => {
            why.said = None;
            super::print(&super::json_line(&*why)?)
        }
        Reply::Why(why) => {
            let words = arguments.speech.words(&arguments.daemon.status()?)?;
            super::print_plain(&told(&why, words))
        }
        Reply::Error { message, said, bad_request: true } => {
            let words = arguments.speech.words_by(&arguments.daemon)?;
            let why = told_in(words, &message, said.as_deref());
            Err(Failure::usage(say!(words, "why-not-explained", id = &arguments.id, why = why)))
        }
        other => Err(arguments.daemon.unexpected(&other)),
    }
}

/// In plain lines of at most 80 columns.
fn told(why: &WhyStatus, words: Words) -> String {
    let clock = FarmClock::new(&why.at, why.time_zone_offset_s).read_in(words);
    let mut out = String::new();
    for line in explanation::lines(why, clock, COLUMNS) {
        out.push_str(&line.text);
        out.push('\n');
    }
    out
}
