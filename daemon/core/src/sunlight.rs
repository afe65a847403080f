//! Day and night at the farm.

use pondreeve_chemistry::sun::{SunDay, local_day, sun_day};

use crate::site::Site;
use crate::time::{Span, Timestamp};

/// Oxygen stays at its lowest until the sun has worked for a while: the forecast's minimum is looked
/// for until this long after sunrise.
pub const LOW_UNTIL: Span = Span::from_hours(1);

/// The alarms' night lasts until this long after sunrise. (Common practice, no source.)
pub const WATCH_UNTIL: Span = Span::from_hours(2);

/// Whether and when the sun sets.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Night {
    /// The night that is on or comes next.
    Between {
        /// Its start.
        sunset: Timestamp,
        /// Its end.
        sunrise: Timestamp,
    },
    /// The sun does not set, or nothing can be said for so odd a time or place.
    Never {
        /// Look again then.
        until: Timestamp,
    },
    /// The sun does not rise.
    Always {
        /// Look again then.
        until: Timestamp,
    },
}

/// Sun times are computed between the years 1900 and 2200 only.
const COMPUTED: core::ops::Range<i64> = -2_208_988_800_000..7_258_118_400_000;

const DAY: Span = Span::from_hours(24);

impl Night {
    /// The night that is on at `t` or comes next; a night counts as on until `tail` after sunrise.
    pub fn at(site: &Site, t: Timestamp, tail: Span) -> Self {
        let until = t + DAY;
        let placed = site.latitude_deg.abs() <= 90.0 && site.longitude_deg.abs() <= 180.0;
        if !placed || !COMPUTED.contains(&t.as_millis()) {
            return Self::Never { until };
        }
        let today = local_day(t.as_millis(), site.longitude_deg);
        let sun = |day: i64| sun_day(site.latitude_deg, site.longitude_deg, day);
        for evening in [today - 1, today] {
            match (sun(evening), sun(evening + 1)) {
                (SunDay::Normal { sunset_ms, .. }, SunDay::Normal { sunrise_ms, .. })
                    if sunrise_ms > sunset_ms =>
                {
                    let (sunset, sunrise) = (Timestamp(sunset_ms), Timestamp(sunrise_ms));
                    if t < sunrise + tail {
                        return Self::Between { sunset, sunrise };
                    }
                }
                (_, SunDay::PolarNight) if evening == today => return Self::Always { until },
                _ => {}
            }
        }
        if matches!(sun(today), SunDay::PolarNight) { Self::Always { until } } else { Self::Never { until } }
    }

    /// When another night must be looked up.
    pub fn valid_until(&self) -> Timestamp {
        match *self {
            Self::Between { sunrise, .. } => sunrise + WATCH_UNTIL,
            Self::Never { until } | Self::Always { until } => until,
        }
    }

    /// Whether the loss of oxygen readings is as urgent as low oxygen at `t`.
    pub fn is_watch(&self, t: Timestamp) -> bool {
        match *self {
            Self::Between { sunset, sunrise } => t >= sunset && t < sunrise + WATCH_UNTIL,
            Self::Never { .. } => false,
            Self::Always { .. } => true,
        }
    }

    /// The next moment after `t` at which something changes by the sun alone.
    pub fn next_turn(&self, t: Timestamp) -> Timestamp {
        match *self {
            Self::Between { sunset, sunrise } => [sunset, sunrise, sunrise + LOW_UNTIL]
                .into_iter()
                .find(|&turn| turn > t)
                .unwrap_or(sunrise + WATCH_UNTIL),
            Self::Never { until } | Self::Always { until } => until,
        }
    }
}
