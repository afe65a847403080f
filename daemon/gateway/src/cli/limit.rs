//! `pondreeve limit`: the limits of a pond's alarms, changing one, and taking a change back.

use std::fmt::Write as _;

use super::plain::{clock, paragraph};
use crate::console::limits::reason_words;
use crate::console::text::{FarmClock, width};
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::limits::LimitStatus;
use crate::local::protocol::{Ask, Reply};
use crate::texts::recognised::recognised;
use crate::texts::said::told as told_in;
use crate::texts::{Words, say};

const AFTER: &str = "\
Without NAME=VALUE the limits are listed, with what somebody changed. A change
holds at once, over the configuration and across restarts, until it is taken
back with --back or the configuration itself is given another value for that
limit. It is in the audit trail with the old value, the new one and the reason,
and `why` names it. Who may: root, the daemon's own user, and `limits_by` of
[local].

A limit of low oxygen cannot be switched off. Set below 3.0 (warn), 2.0
(critical) or 1.0 mg/L (emergency), of the forecast too, it raises an alarm that
stands as long as it is so.

Examples:
  pondreeve limit --pond p1
  pondreeve limit --pond p1 ph_high.warn=8.7 --reason 'adviser, after the dose'
  pondreeve limit --pond p1 --back ph_high.warn --reason 'pH is down again'";

/// Arguments of `limit`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Which pond
    #[arg(long, value_name = "POND")]
    pub pond: String,
    /// The limit and its new value, in the unit of its name
    #[arg(value_name = "NAME=VALUE", conflicts_with = "back")]
    pub change: Option<String>,
    /// Take back the change of this limit
    #[arg(long, value_name = "NAME")]
    pub back: Option<String>,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
    /// Print JSON instead, one object a line for each limit
    #[arg(long)]
    pub json: bool,
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Lists, changes or takes back.
///
/// # Errors
/// When no daemon answers, the user may not, or the limit cannot be.
pub fn run(arguments: &Arguments) -> Outcome {
    let words = arguments.speech.words_by(&arguments.daemon)?;
    let (key, value) = match (&arguments.change, &arguments.back) {
        (Some(text), _) => {
            let (key, value) = read(text, words)?;
            (key, Some(value))
        }
        (None, Some(key)) => (key.as_str(), None),
        (None, None) => return list(arguments, words),
    };
    let Some(reason) = arguments.reason.as_deref().map(str::trim).filter(|reason| !reason.is_empty()) else {
        return Err(Failure::usage(say!(words, "changed-needs-why", key = key, pond = &arguments.pond)));
    };
    let ask = Ask::ChangeLimit {
        pond: arguments.pond.clone(),
        key: key.to_owned(),
        value,
        reason: reason.to_owned(),
    };
    let warning = match arguments.daemon.ask(ask)? {
        Reply::Done { warning, warning_said, .. } => {
            warning.map(|warning| told_in(words, &warning, warning_said.as_deref()))
        }
        other => return Err(arguments.daemon.refused(&other, words)),
    };
    let limits = limits(arguments, words)?;
    let own: Vec<LimitStatus> = limits.into_iter().filter(|own| own.key == key).collect();
    if arguments.json {
        let lines: Result<String, _> = own.iter().map(super::json_line).collect();
        return super::print(&lines?);
    }
    let mut out = String::new();
    if let Some(warning) = warning {
        let but = format!("{} ", say!(words, "changed-but"));
        paragraph(&mut out, &but, &" ".repeat(width(&but)), &warning);
    }
    told(&mut out, &own, clock(&arguments.daemon.status()?).read_in(words));
    super::print_plain(&out).map(|_| DONE)
}

pub(super) fn read(text: &str, words: Words) -> Result<(&str, f64), Failure> {
    let wrong = || Failure::usage(say!(words, "changed-no-value", typed = format!("{text:?}")));
    let (key, value) = text.split_once('=').ok_or_else(wrong)?;
    Ok((key.trim(), value.trim().replace(',', ".").parse().map_err(|_| wrong())?))
}

fn limits(arguments: &Arguments, words: Words) -> Result<Vec<LimitStatus>, Failure> {
    match arguments.daemon.ask(Ask::Limits { pond: arguments.pond.clone() })? {
        Reply::Limits { limits } => Ok(limits),
        other => Err(arguments.daemon.refused(&other, words)),
    }
}

fn list(arguments: &Arguments, words: Words) -> Outcome {
    let limits = limits(arguments, words)?;
    if arguments.json {
        let lines: Result<String, _> = limits.iter().map(super::json_line).collect();
        return super::print(&lines?);
    }
    let mut out = String::new();
    told(&mut out, &limits, clock(&arguments.daemon.status()?).read_in(words));
    super::print_plain(&out)
}

/// Key, value, and who changed it or where it comes from.
pub(super) fn told(out: &mut String, limits: &[LimitStatus], clock: FarmClock) {
    let words = clock.words();
    for own in limits {
        let head = format!("{:<28}{:>9}  ", own.key, own.value);
        let text = match (&own.changed, &own.source) {
            (Some(change), _) => say!(
                words,
                "changed-limit",
                configured = change.configured.to_string(),
                by = &change.by,
                at = clock.time_and_day(&change.at),
                reason = reason_words(words, &change.reason),
            ),
            (None, Some(source)) => recognised(words, source),
            (None, None) => String::new(),
        };
        if text.is_empty() {
            let _ = writeln!(out, "{}", head.trim_end());
        } else {
            paragraph(out, &head, &" ".repeat(39), &text);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::texts::english;

    #[test]
    fn a_change_is_read_and_nonsense_is_refused_with_what_is_accepted() {
        assert_eq!(read("ph_high.warn=8,7", english()).unwrap(), ("ph_high.warn", 8.7));
        for wrong in ["ph_high.warn", "ph_high.warn=high", "=", "ph_high.warn="] {
            assert!(read(wrong, english()).unwrap_err().message.contains("NAME=VALUE"), "{wrong}");
        }
    }
}
