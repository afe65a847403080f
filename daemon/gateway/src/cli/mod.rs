//! The commands of `pondreeve`, one file each.
//!
//! Each file has a `#[derive(clap::Args)] pub struct Arguments` and a
//! `pub fn run(&Arguments) -> Outcome`: what it prints goes to standard output, the one message of a
//! failure is printed here, to standard error. A command that waits on a network or a socket does so
//! in a runtime of its own.

use std::future::Future;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{CommandFactory as _, FromArgMatches as _, Parser, Subcommand};

use crate::config::Farm;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::client::{self, ClientError};
use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::texts::recognised::recognised;
use crate::texts::said::told;
use crate::texts::{Words, english, say};
pub(crate) use replay::At;
#[cfg(test)]
pub(crate) use spanish_tests::{english_in, spanish};
pub use speech::Speech;
pub(crate) use speech::spoken;

pub mod acknowledge;
pub mod alarms;
pub mod backup;
pub mod calc;
pub mod calibrate;
pub mod check;
pub mod commission;
pub mod console;
pub mod enter;
pub mod evidence;
pub mod export;
mod export_audit;
mod export_diary;
mod export_parquet;
mod export_senml;
pub mod frames;
mod help;
pub mod limit;
pub mod manual;
mod numbers;
mod plain;
pub mod plan;
mod plan_balance;
mod plan_feed;
pub mod record;
pub mod replay;
pub mod report;
pub mod run;
pub mod salvage;
pub mod scan;
pub mod shelve;
#[cfg(test)]
mod spanish_acts_tests;
#[cfg(test)]
mod spanish_plans_tests;
#[cfg(test)]
mod spanish_tests;
pub(crate) mod speech;
pub mod status;
pub mod trial;
mod usage;
pub mod verify;
pub mod why;
pub mod wrong_dose;

/// What is typed.
#[derive(Debug, Parser)]
#[command(
    name = "pondreeve",
    version,
    about = "Watches shrimp ponds: reads probes, raises alarms, says when to aerate.",
    after_help = AFTER,
    disable_help_subcommand = true,
    max_term_width = 80
)]
pub struct Program {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

impl Program {
    /// Its name.
    const NAME: &str = "pondreeve";
}

const AFTER: &str = "\
Exit status: 0 done, 1 tried and failed, 2 wrong usage, configuration or input.

pondreeve gives advice. It never switches an aerator. A probe sees one spot at
one depth: if in doubt, start aerators and look.";

/// One of the commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the daemon: watch the ponds until told to stop
    Run(run::Arguments),
    /// Check a configuration: every problem with its place and the mend
    Check(check::Arguments),
    /// Open the technician's full-screen terminal
    Console(console::Arguments),
    /// Show every pond in plain lines: values, tonight's forecast, advice
    Status(status::Arguments),
    /// List the alarms that stand or wait to be acknowledged
    Alarms(alarms::Arguments),
    /// Say that you have seen an alarm and are acting on it
    Acknowledge(acknowledge::Arguments),
    /// List the limits of a pond's alarms, change one, or take a change back
    Limit(limit::Arguments),
    /// Put an alarm aside for a while, with a reason
    Shelve(shelve::Shelve),
    /// Take a shelved alarm back before its time
    Unshelve(shelve::Unshelve),
    /// Say that you have checked what a latched alarm told of
    Reset(shelve::Reset),
    /// Explain an alarm, or a pond's advice: inputs, limits, formulas, sources
    Why(why::Arguments),
    /// Clean, check and calibrate a probe: out of service, standards, back again
    Calibrate(calibrate::Arguments),
    /// Plan a dose: how much, what it does to the water, and whether now is the time
    Plan(plan::Arguments),
    /// Enter test-kit and hand-meter readings
    Enter(enter::Arguments),
    /// Record what was done to a pond: doses, feed, water let out, samples, harvests
    Record(record::Arguments),
    /// Fix what a trial will compare before its first dose, or show what was fixed
    Trial(trial::Arguments),
    /// Say what a trial came to: treated pond against control, with its doubt
    Evidence(evidence::Arguments),
    /// Put recorded readings through the whole pipeline
    Replay(replay::Arguments),
    /// Print what the store keeps, as CSV, SenML or Parquet
    Export(export::Arguments),
    /// Write the crop report: one HTML page, and its tables as CSV
    Report(report::Arguments),
    /// Copy the store while the daemon runs
    Backup(backup::Arguments),
    /// Check a backup, or a store that is not in use
    Verify(verify::Arguments),
    /// Make a new store of a backup, or of what a damaged store still has
    Salvage(salvage::Arguments),
    /// Look for probes on a serial line: who answers, what it reads, the configuration
    Scan(scan::Arguments),
    /// Check a whole installation before it is handed over, and write its sheet
    Commission(commission::Arguments),
    /// Read a captured line again with a profile: what was asked, what it says
    Frames(frames::Arguments),
    /// The chemistry as a calculator: JSON lines in, JSON lines out
    Calc(calc::Arguments),
    /// Print what a shell completes
    Completions(manual::Completions),
    /// Print or write the manual pages
    Manual(manual::Manual),
}

/// Where the daemon listens if nothing else is configured.
const SOCKET: &str = "/run/pondreeve/pondreeve.sock";

/// How to reach the running daemon.
#[derive(Debug, Clone, clap::Args)]
pub struct Daemon {
    /// The socket of the running daemon
    #[arg(
        long,
        global = true,
        value_name = "PATH",
        env = "PONDREEVE_SOCKET",
        default_value = SOCKET
    )]
    pub socket: PathBuf,
}

/// Reads the command line, does what it says, and reports a failure on standard error.
pub fn main() -> ExitCode {
    let typed: Vec<_> = std::env::args_os().collect();
    speech::begin(&typed, |name| std::env::var(name).ok());
    // Help goes to standard output with status 0, usage errors to standard error with 2.
    let program = help::in_language(numbers::take_negative(Program::command()), spoken())
        .try_get_matches_from(typed)
        .and_then(|matches| Program::from_arg_matches(&matches))
        .unwrap_or_else(|error| usage::exit(&error, spoken()));
    let outcome = match &program.command {
        Command::Run(arguments) => run::run(arguments),
        Command::Check(arguments) => check::run(arguments),
        Command::Console(arguments) => console::run(arguments),
        Command::Status(arguments) => status::run(arguments),
        Command::Alarms(arguments) => alarms::run(arguments),
        Command::Acknowledge(arguments) => acknowledge::run(arguments),
        Command::Limit(arguments) => limit::run(arguments),
        Command::Shelve(arguments) => shelve::shelve(arguments),
        Command::Unshelve(arguments) => shelve::unshelve(arguments),
        Command::Reset(arguments) => shelve::reset(arguments),
        Command::Why(arguments) => why::run(arguments),
        Command::Calibrate(arguments) => calibrate::run(arguments),
        Command::Plan(arguments) => plan::run(arguments),
        Command::Enter(arguments) => enter::run(arguments),
        Command::Record(arguments) => record::run(arguments),
        Command::Trial(arguments) => trial::run(arguments),
        Command::Evidence(arguments) => evidence::run(arguments),
        Command::Replay(arguments) => replay::run(arguments),
        Command::Export(arguments) => export::run(arguments),
        Command::Report(arguments) => report::run(arguments),
        Command::Backup(arguments) => backup::run(arguments),
        Command::Verify(arguments) => verify::run(arguments),
        Command::Salvage(arguments) => salvage::run(arguments),
        Command::Scan(arguments) => scan::run(arguments),
        Command::Commission(arguments) => commission::run(arguments),
        Command::Frames(arguments) => frames::run(arguments),
        Command::Calc(arguments) => calc::command(arguments),
        Command::Completions(arguments) => manual::completions(arguments),
        Command::Manual(arguments) => manual::manual(arguments),
    };
    match outcome {
        Ok(status) => ExitCode::from(status),
        Err(Failure { status, message }) => {
            // Nobody may be left to read it; the status still tells.
            let message = message.trim_end();
            // A report on a configuration minds the terminal itself, and may have colours.
            let is_told = spoken() != english() && !message.contains('\u{1b}');
            let message = if is_told { help::plain(message) } else { format!("{message}\n") };
            let _ = write!(std::io::stderr(), "pondreeve: {message}");
            ExitCode::from(status)
        }
    }
}

/// Reads and checks a configuration.
fn load_farm(path: &Path) -> Result<Farm, Failure> {
    crate::config::load(path).map_err(|error| {
        let path = path.display().to_string();
        Failure::usage(format!("{}\n{error}", say!(spoken(), "command-no-configuration", path = path)))
    })
}

/// Waits for a future in a runtime of its own: these commands do one thing and end.
fn wait_for<T>(future: impl Future<Output = T>) -> Result<T, Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::failed(say!(spoken(), "command-no-runtime", error = error_in(&error))))?;
    Ok(runtime.block_on(future))
}

impl Daemon {
    /// Asks the running daemon one thing.
    fn ask(&self, ask: Ask) -> Result<Reply, Failure> {
        let reply = wait_for(async {
            let mut client = client::connect(&self.socket).await?;
            client.ask(ask).await
        })?;
        reply.map_err(|error: ClientError| unreached(&error))
    }

    /// The farm as the daemon sees it now.
    fn status(&self) -> Result<FarmStatus, Failure> {
        match self.ask(Ask::Status)? {
            Reply::Status(status) => {
                speech::heard(&status);
                Ok(*status)
            }
            other => Err(self.unexpected(&other)),
        }
    }

    /// The texts of its farm, as far as a daemon answers; what is asked of it next says if none does.
    fn words(&self) -> Words {
        let _ = self.status();
        spoken()
    }

    /// The failure that an answer of the wrong kind is, in the language that is spoken so far.
    fn unexpected(&self, reply: &Reply) -> Failure {
        self.refused(reply, spoken())
    }

    /// The same as its farm reads it.
    fn refused(&self, reply: &Reply, words: Words) -> Failure {
        match reply {
            Reply::Error { message, said, bad_request } => {
                let message = told(words, message, said.as_deref());
                if *bad_request { Failure::usage(message) } else { Failure::failed(message) }
            }
            _ => {
                Failure::failed(say!(words, "command-other-answer", path = self.socket.display().to_string()))
            }
        }
    }
}

/// The failure that no answer is.
fn unreached(error: &ClientError) -> Failure {
    Failure::failed(error.told(spoken()))
}

/// Refuses a pond that is not on the farm.
fn known_pond(farm: &FarmStatus, id: &str, words: Words) -> Result<(), Failure> {
    if farm.ponds.iter().any(|pond| pond.id == id) {
        return Ok(());
    }
    Err(Failure::usage(say!(words, "command-no-pond", id = id, known = pond_ids(farm))))
}

/// Ids of the farm's ponds, as a refusal names them.
fn pond_ids(farm: &FarmStatus) -> String {
    let known: Vec<&str> = farm.ponds.iter().map(|pond| pond.id.as_str()).collect();
    known.join(", ")
}

/// Prints text for a person: nothing in it can steer the terminal, and where the terminal knows no
/// UTF-8 it is spelt in ASCII.
fn print_plain(text: &str) -> Outcome {
    print(&help::plain(text))
}

/// Whether the terminal knows UTF-8.
fn is_utf8() -> bool {
    let set = |name| std::env::var(name).ok().filter(|value| !value.is_empty());
    let locale = set("LC_ALL").or_else(|| set("LC_CTYPE")).or_else(|| set("LANG")).unwrap_or_default();
    let locale = locale.to_ascii_lowercase();
    locale.contains("utf-8") || locale.contains("utf8")
}

/// Prints text to standard output. The end of a reader (`pondreeve status | head`) is a quiet end.
fn print(text: &str) -> Outcome {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Ok(()) => Ok(DONE),
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(DONE),
        Err(error) => Err(unwritten(&error)),
    }
}

/// The failure that standard output cannot be written is.
fn unwritten(error: &std::io::Error) -> Failure {
    Failure::failed(say!(spoken(), "command-no-output", error = error_in(error)))
}

/// What the system says of a fault, in the language that is spoken.
fn error_in(error: &std::io::Error) -> String {
    recognised(spoken(), &error.to_string())
}

/// The failure that an answer cannot be written as JSON is.
fn no_json(error: &serde_json::Error) -> Failure {
    Failure::failed(say!(spoken(), "command-no-json", error = error.to_string()))
}

/// One JSON object as a line.
fn json_line(object: &impl serde::Serialize) -> Result<String, Failure> {
    let mut line = serde_json::to_string(object).map_err(|error| no_json(&error))?;
    line.push('\n');
    Ok(line)
}

/// What is shown, no line of it wider than a serial console, also where that has no letter but those of ASCII.
#[cfg(test)]
fn fits(shown: &str) -> &str {
    for line in shown.lines() {
        assert!(line.chars().count() <= 80, "wider than a serial console: {line}");
        let spelt = crate::console::text::clean(line, false);
        assert!(spelt.chars().count() <= 80, "wider than a serial console: {spelt}");
    }
    shown
}
