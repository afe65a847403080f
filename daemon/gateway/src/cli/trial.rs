//! `pondreeve trial`: what a trial will compare, fixed before its first dose.

use std::fmt::Write as _;

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan as _};

use super::numbers::{number_of, whole};
use super::plain::{self, paragraph};
use crate::console::text::FarmClock;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::local::trial::{TrialAsk, TrialStatus};
use crate::texts::{Words, say};

const AFTER: &str = "\
Fix the trial before the first dose: who chooses afterwards what to compare can
find an effect in anything. It is kept for ever, with the audit trail, and never
changed: --replace NUMBER fixes another in its place, and both are shown.

OUTCOME is one of:
  dawn_minimum   lowest oxygen of the night, mg/L
  dusk_peak      highest oxygen of the day, mg/L
  night_fall     fall of oxygen by night, mg/L/h: respiration as a probe sees it
  nh3_n          un-ionised ammonia, mean of the day, mg/L as N
  tan, nitrite   by test kit, mg/L as N, twice a week in both ponds
  sludge_ph      pH of the sludge, twice a week in both ponds
  aeration_kwh   energy of the aerators, kWh a day

METHOD is one of:
  before_after   treated less control, before and after the first dose
  doses          the day after each dose against the three days before it,
                 treated less control (dawn_minimum and dusk_peak only)

Days are the farm's; both --from and --to count. At least 14 days before the
first dose and 28 after. Days that `record disturbance` marks in either pond are
left out where the mark was made within 48 h; what holds only because days were
left out is not said.

Examples:
  pondreeve trial fix --treated p1 --control p2 --outcome dawn_minimum \\
    --from 2026-05-01 --to 2026-07-31 --by adviser --reason \"drawn by lot\"
  pondreeve trial show";

/// Arguments of `trial`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Fix one, or show them
    #[command(subcommand)]
    pub what: What,
}

/// Fix or show.
#[derive(Debug, Clone, clap::Subcommand)]
pub enum What {
    /// Fix what will be compared
    #[command(after_help = AFTER)]
    Fix(Box<Fix>),
    /// Show every trial, replaced ones too
    Show(Show),
}

/// Arguments of `trial fix`.
#[derive(Debug, Clone, clap::Args)]
pub struct Fix {
    /// The pond that is treated
    #[arg(long, value_name = "POND")]
    pub treated: String,
    /// Its control, like it in build, stocking and care, and not treated
    #[arg(long, value_name = "POND")]
    pub control: String,
    /// What is compared
    #[arg(long, value_name = "OUTCOME")]
    pub outcome: String,
    /// Which way it should go: rise or fall; what is usually claimed if not given
    #[arg(long, value_name = "WAY")]
    pub wanted: Option<String>,
    /// How
    #[arg(long, value_name = "METHOD", default_value = "before_after")]
    pub method: String,
    /// First day, such as 2026-05-01
    #[arg(long, value_name = "DAY")]
    pub from: Date,
    /// Last day
    #[arg(long, value_name = "DAY")]
    pub to: Date,
    /// Days needed before the first dose
    #[arg(long, value_name = "DAYS", default_value_t = 14, value_parser = whole(1_u16, 3_650, "usage-days"))]
    pub days_before: u16,
    /// Days needed after it
    #[arg(long, value_name = "DAYS", default_value_t = 28, value_parser = whole(1_u16, 3_650, "usage-days"))]
    pub days_after: u16,
    /// Who chose which pond is treated and which is control
    #[arg(long, value_name = "WHO")]
    pub by: String,
    /// Why so; "drawn by lot" is the best reason there is
    #[arg(long, value_name = "WORDS")]
    pub reason: String,
    /// The pond was dosed already; said with the result, which then is no evidence
    #[arg(long)]
    pub after_first_dose: bool,
    /// The trial whose place it takes
    #[arg(long, value_name = "NUMBER", value_parser = number_of("usage-a-trial"))]
    pub replace: Option<u64>,
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

/// Arguments of `trial show`.
#[derive(Debug, Clone, clap::Args)]
pub struct Show {
    /// Only those of this pond, treated or control
    #[arg(long, value_name = "POND")]
    pub pond: Option<String>,
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

/// Fixes or shows.
///
/// # Errors
/// When no daemon answers, or the trial is not accepted. Nothing is fixed then.
pub fn run(arguments: &Arguments) -> Outcome {
    match &arguments.what {
        What::Fix(own) => fix(own),
        What::Show(own) => show(own),
    }
}

fn fix(own: &Fix) -> Outcome {
    let farm = own.daemon.status()?;
    let words = own.speech.words_to_act(&farm)?;
    super::known_pond(&farm, &own.treated, words)?;
    super::known_pond(&farm, &own.control, words)?;
    let clock = plain::clock(&farm).read_in(words);
    let (from, to) = stretch(clock, own.from, own.to)?;
    let ask = TrialAsk {
        treated: own.treated.clone(),
        control: own.control.clone(),
        outcome: own.outcome.clone(),
        wanted: own.wanted.clone(),
        method: own.method.clone(),
        from: from.to_string(),
        to: to.to_string(),
        days_before: own.days_before,
        days_after: own.days_after,
        chosen_by: own.by.clone(),
        reason: own.reason.clone(),
        after_first_dose: own.after_first_dose,
        replaces: own.replace,
    };
    let trials = match own.daemon.ask(Ask::FixTrial(Box::new(ask)))? {
        Reply::Trials { trials } => trials,
        other => return Err(own.daemon.refused(&other, words)),
    };
    let Some(newest) = trials.last() else {
        return Err(Failure::failed(say!(words, "trial-not-shown")));
    };
    if own.json {
        return super::print(&super::json_line(newest)?);
    }
    let mut out = told(newest, clock);
    paragraph(&mut out, "", "", &say!(words, "trial-kept"));
    super::print_plain(&out).map(|_| DONE)
}

/// Midnight before the first day to midnight after the last, by the farm's clock.
fn stretch(clock: FarmClock, from: Date, to: Date) -> Result<(Timestamp, Timestamp), Failure> {
    let midnight = |day: Date| clock.offset().to_timestamp(day.to_datetime(jiff::civil::Time::midnight()));
    let next = to.checked_add(1.day());
    match (midnight(from), next.and_then(midnight)) {
        (Ok(from), Ok(to)) => Ok((from, to)),
        _ => {
            let (from, to) = (from.to_string(), to.to_string());
            Err(Failure::usage(say!(clock.words(), "trial-no-calendar", from = from, to = to)))
        }
    }
}

fn show(own: &Show) -> Outcome {
    let farm = own.daemon.status()?;
    let words = own.speech.words_to_act(&farm)?;
    let mut trials = all(&own.daemon, words)?;
    if let Some(pond) = &own.pond {
        super::known_pond(&farm, pond, words)?;
        trials.retain(|trial| &trial.treated == pond || &trial.control == pond);
    }
    if own.json {
        let lines = trials.iter().map(super::json_line).collect::<Result<Vec<_>, _>>()?;
        return super::print(&lines.concat());
    }
    super::print_plain(&listed(&trials, &farm, words))
}

/// Every trial of the farm.
pub(super) fn all(daemon: &super::Daemon, words: Words) -> Result<Vec<TrialStatus>, Failure> {
    match daemon.ask(Ask::Trials)? {
        Reply::Trials { trials } => Ok(trials),
        other => Err(daemon.refused(&other, words)),
    }
}

pub(super) fn listed(trials: &[TrialStatus], farm: &FarmStatus, words: Words) -> String {
    if trials.is_empty() {
        return format!("{}\n", say!(words, "trial-none"));
    }
    let clock = plain::clock(farm).read_in(words);
    trials.iter().map(|trial| told(trial, clock)).collect()
}

/// The day of a time by the farm's clock.
fn day(clock: FarmClock, at: &str) -> String {
    at.parse::<Timestamp>()
        .map_or_else(|_| at.to_owned(), |at| clock.offset().to_datetime(at).date().to_string())
}

/// The last day of a trial that is over at a time.
fn last_day(clock: FarmClock, to: &str) -> String {
    let before = to.parse::<Timestamp>().map(|at| (at - 1.hour()).to_string());
    before.map_or_else(|_| to.to_owned(), |at| day(clock, &at))
}

/// A trial for a person.
pub(super) fn told(trial: &TrialStatus, clock: FarmClock) -> String {
    let words = clock.words();
    let mut out = String::new();
    let head = say!(
        words,
        "trial-head",
        trial = trial.trial.to_string(),
        standing = match trial.replaced_by {
            Some(number) => say!(words, "trial-replaced", trial = number.to_string()),
            None => String::new(),
        },
        treated = trial.treated.to_uppercase(),
        control = trial.control.to_uppercase(),
    );
    let _ = writeln!(out, "{head}");
    // One that is not known here is as the daemon says it.
    let named = |key: String, told: &str| words.find(&key).unwrap_or_else(|| told.to_owned());
    let outcome = named(format!("outcome-{}", trial.outcome), &trial.outcome_words);
    let wanted = match trial.wanted.as_str() {
        "rise" => say!(words, "trial-rise", outcome = outcome),
        _ => say!(words, "trial-fall", outcome = outcome),
    };
    let days = say!(
        words,
        "trial-days",
        from = day(clock, &trial.from),
        to = last_day(clock, &trial.to),
        before = trial.days_before.to_string(),
        after = trial.days_after.to_string(),
    );
    let place = trial.replaces.map(|number| say!(words, "trial-in-place", trial = number.to_string()));
    let fixed = say!(
        words,
        "trial-fixed",
        day = day(clock, &trial.fixed_at),
        by = &trial.fixed_by,
        place = place.unwrap_or_default(),
        late = if trial.after_first_dose { say!(words, "trial-late") } else { String::new() },
    );
    for line in [
        wanted,
        named(format!("compared-{}", trial.method), &trial.method_words),
        days,
        say!(words, "trial-chosen", by = &trial.chosen_by, reason = &trial.reason),
        fixed,
    ] {
        paragraph(&mut out, "  ", "  ", &line);
    }
    out
}
