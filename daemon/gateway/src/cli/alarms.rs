//! `pondreeve alarms`: what stands, and what waits to be acknowledged.

use crate::exit_code::Outcome;

const AFTER: &str = "\
Most urgent first. <1C> critical: act within 15 minutes. /2H\\ high: within the
hour. [3M] medium: the same day. An alarm that is over stays listed until it is
acknowledged.

With --json: one JSON object a line for each alarm, times in UTC.

Examples:
  pondreeve alarms
  pondreeve alarms --json";

/// Arguments of `alarms`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Print one JSON object a line instead
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Lists the alarms.
///
/// # Errors
/// When no daemon answers.
pub fn run(arguments: &Arguments) -> Outcome {
    let farm = arguments.daemon.status()?;
    if !arguments.json {
        return super::print_plain(&super::plain::alarms(&farm));
    }
    let lines: Result<String, _> = farm.alarms.iter().map(super::json_line).collect();
    super::print(&lines?)
}
