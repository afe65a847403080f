//! The probes of the demo farm, and what each of them reads.

use super::clock::MINUTE_MS;
use super::world::World;
use crate::faults;
use crate::noise::Noise;

/// One probe, as `config/demo` names it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Probe {
    /// Its id.
    pub id: &'static str,
    /// The pond it stands in, by position.
    pub pond: Option<usize>,
    /// Quantity ids, in the order of the configuration.
    pub quantities: &'static [&'static str],
    /// Aerator group of a motor meter, by position.
    pub aerator: Option<usize>,
    /// Time between two reports, ms.
    pub every_ms: i64,
}

/// How far from the surface a probe hangs.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Depth {
    Surface,
    Deep,
}

const POLLED: i64 = MINUTE_MS;
const NODE: i64 = 5 * MINUTE_MS;
const OXYGEN: &[&str] = &["do_mg_l", "temperature_c"];
const SALT: &[&str] = &["conductivity_ms_cm", "salinity_psu"];
const MOTOR: &[&str] = &["aerator_on", "aerator_kw"];

const fn probe(id: &'static str, pond: usize, quantities: &'static [&'static str], every_ms: i64) -> Probe {
    Probe { id, pond: Some(pond), quantities, aerator: None, every_ms }
}

const fn motor(id: &'static str, pond: usize, group: usize) -> Probe {
    Probe { id, pond: Some(pond), quantities: MOTOR, aerator: Some(group), every_ms: POLLED }
}

/// Every probe of the farm. Those that answer one after another on the same line report together.
pub const PROBES: [Probe; 23] = [
    probe("p1-oxygen", 0, OXYGEN, POLLED),
    probe("p1-ph", 0, &["ph"], POLLED),
    probe("p1-salinity", 0, SALT, POLLED),
    probe("p2-oxygen", 1, OXYGEN, POLLED),
    probe("p2-ph", 1, &["ph"], POLLED),
    probe("p2-salinity", 1, SALT, POLLED),
    Probe {
        id: "mast",
        pond: None,
        quantities: &["pressure_hpa", "par_umol_m2_s"],
        aerator: None,
        every_ms: POLLED,
    },
    Probe { id: "mains", pond: None, quantities: &["aerator_kw"], aerator: None, every_ms: POLLED },
    motor("p1-motor-a", 0, 0),
    motor("p1-motor-b", 0, 1),
    motor("p1-motor-c", 0, 2),
    motor("p2-motor-a", 1, 0),
    motor("p2-motor-b", 1, 1),
    motor("p2-motor-c", 1, 2),
    motor("p3-motor-a", 2, 0),
    motor("p3-motor-b", 2, 1),
    motor("p4-motor-a", 3, 0),
    motor("p4-motor-b", 3, 1),
    probe("p3-bottom", 2, OXYGEN, NODE),
    probe("p3-surface", 2, OXYGEN, NODE),
    probe("p3-node", 2, &["ph", "depth_m"], NODE),
    probe("p4-bottom", 3, OXYGEN, NODE),
    probe("p4-surface", 3, &["salinity_psu", "temperature_c"], NODE),
];

/// Probes that are cleaned and calibrated.
pub(super) const IN_WATER: [&str; 11] = [
    "p1-oxygen",
    "p1-ph",
    "p1-salinity",
    "p2-oxygen",
    "p2-ph",
    "p2-salinity",
    "p3-bottom",
    "p3-surface",
    "p3-node",
    "p4-bottom",
    "p4-surface",
];

/// What is true where a probe hangs; for a slimed cap, behind the slime.
fn truth(world: &World, probe: &Probe, quantity: &str) -> f64 {
    let sky = &world.sky;
    match (quantity, probe.pond) {
        ("pressure_hpa", _) => return sky.pressure_hpa,
        ("par_umol_m2_s", _) => return sky.par_umol_m2_s,
        ("aerator_kw", None) => return world.mains_kw(),
        _ => {}
    }
    let pond = &world.ponds[probe.pond.unwrap_or_default()];
    let group = probe.aerator.unwrap_or_default();
    let depth = if probe.id.ends_with("-surface") { Depth::Surface } else { Depth::Deep };
    let water = if depth == Depth::Surface { pond.surface() } else { &pond.water };
    match quantity {
        "do_mg_l" => {
            let cap = world.caps.iter().find(|cap| cap.is_on(probe.id));
            cap.and_then(super::film::Cap::behind_mg_l).unwrap_or(water.do_mg_l)
        }
        "temperature_c" => water.temperature_c,
        "ph" => water.ph(),
        "salinity_psu" => water.salinity_psu,
        "conductivity_ms_cm" => crate::world::conductivity_ms_cm(water.salinity_psu),
        "depth_m" => pond.water.depth_m + pond.lens.map_or(0.0, |lens| lens.depth_m),
        "aerator_on" => f64::from(u8::from(pond.runs(group))),
        "aerator_kw" if pond.runs(group) => pond.build.groups[group].1,
        _ => 0.0,
    }
}

/// Digits after the point that a probe sends.
fn resolution(quantity: &str) -> f64 {
    match quantity {
        "par_umol_m2_s" | "aerator_on" => 1.0,
        "pressure_hpa" => 10.0,
        _ => 100.0,
    }
}

/// What a sound probe would read now: the truth with its noise and resolution.
pub(super) fn sound(world: &World, probe: &Probe, quantity: &str, at_ms: i64) -> f64 {
    let true_value = truth(world, probe, quantity);
    let noise = &world.noise;
    let (jitter, wander, lowest) = crate::world::scatter(quantity, true_value);
    let stream = Noise::stream(&format!("{}/{quantity}", probe.id));
    let noisy = true_value
        + jitter * noise.gaussian(stream, at_ms.div_euclid(20_000))
        + wander * noise.wander(stream ^ 1, at_ms, 2 * 3_600_000);
    let digits = resolution(quantity);
    (noisy.max(lowest) * digits).round() / digits
}

/// What the probe reports, its faults included.
pub(super) fn report(world: &World, probe: &Probe, quantity: &str, at_ms: i64) -> f64 {
    let reading = sound(world, probe, quantity, at_ms);
    let held = |fault: usize| world.held.get(fault).copied().flatten();
    faults::on_value(&world.faults, &world.noise, probe.id, quantity, at_ms, reading, held)
}
