//! What is said of a pond's doses.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::length;
use crate::alarm_set::{Condition, Facts};
use crate::diary::stock::{Disagreement, Odd, lot_words};
use crate::dosing::follow_up::{CHECKS, FollowUp};
use crate::dosing::{OXYGEN_AT_LEAST, PH_AT_MOST};
use crate::site::{Limits, Pond};

/// What to do while it is not known what was given.
const TAKE_MORE: &str = "Until it is settled take the larger amount as given: aerators on, read pH each hour, test TAN, \
no acid by guess; `pondreeve plan wrong-dose` has the steps.";

/// The message while it holds.
pub(super) fn holds(
    place: &str,
    condition: Condition,
    pond: &Pond,
    limits: &Limits,
    facts: &Facts<'_>,
) -> String {
    let Some(follow) = facts.doses else { return format!("{place}: nothing is known of its doses.") };
    match condition {
        Condition::DoseDue => due(place, pond, facts, follow),
        Condition::PhCheck(which) => check(place, pond, limits, which, follow),
        _ => odd(place, follow),
    }
}

fn due(place: &str, pond: &Pond, facts: &Facts<'_>, follow: &FollowUp) -> String {
    let every = pond.dose_every.map(length).unwrap_or_default();
    let last = follow.last.map_or_else(
        || String::from("none is recorded yet"),
        |last| format!("{} was {} ago", follow.dose_words(), length(facts.now - last.at)),
    );
    let mut against: Vec<String> = Vec::new();
    if let Some(ph) = facts.ph.filter(|seen| seen.value > PH_AT_MOST) {
        against.push(format!("pH {:.2} is above {PH_AT_MOST:.1}", ph.value));
    }
    if let Some(oxygen) = facts.oxygen.filter(|seen| seen.value < OXYGEN_AT_LEAST) {
        against.push(format!("oxygen {:.1} mg/L is below {OXYGEN_AT_LEAST:.0}", oxygen.value));
    }
    let against =
        if against.is_empty() { String::new() } else { format!(" NOT now: {}.", against.join(", ")) };
    format!(
        "{place}: a dose is due, one each {every}: {last}.{against} Plan it first: `pondreeve plan dose --pond {}` says how much, and whether now is the time. A week left out does no harm.",
        pond.id
    )
}

fn check(place: &str, pond: &Pond, limits: &Limits, which: usize, follow: &FollowUp) -> String {
    let after = CHECKS.get(which).map(|after| length(*after)).unwrap_or_default();
    let [warn, ..] = limits.ph_high;
    format!(
        "{place}: read the pH by hand, {after} after {}, and enter it: `pondreeve enter --pond {} ph=VALUE`. Above {:.1}: aerators on, no feed, test TAN, tell the adviser; no acid by guess.",
        follow.dose_words(),
        pond.id,
        warn.limit,
    )
}

/// Containers as a person counts them, and their kilograms where one's content is known.
fn containers(count: f64, container_kg: Option<f64>) -> String {
    let word = if (count - 1.0).abs() < 0.05 { "container" } else { "containers" };
    let kg = container_kg.map(|each| format!(" ({:.0} kg)", count * each)).unwrap_or_default();
    format!("{count:.1} {word}{kg}")
}

/// The doses that a count is held against.
fn doses(odd: &Disagreement) -> String {
    if odd.doses.is_empty() {
        return String::from("no dose was recorded since");
    }
    let said: Vec<String> =
        odd.doses.iter().map(|(number, pond)| format!("{pond} (entry {number})")).collect();
    format!("doses of {} used {:.1}", said.join(", "), odd.used)
}

fn odd(place: &str, follow: &FollowUp) -> String {
    match &follow.odd {
        Some(Odd::Count(odd)) => {
            let (lot, excess) = (lot_words(odd.lot.as_ref()), odd.excess());
            let delivered = if odd.delivered > 0.0 {
                format!(" and {:.1} delivered", odd.delivered)
            } else {
                String::new()
            };
            let counted = format!(
                "{place}: doses and containers of {lot} disagree: {:.1} left of {:.1}{delivered}, {}",
                odd.left,
                odd.before,
                doses(odd)
            );
            if excess > 0.0 {
                format!(
                    "{counted}; {} more are gone than were entered. Count again; was a dose larger than entered, not entered, or of another lot? Correct that, or say why they are gone. {TAKE_MORE}",
                    containers(excess, odd.container_kg)
                )
            } else {
                format!(
                    "{counted}; {} fewer are gone than were entered. Count again; was a dose entered twice, not given, smaller than entered, or of another lot? Correct that.",
                    containers(-excess, odd.container_kg)
                )
            }
        }
        Some(Odd::Dose { number, words, .. }) => format!(
            "{place}: the amounts of a dose disagree (entry {number}): {words}. Count the containers and weigh again; correct the entry. {TAKE_MORE}"
        ),
        None => format!("{place}: doses and containers disagreed."),
    }
}

/// The message when it is over.
pub(super) fn over(place: &str, condition: Condition, facts: &Facts<'_>) -> String {
    match condition {
        Condition::DoseDue => format!("{place}: no dose is due any more."),
        Condition::PhCheck(which) => {
            let after = CHECKS.get(which).map(|after| length(*after)).unwrap_or_default();
            match facts.doses.and_then(|follow| follow.made(which)) {
                Some(ph) => format!("{place}: pH was read {after} after the dose: {ph:.2}."),
                None => format!("{place}: no pH was read {after} after the dose; its time is over."),
            }
        }
        _ => format!("{place}: doses and containers agree again, or the difference is explained."),
    }
}

/// How it stands, where it is not in alarm.
pub fn stands(condition: Condition, facts: &Facts<'_>) -> String {
    let Some(follow) = facts.doses else { return String::from("nothing is known of the pond's doses") };
    match condition {
        Condition::DoseDue => follow.due.map_or_else(
            || String::from("the pond has no programme of doses, or its crop is harvested"),
            |due| format!("the next dose is due in {}", length(due - facts.now)),
        ),
        Condition::PhCheck(which) => match (follow.made(which), follow.check_window(which)) {
            (Some(ph), _) => format!("it was made after {}: pH {ph:.2}", follow.dose_words()),
            (None, Some((from, _))) if from > facts.now => {
                format!("it is asked for in {}", length(from - facts.now))
            }
            (None, Some(_)) => format!("it was not made after {}, and its time is over", follow.dose_words()),
            (None, None) => String::from("no dose is recorded"),
        },
        _ => String::from("what was counted fits what was recorded, or nothing was counted"),
    }
}
