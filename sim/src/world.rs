//! The farm with its probes: what each would report now, faults included, beside what is true.

use std::collections::HashMap;

use crate::farm::Farm;
use crate::faults::{self, Fault, LineFault};
use crate::noise::Noise;

/// A probe as the simulator sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Probe {
    /// Its id.
    pub id: String,
    /// The pond it stands in, by position; `None` on the weather mast.
    pub pond: Option<usize>,
    /// What it measures.
    pub channels: Vec<Channel>,
}

/// One quantity of a probe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Channel {
    /// Quantity id.
    pub quantity: String,
    /// Aerator group it tells about, by position in the pond.
    pub aerator: Option<usize>,
}

/// A quantity that the simulated water does not have.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unknown {
    /// Which probe was asked for it.
    pub probe: String,
    /// Which quantity.
    pub quantity: String,
}

impl std::fmt::Display for Unknown {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "probe {} is to report {}, which the simulated water does not have; it has do_mg_l, \
             temperature_c, ph, salinity_psu, conductivity_ms_cm, depth_m, tan_mg_l, alkalinity_mg_l, aerator_on and \
             aerator_kw in a pond, and pressure_hpa and par_umol_m2_s anywhere",
            self.probe, self.quantity
        )
    }
}

impl std::error::Error for Unknown {}

/// The farm and its probes.
#[derive(Debug)]
pub struct World {
    /// The water, as it truly is.
    pub farm: Farm,
    probes: Vec<Probe>,
    plan: Vec<Fault>,
    held: HashMap<(usize, usize, usize), f64>,
    noise: Noise,
}

impl World {
    /// Puts probes into a farm. Refuses one that measures what the simulated water does not have.
    pub fn new(farm: Farm, probes: Vec<Probe>, plan: Vec<Fault>, noise: Noise) -> Result<Self, Unknown> {
        let world = Self { farm, probes, plan, held: HashMap::new(), noise };
        for probe in &world.probes {
            for channel in &probe.channels {
                if world.truth(probe, channel).is_none() {
                    let (probe, quantity) = (probe.id.clone(), channel.quantity.clone());
                    return Err(Unknown { probe, quantity });
                }
            }
        }
        Ok(world)
    }

    /// Its probes, in the order given.
    pub fn probes(&self) -> &[Probe] {
        &self.probes
    }

    /// Its planned faults.
    pub fn plan(&self) -> &[Fault] {
        &self.plan
    }

    /// Moves time on, stopping where a fault begins that holds the value of that moment.
    pub fn advance_to(&mut self, to_ms: i64) {
        let mut begins: Vec<(i64, usize)> = self
            .plan
            .iter()
            .enumerate()
            .filter(|(_, fault)| fault.kind.holds())
            .filter(|(_, fault)| (self.farm.at_ms()..=to_ms).contains(&fault.from_ms))
            .map(|(index, fault)| (fault.from_ms, index))
            .collect();
        begins.sort_unstable();
        for (from_ms, fault) in begins {
            self.farm.advance_to(from_ms);
            for probe in 0..self.probes.len() {
                for channel in 0..self.probes[probe].channels.len() {
                    if !self.held.contains_key(&(fault, probe, channel))
                        && let Some(value) = self.reading(probe, channel, from_ms)
                    {
                        self.held.insert((fault, probe, channel), value);
                    }
                }
            }
        }
        self.farm.advance_to(to_ms);
    }

    /// What is true at one channel.
    fn truth(&self, probe: &Probe, channel: &Channel) -> Option<f64> {
        let sky = self.farm.sky();
        match channel.quantity.as_str() {
            "pressure_hpa" => return Some(sky.pressure_hpa),
            "par_umol_m2_s" => return Some(sky.par_umol_m2_s),
            _ => {}
        }
        let pond = self.farm.ponds.get(probe.pond?)?;
        let water = &pond.water;
        let on = |group: usize| pond.aerator(group).map(|aerator| aerator.running);
        Some(match channel.quantity.as_str() {
            "do_mg_l" => water.do_mg_l,
            "temperature_c" => water.temperature_c,
            "ph" => water.ph(),
            "salinity_psu" => water.salinity_psu,
            "conductivity_ms_cm" => conductivity_ms_cm(water.salinity_psu),
            "depth_m" => water.depth_m,
            "tan_mg_l" => water.tan_mg_l,
            "alkalinity_mg_l" => water.alkalinity_mg_l,
            "aerator_on" => f64::from(u8::from(on(channel.aerator?)?)),
            "aerator_kw" => {
                let aerator = pond.aerator(channel.aerator?)?;
                if aerator.running { aerator.power_kw } else { 0.0 }
            }
            _ => return None,
        })
    }

    /// What a sound probe would report: the truth with its noise, slow wander and resolution.
    fn reading(&self, probe: usize, channel: usize, at_ms: i64) -> Option<f64> {
        let own = self.probes.get(probe)?;
        let which = own.channels.get(channel)?;
        let truth = self.truth(own, which)?;
        let (jitter, wander, lowest) = scatter(&which.quantity, truth);
        let stream = Noise::stream(&format!("{}/{}/{channel}", own.id, which.quantity));
        let noisy = truth
            + jitter * self.noise.gaussian(stream, at_ms.div_euclid(20_000))
            + wander * self.noise.wander(stream ^ 1, at_ms, 2 * 3_600_000);
        Some(noisy.max(lowest))
    }

    /// What a channel of a probe reports at a moment, its faults included.
    pub fn report(&self, probe: usize, channel: usize, at_ms: i64) -> Option<f64> {
        let reading = self.reading(probe, channel, at_ms)?;
        let own = self.probes.get(probe)?;
        let quantity = &own.channels.get(channel)?.quantity;
        let held = |fault: usize| self.held.get(&(fault, probe, channel)).copied();
        Some(faults::on_value(&self.plan, &self.noise, &own.id, quantity, at_ms, reading, held))
    }

    /// By how much a probe's own clock is ahead at a moment, ms.
    pub fn clock_ahead_ms(&self, probe: usize, at_ms: i64) -> i64 {
        self.probes.get(probe).map_or(0, |own| faults::clock_ahead_ms(&self.plan, &own.id, at_ms))
    }

    /// What is wrong with a probe's line at a moment.
    pub fn line_fault(&self, probe: usize, at_ms: i64) -> Option<LineFault> {
        faults::on_line(&self.plan, &self.probes.get(probe)?.id, at_ms)
    }
}

/// Conductivity compensated to 25 °C: 53 mS/cm at 35 PSU, a little less than proportional below (from memory).
pub(crate) fn conductivity_ms_cm(salinity_psu: f64) -> f64 {
    53.0 * (salinity_psu.max(0.0) / 35.0).powf(0.92)
}

/// Standard deviation of single readings, that of the wander over two hours, and the lowest that is read:
/// common practice for field probes, no source.
pub(crate) fn scatter(quantity: &str, truth: f64) -> (f64, f64, f64) {
    match quantity {
        "do_mg_l" => (0.03, 0.04, 0.0),
        "temperature_c" => (0.02, 0.02, -5.0),
        "ph" => (0.008, 0.01, 0.0),
        "salinity_psu" | "conductivity_ms_cm" => (0.05, 0.05, 0.0),
        "depth_m" => (0.003, 0.003, 0.0),
        "pressure_hpa" => (0.1, 0.1, 0.0),
        "par_umol_m2_s" | "aerator_kw" => (0.01 * truth, 0.005 * truth, 0.0),
        "tan_mg_l" => (0.02, 0.02, 0.0),
        "alkalinity_mg_l" => (1.0, 1.0, 0.0),
        _ => (0.0, 0.0, 0.0),
    }
}

#[cfg(test)]
#[path = "world_tests.rs"]
mod tests;
