//! Nights that are over, as they can be looked at afterwards.

mod farm;

use farm::{Farm, at};

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
