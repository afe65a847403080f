//! The farm over a night: repeatable, and swinging as ponds swing.

use super::{Farm, HOUR_MS, Happening, PondSetup};
use crate::noise::Noise;
use crate::tidewick;
use crate::water::Aerator;
use crate::weather::Climate;

/// 2026-03-18T17:30 at UTC−5.
const DUSK: i64 = 1_773_873_000_000;
const OFFSET: i64 = -5 * HOUR_MS;

fn group(id: &str, power_kw: f64) -> Aerator {
    Aerator { id: id.into(), power_kw, sae_kg_kwh: 1.2, running: false }
}

fn pond(
    id: &str,
    area_m2: f64,
    depth_m: f64,
    aerators: Vec<Aerator>,
    timers: Vec<Option<(f64, f64)>>,
) -> PondSetup {
    PondSetup {
        id: id.into(),
        basin: tidewick::basin(area_m2, depth_m, tidewick::load(id), aerators),
        water: tidewick::water(depth_m, 18.0),
        timers,
    }
}

fn night(seed: u64, timers: bool, happenings: Vec<(i64, Happening)>) -> Farm {
    let on = timers.then_some((21.5, 7.0));
    let groups = || vec![group("a", 4.5), group("b", 4.5), group("c", 2.2)];
    Farm::new(
        Noise::new(seed),
        Climate::clear_and_still(-2.0, -80.0),
        OFFSET,
        vec![
            pond("p1", 5_000.0, 1.5, groups(), vec![on, None, on]),
            pond("p2", 5_000.0, 1.5, groups(), vec![on, None, on]),
            pond(
                "p3",
                8_000.0,
                1.2,
                vec![group("a", 4.5), group("b", 4.5)],
                vec![on.map(|_| (1.0, 7.0)), None],
            ),
            pond("p4", 10_000.0, 1.1, vec![group("a", 3.0), group("b", 3.0)], vec![None, None]),
        ],
        happenings,
        DUSK,
    )
}

#[test]
fn the_same_seed_gives_the_same_night_and_another_seed_another() {
    let run = |seed: u64, stride_ms: i64| {
        let mut farm = night(seed, true, Vec::new());
        let mut at = DUSK;
        while at < DUSK + 14 * HOUR_MS {
            at += stride_ms;
            farm.advance_to(at);
        }
        farm.advance_to(DUSK + 14 * HOUR_MS);
        farm.ponds.iter().map(|pond| pond.water).collect::<Vec<_>>()
    };
    assert_eq!(run(3, 60_000), run(3, 37_123), "the stride of the caller must not matter");
    assert_ne!(run(3, 60_000), run(4, 60_000));
}

#[test]
fn falls_without_aeration_lie_where_such_ponds_lie() {
    // mg/L per hour at night without aerators. Semi-intensive earthen ponds: sediment 0.07 to 0.16 and
    // water 0.04 to 0.07 g/m2/h over about a metre, plus shrimp, 0.1 to 0.3 (Dalla Santa and Vinatea
    // 2007). Fed with 100 to 300 kg/ha/day: 0.4 to 1.0, from 1.25 kg of oxygen per kg of feed (Boyd).
    for seed in 0..2 {
        let mut farm = night(seed, false, Vec::new());
        farm.advance_to(DUSK + 4 * HOUR_MS);
        let before: Vec<f64> = farm.ponds.iter().map(|pond| pond.water.do_mg_l).collect();
        farm.advance_to(DUSK + 6 * HOUR_MS);
        for ((pond, before), range) in
            farm.ponds.iter().zip(before).zip([0.4..1.0, 0.4..1.0, 0.2..0.5, 0.1..0.3])
        {
            let fall = (before - pond.water.do_mg_l) / 2.0;
            assert!(range.contains(&fall), "{}: falls {fall} mg/L/h", pond.id);
        }
    }
}

#[test]
fn a_day_swings_as_ponds_swing() {
    for seed in 0..2 {
        let mut farm = night(seed, true, Vec::new());
        let mut low = [f64::INFINITY; 4];
        let mut high = [f64::NEG_INFINITY; 4];
        let mut ph = [(f64::INFINITY, f64::NEG_INFINITY); 4];
        let mut warm = [(f64::INFINITY, f64::NEG_INFINITY); 4];
        for minute in 0..1_440 {
            farm.advance_to(DUSK + minute * 60_000);
            for (index, pond) in farm.ponds.iter().enumerate() {
                low[index] = low[index].min(pond.water.do_mg_l);
                high[index] = high[index].max(pond.water.do_mg_l);
                ph[index] = (ph[index].0.min(pond.water.ph()), ph[index].1.max(pond.water.ph()));
                let t = pond.water.temperature_c;
                warm[index] = (warm[index].0.min(t), warm[index].1.max(t));
            }
        }
        for index in 0..4 {
            let at = format!("seed {seed} pond {}", index + 1);
            assert!((3.3..6.0).contains(&low[index]), "{at}: lowest {}", low[index]);
            assert!((7.0..14.0).contains(&high[index]), "{at}: highest {}", high[index]);
            assert!(ph[index].0 > 7.3 && ph[index].1 < 9.0, "{at}: pH {:?}", ph[index]);
            assert!((0.1..0.9).contains(&(ph[index].1 - ph[index].0)), "{at}: pH {:?}", ph[index]);
            assert!(warm[index].0 > 26.5 && warm[index].1 < 32.0, "{at}: °C {:?}", warm[index]);
        }
    }
}

#[test]
fn a_lost_feeder_steepens_the_fall_and_the_other_group_bends_it_up() {
    let trip = DUSK + 8 * HOUR_MS + 40 * 60_000; // 02:10
    let mut farm =
        night(1, true, vec![(trip, Happening::FeederTrips(0, 0)), (trip, Happening::FeederTrips(0, 2))]);
    let slope = |farm: &mut Farm| {
        let (at, before) = (farm.at_ms(), farm.ponds[0].water.do_mg_l);
        farm.advance_to(at + HOUR_MS / 2);
        (farm.ponds[0].water.do_mg_l - before) * 2.0
    };
    farm.advance_to(trip - HOUR_MS / 2);
    let running = slope(&mut farm);
    assert!(farm.ponds[0].aerator(0).is_some_and(|a| a.running));
    let lost = slope(&mut farm);
    assert!(farm.ponds[0].aerator(0).is_some_and(|a| !a.running));
    farm.switch(0, 0, true);
    assert!(farm.ponds[0].aerator(0).is_some_and(|a| !a.running), "no power, whatever the switch says");
    farm.switch(0, 1, true);
    let other = slope(&mut farm);
    assert!(lost < running - 0.2, "{running} then {lost} mg/L/h");
    assert!(other > lost + 0.15, "{lost} then {other} mg/L/h");
}
