//! Oxygen at saturation.

use crate::table::{Comparison, rows};
use crate::water;
use pondreeve_chemistry::oxygen::{self, Setting};
use pondreeve_chemistry::seawater;
use pondreeve_chemistry::units::{Celsius, DissolvedOxygen, Hectopascal, Salinity};
use proptest::prelude::*;

#[test]
fn saturation_equals_benson_and_krause_and_stays_by_garcia_and_gordon() {
    let mut comparison = Comparison::default();
    for row in rows("oxygen_solubility.csv") {
        let (t, s, p) = (water::temperature(&row), water::salinity(&row), water::pressure(&row));
        let got = oxygen::saturation_mg_l(t, s, p);
        comparison.near(row.id(), got, row.number("do_sat_bk84_mgL"), 1e-5, 0.0);
        comparison.near(row.id(), got, row.number("do_sat_gg92_mgL"), 0.005, 0.0);
    }
    comparison.finish(400);
}

#[test]
fn published_tables_are_met_and_superseded_ones_are_not() {
    let mut comparison = Comparison::default();
    for row in rows("anchors.csv") {
        let (topic, quantity) = (row.text("topic"), row.text("quantity"));
        if topic != "oxygen" && topic != "oxygen_superseded_table" {
            continue;
        }
        let t = water::temperature(&row);
        let got =
            oxygen::saturation_mg_l(t, water::salinity(&row), Hectopascal::new(1013.25).expect("in range"));
        let published = row.number("published_value");
        if topic == "oxygen_superseded_table" {
            // Only the freezing point survived the revision; the rest must not be met.
            let high = published - got;
            assert!(t.get() == 0.0 || (0.03..0.13).contains(&high), "{}: {high} above", row.id());
        } else if quantity.contains("K*S") {
            // The standard's salt factor is linear in salinity and departs by up to 1.1 % at 20 PSU.
            comparison.near(row.id(), got, published, 0.0, 0.011);
        } else if row.text("source").contains("APHA") {
            // Printed to three decimals.
            comparison.near(row.id(), got, published, 0.001_01, 0.0);
        } else {
            // EN 25814 prints one decimal to 15 °C and two above.
            comparison.near(row.id(), got, published, if t.get() < 15.5 { 0.062 } else { 0.0051 }, 0.0);
        }
    }
    comparison.finish(45);
}

#[test]
fn density_equals_teos_10() {
    let mut comparison = Comparison::default();
    for row in rows("oxygen_solubility.csv") {
        let got = seawater::density_kg_m3(water::temperature(&row), water::salinity(&row));
        comparison.near(row.id(), got, row.number("rho_kg_m3"), 0.05, 0.0);
    }
    comparison.finish(200);
}

/// UNESCO Technical Papers in Marine Science 44 (1983), check values (from memory).
#[test]
fn density_meets_its_published_check_values() {
    let mut comparison = Comparison::default();
    for (t, s, expected) in [(5.0, 0.0, 999.966_75), (5.0, 35.0, 1_027.675_47), (25.0, 35.0, 1_023.343_06)] {
        let got =
            seawater::density_kg_m3(Celsius::new(t).expect("in range"), Salinity::new(s).expect("in range"));
        comparison.near("density", got, expected, 5e-6, 0.0);
    }
    comparison.finish(3);
}

/// Common practice: a probe left at fresh water in 20 PSU reads 12 % too high; 30 °C and sea level.
#[test]
fn a_probe_left_at_fresh_water_reads_high() {
    let at = |s: f64, p: f64| Setting {
        salinity: Salinity::new(s).expect("in range"),
        pressure: Hectopascal::new(p).expect("in range"),
    };
    let t = Celsius::new(30.0).expect("in range");
    let reported = DissolvedOxygen::new(7.56).expect("in range");
    let truth = oxygen::compensate(reported, t, at(0.0, 1013.25), at(20.0, 1013.25));
    assert!((reported.get() / truth - 1.12).abs() < 0.005, "{truth}");
    // The pressure rule of thumb: 1 % for 10 hPa.
    let lower = oxygen::compensate(reported, t, at(0.0, 1013.25), at(0.0, 1003.25));
    assert!((lower / reported.get() - 0.99).abs() < 0.001, "{lower}");
}

proptest! {
    #[test]
    fn warmth_and_salt_drive_oxygen_out_and_pressure_holds_it(
        t in 0.0..39.5, s in 0.0..44.0, p in 850.0..1045.0,
    ) {
        let at = |t, s, p| oxygen::saturation_mg_l(
            Celsius::new(t).unwrap(), Salinity::new(s).unwrap(), Hectopascal::new(p).unwrap());
        prop_assert!(at(t + 0.5, s, p) < at(t, s, p));
        prop_assert!(at(t, s + 1.0, p) < at(t, s, p));
        prop_assert!(at(t, s, p + 5.0) > at(t, s, p));
    }

    #[test]
    fn percent_and_mg_l_are_inverse(t in 0.0..40.0, s in 0.0..45.0, p in 850.0..1050.0, oxygen in 0.0..20.0) {
        let (t, s, p) = (Celsius::new(t).unwrap(), Salinity::new(s).unwrap(), Hectopascal::new(p).unwrap());
        let percent = oxygen::percent(DissolvedOxygen::new(oxygen).unwrap(), t, s, p);
        prop_assert!((oxygen::from_percent(percent, t, s, p) - oxygen).abs() < 1e-12);
    }

    #[test]
    fn compensation_undoes_itself(t in 0.0..40.0, from in 0.0..45.0, to in 0.0..45.0, oxygen in 0.0..20.0) {
        let t = Celsius::new(t).unwrap();
        let at = |s| Setting { salinity: Salinity::new(s).unwrap(), pressure: Hectopascal::new(1000.0).unwrap() };
        let there = oxygen::compensate(DissolvedOxygen::new(oxygen).unwrap(), t, at(from), at(to));
        let back = oxygen::compensate(DissolvedOxygen::new(there).unwrap(), t, at(to), at(from));
        prop_assert!((back - oxygen).abs() < 1e-12);
    }
}
