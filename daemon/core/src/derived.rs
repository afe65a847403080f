//! What the probes cannot see, computed from what they do. Every formula lives in the chemistry
//! crate with its source; here it is decided which readings go into it.

use pondreeve_chemistry::ammonia::nh3_fraction_nbs;
use pondreeve_chemistry::carbonate;
use pondreeve_chemistry::oxygen::saturation_mg_l;
use pondreeve_chemistry::scale::PhScale;
use pondreeve_chemistry::sulfide::h2s_fraction;
use pondreeve_chemistry::units::{Alkalinity, Celsius, Hectopascal, Ph, Salinity, TotalAmmonia};

use crate::alarm_set::AmmoniaDay;
use crate::effect::Flag;
use crate::quality::Seen;
use crate::time::{Span, Timestamp};
use crate::window::Window;

/// A test-kit value of total ammonia counts for this long. (Common practice, no source.)
pub const KIT_GOOD_FOR: Span = Span::from_hours(48);

/// The un-ionised share follows pH through the day in steps of this length.
const AMMONIA_STEP: Span = Span::from_minutes(15);

/// A day, for whatever is said of "the last 24 hours".
pub const DAY: Span = Span::from_hours(24);

/// The water around a reading: from its probes, else as configured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Water {
    /// °C; there is no configured stand-in for it.
    pub temperature_c: Option<Seen>,
    /// PSU.
    pub salinity_psu: f64,
    /// Flag of the salinity: not evaluated where it is the configured one.
    pub salinity_flag: Flag,
    /// hPa.
    pub pressure_hpa: f64,
    /// Flag of the pressure: not evaluated where it is the configured one.
    pub pressure_flag: Flag,
}

/// Oxygen at saturation, mg/L, and the worst flag behind it. `None` without a temperature, or where
/// the formula does not reach.
pub fn oxygen_saturation(water: &Water) -> Option<(f64, Flag)> {
    let temperature = water.temperature_c?;
    let value = saturation_mg_l(
        Celsius::new(temperature.value).ok()?,
        Salinity::new(water.salinity_psu).ok()?,
        Hectopascal::new(water.pressure_hpa).ok()?,
    );
    let flag = temperature.flag.worst(water.salinity_flag).worst(water.pressure_flag);
    value.is_finite().then_some((value, flag))
}

/// Un-ionised share of total ammonia.
fn ammonia_share(temperature_c: f64, ph: f64, salinity_psu: f64) -> Option<f64> {
    let share = nh3_fraction_nbs(
        Celsius::new(temperature_c).ok()?,
        Ph::new(ph).ok()?,
        Salinity::new(salinity_psu).ok()?,
    );
    share.is_finite().then_some(share)
}

/// Un-ionised ammonia now, mg/L as N, and the worst flag behind it.
pub fn ammonia_now(tan: Seen, ph: Seen, water: &Water) -> Option<(f64, Flag)> {
    let temperature = water.temperature_c?;
    let share = ammonia_share(temperature.value, ph.value, water.salinity_psu)?;
    let flag = tan.flag.worst(ph.flag).worst(temperature.flag).worst(water.salinity_flag);
    Some((tan.value * share, flag))
}

/// Dissolved carbon dioxide now, mg/L, from a test-kit alkalinity, and the worst flag behind it.
pub fn carbon_dioxide_now(
    alkalinity: Seen,
    tan: Option<Seen>,
    ph: Seen,
    water: &Water,
) -> Option<(f64, Flag)> {
    let temperature = water.temperature_c?;
    let (t, s) = (Celsius::new(temperature.value).ok()?, Salinity::new(water.salinity_psu).ok()?);
    let tan_mg_l = tan.map_or(0.0, |tan| tan.value);
    let acid = carbonate::Water::new(
        t,
        s,
        Alkalinity::new(alkalinity.value).ok()?,
        TotalAmmonia::new(tan_mg_l).ok()?,
    );
    let carbonate = acid.at_ph(PhScale::Nbs.to_total(Ph::new(ph.value).ok()?, t, s)).ok()?;
    let flag = alkalinity.flag.worst(ph.flag).worst(temperature.flag).worst(water.salinity_flag);
    Some((carbonate.co2_mg_l, flag))
}

/// Un-ionised hydrogen sulfide now, mg/L as S, from a test-kit total, and the worst flag behind it.
pub fn hydrogen_sulfide_now(sulfide: Seen, ph: Seen, water: &Water) -> Option<(f64, Flag)> {
    let temperature = water.temperature_c?;
    let (t, s) = (Celsius::new(temperature.value).ok()?, Salinity::new(water.salinity_psu).ok()?);
    let share = h2s_fraction(t, Ph::new(ph.value).ok()?, s, PhScale::Nbs);
    let flag = sulfide.flag.worst(ph.flag).worst(temperature.flag).worst(water.salinity_flag);
    Some((sulfide.value * share, flag))
}

/// Un-ionised ammonia over the last day: the kit's total run through the day's pH and temperature,
/// since one dawn pH hides the peak and one afternoon pH alarms every sunny day. The present pH
/// counts for the peak, and for the mean where none was recorded: a moment must not weigh as much as a
/// quarter of an hour.
pub fn ammonia_day(
    tan: Seen,
    ph: Option<Seen>,
    ph_day: Option<&Window>,
    temperature_day: Option<&Window>,
    water: &Water,
    now: Timestamp,
) -> Option<AmmoniaDay> {
    let from = now - DAY;
    let present_c = water.temperature_c.map(|seen| seen.value);
    let (mut sum, mut count, mut peak) = (0.0, 0.0, 0.0_f64);
    if let Some(ph_day) = ph_day {
        for (hour, ph) in ph_day.blocks(from, now, AMMONIA_STEP) {
            let middle = from + Span::from_millis((hour * 3_600_000.0) as i64);
            let around =
                temperature_day.and_then(|day| day.mean(middle - AMMONIA_STEP, middle + AMMONIA_STEP));
            if let Some(temperature_c) = around.or(present_c)
                && let Some(share) = ammonia_share(temperature_c, ph, water.salinity_psu)
            {
                sum += share;
                count += 1.0;
                peak = peak.max(share);
            }
        }
    }
    if let (Some(ph), Some(temperature_c)) = (ph, present_c)
        && now - ph.at <= AMMONIA_STEP
        && let Some(share) = ammonia_share(temperature_c, ph.value, water.salinity_psu)
    {
        if count == 0.0 {
            (sum, count) = (share, 1.0);
        }
        peak = peak.max(share);
    }
    if count == 0.0 {
        return None;
    }
    let suspect = [Some(tan.flag), ph.map(|ph| ph.flag), water.temperature_c.map(|seen| seen.flag)]
        .into_iter()
        .flatten()
        .any(|flag| flag == Flag::Suspect);
    Some(AmmoniaDay {
        mean_mg_l: tan.value * sum / count,
        peak_mg_l: tan.value * peak,
        tan_mg_l: tan.value,
        suspect,
    })
}

/// Highest less lowest pH of the last 24 hours; `None` before 12 hours are known, since half a swing
/// would pass for a calm pond.
pub fn ph_swing(ph_day: &Window, now: Timestamp) -> Option<f64> {
    if ph_day.covered(now - DAY, now) < Span::from_hours(12) {
        return None;
    }
    ph_day.extremes(now - DAY, now).map(|(low, high)| high - low)
}

/// Fall of oxygen over the last half hour to the present value, mg/L: from the second highest minute,
/// so that one high spike is no fall; from the highest where there are fewer than five. `None` where
/// nothing was recorded a quarter of an hour ago or earlier.
pub fn fall_in_30min(oxygen: &Window, present: Seen, now: Timestamp) -> Option<f64> {
    let from = now - Span::from_minutes(30);
    let (mut highest, mut second, mut count) = (f64::NEG_INFINITY, f64::NEG_INFINITY, 0_u32);
    for value in oxygen.between(from, now).map(crate::window::Bin::mean) {
        count += 1;
        if value > highest {
            (highest, second) = (value, highest);
        } else if value > second {
            second = value;
        }
    }
    let reaches_back = oxygen.between(from, now - Span::from_minutes(15)).next().is_some();
    reaches_back.then_some(if count >= 5 { second } else { highest } - present.value)
}

/// Slope per hour over the last `span`, by Theil-Sen on blocks of a tenth of it.
pub fn slope_per_hour(window: &Window, now: Timestamp, span: Span) -> Option<f64> {
    let every = Span::from_millis(span.as_millis() / 10);
    let points = window.blocks(now - span, now + Span::from_millis(1), every);
    let covered = points.last()?.0 - points.first()?.0;
    if covered < span.as_hours() / 3.0 {
        return None;
    }
    crate::window::theil_sen(&points).map(|(slope, _)| slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Timestamp {
        Timestamp(0) + Span::from_minutes(minutes)
    }

    fn seen(value: f64) -> Seen {
        Seen { value, at: at(0), flag: Flag::Pass }
    }

    #[test]
    fn one_spike_is_no_fall() {
        let mut window = Window::default();
        for minute in 0..=30 {
            window.add(at(minute), if minute == 10 { 9.0 } else { 6.0 });
        }
        assert_eq!(fall_in_30min(&window, seen(6.0), at(30)), Some(0.0));
        assert_eq!(fall_in_30min(&window, seen(4.0), at(30)), Some(2.0));
    }

    #[test]
    fn a_fall_needs_something_to_have_fallen_from() {
        let mut window = Window::default();
        for minute in 20..=30 {
            window.add(at(minute), 6.0);
        }
        assert_eq!(fall_in_30min(&window, seen(3.0), at(30)), None);
    }

    #[test]
    fn half_a_day_is_too_short_for_a_swing() {
        let mut window = Window::default();
        for hour in 0..=24 {
            window.add(at(hour * 60), if hour == 15 { 8.9 } else { 8.0 });
        }
        assert!((ph_swing(&window, at(24 * 60)).unwrap() - 0.9).abs() < 1e-12);
        let mut short = Window::default();
        short.add(at(0), 8.0);
        short.add(at(600), 8.9);
        assert_eq!(ph_swing(&short, at(600)), None);
    }

    #[test]
    fn the_slope_is_per_hour() {
        let mut window = Window::default();
        for minute in 0..60 {
            window.add(at(minute), 8.0 - 0.6 * (minute as f64) / 60.0);
        }
        let slope = slope_per_hour(&window, at(60), Span::from_hours(1)).unwrap();
        assert!((slope + 0.6).abs() < 1e-9, "{slope}");
    }
}
