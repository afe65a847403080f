//! What is said of a pond's doses.

use alloc::format;
use alloc::vec::Vec;

use crate::alarm_set::{Condition, Facts};
use crate::diary::stock::{Disagreement, Odd, lot_said};
use crate::dosing::follow_up::{CHECKS, FollowUp};
use crate::dosing::{OXYGEN_AT_LEAST, PH_AT_MOST};
use crate::said::{Said, fixed, length, said, tenth};
use crate::site::{Limits, Pond};

/// What to do while it is not known what was given.
fn take_more() -> Said {
    said!(
        "dose-take-more",
        "Until it is settled take the larger amount as given: aerators on, read pH each hour, test TAN, no acid by guess; `pondreeve plan wrong-dose` has the steps."
    )
}

/// How long after a dose a check of the pH is asked for.
pub(crate) fn check_after(which: usize) -> Said {
    CHECKS.get(which).map(|after| length(*after)).unwrap_or_default()
}

/// The message while it holds.
pub(super) fn holds(
    place: &str,
    condition: Condition,
    pond: &Pond,
    limits: &Limits,
    facts: &Facts<'_>,
) -> Said {
    let Some(follow) = facts.doses else {
        return said!("said-dose-unknown", "{place}: nothing is known of its doses.", place = place);
    };
    match condition {
        Condition::DoseDue => due(place, pond, facts, follow),
        Condition::PhCheck(which) => check(place, pond, limits, which, follow),
        _ => odd(place, follow),
    }
}

fn due(place: &str, pond: &Pond, facts: &Facts<'_>, follow: &FollowUp) -> Said {
    let every = pond.dose_every.map(length).unwrap_or_default();
    let last = follow.last.map_or_else(
        || said!("dose-none-yet", "none is recorded yet"),
        |last| {
            said!(
                "dose-was",
                "{dose} was {ago} ago",
                dose = follow.dose_words(),
                ago = length(facts.now - last.at)
            )
        },
    );
    let mut against: Vec<Said> = Vec::new();
    if let Some(ph) = facts.ph.filter(|seen| seen.value > PH_AT_MOST) {
        against.push(said!(
            "dose-not-ph",
            "pH {ph} is above {most}",
            ph = fixed(ph.value, 2),
            most = tenth(PH_AT_MOST)
        ));
    }
    if let Some(oxygen) = facts.oxygen.filter(|seen| seen.value < OXYGEN_AT_LEAST) {
        against.push(said!(
            "dose-not-oxygen",
            "oxygen {oxygen} mg/L is below {least}",
            oxygen = tenth(oxygen.value),
            least = fixed(OXYGEN_AT_LEAST, 0)
        ));
    }
    let against = if against.is_empty() {
        Said::default()
    } else {
        said!("dose-not-now", " NOT now: {why}.", why = Said::joined(against, ", "))
    };
    said!(
        "said-dose-due",
        "{place}: a dose is due, one each {every}: {last}.{against} Plan it first: `pondreeve plan dose --pond {pond}` says how much, and whether now is the time. A week left out does no harm.",
        place = place,
        every = every,
        last = last,
        against = against,
        pond = &pond.id
    )
}

fn check(place: &str, pond: &Pond, limits: &Limits, which: usize, follow: &FollowUp) -> Said {
    let [warn, ..] = limits.ph_high;
    said!(
        "said-ph-check",
        "{place}: read the pH by hand, {after} after {dose}, and enter it: `pondreeve enter --pond {pond} ph=VALUE`. Above {limit}: aerators on, no feed, test TAN, tell the adviser; no acid by guess.",
        place = place,
        after = check_after(which),
        dose = follow.dose_words(),
        pond = &pond.id,
        limit = tenth(warn.limit)
    )
}

/// Containers as a person counts them, and their kilograms where one's content is known.
fn containers(count: f64, container_kg: Option<f64>) -> Said {
    let kg = container_kg
        .map(|each| said!("containers-kg", " ({kg} kg)", kg = fixed(count * each, 0)))
        .unwrap_or_default();
    if (count - 1.0).abs() < 0.05 {
        said!("containers-one", "{count} container{kg}", count = tenth(count), kg = kg)
    } else {
        said!("containers-some", "{count} containers{kg}", count = tenth(count), kg = kg)
    }
}

/// The doses that a count is held against.
fn doses(odd: &Disagreement) -> Said {
    if odd.doses.is_empty() {
        return said!("count-no-dose", "no dose was recorded since");
    }
    let entry = |(number, pond): &(u64, alloc::string::String)| {
        said!("count-dose", "{pond} (entry {number})", pond = pond, number = format!("{number}"))
    };
    let told = Said::joined(odd.doses.iter().map(entry).collect(), ", ");
    said!("count-doses", "doses of {doses} used {used}", doses = told, used = tenth(odd.used))
}

fn odd(place: &str, follow: &FollowUp) -> Said {
    match &follow.odd {
        Some(Odd::Count(odd)) => {
            let excess = odd.excess();
            let delivered = if odd.delivered > 0.0 {
                said!("count-delivered", " and {delivered} delivered", delivered = tenth(odd.delivered))
            } else {
                Said::default()
            };
            let counted = said!(
                "count-disagrees",
                "{place}: doses and containers of {lot} disagree: {left} left of {before}{delivered}, {doses}",
                place = place,
                lot = lot_said(odd.lot.as_ref()),
                left = tenth(odd.left),
                before = tenth(odd.before),
                delivered = delivered,
                doses = doses(odd)
            );
            if excess > 0.0 {
                said!(
                    "said-count-more",
                    "{counted}; {containers} more are gone than were entered. Count again; was a dose larger than entered, not entered, or of another lot? Correct that, or say why they are gone. {todo}",
                    counted = counted,
                    containers = containers(excess, odd.container_kg),
                    todo = take_more()
                )
            } else {
                said!(
                    "said-count-fewer",
                    "{counted}; {containers} fewer are gone than were entered. Count again; was a dose entered twice, not given, smaller than entered, or of another lot? Correct that.",
                    counted = counted,
                    containers = containers(-excess, odd.container_kg)
                )
            }
        }
        Some(Odd::Dose { number, words, .. }) => said!(
            "said-dose-amounts",
            "{place}: the amounts of a dose disagree (entry {number}): {words}. Count the containers and weigh again; correct the entry. {todo}",
            place = place,
            number = format!("{number}"),
            words = words,
            todo = take_more()
        ),
        None => said!("said-dose-odd", "{place}: doses and containers disagreed.", place = place),
    }
}

/// The message when it is over.
pub(super) fn over(place: &str, condition: Condition, facts: &Facts<'_>) -> Said {
    match condition {
        Condition::DoseDue => {
            said!("over-dose-due", "{place}: no dose is due any more.", place = place)
        }
        Condition::PhCheck(which) => {
            let after = check_after(which);
            match facts.doses.and_then(|follow| follow.made(which)) {
                Some(ph) => said!(
                    "over-ph-check",
                    "{place}: pH was read {after} after the dose: {ph}.",
                    place = place,
                    after = after,
                    ph = fixed(ph, 2)
                ),
                None => said!(
                    "over-ph-check-missed",
                    "{place}: no pH was read {after} after the dose; its time is over.",
                    place = place,
                    after = after
                ),
            }
        }
        _ => said!(
            "over-dose-odd",
            "{place}: doses and containers agree again, or the difference is explained.",
            place = place
        ),
    }
}

/// How it stands, where it is not in alarm.
pub fn stands(condition: Condition, facts: &Facts<'_>) -> Said {
    let Some(follow) = facts.doses else {
        return said!("stands-dose-unknown", "nothing is known of the pond's doses");
    };
    match condition {
        Condition::DoseDue => follow.due.map_or_else(
            || said!("stands-no-programme", "the pond has no programme of doses, or its crop is harvested"),
            |due| said!("stands-dose-due", "the next dose is due in {left}", left = length(due - facts.now)),
        ),
        Condition::PhCheck(which) => match (follow.made(which), follow.check_window(which)) {
            (Some(ph), _) => said!(
                "stands-check-made",
                "it was made after {dose}: pH {ph}",
                dose = follow.dose_words(),
                ph = fixed(ph, 2)
            ),
            (None, Some((from, _))) if from > facts.now => {
                said!("stands-check-later", "it is asked for in {left}", left = length(from - facts.now))
            }
            (None, Some(_)) => said!(
                "stands-check-missed",
                "it was not made after {dose}, and its time is over",
                dose = follow.dose_words()
            ),
            (None, None) => said!("stands-no-dose", "no dose is recorded"),
        },
        _ => said!("stands-count", "what was counted fits what was recorded, or nothing was counted"),
    }
}
