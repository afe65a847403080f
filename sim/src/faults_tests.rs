//! What each fault makes of a reading, against hand arithmetic.

use super::{Fault, Kind, clock_ahead_ms, on_line, on_value};
use crate::noise::Noise;

const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;

/// What 5 (or another reading) becomes so many ms after the fault began at midnight UTC.
fn becomes(kind: Kind, quantity: &str, reading: f64, after_ms: i64) -> f64 {
    let plan = [Fault { probe: "p".into(), quantity: None, from_ms: 0, until_ms: 100 * DAY, kind }];
    on_value(&plan, &Noise::new(1), "p", quantity, after_ms, reading, |_| Some(4.25))
}

fn near(seen: f64, wanted: f64) {
    assert!((seen - wanted).abs() < 1e-9, "{seen}, by hand {wanted}");
}

#[test]
fn drift_slides_by_the_day_without_end() {
    near(becomes(Kind::Drift { per_day: -0.079 }, "do_mg_l", 5.0, 10 * DAY), 4.21);
    near(becomes(Kind::Drift { per_day: 0.5 }, "ph", 8.0, 12 * HOUR), 8.25);
}

#[test]
fn a_film_takes_a_share_by_day_and_breathes_by_night() {
    let film = || Kind::Film { lost_per_day: 0.1, at_most: 0.4, night_mg_l: 0.8, utc_offset_ms: 0 };
    near(becomes(film(), "do_mg_l", 5.0, 0), 5.0);
    // Noon of the third day: 2.5 days, a quarter lost. Midnight after two: a fifth, half grown: 0.4 less.
    near(becomes(film(), "do_mg_l", 8.0, 60 * HOUR), 6.0);
    near(becomes(film(), "do_mg_l", 5.0, 2 * DAY), 3.6);
    // Full-grown after four days, and never below nothing.
    near(becomes(film(), "do_mg_l", 5.0, 20 * DAY), 2.2);
    near(becomes(film(), "do_mg_l", 1.0, 20 * DAY), 0.0);
    near(becomes(film(), "temperature_c", 28.0, 20 * DAY), 28.0);
}

#[test]
fn bubble_dry_probe_and_swapped_units() {
    near(becomes(Kind::Bubble { saturated_mg_l: 7.0, share: 0.75 }, "do_mg_l", 3.0, HOUR), 6.0);
    near(becomes(Kind::Dry { saturated_mg_l: 7.0 }, "do_mg_l", 3.0, HOUR), 7.0);
    near(becomes(Kind::Dry { saturated_mg_l: 7.0 }, "salinity_psu", 18.0, HOUR), 0.0);
    near(becomes(Kind::UnitSwap { saturated_mg_l: 8.0 }, "do_mg_l", 6.0, HOUR), 75.0);
    near(becomes(Kind::UnitSwap { saturated_mg_l: 8.0 }, "temperature_c", 30.0, HOUR), 86.0);
    near(becomes(Kind::UnitSwap { saturated_mg_l: 8.0 }, "ph", 8.0, HOUR), 8.0);
}

#[test]
fn noise_has_its_deviation_and_no_bias() {
    let draws: Vec<f64> = (0..4_000)
        .map(|slot| becomes(Kind::Noise { deviation: 0.5 }, "do_mg_l", 5.0, slot * 20_000) - 5.0)
        .collect();
    let mean = draws.iter().sum::<f64>() / 4_000.0;
    let square = draws.iter().map(|draw| draw * draw).sum::<f64>() / 4_000.0;
    // Four standard errors: 4 * 0.5 / sqrt(4000) = 0.032; 4 * 0.25 * sqrt(2 / 4000) = 0.022.
    assert!(mean.abs() < 0.032, "{mean}");
    assert!((square - 0.25).abs() < 0.022, "{square}");
}

#[test]
fn a_reboot_repeats_the_old_value_and_then_measures_again() {
    let reboot = || Kind::Reboot { repeats_ms: 10 * 60_000 };
    near(becomes(reboot(), "do_mg_l", 5.0, 9 * 60_000), 4.25);
    near(becomes(reboot(), "do_mg_l", 5.0, 10 * 60_000), 5.0);
    let plan = [Fault { probe: "p".into(), quantity: None, from_ms: 0, until_ms: DAY, kind: reboot() }];
    assert_eq!(on_line(&plan, "p", HOUR), None);
}

#[test]
fn a_clock_gains_by_the_day_and_sizes_fit_the_quantity() {
    let plan = [Fault {
        probe: "p".into(),
        quantity: None,
        from_ms: 0,
        until_ms: 100 * DAY,
        kind: Kind::Clock { per_day_ms: 60_000 },
    }];
    assert_eq!(clock_ahead_ms(&plan, "p", 36 * HOUR), 90_000);
    assert_eq!(clock_ahead_ms(&plan, "q", 36 * HOUR), 0);
    assert_eq!(Kind::Drift { per_day: 0.5 }.sized_for("ph"), Kind::Drift { per_day: 0.1 });
    assert_eq!(Kind::Stuck.sized_for("ph"), Kind::Stuck);
}
