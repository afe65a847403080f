//! What is said to people: one plain line that tells where, what, how sure, how long is left and
//! what to do. ASCII only, for the oldest serial console; the pond's own name is printed as given.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm_set::{Condition, Facts, SHORT_OF_OXYGEN_MG_L};
use crate::effect::{Flag, Test};
use crate::input::ProbeFault;
use crate::limit_change;
use crate::quality::{HandCheck, Seen};
use crate::quantity::Quantity;
use crate::site::{Limits, Pond};
use crate::time::Span;
use crate::verdict::{Leaning, Verdict};

mod plankton;
mod water;

/// Said wherever somebody may have to go out to the water at night.
pub const IN_DOUBT: &str = "If in doubt, start aerators and look.";

/// A length of time as a person says it.
pub fn length(span: Span) -> String {
    let minutes = span.as_millis().max(0).saturating_add(30_000) / 60_000;
    let (hours, rest) = (minutes / 60, minutes % 60);
    match (hours, rest) {
        (0, 0) => String::from("less than a minute"),
        (0, _) => format!("{minutes} min"),
        (1..48, 0) => format!("{hours} h"),
        (1..48, _) => format!("{hours} h {rest} min"),
        _ => format!("{} days", hours / 24),
    }
}

/// The pond as messages name it.
pub fn place(pond: &Pond) -> String {
    if pond.name == pond.id { pond.id.clone() } else { format!("{} ({})", pond.name, pond.id) }
}

fn doubt(seen: Seen, what: &str) -> String {
    if seen.flag == Flag::Suspect {
        format!(" {what} reading suspect: check with a hand meter.")
    } else {
        String::new()
    }
}

/// The doubt about the pond's oxygen, with what speaks for the probe or for the water where that can be
/// told. A probe that nothing doubts but the clues is suspect all the same.
fn oxygen_doubt(seen: Seen, verdict: Option<&Verdict>) -> String {
    let leaning = verdict.map(Verdict::leaning);
    let by = verdict
        .filter(|_| leaning != Some(Leaning::Unsure))
        .map(|verdict| format!(", {}", verdict.line()))
        .unwrap_or_default();
    if seen.flag == Flag::Suspect || leaning == Some(Leaning::Probe) {
        format!(" Oxygen reading suspect{by}: check with a hand meter.")
    } else {
        String::new()
    }
}

/// What is wrong with a probe, by a test that doubts it.
pub fn doubted(quantity: Quantity, test: Test, flag: Flag) -> String {
    let what = word(quantity);
    let todo = match test {
        Test::Syntax | Test::GrossRange => "check its cable and wiring",
        Test::FlatLine | Test::AttenuatedSignal => "clean it, then read again beside a hand meter",
        Test::Step => "look whether it hangs as it should, free of bubbles; compare with a hand meter",
        Test::Spike | Test::Restless => {
            "check its plug, cable and earth, and that it hangs clear of aerators and bubbles"
        }
        Test::Recovery => "clean and calibrate it, then compare with a hand meter",
        _ => "compare with a hand meter",
    };
    if test == Test::Syntax {
        return format!("sends impossible values of {what}: {todo}");
    }
    let how = if flag == Flag::Fail { "cannot be used" } else { "is suspect" };
    format!("reads {what} that {how} ({}): {todo}", test.complaint())
}

/// The message of a pond's condition while it holds.
pub fn condition(condition: Condition, pond: &Pond, limits: &Limits, facts: &Facts<'_>) -> String {
    let place = place(pond);
    let limit = condition.threshold_now(limits, facts).map_or(0.0, |(threshold, _)| threshold.limit);
    match condition {
        Condition::DoLow(level) => {
            let Some(seen) = facts.oxygen else {
                return format!(
                    "{place}: oxygen was below {limit:.1} mg/L when last seen, and is not observed now. Start aerators and look; check with a hand meter."
                );
            };
            if let Some((check, left)) = facts.hand_counts {
                return format!(
                    "{place}: a probe reads oxygen {:.1} mg/L, a hand meter read {:.1}: a fault of the probe. The hand meter counts for another {}, then the probe again: measure once more by hand before that. {IN_DOUBT}",
                    check.probe,
                    check.hand,
                    length(left),
                );
            }
            let what = match level {
                0 => "oxygen low",
                1 => "oxygen critically low",
                _ => "EMERGENCY, oxygen",
            };
            format!(
                "{place}: {what}, {:.1} mg/L (limit {limit:.1}){}.{} {}",
                seen.value,
                trend(limits, facts, seen),
                oxygen_doubt(seen, facts.verdict),
                what_to_do_low(level, seen),
            )
        }
        Condition::DoFalling => {
            let (fall, now) = (facts.fall_30min.unwrap_or_default(), facts.oxygen);
            let value = now.map(|seen| format!(", now {:.1} mg/L", seen.value)).unwrap_or_default();
            let doubt = now.map(|seen| oxygen_doubt(seen, facts.verdict)).unwrap_or_default();
            format!(
                "{place}: oxygen fell {fall:.1} mg/L in 30 min{value} (limit {:.1} in 30 min).{doubt} Look for stopped aerators. {IN_DOUBT}",
                limits.do_fall_30min_mg_l,
            )
        }
        Condition::DoForecast(level) => {
            let limit = limits.do_forecast_mg_l.get(level).copied().unwrap_or_default();
            let Some(forecast) = facts.forecast else {
                return format!(
                    "{place}: oxygen was forecast to fall below {limit:.1} mg/L; no forecast now. {IN_DOUBT}"
                );
            };
            let crossing = forecast.below.iter().find(|crossing| crossing.limit_mg_l == limit);
            let chance = crossing.map_or(0.0, |crossing| crossing.probability * 100.0);
            let when = crossing
                .and_then(|crossing| crossing.at)
                .map(|at| at - facts.now)
                .map(|left| {
                    if left.as_millis() < 60_000 {
                        String::from(" now")
                    } else {
                        format!(" in about {}", length(left))
                    }
                })
                .unwrap_or_default();
            let likely = if chance >= 50.0 { "likely to" } else { "may" };
            format!(
                "{place}: oxygen {likely} fall below {limit:.1} mg/L{when}, chance {chance:.0} %; lowest expected {:.1} (80 % between {:.1} and {:.1}) in {}. Plan aeration now.",
                forecast.do_min_mg_l,
                forecast.low_80,
                forecast.high_80,
                length(forecast.do_min_at - facts.now),
            )
        }
        Condition::DoBlind(_) => {
            let since = facts.oxygen_unseen_since.map(|since| length(facts.now - since)).unwrap_or_default();
            format!(
                "{place}: no usable oxygen reading for {since}, at night. The water is not being watched: measure with a hand meter. {IN_DOUBT}"
            )
        }
        Condition::AeratorStopped(_) => {
            let stopped = groups(pond, |group| facts.stopped & (1 << group) != 0);
            let (aerators, have) =
                if facts.stopped.count_ones() == 1 { ("aerator", "has") } else { ("aerators", "have") };
            let others = groups(pond, |group| facts.startable & (1 << group) != 0);
            let oxygen = facts.oxygen.map_or_else(
                || String::from("oxygen is not observed"),
                |seen| {
                    let sure =
                        if seen.flag == Flag::Suspect { " (suspect: check with a hand meter)" } else { "" };
                    format!("oxygen {:.1} mg/L{sure}", seen.value)
                },
            );
            let critical = limits.do_low_mg_l.get(1).map_or(0.0, |threshold| threshold.limit);
            let left = match facts.left_without {
                Some(Some(left)) if left.as_millis() > 0 => {
                    format!(", {critical:.1} mg/L in about {} if none runs", length(left))
                }
                Some(None) => format!(", not below {critical:.1} before sunrise even if none runs"),
                _ => String::new(),
            };
            let start = if others.is_empty() {
                String::from("Nothing else is left to start: look at the trip. ")
            } else {
                format!("Start {others} now, then look at the trip. ")
            };
            format!(
                "{place}: {aerators} {stopped} {have} stopped; {oxygen}{left}. {start}Do not reset a breaker again and again; call an electrician; stay out of the water."
            )
        }
        Condition::PhLow(_) | Condition::PhHigh(_) => {
            let side = if matches!(condition, Condition::PhLow(_)) { "below" } else { "above" };
            let act = if side == "below" {
                "Check alkalinity, rain and seepage; hydrogen sulfide grows more toxic as pH falls."
            } else {
                "Dose nothing alkaline; ammonia grows more toxic as pH rises. Test TAN."
            };
            match facts.ph {
                Some(seen) => {
                    format!("{place}: pH {:.2}, {side} {limit:.1}.{} {act}", seen.value, doubt(seen, "pH"))
                }
                None => format!("{place}: pH was {side} {limit:.1} when last seen. {act}"),
            }
        }
        Condition::Nh3Mean(_) | Condition::Nh3Peak(_) => {
            let Some(day) = facts.ammonia else {
                return format!("{place}: un-ionised ammonia was above {limit:.2} mg/L. Test TAN again.");
            };
            let (what, value) = match condition {
                Condition::Nh3Mean(_) => ("mean of the last 24 h", day.mean_mg_l),
                _ => ("peak of the last 24 h", day.peak_mg_l),
            };
            let doubt =
                if day.suspect { " A reading behind it is suspect: check with a hand meter." } else { "" };
            let set = condition.threshold(limits).map_or(0.0, |(threshold, _)| threshold.limit);
            let half = if limit < set {
                format!(
                    ", half of {set:.2}: oxygen is below {SHORT_OF_OXYGEN_MG_L:.1}, which makes ammonia more toxic"
                )
            } else {
                String::new()
            };
            format!(
                "{place}: un-ionised ammonia {value:.2} mg/L as N, {what} (limit {limit:.2}{half}), from TAN {:.2} mg/L.{doubt} Cut feed, keep oxygen high, dose nothing alkaline, test TAN again.",
                day.tan_mg_l,
            )
        }
        Condition::PlanktonCrash => plankton::crashed(&place, facts.crash),
        Condition::PlanktonBloom => plankton::blooms(&place, facts.bloom),
        Condition::LaxLimits => lax_limits(&place, limits),
        Condition::Water(own) => water::holds(&place, own, &limits.water, facts.marks, facts.oxygen),
    }
}

/// The message of a pond's condition when it has cleared.
pub fn cleared(condition: Condition, pond: &Pond, facts: &Facts<'_>) -> String {
    let place = place(pond);
    let value = |seen: Option<Seen>, unit: &str| {
        seen.map(|seen| format!(", now {:.1}{unit}", seen.value)).unwrap_or_default()
    };
    match condition {
        Condition::DoLow(_) | Condition::DoFalling => {
            format!("{place}: oxygen is back within its limit{}.", value(facts.oxygen, " mg/L"))
        }
        Condition::DoForecast(_) if facts.forecast_over => {
            format!("{place}: the night is over{}.", value(facts.oxygen, " mg/L of oxygen"))
        }
        Condition::DoForecast(_) => format!("{place}: oxygen is no longer forecast to fall so low."),
        Condition::DoBlind(_) => format!(
            "{place}: oxygen is observed again, or the night is over{}.",
            value(facts.oxygen, " mg/L")
        ),
        Condition::AeratorStopped(_) if facts.forecast_over => format!("{place}: the night is over."),
        Condition::AeratorStopped(_) => format!("{place}: the stopped aerators turn again."),
        Condition::PhLow(_) | Condition::PhHigh(_) => {
            format!("{place}: pH is back within its limit{}.", value(facts.ph, ""))
        }
        Condition::Nh3Mean(_) | Condition::Nh3Peak(_) => {
            format!("{place}: un-ionised ammonia is back within its limit.")
        }
        Condition::PlanktonCrash => {
            format!("{place}: the day's oxygen production is back near the usual, or a week has passed.")
        }
        Condition::PlanktonBloom => {
            format!(
                "{place}: the day's oxygen production is near that of before again, or a week has passed."
            )
        }
        Condition::LaxLimits => format!("{place}: no limit of low oxygen is dangerously low any more."),
        Condition::Water(own) => water::over(&place, own, facts.marks),
    }
}

/// Which limits of low oxygen are below what is safe.
fn lax_limits(place: &str, limits: &Limits) -> String {
    let told: Vec<String> = limit_change::below_floor(limits)
        .map(|(level, limit, floor)| format!("{level} at {limit} mg/L (not below {floor:.1})"))
        .collect();
    format!(
        "{place}: low oxygen alarms too late: {}. Shrimp may die before anybody is called. Ask the adviser, and set it back.",
        told.join(", ")
    )
}

/// Ids of some aerator groups, as a person says them.
fn groups(pond: &Pond, wanted: impl Fn(usize) -> bool) -> String {
    let ids: Vec<&str> = pond
        .aerators
        .iter()
        .take(64)
        .enumerate()
        .filter(|(position, _)| wanted(*position))
        .map(|(_, group)| group.id.as_str())
        .collect();
    ids.join(" and ")
}

/// How oxygen moves, and how long until the next graver limit.
fn trend(limits: &Limits, facts: &Facts<'_>, seen: Seen) -> String {
    let Some(slope) = facts.slope_mg_l_h else { return String::new() };
    if slope > 0.1 {
        return format!(", rising {slope:.1} mg/L per hour");
    }
    if slope > -0.05 {
        return String::from(", steady");
    }
    let next = limits.do_low_mg_l.iter().map(|threshold| threshold.limit).find(|&limit| limit < seen.value);
    let left = next
        .map(|limit| {
            let hours = (seen.value - limit) / -slope;
            format!(
                ", {limit:.1} in about {}",
                length(Span::from_millis((hours.min(100.0) * 3_600_000.0) as i64))
            )
        })
        .unwrap_or_default();
    format!(", falling {:.1} mg/L per hour{left}", -slope)
}

fn what_to_do_low(level: usize, seen: Seen) -> &'static str {
    match (level, seen.flag) {
        (_, Flag::Suspect) => IN_DOUBT,
        (0, _) => "Start aerators and look.",
        (1, _) => "Start all aerators now and look; stop feeding.",
        _ => "Start everything now, stop feeding, call for help. Walk, do not run; stay out of the water.",
    }
}

/// What is wrong with a probe that a hand meter contradicts.
pub fn contradicted(quantity: Quantity, check: &HandCheck) -> String {
    format!(
        "read {} {} where a hand meter read {}: clean and calibrate it, then compare again",
        word(quantity),
        figure(quantity, check.probe),
        figure(quantity, check.hand),
    )
}

/// A value with the decimals its quantity is read with.
fn figure(quantity: Quantity, value: f64) -> String {
    match quantity {
        Quantity::Ph => format!("{value:.2}"),
        _ => format!("{value:.1}"),
    }
}

/// Message of a probe's fault.
pub fn probe_fault(place: &str, probe: &str, what: &str) -> String {
    format!("{place}: probe {probe} {what}. This is a fault of the probe, not known to be one of the water.")
}

/// Message of a probe with a setting that is wrong: `what` says what to do.
pub fn probe_misset(place: &str, probe: &str, what: &str) -> String {
    format!("{place}: probe {probe} {what}.")
}

/// Message of a probe that is in doubt.
pub fn probe_doubt(place: &str, probe: &str, what: &str) -> String {
    format!("{place}: probe {probe} {what}. Until that is done, act as if the water were as it reads.")
}

/// A quantity as a person says it, where the id is not plain enough.
pub fn word(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::DoMgL => "oxygen",
        Quantity::TemperatureC => "temperature",
        Quantity::Ph => "pH",
        Quantity::SalinityPsu => "salinity",
        Quantity::PressureHpa => "air pressure",
        Quantity::DepthM => "water depth",
        Quantity::AeratorOn | Quantity::AeratorKw => "aerator state",
        other => other.id(),
    }
}

/// A fault as a person says it.
pub fn fault(fault: &ProbeFault) -> String {
    match fault {
        ProbeFault::Silent => String::from("does not answer: check power, cable and address"),
        ProbeFault::Garbled => {
            String::from("answers with garbled bytes: check wiring, terminator and baud rate")
        }
        ProbeFault::Exception(code) => {
            format!("refuses the request (Modbus exception {code}): check its register map")
        }
        ProbeFault::Undecodable(detail) => format!("sends what cannot be read: {detail}"),
        ProbeFault::Unreachable => String::from("cannot be reached: its bus or broker is not there"),
        ProbeFault::Lent => String::from("is not read: its line is lent to a scan, and comes back by itself"),
    }
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
