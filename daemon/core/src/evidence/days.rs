//! From readings to one value a day, by the farm's own sun.

use alloc::vec::Vec;

use pondreeve_chemistry::sun::{SunDay, sun_day};

use crate::time::{Span, Timestamp};

/// Share of the quarter hours that must have readings. (Common practice, no source.)
pub const SEEN: f64 = 0.75;

/// A quarter of an hour of readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quarter {
    /// Its start.
    pub from: Timestamp,
    /// Mean of the usable readings.
    pub mean: f64,
}

/// Quarter hours in order, as a function of a stretch.
fn within(quarters: &[Quarter], from: Timestamp, to: Timestamp) -> &[Quarter] {
    let first = quarters.partition_point(|own| own.from < from);
    let end = quarters.partition_point(|own| own.from < to);
    quarters.get(first..end).unwrap_or_default()
}

/// The stretch, where enough of it was seen.
fn seen(quarters: &[Quarter], from: Timestamp, to: Timestamp) -> Option<&[Quarter]> {
    let whole = (to - from).as_hours() * 4.0;
    let own = within(quarters, from, to);
    (own.len() as f64 >= SEEN * whole).then_some(own)
}

/// The sun's day, where it rises and sets.
fn sun(place: (f64, f64), day: i64) -> Option<(Timestamp, Timestamp)> {
    match sun_day(place.0, place.1, day) {
        SunDay::Normal { sunrise_ms, sunset_ms, .. } => Some((Timestamp(sunrise_ms), Timestamp(sunset_ms))),
        SunDay::PolarDay | SunDay::PolarNight => None,
    }
}

/// The night that ends on a day: sunset to an hour after sunrise, when oxygen is at its lowest.
fn night(place: (f64, f64), day: i64) -> Option<(Timestamp, Timestamp)> {
    let (_, sunset) = sun(place, day.checked_sub(1)?)?;
    let (sunrise, _) = sun(place, day)?;
    Some((sunset, sunrise + Span::from_hours(1)))
}

/// Lowest quarter of an hour of the night that ended on a day. `place` is latitude and longitude.
pub fn dawn_minimum(quarters: &[Quarter], place: (f64, f64), day: i64) -> Option<f64> {
    let (from, to) = night(place, day)?;
    seen(quarters, from, to)?.iter().map(|own| own.mean).reduce(f64::min)
}

/// Highest quarter of an hour from noon to two hours after sunset.
pub fn dusk_peak(quarters: &[Quarter], place: (f64, f64), day: i64) -> Option<f64> {
    let (sunrise, sunset) = sun(place, day)?;
    let noon = sunrise + Span::from_millis((sunset - sunrise).as_millis() / 2);
    seen(quarters, noon, sunset + Span::from_hours(2))?.iter().map(|own| own.mean).reduce(f64::max)
}

/// By how much oxygen fell an hour, by least squares, from two hours after sunset to sunrise: positive where
/// it fell. What air and aerators gave is in it.
pub fn night_fall(quarters: &[Quarter], place: (f64, f64), day: i64) -> Option<f64> {
    let (sunset, end) = night(place, day)?;
    let (from, to) = (sunset + Span::from_hours(2), end - Span::from_hours(1));
    let own = seen(quarters, from, to).filter(|own| own.len() >= 8)?;
    let points: Vec<(f64, f64)> =
        own.iter().map(|quarter| ((quarter.from - from).as_hours(), quarter.mean)).collect();
    let count = points.len() as f64;
    let (sum_x, sum_y) = points.iter().fold((0.0, 0.0), |sum, own| (sum.0 + own.0, sum.1 + own.1));
    let (mean_x, mean_y) = (sum_x / count, sum_y / count);
    let (over, under) = points.iter().fold((0.0, 0.0), |sum, (x, y)| {
        (sum.0 + (x - mean_x) * (y - mean_y), sum.1 + (x - mean_x) * (x - mean_x))
    });
    (under > 0.0).then(|| -over / under)
}

/// Mean of a day by the sun, midnight to midnight, where enough of it was seen.
pub fn mean_of_day(quarters: &[Quarter], longitude_deg: f64, day: i64) -> Option<f64> {
    let from = day_start(longitude_deg, day);
    let own = seen(quarters, from, from + Span::from_hours(24))?;
    Some(own.iter().map(|own| own.mean).sum::<f64>() / own.len() as f64)
}

/// When a day by the sun at a longitude begins, as [`crate::diary::book::local_day`] counts it.
pub fn day_start(longitude_deg: f64, day: i64) -> Timestamp {
    let offset_ms = libm::round(longitude_deg * 240_000.0) as i64;
    Timestamp(day.saturating_mul(86_400_000).saturating_sub(offset_ms))
}
