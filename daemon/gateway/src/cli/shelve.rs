//! `pondreeve shelve`, `unshelve`, `reset`: an alarm put aside for a while, taken back, or checked off.

use std::io::{BufRead as _, IsTerminal as _, Write as _};
use std::time::Duration;

use serde::Serialize;

use super::plain::{self, paragraph};
use crate::console::shelving::{NO_REASON, reason_words};
use crate::console::words::alarm_name;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::protocol::{AlarmStatus, Ask, FarmStatus, Reply, ShelfStatus};
use crate::texts::recognised::audit_field;
use crate::texts::said::told as told_in;
use crate::texts::{Words, say};

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
    #[arg(long = "for", value_name = "LENGTH", allow_hyphen_values = true, value_parser = super::numbers::length("usage-shelve-lengths"))]
    pub length: Duration,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
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
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
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
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
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
    let words = arguments.speech.words_by(&arguments.daemon)?;
    let reason = match &arguments.reason {
        Some(reason) if reason.trim().is_empty() => {
            return Err(Failure::usage(say!(words, "shelving-empty", id = &arguments.id)));
        }
        Some(reason) => reason.trim().to_owned(),
        None if arguments.json => NO_REASON.to_owned(),
        None => ask_why(&arguments.id, words)?,
    };
    let is_given = reason != NO_REASON;
    let ask = Ask::Shelve { id: arguments.id.clone(), seconds: arguments.length.as_secs(), reason };
    let done = act(&arguments.daemon, &arguments.id, ask, arguments.json, words)?;
    if !is_given {
        // A script's own words are its standard output; this is for whoever wrote the script.
        let told = reason_words(words, NO_REASON);
        let told = say!(words, "shelving-no-reason", id = &arguments.id, told = told);
        let _ = writeln!(std::io::stderr(), "pondreeve: {told}");
    }
    Ok(done)
}

/// Takes a shelved alarm back.
///
/// # Errors
/// When no daemon answers, or the alarm is not shelved.
pub fn unshelve(arguments: &Unshelve) -> Outcome {
    let ask = Ask::Unshelve { id: arguments.id.clone() };
    let words = arguments.speech.words_by(&arguments.daemon)?;
    act(&arguments.daemon, &arguments.id, ask, arguments.json, words)
}

/// Resets a latched alarm.
///
/// # Errors
/// When no daemon answers, or the alarm does not wait for it.
pub fn reset(arguments: &Reset) -> Outcome {
    let ask = Ask::Reset { id: arguments.id.clone() };
    let words = arguments.speech.words_by(&arguments.daemon)?;
    act(&arguments.daemon, &arguments.id, ask, arguments.json, words)
}

/// Asks the person at the terminal; a script that says nothing is recorded as such.
fn ask_why(id: &str, words: Words) -> Result<String, Failure> {
    let input = std::io::stdin();
    if !input.is_terminal() || !std::io::stderr().is_terminal() {
        return Ok(NO_REASON.to_owned());
    }
    let failed = |error: std::io::Error| {
        Failure::failed(say!(words, "shelving-not-asked", id = id, error = error.to_string()))
    };
    let mut out = std::io::stderr();
    write!(out, "{} ", say!(words, "shelving-why")).and_then(|()| out.flush()).map_err(failed)?;
    let mut line = String::new();
    input.lock().read_line(&mut line).map_err(failed)?;
    match line.trim() {
        "" => Err(Failure::usage(say!(words, "shelving-needs-why", id = id))),
        reason => Ok(reason.to_owned()),
    }
}

fn act(daemon: &super::Daemon, id: &str, ask: Ask, json: bool, words: Words) -> Outcome {
    let (warning, said) = match daemon.ask(ask)? {
        Reply::Done { warning, warning_said, .. } => (warning, warning_said),
        other => return Err(daemon.refused(&other, words)),
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
    let warning = warning.map(|warning| told_in(words, &warning, said.as_deref()));
    super::print_plain(&told(id, now, &farm, warning.as_deref(), words)).map(|_| DONE)
}

/// What a person is told.
pub(super) fn told(
    id: &str,
    now: Option<&AlarmStatus>,
    farm: &FarmStatus,
    warning: Option<&str>,
    words: Words,
) -> String {
    let clock = plain::clock(farm).read_in(words);
    let mut out = String::new();
    let text = match now {
        None => say!(words, "shelving-calm", id = id),
        Some(alarm) => match &alarm.shelf {
            Some(shelf) => say!(
                words,
                "shelving-done",
                until = clock.time_and_day(&shelf.until),
                by = &shelf.by,
                name = alarm_name(words, alarm),
                id = id,
                reason = reason_words(words, &shelf.reason),
            ),
            None => {
                let message = told_in(words, &alarm.message, alarm.said.as_deref());
                say!(words, "shelving-stands", state = audit_field(words, &alarm.state), message = message)
            }
        },
    };
    paragraph(&mut out, "", "", &text);
    if let Some(warning) = warning {
        paragraph(&mut out, "", "", &say!(words, "mind", warning = warning));
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
        let told = told(&alarm.id.clone(), Some(&farm.alarms[1]), &farm, None, crate::texts::english());
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
