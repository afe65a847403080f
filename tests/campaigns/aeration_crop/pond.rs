//! One simulated pond through a crop: stock that grows, weather that changes from day to day, and what
//! goes wrong.

use pondreeve_core::site::{AeratorGroup, Limits, Probe};
use pondreeve_core::{Site, Span};
use sim::noise::Noise;
use sim::tidewick;
use sim::water::{self, Aerator, Basin, Water};
use sim::weather::{Climate, Shower, Sky, Weather};

/// Days of a crop.
pub const DAYS: i64 = 120;
/// Length of one step of the water, s.
pub const STEP_S: i64 = 30;
/// Midnight of the first day at the farm, ms since 1970 (2026-03-01T05:00:00Z).
pub const START_MS: i64 = 1_772_341_200_000;
/// Farm time less UTC, ms.
pub const OFFSET_MS: i64 = -5 * 3_600_000;
/// Where the farm lies.
pub const LATITUDE: f64 = -2.6;
/// Where the farm lies.
pub const LONGITUDE: f64 = -80.4;

const DAY_MS: i64 = 86_400_000;

/// How a pond is built and how heavy its crop becomes.
#[derive(Debug, Clone, Copy)]
pub struct Kind {
    /// For the table.
    pub name: &'static str,
    /// Water surface, m2.
    pub area_m2: f64,
    /// Mean depth, m.
    pub depth_m: f64,
    /// Live shrimp at the end of the crop, kg.
    pub final_kg: f64,
    /// Aerator groups: id, kW, kg O2 per kWh.
    pub groups: &'static [(&'static str, f64, f64)],
}

/// A farm of this one pond, with these probes.
pub fn site_of(kind: &Kind, gateway: &str, probes: Vec<Probe>) -> Site {
    let groups = kind.groups.iter().map(|&(id, power_kw, sae_kg_kwh)| AeratorGroup {
        id: id.into(),
        power_kw,
        sae_kg_kwh,
        must_run: false,
        timer: None,
    });
    Site {
        gateway: gateway.into(),
        latitude_deg: LATITUDE,
        longitude_deg: LONGITUDE,
        pressure_hpa: 1_010.0,
        ponds: vec![pondreeve_core::site::Pond {
            id: "p1".into(),
            name: kind.name.into(),
            area_m2: kind.area_m2,
            depth_m: kind.depth_m,
            salinity_psu: 18.0,
            aerators: groups.collect(),
            limits: Limits::grow_out(),
            aeration_risk: 0.1,
            dose_every: None,
            like: None,
        }],
        probes,
        summary_every: Span::from_hours(1),
        energy_price: None,
        calls: pondreeve_core::call::CallPlan::default(),
    }
}

/// A lined pond with much stock, one with less, and a shallow earthen one.
pub const KINDS: [Kind; 3] = [
    Kind {
        name: "lined, heavy",
        area_m2: 5_000.0,
        depth_m: 1.5,
        final_kg: 6_500.0,
        groups: &[("a", 4.5, 1.2), ("b", 4.5, 1.2), ("c", 4.4, 1.3)],
    },
    Kind {
        name: "lined, moderate",
        area_m2: 5_000.0,
        depth_m: 1.5,
        final_kg: 3_800.0,
        groups: &[("a", 4.5, 1.2), ("b", 4.5, 1.2)],
    },
    Kind {
        name: "earthen",
        area_m2: 8_000.0,
        depth_m: 1.2,
        final_kg: 5_200.0,
        groups: &[("a", 4.5, 1.2), ("b", 4.5, 1.2)],
    },
];

/// What goes wrong in a crop, drawn from its seed.
#[derive(Debug, Clone, Default)]
struct Troubles {
    /// Hours in which a group has no power: from, until (ms), group.
    trips: Vec<(i64, i64, usize)>,
    /// Plankton crash: from, until (ms).
    crashes: Vec<(i64, i64)>,
}

/// The pond.
#[derive(Debug)]
pub struct Pond {
    pub kind: Kind,
    pub basin: Basin,
    pub water: Water,
    /// What the panel commands, by group.
    pub commanded: Vec<bool>,
    noise: Noise,
    weather: Weather,
    troubles: Troubles,
    bloom: f64,
}

impl Pond {
    pub fn new(kind: Kind, seed: u64) -> Self {
        let noise = Noise::new(seed);
        let draw = |name: &str, slot: i64| noise.unit(Noise::stream(name), slot);
        let mut troubles = Troubles::default();
        let mut rain = Vec::new();
        for day in 0..DAYS {
            let midnight = START_MS + day * DAY_MS;
            let hour = |name: &str| midnight + (draw(name, day) * 24.0 * 3_600_000.0) as i64;
            // A group loses power about once in 25 days, for half an hour to four hours.
            if draw("trip", day) < 0.04 {
                let group = (draw("trip-group", day) * kind.groups.len() as f64) as usize;
                let length = (0.5 + 3.5 * draw("trip-length", day)) * 3_600_000.0;
                let from = hour("trip-hour");
                troubles.trips.push((from, from + length as i64, group.min(kind.groups.len() - 1)));
            }
            // The plankton crashes about once in a crop of a hundred days, for two to four days.
            if day > 30 && draw("crash", day) < 0.01 {
                let length = (2.0 + 2.0 * draw("crash-length", day)) * DAY_MS as f64;
                troubles.crashes.push((midnight, midnight + length as i64));
            }
            if draw("rain", day) < 0.12 {
                let from_ms = hour("rain-hour");
                let length = (0.5 + 3.0 * draw("rain-length", day)) * 3_600_000.0;
                let rate_mm_h = 3.0 + 20.0 * draw("rain-rate", day);
                rain.push(Shower { from_ms, until_ms: from_ms + length as i64, rate_mm_h });
            }
        }
        let climate = Climate { rain, ..Climate::clear_and_still(LATITUDE, LONGITUDE) };
        let aerators = kind
            .groups
            .iter()
            .map(|&(id, power_kw, rated)| {
                // Aerators do not do what their maker says: 0.75 to 1.1 of it.
                let sae_kg_kwh = rated * (0.75 + 0.35 * draw(&format!("worn {id}"), -1));
                Aerator { id: id.into(), power_kw, sae_kg_kwh, running: false }
            })
            .collect();
        let bloom = 0.85 + 0.3 * draw("bloom", -1);
        let basin = tidewick::basin(kind.area_m2, kind.depth_m, tidewick::load("p4"), aerators);
        let mut pond = Self {
            kind,
            basin,
            water: tidewick::water(kind.depth_m, 18.0),
            commanded: vec![false; kind.groups.len()],
            weather: Weather::new(climate, noise.clone()),
            noise,
            troubles,
            bloom,
        };
        pond.grow(START_MS);
        pond
    }

    /// Sets stock, feed and plankton for the time: growth along a logistic curve, feed falling from 8 %
    /// to 2.2 % of the stock a day, and with the feed the plankton and what the bottom takes (common
    /// practice, no source).
    fn grow(&mut self, at_ms: i64) {
        let day = (at_ms - START_MS) as f64 / DAY_MS as f64;
        let share = 1.0 / (1.0 + (-(day - 62.0) / 17.0).exp());
        let basin = &mut self.basin;
        basin.shrimp_kg = self.kind.final_kg * share.max(0.01);
        let percent = 2.2 + 5.8 * (-day / 28.0).exp();
        basin.feed_kg_day = basin.shrimp_kg * percent / 100.0;
        let load = basin.feed_kg_day / (self.kind.area_m2 / 10_000.0);
        // Relative to 300 kg/ha/day.
        let rich = (load / 300.0).clamp(0.05, 1.6);
        let wander = 1.0 + 0.12 * self.noise.wander(Noise::stream("bloom"), at_ms, 5 * DAY_MS);
        let crashed = self.troubles.crashes.iter().any(|&(from, until)| (from..until).contains(&at_ms));
        let depth = self.kind.depth_m;
        basin.photosynthesis_max_mg_l_h =
            (1.5 + 4.8 * rich) * self.bloom * wander * if crashed { 0.2 } else { 1.0 };
        basin.attenuation_per_m = if crashed { 2.5 } else { 3.0 + 2.2 * rich };
        basin.water_respiration_mg_l_h =
            (0.07 + 0.27 * rich) * self.bloom * wander * if crashed { 1.8 } else { 1.0 };
        basin.bottom_respiration_g_m2_h = (0.07 + 0.26 * rich) * depth / 1.3;
    }

    fn sky(&self, at_ms: i64) -> Sky {
        let day = (at_ms + OFFSET_MS - START_MS - OFFSET_MS).div_euclid(DAY_MS);
        // Days differ, and dull ones come together.
        let clear = |day: i64| self.noise.wander(Noise::stream("days"), day * DAY_MS, 3 * DAY_MS);
        let own = self.noise.gaussian(Noise::stream("day"), day);
        let light = (0.82 + 0.22 * clear(day) + 0.12 * own).clamp(0.25, 1.05);
        let sky = self.weather.at(at_ms);
        Sky {
            par_umol_m2_s: sky.par_umol_m2_s * light,
            shortwave_w_m2: sky.shortwave_w_m2 * light,
            wind_m_s: sky.wind_m_s
                * (1.0 + 0.35 * self.noise.gaussian(Noise::stream("wind-day"), day)).max(0.3),
            ..sky
        }
    }

    /// Moves on by one minute from `at_ms`.
    pub fn minute(&mut self, at_ms: i64) {
        if at_ms.rem_euclid(3_600_000) == 0 {
            self.grow(at_ms);
        }
        for (group, aerator) in self.basin.aerators.iter_mut().enumerate() {
            let dead = self
                .troubles
                .trips
                .iter()
                .any(|&(from, until, tripped)| tripped == group && (from..until).contains(&at_ms));
            aerator.running = self.commanded.get(group).copied().unwrap_or(false) && !dead;
        }
        let sky = self.sky(at_ms);
        let hour = (at_ms + OFFSET_MS).rem_euclid(DAY_MS) as f64 / 3_600_000.0;
        let feeding = if (7.0..21.0).contains(&hour) { 1.4 } else { 0.44 };
        for _ in 0..60 / STEP_S {
            water::step(&self.basin, &mut self.water, &sky, feeding, STEP_S as f64);
        }
    }

    /// What truly happens to the water: name, from, until, ms since 1970.
    pub fn events(&self) -> Vec<(&'static str, i64, i64)> {
        let trips = self.troubles.trips.iter().map(|&(from, until, _)| ("trip", from, until));
        let crashes = self.troubles.crashes.iter().map(|&(from, until)| ("crash", from, until));
        let rain = self.weather.rain().iter().map(|shower| ("rain", shower.from_ms, shower.until_ms));
        trips.chain(crashes).chain(rain).collect()
    }

    /// What a sound probe says of oxygen.
    pub fn oxygen_reading(&self, at_ms: i64) -> f64 {
        let jitter = 0.03 * self.noise.gaussian(Noise::stream("do"), at_ms / 60_000);
        let wander = 0.06 * self.noise.wander(Noise::stream("do-wander"), at_ms, 2 * 3_600_000);
        (self.water.do_mg_l + jitter + wander).max(0.0)
    }

    /// kW that turn now.
    pub fn power_kw(&self) -> f64 {
        self.basin.aerators.iter().filter(|aerator| aerator.running).map(|aerator| aerator.power_kw).sum()
    }
}
