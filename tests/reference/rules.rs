//! Rules of the trade, thresholds and worked figures that the chemistry must not contradict.

use crate::table::{Comparison, rows};
use pondreeve_chemistry::conversion::{self, Basis as Counted};
use pondreeve_chemistry::dose::{self, Amount, Basis, Pond, Slurry};
use pondreeve_chemistry::formulas;
use pondreeve_chemistry::masses;
use pondreeve_chemistry::nitrite::{self, Support};
use pondreeve_chemistry::oxygen;
use pondreeve_chemistry::scale::PhScale;
use pondreeve_chemistry::struvite::{PER_MAGNESIUM, PER_NITROGEN, PER_PHOSPHORUS};
use pondreeve_chemistry::sulfide::h2s_fraction;
use pondreeve_chemistry::units::{Alkalinity, Celsius, Hectopascal, Ph, Salinity, TotalAmmonia};
use pondreeve_chemistry::{aeration, ammonia, seawater};
use proptest::prelude::*;

fn celsius(t: f64) -> Celsius {
    Celsius::new(t).expect("in range")
}

fn salinity(s: f64) -> Salinity {
    Salinity::new(s).expect("in range")
}

/// Every derived rule is what our constants give; those from memory or reading are not ours to prove.
#[test]
fn factors_are_those_of_the_table() {
    let caco3 = masses::CALCIUM_CARBONATE_PER_EQUIVALENT;
    let ours = [
        ("mgoh2_alkalinity", dose::ALKALINITY_PER_SOLIDS),
        ("mgoh2_mg", dose::MAGNESIUM_PER_SOLIDS),
        ("mgoh2_alkalinity_slurry60", 0.6 * dose::ALKALINITY_PER_SOLIDS),
        ("mgoh2_density", dose::SOLID_DENSITY_KG_L),
        ("slurry60_density", Slurry::ideal_density_kg_l(60.0)),
        ("struvite_per_n", PER_NITROGEN),
        ("struvite_per_p", PER_PHOSPHORUS),
        ("struvite_per_mg", PER_MAGNESIUM),
        ("struvite_p_per_n", PER_NITROGEN / PER_PHOSPHORUS),
        ("nitrification_oxygen", 2.0 * masses::OXYGEN_GAS / masses::NITROGEN),
        ("nitrification_alkalinity", 2.0 * caco3 / masses::NITROGEN),
        ("carbon_oxygen_demand", masses::OXYGEN_GAS / masses::CARBON),
        ("theta_aeration", aeration::USUAL_THETA),
    ];
    let table = rows("rules_of_thumb.csv");
    let mut comparison = Comparison::default();
    for (name, value) in ours {
        let row =
            table.iter().find(|row| row.text("name") == name).unwrap_or_else(|| panic!("no rule {name}"));
        comparison.near(name, value, row.number("value"), 6e-5, 0.0);
    }
    comparison.finish(13);
}

/// Sea water at 34.5 PSU holds some 1350 mg/L of magnesium (Boyd, trade journal).
#[test]
fn sea_water_holds_its_magnesium_and_chloride() {
    let magnesium = seawater::magnesium_mg_l(celsius(25.0), salinity(34.5));
    assert!((magnesium / 1350.0 - 1.0).abs() < 0.05, "{magnesium}");
    // Standard sea water, 35 PSU: 19.35 g/kg of chloride (Millero et al. 2008).
    let chloride = seawater::chloride_mg_l(celsius(25.0), salinity(35.0))
        / seawater::density_kg_m3(celsius(25.0), salinity(35.0));
    assert!((chloride - 19.35).abs() < 0.02, "{chloride}");
}

#[test]
fn nitrite_limits_pass_through_the_published_safe_levels() {
    let mut comparison = Comparison::default();
    for row in rows("thresholds.csv") {
        let safe = row.text("variable") == "NO2-N" && row.text("statistic").starts_with("safe level");
        let Some(s) = row.text("conditions").strip_prefix("S ") else { continue };
        let s: f64 = s.split(',').next().unwrap_or_default().parse().expect("a salinity");
        if !safe || !row.text("species").contains("vannamei") {
            continue;
        }
        let limit = nitrite::limit(salinity(s));
        if s == 2.0 {
            // Two studies, 0.62 and 0.45: the limit stands between them.
            comparison.near(row.id(), limit.safe_mg_l, row.number("value"), 0.13, 0.0);
        } else {
            comparison.near(row.id(), limit.safe_mg_l, row.number("value"), 1e-12, 0.0);
        }
    }
    comparison.finish(7);
}

/// Common practice, no source: nitrite harms from about 2 mg/L. Far too lax below 5 PSU.
#[test]
fn two_ppm_of_nitrite_is_the_most_that_goes_unwarned() {
    assert_eq!(nitrite::limit(salinity(30.0)).warn_mg_l, 2.0);
    assert_eq!(nitrite::limit(salinity(30.0)).critical_mg_l, 5.0);
    assert!(nitrite::limit(salinity(3.0)).warn_mg_l < 0.5);
    let estimate = nitrite::limit(salinity(5.0));
    assert!((estimate.safe_mg_l - 1.6).abs() < 0.05 && estimate.support == Support::Estimated);
    assert_eq!(nitrite::limit(salinity(0.0)).support, Support::Held);
    assert_eq!(nitrite::limit(salinity(45.0)).safe_mg_l, 25.7);
    // Chloride of sea water at 15 PSU gives the limit of 15 PSU.
    let chloride = seawater::chloride_mg_l(celsius(25.0), salinity(15.0));
    assert!((nitrite::limit_by_chloride(chloride).safe_mg_l - 6.1).abs() < 1e-4);
    assert_eq!(nitrite::limit_by_chloride(f64::NAN).safe_mg_l, 0.28);
}

/// Common practice, no source: 20 ppm before stocking and 4 ppm weekly, on water volume, of slurry with some
/// 60 % solids. By arithmetic, 4 ppm adds some 4 mg/L of alkalinity: less than a test kit's step.
#[test]
fn the_usual_doses_add_what_arithmetic_says() {
    let slurry = Slurry::new(60.0, 1.53).expect("in range");
    let weekly = Amount::of(4.0, Basis::SlurryMass, slurry, 7500.0);
    assert!((weekly.alkalinity_added_mg_l - 4.1).abs() < 0.05);
    assert!((weekly.magnesium_added_mg_l - 1.0).abs() < 0.05);
    let before_stocking = Amount::of(20.0, Basis::SlurryMass, slurry, 7500.0);
    assert!((before_stocking.slurry_kg - 150.0).abs() < 1e-9);
    assert!((before_stocking.solids_mg_l - 12.0).abs() < 1e-12);
}

/// Common practice, no source: sludge at pH 4 to 4.5 is spent, over 6 recovered. There all sulfide is
/// H2S at both, so the gain is in acidity and not in sulfide: what the chemistry can say to that claim.
#[test]
fn recovered_sludge_still_holds_its_sulfide_as_h2s() {
    let at = |ph| h2s_fraction(celsius(28.0), Ph::new(ph).expect("in range"), salinity(15.0), PhScale::Nbs);
    assert!(at(4.2) > 0.99 && at(6.0) > 0.75 && at(7.5) < 0.35);
}

/// Worked with constants recalled, closed water at 30 °C: 20 PSU, alkalinity 120, pH 8.0 and 2.4 mg/L of Mg(OH)2
/// give 8.14 and 1.35 times the un-ionised ammonia; 20 mg/L give 8.75 and 4.2 times. The recalled constants
/// differ by a few hundredths.
#[test]
fn a_dose_raises_ammonia_as_worked_examples_say() {
    let effect = |s: f64, ph: f64, alkalinity: f64, solids: f64| {
        let pond = Pond {
            temperature: celsius(30.0),
            salinity: salinity(s),
            ph: Ph::new(ph).expect("in range"),
            scale: PhScale::Nbs,
            alkalinity: Alkalinity::new(alkalinity).expect("in range"),
            tan: Some(TotalAmmonia::new(1.0).expect("in range")),
            magnesium: None,
        };
        let effect = dose::effect(&pond, solids).expect("carbonate");
        let nh3 = effect.nh3.expect("given");
        (effect.ph_after_mixing, nh3.after_mixing_mg_l / nh3.before_mg_l)
    };
    for (s, ph, alkalinity, solids, ph_after, factor) in [
        (20.0, 8.0, 120.0, 2.4, 8.14, 1.35),
        (20.0, 8.0, 120.0, 12.0, 8.52, 2.9),
        (20.0, 8.0, 120.0, 20.0, 8.75, 4.2),
        (20.0, 8.5, 120.0, 4.0, 8.64, 1.27),
        (5.0, 8.0, 80.0, 2.4, 8.35, 2.0),
        (5.0, 8.0, 80.0, 20.0, 9.27, 8.0),
    ] {
        let (got, times) = effect(s, ph, alkalinity, solids);
        assert!((got - ph_after).abs() < 0.06, "{s} PSU, {solids} mg/L: pH {got} against {ph_after}");
        assert!((times / factor - 1.0).abs() < 0.12, "{s} PSU, {solids} mg/L: {times} against {factor}");
    }
}

/// The trade's table of the un-ionised share in per cent, fresh water, 28 and 30 °C (Emerson's formula).
#[test]
fn the_share_of_ammonia_is_the_trade_s_table() {
    let mut comparison = Comparison::default();
    let table = [
        (28.0, [2.2, 4.2, 6.5, 10.0, 18.1, 30.6, 41.2, 52.6]),
        (30.0, [2.5, 4.8, 7.4, 11.3, 20.2, 33.6, 44.5, 56.0]),
    ];
    for (t, shares) in table {
        for (ph, percent) in [7.5, 7.8, 8.0, 8.2, 8.5, 8.8, 9.0, 9.2].into_iter().zip(shares) {
            let got = ammonia::nh3_fraction_nbs(celsius(t), Ph::new(ph).expect("in range"), salinity(0.0));
            comparison.near("share", got * 100.0, percent, 0.0501, 0.0);
        }
    }
    comparison.finish(16);
}

/// Oxygen at saturation, 30 °C and sea level: 7.56, 7.15, 6.77 and 6.41 mg/L at 0, 10, 20 and 30 PSU.
#[test]
fn salt_takes_oxygen_as_the_trade_s_table_says() {
    let p = Hectopascal::new(1013.25).expect("in range");
    for (s, expected) in [(0.0, 7.56), (10.0, 7.15), (20.0, 6.77), (30.0, 6.41)] {
        let got = oxygen::saturation_mg_l(celsius(30.0), salinity(s), p);
        assert!((got - expected).abs() < 0.0051, "{s} PSU: {got}");
    }
}

/// Field efficiency of an aerator with SAE 1.2 at 29 °C, 18 PSU, alpha 0.9: 0.51, 0.44 and 0.29 kg/kWh at 3.5, 4 and 5
/// mg/L (worked by hand, two figures).
#[test]
fn an_aerator_gives_less_as_oxygen_rises() {
    let correction = aeration::Correction::new(0.9, 1.0, 1.024).expect("in range");
    let p = Hectopascal::new(1013.25).expect("in range");
    for (oxygen, expected) in [(3.5, 0.51), (4.0, 0.44), (5.0, 0.29)] {
        let oxygen = pondreeve_chemistry::units::DissolvedOxygen::new(oxygen).expect("in range");
        let got = 1.2 * aeration::otr_over_sotr(&correction, celsius(29.0), salinity(18.0), p, oxygen);
        assert!((got - expected).abs() < 0.011, "{got} against {expected}");
    }
}

/// Boyd's aeration energy (trade journal): 24 hp/ha, 20 h a day, 100 days are 36,000 kWh/ha.
#[test]
fn a_crop_s_energy_is_power_times_hours() {
    let rules = rows("rules_of_thumb.csv");
    let hp = rules.iter().find(|row| row.text("name") == "hp_to_kw").expect("a rule").number("value");
    for row in rows("anchors.csv") {
        if row.text("topic") == "energy" {
            let worked = 24.0 * hp * 20.0 * 100.0;
            assert!((worked / row.number("published_value") - 1.0).abs() < 0.01, "{worked}");
        }
    }
}

#[test]
fn kit_readings_change_basis_by_the_factors_on_the_box() {
    // Factors printed in textbooks: NO2 3.28, NH4 1.29, NO3 4.43, PO4 3.07, P2O5 2.29, H2S 1.06.
    for (from, to, factor) in [
        (Counted::N, Counted::No2, 3.28),
        (Counted::N, Counted::Nh4, 1.29),
        (Counted::N, Counted::No3, 4.43),
        (Counted::P, Counted::Po4, 3.07),
        (Counted::P, Counted::P2o5, 2.29),
        (Counted::S, Counted::H2s, 1.06),
    ] {
        let got = conversion::convert(1.0, from, to).expect("one element");
        assert!((got - factor).abs() < 0.0051, "{got} against {factor}");
    }
    assert!(conversion::convert(1.0, Counted::N, Counted::P).is_err());
    assert!((conversion::meq_l_to_mg_l_caco3(1.0) - 50.04).abs() < 0.005);
    assert!((conversion::german_degrees_to_mg_l_caco3(1.0) - 17.85).abs() < 0.005);
}

#[test]
fn every_formula_can_be_cited() {
    for formula in formulas::ALL {
        assert_eq!(formulas::by_id(formula.id), Some(formula));
        for text in [formula.gives, formula.formula, formula.source, formula.range, formula.accuracy] {
            assert!(text.len() > 2 && !text.contains("  "), "{}: {text:?}", formula.id);
        }
    }
    let mut ids: Vec<&str> = formulas::ALL.iter().map(|formula| formula.id).collect();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), formulas::ALL.len(), "ids repeat");
    assert_eq!(formulas::by_id("no_such_formula"), None);
}

proptest! {
    #[test]
    fn bases_convert_back(value in 0.0..1000.0, from in 0usize..11, to in 0usize..11) {
        let (from, to) = (Counted::ALL[from], Counted::ALL[to]);
        if let Ok(there) = conversion::convert(value, from, to) {
            let back = conversion::convert(there, to, from).expect("one element both ways");
            prop_assert!((back - value).abs() <= 1e-12 * value);
        }
    }

    #[test]
    fn salt_protects_from_nitrite(s in 0.0..44.0) {
        prop_assert!(nitrite::limit(salinity(s + 1.0)).safe_mg_l >= nitrite::limit(salinity(s)).safe_mg_l);
    }

    /// Nothing but a finite value in range becomes a quantity.
    #[test]
    fn units_refuse_the_impossible(bits: u64) {
        let value = f64::from_bits(bits);
        for accepted in [
            (Celsius::new(value).is_ok(), 0.0, 40.0),
            (Salinity::new(value).is_ok(), 0.0, 45.0),
            (Ph::new(value).is_ok(), 4.0, 11.0),
            (Hectopascal::new(value).is_ok(), 850.0, 1050.0),
            (Alkalinity::new(value).is_ok(), 0.0, 500.0),
        ] {
            prop_assert_eq!(accepted.0, (accepted.1..=accepted.2).contains(&value));
        }
    }
}
