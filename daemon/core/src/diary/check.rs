//! What cannot be, whatever else is known of the pond.
//!
//! Bounds are those of any pond and of any tool beside it; they catch a slip of the finger and a wrong unit.
//! (Common practice, no source.)

use alloc::format;
use alloc::string::String;

use pondreeve_chemistry::dose::Slurry;

use super::entry::{Basin, Dose, Entry, WaterMove, What};
use super::names::{named, unit_said};
use crate::quality::AHEAD_TOLERANCE;
use crate::said::{Said, fixed, length, said};
use crate::time::{Span, Timestamp};

/// Longest words of an entry, in bytes.
pub const LONGEST_WORDS: usize = 500;

/// Longest name of a lot, an item, a species.
pub const LONGEST_NAME: usize = 60;

/// No clock of a pond was set before this: 2000-01-01.
const EARLIEST: Timestamp = Timestamp(946_684_800_000);

/// A dose or a change of water takes no longer than this.
const LONGEST: Span = Span::from_hours(7 * 24);

type Checked = Result<(), Said>;

fn within(name: &str, value: f64, (low, high): (f64, f64), unit: &str) -> Checked {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(said!(
        "refused-value",
        "{name} = {value} cannot be; accepted is {low} to {high} {unit}",
        name = named(name),
        value = format!("{value}"),
        low = format!("{low}"),
        high = format!("{high}"),
        unit = unit_said(unit)
    ))
}

fn maybe(name: &str, value: Option<f64>, range: (f64, f64), unit: &str) -> Checked {
    value.map_or(Ok(()), |value| within(name, value, range, unit))
}

fn words(name: &str, text: &str, longest: usize) -> Checked {
    if text.trim().is_empty() {
        return Err(said!(
            "refused-empty",
            "{name} is empty; accepted are 1 to {longest} bytes of text",
            name = named(name),
            longest = format!("{longest}")
        ));
    }
    if text.len() > longest || text.chars().any(char::is_control) {
        return Err(said!(
            "refused-text",
            "{name} is too long or has control characters in it; accepted are 1 to {longest} bytes on one line",
            name = named(name),
            longest = format!("{longest}")
        ));
    }
    Ok(())
}

fn maybe_words(name: &str, text: Option<&String>) -> Checked {
    text.map_or(Ok(()), |text| words(name, text, LONGEST_NAME))
}

/// Weight of one shrimp, g.
const BODY_G: (f64, f64) = (0.000_1, 200.0);

/// Checks an entry by itself, at the time `now`, for a pond as it is.
///
/// # Errors
/// What cannot be, and what would have been accepted.
pub fn check(entry: &Entry, basin: &Basin, now: Timestamp) -> Checked {
    times(entry, now)?;
    match &entry.what {
        What::Dose(own) => dose(own),
        What::Feed(feed) => {
            within("kg", feed.kg, (0.01, 20_000.0), "kg")?;
            maybe("tray_left_percent", feed.tray_left_percent, (0.0, 100.0), "%")
        }
        What::Drain(water) => water_move(water, basin, true),
        What::Exchange(water) => water_move(water, basin, false),
        What::Sampling(sample) => {
            within("count", f64::from(sample.count), (1.0, 100_000.0), "shrimp")?;
            within("grams", sample.total_g, (0.001, 1_000_000.0), "g")?;
            within("the average body weight", sample.abw_g(), BODY_G, "g")
        }
        What::Stocking(stocked) => {
            within("count", f64::from(stocked.count), (1.0, 1e9), "shrimp")?;
            maybe("abw_g", stocked.abw_g, BODY_G, "g")?;
            maybe_words("species", stocked.species.as_ref())?;
            maybe_words("lot", stocked.lot.as_ref())?;
            maybe_words("size", stocked.size.as_ref())
        }
        What::Mortality(dead) => match (dead.count, dead.kg) {
            (Some(count), None) => within("count", f64::from(count), (1.0, 1e9), "shrimp"),
            (None, Some(kg)) => within("kg", kg, (0.001, 100_000.0), "kg"),
            _ => Err(said!(
                "refused-dead",
                "dead shrimp are counted or weighed; accepted is one of count and kg"
            )),
        },
        What::Harvest(taken) => {
            within("kg", taken.kg, (0.01, 500_000.0), "kg")?;
            maybe("abw_g", taken.abw_g, BODY_G, "g")?;
            maybe("price_per_kg", taken.price_per_kg, (0.0, 1e9), "per kg")
        }
        What::Sludge(sludge) => {
            if sludge.ph.is_none() && sludge.orp_mv.is_none() && sludge.depth_cm.is_none() {
                return Err(said!(
                    "refused-sludge",
                    "nothing of the sludge; accepted is any of ph, orp_mv, depth_cm"
                ));
            }
            maybe("ph", sludge.ph, (0.0, 14.0), "")?;
            maybe("orp_mv", sludge.orp_mv, (-1_000.0, 1_000.0), "mV")?;
            maybe("depth_cm", sludge.depth_cm, (0.0, 300.0), "cm")?;
            maybe_words("method", sludge.method.as_ref())
        }
        What::Count(own) => {
            within("left", own.left, (0.0, 10_000.0), "containers")?;
            maybe("delivered", own.delivered, (0.01, 10_000.0), "containers")?;
            maybe("container_kg", own.container_kg, (0.1, 10_000.0), "kg")?;
            maybe_words("lot", own.lot.as_ref())?;
            own.reason.as_ref().map_or(Ok(()), |reason| words("the reason", reason, LONGEST_WORDS))
        }
        What::Disturbance(own) => words("what disturbed the pond", &own.words, LONGEST_WORDS),
        What::Weather { words: text } | What::Note { words: text } => words("the text", text, LONGEST_WORDS),
        What::Cost { item, amount } => {
            words("item", item, LONGEST_NAME)?;
            within("amount", *amount, (0.0, 1e12), "")
        }
        What::Price { item, amount, per } => {
            words("item", item, LONGEST_NAME)?;
            words("per", per, LONGEST_NAME)?;
            within("amount", *amount, (0.0, 1e12), "")
        }
        What::Withdrawal { reason } => words("the reason", reason, LONGEST_WORDS),
    }
}

fn times(entry: &Entry, now: Timestamp) -> Checked {
    if entry.at < EARLIEST {
        return Err(said!(
            "refused-before-2000",
            "its time lies before the year 2000; accepted is 2000 to now"
        ));
    }
    let is_ahead = |time: &Timestamp| *time - now > AHEAD_TOLERANCE;
    if is_ahead(&entry.at) {
        return Err(said!(
            "refused-ahead",
            "its time lies {ahead} in the future; up to {most} is accepted",
            ahead = length(entry.at - now),
            most = length(AHEAD_TOLERANCE)
        ));
    }
    if let Some(stop) = entry.what.stop().filter(is_ahead) {
        return Err(said!(
            "refused-end-ahead",
            "its end lies {ahead} in the future; up to {most} is accepted",
            ahead = length(stop - now),
            most = length(AHEAD_TOLERANCE)
        ));
    }
    if let Some(stop) = entry.what.stop() {
        if stop < entry.at {
            return Err(said!(
                "refused-ends-before",
                "it ends {before} before it begins; accepted is an end after the beginning",
                before = length(entry.at - stop)
            ));
        }
        if stop - entry.at > LONGEST {
            return Err(said!(
                "refused-too-long",
                "it takes {length}; up to {most} is accepted",
                length = length(stop - entry.at),
                most = length(LONGEST)
            ));
        }
    }
    Ok(())
}

fn dose(dose: &Dose) -> Checked {
    maybe("slurry_kg", dose.slurry_kg, (0.01, 100_000.0), "kg")?;
    maybe("slurry_l", dose.slurry_l, (0.01, 100_000.0), "L")?;
    maybe("containers", dose.containers, (0.01, 10_000.0), "containers")?;
    maybe("container_kg", dose.container_kg, (0.1, 10_000.0), "kg")?;
    // The two checks of the chemistry, each where the other is not known.
    let slurry = Slurry::new(dose.solids_percent.unwrap_or(60.0), dose.density_kg_l.unwrap_or(1.5));
    if let Err(error) = slurry {
        return Err(Said::plain(format!("{error}")));
    }
    maybe_words("lot", dose.lot.as_ref())?;
    if let Some(reason) = &dose.reason {
        words("the reason", reason, LONGEST_WORDS)?;
    }
    if let (Some(kg), Some(litres), None) = (dose.slurry_kg, dose.slurry_l, dose.density_kg_l) {
        return Err(said!(
            "refused-no-density",
            "{kg} kg and {litres} L cannot be held against each other without the density of the slurry; accepted is one of the two, or a density",
            kg = format!("{kg}"),
            litres = format!("{litres}")
        ));
    }
    if dose.kg().is_none() && dose.slurry_l.is_none() {
        let why = if dose.containers.is_some() {
            said!("refused-no-content", ": what a full container holds is not known")
        } else {
            Said::default()
        };
        return Err(said!(
            "refused-no-amount",
            "no amount of slurry{why}; accepted is slurry_kg or slurry_l, or containers of a known mass",
            why = why
        ));
    }
    match dose.mismatch().filter(|_| !dose.is_confirmed) {
        Some(differs) => Err(said!(
            "refused-mismatch",
            "{differs}. Count and weigh again; accepted once it is confirmed that it was so",
            differs = differs
        )),
        None => Ok(()),
    }
}

fn water_move(water: &WaterMove, basin: &Basin, is_drain: bool) -> Checked {
    const LEVEL_M: (f64, f64) = (0.0, 10.0);
    maybe("level_before_m", water.level_before_m, LEVEL_M, "m")?;
    maybe("level_after_m", water.level_after_m, LEVEL_M, "m")?;
    maybe("refilled_to_m", water.refilled_to_m, LEVEL_M, "m")?;
    maybe("volume_m3", water.volume_m3, (0.01, 10_000_000.0), "m3")?;
    maybe("ph", water.ph, (0.0, 14.0), "")?;
    match (water.level_before_m, water.level_after_m, water.volume_m3) {
        (Some(before), Some(after), None) if after >= before => Err(said!(
            "refused-level-rose",
            "the level rose from {before} to {after} m; accepted is a level_after_m below level_before_m: the lowest level, before water was let in again",
            before = format!("{before}"),
            after = format!("{after}")
        )),
        (Some(_), Some(after), None) => match water.refilled_to_m.filter(|&level| level < after) {
            Some(level) => Err(said!(
                "refused-refilled",
                "refilled_to_m = {level} is below level_after_m = {after}; accepted is above it",
                level = format!("{level}"),
                after = format!("{after}")
            )),
            None => Ok(()),
        },
        (None, None, Some(volume)) => {
            let (pond, most) = (basin.volume_m3(), if is_drain { 1.0 } else { 3.0 });
            if volume > most * pond {
                return Err(said!(
                    "refused-volume",
                    "volume_m3 = {volume} is {share} % of the pond's {pond} m3; up to {most} % is accepted",
                    volume = format!("{volume}"),
                    share = fixed(100.0 * volume / pond, 0),
                    pond = fixed(pond, 0),
                    most = fixed(100.0 * most, 0)
                ));
            }
            Ok(())
        }
        (before, after, Some(_)) if before.is_some() || after.is_some() => Err(said!(
            "refused-levels-and-volume",
            "levels and a volume cannot both be taken; accepted are level_before_m and level_after_m, or volume_m3",
        )),
        _ => Err(said!(
            "refused-no-water",
            "how much water is not said; accepted are level_before_m and level_after_m, or volume_m3",
        )),
    }
}
