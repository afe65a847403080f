//! The simulated water against what is told of the ten days: each number below is from the table of
//! incidents, none from a run.

use std::collections::BTreeMap;

use super::clock::at;
use super::*;

/// Every pond, minute by minute.
fn truths() -> Vec<BTreeMap<i64, Truth>> {
    let mut recording = Recording::new();
    let mut truths = vec![BTreeMap::new(); 4];
    while let Some((at_ms, _)) = recording.next() {
        for (pond, own) in truths.iter_mut().enumerate() {
            own.entry(at_ms).or_insert_with(|| recording.truth(pond));
        }
    }
    truths
}

/// Sunset at the farm comes at about 18:25.
const DUSK: (i64, i64) = (18, 25);

#[test]
fn the_water_does_what_the_table_tells() {
    let truths = truths();
    let (p1, p2, p3, p4) = (&truths[0], &truths[1], &truths[2], &truths[3]);
    let mut wrong: Vec<String> = Vec::new();
    let mut near = |what: &str, is: f64, told: f64, within: f64| {
        println!("{what}: {is:.2}, told {told}");
        if (is - told).abs() > within {
            wrong.push(format!("{what}: {is:.3}, told {told} within {within}"));
        }
    };
    let oxygen = |pond: &BTreeMap<i64, Truth>, at_ms: i64| pond[&at_ms].do_mg_l;
    let slope = |pond: &BTreeMap<i64, Truth>, from: i64, until: i64| {
        (oxygen(pond, until) - oxygen(pond, from)) / ((until - from) as f64 / 3.6e6)
    };
    let lowest = |pond: &BTreeMap<i64, Truth>, from: i64, until: i64| {
        let (&at_ms, truth) =
            pond.range(from..until).min_by(|a, b| a.1.do_mg_l.total_cmp(&b.1.do_mg_l)).unwrap();
        (at_ms, truth.do_mg_l)
    };
    let dusk = |day: i64| at(day, DUSK.0, DUSK.1);

    // Day 1: pH 7.9 at the dose, 8.0 four hours later.
    near("P1 pH at the dose", p1[&at(1, 7, 20)].ph, 7.9, 0.15);
    near("P1 pH 4 h later", p1[&at(1, 11, 20)].ph, 8.0, 0.25);
    // Day 2: dusk oxygen up by 0.4 and 0.3.
    near("P1 dusk, day 2 less day 1", oxygen(p1, dusk(2)) - oxygen(p1, dusk(1)), 0.4, 0.2);
    near("P2 dusk, day 2 less day 1", oxygen(p2, dusk(2)) - oxygen(p2, dusk(1)), 0.3, 0.2);
    // Incident 1.
    near("P1 at the trip", oxygen(p1, at(3, 2, 10)), 4.6, 0.3);
    near("P1 slope before", slope(p1, at(3, 1, 40), at(3, 2, 10)), -0.35, 0.1);
    near("P1 slope with all off", slope(p1, at(3, 2, 10), at(3, 2, 13)), -0.66, 0.1);
    near("P1 slope with B", slope(p1, at(3, 2, 13), at(3, 3, 30)), -0.45, 0.1);
    near("P1 when power is back", oxygen(p1, at(3, 3, 30)), 4.0, 0.3);
    near("P1 lowest", lowest(p1, at(3, 2, 0), at(3, 8, 0)).1, 4.0, 0.3);
    // Incident 2: what is true at P3's bottom.
    near("P3 at dawn of day 4", oxygen(p3, at(4, 5, 40)), 4.7, 0.2);
    // Day 5.
    near("P1 dusk of the dark day", oxygen(p1, dusk(5)), 6.8, 0.3);
    let (when, low) = lowest(p1, at(5, 20, 0), at(6, 9, 0));
    near("P1 lowest after it", low, 3.9, 0.15);
    near("minutes of that from 05:40", (when - at(6, 5, 40)) as f64 / 60_000.0, 0.0, 10.0);
    // Incident 3.
    near("P4 surface before the rain", p4[&at(6, 2, 29)].surface_salinity_psu, 18.0, 0.1);
    let freshest =
        p4.range(at(6, 2, 30)..at(6, 12, 0)).map(|(_, t)| t.surface_salinity_psu).fold(99.0, f64::min);
    near("P4 surface at its freshest", freshest, 11.0, 0.5);
    near("P4 bottom oxygen in the rain", oxygen(p4, at(6, 3, 0)), 4.4, 0.3);
    near("P4 bottom oxygen at its lowest", lowest(p4, at(6, 2, 0), at(6, 12, 0)).1, 2.6, 0.2);
    near("P4 pH before", p4[&at(5, 18, 30)].ph, 7.9, 0.15);
    near("P4 pH after", p4[&at(6, 6, 0)].ph, 7.3, 0.2);
    // Incident 5.
    near("P3 pH at the wrong dose", p3[&at(8, 15, 30)].ph, 8.6, 0.1);
    let highest = p3.range(at(8, 15, 30)..at(8, 20, 0)).map(|(_, t)| t.ph).fold(0.0, f64::max);
    near("P3 pH at its highest", highest, 8.85, 0.1);
    // Incident 6.
    near("P2 dusk before the crash", oxygen(p2, dusk(8)), 11.2, 0.3);
    near("P2 dusk of the crash", oxygen(p2, dusk(9)), 6.1, 0.3);
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// Aerators as told: which power turns when.
#[test]
fn aerators_run_when_they_have_power_and_somebody_started_them() {
    let truths = truths();
    let kw = |pond: usize, day: i64, hour: i64, minute: i64| truths[pond][&at(day, hour, minute)].running_kw;
    for (pond, when, told) in [
        // A and C of P1 (4.5 + 2.2) until the trip at 02:10; nothing; B (4.5) from 02:13; all from 03:30.
        (0, (3, 2, 10), 6.7),
        (0, (3, 2, 12), 0.0),
        (0, (3, 2, 14), 4.5),
        (0, (3, 3, 31), 11.2),
        // The mains go at 23:40; from 23:52 the generator bears A and C of P1 and P2 and A of P3.
        (0, (7, 23, 39), 6.7),
        (1, (7, 23, 39), 6.7),
        (2, (7, 23, 39), 4.5),
        (0, (7, 23, 45), 0.0),
        (1, (7, 23, 45), 0.0),
        (2, (7, 23, 45), 0.0),
        (0, (7, 23, 54), 6.7),
        (1, (7, 23, 54), 6.7),
        (2, (7, 23, 54), 4.5),
        (0, (8, 1, 10), 6.7),
    ] {
        let (day, hour, minute) = when;
        let is = kw(pond, day, hour, minute);
        assert!((is - told).abs() < 1e-9, "P{} on day {day} {hour:02}:{minute:02}: {is} kW", pond + 1);
    }
}

/// What the probes say of it: the slimed cap, and the electrode that sticks.
#[test]
fn faulty_probes_read_as_told() {
    let mut bottom: BTreeMap<i64, f64> = BTreeMap::new();
    let mut surface: BTreeMap<i64, f64> = BTreeMap::new();
    let mut ph: BTreeMap<i64, f64> = BTreeMap::new();
    for (at_ms, happening) in Recording::new() {
        let Happening::Sweep(readings) = happening else { continue };
        for reading in readings {
            match (PROBES[reading.probe].id, reading.quantity) {
                ("p3-bottom", "do_mg_l") => bottom.insert(at_ms, reading.value),
                ("p3-surface", "do_mg_l") => surface.insert(at_ms, reading.value),
                ("p1-ph", "ph") => ph.insert(at_ms, reading.value),
                _ => None,
            };
        }
    }
    let range = |values: &BTreeMap<i64, f64>| {
        let day = || values.range(at(3, 12, 0)..at(4, 6, 35)).map(|(_, value)| *value);
        day().fold(f64::MIN, f64::max) - day().fold(f64::MAX, f64::min)
    };
    // Dawn 3.1 where the hand meter reads 4.7, and a range down by 55 %; 4.6 after the wipe.
    assert!((bottom[&at(4, 5, 40)] - 3.1).abs() < 0.3, "slimed: {}", bottom[&at(4, 5, 40)]);
    let share = range(&bottom) / range(&surface);
    assert!((share - 0.45).abs() < 0.08, "range of the slimed cap: {share} of the other's");
    assert!((bottom[&at(4, 6, 45)] - 4.6).abs() < 0.3, "wiped: {}", bottom[&at(4, 6, 45)]);
    // Nine hours of pH 8.10.
    let flat: Vec<f64> = ph.range(at(4, 11, 20)..at(4, 20, 20)).map(|(_, value)| *value).collect();
    assert!(flat.iter().all(|value| value.to_bits() == flat[0].to_bits()), "{flat:?}");
    assert!((flat[0] - 8.1).abs() < 0.05, "stuck at {}", flat[0]);
}

#[test]
fn the_recording_is_the_same_each_time() {
    let first: Vec<_> = Recording::new().take(20_000).collect();
    assert!(Recording::new().take(20_000).eq(first));
}
