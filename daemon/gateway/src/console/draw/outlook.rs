//! A pond's oxygen in words: now, how sure, how long left, what to do.

use crate::console::text::{NO_VALUE, age_words, number, quality, signed};
use crate::local::protocol::{AdviceStatus, AeratorStatus, PondStatus, ReadingStatus};
use crate::texts::{Words, say};

use super::{Context, capitalised};

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
    let words = context.words();
    let Some(oxygen) = reading(pond, "do_mg_l") else {
        return say!(words, "oxygen-not-measured");
    };
    let age = age_words(words, context.aged(oxygen.age_s));
    let how = quality(words, oxygen.flag);
    let Some(_) = oxygen.value else {
        return say!(words, "oxygen-no-reading", quality = how, age = age);
    };
    let sure = if is_old(context, oxygen) { say!(words, "quality-old") } else { how };
    let whose = oxygen.probe.as_ref().map_or_else(String::new, |probe| format!(" ({probe})"));
    let value = format!("{} {}{whose}", value_text(context, oxygen), oxygen.unit);
    let mut parts = vec![say!(words, "oxygen-value", value = value, quality = sure, age = age)];
    if let Some(slope) = slope_mg_l_h(pond) {
        parts.push(say!(words, "oxygen-slope", slope = signed(slope, 2)));
    }
    if let Some(share) = share_percent(pond) {
        parts.push(say!(words, "oxygen-share", share = number(share, 0)));
    }
    format!("{}.", parts.join("; "))
}

/// When a limit is reached, for a column of five: `04:35`, `below`, `may`, `no`, or nothing known.
pub(super) fn crossing_short(context: &Context<'_>, pond: &PondStatus, limit: f64) -> String {
    if oxygen_is_below(pond, limit) {
        // A doubtful value is a matter of the probe until a hand meter says otherwise.
        let doubt = reading(pond, "do_mg_l").is_some_and(|oxygen| oxygen.flag > 2 || is_old(context, oxygen));
        return if doubt { "?".to_owned() } else { say!(context.words(), "crossing-below") };
    }
    let Some(forecast) = &pond.forecast else { return NO_VALUE.to_owned() };
    match forecast.below.iter().find(|(at, ..)| (at - limit).abs() < 0.005) {
        Some((_, Some(at), _)) if is_past(context, at) => say!(context.words(), "crossing-no"),
        Some((_, Some(at), _)) => context.clock.time(at),
        Some((_, None, probability)) if *probability >= UNLIKELY => say!(context.words(), "crossing-may"),
        Some(_) => say!(context.words(), "crossing-no"),
        None if forecast.do_min_mg_l > limit => say!(context.words(), "crossing-no"),
        None => NO_VALUE.to_owned(),
    }
}

/// Whether a forecast time is over, while the clock beside it goes.
fn is_past(context: &Context<'_>, at: &str) -> bool {
    context.live() && context.clock.seconds_since(at).is_some_and(|since| since >= 60)
}

fn oxygen_is_below(pond: &PondStatus, limit: f64) -> bool {
    reading(pond, "do_mg_l").and_then(|oxygen| oxygen.value).is_some_and(|value| value < limit)
}

/// How long is left, with how likely it is.
pub(super) fn time_left(context: &Context<'_>, pond: &PondStatus) -> String {
    let words = context.words();
    let Some(forecast) = &pond.forecast else {
        let why = context.no_forecast(pond).unwrap_or_else(|| say!(words, "no-reason"));
        return say!(words, "left-not-known", why = why);
    };
    let mut limits = pond.do_low_mg_l.to_vec();
    limits.retain(|limit| !oxygen_is_below(pond, *limit));
    let mut parts = Vec::new();
    for limit in limits {
        let found = forecast.below.iter().find(|(at, ..)| (at - limit).abs() < 0.005);
        let Some((_, at, probability)) = found else { continue };
        // The time came and the oxygen is above it still.
        if at.as_ref().is_some_and(|at| is_past(context, at)) {
            continue;
        }
        match at {
            Some(at) => {
                let likely = number(probability * 100.0, 0);
                let limit = number(limit, 1);
                let clock = context.clock.time(at);
                // The time left means nothing once the clock beside it has stopped.
                let ahead = context.clock.seconds_since(at).filter(|_| context.live());
                parts.push(match ahead {
                    Some(seconds) if seconds < 0 => {
                        let left = age_words(words, -seconds);
                        say!(words, "left-until", left = left, limit = limit, at = clock, likely = likely)
                    }
                    _ => say!(words, "left-at", limit = limit, at = clock, likely = likely),
                });
            }
            None if *probability >= UNLIKELY => parts.push(say!(
                words,
                "left-risk",
                risk = number(probability * 100.0, 0),
                limit = number(limit, 1),
            )),
            None => {}
        }
        // The next limit that will be reached is the one that matters.
        if at.is_some() || parts.len() == 2 {
            break;
        }
    }
    let (lowest, low) = (number(forecast.do_min_mg_l, 1), number(forecast.low_80, 1));
    let (high, at) = (number(forecast.high_80, 1), context.clock.time(&forecast.do_min_at));
    parts.push(if is_past(context, &forecast.do_min_at) {
        say!(words, "left-lowest-was", lowest = lowest, low = low, high = high, at = at)
    } else {
        say!(words, "left-lowest", lowest = lowest, low = low, high = high, at = at)
    });
    let mut text = parts.join("; ");
    if !context.live() {
        text = say!(words, "left-as-of", at = context.clock.time_and_day(&context.farm.at), left = text);
    }
    format!("{}.", capitalised(&text))
}

/// Whether every aerator of the pond is known to run, so that there is none to start.
fn all_run(pond: &PondStatus) -> bool {
    !pond.aerators.is_empty() && pond.aerators.iter().all(|group| group.on == Some(true))
}

/// Names of aerator groups: `B`, `A and B`.
fn groups(words: Words, advice: &AdviceStatus) -> String {
    match advice.aerators.as_slice() {
        [] => say!(words, "aerators"),
        [rest @ .., last] if !rest.is_empty() => {
            format!("{} {} {last}", rest.join(", "), say!(words, "and")).to_uppercase()
        }
        [one, ..] => one.to_uppercase(),
    }
}

/// What to do about the oxygen, complete in itself, without the reason.
pub(super) fn action(context: &Context<'_>, pond: &PondStatus) -> String {
    let words = context.words();
    if !context.live() {
        return say!(words, "do-no-connection");
    }
    let Some(advice) = &pond.advice else { return say!(words, "do-none-yet") };
    let time = |at: &Option<String>| at.as_deref().map(|at| context.clock.time(at));
    let until =
        time(&advice.stop).map_or_else(String::new, |at| format!(" {}", say!(words, "do-until", at = at)));
    let groups = groups(words, advice);
    match advice.action.as_str() {
        "start-now" if all_run(pond) => say!(words, "do-all-run"),
        "start-now" if pond.advises_what_stopped(advice) => say!(words, "do-why-stopped", groups = groups),
        "start-now" => say!(words, "do-start-now", groups = groups, until = until),
        "start-at" => {
            let start = time(&advice.start).unwrap_or_else(|| say!(words, "do-no-time"));
            let energy =
                if advice.kwh > 0.0 { format!(", {} kWh", number(advice.kwh, 0)) } else { String::new() };
            say!(words, "do-start-at", groups = groups, start = start, until = until, energy = energy)
        }
        "rest" => say!(words, "do-rest"),
        "keep-on" => say!(words, "do-keep-on", groups = groups),
        "unknown" if advice.reason.contains("in doubt") => say!(words, "do-unknown"),
        "unknown" => format!("{} {}", say!(words, "do-unknown"), say!(words, "in-doubt")),
        other => format!("{other} {groups}"),
    }
}

/// What to do with its reason. What the reason says of the forecast is left out: the line about the
/// time left says it, and newer.
pub(super) fn action_and_reason(context: &Context<'_>, pond: &PondStatus) -> String {
    let act = action(context, pond);
    let Some(advice) = pond.advice.as_ref().filter(|_| context.live()) else { return act };
    let reason = context.reason(pond, advice);
    format!("{act} {reason}").trim_end().to_owned()
}

/// The same for half a row.
pub(super) fn action_line(context: &Context<'_>, pond: &PondStatus) -> String {
    let words = context.words();
    if !context.live() {
        return say!(words, "do-line-no-connection");
    }
    match pond.advice.as_ref().map(|advice| advice.action.as_str()) {
        Some("unknown") => say!(words, "do-line-unknown"),
        Some("rest") => say!(words, "do-line-rest"),
        Some("keep-on") => say!(words, "do-line-keep-on"),
        _ => action(context, pond),
    }
}

/// The same in at most 12 columns.
pub(super) fn action_short(context: &Context<'_>, pond: &PondStatus) -> String {
    let words = context.words();
    if !context.live() {
        return say!(words, "do-short-look");
    }
    let Some(advice) = &pond.advice else { return NO_VALUE.to_owned() };
    let groups = advice.aerators.join("+").to_uppercase();
    match advice.action.as_str() {
        "start-now" if all_run(pond) => say!(words, "do-short-look-now"),
        "start-now" if groups.is_empty() => say!(words, "do-short-start-now"),
        "start-now" if pond.advises_what_stopped(advice) => say!(words, "do-short-look-now"),
        "start-now" => say!(words, "do-short-start", groups = groups),
        "start-at" => {
            let start =
                advice.start.as_deref().map_or_else(|| "??:??".to_owned(), |at| context.clock.time(at));
            format!("{start} {groups}")
        }
        "rest" => say!(words, "do-short-rest"),
        "keep-on" => say!(words, "do-short-keep-on"),
        "unknown" => say!(words, "do-short-look"),
        other => other.to_owned(),
    }
}

/// Whether the short advice is to start something.
pub(super) fn must_start(context: &Context<'_>, pond: &PondStatus) -> bool {
    context.live()
        && !all_run(pond)
        && pond.advice.as_ref().is_some_and(|advice| {
            advice.action == "start-now" && (advice.aerators.is_empty() || !pond.advises_what_stopped(advice))
        })
}

/// `A on, B off, C ?`.
pub(super) fn aerators(context: &Context<'_>, pond: &PondStatus) -> String {
    let words = context.words();
    let state = |group: &AeratorStatus| match group.on {
        _ if !context.live() => "?".to_owned(),
        Some(true) => say!(words, "aerator-on"),
        Some(false) if group.stopped => say!(words, "aerator-stopped"),
        Some(false) => say!(words, "aerator-off"),
        None => "?".to_owned(),
    };
    if pond.aerators.is_empty() {
        return say!(words, "aerators-none");
    }
    let groups: Vec<_> =
        pond.aerators.iter().map(|group| format!("{} {}", group.id.to_uppercase(), state(group))).collect();
    groups.join(", ")
}
