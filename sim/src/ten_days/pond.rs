//! One pond of the ten days: a mixed body of water, over which heavy rain lays a lens of fresh water
//! where nothing stirs it.

use super::clock::{self, HOUR_MS};
use crate::carbon;
use crate::tidewick;
use crate::water::{self, Aerator, Basin, Water};
use crate::weather::Sky;

/// Length of one step of the balance.
pub(super) const STEP_MS: i64 = 20_000;
const STEP_H: f64 = STEP_MS as f64 / HOUR_MS as f64;

/// How an earthen or lined pond of the farm is built.
#[derive(Debug, Clone, Copy)]
pub(super) struct Build {
    pub(super) area_m2: f64,
    pub(super) depth_m: f64,
    /// Id, kW, kg O2 per kWh.
    pub(super) groups: &'static [(&'static str, f64, f64)],
    pub(super) load: tidewick::Load,
    /// Inorganic carbon that the water tends to, mmol/L: tells how high the pond's pH is.
    pub(super) dic_mmol_l: f64,
}

/// Plankton of a deep green pond lives in the shade and makes much of little light. (Invented.)
const LIGHT_SATURATION_UMOL_M2_S: f64 = 50.0;

/// A pond's carbon comes back within so many hours. (Invented.)
const CARBON_BACK_H: f64 = 7.0;

/// Rain heavier than this, mm/h, lays a lens on water that nothing stirs. (Invented.)
const LENS_RAIN_MM_H: f64 = 10.0;
/// Top of the pond that the first drops mix into, m. (Invented.)
const LENS_BEGINS_M: f64 = 0.10;
/// How fast lens and deep water mix: in a calm, per m/s of wind, and per running kW, m/h. (Invented.)
const MIXING_M_H: (f64, f64, f64) = (0.001, 0.0006, 0.05);
/// A lens this little fresher than the water below is gone, PSU. (Invented.)
const LENS_GONE_PSU: f64 = 0.5;
/// How fast an opened overflow skims the lens, m/h. (Invented.)
const SKIMMED_M_H: f64 = 0.03;

/// What stands for the pond's life, as shares of the usual.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Life {
    /// Photosynthesis.
    pub(super) bloom: f64,
    /// Respiration in the water.
    pub(super) water: f64,
    /// Uptake by the bottom.
    pub(super) bottom: f64,
    /// Feed.
    pub(super) feed: f64,
    /// Carbon dioxide that stirred sludge gives off, mmol/L/h.
    pub(super) sludge_mmol_l_h: f64,
}

/// As ever.
pub(super) const USUAL: Life = Life { bloom: 1.0, water: 1.0, bottom: 1.0, feed: 1.0, sludge_mmol_l_h: 0.0 };

/// Alkali that dissolves: mg/L of alkalinity still to come, and how much in an hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Dose {
    pub(super) left_mg_l: f64,
    pub(super) per_h: f64,
}

#[derive(Debug, Clone)]
pub(super) struct Pond {
    pub(super) build: Build,
    basin: Basin,
    /// All of the water, or what lies below the lens.
    pub(super) water: Water,
    /// Fresh water on top, if there is a lens.
    pub(super) lens: Option<Water>,
    pub(super) life: Life,
    pub(super) doses: Vec<Dose>,
    pub(super) overflow: bool,
    /// What the panel commands, by group.
    pub(super) commanded: Vec<bool>,
    /// Whether the group's own feeder is sound.
    pub(super) feeder: Vec<bool>,
}

impl Pond {
    pub(super) fn new(build: Build) -> Self {
        let groups = build.groups.iter().map(|&(id, power_kw, sae_kg_kwh)| Aerator {
            id: id.into(),
            power_kw,
            sae_kg_kwh,
            running: false,
        });
        let basin = Basin {
            light_saturation_umol_m2_s: LIGHT_SATURATION_UMOL_M2_S,
            ..tidewick::basin(build.area_m2, build.depth_m, build.load, groups.collect())
        };
        let water = Water { dic_mmol_l: build.dic_mmol_l, ..tidewick::water(build.depth_m, 18.0) };
        Self {
            basin,
            water,
            lens: None,
            life: USUAL,
            doses: Vec::new(),
            overflow: false,
            commanded: vec![false; build.groups.len()],
            feeder: vec![true; build.groups.len()],
            build,
        }
    }

    /// Position of a group by its id.
    pub(super) fn group(&self, id: char) -> Option<usize> {
        self.build.groups.iter().position(|&(own, ..)| own.starts_with(id))
    }

    /// Whether a group turns.
    pub(super) fn runs(&self, group: usize) -> bool {
        self.basin.aerators.get(group).is_some_and(|aerator| aerator.running)
    }

    /// What the running groups draw, kW.
    pub(super) fn power_kw(&self) -> f64 {
        self.basin.aerators.iter().filter(|own| own.running).map(|own| own.power_kw).sum()
    }

    /// The water at the surface.
    pub(super) fn surface(&self) -> &Water {
        self.lens.as_ref().unwrap_or(&self.water)
    }

    /// Moves on by one step. `powered` tells whether a group has power beyond its own feeder.
    pub(super) fn step(&mut self, sky: &Sky, at_ms: i64, powered: impl Fn(usize) -> bool) {
        for (group, aerator) in self.basin.aerators.iter_mut().enumerate() {
            aerator.running = self.commanded[group] && self.feeder[group] && powered(group);
        }
        let life = self.life;
        let load = self.build.load;
        self.basin.photosynthesis_max_mg_l_h = load.photosynthesis_max_mg_l_h * life.bloom;
        self.basin.water_respiration_mg_l_h = load.water_respiration_mg_l_h * life.water;
        self.basin.bottom_respiration_g_m2_h = load.bottom_respiration_g_m2_h * life.bottom;
        self.basin.feed_kg_day = load.feed_kg_day * life.feed;
        // Meals from 06:30 to 18:30; digestion slackens towards morning.
        let feeding = if (7.0..21.0).contains(&clock::hour(at_ms)) { 1.4 } else { 0.44 };
        self.dissolve();
        // A pond gets its carbon back from bottom, feed and lime; more of it stays in more alkaline water.
        let held = self.build.dic_mmol_l + 0.85 * (self.water.alkalinity_mg_l - 110.0) / 50.04;
        self.water.dic_mmol_l +=
            (held - self.water.dic_mmol_l) * STEP_H / CARBON_BACK_H + life.sludge_mmol_l_h * STEP_H;

        let stirred = self.power_kw();
        if self.lens.is_none() && sky.rain_mm_h >= LENS_RAIN_MM_H && stirred == 0.0 {
            self.lens = Some(Water { depth_m: LENS_BEGINS_M, ..self.water });
            self.water.depth_m -= LENS_BEGINS_M;
        }
        let step_s = STEP_MS as f64 / 1_000.0;
        match &mut self.lens {
            None => {
                water::step(&self.basin, &mut self.water, sky, feeding, step_s);
            }
            Some(lens) => {
                under(&self.basin, &mut self.water, sky, feeding, lens.depth_m);
                over(&self.basin, lens, sky);
                let (calm, wind, kw) = MIXING_M_H;
                exchange(lens, &mut self.water, (calm + wind * sky.wind_m_s + kw * stirred) * STEP_H);
                if self.overflow {
                    lens.depth_m = (lens.depth_m - SKIMMED_M_H * STEP_H).max(0.02);
                }
                let rains = sky.rain_mm_h >= LENS_RAIN_MM_H;
                if !rains && self.water.salinity_psu - lens.salinity_psu < LENS_GONE_PSU {
                    self.water = mixed(lens, &self.water);
                    self.water.depth_m = self.build.depth_m;
                    self.lens = None;
                }
            }
        }
    }

    fn dissolve(&mut self) {
        for dose in &mut self.doses {
            let now = (dose.per_h * STEP_H).min(dose.left_mg_l);
            dose.left_mg_l -= now;
            self.water.alkalinity_mg_l += now;
        }
        self.doses.retain(|dose| dose.left_mg_l > 0.0);
    }
}

/// The deep water under a lens: no air, no rain, no heat lost, no aerators, less light.
fn under(basin: &Basin, water: &mut Water, sky: &Sky, feeding: f64, lens_m: f64) {
    let light = (-basin.attenuation_per_m * lens_m).exp();
    let still = Sky {
        par_umol_m2_s: sky.par_umol_m2_s * light,
        shortwave_w_m2: sky.shortwave_w_m2 * light,
        wind_m_s: 0.0,
        rain_mm_h: 0.0,
        // Neither warmed nor cooled from above.
        air_c: water.temperature_c + water::SKY_COOLING_C,
        ..*sky
    };
    let without = Basin { aerators: Vec::new(), ..basin.clone() };
    let before = *water;
    let spent = water::step(&without, water, &still, feeding, STEP_MS as f64 / 1_000.0);
    // The balance lets air through any surface: this water has none.
    water.do_mg_l -= spent.air;
    let co2 = carbon::co2_mmol_l(before.alkalinity_mg_l, before.dic_mmol_l);
    water.dic_mmol_l +=
        0.9 * water::transfer_m_h(0.0) / before.depth_m * (co2 - carbon::CO2_IN_AIR_MMOL_L) * STEP_H;
}

/// The lens: light, air, rain and the wheels; nothing of the bottom, nor of the shrimp that stay away from it.
fn over(basin: &Basin, lens: &mut Water, sky: &Sky) {
    let rain_m = sky.rain_mm_h / 1_000.0 * STEP_H;
    let bare = Basin { bottom_respiration_g_m2_h: 0.0, shrimp_kg: 0.0, feed_kg_day: 0.0, ..basin.clone() };
    water::step(&bare, lens, sky, 0.0, STEP_MS as f64 / 1_000.0);
    lens.depth_m += rain_m;
}

/// What two bodies of water exchange through so many metres of each.
fn exchange(lens: &mut Water, deep: &mut Water, metres: f64) {
    let (up, down) = (metres / lens.depth_m, metres / deep.depth_m);
    let swap = |of: fn(&mut Water) -> &mut f64, lens: &mut Water, deep: &mut Water| {
        let difference = *of(deep) - *of(lens);
        *of(lens) += difference * up.min(0.5);
        *of(deep) -= difference * down.min(0.5);
    };
    swap(|water| &mut water.do_mg_l, lens, deep);
    swap(|water| &mut water.temperature_c, lens, deep);
    swap(|water| &mut water.salinity_psu, lens, deep);
    swap(|water| &mut water.tan_mg_l, lens, deep);
    swap(|water| &mut water.alkalinity_mg_l, lens, deep);
    swap(|water| &mut water.dic_mmol_l, lens, deep);
}

/// Both together.
fn mixed(lens: &Water, deep: &Water) -> Water {
    let share = lens.depth_m / (lens.depth_m + deep.depth_m);
    let of = |a: f64, b: f64| a * share + b * (1.0 - share);
    Water {
        do_mg_l: of(lens.do_mg_l, deep.do_mg_l),
        temperature_c: of(lens.temperature_c, deep.temperature_c),
        salinity_psu: of(lens.salinity_psu, deep.salinity_psu),
        tan_mg_l: of(lens.tan_mg_l, deep.tan_mg_l),
        alkalinity_mg_l: of(lens.alkalinity_mg_l, deep.alkalinity_mg_l),
        dic_mmol_l: of(lens.dic_mmol_l, deep.dic_mmol_l),
        depth_m: lens.depth_m + deep.depth_m,
    }
}
