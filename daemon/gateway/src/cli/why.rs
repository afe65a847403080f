//! `pondreeve why`: what an alarm or an advice rests on.

use std::fmt::Write as _;

use super::plain::{CAUTION, paragraph};
use crate::console::text::{FarmClock, age_words, number, quality};
use crate::console::words::{priority_name, quantity_name};
use crate::exit_code::{Failure, Outcome};
use crate::local::protocol::{Ask, Reply};
use crate::local::why::{InputStatus, WhyStatus};

const AFTER: &str = "\
Takes the id of any alarm, in alarm or not, or the id of a pond for its advice.
Shows what it says now, what raises and what clears it, where the limit comes
from, every reading that counts with its flag, its age and the tests that
dislike it, the formulas with the numbers put in, what the forecast assumed,
and, for oxygen and pH, whether the clues point to the probe or to the water.

With --json: one JSON object, times in UTC.

Examples:
  pondreeve why p1.do-low-critical
  pondreeve why p1
  pondreeve why p1.probe-fault.p1-do --json";

/// Arguments of `why`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// An alarm's id, as `pondreeve alarms` shows it, or a pond's id
    #[arg(value_name = "ID")]
    pub id: String,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Explains an alarm or an advice.
///
/// # Errors
/// When no daemon answers, or the id is of nothing.
pub fn run(arguments: &Arguments) -> Outcome {
    match arguments.daemon.ask(Ask::Why { id: arguments.id.clone() })? {
        Reply::Why(why) if arguments.json => super::print(&super::json_line(&*why)?),
        Reply::Why(why) => super::print_plain(&told(&why)),
        Reply::Error { message, bad_request: true } => {
            Err(Failure::usage(format!("explaining '{}' failed: {message}", arguments.id)))
        }
        other => Err(arguments.daemon.unexpected(&other)),
    }
}

/// In plain lines of at most 80 columns.
pub(crate) fn told(why: &WhyStatus) -> String {
    let clock = FarmClock::new(&why.at, why.time_zone_offset_s);
    let mut out = String::new();
    let mut head = why.name.clone();
    if let (Some(priority), Some(state)) = (why.priority, &why.state) {
        let _ = write!(head, ", {}, {state}", priority_name(priority).to_lowercase());
    }
    if let Some(since) = &why.since {
        let _ = write!(head, " since {}", clock.time_and_day(since));
    }
    paragraph(&mut out, "", "  ", &head);
    paragraph(&mut out, "  ", "  ", &why.says);
    part(&mut out, "Raised when", [why.raised_when.as_str()]);
    part(&mut out, "Cleared when", [why.clears_when.as_str()]);
    part(&mut out, "Limit from", why.limit_source.as_deref());
    let inputs: Vec<String> = why.inputs.iter().map(|input| input_line(input, clock)).collect();
    part(&mut out, "Readings", inputs.iter().map(String::as_str));
    let formulas: Vec<String> = why
        .formulas
        .iter()
        .map(|worked| {
            let of = worked.of.as_ref().map(|of| format!(", {of}")).unwrap_or_default();
            let source = worked.source.as_ref().map(|source| format!(" [{source}]")).unwrap_or_default();
            format!("{}{of}{source}", worked.text)
        })
        .collect();
    part(&mut out, "Worked out", formulas.iter().map(String::as_str));
    part(&mut out, "Forecast", why.forecast.iter().map(String::as_str));
    if let Some(verdict) = &why.verdict {
        let clues: Vec<String> = verdict
            .clues
            .iter()
            .map(|(kind, says, points)| {
                let side = if *points > 0 { "probe" } else { "water" };
                format!("{side} {}: {says} ({kind})", points.unsigned_abs())
            })
            .collect();
        let head = format!("Probe {} {}", verdict.probe, verdict.line);
        part(
            &mut out,
            "Probe or water",
            [head.as_str()]
                .into_iter()
                .chain(clues.iter().map(String::as_str))
                .chain([verdict.what_to_do.as_str()]),
        );
    }
    if why.at_the_water {
        out.push('\n');
        paragraph(&mut out, "", "", CAUTION);
    }
    out
}

/// A part with its lines; nothing where there are none.
fn part<'a>(out: &mut String, title: &str, lines: impl IntoIterator<Item = &'a str>) {
    let mut lines = lines.into_iter().peekable();
    if lines.peek().is_some() {
        let _ = write!(out, "\n{title}\n");
    }
    for line in lines {
        paragraph(out, "  ", "    ", line);
    }
}

fn input_line(input: &InputStatus, clock: FarmClock) -> String {
    let by = input.probe.as_ref().map_or_else(|| "by hand".to_owned(), |probe| format!("probe {probe}"));
    let value = input.value.map_or_else(
        || "no value that may warn".to_owned(),
        |value| format!("{} {}", number(value, input.decimals), input.unit),
    );
    let age = match (&input.at, input.age_s) {
        (Some(at), Some(age_s)) => format!(", {} ago at {}", age_words(age_s), clock.time_and_day(at)),
        _ => ", nothing came yet".to_owned(),
    };
    let mut line = format!(
        "{}, {by}: {}, flag {} {}{age}",
        quantity_name(&input.quantity),
        value.trim_end(),
        input.flag,
        quality(input.flag)
    );
    for (test, flag, says) in &input.disliked {
        let _ = write!(line, "; test {test} {flag}: {says}");
    }
    line
}
