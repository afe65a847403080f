//! What the forecast makes of aerators that run otherwise than in the nights it remembers. The water is
//! stepped here by its own balance, minute by minute.

mod farm;

use farm::{Farm, at, minutes};
use pondreeve_core::effect::Forecast;
use pondreeve_core::site::{Channel, Timer};
use pondreeve_core::{Event, Quantity, Site, Span};

const DAY: i64 = 24 * 60;
const SUNSET: i64 = 18 * 60;
const SUNRISE: i64 = 30 * 60;

/// The pond: 7 500 m3 at 29 °C and 18 g/kg, which saturate at 6.96 mg/L (Benson & Krause 1984, worked out apart); two
/// groups of 4.5 kW · 1.2 kg/kWh, 0.9 of it in pond water.
struct Water {
    do_mg_l: f64,
}

impl Water {
    fn night_minute(&mut self, groups: f64) {
        let aerators_per_h = groups * 4.5 * 1.2 * 0.9 * 1.024_f64.powi(9) * 1_000.0 / (9.09 * 7_500.0);
        let change_per_h = -0.55 + (0.009 + aerators_per_h) * (0.98 * 6.96 - self.do_mg_l);
        self.do_mg_l += change_per_h / 60.0;
    }
}

/// Runs from noon of the first day for `nights` nights; `running` says how many groups run at a minute of
/// the day so many nights on. Gives the lowest oxygen of the last night.
fn run(farm: &mut Farm, nights: i64, running: impl Fn(i64, i64) -> u8) -> f64 {
    let mut water = Water { do_mg_l: 7.0 };
    let mut lowest = f64::INFINITY;
    for now in 12 * 60..nights * DAY + SUNRISE - DAY + 120 {
        let (night, minute) = ((now - 12 * 60) / DAY, (now - 12 * 60) % DAY + 12 * 60);
        let groups = running(night, minute);
        if (SUNSET..SUNRISE).contains(&minute) {
            water.night_minute(f64::from(groups));
            if night == nights - 1 {
                lowest = lowest.min(water.do_mg_l);
            }
        } else {
            // By day it comes to 8 mg/L at sunset.
            let left = (SUNSET - minute).rem_euclid(DAY) + 1;
            water.do_mg_l += (8.0 - water.do_mg_l) / left as f64;
        }
        if now % 5 == 0 {
            let noise = 0.02 * ((now / 5 % 3) as f64 - 1.0);
            let kw = |group: u8| (Quantity::AeratorKw, if groups > group { 4.4 } else { 0.0 });
            let values = [
                (Quantity::DoMgL, water.do_mg_l + noise),
                (Quantity::TemperatureC, 29.0 + noise),
                kw(0),
                kw(1),
            ];
            farm.sweep(now, &values);
        }
    }
    lowest
}

fn metered() -> Farm {
    with_timers(None)
}

fn with_timers(timer: Option<Timer>) -> Farm {
    begun(metered_site(timer))
}

fn metered_site(timer: Option<Timer>) -> Site {
    let mut site = farm::site();
    for group in &mut site.ponds[0].aerators {
        group.timer = timer;
    }
    for group in [0, 1] {
        let meter = Channel { aerator: Some(group), ..Channel::uncorrected(Quantity::AeratorKw) };
        site.probes[1].channels.push(meter);
    }
    site
}

fn begun(site: Site) -> Farm {
    let mut farm = Farm::start(12 * 60);
    farm.event(12 * 60, Event::SiteChanged { site });
    farm
}

fn made_at(farm: &Farm, night: i64, minute: i64) -> Forecast {
    let wanted = at(night * DAY + minute);
    let forecasts = farm.forecasts();
    forecasts.into_iter().rfind(|it| it.at <= wanted && wanted - it.at < minutes(20)).expect("a forecast")
}

fn both_by_night(_: i64, minute: i64) -> u8 {
    if (SUNSET..SUNRISE).contains(&minute) { 2 } else { 0 }
}

#[test]
fn a_night_with_the_usual_aerators_is_like_the_last_one() {
    let mut farm = metered();
    let low = run(&mut farm, 4, both_by_night);
    let forecast = made_at(&farm, 3, 23 * 60 + 30);
    assert!((forecast.do_min_mg_l - low).abs() < 0.15, "{forecast:?} for {low}");
    assert!(!forecast.basis.contains("aeration"), "{}", forecast.basis);
}

#[test]
fn aerators_that_trip_pull_the_forecast_down_to_where_the_water_goes() {
    let mut farm = metered();
    let tripped =
        |night, minute| if night == 3 && minute >= 22 * 60 { 0 } else { both_by_night(night, minute) };
    let low = run(&mut farm, 4, tripped);
    let before = made_at(&farm, 3, 21 * 60 + 45);
    let after = made_at(&farm, 3, 23 * 60 + 30);
    assert!(before.do_min_mg_l > low + 1.2, "{before:?} for {low}");
    assert!((after.do_min_mg_l - low).abs() < 0.5, "{after:?} for {low}");
    assert!((after.low_80..=after.high_80).contains(&low), "{after:?} for {low}");
    assert!(after.basis.contains("as less aeration runs than then"), "{}", after.basis);
}

#[test]
fn a_night_that_was_switched_after_its_forecast_says_nothing_against_it() {
    let mut farm = metered();
    let tripped =
        |night, minute| if night == 3 && minute >= 22 * 60 { 0 } else { both_by_night(night, minute) };
    run(&mut farm, 4, tripped);
    // The first night had no memory and is scored all the same; the last one is not.
    let score = farm.state.view().ponds[0].forecast_score.expect("scores");
    assert_eq!(score.nights, 3);
}

/// Two groups add 0.176 · (0.98 · 6.96 - DO) mg/L per hour; without them the fall is so much steeper.
#[test]
fn the_slope_without_aerators_is_told() {
    let mut farm = metered();
    run(&mut farm, 2, both_by_night);
    let forecast = made_at(&farm, 1, 23 * 60);
    let stopped = forecast.slope_if_aerators_stop_mg_l_h.expect("aerators run");
    let expected = -0.55 + 0.009 * (6.82 - 6.0);
    assert!((stopped - expected).abs() < 0.1, "{stopped} for {expected}");
    assert!(stopped < forecast.night_slope_mg_l_h - 0.1, "{forecast:?}");
    let mut idle = metered();
    run(&mut idle, 1, |_, _| 0);
    assert_eq!(made_at(&idle, 0, 23 * 60).slope_if_aerators_stop_mg_l_h, None);
}

#[test]
fn a_first_night_with_a_trip_rests_on_what_the_pond_used_up() {
    let mut farm = metered();
    let tripped = |_, minute| if minute >= 24 * 60 { 0 } else { both_by_night(0, minute) };
    let low = run(&mut farm, 1, tripped);
    let forecast = made_at(&farm, 0, 25 * 60 + 30);
    assert!((forecast.do_min_mg_l - low).abs() < 0.5, "{forecast:?} for {low}");
    assert!(forecast.basis.contains("with the aerators that run"), "{}", forecast.basis);
}

/// Both groups by the panel's clock from 21:00 to 06:00.
const BY_NIGHT: Timer = Timer { on: Span::from_hours(21), off: Span::from_hours(6) };

fn by_timer(_: i64, minute: i64) -> u8 {
    if (21 * 60..SUNRISE).contains(&minute) { 2 } else { 0 }
}

#[test]
fn a_first_evening_counts_with_timers_that_are_still_to_come() {
    let mut told = with_timers(Some(BY_NIGHT));
    let low = run(&mut told, 1, by_timer);
    let forecast = made_at(&told, 0, 20 * 60 + 30);
    assert!((forecast.do_min_mg_l - low).abs() < 0.6, "{forecast:?} for {low}");
    assert!(forecast.basis.contains("those that timers switch"), "{}", forecast.basis);
    let mut untold = metered();
    run(&mut untold, 1, by_timer);
    let blind = made_at(&untold, 0, 20 * 60 + 30);
    assert!(blind.do_min_mg_l < low - 1.0, "nothing runs, and nothing is known to come: {blind:?} for {low}");
}

#[test]
fn a_timer_that_does_not_start_is_missed_after_an_hour() {
    let mut farm = with_timers(Some(BY_NIGHT));
    let fails = |night, minute| if night == 3 { 0 } else { by_timer(night, minute) };
    let low = run(&mut farm, 4, fails);
    let within = made_at(&farm, 3, 21 * 60 + 45);
    assert!(within.do_min_mg_l > low + 1.0, "it may come yet: {within:?} for {low}");
    let after = made_at(&farm, 3, 22 * 60 + 15);
    assert!((after.do_min_mg_l - low).abs() < 0.6, "{after:?} for {low}");
}

/// Without timers, an hour later than last night is late and not missing; what stops is missing at once.
#[test]
fn aerators_that_people_start_later_than_last_night_are_waited_for() {
    let mut farm = metered();
    let late = |night, minute| if night == 3 && minute < 22 * 60 { 0 } else { by_timer(night, minute) };
    run(&mut farm, 4, late);
    let usual = made_at(&farm, 3, 20 * 60 + 45);
    let waiting = made_at(&farm, 3, 21 * 60 + 45);
    assert!((waiting.do_min_mg_l - usual.do_min_mg_l).abs() < 0.3, "{waiting:?} after {usual:?}");
    assert!(!waiting.basis.contains("less aeration"), "{}", waiting.basis);
    let mut farm = metered();
    let trips =
        |night, minute| if night == 3 && minute >= 21 * 60 + 15 { 0 } else { by_timer(night, minute) };
    run(&mut farm, 4, trips);
    let after = made_at(&farm, 3, 22 * 60 + 15);
    assert!(after.basis.contains("less aeration"), "{}", after.basis);
}

/// What timers will start is not asked for; when it has not come an hour later, it is.
#[test]
fn people_are_not_asked_for_what_a_timer_starts() {
    let timer = Timer { on: Span::from_hours(22), off: Span::from_hours(8) };
    // Both groups from 22:00 on keep 3 mg/L with room to spare, and none does not.
    let mut site = metered_site(Some(timer));
    site.ponds[0].limits.do_forecast_mg_l = [3.0, 2.5];
    let mut farm = begun(site.clone());
    run(&mut farm, 3, |_, minute| if (22 * 60..SUNRISE).contains(&minute) { 2 } else { 0 });
    let told = |farm: &Farm, from: i64, until: i64| {
        let advice = farm
            .advice()
            .into_iter()
            .filter(|own| own.at >= at(2 * DAY + from) && own.at < at(2 * DAY + until));
        advice.collect::<Vec<_>>()
    };
    let dusk = told(&farm, 20 * 60, 22 * 60);
    assert!(!dusk.is_empty());
    for own in &dusk {
        assert!(own.aerators.is_empty(), "{own:?}");
        assert!(own.reason.contains("By timer, the first in"), "{}", own.reason);
        assert!(own.reason.contains("Look whether it comes"), "{}", own.reason);
    }
    let mut farm = begun(site);
    run(&mut farm, 3, |night, minute| if night < 2 && (22 * 60..SUNRISE).contains(&minute) { 2 } else { 0 });
    let missed = told(&farm, 22 * 60 + 15, 25 * 60);
    assert!(missed.iter().any(|own| !own.aerators.is_empty()), "{missed:?}");
}
