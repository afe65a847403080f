//! `pondreeve console`: the technician's full-screen terminal.

use super::spoken;
use crate::console::ConsoleError;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::texts::recognised::recognised;
use crate::texts::say;

const AFTER: &str = "\
Rings the terminal's bell when an urgent alarm comes or comes again; --no-bell
is for a room where people sleep.

The language is the one asked for, else the farm's (`language` under `[local]`
in the configuration), else that of LC_ALL, LC_MESSAGES or LANG, else English.
A terminal whose locale is not UTF-8 gets plain letters without accents.

Needs a terminal of 80 columns and 24 rows that can place text. On a terminal
that cannot, use the plain commands: status, alarms, acknowledge, enter.

Examples:
  pondreeve console
  pondreeve console --language es
  pondreeve console --texts kichwa.ftl";

/// Arguments of `console`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
    /// Do not ring the terminal's bell when the horn begins to sound
    #[arg(long)]
    pub no_bell: bool,
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
}

/// Shows the console until the person leaves it.
///
/// # Errors
/// When this is no terminal that can show it.
pub fn run(arguments: &Arguments) -> Outcome {
    let bell = !arguments.no_bell;
    let choice = arguments.speech.choice();
    let options = crate::console::Options { bell, choice, ..arguments.daemon.socket.clone().into() };
    super::wait_for(crate::console::run(options))?.map(|()| DONE).map_err(|error| {
        let words = spoken();
        Failure::failed(match error {
            ConsoleError::Unsuitable { found } => {
                say!(words, "terminal-unsuitable", found = recognised(words, &found))
            }
            ConsoleError::Language(why) => recognised(words, &why),
            ConsoleError::Terminal(error) => {
                say!(words, "walk-terminal", error = super::error_in(&error))
            }
        })
    })
}
