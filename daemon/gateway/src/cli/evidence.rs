//! `pondreeve evidence`: what a trial came to.

use std::fmt::Write as _;

use super::plain::{self, paragraph};
use super::trial;
use crate::console::text::{FarmClock, number, signed};
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::evidence::{DifferedStatus, EvidenceStatus, PeriodStatus};
use crate::local::protocol::{Ask, Reply};

const AFTER: &str = "\
A trial is fixed first: pondreeve trial fix --help.

What may be said, from weak to strong:
  Not enough evidence          the interval spans zero, data are missing, or
                               something else differed
  Consistent with an effect    one pair, the sign that was looked for, interval
                               without zero, nothing known that differed
  Supported                    three pairs or crops, all with that sign
  Contradicted                 as consistent, with the other sign

The unit of proof is the pond in a crop, not the number of readings. A dose's
effect and that of fewer drainages cannot be told apart unless one is held
equal.

Examples:
  pondreeve evidence --pond p1
  pondreeve evidence --trial 2 --json";

/// Arguments of `evidence`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Every trial in which this pond is treated; replaced ones are told beside
    #[arg(long, value_name = "POND", conflicts_with = "trial", required_unless_present = "trial")]
    pub pond: Option<String>,
    /// The trial of this number
    #[arg(long, value_name = "NUMBER", value_parser = super::numbers::number_of("a trial"))]
    pub trial: Option<u64>,
    /// Print JSON, one object a line
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Tells what trials came to.
///
/// # Errors
/// When no daemon answers, or there is no such trial.
pub fn run(arguments: &Arguments) -> Outcome {
    let farm = arguments.daemon.status()?;
    let numbers: Vec<u64> = match (&arguments.pond, arguments.trial) {
        (Some(pond), _) => {
            super::known_pond(&farm, pond, crate::texts::english())?;
            let all = trial::all(&arguments.daemon)?;
            let own = all.iter().filter(|own| own.treated == *pond && own.replaced_by.is_none());
            own.map(|own| own.trial).collect()
        }
        (None, number) => number.into_iter().collect(),
    };
    if let (Some(pond), true) = (&arguments.pond, numbers.is_empty()) {
        return Err(Failure::usage(format!(
            "no trial is fixed in which {pond} is treated; fix one before its first dose: pondreeve trial fix --help"
        )));
    }
    let mut out = String::new();
    for trial in numbers {
        let own = match arguments.daemon.ask(Ask::Evidence { trial })? {
            Reply::Evidence(own) => own,
            other => return Err(arguments.daemon.unexpected(&other)),
        };
        if arguments.json {
            let own = EvidenceStatus { said: None, ..*own };
            out.push_str(&super::json_line(&own)?);
        } else {
            if !out.is_empty() {
                out.push('\n');
            }
            out.push_str(&told(&own, plain::clock(&farm)));
        }
    }
    if arguments.json { super::print(&out) } else { super::print_plain(&out).map(|_| DONE) }
}

/// A trial's result for a person.
fn told(own: &EvidenceStatus, clock: FarmClock) -> String {
    let mut out = trial::told(&own.trial, clock);
    for earlier in &own.earlier {
        out.push_str(&trial::told(earlier, clock));
    }
    out.push('\n');
    let verdict = own.verdict.to_uppercase();
    let because =
        if own.reasons.is_empty() { String::new() } else { format!(": {}", own.reasons.join("; ")) };
    paragraph(&mut out, "", "  ", &format!("{verdict}{because}."));
    numbers(&mut out, own);
    periods(&mut out, own);
    doses(&mut out, own);
    let _ = writeln!(out, "\nWhat else was different, before the first dose and after it");
    for one in &own.differed {
        paragraph(&mut out, "  ", "    ", &differed(one));
    }
    if !own.noted.is_empty() {
        let _ = writeln!(out, "\nNoted in either pond");
        own.noted.iter().for_each(|words| paragraph(&mut out, "  ", "    ", words));
    }
    if let Some(all) = &own.together {
        let trials: Vec<String> = all.trials.iter().map(u64::to_string).collect();
        out.push('\n');
        let words = format!("Trials {} together: {}.", trials.join(", "), all.verdict.to_uppercase());
        paragraph(&mut out, "", "  ", &words);
    }
    out.push('\n');
    paragraph(&mut out, "", "", &own.caution);
    let _ = writeln!(out, "\nHow it was reckoned");
    own.formulas.iter().for_each(|line| paragraph(&mut out, "  ", "    ", line));
    out
}

fn numbers(out: &mut String, own: &EvidenceStatus) {
    let unit = if own.unit.is_empty() { String::new() } else { format!(" {}", own.unit) };
    let size = |value: f64| signed(value, own.decimals);
    match &own.effect {
        Some(effect) => paragraph(
            out,
            "Effect  ",
            "        ",
            &format!(
                "{}{unit}, 95 % interval {} to {} (standard error {})",
                size(effect.estimate),
                size(effect.low),
                size(effect.high),
                number(effect.standard_error, own.decimals)
            ),
        ),
        None => paragraph(out, "Effect  ", "        ", "no interval can be computed"),
    }
    if let Some(usual) = &own.usual {
        let chance = match usual.chance {
            Some(chance) if chance < 0.001 => ", p below 0.001".to_owned(),
            Some(chance) => format!(", p {}", number(chance, 3)),
            None => String::new(),
        };
        paragraph(
            out,
            "        ",
            "        ",
            &format!(
                "the usual test says {} to {}{chance}; {}, and it is not followed",
                size(usual.low),
                size(usual.high),
                match own.trial.method.as_str() {
                    "doses" => "it looks at the treated pond alone",
                    _ => "it takes the days for independent",
                }
            ),
        );
    }
    if let Some(share) = own.chance_elsewhere {
        let where_else = match own.trial.method.as_str() {
            "doses" => "of draws of sham days show as much",
            _ => "of other days for the first dose would show as much",
        };
        paragraph(out, "        ", "        ", &format!("{} % {where_else}", number(100.0 * share, 0)));
    }
}

fn periods(out: &mut String, own: &EvidenceStatus) {
    for (name, period) in [("Before  ", &own.before), ("After   ", &own.after)] {
        let PeriodStatus { from: Some(from), to: Some(to), days, known, effective, treated, control } =
            period
        else {
            paragraph(out, name, "        ", "no days yet");
            continue;
        };
        let worth =
            effective.map(|own| format!(", worth {} independent", number(own, 1))).unwrap_or_default();
        let mean = |value: &Option<f64>| value.map_or("-".to_owned(), |value| number(value, own.decimals));
        paragraph(
            out,
            name,
            "        ",
            &format!(
                "{from} to {to}: {days} days, {known} known in both ponds, {} lost{worth}; treated {}, control {} {}",
                days.saturating_sub(*known),
                mean(treated),
                mean(control),
                own.unit
            ),
        );
    }
}

fn doses(out: &mut String, own: &EvidenceStatus) {
    if own.doses.is_empty() {
        return paragraph(out, "Doses   ", "        ", "none recorded in this time");
    }
    let counted = own.doses_counted.map(|count| format!(", {count} count")).unwrap_or_default();
    paragraph(
        out,
        "Doses   ",
        "        ",
        &format!("{}{counted}: {}", own.doses.len(), own.doses.join(", ")),
    );
    for lost in &own.doses_lost {
        paragraph(out, "        ", "          ", &format!("{} does not count: {}", lost.day, lost.why));
    }
}

fn differed(own: &DifferedStatus) -> String {
    let mean = |value: Option<f64>| value.map_or("-".to_owned(), |value| number(value, 1));
    let verdict = match (own.balanced, own.share, own.change) {
        (Some(true), ..) => "alike".to_owned(),
        (Some(false), Some(share), _) => {
            format!("NOT ALIKE, {} % beyond the control", signed(100.0 * share, 0))
        }
        (Some(false), None, Some(change)) => format!("NOT ALIKE, {} beyond the control", signed(change, 1)),
        (Some(false), None, None) => "NOT ALIKE".to_owned(),
        (None, ..) => "not known of both ponds".to_owned(),
    };
    format!(
        "{}: treated {} to {}, control {} to {} {}: {verdict}",
        own.words,
        mean(own.treated[0]),
        mean(own.treated[1]),
        mean(own.control[0]),
        mean(own.control[1]),
        own.unit
    )
}

#[cfg(test)]
mod tests;
