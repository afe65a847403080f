//! `pondreeve shelve`, `unshelve`, `reset`: an alarm put aside for a while, taken back, or checked off.

use std::io::{BufRead as _, IsTerminal as _, Write as _};
use std::time::Duration;

use serde::Serialize;

use super::plain::{self, paragraph};
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::protocol::{AlarmStatus, Ask, FarmStatus, Reply, ShelfStatus};

/// Recorded where a script gives no reason.
const NO_REASON: &str = "no reason given";

/// What a length is.
const LENGTHS: &str =
    "a time such as 30m or 2h: at most 30m for a critical alarm, 1h for a high one, 12h for a medium one";

const AFTER_SHELVE: &str = "\
A shelved alarm announces nothing and comes back by itself: in alarm, if its
condition stands then. Longest: 30 min for a critical alarm, and never by night;
1 h for a high one; 12 h for a medium one. It stays on every list, with who put
it aside, until when and why. The water is not better for it: shelve what you
know and are mending. On a terminal you are asked why if you do not say so; a
script that does not say why is recorded as having given no reason.

Examples:
  pondreeve shelve p1.ph-high-warn --for 2h --reason 'electrode on order'
  pondreeve unshelve p1.ph-high-warn";

/// Arguments of `shelve`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER_SHELVE)]
pub struct Shelve {
    /// The alarm's id, as `pondreeve alarms` shows it
    #[arg(value_name = "ID")]
    pub id: String,
    /// For how long, such as 30m or 2h
    #[arg(long = "for", value_name = "LENGTH", allow_hyphen_values = true, value_parser = super::numbers::length(LENGTHS))]
    pub length: Duration,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

const AFTER_UNSHELVE: &str = "\
It is in alarm again at once, unacknowledged, if its condition stands.

Example:
  pondreeve unshelve p1.ph-high-warn";

/// Arguments of `unshelve`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER_UNSHELVE)]
pub struct Unshelve {
    /// The alarm's id
    #[arg(value_name = "ID")]
    pub id: String,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

const AFTER_RESET: &str = "\
Some alarms latch: when their cause is over they wait until somebody has looked,
such as after a loss of power, when not every aerator starts again. Acknowledge
first, look, then reset.

Example:
  pondreeve reset farm.power-lost";

/// Arguments of `reset`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER_RESET)]
pub struct Reset {
    /// The alarm's id
    #[arg(value_name = "ID")]
    pub id: String,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// What became of it.
#[derive(Debug, Serialize)]
struct Became<'a> {
    id: &'a str,
    state: &'a str,
    shelf: Option<&'a ShelfStatus>,
    warning: Option<&'a str>,
}

/// Puts an alarm aside.
///
/// # Errors
/// When no daemon answers, or the alarm cannot be shelved, or not for so long.
pub fn shelve(arguments: &Shelve) -> Outcome {
    let reason = match &arguments.reason {
        Some(reason) if reason.trim().is_empty() => {
            return Err(Failure::usage(format!(
                "shelving '{}' failed: --reason is empty; say in a few words why",
                arguments.id
            )));
        }
        Some(reason) => reason.trim().to_owned(),
        None if arguments.json => NO_REASON.to_owned(),
        None => ask_why(&arguments.id)?,
    };
    let is_given = reason != NO_REASON;
    let ask = Ask::Shelve { id: arguments.id.clone(), seconds: arguments.length.as_secs(), reason };
    let done = act(&arguments.daemon, &arguments.id, ask, arguments.json)?;
    if !is_given {
        // A script's own words are its standard output; this is for whoever wrote the script.
        let _ = writeln!(
            std::io::stderr(),
            "pondreeve: '{}' was shelved without a reason; every list and the audit trail say \"{NO_REASON}\". \
             Say why with --reason TEXT",
            arguments.id
        );
    }
    Ok(done)
}

/// Takes a shelved alarm back.
///
/// # Errors
/// When no daemon answers, or the alarm is not shelved.
pub fn unshelve(arguments: &Unshelve) -> Outcome {
    let ask = Ask::Unshelve { id: arguments.id.clone() };
    act(&arguments.daemon, &arguments.id, ask, arguments.json)
}

/// Resets a latched alarm.
///
/// # Errors
/// When no daemon answers, or the alarm does not wait for it.
pub fn reset(arguments: &Reset) -> Outcome {
    let ask = Ask::Reset { id: arguments.id.clone() };
    act(&arguments.daemon, &arguments.id, ask, arguments.json)
}

/// Asks the person at the terminal; a script that says nothing is recorded as such.
fn ask_why(id: &str) -> Result<String, Failure> {
    let input = std::io::stdin();
    if !input.is_terminal() || !std::io::stderr().is_terminal() {
        return Ok(NO_REASON.to_owned());
    }
    let failed = |error: std::io::Error| {
        Failure::failed(format!("asking why '{id}' is to be shelved failed: {error}"))
    };
    let mut out = std::io::stderr();
    write!(out, "Why is it put aside? ").and_then(|()| out.flush()).map_err(failed)?;
    let mut line = String::new();
    input.lock().read_line(&mut line).map_err(failed)?;
    match line.trim() {
        "" => Err(Failure::usage(format!("'{id}' was not shelved: a reason is asked for, in a few words"))),
        reason => Ok(reason.to_owned()),
    }
}

fn act(daemon: &super::Daemon, id: &str, ask: Ask, json: bool) -> Outcome {
    let warning = match daemon.ask(ask)? {
        Reply::Done { warning, .. } => warning,
        other => return Err(daemon.unexpected(&other)),
    };
    let farm = daemon.status()?;
    let now = farm.alarms.iter().find(|alarm| alarm.id == id);
    if json {
        return super::print(&super::json_line(&Became {
            id,
            state: now.map_or("normal", |alarm| alarm.state.as_str()),
            shelf: now.and_then(|alarm| alarm.shelf.as_ref()),
            warning: warning.as_deref(),
        })?);
    }
    super::print_plain(&told(id, now, &farm, warning.as_deref())).map(|_| DONE)
}

/// What a person is told.
fn told(id: &str, now: Option<&AlarmStatus>, farm: &FarmStatus, warning: Option<&str>) -> String {
    let clock = plain::clock(farm);
    let mut out = String::new();
    let words = match now {
        None => format!("{id} is not in alarm."),
        Some(alarm) => match &alarm.shelf {
            Some(shelf) => format!(
                "Shelved until {} by {}: {} ({id}). Reason: {}. It comes back by itself then, in alarm if its \
                 condition stands. Whoever is on watch should know.",
                clock.time_and_day(&shelf.until),
                shelf.by,
                alarm.name,
                shelf.reason
            ),
            None => format!("It stands, {}: {}", alarm.state, alarm.message),
        },
    };
    paragraph(&mut out, "", "", &words);
    if let Some(warning) = warning {
        paragraph(&mut out, "", "", &format!("Mind: {warning}"));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::console::sample;

    #[test]
    fn who_until_when_and_why_are_said() {
        let mut farm = sample::critical_alarm();
        let alarm = &mut farm.alarms[1];
        alarm.state = "shelved".to_owned();
        alarm.shelf = Some(ShelfStatus {
            until: "2026-11-25T09:11:00Z".to_owned(),
            by: "mira".to_owned(),
            reason: "electrode on order".to_owned(),
        });
        let told = told(&alarm.id.clone(), Some(&farm.alarms[1]), &farm, None);
        assert!(told.starts_with("Shelved until 04:11 by mira: "), "{told}");
        assert!(told.contains("electrode on order"), "{told}");
        let listed = plain::alarms(&farm, crate::texts::english());
        let head = "Tidewick Ponds, Wed 25 Nov 02:14, 1 alarm, NOT ACKNOWLEDGED, 1 shelved";
        assert!(listed.starts_with(head), "{listed}");
        let listed: Vec<&str> = listed.split_whitespace().collect();
        let listed = listed.join(" ");
        assert!(listed.contains("is shelved until 04:11 by mira: electrode on order"), "{listed}");
    }
}
