//! `pondreeve acknowledge`: somebody has seen an alarm and acts on it.

use serde::Serialize;

use super::plain::{self, CAUTION, can_be_acknowledged, paragraph};
use crate::console::words::held_alarm_words;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::protocol::{AlarmStatus, Ask, FarmStatus, Reply};

const AFTER: &str = "\
Acknowledging silences the horn for this alarm and records who you are, by your
login on this machine. It mends nothing: the alarm stands until the water or the
probe is right again, and while a critical one stands the horn sounds again
after 10 minutes.

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
    let alarm = find(&before, &arguments.id)?;
    let mut warning = None;
    if can_be_acknowledged(alarm) {
        match arguments.daemon.ask(Ask::Acknowledge { id: arguments.id.clone() })? {
            Reply::Done { warning: told, .. } => warning = told,
            other => return Err(arguments.daemon.unexpected(&other)),
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
    super::print_plain(&told(alarm, now, &after, warning.as_deref())).map(|_| DONE)
}

fn find<'a>(farm: &'a FarmStatus, id: &str) -> Result<&'a AlarmStatus, Failure> {
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
        "no alarm waits to be acknowledged".to_owned()
    } else {
        format!("accepted is {}", open.join(", "))
    };
    Err(Failure::usage(format!("acknowledging '{id}' failed: no such alarm stands; {accepted}")))
}

/// What a person is told: who was recorded, what remains to do.
fn told(before: &AlarmStatus, now: Option<&AlarmStatus>, farm: &FarmStatus, warning: Option<&str>) -> String {
    let mut out = String::new();
    let clock = plain::clock(farm);
    let head = match now {
        None => format!("Acknowledged: {}. It is over and leaves the list.", before.name),
        Some(alarm) if alarm.is_held() => format!("{}.", held_alarm_words(alarm, clock)),
        Some(alarm) => {
            let by = alarm.acknowledged_by.as_deref().unwrap_or("you");
            let already = if can_be_acknowledged(before) { "" } else { "Already " };
            let head = format!(
                "{already}acknowledged at {} by {by}: {}.",
                clock.time_and_day(&alarm.changed_at),
                alarm.name
            );
            let mut letters = head.chars();
            letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
        }
    };
    paragraph(&mut out, "", "", &head);
    if let Some(alarm) = now.filter(|alarm| !alarm.is_held()) {
        paragraph(&mut out, "", "", &format!("It still stands: {}", alarm.message));
        if alarm.priority == 1 {
            out.push_str("The horn sounds again in 10 minutes while it stands.\n");
        }
        if alarm.priority <= 2 && !alarm.message.contains("Walk, do not run") {
            paragraph(&mut out, "", "", CAUTION);
        }
    }
    if let Some(warning) = warning {
        paragraph(&mut out, "", "", &format!("Mind: {warning}"));
    }
    let open: Vec<&AlarmStatus> = farm.alarms.iter().filter(|alarm| can_be_acknowledged(alarm)).collect();
    if !open.is_empty() {
        out.push_str("Not yet acknowledged:\n");
        for alarm in open {
            paragraph(&mut out, "  ", "    ", &format!("{}: {}", alarm.id, alarm.message));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::console::sample;

    #[test]
    fn an_unknown_id_lists_what_can_be_acknowledged() {
        let farm = sample::critical_alarm();
        let failure = find(&farm, "p1.do-low").unwrap_err();
        assert_eq!(failure.status, crate::exit_code::USAGE);
        assert_eq!(
            failure.message,
            "acknowledging 'p1.do-low' failed: no such alarm stands; accepted is p1.do-low-critical"
        );
        let failure = find(&sample::normal_night(), "p1.do-low").unwrap_err();
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
        insta::assert_snapshot!(told(&before.alarms[0], Some(&after.alarms[0]), &after, None));
    }
}
