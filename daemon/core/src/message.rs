//! What is said to people: one plain line that tells where, what, how sure, how long is left and
//! what to do. ASCII only, for the oldest serial console; the pond's own name is printed as given.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm_set::{Condition, Facts, SHORT_OF_OXYGEN_MG_L};
use crate::effect::Flag;
use crate::limit_change;
use crate::quality::Seen;
use crate::said::{self, Said, fixed, said, tenth};
use crate::site::{Limits, Pond};
use crate::time::Span;

pub mod dosing;
mod oxygen;
mod plankton;
mod probes;
mod water;

pub use probes::{contradicted, doubted, fault, probe_doubt, probe_fault, probe_misset, quantity_said, word};
pub(crate) use probes::{quantity_id, spoken};

/// Said wherever somebody may have to go out to the water at night.
pub(crate) fn in_doubt() -> Said {
    said!("in-doubt", "If in doubt, start aerators and look.")
}

/// A length of time as a person says it.
pub fn length(span: Span) -> String {
    said::length(span).into()
}

/// The pond as messages name it.
pub fn place(pond: &Pond) -> String {
    if pond.name == pond.id { pond.id.clone() } else { format!("{} ({})", pond.name, pond.id) }
}

fn doubt_of_ph(seen: Seen) -> Said {
    if seen.flag == Flag::Suspect {
        said!("doubt-ph", " pH reading suspect: check with a hand meter.")
    } else {
        Said::default()
    }
}

/// The message of a pond's condition while it holds.
pub fn condition(condition: Condition, pond: &Pond, limits: &Limits, facts: &Facts<'_>) -> Said {
    let place = place(pond);
    let limit = condition.threshold_now(limits, facts).map_or(0.0, |(threshold, _)| threshold.limit);
    match condition {
        Condition::DoLow(level) => oxygen::low(&place, level, limit, pond, limits, facts),
        Condition::DoFalling => oxygen::falls(&place, limits, facts),
        Condition::DoForecast(level) => oxygen::forecast(&place, level, pond, limits, facts),
        Condition::DoBlind(_) => oxygen::unseen(&place, facts),
        Condition::AeratorStopped(_) => oxygen::aerators_stopped(&place, pond, limits, facts),
        Condition::PhLow(_) | Condition::PhHigh(_) => {
            let is_low = matches!(condition, Condition::PhLow(_));
            let side = side(is_low);
            let act = if is_low {
                said!(
                    "ph-do-low",
                    "Check alkalinity, rain and seepage; hydrogen sulfide grows more toxic as pH falls."
                )
            } else {
                said!("ph-do-high", "Dose nothing alkaline; ammonia grows more toxic as pH rises. Test TAN.")
            };
            let limit = tenth(limit);
            match facts.ph {
                Some(seen) => said!(
                    "said-ph",
                    "{place}: pH {value}, {side} {limit}.{doubt} {act}",
                    place = place,
                    value = fixed(seen.value, 2),
                    side = side,
                    limit = limit,
                    doubt = doubt_of_ph(seen),
                    act = act
                ),
                None => said!(
                    "said-ph-unseen",
                    "{place}: pH was {side} {limit} when last seen. {act}",
                    place = place,
                    side = side,
                    limit = limit,
                    act = act
                ),
            }
        }
        Condition::Nh3Mean(_) | Condition::Nh3Peak(_) => {
            let Some(day) = facts.ammonia else {
                return said!(
                    "said-nh3-unseen",
                    "{place}: un-ionised ammonia was above {limit} mg/L. Test TAN again.",
                    place = place,
                    limit = fixed(limit, 2)
                );
            };
            let (what, value) = match condition {
                Condition::Nh3Mean(_) => (said!("nh3-mean", "mean of the last 24 h"), day.mean_mg_l),
                _ => (said!("nh3-peak", "peak of the last 24 h"), day.peak_mg_l),
            };
            let doubt = if day.suspect {
                said!("nh3-doubt", " A reading behind it is suspect: check with a hand meter.")
            } else {
                Said::default()
            };
            let set = condition.threshold(limits).map_or(0.0, |(threshold, _)| threshold.limit);
            let half = if limit < set {
                said!(
                    "nh3-half",
                    ", half of {set}: oxygen is below {oxygen}, which makes ammonia more toxic",
                    set = fixed(set, 2),
                    oxygen = tenth(SHORT_OF_OXYGEN_MG_L)
                )
            } else {
                Said::default()
            };
            said!(
                "said-nh3",
                "{place}: un-ionised ammonia {value} mg/L as N, {what} (limit {limit}{half}), from TAN {tan} mg/L.{doubt} Cut feed, keep oxygen high, dose nothing alkaline, test TAN again.",
                place = place,
                value = fixed(value, 2),
                what = what,
                limit = fixed(limit, 2),
                half = half,
                tan = fixed(day.tan_mg_l, 2),
                doubt = doubt
            )
        }
        Condition::PlanktonCrash => plankton::crashed(&place, facts.crash),
        Condition::PlanktonBloom => plankton::blooms(&place, facts.bloom),
        Condition::LaxLimits => lax_limits(&place, limits),
        Condition::DoseDue | Condition::PhCheck(_) | Condition::DoseCount => {
            dosing::holds(&place, condition, pond, limits, facts)
        }
        Condition::Water(own) => water::holds(&place, own, &limits.water, facts.marks, facts.oxygen),
    }
}

/// The message of a pond's condition when it has cleared.
pub fn cleared(condition: Condition, pond: &Pond, facts: &Facts<'_>) -> Said {
    let place = place(pond);
    let value =
        |seen: Option<Seen>, unit: &str| seen.map(|seen| now_at(seen.value, unit)).unwrap_or_default();
    match condition {
        Condition::DoLow(_) | Condition::DoFalling => {
            let now = value(facts.oxygen, " mg/L");
            said!("over-oxygen", "{place}: oxygen is back within its limit{now}.", place = place, now = now)
        }
        Condition::DoForecast(_) if facts.forecast_over => {
            let oxygen = facts
                .oxygen
                .map(|seen| said!("now-oxygen", ", now {value} mg/L of oxygen", value = tenth(seen.value)));
            let now = oxygen.unwrap_or_default();
            said!("over-night", "{place}: the night is over{now}.", place = place, now = now)
        }
        Condition::DoForecast(_) => {
            said!("over-forecast", "{place}: oxygen is no longer forecast to fall so low.", place = place)
        }
        Condition::DoBlind(_) => said!(
            "over-blind",
            "{place}: oxygen is observed again, or the night is over{now}.",
            place = place,
            now = value(facts.oxygen, " mg/L")
        ),
        Condition::AeratorStopped(_) if facts.forecast_over => {
            said!("over-night", "{place}: the night is over{now}.", place = place, now = "")
        }
        Condition::AeratorStopped(_) => {
            said!("over-stopped", "{place}: the stopped aerators turn again.", place = place)
        }
        Condition::PhLow(_) | Condition::PhHigh(_) => said!(
            "over-ph",
            "{place}: pH is back within its limit{now}.",
            place = place,
            now = value(facts.ph, "")
        ),
        Condition::Nh3Mean(_) | Condition::Nh3Peak(_) => {
            said!("over-nh3", "{place}: un-ionised ammonia is back within its limit.", place = place)
        }
        Condition::PlanktonCrash => said!(
            "over-crash",
            "{place}: the day's oxygen production is back near the usual, or a week has passed.",
            place = place
        ),
        Condition::PlanktonBloom => said!(
            "over-bloom",
            "{place}: the day's oxygen production is near that of before again, or a week has passed.",
            place = place
        ),
        Condition::LaxLimits => {
            said!("over-lax", "{place}: no limit of low oxygen is dangerously low any more.", place = place)
        }
        Condition::DoseDue | Condition::PhCheck(_) | Condition::DoseCount => {
            dosing::over(&place, condition, facts)
        }
        Condition::Water(own) => water::over(&place, own, facts.marks),
    }
}

/// Which limits of low oxygen are below what is safe.
fn lax_limits(place: &str, limits: &Limits) -> Said {
    let told: Vec<Said> = limit_change::below_floor(limits)
        .map(|(level, limit, floor)| {
            said!(
                "lax-one",
                "{level} at {limit} mg/L (not below {floor})",
                level = match level {
                    "warn" => said!("level-warn", "warn"),
                    "critical" => said!("level-critical", "critical"),
                    "emergency" => said!("level-emergency", "emergency"),
                    "forecast warn" => said!("level-forecast-warn", "forecast warn"),
                    "forecast critical" => said!("level-forecast-critical", "forecast critical"),
                    other => Said::plain(other),
                },
                limit = format!("{limit}"),
                floor = tenth(floor)
            )
        })
        .collect();
    said!(
        "said-lax",
        "{place}: low oxygen alarms too late: {told}. Shrimp may die before anybody is called. Ask the adviser, and set it back.",
        place = place,
        told = Said::joined(told, ", ")
    )
}

/// `, now 4.2 mg/L`.
fn now_at(value: f64, unit: &str) -> Said {
    said!("now-at", ", now {value}{unit}", value = tenth(value), unit = unit)
}

/// On which side of a limit.
fn side(is_below: bool) -> Said {
    if is_below { said!("side-below", "below") } else { said!("side-above", "above") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_said_in_the_largest_fitting_unit() {
        for (minutes, said) in [
            (0, "less than a minute"),
            (1, "1 min"),
            (59, "59 min"),
            (60, "1 h"),
            (135, "2 h 15 min"),
            (2_880, "2 days"),
        ] {
            assert_eq!(length(Span::from_minutes(minutes)), said);
        }
        assert_eq!(length(Span::from_minutes(-5)), "less than a minute");
    }
}
