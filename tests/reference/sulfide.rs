//! The un-ionised share of sulfide.

use crate::table::{Comparison, rows};
use crate::water;
use pondreeve_chemistry::scale::PhScale;
use pondreeve_chemistry::sulfide::{h2s_fraction, pk1_total};
use pondreeve_chemistry::units::{Celsius, Ph, Salinity};
use proptest::prelude::*;

#[test]
fn the_share_equals_millero_on_both_scales() {
    let mut comparison = Comparison::default();
    for row in rows("sulfide.csv") {
        let (t, ph, s) = (water::temperature(&row), water::ph(&row), water::salinity(&row));
        comparison.near(row.id(), pk1_total(t, s), row.number("pk1_total"), 1e-6, 0.0);
        comparison.near(
            row.id(),
            h2s_fraction(t, ph, s, PhScale::Total),
            row.number("f_h2s_ph_total"),
            0.0,
            3e-6,
        );
        comparison.near(
            row.id(),
            h2s_fraction(t, ph, s, PhScale::Nbs),
            row.number("f_h2s_ph_free"),
            0.0,
            3e-6,
        );
    }
    comparison.finish(450);
}

#[test]
fn published_fresh_water_tables_read_a_few_percent_higher() {
    let mut comparison = Comparison::default();
    for row in rows("anchors.csv") {
        if row.text("topic") == "sulfide_fresh" {
            let got =
                h2s_fraction(water::temperature(&row), water::ph(&row), water::salinity(&row), PhScale::Nbs);
            comparison.near(row.id(), got, row.number("published_value"), 0.0, 0.05);
            assert!(got < row.number("published_value"), "{}", row.id());
        }
    }
    comparison.finish(7);
}

proptest! {
    #[test]
    fn a_rising_ph_turns_sulfide_harmless(t in 0.0..40.0, ph in 4.0..10.9, s in 0.0..45.0) {
        for scale in [PhScale::Nbs, PhScale::Total] {
            let of = |ph| h2s_fraction(
                Celsius::new(t).unwrap(), Ph::new(ph).unwrap(), Salinity::new(s).unwrap(), scale);
            prop_assert!(of(ph) > 0.0 && of(ph) < 1.0 && of(ph + 0.1) < of(ph));
        }
    }
}
