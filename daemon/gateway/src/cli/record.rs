//! `pondreeve record`: what people did to a pond.

use std::io::{BufRead as _, IsTerminal as _, Write as _};

use clap::Subcommand;

use crate::exit_code::{Failure, Outcome};
use crate::local::diary::{EntryAsk, RecordAsk, RecordedStatus};
use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::texts::said::told as told_in;
use crate::texts::{Words, say};

mod kinds;
pub(super) mod list;
pub(super) mod time;
pub(super) mod told;

pub(crate) use list::{columns as deed_columns, csv_row as deed_csv_row};

const AFTER: &str = "\
Each kind says what it takes: pondreeve record dose --help.

TIME is a clock time of the farm within the last 24 hours, such as 06:30; a day
and a time of the farm, such as \"2026-03-01 06:30\"; or RFC 3339 with an offset,
such as 2026-03-01T11:30:00Z. Without it: now. Who records is known by login.

Nothing is overwritten. --correct NUMBER records the entry anew, in place of
the one with that number, which stays visible as superseded; `withdraw` takes
an entry back. Say everything anew but the time, which stays unless --at is
given.

An entry is on disk for good when the command says so.

Examples:
  pondreeve record --pond p1 dose --slurry-kg 30 --lot M-17 --containers 1.2
  pondreeve record --pond p1 count --lot M-17 --left 12.5
  pondreeve record --pond p1 sampling --count 80 --grams 712
  pondreeve record --pond p1 exchange --level-before 1.5 --level-after 1.3
  pondreeve record --pond p2 disturbance --stop 11:30 bank broke, sea water ran in
  pondreeve record --pond p1 feed --kg 38 --at 06:45 --correct 17
  pondreeve record --pond p1 list --days 3";

/// Arguments of `record`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER, disable_help_subcommand = true)]
pub struct Arguments {
    /// The pond it was done to
    #[arg(long, global = true, display_order = 100, value_name = "ID")]
    pub pond: Option<String>,
    /// When it happened or began
    #[arg(long, global = true, display_order = 100, value_name = "TIME", visible_alias = "start")]
    pub at: Option<String>,
    /// Record it in place of the entry of this number
    #[arg(
        long,
        global = true,
        display_order = 100,
        value_name = "NUMBER",
        value_parser = super::numbers::number_of("usage-an-entry")
    )]
    pub correct: Option<u64>,
    /// Print JSON, one object a line
    #[arg(long, global = true, display_order = 100)]
    pub json: bool,
    /// What was done
    #[command(subcommand)]
    pub what: What,
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// What was done.
#[derive(Debug, Clone, Subcommand)]
pub enum What {
    /// Mineral slurry was given: weighed, measured out or counted in containers
    Dose(kinds::Dose),
    /// Fed
    Feed(kinds::Feed),
    /// Water was let out
    Drain(kinds::Water),
    /// Water was replaced
    Exchange(kinds::Water),
    /// A sample was counted and weighed: average body weight
    Sampling(kinds::Sampling),
    /// Stocked: the day of culture counts from here
    Stocking(kinds::Stocking),
    /// Dead shrimp were found
    Mortality(kinds::Mortality),
    /// Harvested, in part or all
    Harvest(kinds::Harvest),
    /// The sludge was looked at
    Sludge(kinds::Sludge),
    /// Containers of slurry were counted: held against the count before and the doses since
    Count(kinds::Count),
    /// Something upset the pond (a storm, a moult): trials leave its days out
    Disturbance(kinds::Disturbance),
    /// The weather, in words
    Weather(kinds::Words),
    /// Money spent on something
    Cost(kinds::Cost),
    /// What a unit of something costs or brings
    Price(kinds::Price),
    /// Anything else, in words
    Note(kinds::Words),
    /// Take an entry back, with the reason
    Withdraw(kinds::Withdraw),
    /// Print what was done on the last days
    List(list::Arguments),
}

/// Records, or lists what was recorded.
///
/// # Errors
/// When something is not accepted, no daemon answers, or it could not be kept. Nothing is recorded then.
pub fn run(arguments: &Arguments) -> Outcome {
    let farm = arguments.daemon.status()?;
    let words = arguments.speech.words_to_act(&farm)?;
    if let Some(pond) = &arguments.pond {
        super::known_pond(&farm, pond, words)?;
    }
    if let What::List(own) = &arguments.what {
        return list::run(arguments, own, &farm, words);
    }
    let Some(pond) = &arguments.pond else {
        return Err(Failure::usage(say!(words, "recorded-no-pond", known = super::pond_ids(&farm))));
    };
    let at = arguments.at.as_deref().map(|text| time::read("--at", text, &farm, words)).transpose()?;
    let (entry, corrects) = kinds::entry(&arguments.what, arguments.correct, at, &farm, words)?;
    let ask = RecordAsk { pond: pond.clone(), entry, at: at.map(|at| at.to_string()), corrects };
    match arguments.daemon.ask(Ask::Record(Box::new(ask.clone())))? {
        Reply::Unsure { message, said } => {
            let message = told_in(words, &message, said.as_deref());
            if !can_ask(arguments) || !is_so(&message, words)? {
                return Err(Failure::usage(say!(words, "recorded-unsure", message = message)));
            }
            let ask = confirmed(ask);
            let reply = arguments.daemon.ask(Ask::Record(Box::new(ask.clone())))?;
            kept(arguments, &farm, (ask, reply), words)
        }
        reply => kept(arguments, &farm, (ask, reply), words),
    }
}

fn can_ask(arguments: &Arguments) -> bool {
    !arguments.json && std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
}

/// The dose of an entry anew, with the reason for it.
fn with_reason(ask: RecordAsk, number: u64, reason: &str) -> RecordAsk {
    let mut ask = RecordAsk { corrects: Some(number), ..ask };
    if let EntryAsk::Dose(dose) = &mut ask.entry {
        dose.reason = Some(reason.to_owned());
    }
    ask
}

/// The same, with the mismatch confirmed.
fn confirmed(mut ask: RecordAsk) -> RecordAsk {
    if let EntryAsk::Dose(dose) = &mut ask.entry {
        dose.confirm_mismatch = true;
    }
    ask
}

fn is_so(message: &str, words: Words) -> Result<bool, Failure> {
    let question = format!("{message}.\n{} ", say!(words, "recorded-was-it-so"));
    let answer = answered(&question)
        .map_err(|error| Failure::failed(say!(words, "recorded-not-asked", error = error.to_string())))?;
    Ok(matches!(answer.to_lowercase().as_str(), "yes" | "y" | "sí" | "si" | "s"))
}

/// Asks on the terminal.
fn answered(question: &str) -> std::io::Result<String> {
    let mut out = std::io::stderr().lock();
    out.write_all(question.as_bytes())?;
    out.flush()?;
    let mut answer = String::new();
    std::io::stdin().lock().read_line(&mut answer)?;
    Ok(answer.trim().to_owned())
}

fn kept(arguments: &Arguments, farm: &FarmStatus, (ask, reply): (RecordAsk, Reply), words: Words) -> Outcome {
    let recorded = taken(arguments, reply, words)?;
    if arguments.json {
        return super::print(&super::json_line(&*recorded)?);
    }
    let done = super::print_plain(&told::recorded(farm, &recorded, words))?;
    // It is recorded already: whoever leaves the question unanswered loses nothing.
    let Some(number) = recorded.entry.number.filter(|_| recorded.wants_reason && can_ask(arguments)) else {
        return Ok(done);
    };
    let reason = answered(&format!("{} ", say!(words, "recorded-why"))).unwrap_or_default();
    if reason.is_empty() {
        return Ok(done);
    }
    let again = Ask::Record(Box::new(with_reason(ask, number, &reason)));
    let recorded = taken(arguments, arguments.daemon.ask(again)?, words)?;
    super::print_plain(&told::recorded(farm, &recorded, words))
}

fn taken(arguments: &Arguments, reply: Reply, words: Words) -> Result<Box<RecordedStatus>, Failure> {
    match reply {
        Reply::Recorded(recorded) => Ok(recorded),
        Reply::Done { warning: Some(warning), warning_said, .. } => {
            Err(Failure::failed(told_in(words, &warning, warning_said.as_deref())))
        }
        other => Err(arguments.daemon.refused(&other, words)),
    }
}
