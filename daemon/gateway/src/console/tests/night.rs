//! The page of the night and the page of the last nights.

use super::*;
use crate::local::night::{CoursePointStatus, NightStatus, PastForecastStatus, PastNightStatus};
use crate::local::protocol::HistoryPoint;

fn time(text: &str) -> jiff::Timestamp {
    text.parse().unwrap()
}

/// 20:10 on the farm, two hours after sunset: 7.1 mg/L, and 2.6 expected at 05:50, less at worst.
fn evening() -> FarmStatus {
    let mut farm = sample::normal_night();
    farm.at = "2026-11-25T01:10:00Z".to_owned();
    let heron = &mut farm.ponds[0];
    heron.readings[0].value = Some(7.1);
    let forecast = heron.forecast.as_mut().unwrap();
    forecast.at = "2026-11-25T01:02:00Z".to_owned();
    forecast.do_min_mg_l = 2.6;
    (forecast.low_80, forecast.high_80) = (1.7, 3.5);
    forecast.do_sunrise_mg_l = 2.7;
    forecast.below = vec![
        (4.0, Some("2026-11-25T06:07:00Z".to_owned()), 0.97),
        (3.0, Some("2026-11-25T09:19:00Z".to_owned()), 0.71),
        (2.0, None, 0.2),
    ];
    farm
}

/// Oxygen from sunset down to 7.1 mg/L, with a doubtful value among them.
fn measured() -> Curve {
    let points = (0..9).map(|step| HistoryPoint {
        at: (time("2026-11-24T23:02:00Z") + jiff::SignedDuration::from_mins(step * 15)).to_string(),
        value: 8.3 - 0.15 * step as f64,
        flag: if step == 5 { 3 } else { 1 },
    });
    Curve { pond: "p1".to_owned(), points: points.collect(), trouble: None }
}

/// What is expected of that evening, straight from point to point.
fn course() -> Vec<CoursePointStatus> {
    [
        ("2026-11-25T01:02:00Z", [7.1, 7.1, 7.1]),
        ("2026-11-25T03:02:00Z", [5.25, 5.55, 5.85]),
        ("2026-11-25T06:02:00Z", [3.4, 4.05, 4.7]),
        ("2026-11-25T10:50:00Z", [1.7, 2.6, 3.5]),
        ("2026-11-25T11:05:00Z", [1.8, 2.7, 3.6]),
        ("2026-11-25T12:05:00Z", [1.8, 2.7, 3.6]),
    ]
    .into_iter()
    .map(|(at, [low_80, do_mg_l, high_80])| CoursePointStatus { at: at.to_owned(), low_80, do_mg_l, high_80 })
    .collect()
}

/// Fourteen nights, one of them without a forecast, one with a late one, one outside its range.
fn fortnight() -> Vec<PastNightStatus> {
    let lows = [4.42, 3.97, 3.61, 4.8, 2.71, 1.88, 4.05, 4.33, 4.9, 5.12, 4.71, 4.26, 3.84, 4.15];
    lows.into_iter()
        .zip(0_i64..)
        .map(|(low, back)| {
            let hours = |hours: i64| jiff::SignedDuration::from_hours(hours - 24 * back);
            let sunset = time("2026-11-23T23:02:00Z");
            let error = [0.2, -0.3, 0.1, -0.1, 0.5, 1.2, -0.4][usize::try_from(back % 7).unwrap()];
            let forecast = PastForecastStatus {
                at: (sunset + hours(if back == 3 { 5 } else { 2 })).to_string(),
                do_min_mg_l: low + error,
                low_80: low + error - 0.6,
                high_80: low + error + 0.6,
                error_mg_l: error,
                inside_80: error.abs() <= 0.6,
            };
            PastNightStatus {
                sunset: (sunset + hours(0)).to_string(),
                sunrise: (sunset + hours(12)).to_string(),
                do_min_mg_l: low,
                do_min_at: (sunset + hours(11)).to_string(),
                forecast: (back != 8).then_some(forecast),
            }
        })
        .collect()
}

fn shown(farm: FarmStatus, course: Vec<CoursePointStatus>, nights: Vec<PastNightStatus>) -> Shown {
    let mut shown = Shown::of(farm);
    let status =
        NightStatus { pond: "p1".to_owned(), at: sample::NOW.to_owned(), forecast_at: None, course, nights };
    shown.nights = Some(Nights { pond: "p1".to_owned(), status: Some(Box::new(status)), trouble: None });
    shown.curve = Some(measured());
    shown
}

/// Tonight in the evening, with a fortnight behind it.
pub(super) fn with_nights() -> Shown {
    shown(evening(), course(), fortnight())
}

#[test]
fn night_in_the_evening() {
    insta::assert_snapshot!(shown(evening(), course(), vec![]).keys(&characters("n")).text());
}

#[test]
fn night_with_a_critical_alarm() {
    let mut shown = shown(sample::critical_alarm(), vec![], vec![]);
    shown.curve = Some(Curve { pond: "p1".to_owned(), points: sample::curve(2.81), trouble: None });
    let mut course = course();
    for point in &mut course {
        point.at = (time(&point.at) + jiff::SignedDuration::from_hours(6)).to_string();
        (point.low_80, point.do_mg_l, point.high_80) = (0.8, 1.4, 2.0);
    }
    course[0].at = sample::NOW.to_owned();
    (course[0].low_80, course[0].do_mg_l, course[0].high_80) = (2.8, 2.8, 2.8);
    shown.nights.as_mut().unwrap().status.as_mut().unwrap().course = course;
    insta::assert_snapshot!(shown.keys(&characters("n")).text());
}

#[test]
fn night_before_sunset() {
    let mut farm = evening();
    farm.at = "2026-11-24T20:30:00Z".to_owned();
    farm.ponds[0].forecast = None;
    farm.ponds[0].no_forecast = Some("it is made from sunset on".to_owned());
    let mut shown = shown(farm, vec![], vec![]);
    for point in &mut shown.curve.as_mut().unwrap().points {
        point.at = (time(&point.at) - jiff::SignedDuration::from_hours(5)).to_string();
    }
    insta::assert_snapshot!(shown.keys(&characters("n")).text());
}

#[test]
fn night_without_a_forecast() {
    let mut farm = evening();
    farm.ponds[0].forecast = None;
    farm.ponds[0].no_forecast =
        Some("an aerator was switched, and the new slope is known only in 31 min".to_owned());
    // What was expected before must not stand beside the refusal.
    insta::assert_snapshot!(shown(farm, course(), vec![]).keys(&characters("n")).text());
}

#[test]
fn last_nights() {
    insta::assert_snapshot!(shown(evening(), course(), fortnight()).keys(&characters("nn")).text());
}

#[test]
fn last_nights_of_a_new_pond() {
    insta::assert_snapshot!(shown(evening(), course(), vec![]).keys(&characters("nn")).text());
}

#[test]
fn keys_of_the_night_keep_the_page_from_pond_to_pond() {
    let mut shown = shown(evening(), course(), fortnight());
    let mut at = |key: Key| {
        shown.press(key, LATER);
        (shown.ui.page, shown.ui.pond)
    };
    assert_eq!(at(Key::Char('2')), (Page::Pond, 1));
    assert_eq!(at(Key::Char('n')), (Page::Night, 1));
    assert_eq!(at(Key::Char('3')), (Page::Night, 2));
    assert_eq!(at(Key::Char('n')), (Page::Nights, 2));
    assert_eq!(at(Key::Up), (Page::Nights, 1));
    assert_eq!(at(Key::Char('n')), (Page::Night, 1));
    assert_eq!(at(Key::Escape), (Page::Pond, 1));
    // Another pond's nights are never shown as this one's.
    shown.press(Key::Char('n'), LATER);
    assert!(!shown.text().contains(": 80% sure"), "{}", shown.text());
    shown.press(Key::Char('n'), LATER);
    assert!(shown.text().contains("Asking the daemon"), "{}", shown.text());
}

#[test]
fn an_old_night_is_no_present_one() {
    let text = shown(evening(), course(), vec![]).lost(3_000).keys(&characters("n")).text();
    assert!(text.contains("OLD, as of") && !text.contains("o expected"), "{text}");
}

#[test]
fn the_pictures_of_the_night_are_plain_where_they_must_be_and_fit_every_window() {
    let farm = evening();
    for keys in ["n", "nn"] {
        let text = shown(farm.clone(), course(), fortnight()).keys(&characters(keys)).text();
        assert!(text.is_ascii(), "{text}");
        for (columns, lines) in [(50, 12), (60, 15), (80, 20), (132, 50), (200, 12)] {
            let text = shown(farm.clone(), course(), fortnight())
                .keys(&characters(keys))
                .sized(columns, lines)
                .text();
            assert!(text.contains("P1 Heron"), "{text}");
        }
    }
}
