//! The same inputs give the same bits on every platform.
//!
//! These patterns are the one place where our own output is frozen. They say nothing about truth (the
//! other tables do); they say that a gateway on ARM, a desk machine and a replay agree to the last
//! bit. A deliberate change of a formula changes them: print the new ones and look at the size of the step.

use pondreeve_chemistry::aeration::{Correction, otr_over_sotr};
use pondreeve_chemistry::ammonia::{nh3_fraction_nbs, nh3_fraction_total};
use pondreeve_chemistry::carbonate::Water;
use pondreeve_chemistry::dose::{self, Pond};
use pondreeve_chemistry::oxygen::saturation_mg_l;
use pondreeve_chemistry::scale::{PhScale, free_minus_total};
use pondreeve_chemistry::struvite::{Solution, saturation};
use pondreeve_chemistry::sulfide::h2s_fraction;
use pondreeve_chemistry::sun::{SunDay, clear_sky_par_mol_m2_day, sun_day};
use pondreeve_chemistry::trend::trend;
use pondreeve_chemistry::units::{
    Alkalinity, Celsius, DissolvedOxygen, Hectopascal, Magnesium, Ph, Phosphate, Salinity, TotalAmmonia,
};

/// A warm brackish pond in the afternoon.
struct Afternoon {
    t: Celsius,
    s: Salinity,
    p: Hectopascal,
    ph: Ph,
    alkalinity: Alkalinity,
    tan: TotalAmmonia,
}

fn afternoon() -> Afternoon {
    Afternoon {
        t: Celsius::new(29.3).expect("in range"),
        s: Salinity::new(17.9).expect("in range"),
        p: Hectopascal::new(1009.6).expect("in range"),
        ph: Ph::new(8.37).expect("in range"),
        alkalinity: Alkalinity::new(112.0).expect("in range"),
        tan: TotalAmmonia::new(0.93).expect("in range"),
    }
}

#[test]
fn the_bits_are_the_same_everywhere() {
    let Afternoon { t, s, p, ph, alkalinity, tan } = afternoon();
    let carbonate = Water::new(t, s, alkalinity, tan).at_ph(8.3).expect("carbonate");
    let pond = Pond {
        temperature: t,
        salinity: s,
        ph,
        scale: PhScale::Nbs,
        alkalinity,
        tan: Some(tan),
        magnesium: None,
    };
    let effect = dose::effect(&pond, 2.4).expect("carbonate");
    let limited = dose::effect(&pond, 90.0).expect("carbonate");
    let pore_water = saturation(&Solution {
        temperature: t,
        salinity: s,
        ph: 8.6,
        magnesium: Magnesium::new(650.0).expect("in range"),
        tan: TotalAmmonia::new(150.0).expect("in range"),
        phosphate: Phosphate::new(60.0).expect("in range"),
    });
    let correction = Correction::new(0.9, 0.98, 1.024).expect("in range");
    let oxygen = DissolvedOxygen::new(4.1).expect("in range");
    let line = trend(&[0.0, 0.7, 1.9, 3.3, 4.1], &[7.2, 6.9, 6.1, 5.5, 5.2]).expect("a trend");
    let got = [
        ("oxygen saturation", saturation_mg_l(t, s, p)),
        ("NH3, buffer reading", nh3_fraction_nbs(t, ph, s)),
        ("NH3, total scale", nh3_fraction_total(t, ph, s)),
        ("free less total pH", free_minus_total(t, s)),
        ("H2S", h2s_fraction(t, ph, s, PhScale::Nbs)),
        ("carbon", carbonate.dic_umol_kg),
        ("pressure of CO2", carbonate.pco2_uatm),
        ("pH after mixing", effect.ph_after_mixing),
        ("pH after air", effect.ph_after_air),
        ("pH where dissolving stops", limited.ph_where_dissolving_stops.expect("limited")),
        ("struvite index", pore_water.index.expect("all ions")),
        ("struvite at most", pore_water.at_most_mg_l),
        ("transfer", otr_over_sotr(&correction, t, s, p, oxygen)),
        ("clear-sky light", clear_sky_par_mol_m2_day(-2.2, -79.9, 20_400)),
        ("Theil-Sen slope", line.theil_sen_slope),
        ("least-squares slope", line.least_squares_slope),
    ];
    let bits: Vec<(&str, u64)> = got.iter().map(|(name, value)| (*name, value.to_bits())).collect();
    assert_eq!(bits, FROZEN, "values: {got:?}");
    assert_eq!(
        sun_day(-2.2, -79.9, 20_400),
        SunDay::Normal { sunrise_ms: FROZEN_SUN.0, sunset_ms: FROZEN_SUN.1 }
    );
}

const FROZEN: [(&str, u64); 16] = [
    ("oxygen saturation", 0x401b_9f15_3015_4f9c),
    ("NH3, buffer reading", 0x3fc1_89bf_1c90_a181),
    ("NH3, total scale", 0x3fc4_e781_0545_9782),
    ("free less total pH", 0x3fb6_1a3c_549d_5d99),
    ("H2S", 0x3f90_9312_36a4_ef36),
    ("carbon", 0x409d_5bfd_d6c5_6650),
    ("pressure of CO2", 0x406c_db2f_5b39_02b5),
    ("pH after mixing", 0x4020_f6c2_cda1_953d),
    ("pH after air", 0x4020_6081_f97c_5d0a),
    ("pH where dissolving stops", 0x4022_b1e2_8842_16b8),
    ("struvite index", 0x3ff0_c2b3_6820_c5f8),
    ("struvite at most", 0x407a_8718_5a5f_aa28),
    ("transfer", 0x3fd5_1110_4066_5a8b),
    ("clear-sky light", 0x404b_9944_dd2a_f8cb),
    ("Theil-Sen slope", 0xbfdf_9c18_f9c1_8f9e),
    ("least-squares slope", 0xbfe0_06f1_3f59_6211),
];

/// Sunrise and sunset, ms since 1970, at 2.2° S, 79.9° W on 2025-11-08.
const FROZEN_SUN: (i64, i64) = (1_762_599_431_594, 1_762_643_369_588);
