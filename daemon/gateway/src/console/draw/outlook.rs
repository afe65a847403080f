//! A pond's oxygen in words: now, how sure, how long left, what to do.

use std::fmt::Write as _;

use crate::console::text::{NO_VALUE, age_words, number, quality, signed};
use crate::local::protocol::{AdviceStatus, AeratorStatus, PondStatus, ReadingStatus};

use super::Context;

/// Oxygen older than this is not the present value, seconds: the warn limit for data age at night.
/// (Common practice, no source.)
const DO_OLD_AFTER_S: i64 = 600;

/// What follows from oxygen is old after this, seconds: the forecast is made anew each quarter of an
/// hour. (Common practice, no source.)
const OUTLOOK_OLD_AFTER_S: i64 = 1_200;

/// Below this probability a limit that the expected course stays above is not worth a word.
const UNLIKELY: f64 = 0.1;

/// The pond's measured value of one quantity.
pub(super) fn reading<'a>(pond: &'a PondStatus, quantity: &str) -> Option<&'a ReadingStatus> {
    pond.readings.iter().find(|reading| reading.quantity == quantity)
}

/// The pond's derived value of one quantity.
pub(super) fn derived<'a>(pond: &'a PondStatus, quantity: &str) -> Option<&'a ReadingStatus> {
    pond.derived.iter().find(|reading| reading.quantity == quantity)
}

/// Whether a value must not be taken for the present one.
pub(super) fn is_old(context: &Context<'_>, reading: &ReadingStatus) -> bool {
    let limit_s = match reading.quantity.as_str() {
        "do_mg_l" => DO_OLD_AFTER_S,
        "do_saturation_percent" | "night_slope_mg_l_h" | "dawn_do_mg_l" => OUTLOOK_OLD_AFTER_S,
        // A kit's result of this morning is old by nature; its age says so.
        _ => i64::MAX,
    };
    !context.live() || context.aged(reading.age_s) > limit_s
}

/// `2.81`, `2.81?` where it is suspect, `--` where there is none.
pub(super) fn value_text(context: &Context<'_>, reading: &ReadingStatus) -> String {
    match reading.value {
        Some(value) => {
            let doubt = reading.flag > 2 || is_old(context, reading);
            format!("{}{}", number(value, reading.decimals), if doubt { "?" } else { "" })
        }
        None => NO_VALUE.to_owned(),
    }
}

/// Oxygen as a share of saturation, %; none where the oxygen itself is not known. Worked out from the oxygen that is
/// shown: the derived share may still be that of a hand meter which stood in for the probe.
pub(super) fn share_percent(pond: &PondStatus) -> Option<f64> {
    let oxygen = reading(pond, "do_mg_l")?.value?;
    match derived(pond, "do_saturation_mg_l").and_then(|own| own.value) {
        Some(saturation) if saturation > 0.0 => Some(100.0 * oxygen / saturation),
        _ => derived(pond, "do_saturation_percent")?.value,
    }
}

/// Slope of the oxygen, mg/L per hour: the last half hour's, else the forecast's; none where the oxygen
/// itself is not known.
pub(super) fn slope_mg_l_h(pond: &PondStatus) -> Option<f64> {
    let oxygen = reading(pond, "do_mg_l")?;
    oxygen.value?;
    oxygen.per_hour.or_else(|| pond.forecast.as_ref().map(|forecast| forecast.night_slope_mg_l_h))
}

/// `2.81 mg/L, good, under 1 min old; -0.66 mg/L per h; 41 % saturated.`
pub(super) fn oxygen_now(context: &Context<'_>, pond: &PondStatus) -> String {
    let Some(oxygen) = reading(pond, "do_mg_l") else {
        return "Oxygen is not measured in this pond: go by the hand meter.".to_owned();
    };
    let age = age_words(context.aged(oxygen.age_s));
    let Some(_) = oxygen.value else {
        return format!("NO OXYGEN READING ({}, for {age}). Go by the hand meter.", quality(oxygen.flag));
    };
    let sure = if is_old(context, oxygen) { "OLD" } else { quality(oxygen.flag) };
    let mut text = format!("{} {}, {sure}, {age} old", value_text(context, oxygen), oxygen.unit);
    if let Some(slope) = slope_mg_l_h(pond) {
        let _ = write!(text, "; {} mg/L per h", signed(slope, 2));
    }
    if let Some(share) = share_percent(pond) {
        let _ = write!(text, "; {}% saturated", number(share, 0));
    }
    text.push('.');
    text
}

/// When a limit is reached, for a column of five: `04:35`, `below`, `may`, `no`, or nothing known.
pub(super) fn crossing_short(context: &Context<'_>, pond: &PondStatus, limit: f64) -> String {
    if oxygen_is_below(pond, limit) {
        // A doubtful value is a matter of the probe until a hand meter says otherwise.
        let doubt = reading(pond, "do_mg_l").is_some_and(|oxygen| oxygen.flag > 2 || is_old(context, oxygen));
        return if doubt { "?" } else { "below" }.to_owned();
    }
    let Some(forecast) = &pond.forecast else { return NO_VALUE.to_owned() };
    match forecast.below.iter().find(|(at, ..)| (at - limit).abs() < 0.005) {
        Some((_, Some(at), _)) => context.clock.time(at),
        Some((_, None, probability)) if *probability >= UNLIKELY => "may".to_owned(),
        Some(_) => "no".to_owned(),
        None if forecast.do_min_mg_l > limit => "no".to_owned(),
        None => NO_VALUE.to_owned(),
    }
}

fn oxygen_is_below(pond: &PondStatus, limit: f64) -> bool {
    reading(pond, "do_mg_l").and_then(|oxygen| oxygen.value).is_some_and(|value| value < limit)
}

/// How long is left, with how likely it is.
pub(super) fn time_left(context: &Context<'_>, pond: &PondStatus) -> String {
    let Some(forecast) = &pond.forecast else {
        let why = pond.no_forecast.as_deref().unwrap_or("no reason given");
        return format!("Not known: no forecast ({why}).");
    };
    let mut limits = pond.do_low_mg_l.to_vec();
    limits.retain(|limit| !oxygen_is_below(pond, *limit));
    let mut parts = Vec::new();
    for limit in limits {
        let found = forecast.below.iter().find(|(at, ..)| (at - limit).abs() < 0.005);
        let Some((_, at, probability)) = found else { continue };
        match at {
            Some(at) => {
                let likely = number(probability * 100.0, 0);
                let limit = number(limit, 1);
                let clock = context.clock.time(at);
                // The time left means nothing once the clock beside it has stopped.
                let ahead = context.clock.seconds_since(at).filter(|_| context.live());
                parts.push(match ahead {
                    Some(seconds) if seconds < 0 => {
                        format!(
                            "{} to below {limit} mg/L (about {clock}, {likely}% likely)",
                            age_words(-seconds)
                        )
                    }
                    _ => format!("below {limit} mg/L at about {clock} ({likely}% likely)"),
                });
            }
            None if *probability >= UNLIKELY => parts.push(format!(
                "{}% risk of below {} mg/L",
                number(probability * 100.0, 0),
                number(limit, 1)
            )),
            None => {}
        }
        // The next limit that will be reached is the one that matters.
        if at.is_some() || parts.len() == 2 {
            break;
        }
    }
    parts.push(format!(
        "lowest {} (80% sure: {} to {}) at {}",
        number(forecast.do_min_mg_l, 1),
        number(forecast.low_80, 1),
        number(forecast.high_80, 1),
        context.clock.time(&forecast.do_min_at)
    ));
    let mut text = parts.join("; ");
    if !context.live() {
        text = format!("as of {}: {text}", context.clock.time_and_day(&context.farm.at));
    }
    if let Some(first) = text.get(..1) {
        let first = first.to_uppercase();
        text.replace_range(..1, &first);
    }
    text.push('.');
    text
}

/// Whether every aerator of the pond is known to run, so that there is none to start.
fn all_run(pond: &PondStatus) -> bool {
    !pond.aerators.is_empty() && pond.aerators.iter().all(|group| group.on == Some(true))
}

/// Names of aerator groups: `B`, `A and B`.
fn groups(advice: &AdviceStatus) -> String {
    match advice.aerators.as_slice() {
        [] => "aerators".to_owned(),
        [rest @ .., last] if !rest.is_empty() => format!("{} and {}", rest.join(", "), last).to_uppercase(),
        [one, ..] => one.to_uppercase(),
    }
}

/// Whether all that is advised to start ran tonight and has stopped: a trip to look at before anything else.
fn all_stopped(pond: &PondStatus, advice: &AdviceStatus) -> bool {
    let stopped = |id: &String| pond.aerators.iter().any(|group| group.id == *id && group.stopped);
    !advice.aerators.is_empty() && advice.aerators.iter().all(stopped)
}

/// What to do about the oxygen, complete in itself, without the reason.
pub(super) fn action(context: &Context<'_>, pond: &PondStatus) -> String {
    if !context.live() {
        return "Not known: no connection. If in doubt, start aerators and look.".to_owned();
    }
    let Some(advice) = &pond.advice else { return "No advice yet.".to_owned() };
    let time = |at: &Option<String>| at.as_deref().map(|at| context.clock.time(at));
    let until = time(&advice.stop).map_or_else(String::new, |at| format!(" until about {at}"));
    match advice.action.as_str() {
        "start-now" if all_run(pond) => "ALL AERATORS RUN ALREADY: go and look.".to_owned(),
        "start-now" if all_stopped(pond, advice) => {
            format!("FIND OUT WHY {} STOPPED, then start again.", groups(advice))
        }
        "start-now" => format!("START {} NOW{until}, and look.", groups(advice)),
        "start-at" => {
            let start = time(&advice.start).unwrap_or_else(|| "a time not given".to_owned());
            let energy =
                if advice.kwh > 0.0 { format!(", {} kWh", number(advice.kwh, 0)) } else { String::new() };
            format!("Start {} at {start}{until}{energy}.", groups(advice))
        }
        "rest" => "No more aeration needed in the coming hours.".to_owned(),
        "unknown" if advice.reason.contains("in doubt") => "No advice possible.".to_owned(),
        "unknown" => "No advice possible. If in doubt, start aerators and look.".to_owned(),
        other => format!("{other} {}", groups(advice)),
    }
}

/// What to do with its reason. What the reason says of the forecast is left out: the line about the
/// time left says it, and newer.
pub(super) fn action_and_reason(context: &Context<'_>, pond: &PondStatus) -> String {
    let act = action(context, pond);
    let Some(advice) = pond.advice.as_ref().filter(|_| context.live()) else { return act };
    let reason = match advice.reason.split_once(". ") {
        Some((first, rest)) if first.starts_with("Lowest") && pond.forecast.is_some() => rest,
        _ => advice.reason.as_str(),
    };
    format!("{act} {reason}")
}

/// The same for half a row.
pub(super) fn action_line(context: &Context<'_>, pond: &PondStatus) -> String {
    if !context.live() {
        return "No connection: go and look.".to_owned();
    }
    match pond.advice.as_ref().map(|advice| advice.action.as_str()) {
        Some("unknown") => "NO ADVICE POSSIBLE: go and look.".to_owned(),
        Some("rest") => "No more aeration needed for now.".to_owned(),
        _ => action(context, pond),
    }
}

/// The same in at most 12 columns.
pub(super) fn action_short(context: &Context<'_>, pond: &PondStatus) -> String {
    if !context.live() {
        return "go and look".to_owned();
    }
    let Some(advice) = &pond.advice else { return NO_VALUE.to_owned() };
    let groups = advice.aerators.join("+").to_uppercase();
    match advice.action.as_str() {
        "start-now" if all_run(pond) => "GO AND LOOK".to_owned(),
        "start-now" if groups.is_empty() => "START NOW".to_owned(),
        "start-now" if all_stopped(pond, advice) => "GO AND LOOK".to_owned(),
        "start-now" => format!("START {groups}"),
        "start-at" => {
            let start =
                advice.start.as_deref().map_or_else(|| "??:??".to_owned(), |at| context.clock.time(at));
            format!("{start} {groups}")
        }
        "rest" => "rest".to_owned(),
        "unknown" => "go and look".to_owned(),
        other => other.to_owned(),
    }
}

/// `A on, B off, C ?`.
pub(super) fn aerators(context: &Context<'_>, pond: &PondStatus) -> String {
    let state = |group: &AeratorStatus| match group.on {
        _ if !context.live() => "?",
        Some(true) => "on",
        Some(false) if group.stopped => "STOPPED",
        Some(false) => "off",
        None => "?",
    };
    if pond.aerators.is_empty() {
        return "no aerators set up".to_owned();
    }
    let groups: Vec<_> =
        pond.aerators.iter().map(|group| format!("{} {}", group.id.to_uppercase(), state(group))).collect();
    groups.join(", ")
}
