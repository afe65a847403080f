//! Sunrise, sunset and solar noon against the NREL algorithm.

use crate::table::{Comparison, Row, rows};
use jiff::Timestamp;
use jiff::civil::Date;
use pondreeve_chemistry::sun::{self, SunDay};

fn day(row: &Row) -> i64 {
    let date: Date = row.text("local_date").parse().expect("a date");
    i64::from(date.since(Date::constant(1970, 1, 1)).expect("in range").get_days())
}

fn seconds(text: &str) -> f64 {
    text.parse::<Timestamp>().expect("a time").as_second() as f64
}

#[test]
fn events_agree_with_the_reference() {
    let mut comparison = Comparison::default();
    for row in rows("sun.csv") {
        let (latitude, longitude) = (row.number("lat_deg"), row.number("lon_deg"));
        let near_limit = row.text("near_polar_limit") == "1";
        let allowed = if near_limit { 150.0 } else { 15.0 };
        let noon = sun::solar_noon_ms(longitude, day(&row)) as f64 / 1000.0;
        comparison.near(row.id(), noon, seconds(row.text("transit_utc")), 15.0, 0.0);
        let got = sun::sun_day(latitude, longitude, day(&row));
        let state = match got {
            SunDay::Normal { sunrise_ms, sunset_ms } => {
                if !row.text("sunrise_utc").is_empty() {
                    let (rise, set) = (seconds(row.text("sunrise_utc")), seconds(row.text("sunset_utc")));
                    comparison.near(row.id(), sunrise_ms as f64 / 1000.0, rise, allowed, 0.0);
                    comparison.near(row.id(), sunset_ms as f64 / 1000.0, set, allowed, 0.0);
                }
                "normal"
            }
            SunDay::PolarDay => "polar_day",
            SunDay::PolarNight => "polar_night",
        };
        if !near_limit {
            comparison.same(row.id(), &state, &row.text("state"));
        }
    }
    comparison.finish(350);
}
