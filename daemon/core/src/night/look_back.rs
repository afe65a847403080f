//! The nights that are over, as they can be looked at.

use super::NightState;
use super::past::PastNight;
use crate::time::Timestamp;

/// A night that is over, beside what was forecast of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PastNightView {
    /// Its start.
    pub sunset: Timestamp,
    /// Its end.
    pub sunrise: Timestamp,
    /// Lowest oxygen that lasted about an hour, up to sunrise + 1 h, mg/L.
    pub do_min_mg_l: f64,
    /// Middle of the half hour with the lowest mean.
    pub do_min_at: Timestamp,
    /// What was forecast of it; `None` where no forecast could be made.
    pub forecast: Option<EarlyForecastView>,
}

/// A night's first forecast from two hours after sunset on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EarlyForecastView {
    /// When it was made.
    pub at: Timestamp,
    /// Lowest oxygen expected, mg/L.
    pub do_min_mg_l: f64,
    /// Lower bound of its 80 % interval, mg/L.
    pub low_80: f64,
    /// Upper bound of its 80 % interval, mg/L.
    pub high_80: f64,
    /// Forecast less what came, mg/L: below zero where it was too gloomy.
    pub error_mg_l: f64,
    /// Whether the low came to lie inside the interval.
    pub inside_80: bool,
}

impl NightState {
    /// The nights that are remembered, oldest first, 14 at most. A night of which less than seven tenths
    /// was seen is not among them.
    pub fn past_nights(&self) -> impl Iterator<Item = PastNightView> + '_ {
        self.past.iter().map(PastNight::view)
    }
}

impl PastNight {
    fn view(&self) -> PastNightView {
        let low_mg_l = self.low_mg_l;
        PastNightView {
            sunset: self.sunset,
            sunrise: self.sunrise,
            do_min_mg_l: low_mg_l,
            do_min_at: self.sunset + self.low_after,
            forecast: self.early.map(|early| EarlyForecastView {
                at: early.at,
                do_min_mg_l: early.do_min_mg_l,
                low_80: early.low_80,
                high_80: early.high_80,
                error_mg_l: early.do_min_mg_l - low_mg_l,
                inside_80: (early.low_80..=early.high_80).contains(&low_mg_l),
            }),
        }
    }
}
