//! `pondreeve status`: every pond in plain lines.

use crate::exit_code::Outcome;

const AFTER: &str = "\
Alarms first, then each pond: values with unit, change per hour, quality and
age, tonight's forecast and the advice. Clock times are the farm's.
good: passed its tests. unchecked: not tested, such as a value entered by hand.
SUSPECT: compare with the hand meter. FAILED, MISSING: do not rely on it.

With --json: the whole farm as one JSON object, times in UTC.

Examples:
  pondreeve status
  pondreeve status p1 p3
  watch -n 30 pondreeve status";

/// Arguments of `status`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Only these ponds; all if none is named
    #[arg(value_name = "POND")]
    pub ponds: Vec<String>,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Shows the farm as it is now.
///
/// # Errors
/// When no daemon answers, or a pond is not on the farm.
pub fn run(arguments: &Arguments) -> Outcome {
    let mut farm = arguments.daemon.status()?;
    for id in &arguments.ponds {
        super::known_pond(&farm, id)?;
    }
    if !arguments.ponds.is_empty() {
        farm.ponds.retain(|pond| arguments.ponds.contains(&pond.id));
    }
    if arguments.json {
        super::print(&super::json_line(&farm)?)
    } else {
        super::print_plain(&super::plain::status(&farm))
    }
}
