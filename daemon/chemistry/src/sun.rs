//! Sunrise, sunset and solar noon.
//!
//! The sun's place from the low-accuracy equations of Meeus, *Astronomical Algorithms* (chapter
//! 25), as the NOAA solar calculator uses them, evaluated at the event itself: the crossing is
//! searched for in the twelve hours on each side of solar noon, so it exists exactly where the sun
//! crosses and the polar cases need no rule of their own.
//!
//! An event is the sun's centre at -0.8333° (34' of refraction and 16' of disc), at sea level,
//! pressure and height ignored.
//! Accuracy: within 5 s of the NREL algorithm below 60° of latitude, 10 s beyond, and a minute
//! where the sun only grazes the horizon. Real refraction near the horizon varies by more than that.

use crate::root::crossing;
use core::f64::consts::PI;
use libm::{asin, cos, exp, sin, sincos, sqrt};

/// Altitude of the sun's centre at sunrise and sunset, degrees.
pub const HORIZON_DEG: f64 = -0.8333;

/// How near to its event a time is searched for.
const TOLERANCE_MS: f64 = 10.0;
const DEGREE: f64 = PI / 180.0;
const DAY_MS: f64 = 86_400_000.0;
const HOUR_MS: f64 = 3_600_000.0;
const MINUTE_MS: f64 = 60_000.0;
/// 2000-01-01T12:00:00Z, from which Meeus counts centuries.
const J2000_MS: f64 = 946_728_000_000.0;
/// Days either side of 1970 that the arithmetic is asked to bear (some ten thousand years).
const DAY_LIMIT: i64 = 4_000_000;

/// The sun's events around the solar noon of one local date. Times are milliseconds since
/// 1970-01-01T00:00:00Z.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SunDay {
    /// The sun rises and sets.
    Normal {
        /// Before the noon.
        sunrise_ms: i64,
        /// After the noon.
        sunset_ms: i64,
    },
    /// The sun does not set.
    PolarDay,
    /// The sun does not rise.
    PolarNight,
}

/// Days since 1970-01-01 of the local date, by longitude, that contains a moment.
pub fn local_day(ms_utc: i64, longitude_deg: f64) -> i64 {
    ms_utc.saturating_add((longitude_deg * 240_000.0) as i64).div_euclid(86_400_000)
}

/// Sunrise and sunset around the solar noon of a local date (days since 1970-01-01).
///
/// Latitude is held to -90..90 and longitude to -180..180 degrees. A place that is no number has no
/// sun: it is answered with [`SunDay::PolarNight`], which for a pond means "watch it always".
/// A day on which the sun crosses only once (next to the polar day) counts as polar day.
pub fn sun_day(latitude_deg: f64, longitude_deg: f64, local_day: i64) -> SunDay {
    if latitude_deg.is_nan() || longitude_deg.is_nan() {
        return SunDay::PolarNight;
    }
    let noon = noon_ms(longitude_deg, local_day);
    let height = |ms: f64| altitude_deg(latitude_deg, longitude_deg, ms) - HORIZON_DEG;
    let (before, at_noon, after) =
        (height(noon - 12.0 * HOUR_MS), height(noon), height(noon + 12.0 * HOUR_MS));
    if at_noon <= 0.0 {
        SunDay::PolarNight
    } else if before < 0.0 && after < 0.0 {
        let sunrise = crossing(height, (noon - 12.0 * HOUR_MS, before), (noon, at_noon), TOLERANCE_MS);
        let sunset = crossing(height, (noon, at_noon), (noon + 12.0 * HOUR_MS, after), TOLERANCE_MS);
        SunDay::Normal { sunrise_ms: libm::rint(sunrise) as i64, sunset_ms: libm::rint(sunset) as i64 }
    } else {
        SunDay::PolarDay
    }
}

/// Solar noon of a local date (days since 1970-01-01), milliseconds since 1970-01-01T00:00:00Z.
pub fn solar_noon_ms(longitude_deg: f64, local_day: i64) -> i64 {
    libm::rint(noon_ms(longitude_deg, local_day)) as i64
}

fn noon_ms(longitude_deg: f64, local_day: i64) -> f64 {
    let day = local_day.clamp(-DAY_LIMIT, DAY_LIMIT) as f64;
    let mean_noon = (day + 0.5) * DAY_MS - longitude_deg.clamp(-180.0, 180.0) * 4.0 * MINUTE_MS;
    let mut noon = mean_noon;
    for _ in 0..3 {
        noon = mean_noon - place(noon).equation_of_time_min * MINUTE_MS;
    }
    noon
}

/// Altitude of the sun's centre as seen from the ground (parallax included, refraction not),
/// degrees above the horizon.
pub fn altitude_deg(latitude_deg: f64, longitude_deg: f64, ms_utc: f64) -> f64 {
    let sun = place(ms_utc);
    let latitude = latitude_deg.clamp(-90.0, 90.0) * DEGREE;
    let clock_min = (ms_utc - libm::floor(ms_utc / DAY_MS) * DAY_MS) / MINUTE_MS;
    let solar_min = clock_min + 4.0 * longitude_deg.clamp(-180.0, 180.0) + sun.equation_of_time_min;
    let hour_angle = (solar_min / 4.0 - 180.0) * DEGREE;
    let (sine_latitude, cosine_latitude) = sincos(latitude);
    let cosine_declination = sqrt(1.0 - sun.sine_declination * sun.sine_declination);
    let sine = (sine_latitude * sun.sine_declination
        + cosine_latitude * cosine_declination * cos(hour_angle))
    .clamp(-1.0, 1.0);
    // The sun's horizontal parallax, 8.794 seconds of arc.
    asin(sine) / DEGREE - 8.794 / 3600.0 * sqrt(1.0 - sine * sine)
}

/// Light of a clear sky on level ground, W/m².
///
/// Formula: `1098 sin(h) exp(-0.059 / sin(h))` for a sun at altitude h. Source: Haurwitz 1945, 1946.
/// Accuracy: 5 to 10 % on a truly clear day; haze and height are not known to it.
pub fn clear_sky_w_m2(altitude_deg: f64) -> f64 {
    let sine = sin(altitude_deg * DEGREE);
    if sine > 0.0 { 1098.0 * sine * exp(-0.059 / sine) } else { 0.0 }
}

/// Photosynthetic light in each W/m² of daylight, µmol/m²/s: 45 % of the energy at 4.57 µmol/J
/// (McCree 1972 for the second; both within 5 %, from memory).
pub const PAR_PER_WATT: f64 = 0.45 * 4.57;

/// Photosynthetic light of a clear sky, µmol/m²/s.
pub fn clear_sky_par_umol_m2_s(altitude_deg: f64) -> f64 {
    clear_sky_w_m2(altitude_deg) * PAR_PER_WATT
}

/// Photosynthetic light of a clear local date, mol/m², summed over the 24 hours around solar noon in
/// steps of five minutes.
pub fn clear_sky_par_mol_m2_day(latitude_deg: f64, longitude_deg: f64, local_day: i64) -> f64 {
    const STEPS: i32 = 288;
    let noon = noon_ms(longitude_deg, local_day);
    let step_ms = DAY_MS / f64::from(STEPS);
    let sum: f64 = (0..STEPS)
        .map(|step| {
            let ms = noon + (f64::from(step - STEPS / 2) + 0.5) * step_ms;
            clear_sky_par_umol_m2_s(altitude_deg(latitude_deg, longitude_deg, ms))
        })
        .sum();
    sum * step_ms / 1000.0 / 1e6
}

struct Place {
    /// Sine of the declination.
    sine_declination: f64,
    /// Sundial minus clock, minutes.
    equation_of_time_min: f64,
}

/// Meeus's low-accuracy sun, with the equation of time after Smart as NOAA uses it.
fn place(ms_utc: f64) -> Place {
    let century = (ms_utc - J2000_MS) / DAY_MS / 36_525.0;
    let mean_longitude = (280.466_46 + century * (36_000.769_83 + century * 0.000_303_2)) * DEGREE;
    let anomaly = (357.529_11 + century * (35_999.050_29 - century * 0.000_153_7)) * DEGREE;
    let eccentricity = 0.016_708_634 - century * (0.000_042_037 + century * 0.000_000_126_7);
    // Multiples of an angle come from its own sine and cosine, which cost more than products.
    let (sin_anomaly, cos_anomaly) = sincos(anomaly);
    let (sin_twice, sin_thrice) =
        (2.0 * sin_anomaly * cos_anomaly, sin_anomaly * (3.0 - 4.0 * sin_anomaly * sin_anomaly));
    let centre = sin_anomaly * (1.914_602 - century * (0.004_817 + century * 0.000_014))
        + sin_twice * (0.019_993 - century * 0.000_101)
        + sin_thrice * 0.000_289;
    let (sin_node, cos_node) = sincos((125.04 - 1934.136 * century) * DEGREE);
    let longitude = mean_longitude + (centre - 0.005_69 - 0.004_78 * sin_node) * DEGREE;
    let mean_obliquity = 23.0
        + (26.0 + (21.448 - century * (46.815 + century * (0.000_59 - century * 0.001_813))) / 60.0) / 60.0;
    let (sin_obliquity, cos_obliquity) = sincos((mean_obliquity + 0.002_56 * cos_node) * DEGREE);
    // Square of the tangent of half the obliquity.
    let y = (1.0 - cos_obliquity) / (1.0 + cos_obliquity);
    let (sin_mean, cos_mean) = sincos(mean_longitude);
    let (sin_double, cos_double) = (2.0 * sin_mean * cos_mean, 1.0 - 2.0 * sin_mean * sin_mean);
    let equation = y * sin_double - 2.0 * eccentricity * sin_anomaly
        + 4.0 * eccentricity * y * sin_anomaly * cos_double
        - y * y * sin_double * cos_double
        - 1.25 * eccentricity * eccentricity * sin_twice;
    Place { sine_declination: sin_obliquity * sin(longitude), equation_of_time_min: 4.0 * equation / DEGREE }
}
