//! A trial, fixed before the first dose: what will be compared, how, and from when to when.
//!
//! Who looks at the outcome first and chooses the analysis afterwards can find an effect in anything. A trial
//! is therefore written down beforehand. It is never changed: a later one takes its place, and both are shown.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::outcome::{DAYS_AFTER, DAYS_BEFORE, Outcome, Wanted};
use crate::said::{Said, length, said};
use crate::time::{Span, Timestamp};

/// Longest text that is taken, characters.
const LONGEST: usize = 500;

/// Most days of a trial.
const MOST_DAYS: usize = 400;

/// How it is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Method {
    /// Before and after, treated and control.
    BeforeAfter,
    /// The days after doses, beside sham days.
    Doses,
}

impl Method {
    /// As commands and files name it.
    pub const fn id(self) -> &'static str {
        match self {
            Self::BeforeAfter => "before_after",
            Self::Doses => "doses",
        }
    }

    /// Finds it by its name.
    pub fn from_id(id: &str) -> Option<Self> {
        [Self::BeforeAfter, Self::Doses].into_iter().find(|own| own.id() == id)
    }

    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::BeforeAfter => "before and after the first dose, treated less control",
            Self::Doses => "the day after each dose against the three days before, treated less control",
        }
    }
}

/// A trial.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Trial {
    /// Counted through the farm from 1. 0 until [`crate::State::complete`] has accepted it: one that stands in
    /// the journal with 0 was refused.
    pub number: u64,
    /// The trial whose place it takes.
    pub replaces: Option<u64>,
    /// Id of the pond that is treated.
    pub treated: String,
    /// Id of its control.
    pub control: String,
    /// What is compared.
    pub outcome: Outcome,
    /// Which way it should go.
    pub wanted: Wanted,
    /// How.
    pub method: Method,
    /// When the time before the first dose begins.
    pub from: Timestamp,
    /// When the trial is over.
    pub to: Timestamp,
    /// Days that it needs before the first dose.
    pub days_before: u16,
    /// Days that it needs after.
    pub days_after: u16,
    /// Who chose which pond is treated and which is control.
    pub chosen_by: String,
    /// Why so.
    pub reason: String,
    /// It was fixed after the first dose.
    pub is_late: bool,
}

/// A trial as it was fixed.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Fixed {
    /// The trial.
    pub trial: Trial,
    /// When it was fixed.
    pub at: Timestamp,
    /// Who fixed it.
    pub by: String,
    /// The trial that took its place.
    pub replaced_by: Option<u64>,
}

/// What is known of a trial's ponds.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Doses {
    /// The treated pond's newest dose.
    pub treated: Option<Timestamp>,
    /// The control's newest dose.
    pub control: Option<Timestamp>,
}

/// Checks a trial, whatever was fixed before.
///
/// # Errors
/// What is wrong, and what would have been accepted.
pub fn check(trial: &Trial, ponds: &[&str], doses: Doses, now: Timestamp) -> Result<(), Said> {
    for (name, id) in [("treated", &trial.treated), ("control", &trial.control)] {
        if !ponds.contains(&id.as_str()) {
            return Err(said!(
                "refused-trial-pond",
                "{name} = {pond} is no pond of the farm; accepted is {known}",
                name = name,
                pond = id,
                known = ponds.join(", ")
            ));
        }
    }
    if trial.treated == trial.control {
        return Err(said!(
            "refused-trial-own-control",
            "{pond} cannot be its own control; accepted is another pond that is not treated",
            pond = &trial.treated
        ));
    }
    if trial.method == Method::Doses && !trial.outcome.can_bounce() {
        let can: Vec<&str> =
            Outcome::ALL.into_iter().filter(|own| own.can_bounce()).map(Outcome::id).collect();
        return Err(said!(
            "refused-trial-by-doses",
            "{outcome} cannot be looked at dose by dose; accepted is {known}, or the method {method}",
            outcome = trial.outcome.id(),
            known = can.join(", "),
            method = Method::BeforeAfter.id()
        ));
    }
    let (before, after) = (usize::from(trial.days_before), usize::from(trial.days_after));
    if before < DAYS_BEFORE || after < DAYS_AFTER {
        return Err(said!(
            "refused-trial-few-days",
            "{before} days before and {after} after are too few; accepted are at least {least_before} and {least_after}",
            before = format!("{before}"),
            after = format!("{after}"),
            least_before = format!("{DAYS_BEFORE}"),
            least_after = format!("{DAYS_AFTER}")
        ));
    }
    let days = (trial.to - trial.from).as_hours() / 24.0;
    let least = before.saturating_add(after).saturating_add(1);
    if days < least as f64 || days > MOST_DAYS as f64 {
        return Err(said!(
            "refused-trial-length",
            "the trial would last {days} days; accepted are {least} ({before} before, the day of the first dose, {after} after) to {most}",
            days = format!("{days:.0}"),
            least = format!("{least}"),
            before = format!("{before}"),
            after = format!("{after}"),
            most = format!("{MOST_DAYS}")
        ));
    }
    if trial.to <= now {
        return Err(said!(
            "refused-trial-over",
            "the trial would be over before it is fixed; accepted is an end that lies ahead"
        ));
    }
    for (name, text) in [("by", &trial.chosen_by), ("reason", &trial.reason)] {
        let characters = text.chars().count();
        if text.trim().is_empty() || characters > LONGEST {
            return Err(said!(
                "refused-trial-text",
                "{name} has {length} characters; accepted are 1 to {longest}, not all blank",
                name = name,
                length = format!("{characters}"),
                longest = format!("{LONGEST}")
            ));
        }
    }
    if let Some(at) = doses.control.filter(|&at| at >= trial.from) {
        return Err(said!(
            "refused-trial-control-dosed",
            "{pond} was dosed {ago} ago, within the trial: it is no untreated control; accepted is a pond without a dose since the trial begins",
            pond = &trial.control,
            ago = length(now - at)
        ));
    }
    if let Some(at) = doses.treated.filter(|&at| at >= trial.from && !trial.is_late) {
        return Err(said!(
            "refused-trial-late",
            "{pond} was dosed {ago} ago, after the trial begins: what is chosen now was not chosen before the first dose; accepted is a later begin, or to mark it as chosen after the first dose, which then is said with the result",
            pond = &trial.treated,
            ago = length(now - at)
        ));
    }
    Ok(())
}

/// The trials of a farm, in the order in which they were fixed.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Trials {
    kept: Vec<Fixed>,
}

impl Trials {
    /// All of them, oldest first, those whose place was taken too.
    pub fn all(&self) -> &[Fixed] {
        &self.kept
    }

    /// Number of the newest.
    pub fn newest(&self) -> u64 {
        self.kept.iter().map(|own| own.trial.number).max().unwrap_or(0)
    }

    /// Whether one can take the place that it asks for.
    ///
    /// # Errors
    /// Why not, and what would have been accepted.
    pub fn can_replace(&self, trial: &Trial) -> Result<(), Said> {
        let Some(number) = trial.replaces else {
            let same = |own: &&Fixed| {
                let other = &own.trial;
                own.replaced_by.is_none()
                    && (&other.treated, &other.control, other.outcome, other.method)
                        == (&trial.treated, &trial.control, trial.outcome, trial.method)
                    && other.from < trial.to
                    && trial.from < other.to
            };
            return self.kept.iter().find(same).map_or(Ok(()), |own| {
                Err(said!(
                    "refused-trial-same",
                    "trial {trial} already compares the same in the same ponds at that time; accepted is to replace trial {trial} openly",
                    trial = format!("{}", own.trial.number)
                ))
            });
        };
        match self.kept.iter().find(|own| own.trial.number == number) {
            None => Err(said!(
                "refused-trial-none",
                "it replaces trial {trial}, which there is not; accepted are trials of this farm",
                trial = format!("{number}")
            )),
            Some(Fixed { replaced_by: Some(later), .. }) => Err(said!(
                "refused-trial-replaced",
                "it replaces trial {trial}, whose place trial {later} has taken; accepted is to replace trial {later}",
                trial = format!("{number}"),
                later = format!("{later}")
            )),
            Some(_) => Ok(()),
        }
    }

    /// Takes a trial that was accepted.
    pub fn take(&mut self, trial: &Trial, at: Timestamp, by: &str) {
        if trial.number <= self.newest() {
            return;
        }
        if let Some(replaced) = self.kept.iter_mut().find(|own| Some(own.trial.number) == trial.replaces) {
            replaced.replaced_by = Some(trial.number);
        }
        self.kept.push(Fixed { trial: trial.clone(), at, by: String::from(by), replaced_by: None });
    }
}

/// Whether two trials are two pairs: ponds that are in both at the same time are the same ponds twice, and what
/// befalls them there is told twice.
pub fn are_apart(one: &Trial, two: &Trial) -> bool {
    let ponds = [&one.treated, &one.control];
    let shares = ponds.contains(&&two.treated) || ponds.contains(&&two.control);
    !shares || one.to <= two.from || two.to <= one.from
}

/// Whether a trial that was fixed at a time had its first dose before.
pub fn is_late(fixed: Timestamp, first_dose: Timestamp) -> bool {
    first_dose - fixed < Span::ZERO
}
