//! Probes in the water: near the truth when sound, off it as planned when not.

use super::{Channel, Probe, World};
use crate::farm::{Farm, PondSetup};
use crate::faults::{Fault, Kind, LineFault};
use crate::noise::Noise;
use crate::tidewick;
use crate::water::Aerator;
use crate::weather::Climate;

/// 2026-03-18T17:30 at UTC−5.
const DUSK: i64 = 1_773_873_000_000;
const HOUR: i64 = 3_600_000;

fn probe(id: &str, pond: Option<usize>, quantities: &[&str]) -> Probe {
    let channels = quantities.iter().map(|id| Channel { quantity: (*id).into(), aerator: Some(0) });
    Probe { id: id.into(), pond, channels: channels.collect() }
}

fn world(plan: Vec<Fault>) -> World {
    let aerators = vec![Aerator { id: "a".into(), power_kw: 4.5, sae_kg_kwh: 1.2, running: false }];
    let setup = PondSetup {
        id: "p1".into(),
        basin: tidewick::basin(5_000.0, 1.5, tidewick::load("p1"), aerators),
        water: tidewick::water(1.5, 18.0),
        timers: vec![None],
    };
    let noise = Noise::new(5);
    let climate = Climate::clear_and_still(-3.4, -80.2);
    let farm = Farm::new(noise.clone(), climate, -5 * HOUR, vec![setup], Vec::new(), DUSK);
    let probes = vec![
        probe("oxygen", Some(0), &["do_mg_l", "temperature_c"]),
        probe("motor", Some(0), &["aerator_kw", "aerator_on"]),
        probe("mast", None, &["pressure_hpa", "par_umol_m2_s"]),
    ];
    World::new(farm, probes, plan, noise).unwrap()
}

fn fault(kind: Kind, from_h: i64, until_h: i64) -> Fault {
    Fault {
        probe: "oxygen".into(),
        quantity: Some("do_mg_l".into()),
        from_ms: DUSK + from_h * HOUR,
        until_ms: DUSK + until_h * HOUR,
        kind,
    }
}

fn oxygen(world: &mut World, at_ms: i64) -> (f64, f64) {
    world.advance_to(at_ms);
    (world.report(0, 0, at_ms).unwrap(), world.farm.ponds[0].water.do_mg_l)
}

#[test]
fn a_sound_probe_stays_near_the_truth_and_jitters() {
    let mut world = world(Vec::new());
    let errors: Vec<f64> = (1..200)
        .map(|minute| {
            let (seen, truth) = oxygen(&mut world, DUSK + minute * 60_000);
            seen - truth
        })
        .collect();
    // Noise 0.03 and wander 0.04 together stay within 0.3 except about once in a million readings.
    assert!(errors.iter().all(|error| error.abs() < 0.3), "{errors:?}");
    assert!(errors.windows(2).any(|pair| pair[0] != pair[1]));
}

#[test]
fn a_stuck_probe_repeats_itself_while_the_water_moves_and_then_recovers() {
    let mut world = world(vec![fault(Kind::Stuck, 2, 4)]);
    let (first, before) = oxygen(&mut world, DUSK + 2 * HOUR + 60_000);
    let (last, after) = oxygen(&mut world, DUSK + 4 * HOUR - 60_000);
    assert_eq!(first, last);
    assert!(before - after > 0.5, "the water fell from {before} to {after}");
    let (seen, truth) = oxygen(&mut world, DUSK + 4 * HOUR);
    assert!((seen - truth).abs() < 0.3);
}

#[test]
fn what_a_stuck_probe_repeats_does_not_depend_on_when_it_is_asked() {
    let plan = || vec![fault(Kind::Stuck, 2, 4)];
    let (mut often, mut seldom) = (world(plan()), world(plan()));
    for minute in 0..150 {
        often.advance_to(DUSK + minute * 60_000);
    }
    let at = DUSK + 3 * HOUR;
    assert_eq!(oxygen(&mut often, at), oxygen(&mut seldom, at));
}

#[test]
fn fouling_slides_and_spikes_jump_in_their_share() {
    let fouling = Kind::Fouling { per_hour: -0.5, at_most: 1.2 };
    let mut fouled = world(vec![fault(fouling, 0, 12)]);
    for (hours, slid) in [(1, -0.5), (2, -1.0), (6, -1.2)] {
        let (seen, truth) = oxygen(&mut fouled, DUSK + hours * HOUR);
        assert!((seen - truth - slid).abs() < 0.3, "after {hours} h: {}", seen - truth);
    }
    let mut spiky = world(vec![fault(Kind::Spikes { size: 4.0, share: 0.1 }, 0, 12)]);
    let jumps = (0..600)
        .filter(|minute| {
            let (seen, truth) = oxygen(&mut spiky, DUSK + minute * 60_000);
            (seen - truth).abs() > 2.0
        })
        .count();
    // 60 of 600 expected, standard deviation 7.3.
    assert!((30..90).contains(&jumps), "{jumps} jumps");
}

#[test]
fn faults_of_the_line_come_and_go_on_time_and_concern_one_probe() {
    let world = world(vec![fault(Kind::Silent, 1, 2), fault(Kind::Exception(4), 3, 4)]);
    let at = |hours: i64| world.line_fault(0, DUSK + hours * HOUR);
    assert_eq!((at(0), at(1), at(2)), (None, Some(LineFault::Silent), None));
    assert_eq!(at(3), Some(LineFault::Exception(4)));
    assert_eq!(world.line_fault(1, DUSK + HOUR), None);
}

#[test]
fn motors_show_what_turns() {
    let mut world = world(Vec::new());
    assert_eq!(world.report(1, 0, DUSK), Some(0.0));
    assert_eq!(world.report(1, 1, DUSK), Some(0.0));
    world.farm.switch(0, 0, true);
    let kw = world.report(1, 0, DUSK).unwrap();
    assert!((4.2..4.8).contains(&kw), "{kw} kW");
    assert_eq!(world.report(1, 1, DUSK), Some(1.0));
}

#[test]
fn a_quantity_that_the_water_does_not_have_is_refused_by_name() {
    let farm = world(Vec::new()).farm;
    let refused = World::new(farm, vec![probe("odd", Some(0), &["secchi_cm"])], Vec::new(), Noise::new(1));
    let text = refused.unwrap_err().to_string();
    assert!(text.contains("odd") && text.contains("secchi_cm") && text.contains("do_mg_l"), "{text}");
}
