//! `pondreeve evidence`: what a trial came to.

use std::fmt::Write as _;

use super::plain::{self, paragraph};
use super::trial;
use crate::console::text::{FarmClock, number, signed};
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::evidence::{DifferedStatus, EvidenceStatus, PeriodStatus};
use crate::local::protocol::{Ask, Reply};
use crate::local::said::SaidStatus;
use crate::texts::said::told as told_in;
use crate::texts::{Words, say};

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
    #[arg(long, value_name = "NUMBER", value_parser = super::numbers::number_of("usage-a-trial"))]
    pub trial: Option<u64>,
    /// Print JSON, one object a line
    #[arg(long)]
    pub json: bool,
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
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
    let words = arguments.speech.words_to_act(&farm)?;
    let numbers: Vec<u64> = match (&arguments.pond, arguments.trial) {
        (Some(pond), _) => {
            super::known_pond(&farm, pond, words)?;
            let all = trial::all(&arguments.daemon, words)?;
            let own = all.iter().filter(|own| own.treated == *pond && own.replaced_by.is_none());
            own.map(|own| own.trial).collect()
        }
        (None, number) => number.into_iter().collect(),
    };
    if let (Some(pond), true) = (&arguments.pond, numbers.is_empty()) {
        return Err(Failure::usage(say!(words, "result-none", pond = pond)));
    }
    let mut out = String::new();
    for trial in numbers {
        let own = match arguments.daemon.ask(Ask::Evidence { trial })? {
            Reply::Evidence(own) => own,
            other => return Err(arguments.daemon.refused(&other, words)),
        };
        if arguments.json {
            let own = EvidenceStatus { said: None, ..*own };
            out.push_str(&super::json_line(&own)?);
        } else {
            if !out.is_empty() {
                out.push('\n');
            }
            out.push_str(&told(&own, plain::clock(&farm).read_in(words)));
        }
    }
    if arguments.json { super::print(&out) } else { super::print_plain(&out).map(|_| DONE) }
}

/// Columns of a label at the left.
const LABEL: usize = 8;

/// A trial's result for a person.
pub(super) fn told(own: &EvidenceStatus, clock: FarmClock) -> String {
    let words = clock.words();
    let mut out = trial::told(&own.trial, clock);
    for earlier in &own.earlier {
        out.push_str(&trial::told(earlier, clock));
    }
    let said = own.said.as_deref();
    let all = |english: &[String], said: Option<&Vec<SaidStatus>>| -> Vec<String> {
        let each = english.iter().enumerate();
        each.map(|(place, one)| told_in(words, one, said.and_then(|said| said.get(place)))).collect()
    };
    out.push('\n');
    let verdict = level(&own.level, &own.verdict, words);
    let reasons = all(&own.reasons, said.map(|said| &said.reasons));
    let because = if reasons.is_empty() { String::new() } else { format!(": {}", reasons.join("; ")) };
    paragraph(&mut out, "", "  ", &format!("{verdict}{because}."));
    numbers(&mut out, own, words);
    periods(&mut out, own, words);
    doses(&mut out, own, words);
    let _ = writeln!(out, "\n{}", say!(words, "result-differed"));
    for one in &own.differed {
        paragraph(&mut out, "  ", "    ", &differed(one, words));
    }
    if !own.noted.is_empty() {
        let _ = writeln!(out, "\n{}", say!(words, "result-noted"));
        let noted = all(&own.noted, said.map(|said| &said.noted));
        noted.iter().for_each(|line| paragraph(&mut out, "  ", "    ", line));
    }
    if let Some(together) = &own.together {
        let trials: Vec<String> = together.trials.iter().map(u64::to_string).collect();
        out.push('\n');
        let verdict = level(&together.level, &together.verdict, words);
        let line = say!(words, "result-together", trials = trials.join(", "), verdict = verdict);
        paragraph(&mut out, "", "  ", &line);
    }
    out.push('\n');
    paragraph(&mut out, "", "", &told_in(words, &own.caution, said.map(|said| &said.caution)));
    let _ = writeln!(out, "\n{}", say!(words, "result-how"));
    let formulas = all(&own.formulas, said.map(|said| &said.formulas));
    formulas.iter().for_each(|line| paragraph(&mut out, "  ", "    ", line));
    out
}

/// What may be said, loudly; what is not known here as the daemon says it.
fn level(id: &str, verdict: &str, words: Words) -> String {
    let known = words.find(&format!("level-{}", id.replace('_', "-")));
    known.unwrap_or_else(|| verdict.to_owned()).to_uppercase()
}

/// A line behind its label.
fn labelled(out: &mut String, label: &str, line: &str) {
    paragraph(out, &format!("{label:<LABEL$}"), &" ".repeat(LABEL), line);
}

fn numbers(out: &mut String, own: &EvidenceStatus, words: Words) {
    let unit = if own.unit.is_empty() { String::new() } else { format!(" {}", own.unit) };
    let size = |value: f64| signed(value, own.decimals);
    let effect = match &own.effect {
        Some(effect) => say!(
            words,
            "result-interval",
            effect = size(effect.estimate),
            unit = unit,
            low = size(effect.low),
            high = size(effect.high),
            error = number(effect.standard_error, own.decimals),
        ),
        None => say!(words, "evidence-no-interval"),
    };
    labelled(out, &say!(words, "result-effect"), &effect);
    let by_doses = own.trial.method == "doses";
    if let Some(usual) = &own.usual {
        let usual = say!(
            words,
            "result-usual",
            low = size(usual.low),
            high = size(usual.high),
            chance = match usual.chance {
                Some(chance) if chance < 0.001 => say!(words, "result-chance-small"),
                Some(chance) => say!(words, "result-chance", chance = number(chance, 3)),
                None => String::new(),
            },
            why = if by_doses { say!(words, "result-usual-alone") } else { say!(words, "result-usual-days") },
        );
        labelled(out, "", &usual);
    }
    if let Some(share) = own.chance_elsewhere {
        let share = number(100.0 * share, 0);
        let elsewhere = if by_doses {
            say!(words, "result-shams", share = share)
        } else {
            say!(words, "result-others", share = share)
        };
        labelled(out, "", &elsewhere);
    }
}

fn periods(out: &mut String, own: &EvidenceStatus, words: Words) {
    for (label, period) in
        [(say!(words, "result-before"), &own.before), (say!(words, "result-after"), &own.after)]
    {
        let PeriodStatus { from: Some(from), to: Some(to), days, known, effective, treated, control } =
            period
        else {
            labelled(out, &label, &say!(words, "result-no-days"));
            continue;
        };
        let worth = effective.map(|own| say!(words, "result-worth", days = number(own, 1)));
        let mean = |value: &Option<f64>| value.map_or("-".to_owned(), |value| number(value, own.decimals));
        let line = say!(
            words,
            "result-period",
            from = from,
            to = to,
            days = days.to_string(),
            known = known.to_string(),
            lost = days.saturating_sub(*known).to_string(),
            worth = worth.unwrap_or_default(),
            treated = mean(treated),
            control = mean(control),
            unit = &own.unit,
        );
        labelled(out, &label, &line);
    }
}

fn doses(out: &mut String, own: &EvidenceStatus, words: Words) {
    let label = say!(words, "result-doses");
    if own.doses.is_empty() {
        return labelled(out, &label, &say!(words, "result-no-doses"));
    }
    let counted = own.doses_counted.map(|count| say!(words, "result-counted", count = count.to_string()));
    let counted = counted.unwrap_or_default();
    labelled(out, &label, &format!("{}{counted}: {}", own.doses.len(), own.doses.join(", ")));
    let said = own.said.as_deref();
    for (place, lost) in own.doses_lost.iter().enumerate() {
        let why = told_in(words, &lost.why, said.and_then(|said| said.doses_lost.get(place)));
        let line = say!(words, "result-lost", day = &lost.day, why = why);
        paragraph(out, "        ", "          ", &line);
    }
}

fn differed(own: &DifferedStatus, words: Words) -> String {
    let mean = |value: Option<f64>| value.map_or("-".to_owned(), |value| number(value, 1));
    let verdict = match (own.balanced, own.share, own.change) {
        (Some(true), ..) => say!(words, "result-alike"),
        (Some(false), Some(share), _) => say!(words, "result-share", share = signed(100.0 * share, 0)),
        (Some(false), None, Some(change)) => say!(words, "result-change", change = signed(change, 1)),
        (Some(false), None, None) => say!(words, "result-not-alike"),
        (None, ..) => say!(words, "result-not-known"),
    };
    let factor = words.find(&format!("factor-{}", own.factor)).unwrap_or_else(|| own.words.clone());
    let unit = words.find(&format!("factor-unit-{}", own.factor)).unwrap_or_else(|| own.unit.clone());
    say!(
        words,
        "result-factor",
        factor = factor,
        treated = mean(own.treated[0]),
        treated_after = mean(own.treated[1]),
        control = mean(own.control[0]),
        control_after = mean(own.control[1]),
        unit = unit,
        verdict = verdict,
    )
}

#[cfg(test)]
mod tests;
