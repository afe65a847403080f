//! Nights that are over, as they can be looked at afterwards.

mod farm;

use farm::{Farm, at};
use pondreeve_core::{Quantity, Site, Span};

const NOON: i64 = 12 * 60;
const DAY: i64 = 24 * 60;

/// Small and never the same twice running, so that the probe is not taken for stuck.
fn wobble(step: i64) -> f64 {
    0.02 * ((step % 3) as f64 - 1.0)
}

/// 8 mg/L by day; from 18:00 down by half a milligram an hour to `low` and there until 08:00.
fn oxygen(minute: i64, low: f64) -> f64 {
    let hours = (minute - 18 * 60).rem_euclid(DAY) as f64 / 60.0;
    if hours < 14.0 { (8.0 - 0.5 * hours).max(low) } else { 8.0 }
}

#[test]
fn nights_are_told_with_their_low_and_what_was_forecast_of_them() {
    let mut farm = Farm::start(NOON);
    assert_eq!(farm.state.view().ponds[0].past_nights, []);
    let lows = [4.0, 3.0];
    for minute in (NOON..NOON + 2 * DAY).step_by(5) {
        let low = lows[usize::try_from((minute - NOON) / DAY).unwrap()];
        farm.oxygen(minute, oxygen(minute, low) + wobble(minute / 5));
    }
    let nights = farm.state.view().ponds[0].past_nights.clone();
    assert_eq!(nights.len(), 2);
    for ((night, low), day) in nights.iter().zip(lows).zip(0..) {
        // At the equator and longitude 0 the sun sets about 17:45 and rises about 05:45 at this time of year.
        let (sunset, sunrise) = (at(17 * 60 + 30 + day * DAY), at(18 * 60 + day * DAY));
        assert!((sunset..sunrise).contains(&night.sunset), "{night:?}");
        assert!((night.do_min_mg_l - low).abs() < 0.05, "{night:?}");
        // 8 - 0.5 h reaches the low after 8 or 10 hours, and the oxygen then stays.
        let reached = at(18 * 60 + day * DAY) + farm::minutes(((8.0 - low) * 120.0) as i64);
        let half_hour = farm::minutes(30);
        assert!(reached - half_hour <= night.do_min_at && night.do_min_at <= night.sunrise, "{night:?}");
        let forecast = night.forecast.expect("nothing stood in its way");
        let after = forecast.at - night.sunset;
        assert!(farm::minutes(120) <= after && after <= farm::minutes(180), "{after:?}");
        assert!((forecast.error_mg_l - (forecast.do_min_mg_l - night.do_min_mg_l)).abs() < 1e-12);
        let inside = forecast.low_80 <= night.do_min_mg_l && night.do_min_mg_l <= forecast.high_80;
        assert_eq!(forecast.inside_80, inside);
        // What was told two hours after sunset is what is remembered.
        let told = farm.forecasts().into_iter().find(|told| told.at == forecast.at).unwrap();
        assert_eq!((told.do_min_mg_l, told.low_80), (forecast.do_min_mg_l, forecast.low_80));
    }
}

#[test]
fn a_probe_that_reads_once_an_hour_is_enough() {
    let hour = Span::from_hours(1);
    let site = Site::single_pond(0.0, 0.0, 20.0, &[Quantity::DoMgL], hour);
    let mut farm = Farm::start_with(NOON, site);
    for minute in (NOON..NOON + 3 * DAY).step_by(60) {
        farm.oxygen(minute, oxygen(minute, 4.0) + wobble(minute / 60));
    }
    let nights = farm.state.view().ponds[0].past_nights.clone();
    assert_eq!(nights.len(), 3);
    for night in &nights {
        assert!((night.do_min_mg_l - 4.0).abs() < 0.05, "{night:?}");
    }
    // Two readings lie between sunset and two hours later, and one of the afternoon counts beside them.
    let last = nights[2].forecast.expect("three readings in three hours and a half");
    assert!((last.do_min_mg_l - 4.0).abs() < 0.3, "{last:?}");
    // After an afternoon without readings there are too few, and it is said of which time: what was due before the
    // reading at 19:00 has that of 18:00 alone.
    for minute in [3 * DAY + 13 * 60, 3 * DAY + 18 * 60, 3 * DAY + 19 * 60] {
        farm.oxygen(minute, oxygen(minute, 4.0) + wobble(minute / 60));
    }
    let refusal = farm.state.view().ponds[0].no_forecast.clone().map(String::from).unwrap_or_default();
    assert!(refusal.contains("1 usable oxygen readings of the last 3.5 h"), "{refusal}");
}
