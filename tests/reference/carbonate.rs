//! The carbonate system and what magnesium hydroxide does to it.

use crate::table::{Comparison, Row, rows};
use crate::water;
use pondreeve_chemistry::carbonate::Water;
use pondreeve_chemistry::dose::{self, Amount, Basis, Pond, Slurry};
use pondreeve_chemistry::scale::{PhScale, free_minus_total};
use pondreeve_chemistry::seawater::magnesium_mg_l;
use pondreeve_chemistry::struvite::{Solution, brucite_index};
use pondreeve_chemistry::units::{Alkalinity, Celsius, Magnesium, Ph, Phosphate, Salinity, TotalAmmonia};
use proptest::prelude::*;

fn no_tan() -> TotalAmmonia {
    TotalAmmonia::new(0.0).expect("in range")
}

#[test]
fn carbon_equals_the_reference() {
    let mut comparison = Comparison::default();
    for row in rows("carbonate.csv") {
        let (t, s, ph) = (water::temperature(&row), water::salinity(&row), water::ph_total(&row));
        let got = Water::new(t, s, water::alkalinity(&row), no_tan()).at_ph(ph.get()).expect("carbonate");
        comparison.near(row.id(), got.dic_umol_kg, row.number("dic_umolkg"), 0.001, 2e-4);
        comparison.near(row.id(), got.dic_mg_l, row.number("dic_mgL_c"), 1e-5, 2e-4);
        comparison.near(row.id(), got.co2_mg_l, row.number("co2aq_mgL"), 1e-6, 4e-4);
        comparison.near(row.id(), got.bicarbonate_umol_kg, row.number("hco3_umolkg"), 0.001, 2e-4);
        comparison.near(row.id(), got.carbonate_umol_kg, row.number("co3_umolkg"), 1e-4, 4e-4);
        comparison.near(row.id(), got.pco2_uatm, row.number("pco2_uatm"), 0.001, 4e-4);
    }
    comparison.finish(500);
}

fn pond(row: &Row) -> Pond {
    Pond {
        temperature: water::temperature(row),
        salinity: water::salinity(row),
        ph: water::ph0_total(row),
        scale: PhScale::Total,
        alkalinity: water::alkalinity0(row),
        tan: Some(water::tan(row)),
        magnesium: None,
    }
}

fn amount(row: &Row) -> Amount {
    let (basis, percent) = match row.text("product") {
        "solid" => (Basis::SolidsMass, 60.0),
        "slurry60" => (Basis::SlurryMass, 60.0),
        other => panic!("{}: product {other}", row.id()),
    };
    Amount::of(row.number("dose_mgL"), basis, Slurry::new(percent, 1.5).expect("in range"), 7500.0)
}

#[test]
fn a_dose_equals_the_reference() {
    let mut comparison = Comparison::default();
    for row in rows("mgoh2_dose.csv") {
        let amount = amount(&row);
        comparison.near(row.id(), amount.solids_mg_l, row.number("mgoh2_mgL"), 1e-6, 1e-5);
        comparison.near(
            row.id(),
            amount.alkalinity_added_mg_l,
            row.number("alk_added_mgL_caco3"),
            1e-6,
            1e-5,
        );
        comparison.near(row.id(), amount.magnesium_added_mg_l, row.number("mg_added_mgL"), 1e-6, 1e-5);
        let effect = dose::effect(&pond(&row), amount.solids_mg_l).expect("carbonate");
        comparison.near(row.id(), effect.ph_after_mixing, row.number("ph_closed_total"), 0.0005, 0.0);
        comparison.near(row.id(), effect.ph_after_air, row.number("ph_open_dosed_total"), 0.0005, 0.0);
        comparison.near(
            row.id(),
            effect.ph_after_air_without_dose,
            row.number("ph_open_undosed_total"),
            0.0005,
            0.0,
        );
        comparison.near(row.id(), effect.co2_mg_l_before, row.number("co2aq0_mgL"), 1e-6, 1e-3);
        comparison.near(row.id(), effect.co2_mg_l_after_mixing, row.number("co2aq_closed_mgL"), 1e-6, 2e-3);
        let nh3 = effect.nh3.expect("ammonia was given");
        comparison.near(row.id(), nh3.before_mg_l, row.number("nh3n_before_mgL"), 1e-6, 1e-3);
        comparison.near(row.id(), nh3.after_mixing_mg_l, row.number("nh3n_closed_mgL"), 1e-6, 1e-3);
        comparison.near(row.id(), nh3.after_air_mg_l, row.number("nh3n_open_dosed_mgL"), 1e-6, 1e-3);
        comparison.near(
            row.id(),
            nh3.after_mixing_mg_l / nh3.before_mg_l,
            row.number("nh3_ratio_closed"),
            0.0,
            1e-3,
        );
    }
    comparison.finish(1000);
}

fn brackish(ph: f64, salinity: f64, alkalinity: f64) -> Pond {
    Pond {
        temperature: Celsius::new(28.0).expect("in range"),
        salinity: Salinity::new(salinity).expect("in range"),
        ph: Ph::new(ph).expect("in range"),
        scale: PhScale::Nbs,
        alkalinity: Alkalinity::new(alkalinity).expect("in range"),
        tan: Some(TotalAmmonia::new(2.0).expect("in range")),
        magnesium: None,
    }
}

/// A buffer reading and the same water's total pH must give the same water.
#[test]
fn both_scales_describe_one_water() {
    for (ph, salinity) in [(7.6, 0.0), (8.0, 15.0), (8.3, 35.0)] {
        let nbs = brackish(ph, salinity, 120.0);
        let shift = free_minus_total(nbs.temperature, nbs.salinity);
        let total = Pond { ph: Ph::new(ph - shift).expect("in range"), scale: PhScale::Total, ..nbs };
        let (a, b) =
            (dose::effect(&nbs, 4.0).expect("carbonate"), dose::effect(&total, 4.0).expect("carbonate"));
        assert!((a.ph_after_mixing - shift - b.ph_after_mixing).abs() < 1e-9);
        assert!((a.ph_after_air - shift - b.ph_after_air).abs() < 1e-9);
        let (x, y) = (a.nh3.expect("given").after_mixing_mg_l, b.nh3.expect("given").after_mixing_mg_l);
        // The two ammonia formulas agree within 1 % on one scale.
        assert!((x / y - 1.0).abs() < 0.0105, "{x} {y}");
    }
}

/// PHREEQC with WATEQ4F's brucite at 28 °C: saturation at pH 10.0 (0.5 PSU, 20 mg/L of magnesium), 9.6 (5),
/// 9.4 (15) and 9.27 (35 PSU).
#[test]
fn brucite_stops_dissolving_where_phreeqc_says() {
    let mut comparison = Comparison::default();
    for (salinity, magnesium, expected) in
        [(0.5, Some(20.0), 10.0), (5.0, None, 9.6), (15.0, None, 9.4), (35.0, None, 9.27)]
    {
        let pond = brackish(8.0, salinity, 120.0);
        let sea = magnesium_mg_l(pond.temperature, pond.salinity);
        let solution = Solution {
            temperature: pond.temperature,
            salinity: pond.salinity,
            ph: expected,
            magnesium: Magnesium::new(magnesium.unwrap_or(sea)).expect("in range"),
            tan: no_tan(),
            phosphate: Phosphate::new(0.0).expect("in range"),
        };
        // The index gains 2 for each unit of pH; the figures are given to a twentieth.
        comparison.near("brucite", brucite_index(&solution), 0.0, 0.15, 0.0);
        let effect = dose::effect(&pond, 120.0).expect("carbonate");
        assert!(effect.solubility_limited);
        let stops = effect.ph_where_dissolving_stops.expect("limited");
        if magnesium.is_none() {
            // The dose brings magnesium of its own, so it stops a little lower.
            comparison.near("stops", stops, expected, 0.12, 0.0);
        }
        assert!(effect.ph_after_mixing > stops && effect.ph_after_mixing < stops + 1.0);
    }
    comparison.finish(7);
    assert!(!dose::effect(&brackish(8.0, 15.0, 120.0), 2.4).expect("carbonate").solubility_limited);
}

/// The largest dose in the softest water must not be answered with the pH of lye.
#[test]
fn the_bound_is_not_absurd() {
    let soft = Pond { temperature: Celsius::new(5.0).expect("in range"), ..brackish(8.0, 0.0, 20.0) };
    let effect = dose::effect(&soft, 200.0).expect("carbonate");
    assert!(effect.solubility_limited);
    assert!(effect.ph_after_mixing < 12.0, "{}", effect.ph_after_mixing);
    let strong = Pond { ..brackish(10.9, 30.0, 500.0) };
    let effect = dose::effect(&strong, 50.0).expect("carbonate");
    assert!(effect.solubility_limited && effect.ph_after_mixing >= 10.9 - 1e-9);
    assert!((effect.ph_where_dissolving_stops.expect("limited") - 10.9).abs() < 1e-9);
}

/// The three readings of "4 ppm" in 7500 m³ of a slurry with 60 % solids at 1.53 kg/L (arithmetic).
#[test]
fn four_ppm_has_three_meanings() {
    let slurry = Slurry::new(60.0, 1.53).expect("in range");
    for (basis, kg, litres, solids) in [
        (Basis::SlurryMass, 30.0, 19.6, 2.4),
        (Basis::SolidsMass, 50.0, 32.7, 4.0),
        (Basis::SlurryVolume, 45.9, 30.0, 3.67),
    ] {
        let amount = Amount::of(4.0, basis, slurry, dose::volume_m3(5000.0, 1.5));
        assert!((amount.slurry_kg - kg).abs() < 0.05, "{amount:?}");
        assert!((amount.slurry_l - litres).abs() < 0.05, "{amount:?}");
        assert!((amount.solids_mg_l - solids).abs() < 0.005, "{amount:?}");
    }
    let (containers, opened) =
        Amount::of(4.0, Basis::SlurryMass, slurry, 7500.0).containers(25.0).expect("in range");
    assert!((containers - 1.2).abs() < 1e-12);
    assert_eq!(opened, 2.0);
}

proptest! {
    #[test]
    fn carbon_from_ph_and_ph_from_carbon_are_inverse(
        t in 0.0..40.0, s in 0.0..45.0, ph in 6.0..9.0, alkalinity in 60.0..500.0, tan in 0.0..20.0,
    ) {
        let water = Water::new(
            Celsius::new(t).unwrap(), Salinity::new(s).unwrap(), Alkalinity::new(alkalinity).unwrap(),
            TotalAmmonia::new(tan).unwrap());
        let carbonate = water.at_ph(ph).unwrap();
        prop_assert!((water.ph_with_dic(carbonate.dic_umol_kg) - ph).abs() < 1e-9);
        prop_assert!((water.ph_with_pco2(carbonate.pco2_uatm) - ph).abs() < 1e-9);
        // Mass balance: the three forms add up to the total.
        let co2 = carbonate.dic_umol_kg * water.co2_share(ph);
        let sum = co2 + carbonate.bicarbonate_umol_kg + carbonate.carbonate_umol_kg;
        prop_assert!((sum / carbonate.dic_umol_kg - 1.0).abs() < 1e-12);
    }

    /// Charge balance in fresh water, worked out here from the species alone.
    #[test]
    fn charges_add_up_to_the_alkalinity(t in 0.0..40.0, ph in 5.0..9.5, alkalinity in 40.0..500.0) {
        let water = Water::new(
            Celsius::new(t).unwrap(), Salinity::new(0.0).unwrap(), Alkalinity::new(alkalinity).unwrap(), no_tan());
        let carbonate = water.at_ph(ph).unwrap();
        let kelvin = t + 273.15;
        // Millero 1995, fresh water.
        let kw = (148.9802 - 13847.26 / kelvin - 23.6521 * kelvin.ln()).exp();
        let h = 10f64.powf(-ph);
        let charge = carbonate.bicarbonate_umol_kg + 2.0 * carbonate.carbonate_umol_kg + (kw / h - h) * 1e6;
        let kg_l = pondreeve_chemistry::seawater::density_kg_m3(Celsius::new(t).unwrap(), Salinity::new(0.0).unwrap()) / 1000.0;
        let expected = alkalinity / 50.043_45 * 1000.0 / kg_l;
        prop_assert!((charge / expected - 1.0).abs() < 1e-9, "{charge} {expected}");
    }

    #[test]
    fn more_dose_is_more_ph_and_more_ammonia(
        s in 0.0..45.0, ph in 6.5..8.8, alkalinity in 60.0..400.0, solids in 0.5..60.0,
    ) {
        let pond = brackish(ph, s, alkalinity);
        let none = dose::effect(&pond, 0.0).unwrap();
        let some = dose::effect(&pond, solids).unwrap();
        let more = dose::effect(&pond, solids * 1.5).unwrap();
        prop_assert!((none.ph_after_mixing - ph).abs() < 1e-9);
        prop_assert!(!none.solubility_limited);
        prop_assert!(some.ph_after_mixing > none.ph_after_mixing);
        // Where the solid stops dissolving both end at one pH, as near as it is searched for.
        prop_assert!(more.ph_after_mixing >= some.ph_after_mixing - 1e-6);
        prop_assert!(some.ph_after_air > some.ph_after_air_without_dose);
        prop_assert!(some.nh3.unwrap().after_mixing_mg_l > some.nh3.unwrap().before_mg_l);
    }
}
