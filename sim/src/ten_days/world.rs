//! The farm as it truly is, moved on step by step through the ten days.

use super::clock::{DAY_MS, START_MS};
use super::film::Cap;
use super::pond::{Dose, Pond, STEP_MS};
use super::probes::{self, PROBES};
use super::sky::Skies;
use super::story::{self, Cause};
use super::{SEED, ponds};
use crate::faults::Fault;
use crate::noise::Noise;
use crate::weather::Sky;

/// Days of ordinary weather before day 1, so that temperature, carbon and ammonia have settled.
const SETTLE_DAYS: i64 = 5;

#[derive(Debug, Clone)]
pub(super) struct World {
    pub(super) ponds: Vec<Pond>,
    pub(super) sky: Sky,
    pub(super) caps: Vec<Cap>,
    pub(super) faults: Vec<Fault>,
    /// Per fault that holds a value: what the probe read when it began.
    pub(super) held: Vec<Option<f64>>,
    pub(super) noise: Noise,
    skies: Skies,
    /// What is still to come, last first.
    causes: Vec<(i64, Cause)>,
    mains: bool,
    generator: bool,
    at_ms: i64,
}

impl World {
    pub(super) fn new() -> Self {
        let noise = Noise::new(SEED);
        let skies = Skies::new(&noise);
        let mut causes = story::causes();
        // The nights before day 1 are like the first.
        let usual: Vec<_> = causes
            .iter()
            .filter(|(at_ms, cause)| {
                (START_MS - DAY_MS / 2..START_MS + DAY_MS / 2).contains(at_ms)
                    && matches!(cause, Cause::Switch(..))
            })
            .copied()
            .collect();
        for day in 1..=SETTLE_DAYS {
            causes.extend(usual.iter().map(|&(at_ms, cause)| (at_ms - day * DAY_MS, cause)));
        }
        causes.sort_by_key(|(at_ms, _)| *at_ms);
        causes.reverse();
        let faults = story::faults();
        let begins_ms = START_MS - SETTLE_DAYS * DAY_MS;
        let mut world = Self {
            ponds: ponds::ALL.into_iter().map(Pond::new).collect(),
            sky: skies.at(begins_ms),
            caps: story::films().into_iter().map(Cap::new).collect(),
            held: vec![None; faults.len()],
            faults,
            noise,
            skies,
            causes,
            mains: true,
            generator: false,
            at_ms: begins_ms,
        };
        world.advance_to(START_MS);
        world
    }

    /// What the farm's aerators draw from the mains, kW.
    pub(super) fn mains_kw(&self) -> f64 {
        if self.mains { self.ponds.iter().map(Pond::power_kw).sum() } else { 0.0 }
    }

    pub(super) fn advance_to(&mut self, to_ms: i64) {
        while self.at_ms + STEP_MS <= to_ms {
            while let Some((_, cause)) = self.causes.pop_if(|(at_ms, _)| *at_ms <= self.at_ms) {
                self.happens(cause);
            }
            self.sky = self.skies.at(self.at_ms);
            let powered = self.mains || self.generator;
            for pond in &mut self.ponds {
                pond.step(&self.sky, self.at_ms, |_| powered);
            }
            for cap in &mut self.caps {
                let own = PROBES.iter().find(|probe| cap.is_on(probe.id)).and_then(|probe| probe.pond);
                let Some(pond) = own.and_then(|pond| self.ponds.get(pond)) else { continue };
                cap.step(self.at_ms, pond.water.do_mg_l, STEP_MS);
            }
            self.at_ms += STEP_MS;
            self.hold();
        }
    }

    /// Keeps what a probe read when it stuck.
    fn hold(&mut self) {
        for nr in 0..self.faults.len() {
            let fault = &self.faults[nr];
            if self.held[nr].is_some() || !fault.kind.holds() || !fault.is_on(self.at_ms) {
                continue;
            }
            let probe = PROBES.iter().find(|probe| probe.id == fault.probe);
            if let (Some(probe), Some(quantity)) = (probe, &fault.quantity) {
                self.held[nr] = Some(probes::sound(self, probe, quantity, self.at_ms));
            }
        }
    }

    fn happens(&mut self, cause: Cause) {
        match cause {
            Cause::Switch(pond, groups, on) => {
                let pond = &mut self.ponds[pond];
                for group in groups.chars().filter_map(|id| pond.group(id)).collect::<Vec<_>>() {
                    pond.commanded[group] = on;
                }
            }
            Cause::Feeder(pond, groups, sound) => {
                let pond = &mut self.ponds[pond];
                for group in groups.chars().filter_map(|id| pond.group(id)).collect::<Vec<_>>() {
                    pond.feeder[group] = sound;
                }
            }
            Cause::Mains(on) => self.mains = on,
            Cause::Generator(on) => self.generator = on,
            Cause::Life(pond, life) => self.ponds[pond].life = life,
            Cause::Dose(pond, mg_l, hours) => {
                self.ponds[pond].doses.push(Dose { left_mg_l: mg_l, per_h: mg_l / hours });
            }
            Cause::Overflow(pond, open) => self.ponds[pond].overflow = open,
        }
    }
}
