//! Struvite and brucite against PHREEQC.

use crate::table::{Comparison, Row, rows};
use crate::water;
use pondreeve_chemistry::struvite::{self, Solution};
use pondreeve_chemistry::units::{Celsius, Magnesium, Phosphate, Salinity, TotalAmmonia};
use proptest::prelude::*;

fn solution(row: &Row) -> Solution {
    Solution {
        temperature: water::temperature(row),
        salinity: water::salinity(row),
        ph: water::ph(row).get(),
        magnesium: water::magnesium(row),
        tan: water::tan(row),
        phosphate: water::phosphate(row),
    }
}

#[test]
fn the_index_equals_phreeqc() {
    let mut comparison = Comparison::default();
    for row in rows("struvite.csv") {
        let solution = solution(&row);
        let got = struvite::saturation(&solution);
        comparison.near(
            row.id(),
            got.index.expect("all ions are there"),
            row.number("si_struvite"),
            0.06,
            0.0,
        );
        comparison.near(row.id(), struvite::brucite_index(&solution), row.number("si_brucite"), 0.1, 0.0);
    }
    comparison.finish(320);
}

fn water_with(t: f64, s: f64, ph: f64, mg: f64, tan: f64, phosphate: f64) -> Solution {
    Solution {
        temperature: Celsius::new(t).expect("in range"),
        salinity: Salinity::new(s).expect("in range"),
        ph,
        magnesium: Magnesium::new(mg).expect("in range"),
        tan: TotalAmmonia::new(tan).expect("in range"),
        phosphate: Phosphate::new(phosphate).expect("in range"),
    }
}

/// At pond levels none forms in the water, whatever the dose; PHREEQC puts the index at -1.6 for 5 mg/L of
/// ammonia, 3 of phosphate and pH 9.
#[test]
fn a_pond_forms_no_struvite() {
    for salinity in [0.5, 5.0, 15.0, 35.0] {
        let mg = 36.7 * salinity + 8.0;
        let got = struvite::saturation(&water_with(28.0, salinity, 9.0, mg, 5.0, 3.0));
        assert!(got.index.expect("all ions") < -1.3, "{got:?}");
        assert_eq!(got.at_most_mg_l, 0.0);
        assert!(got.if_all_reacted_mg_l > 20.0);
    }
}

#[test]
fn sludge_pore_water_may() {
    let got = struvite::saturation(&water_with(25.0, 20.0, 8.6, 740.0, 150.0, 60.0));
    assert!(got.index.expect("all ions") > 0.0);
    assert!(got.at_most_mg_l > 0.0 && got.at_most_mg_l < got.if_all_reacted_mg_l, "{got:?}");
}

#[test]
fn a_missing_ion_leaves_no_index() {
    for (mg, tan, phosphate) in [(0.0, 1.0, 1.0), (1.0, 0.0, 1.0), (1.0, 1.0, 0.0)] {
        let got = struvite::saturation(&water_with(25.0, 10.0, 8.0, mg, tan, phosphate));
        assert_eq!((got.index, got.at_most_mg_l, got.if_all_reacted_mg_l), (None, 0.0, 0.0));
    }
}

proptest! {
    /// What has formed leaves water in balance, and never more than the scarcest ion allows.
    #[test]
    fn the_most_leaves_the_water_just_saturated(
        t in 10.0..35.0, s in 0.5..40.0, ph in 8.2..9.5, tan in 50.0..400.0, phosphate in 20.0..150.0,
    ) {
        let mg = 36.7 * s + 50.0;
        let got = struvite::saturation(&water_with(t, s, ph, mg, tan, phosphate));
        prop_assert!(got.at_most_mg_l <= got.if_all_reacted_mg_l * (1.0 + 1e-9));
        if got.at_most_mg_l > 0.0 {
            let left = water_with(
                t, s, ph,
                (mg - got.at_most_mg_l / struvite::PER_MAGNESIUM).max(0.0),
                (tan - got.at_most_mg_l / struvite::PER_NITROGEN).max(0.0),
                (phosphate - got.at_most_mg_l / struvite::PER_PHOSPHORUS).max(0.0),
            );
            let index = struvite::saturation(&left).index.unwrap_or(0.0);
            prop_assert!(index.abs() < 1e-3, "{index}");
        }
    }
}
