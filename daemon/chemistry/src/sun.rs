//! Sunrise and sunset.

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
    (ms_utc + (longitude_deg * 240_000.0) as i64).div_euclid(86_400_000)
}

/// Sunrise and sunset around the solar noon of a local date (stub: chemistry owner replaces).
pub fn sun_day(_latitude_deg: f64, longitude_deg: f64, local_day: i64) -> SunDay {
    let noon = local_day * 86_400_000 + 43_200_000 - (longitude_deg * 240_000.0) as i64;
    SunDay::Normal { sunrise_ms: noon - 21_600_000, sunset_ms: noon + 21_600_000 }
}
