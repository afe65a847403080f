//! Tonight's expected course and the nights that are over, as they are said over the socket.

use pondreeve_core::Timestamp;
use pondreeve_core::effect::Forecast;
use pondreeve_core::night::{CoursePoint, PastNightView};
use pondreeve_core::view::PondView;
use serde::{Deserialize, Serialize};

use super::status::rfc3339;

/// One pond's night and its last nights. What the forecast says in numbers is in the farm's status.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NightStatus {
    /// Pond id.
    pub pond: String,
    /// Farm time now.
    pub at: String,
    /// When the forecast was made; absent where there is none.
    pub forecast_at: Option<String>,
    /// The expected oxygen from then to an hour after sunrise, oldest first; empty where there is none.
    pub course: Vec<CoursePointStatus>,
    /// The nights that are remembered, newest first, 14 at most.
    pub nights: Vec<PastNightStatus>,
}

/// The oxygen expected at one moment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CoursePointStatus {
    /// RFC 3339, UTC.
    pub at: String,
    /// Lower edge of the 80 % interval, mg/L.
    pub low_80: f64,
    /// Expected, mg/L.
    pub do_mg_l: f64,
    /// Upper edge of the 80 % interval, mg/L.
    pub high_80: f64,
}

/// A night that is over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PastNightStatus {
    /// Its start.
    pub sunset: String,
    /// Its end.
    pub sunrise: String,
    /// Lowest oxygen that lasted about an hour, mg/L.
    pub do_min_mg_l: f64,
    /// When.
    pub do_min_at: String,
    /// What was forecast of it from two hours after sunset on; absent where no forecast could be made.
    pub forecast: Option<PastForecastStatus>,
}

/// A past night's forecast beside what came.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PastForecastStatus {
    /// When it was made.
    pub at: String,
    /// Lowest oxygen expected, mg/L.
    pub do_min_mg_l: f64,
    /// 80 % interval, mg/L.
    pub low_80: f64,
    /// 80 % interval, mg/L.
    pub high_80: f64,
    /// Forecast less what came, mg/L.
    pub error_mg_l: f64,
    /// Whether the low came to lie inside the interval.
    pub inside_80: bool,
}

/// A pond's nights as the socket tells them.
pub fn night_status(view: &PondView, id: &str, now: Timestamp) -> NightStatus {
    let forecast = view.forecast.as_ref();
    let course = forecast.map(Forecast::course).unwrap_or_default();
    NightStatus {
        pond: id.to_owned(),
        at: rfc3339(now),
        forecast_at: forecast.map(|forecast| rfc3339(forecast.at)),
        course: course.iter().map(course_point_status).collect(),
        nights: view.past_nights.iter().rev().map(past_night_status).collect(),
    }
}

fn course_point_status(point: &CoursePoint) -> CoursePointStatus {
    CoursePointStatus {
        at: rfc3339(point.at),
        low_80: point.low_80,
        do_mg_l: point.do_mg_l,
        high_80: point.high_80,
    }
}

fn past_night_status(night: &PastNightView) -> PastNightStatus {
    PastNightStatus {
        sunset: rfc3339(night.sunset),
        sunrise: rfc3339(night.sunrise),
        do_min_mg_l: night.do_min_mg_l,
        do_min_at: rfc3339(night.do_min_at),
        forecast: night.forecast.map(|forecast| PastForecastStatus {
            at: rfc3339(forecast.at),
            do_min_mg_l: forecast.do_min_mg_l,
            low_80: forecast.low_80,
            high_80: forecast.high_80,
            error_mg_l: forecast.error_mg_l,
            inside_80: forecast.inside_80,
        }),
    }
}
