//! What each function costs, beside one evaluation of the un-ionised share of ammonia.
//!
//! `cargo bench -p pondreeve-chemistry`. Prints the time of one call, calls a second on one core, and how many
//! shares of ammonia one call is worth; the last holds on a busy or a small machine too. The aim: a
//! million shares of ammonia a second.

use pondreeve_chemistry::aeration::{Correction, otr_over_sotr};
use pondreeve_chemistry::carbonate::Water;
use pondreeve_chemistry::dose::{self, Pond};
use pondreeve_chemistry::scale::{PhScale, free_minus_total};
use pondreeve_chemistry::struvite::{Solution, saturation};
use pondreeve_chemistry::units::{
    Alkalinity, Celsius, DissolvedOxygen, Hectopascal, Magnesium, Ph, Phosphate, Salinity, TotalAmmonia,
};
use pondreeve_chemistry::{ammonia, nitrite, oxygen, seawater, sulfide, sun, trend};
use std::hint::black_box;
use std::time::{Duration, Instant};

/// How long each function is run for, after as long a warm-up.
const SPELL: Duration = Duration::from_millis(150);

/// A pond's water that differs from call to call, so that nothing can be worked out once.
#[derive(Clone, Copy)]
struct Case {
    t: Celsius,
    s: Salinity,
    ph: Ph,
    p: Hectopascal,
    oxygen: DissolvedOxygen,
    alkalinity: Alkalinity,
    tan: TotalAmmonia,
    /// Takes part where a plain number is wanted.
    step: f64,
}

fn cases() -> Vec<Case> {
    // Walks each range by a step that shares no factor with its length: even cover, no random numbers.
    let part = |index: u32, step: u32| f64::from(index * step % 997) / 997.0;
    (0..997)
        .map(|index| Case {
            t: Celsius::new(20.0 + 14.0 * part(index, 101)).expect("in range"),
            s: Salinity::new(0.5 + 39.0 * part(index, 211)).expect("in range"),
            ph: Ph::new(7.0 + 2.0 * part(index, 307)).expect("in range"),
            p: Hectopascal::new(980.0 + 50.0 * part(index, 401)).expect("in range"),
            oxygen: DissolvedOxygen::new(2.0 + 6.0 * part(index, 503)).expect("in range"),
            alkalinity: Alkalinity::new(80.0 + 120.0 * part(index, 601)).expect("in range"),
            tan: TotalAmmonia::new(0.1 + 3.0 * part(index, 701)).expect("in range"),
            step: part(index, 809),
        })
        .collect()
}

/// Seconds a call, the best of several spells.
fn time(cases: &[Case], mut call: impl FnMut(&Case) -> f64) -> f64 {
    let mut best = f64::INFINITY;
    let started = Instant::now();
    let (mut calls, mut spell) = (0_u32, Instant::now());
    while started.elapsed() < 2 * SPELL {
        for case in cases {
            black_box(call(black_box(case)));
            calls += 1;
            // Slow functions must not run through all the cases before the clock is looked at.
            if calls.is_multiple_of(64) && spell.elapsed() > SPELL / 8 {
                best = best.min(spell.elapsed().as_secs_f64() / f64::from(calls));
                (calls, spell) = (0, Instant::now());
            }
        }
    }
    best
}

fn main() {
    let cases = cases();
    let correction = Correction::new(0.9, 1.0, 1.024).expect("in range");
    let x: Vec<f64> = (0..60).map(f64::from).collect();
    let y: Vec<f64> = cases.iter().take(60).map(|case| case.step).collect();
    let pond = |case: &Case| Pond {
        temperature: case.t,
        salinity: case.s,
        ph: case.ph,
        scale: PhScale::Nbs,
        alkalinity: case.alkalinity,
        tan: Some(case.tan),
        magnesium: None,
    };
    let solution = |case: &Case, many: f64| Solution {
        temperature: case.t,
        salinity: case.s,
        ph: case.ph.get(),
        magnesium: Magnesium::new(seawater::magnesium_mg_l(case.t, case.s)).expect("in range"),
        tan: TotalAmmonia::new(case.tan.get() * many).expect("in range"),
        phosphate: Phosphate::new((0.1 + case.step) * many).expect("in range"),
    };
    let base = time(&cases, |c| ammonia::nh3_fraction_nbs(c.t, c.ph, c.s));
    println!("{:<46} {:>12} {:>14} {:>10}", "one call of", "ns", "calls/s", "ratio");
    let show = |name: &str, seconds: f64| {
        println!("{name:<46} {:>12.1} {:>14.0} {:>10.2}", seconds * 1e9, 1.0 / seconds, seconds / base);
    };
    show("un-ionised ammonia, buffer reading", base);
    let run = |name: &str, call: &mut dyn FnMut(&Case) -> f64| show(name, time(&cases, call));
    run("un-ionised ammonia, total scale", &mut |c| ammonia::nh3_fraction_total(c.t, c.ph, c.s));
    run("un-ionised ammonia with its band", &mut |c| {
        ammonia::band(c.t, c.ph, c.s, PhScale::Nbs, 0.1, 0.3).map_or(f64::NAN, |band| band.high)
    });
    run("oxygen saturation", &mut |c| oxygen::saturation_mg_l(c.t, c.s, c.p));
    run("hydrogen sulfide, buffer reading", &mut |c| sulfide::h2s_fraction(c.t, c.ph, c.s, PhScale::Nbs));
    run("free less total pH", &mut |c| free_minus_total(c.t, c.s));
    run("density", &mut |c| seawater::density_kg_m3(c.t, c.s));
    run("carbonate at a pH", &mut |c| {
        Water::new(c.t, c.s, c.alkalinity, c.tan).at_ph(c.ph.get()).map_or(f64::NAN, |got| got.co2_mg_l)
    });
    run("pH in balance with air", &mut |c| Water::new(c.t, c.s, c.alkalinity, c.tan).ph_with_pco2(420.0));
    run("dose of 2.4 mg/L", &mut |c| dose::effect(&pond(c), 2.4).map_or(f64::NAN, |got| got.ph_after_mixing));
    run("dose of 60 mg/L, limited by solubility", &mut |c| {
        dose::effect(&pond(c), 60.0).map_or(f64::NAN, |got| got.ph_after_mixing)
    });
    run("struvite in a pond", &mut |c| saturation(&solution(c, 1.0)).index.unwrap_or(f64::NAN));
    run("struvite in pore water, with the most", &mut |c| saturation(&solution(c, 100.0)).at_most_mg_l);
    run("oxygen transfer", &mut |c| otr_over_sotr(&correction, c.t, c.s, c.p, c.oxygen));
    run("nitrite limit", &mut |c| nitrite::limit(c.s).safe_mg_l);
    run("sunrise and sunset", &mut |c| match sun::sun_day(
        60.0 * c.step - 30.0,
        300.0 * c.step - 150.0,
        (20_000.0 + 300.0 * c.step) as i64,
    ) {
        sun::SunDay::Normal { sunrise_ms, .. } => sunrise_ms as f64,
        _ => 0.0,
    });
    run("clear-sky light of a day", &mut |c| {
        sun::clear_sky_par_mol_m2_day(60.0 * c.step - 30.0, 0.0, 20_000)
    });
    run("trend of 60 points", &mut |_| trend::trend(&x, &y).map_or(f64::NAN, |got| got.theil_sen_slope));
}
