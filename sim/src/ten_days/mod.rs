//! Ten days on the demo farm, as a recording that is the same each time it is made.
//!
//! The world runs by causes: a feeder trips, slime grows, rain falls, somebody pours too much. What the
//! probes read follows from the water; [`clock`] tells farm time, and [`Recording`] hands out, in order,
//! what reaches the gateway: sweeps of readings, and what people enter and do. Everything in it is invented.

pub mod clock;
pub mod csv;
mod film;
mod pond;
mod ponds;
mod probes;
mod sky;
mod story;
mod world;

pub use probes::{PROBES, Probe};
pub use sky::{LATITUDE, LONGITUDE};
pub use story::{Act, Clock, LOT, Lot, Person, TIMERS};

use clock::{END_MS, FIRST_MS, MINUTE_MS, START_MS};
use world::World;

/// Seed of weather and noise.
const SEED: u64 = 10;

/// One value of a sweep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Position in [`PROBES`].
    pub probe: usize,
    /// Quantity id.
    pub quantity: &'static str,
    /// What the probe says.
    pub value: f64,
}

/// Something that reaches the gateway.
#[derive(Debug, Clone, PartialEq)]
pub enum Happening {
    /// Readings that come together.
    Sweep(Vec<Reading>),
    /// What a person does.
    Person(Person, Act),
}

/// The water of a pond as it truly is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// Oxygen, mg/L; near the bottom where the water is layered.
    pub do_mg_l: f64,
    /// pH, as above.
    pub ph: f64,
    /// °C, as above.
    pub temperature_c: f64,
    /// PSU at the surface.
    pub surface_salinity_psu: f64,
    /// Whether fresh water lies on top.
    pub layered: bool,
    /// Power of the aerators that turn, kW.
    pub running_kw: f64,
}

/// The ten days, from six in the morning of day 1 on.
#[derive(Debug)]
pub struct Recording {
    world: World,
    acts: std::iter::Peekable<std::vec::IntoIter<(i64, Person, Act)>>,
    /// What comes at [`Self::at_ms`], last first.
    now: Vec<Happening>,
    at_ms: i64,
}

impl Recording {
    /// Before its first moment.
    pub fn new() -> Self {
        let acts = story::acts().into_iter().peekable();
        Self { world: World::new(), acts, now: Vec::new(), at_ms: FIRST_MS - MINUTE_MS }
    }

    /// A pond (0 to 3) as it is at the newest moment handed out.
    pub fn truth(&self, pond: usize) -> Truth {
        let pond = &self.world.ponds[pond];
        Truth {
            do_mg_l: pond.water.do_mg_l,
            ph: pond.water.ph(),
            temperature_c: pond.water.temperature_c,
            surface_salinity_psu: pond.surface().salinity_psu,
            layered: pond.lens.is_some(),
            running_kw: pond.power_kw(),
        }
    }

    /// Everything that comes in one minute: what people do, then a sweep for each line and node.
    fn minute(&mut self) {
        let at_ms = self.at_ms;
        self.world.advance_to(at_ms);
        while let Some((_, who, act)) = self.acts.next_if(|(due, ..)| *due <= at_ms) {
            self.now.push(Happening::Person(who, act));
        }
        let mut sweep: Vec<Reading> = Vec::new();
        let mut line = "";
        for (place, probe) in PROBES.iter().enumerate() {
            if (at_ms - START_MS) % probe.every_ms != 0 {
                continue;
            }
            // The clamps of one meter answer together; every other probe by itself.
            let own = probe.id.split_once("-motor").map_or(probe.id, |(pond, _)| pond);
            if own != line && !sweep.is_empty() {
                self.now.push(Happening::Sweep(std::mem::take(&mut sweep)));
            }
            line = own;
            sweep.extend(probe.quantities.iter().map(|&quantity| {
                let value = probes::report(&self.world, probe, quantity, at_ms);
                Reading { probe: place, quantity, value }
            }));
        }
        self.now.push(Happening::Sweep(sweep));
        self.now.reverse();
    }
}

impl Default for Recording {
    fn default() -> Self {
        Self::new()
    }
}

impl Iterator for Recording {
    type Item = (i64, Happening);

    fn next(&mut self) -> Option<Self::Item> {
        while self.now.is_empty() {
            self.at_ms += MINUTE_MS;
            if self.at_ms >= END_MS {
                return None;
            }
            self.minute();
        }
        self.now.pop().map(|happening| (self.at_ms, happening))
    }
}

#[cfg(test)]
#[path = "../ten_days_tests.rs"]
mod tests;
