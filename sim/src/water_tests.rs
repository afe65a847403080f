//! The balance of one pond: it adds up, and goes where the published figures say.

use super::{Aerator, Basin, Budget, Water, step};
use crate::tidewick;
use crate::weather::Sky;

const DARK: Sky = Sky {
    par_umol_m2_s: 0.0,
    shortwave_w_m2: 0.0,
    air_c: 33.0,
    wind_m_s: 3.0,
    rain_mm_h: 0.0,
    pressure_hpa: 1_013.25,
};

fn lifeless(aerators: Vec<Aerator>) -> Basin {
    Basin {
        photosynthesis_max_mg_l_h: 0.0,
        water_respiration_mg_l_h: 0.0,
        bottom_respiration_g_m2_h: 0.0,
        shrimp_kg: 0.0,
        feed_kg_day: 0.0,
        ..tidewick::basin(5_000.0, 1.5, tidewick::load("p1"), aerators)
    }
}

fn paddles(running: bool) -> Vec<Aerator> {
    vec![Aerator { id: "a".into(), power_kw: 4.5, sae_kg_kwh: 1.2, running }]
}

fn run(basin: &Basin, water: &mut Water, sky: &Sky, hours: f64) -> Budget {
    let mut budget = Budget::default();
    for _ in 0..(hours * 180.0) as u32 {
        budget.add(&step(basin, water, sky, 1.0, 20.0));
        assert!(water.do_mg_l >= 0.0 && water.do_mg_l.is_finite());
    }
    budget
}

#[test]
fn the_oxygen_budget_adds_up_to_the_change() {
    let basin = tidewick::basin(5_000.0, 1.5, tidewick::load("p1"), paddles(true));
    for (par, rain) in [(0.0, 0.0), (1_500.0, 0.0), (200.0, 30.0)] {
        let sky = Sky { par_umol_m2_s: par, shortwave_w_m2: par / 2.02, rain_mm_h: rain, ..DARK };
        let mut water = tidewick::water(1.5, 18.0);
        let before = water.do_mg_l;
        let budget = run(&basin, &mut water, &sky, 6.0);
        let change = water.do_mg_l - before;
        assert!((budget.sum() - change).abs() < 1e-9, "budget {budget:?} against {change}");
        assert!(budget.photosynthesis >= 0.0 && budget.water < 0.0 && budget.bottom < 0.0);
        assert!(budget.shrimp < 0.0 && budget.feed < 0.0 && budget.nitrification < 0.0);
    }
}

#[test]
fn lifeless_water_comes_to_the_published_saturation_from_both_sides() {
    // 30 °C, fresh, sea level: 7.56 mg/L (Benson and Krause, as tabulated in APHA 4500-O).
    // Air a little above the water's 30 °C makes up for what the sky draws from it.
    let sky = Sky { air_c: 34.5, wind_m_s: 6.0, ..DARK };
    for start in [0.0, 14.0] {
        for running in [false, true] {
            let basin = lifeless(paddles(running));
            let mut water =
                Water { do_mg_l: start, temperature_c: 30.0, tan_mg_l: 0.0, ..tidewick::water(1.5, 0.0) };
            run(&basin, &mut water, &sky, 24.0 * 14.0);
            assert!((water.temperature_c - 30.0).abs() < 1e-6, "{}", water.temperature_c);
            assert!((water.do_mg_l - 7.56).abs() < 0.02, "from {start}: {} mg/L", water.do_mg_l);
        }
    }
}

#[test]
fn oxygen_never_goes_below_nothing_even_in_a_dead_calm_crash() {
    let mut basin = tidewick::basin(5_000.0, 1.5, tidewick::load("p1"), paddles(false));
    basin.water_respiration_mg_l_h = 6.0;
    let mut water = Water { do_mg_l: 1.0, ..tidewick::water(1.5, 18.0) };
    run(&basin, &mut water, &Sky { wind_m_s: 0.0, ..DARK }, 24.0);
    assert!(water.do_mg_l < 0.5);
}

#[test]
fn aerators_bring_what_their_rating_says() {
    // Worked by hand: 4.5 kW · 1.2 kg/kWh = 5.4 kg/h standard. At 20 °C, no oxygen, fresh water at
    // sea level, β·Cs/9.09 = 1 and α 0.9 leave 4.86 kg/h, in 7 500 m3 0.648 mg/L/h.
    let basin = lifeless(paddles(true));
    let still = Sky { wind_m_s: 0.0, air_c: 24.5, ..DARK };
    let mut water = Water { do_mg_l: 0.0, temperature_c: 20.0, ..tidewick::water(1.5, 0.0) };
    let budget = step(&basin, &mut water, &still, 1.0, 20.0);
    assert!((budget.aerators * 180.0 - 0.648).abs() < 0.002, "{} mg/L/h", budget.aerators * 180.0);
    // Above saturation they drive oxygen out.
    let mut water = Water { do_mg_l: 12.0, ..tidewick::water(1.5, 18.0) };
    assert!(step(&basin, &mut water, &still, 1.0, 20.0).aerators < 0.0);
}

#[test]
fn rain_thins_salt_and_alkalinity_alike() {
    let basin = lifeless(Vec::new());
    let mut water = tidewick::water(1.5, 18.0);
    run(&basin, &mut water, &Sky { rain_mm_h: 32.0, ..DARK }, 2.0);
    // 64 mm into 1.5 m, mixed as it falls: e^(−0.064/1.5) within the step error.
    let left = (-0.064_f64 / 1.5).exp();
    assert!((water.salinity_psu - 18.0 * left).abs() < 0.01, "{} PSU", water.salinity_psu);
}

#[test]
fn respiration_lowers_ph_and_photosynthesis_lifts_it() {
    let basin = tidewick::basin(5_000.0, 1.5, tidewick::load("p1"), Vec::new());
    let mut night = tidewick::water(1.5, 18.0);
    let ph = night.ph();
    run(&basin, &mut night, &DARK, 5.0);
    assert!(night.ph() < ph - 0.05);
    let mut day = tidewick::water(1.5, 18.0);
    run(&basin, &mut day, &Sky { par_umol_m2_s: 1_500.0, ..DARK }, 5.0);
    assert!(day.ph() > ph + 0.05);
}
