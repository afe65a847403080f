//! The commands of `pondreeve`, one file each.
//!
//! Each file has a `#[derive(clap::Args)] pub struct Arguments` and a
//! `pub fn run(&Arguments) -> Outcome`: what it prints goes to standard output, the one message of a
//! failure is printed here, to standard error. A command that waits on a network or a socket builds
//! its own runtime.

use std::io::Write as _;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::exit_code::{DONE, Failure, Outcome};

pub mod calc;
pub mod replay;
pub mod run;

/// What is typed.
#[derive(Debug, Parser)]
#[command(name = "pondreeve", version, about = ABOUT, after_help = AFTER, disable_help_subcommand = true, max_term_width = 80)]
pub struct Program {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

const ABOUT: &str = "Watches shrimp ponds: reads probes, raises alarms, says when to aerate.";

const AFTER: &str = "\
Exit status: 0 done, 1 tried and failed, 2 wrong usage, configuration or input.

pondreeve gives advice. It never switches an aerator. A probe sees one spot at
one depth: if in doubt, start aerators and look.";

/// One of the commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the daemon: watch the ponds until told to stop
    Run(run::Arguments),
    /// Put recorded readings through the whole pipeline
    Replay(replay::Arguments),
    /// The chemistry as a calculator: JSON lines in, JSON lines out
    Calc(calc::Arguments),
}

/// Reads the command line, does what it says, and reports a failure on standard error.
pub fn main() -> ExitCode {
    // Clap prints help to standard output with status 0, usage errors to standard error with 2.
    let program = Program::parse();
    let outcome = match &program.command {
        Command::Run(arguments) => run::run(arguments),
        Command::Replay(arguments) => replay::run(arguments),
        Command::Calc(arguments) => calc::command(arguments),
    };
    finish(outcome)
}

/// Reads and checks a configuration.
pub(crate) fn load_farm(path: &std::path::Path) -> Result<crate::config::Farm, Failure> {
    Err(Failure::failed(format!("{}: not yet", path.display())))
}

fn finish(outcome: Outcome) -> ExitCode {
    match outcome {
        Ok(status) => ExitCode::from(status),
        Err(Failure { status, message }) => {
            // Nobody may be left to read it; the status still tells.
            let _ = writeln!(std::io::stderr(), "pondreeve: {message}");
            ExitCode::from(status)
        }
    }
}

/// Turns the end of a reader (`pondreeve replay … | head`) into a quiet, successful end.
///
/// # Errors
/// Any other failure to write standard output.
pub fn written(result: std::io::Result<()>) -> Outcome {
    match result {
        Ok(()) => Ok(DONE),
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(DONE),
        Err(error) => Err(Failure::failed(format!("writing to standard output failed: {error}"))),
    }
}
