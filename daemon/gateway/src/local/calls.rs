//! Calls and the horn's test as the socket tells them.

use pondreeve_core::call::{CallPlan, HornTest, Outcome};
use pondreeve_core::view::AlarmView;

use serde::{Deserialize, Serialize};

use super::status::rfc3339;

/// Somebody who was called.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CalledStatus {
    /// Step of the plan.
    pub step: String,
    /// Who that is.
    pub name: String,
    /// When, the last time.
    pub at: String,
    /// How often.
    pub times: u32,
    /// What came of the last call: `done`, `left-out` or `failed`; absent while that is not known.
    pub outcome: Option<String>,
    /// Why, where it was left out or failed.
    pub why: Option<String>,
}

/// Who is called next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NextCallStatus {
    /// Step of the plan.
    pub step: String,
    /// Who that is.
    pub name: String,
    /// When.
    pub at: String,
}

/// A test of the horn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HornTestStatus {
    /// When.
    pub at: String,
    /// `done`, `left-out` or `failed`.
    pub outcome: String,
    /// Why, where it was left out or failed.
    pub why: Option<String>,
}

fn outcome_words(outcome: &Outcome) -> (String, Option<String>) {
    match outcome {
        Outcome::Done => ("done".to_owned(), None),
        Outcome::LeftOut(why) => ("left-out".to_owned(), Some(why.clone())),
        Outcome::Failed(why) => ("failed".to_owned(), Some(why.clone())),
    }
}

/// Name of a step; its id where the plan no longer has it.
fn name(plan: &CallPlan, step: &str) -> String {
    let known = plan.steps.iter().find(|known| known.id == step);
    known.map_or(step, |known| known.name.as_str()).to_owned()
}

/// Who was called for an alarm, and who is next.
pub(super) fn called_status(
    alarm: &AlarmView,
    plan: &CallPlan,
) -> (Vec<CalledStatus>, Option<NextCallStatus>) {
    let called = alarm.called.iter().map(|called| {
        let (outcome, why) = called.outcome.as_ref().map(outcome_words).unzip();
        CalledStatus {
            step: called.step.clone(),
            name: name(plan, &called.step),
            at: rfc3339(called.at),
            times: called.times,
            outcome,
            why: why.flatten(),
        }
    });
    let next = alarm.next_call.as_ref().map(|(step, at)| NextCallStatus {
        step: step.clone(),
        name: name(plan, step),
        at: rfc3339(*at),
    });
    (called.collect(), next)
}

pub(super) fn horn_test_status(test: &HornTest) -> HornTestStatus {
    let (outcome, why) = outcome_words(&test.outcome);
    HornTestStatus { at: rfc3339(test.at), outcome, why }
}
