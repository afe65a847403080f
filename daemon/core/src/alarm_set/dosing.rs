//! What is seen of a pond's doses: reminders and what does not add up. None is a danger of its own.

use super::{Condition, Facts, found};
use crate::alarm::{Delays, Sight};
use crate::time::Timestamp;

/// What falls due falls due at its minute, and what was entered counts at once.
const AT_ONCE: Delays = Delays::minutes(0, 0);

/// What is seen of a condition of a pond's doses; `None` for any other condition.
pub(super) fn sight(condition: Condition, facts: &Facts<'_>) -> Option<(Sight, Delays)> {
    let follow = facts.doses;
    let now = facts.now;
    let is_found = match condition {
        Condition::DoseDue => follow.and_then(|follow| follow.due).is_some_and(|due| due <= now),
        Condition::PhCheck(which) => follow.is_some_and(|follow| follow.is_check_due(which, now)),
        Condition::DoseCount => follow.is_some_and(|follow| follow.odd_now(now).is_some()),
        _ => return None,
    };
    Some((found(is_found), AT_ONCE))
}

/// When it changes by the passing of time alone.
pub(super) fn deadline(condition: Condition, facts: &Facts<'_>) -> Option<Timestamp> {
    let follow = facts.doses?;
    match condition {
        Condition::DoseDue => follow.due,
        Condition::PhCheck(which) => follow.check_turn(which, facts.now),
        Condition::DoseCount => match follow.odd.as_ref()? {
            crate::diary::stock::Odd::Dose { until, .. } => Some(*until),
            crate::diary::stock::Odd::Count(_) => None,
        },
        _ => None,
    }
}
