//! The farm: several ponds under one sky, on a clock that a caller moves on, with what happens to
//! them in the course of a night.

use crate::noise::Noise;
use crate::water::{self, Aerator, Basin, Budget, Water};
use crate::weather::{Climate, Sky, Weather};

/// Length of one step of the balance.
pub const STEP_MS: i64 = 20_000;
/// Days simulated before the start, so that temperature, carbon and ammonia have settled.
const SETTLE_DAYS: i64 = 4;
const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

/// One pond before the run.
#[derive(Debug, Clone, PartialEq)]
pub struct PondSetup {
    /// Short id.
    pub id: String,
    /// What it is.
    pub basin: Basin,
    /// The water four days before the start.
    pub water: Water,
    /// For each aerator group, hours of local time between which the farm's timer runs it.
    pub timers: Vec<Option<(f64, f64)>>,
}

/// Something that happens to a pond at a set time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Happening {
    /// The feeder of an aerator group loses power: pond, group.
    FeederTrips(usize, usize),
    /// The feeder of an aerator group has power again: pond, group.
    FeederBack(usize, usize),
}

/// One pond on its way through time.
#[derive(Debug, Clone)]
pub struct Pond {
    /// Short id.
    pub id: String,
    /// What it is.
    pub basin: Basin,
    /// The water now.
    pub water: Water,
    /// Oxygen budget since the start, mg/L.
    pub budget: Budget,
    /// Lowest oxygen since the start, mg/L, and when.
    pub lowest_do: (f64, i64),
    timers: Vec<Option<(f64, f64)>>,
    commanded: Vec<bool>,
    powered: Vec<bool>,
}

/// The farm at one moment.
#[derive(Debug, Clone)]
pub struct Farm {
    /// Its ponds, in the order of the set-up.
    pub ponds: Vec<Pond>,
    weather: Weather,
    utc_offset_ms: i64,
    happenings: Vec<(i64, Happening)>,
    at_ms: i64,
}

impl Farm {
    /// A farm whose clock stands at `start_ms` (since 1970) after some days in which it settled.
    /// `happenings` may be in any order; those before the start are ignored.
    pub fn new(
        noise: Noise,
        climate: Climate,
        utc_offset_ms: i64,
        setups: Vec<PondSetup>,
        mut happenings: Vec<(i64, Happening)>,
        start_ms: i64,
    ) -> Self {
        let ponds = setups
            .into_iter()
            .map(|setup| Pond {
                commanded: vec![false; setup.basin.aerators.len()],
                powered: vec![true; setup.basin.aerators.len()],
                id: setup.id,
                basin: setup.basin,
                water: setup.water,
                budget: Budget::default(),
                lowest_do: (f64::INFINITY, start_ms),
                timers: setup.timers,
            })
            .collect();
        happenings.retain(|(at_ms, _)| *at_ms >= start_ms);
        happenings.sort_unstable();
        happenings.reverse();
        let mut farm = Self {
            ponds,
            weather: Weather::new(climate, noise),
            utc_offset_ms,
            happenings,
            at_ms: start_ms - SETTLE_DAYS * DAY_MS,
        };
        farm.advance_to(start_ms);
        for pond in &mut farm.ponds {
            pond.budget = Budget::default();
            pond.lowest_do = (pond.water.do_mg_l, start_ms);
        }
        farm
    }

    /// Where the farm's clock stands, ms since 1970.
    pub const fn at_ms(&self) -> i64 {
        self.at_ms
    }

    /// The sky now.
    pub fn sky(&self) -> Sky {
        self.weather.at(self.at_ms)
    }

    /// Local hour of the day, 0 to 24.
    pub fn local_hour(&self) -> f64 {
        (self.at_ms + self.utc_offset_ms).rem_euclid(DAY_MS) as f64 / HOUR_MS as f64
    }

    /// Moves on to the last whole step not after `to_ms`. An earlier moment changes nothing.
    pub fn advance_to(&mut self, to_ms: i64) {
        while self.at_ms + STEP_MS <= to_ms {
            self.step();
        }
    }

    /// A person switches an aerator group at its panel. Without power nothing turns.
    pub fn switch(&mut self, pond: usize, group: usize, on: bool) {
        if let Some(pond) = self.ponds.get_mut(pond) {
            if let Some(commanded) = pond.commanded.get_mut(group) {
                *commanded = on;
            }
            pond.settle_aerators();
        }
    }

    fn step(&mut self) {
        let sky = self.sky();
        let hour = self.local_hour();
        // Meals from 06:30 to 18:30; digestion slackens towards morning.
        let feeding = if (7.0..21.0).contains(&hour) { 1.4 } else { 0.44 };
        while let Some((_, happening)) = self.happenings.pop_if(|(at_ms, _)| *at_ms <= self.at_ms) {
            let (pond, group, powered) = match happening {
                Happening::FeederTrips(pond, group) => (pond, group, false),
                Happening::FeederBack(pond, group) => (pond, group, true),
            };
            if let Some(slot) = self.ponds.get_mut(pond).and_then(|pond| pond.powered.get_mut(group)) {
                *slot = powered;
            }
        }
        let step_h = STEP_MS as f64 / HOUR_MS as f64;
        for pond in &mut self.ponds {
            pond.follow_timers(hour, step_h);
            let spent = water::step(&pond.basin, &mut pond.water, &sky, feeding, STEP_MS as f64 / 1_000.0);
            pond.budget.add(&spent);
            if pond.water.do_mg_l < pond.lowest_do.0 {
                pond.lowest_do = (pond.water.do_mg_l, self.at_ms + STEP_MS);
            }
        }
        self.at_ms += STEP_MS;
    }
}

impl Pond {
    /// A timer acts at its two moments only, so that a person's switch holds in between.
    fn follow_timers(&mut self, hour: f64, step_h: f64) {
        for (timer, commanded) in self.timers.iter().zip(&mut self.commanded) {
            let Some((on_h, off_h)) = *timer else { continue };
            if (on_h..on_h + step_h).contains(&hour) {
                *commanded = true;
            }
            if (off_h..off_h + step_h).contains(&hour) {
                *commanded = false;
            }
        }
        self.settle_aerators();
    }

    fn settle_aerators(&mut self) {
        for (index, aerator) in self.basin.aerators.iter_mut().enumerate() {
            aerator.running = self.commanded.get(index).copied().unwrap_or(false)
                && self.powered.get(index).copied().unwrap_or(true);
        }
    }

    /// The aerator group at a position.
    pub fn aerator(&self, group: usize) -> Option<&Aerator> {
        self.basin.aerators.get(group)
    }
}

#[cfg(test)]
#[path = "farm_tests.rs"]
mod tests;
