//! Trials as they are fixed and told over the socket.

use pondreeve_core::Event;
use pondreeve_core::evidence::trial::Fixed;
use pondreeve_core::evidence::{Method, Outcome, Trial, Wanted};
use pondreeve_core::said::said;
use serde::{Deserialize, Serialize};

use super::protocol::Reply;
use super::requests::{Counter, Refusal, any_time};
use super::status::rfc3339;

/// A trial, as asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrialAsk {
    /// Pond that is treated.
    pub treated: String,
    /// Its control.
    pub control: String,
    /// Id of what is compared.
    pub outcome: String,
    /// `rise` or `fall`; what a treatment is usually said to do if absent.
    pub wanted: Option<String>,
    /// `before_after` or `doses`.
    pub method: String,
    /// RFC 3339 time from which the days before count.
    pub from: String,
    /// RFC 3339 time at which it is over.
    pub to: String,
    /// Days needed before the first dose.
    pub days_before: u16,
    /// Days needed after.
    pub days_after: u16,
    /// Who chose the ponds.
    pub chosen_by: String,
    /// Why so.
    pub reason: String,
    /// It is known to be chosen after the first dose.
    pub after_first_dose: bool,
    /// The trial whose place it takes.
    pub replaces: Option<u64>,
}

/// A trial as it was fixed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrialStatus {
    /// Its number.
    pub trial: u64,
    /// When it was fixed, RFC 3339.
    pub fixed_at: String,
    /// Who fixed it.
    pub fixed_by: String,
    /// Pond that is treated.
    pub treated: String,
    /// Its control.
    pub control: String,
    /// Id of what is compared.
    pub outcome: String,
    /// In words.
    pub outcome_words: String,
    /// `rise` or `fall`.
    pub wanted: String,
    /// `before_after` or `doses`.
    pub method: String,
    /// In words.
    pub method_words: String,
    /// RFC 3339 time from which the days before count.
    pub from: String,
    /// RFC 3339 time at which it is over.
    pub to: String,
    /// Days needed before the first dose.
    pub days_before: u16,
    /// Days needed after.
    pub days_after: u16,
    /// Who chose the ponds.
    pub chosen_by: String,
    /// Why so.
    pub reason: String,
    /// It was chosen after the first dose.
    pub after_first_dose: bool,
    /// The trial whose place it took.
    pub replaces: Option<u64>,
    /// The trial that took its place.
    pub replaced_by: Option<u64>,
}

impl TrialStatus {
    /// As it is told.
    pub(super) fn of(fixed: &Fixed) -> Self {
        let trial = &fixed.trial;
        Self {
            trial: trial.number,
            fixed_at: rfc3339(fixed.at),
            fixed_by: fixed.by.clone(),
            treated: trial.treated.clone(),
            control: trial.control.clone(),
            outcome: trial.outcome.id().to_owned(),
            outcome_words: trial.outcome.words().to_owned(),
            wanted: trial.wanted.id().to_owned(),
            method: trial.method.id().to_owned(),
            method_words: trial.method.words().to_owned(),
            from: rfc3339(trial.from),
            to: rfc3339(trial.to),
            days_before: trial.days_before,
            days_after: trial.days_after,
            chosen_by: trial.chosen_by.clone(),
            reason: trial.reason.clone(),
            after_first_dose: trial.is_late,
            replaces: trial.replaces,
            replaced_by: fixed.replaced_by,
        }
    }
}

/// One of a few words, or what would have been accepted.
fn one_of<T: Copy>(name: &str, text: &str, all: &[T], id: impl Fn(T) -> &'static str) -> Result<T, Refusal> {
    all.iter().copied().find(|&one| id(one) == text).ok_or_else(|| {
        let ids: Vec<&str> = all.iter().map(|&one| id(one)).collect();
        Refusal::Told(said!(
            "refused-trial-word",
            "{name} = {word} is not known; accepted is {known}",
            name = name,
            word = format!("{text:?}"),
            known = ids.join(", ")
        ))
    })
}

impl Counter {
    /// Fixes a trial; answers with all of them, this one last.
    pub(super) async fn fix_trial(&self, ask: TrialAsk, by: &str) -> Result<Reply, Refusal> {
        let outcome = one_of("outcome", &ask.outcome, &Outcome::ALL, Outcome::id)?;
        let wanted = match &ask.wanted {
            Some(text) => one_of("wanted", text, &[Wanted::Rise, Wanted::Fall], Wanted::id)?,
            None => outcome.usually_wanted(),
        };
        let methods = [Method::BeforeAfter, Method::Doses];
        let trial = Trial {
            number: 0,
            replaces: ask.replaces,
            treated: ask.treated,
            control: ask.control,
            outcome,
            wanted,
            method: one_of("method", &ask.method, &methods, Method::id)?,
            from: any_time(&ask.from)?,
            to: any_time(&ask.to)?,
            days_before: ask.days_before,
            days_after: ask.days_after,
            chosen_by: ask.chosen_by,
            reason: ask.reason,
            is_late: ask.after_first_dose,
        };
        match self.apply(vec![Event::Trial { trial, by: by.to_owned() }]).await? {
            Reply::Done { warning: None, .. } => self.trials().await,
            Reply::Done { warning: Some(warning), .. } => Err(Refusal::Failed(warning)),
            other => Ok(other),
        }
    }

    /// Every trial, oldest first.
    pub(super) async fn trials(&self) -> Result<Reply, Refusal> {
        let fixed = self.desk.trials().await.ok_or(Refusal::Ended)?;
        Ok(Reply::Trials { trials: fixed.iter().map(TrialStatus::of).collect() })
    }
}
