//! `pondreeve acknowledge`: somebody has seen an alarm and acts on it.

use serde::Serialize;

use super::plain::{self, can_be_acknowledged, paragraph};
use crate::console::words::{alarm_name, held_alarm_words};
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::protocol::{AlarmStatus, Ask, FarmStatus, Reply};
use crate::texts::said::told as told_in;
use crate::texts::{Words, say};

const AFTER: &str = "\
Acknowledging silences the horn for this alarm and records who you are, by your
login on this machine. It mends nothing: the alarm stands until the water or the
probe is right again, and while a critical one stands and oxygen does not rise
the horn sounds again after 10 minutes.

Walk, do not run. Nobody enters the water while aerators are live.
If in doubt, start aerators and look.

Example:
  pondreeve alarms
  pondreeve acknowledge p1.do-low-critical";

/// Arguments of `acknowledge`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// The alarm's id, as `pondreeve alarms` shows it
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
struct Acknowledged<'a> {
    id: &'a str,
    state: &'a str,
    acknowledged_by: Option<&'a str>,
    warning: Option<&'a str>,
}

/// Acknowledges an alarm.
///
/// # Errors
/// When no daemon answers, the id is not that of an alarm that can be acknowledged, or the
/// acknowledgement could not be kept.
pub fn run(arguments: &Arguments) -> Outcome {
    let before = arguments.daemon.status()?;
    let words = arguments.speech.words_to_act(&before)?;
    let alarm = find(&before, &arguments.id, words)?;
    let (mut warning, mut warning_said) = (None, None);
    if can_be_acknowledged(alarm) {
        match arguments.daemon.ask(Ask::Acknowledge { id: arguments.id.clone() })? {
            Reply::Done { warning: told, warning_said: said, .. } => (warning, warning_said) = (told, said),
            other => return Err(arguments.daemon.refused(&other, words)),
        }
    }
    let after = arguments.daemon.status()?;
    let now = after.alarms.iter().find(|alarm| alarm.id == arguments.id);
    if arguments.json {
        return super::print(&super::json_line(&Acknowledged {
            id: &arguments.id,
            state: now.map_or("normal", |alarm| alarm.state.as_str()),
            acknowledged_by: now.and_then(|alarm| alarm.acknowledged_by.as_deref()),
            warning: warning.as_deref(),
        })?);
    }
    let warning = warning.map(|warning| told_in(words, &warning, warning_said.as_deref()));
    super::print_plain(&told(alarm, now, &after, warning.as_deref(), words)).map(|_| DONE)
}

pub(super) fn find<'a>(farm: &'a FarmStatus, id: &str, words: Words) -> Result<&'a AlarmStatus, Failure> {
    if let Some(alarm) = farm.alarms.iter().find(|alarm| alarm.id == id) {
        return Ok(alarm);
    }
    let open: Vec<&str> = farm
        .alarms
        .iter()
        .filter(|alarm| can_be_acknowledged(alarm))
        .map(|alarm| alarm.id.as_str())
        .collect();
    let accepted = if open.is_empty() {
        say!(words, "acknowledged-none-waits")
    } else {
        say!(words, "acknowledged-accepted", ids = open.join(", "))
    };
    Err(Failure::usage(say!(words, "acknowledged-not", id = id, accepted = accepted)))
}

/// What a person is told: who was recorded, what remains to do.
pub(super) fn told(
    before: &AlarmStatus,
    now: Option<&AlarmStatus>,
    farm: &FarmStatus,
    warning: Option<&str>,
    words: Words,
) -> String {
    let mut out = String::new();
    let clock = plain::clock(farm).read_in(words);
    let message = |alarm: &AlarmStatus| told_in(words, &alarm.message, alarm.said.as_deref());
    let head = match now {
        None => say!(words, "acknowledged-over", name = alarm_name(words, before)),
        Some(alarm) if alarm.is_held() => format!("{}.", held_alarm_words(alarm, clock)),
        Some(alarm) => {
            let by = alarm.acknowledged_by.clone().unwrap_or_else(|| say!(words, "acknowledged-you"));
            let (at, name) = (clock.time_and_day(&alarm.changed_at), alarm_name(words, alarm));
            if can_be_acknowledged(before) {
                say!(words, "acknowledged-now", at = at, by = by, name = name)
            } else {
                say!(words, "acknowledged-before", at = at, by = by, name = name)
            }
        }
    };
    paragraph(&mut out, "", "", &head);
    if let Some(alarm) = now.filter(|alarm| !alarm.is_held()) {
        paragraph(&mut out, "", "", &say!(words, "acknowledged-stands", message = message(alarm)));
        if alarm.priority == 1 {
            paragraph(&mut out, "", "", &say!(words, "acknowledged-horn"));
        }
        // What the message says itself, in whatever language, is not said twice.
        if alarm.priority <= 2 && !alarm.message.contains("Walk, do not run") {
            paragraph(&mut out, "", "", &say!(words, "caution"));
        }
    }
    if let Some(warning) = warning {
        paragraph(&mut out, "", "", &say!(words, "mind", warning = warning));
    }
    let open: Vec<&AlarmStatus> = farm.alarms.iter().filter(|alarm| can_be_acknowledged(alarm)).collect();
    if !open.is_empty() {
        paragraph(&mut out, "", "", &say!(words, "acknowledged-others"));
        for alarm in open {
            paragraph(&mut out, "  ", "    ", &format!("{}: {}", alarm.id, message(alarm)));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::console::sample;
    use crate::texts::english;

    #[test]
    fn an_unknown_id_lists_what_can_be_acknowledged() {
        let farm = sample::critical_alarm();
        let failure = find(&farm, "p1.do-low", english()).unwrap_err();
        assert_eq!(failure.status, crate::exit_code::USAGE);
        assert_eq!(
            failure.message,
            "acknowledging 'p1.do-low' failed: no such alarm stands; accepted is p1.do-low-critical"
        );
        let failure = find(&sample::normal_night(), "p1.do-low", english()).unwrap_err();
        assert!(failure.message.ends_with("no alarm waits to be acknowledged"), "{failure}");
    }

    #[test]
    fn says_who_was_recorded_and_what_remains() {
        let before = sample::critical_alarm();
        let mut after = before.clone();
        after.alarms[0].state = "acknowledged".to_owned();
        after.alarms[0].acknowledged_by = Some("night".to_owned());
        after.alarms[0].changed_at = "2026-11-25T07:14:00Z".to_owned();
        after.alarms[1].state = "unacknowledged".to_owned();
        insta::assert_snapshot!(told(&before.alarms[0], Some(&after.alarms[0]), &after, None, english()));
    }
}
