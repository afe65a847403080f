//! Sunrise, sunset and solar noon against the NREL algorithm.

use crate::table::{Comparison, Row, rows};
use jiff::Timestamp;
use jiff::civil::Date;
use pondreeve_chemistry::sun::{self, SunDay};
use proptest::prelude::*;

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

#[test]
fn clear_sky_light_equals_haurwitz() {
    let mut comparison = Comparison::default();
    for row in rows("clear_sky.csv") {
        let got = sun::clear_sky_w_m2(row.number("altitude_deg"));
        comparison.near(row.id(), got, row.number("light_w_m2"), 1e-5, 0.0);
    }
    comparison.finish(30);
}

/// Common practice: a clear day near the equator brings 40 to 60 mol/m² of photosynthetic light; a polar night none.
#[test]
fn a_clear_day_brings_the_usual_light() {
    let march = 20_533;
    let light = sun::clear_sky_par_mol_m2_day(-2.2, -79.9, march);
    assert!((40.0..62.0).contains(&light), "{light}");
    assert_eq!(sun::clear_sky_par_mol_m2_day(85.0, 0.0, 20_443), 0.0);
}

#[test]
fn a_place_that_is_no_number_is_watched_all_day() {
    assert_eq!(sun::sun_day(f64::NAN, 0.0, 20_000), SunDay::PolarNight);
    assert_eq!(sun::sun_day(0.0, f64::NAN, 20_000), SunDay::PolarNight);
    // Days that no calendar has must not overflow.
    for day in [i64::MIN, i64::MAX] {
        let _ = sun::sun_day(10.0, 10.0, day);
        let _ = sun::local_day(day, 180.0);
    }
}

proptest! {
    /// The events enclose solar noon, and the local day of each belongs to the date asked for.
    #[test]
    fn events_enclose_noon(latitude in -89.9..89.9, longitude in -180.0..180.0, day in -20_000i64..40_000) {
        let noon = sun::solar_noon_ms(longitude, day);
        prop_assert_eq!(sun::local_day(noon, longitude), day);
        if let SunDay::Normal { sunrise_ms, sunset_ms } = sun::sun_day(latitude, longitude, day) {
            prop_assert!(sunrise_ms < noon && noon < sunset_ms);
            prop_assert!(noon - sunrise_ms <= 43_200_000 && sunset_ms - noon <= 43_200_000);
            for event in [sunrise_ms, sunset_ms] {
                let altitude = sun::altitude_deg(latitude, longitude, event as f64);
                prop_assert!((altitude - sun::HORIZON_DEG).abs() < 1e-4, "{altitude}");
            }
        }
    }
}
