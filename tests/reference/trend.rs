//! Trends against scipy.

use crate::table::{Comparison, rows};
use pondreeve_chemistry::trend::{NoTrend, trend};
use proptest::prelude::*;
use std::collections::HashMap;

#[test]
fn slopes_and_limits_equal_scipy() {
    let mut series: HashMap<String, (Vec<f64>, Vec<f64>)> = HashMap::new();
    for row in rows("trends_series.csv") {
        let entry = series.entry(row.text("series_id").to_owned()).or_default();
        entry.0.push(row.number("x"));
        entry.1.push(row.number("y"));
    }
    let mut comparison = Comparison::default();
    for row in rows("trends.csv") {
        let (x, y) = &series[row.text("id")];
        let got = trend(x, y).expect("a trend");
        for (got, column) in [
            (got.theil_sen_slope, "theilsen_slope"),
            (got.theil_sen_intercept, "theilsen_intercept"),
            (got.theil_sen_low_95, "theilsen_lo95"),
            (got.theil_sen_high_95, "theilsen_hi95"),
            (got.least_squares_slope, "ols_slope"),
            (got.least_squares_intercept, "ols_intercept"),
        ] {
            comparison.near(row.id(), got, row.number(column), 1e-9, 1e-9);
        }
        for (got, column) in
            [(got.least_squares_slope_error, "ols_slope_stderr"), (got.kendall_tau_b, "kendall_tau_b")]
        {
            comparison.same(row.id(), &got.is_some(), &row.maybe(column).is_some());
            if let (Some(got), Some(expected)) = (got, row.maybe(column)) {
                comparison.near(row.id(), got, expected, 1e-7, 1e-8);
            }
        }
    }
    comparison.finish(120);
}

#[test]
fn points_without_a_trend_are_refused() {
    assert_eq!(trend(&[1.0], &[1.0]), Err(NoTrend::PointCount(1)));
    assert_eq!(trend(&[1.0, 2.0], &[1.0]), Err(NoTrend::LengthsDiffer { x: 2, y: 1 }));
    assert_eq!(trend(&[1.0, 1.0], &[1.0, 2.0]), Err(NoTrend::EqualX));
    assert_eq!(trend(&[1.0, 2.0], &[1.0, f64::NAN]), Err(NoTrend::NotFinite(1)));
    assert_eq!(trend(&vec![0.0; 5001], &vec![0.0; 5001]), Err(NoTrend::PointCount(5001)));
}

proptest! {
    #[test]
    fn a_line_is_found_whatever_its_order(slope in -5.0..5.0f64, start in -50.0..50.0f64, n in 3usize..40) {
        let x: Vec<f64> = (0..n).map(|i| ((i * 7) % n) as f64 + i as f64 * 0.01).collect();
        let y: Vec<f64> = x.iter().map(|x: &f64| start + slope * *x).collect();
        let got = trend(&x, &y).unwrap();
        prop_assert!((got.theil_sen_slope - slope).abs() < 1e-9);
        prop_assert!((got.least_squares_slope - slope).abs() < 1e-9);
        prop_assert!(got.theil_sen_low_95 <= got.theil_sen_slope && got.theil_sen_slope <= got.theil_sen_high_95);
    }
}
