//! A pond's days: dawn minimum, dusk peak, ranges, how much of each was seen.
//!
//! Everything comes from quarter-hour roll-ups, which leave out what is suspect or failed and count it. A quarter
//! hour without a usable reading is a gap.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use pondreeve_chemistry::sun::{SunDay, sun_day};

use super::{Gathered, GatheredPond, Period, QUANTITIES, VALID_SHARE, time};
use crate::local::protocol::RollUp;

const QUARTER_MS: i64 = 900_000;

/// The low of a night is looked for until this long after sunrise.
const LOW_UNTIL_MS: i64 = 2 * 3_600_000;

/// Lowest, mean and highest of a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Lowest.
    pub low: f64,
    /// Mean of the quarter hours.
    pub mean: f64,
    /// Highest.
    pub high: f64,
}

/// How much of a quantity was seen on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Seen {
    /// Quarter hours of the day that lie in the period.
    pub quarters: u32,
    /// Of these, with a usable reading.
    pub valid: u32,
    /// Usable readings.
    pub usable: u32,
    /// Suspect readings, left out.
    pub suspect: u32,
    /// Failed readings, left out.
    pub failed: u32,
    /// Readings that did not come.
    pub missing: u32,
}

impl Seen {
    /// Share of the quarter hours that are valid; `None` of nothing.
    pub fn share(&self) -> Option<f64> {
        (self.quarters > 0).then(|| f64::from(self.valid) / f64::from(self.quarters))
    }

    /// Whether too little was seen.
    pub fn is_lost(&self) -> bool {
        self.share().is_none_or(|share| share < VALID_SHARE)
    }

    /// Both together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            quarters: self.quarters + other.quarters,
            valid: self.valid + other.valid,
            usable: self.usable + other.usable,
            suspect: self.suspect + other.suspect,
            failed: self.failed + other.failed,
            missing: self.missing + other.missing,
        }
    }
}

/// One day of a pond.
#[derive(Debug, Clone, PartialEq)]
pub struct Day {
    /// Of the farm's calendar.
    pub date: Date,
    /// Lowest oxygen from the sunset before to two hours after sunrise, mg/L.
    pub dawn_min: Option<f64>,
    /// How much of that was seen.
    pub dawn_seen: Seen,
    /// Highest oxygen from noon to sunset, mg/L.
    pub dusk_peak: Option<f64>,
    /// How much of that was seen.
    pub dusk_seen: Seen,
    /// By quantity.
    pub ranges: BTreeMap<&'static str, Range>,
    /// By quantity.
    pub seen: BTreeMap<&'static str, Seen>,
    /// Energy of the aerators, kWh, for the hours in which it is known.
    pub kwh: Option<f64>,
    /// Share of the day's group hours for which it is known.
    pub kwh_known: f64,
    /// Feed, kg; absent where none was recorded.
    pub feed_kg: Option<f64>,
}

/// The days of the period, in order.
pub fn days(gathered: &Gathered, pond: &GatheredPond) -> Vec<Day> {
    let zone = gathered.time_zone();
    let Period { from, to } = gathered.period;
    let last = to - jiff::SignedDuration::from_millis(1);
    let (first, last) = (zone.to_datetime(from).date(), zone.to_datetime(last).date());
    let mut days = Vec::new();
    let mut date = first;
    while date <= last {
        days.push(day(gathered, pond, date));
        match date.tomorrow() {
            Ok(next) => date = next,
            Err(_) => break,
        }
    }
    days
}

fn day(gathered: &Gathered, pond: &GatheredPond, date: Date) -> Day {
    let whole = of_date(gathered, date);
    let oxygen = quarters(pond, "do_mg_l");
    let (night, afternoon) = sun_of(gathered, date);
    let low = night.map(|night| stretch(oxygen, night, gathered.period));
    let high = afternoon.map(|afternoon| stretch(oxygen, afternoon, gathered.period));
    let (mut ranges, mut seen) = (BTreeMap::new(), BTreeMap::new());
    for quantity in QUANTITIES {
        let (range, own) = stretch(quarters(pond, quantity), whole, gathered.period);
        seen.insert(quantity, own);
        if let Some(range) = range {
            ranges.insert(quantity, range);
        }
    }
    let (kwh, kwh_known) = energy(pond, clipped(whole, gathered.period));
    Day {
        date,
        dawn_min: low.and_then(|(range, _)| range).map(|range| range.low),
        dawn_seen: low.map(|(_, seen)| seen).unwrap_or_default(),
        dusk_peak: high.and_then(|(range, _)| range).map(|range| range.high),
        dusk_seen: high.map(|(_, seen)| seen).unwrap_or_default(),
        ranges,
        seen,
        kwh,
        kwh_known,
        feed_kg: feed(gathered, pond, whole),
    }
}

/// What the diary says was fed.
fn feed(gathered: &Gathered, pond: &GatheredPond, whole: Period) -> Option<f64> {
    let own = gathered.deeds.iter().filter(|deed| {
        deed.kind == "feed"
            && deed.pond.as_deref() == Some(&pond.id)
            && super::books::counts(deed)
            && whole.has(time(&deed.at))
    });
    let meals: Vec<f64> = own.filter_map(|deed| deed.values.get("kg")?.as_f64()).collect();
    (!meals.is_empty()).then(|| meals.iter().sum())
}

fn quarters<'a>(pond: &'a GatheredPond, quantity: &str) -> &'a [RollUp] {
    pond.quarters.get(quantity).map_or(&[], Vec::as_slice)
}

/// A day of the farm's calendar.
fn of_date(gathered: &Gathered, date: Date) -> Period {
    let zone = gathered.time_zone();
    let begin = |date: Date| zone.to_timestamp(date.at(0, 0, 0, 0)).unwrap_or_default();
    Period { from: begin(date), to: begin(date.tomorrow().unwrap_or(date)) }
}

/// The night that ends on a date, up to two hours after sunrise, and the afternoon of that date.
fn sun_of(gathered: &Gathered, date: Date) -> (Option<Period>, Option<Period>) {
    let (latitude, longitude) = (gathered.facts.latitude_deg, gathered.facts.longitude_deg);
    let epoch = Date::constant(1970, 1, 1);
    let number = i64::from(date.since(epoch).map(|span| span.get_days()).unwrap_or_default());
    let period = |from_ms: i64, to_ms: i64| {
        let at = |ms| Timestamp::from_millisecond(ms).ok();
        Some(Period { from: at(from_ms)?, to: at(to_ms)? })
    };
    let SunDay::Normal { sunrise_ms, sunset_ms } = sun_day(latitude, longitude, number) else {
        return (None, None);
    };
    let afternoon = period(sunrise_ms.midpoint(sunset_ms), sunset_ms);
    let night = match sun_day(latitude, longitude, number - 1) {
        SunDay::Normal { sunset_ms, .. } => period(sunset_ms, sunrise_ms + LOW_UNTIL_MS),
        _ => None,
    };
    (night, afternoon)
}

fn clipped(own: Period, to: Period) -> Period {
    Period { from: own.from.max(to.from), to: own.to.min(to.to) }
}

/// Lowest, mean and highest of the quarter hours in a stretch, and how much of it was seen.
fn stretch(quarters: &[RollUp], wanted: Period, period: Period) -> (Option<Range>, Seen) {
    let within = clipped(wanted, period);
    let length_ms = within.to.as_millisecond() - within.from.as_millisecond();
    let mut seen =
        Seen { quarters: u32::try_from(length_ms.max(0) / QUARTER_MS).unwrap_or(0), ..Seen::default() };
    let (mut low, mut high, mut sum) = (f64::INFINITY, f64::NEG_INFINITY, 0.0);
    // A piece counts where it begins; one at the edge of a stretch that begins within a quarter belongs before.
    let first = quarters.partition_point(|own| time(&own.from) < within.from);
    for own in quarters.iter().skip(first).take_while(|own| time(&own.from) < within.to) {
        seen.usable += own.usable;
        seen.suspect += own.suspect;
        seen.failed += own.failed;
        seen.missing += own.missing;
        if let (Some(minimum), Some(mean), Some(maximum)) = (own.minimum, own.mean, own.maximum) {
            seen.valid += 1;
            low = low.min(minimum);
            high = high.max(maximum);
            sum += mean;
        }
    }
    let range = (seen.valid > 0).then(|| Range { low, high, mean: sum / f64::from(seen.valid) });
    seen.valid = seen.valid.min(seen.quarters);
    (range, seen)
}

/// Energy of a stretch, and the share of it for which it is known.
pub fn energy(pond: &GatheredPond, within: Period) -> (Option<f64>, f64) {
    let (mut kwh, mut known_h, mut all_h) = (0.0, 0.0, 0.0);
    let in_it = pond.energy.iter().filter(|(own, _)| within.has(own.from));
    let mut groups_known = 0_usize;
    for (own, groups) in in_it {
        let hours = (own.to.as_millisecond() - own.from.as_millisecond()) as f64 / 3_600_000.0;
        for group in groups {
            kwh += group.kwh;
            known_h += group.known_h;
            all_h += hours;
            groups_known += usize::from(group.known_h > 0.0);
        }
    }
    let share = if all_h > 0.0 { known_h / all_h } else { 0.0 };
    ((groups_known > 0).then_some(kwh), share)
}
