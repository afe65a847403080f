//! One pond's water by mass balance: oxygen, heat, salt, ammonia and inorganic carbon.
//!
//! The pond is one well-mixed box. Each step moves mass between named sources and sinks and writes
//! every one of them into a [`Budget`], so that the sum of the terms is the change and a test can
//! check it. Rates without a source are common practice.

use pondreeve_chemistry::oxygen;
use pondreeve_chemistry::units::{Celsius, Hectopascal, Salinity};

use crate::carbon;
use crate::weather::Sky;

/// What a pond is.
#[derive(Debug, Clone, PartialEq)]
pub struct Basin {
    /// Water surface, m2.
    pub area_m2: f64,
    /// Mean depth, m.
    pub depth_m: f64,
    /// Fastest gross photosynthesis in full light, mg O2/L/h.
    pub photosynthesis_max_mg_l_h: f64,
    /// Light at which photosynthesis would reach its maximum if it did not saturate, µmol/m2/s.
    pub light_saturation_umol_m2_s: f64,
    /// Weakening of light with depth, 1/m: about 1.7 / Secchi depth.
    pub attenuation_per_m: f64,
    /// Respiration of plankton and bacteria at 28 °C with ample oxygen, mg O2/L/h.
    pub water_respiration_mg_l_h: f64,
    /// Uptake by the bottom at 28 °C with ample oxygen, g O2/m2/h.
    pub bottom_respiration_g_m2_h: f64,
    /// Live shrimp, kg.
    pub shrimp_kg: f64,
    /// Shrimp respiration at 28 °C, g O2/kg/h; 0.3 for animals of 10 to 20 g (from memory).
    pub shrimp_respiration_g_kg_h: f64,
    /// Feed given, kg/day.
    pub feed_kg_day: f64,
    /// Aerator groups.
    pub aerators: Vec<Aerator>,
}

/// Aerators that run or stand together.
#[derive(Debug, Clone, PartialEq)]
pub struct Aerator {
    /// Short id within the pond.
    pub id: String,
    /// Electrical power, kW.
    pub power_kw: f64,
    /// Standard aeration efficiency, kg O2/kWh.
    pub sae_kg_kwh: f64,
    /// Whether it turns.
    pub running: bool,
}

/// What the water holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Water {
    /// Dissolved oxygen, mg/L.
    pub do_mg_l: f64,
    /// Temperature, °C.
    pub temperature_c: f64,
    /// Salinity, PSU.
    pub salinity_psu: f64,
    /// Total ammonia nitrogen, mg/L as N.
    pub tan_mg_l: f64,
    /// Total alkalinity, mg/L as CaCO3.
    pub alkalinity_mg_l: f64,
    /// Dissolved inorganic carbon, mmol/L.
    pub dic_mmol_l: f64,
    /// Depth, m.
    pub depth_m: f64,
}

impl Water {
    /// pH as a pond meter reads it.
    pub fn ph(&self) -> f64 {
        carbon::ph(self.alkalinity_mg_l, self.dic_mmol_l)
    }

    /// Oxygen at saturation under a pressure, mg/L.
    pub fn saturation_mg_l(&self, pressure_hpa: f64) -> f64 {
        // The balance keeps the water inside the accepted ranges; the clamp only keeps a strange
        // basin from ending the run.
        let within = |value: f64, low: f64, high: f64| value.clamp(low, high);
        match (
            Celsius::new(within(self.temperature_c, Celsius::LOWEST, Celsius::HIGHEST)),
            Salinity::new(within(self.salinity_psu, Salinity::LOWEST, Salinity::HIGHEST)),
            Hectopascal::new(within(pressure_hpa, Hectopascal::LOWEST, Hectopascal::HIGHEST)),
        ) {
            (Ok(t), Ok(s), Ok(p)) => oxygen::saturation_mg_l(t, s, p),
            _ => f64::NAN,
        }
    }
}

/// Where the oxygen of a stretch of time came from and went to, mg/L. Gains are positive.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Budget {
    /// Made by algae.
    pub photosynthesis: f64,
    /// Plankton and bacteria in the water.
    pub water: f64,
    /// Bottom.
    pub bottom: f64,
    /// Shrimp.
    pub shrimp: f64,
    /// Feed that rots or is digested, beyond the shrimp's own resting need.
    pub feed: f64,
    /// Nitrification.
    pub nitrification: f64,
    /// Through the surface.
    pub air: f64,
    /// Through aerators.
    pub aerators: f64,
    /// Brought, or thinned, by rain.
    pub rain: f64,
}

impl Budget {
    /// All terms.
    pub fn sum(&self) -> f64 {
        self.photosynthesis
            + self.water
            + self.bottom
            + self.shrimp
            + self.feed
            + self.nitrification
            + self.air
            + self.aerators
            + self.rain
    }

    /// Adds another stretch.
    pub fn add(&mut self, other: &Self) {
        self.photosynthesis += other.photosynthesis;
        self.water += other.water;
        self.bottom += other.bottom;
        self.shrimp += other.shrimp;
        self.feed += other.feed;
        self.nitrification += other.nitrification;
        self.air += other.air;
        self.aerators += other.aerators;
        self.rain += other.rain;
    }
}

/// Respiration doubles for each 10 °C (from memory).
const Q10: f64 = 2.0;
/// Oxygen at which respiration is down to half, mg/L.
const RESPIRATION_HALF_MG_L: f64 = 0.4;
/// Oxygen used while feed is digested or rots, kg/kg, beyond the shrimp's resting need. The 1.25 that
/// feed takes in all (Boyd, "Oxygen demand of aquaculture feed") is for the most part used later, by
/// the water, the bottom and nitrification, and counted there.
const OXYGEN_PER_FEED: f64 = 0.2;
/// Ammonia nitrogen set free per feed, kg/kg: 35 % protein, 16 % nitrogen in it, half excreted.
const TAN_PER_FEED: f64 = 0.35 * 0.16 * 0.5;
/// Nitrification at 1 mg/L of ammonia with ample oxygen, mg N/L/h.
const NITRIFICATION_PER_H: f64 = 0.006;
/// Oxygen used per nitrogen nitrified, mg/mg (from memory).
const OXYGEN_PER_NITRIFIED: f64 = 4.6;
/// Alkalinity used per nitrogen nitrified, mg CaCO3/mg (from memory).
const ALKALINITY_PER_NITRIFIED: f64 = 7.1;
/// Nitrogen that algae take up per oxygen they make, mg/mg: 16 N to 138 O2 (Redfield), six
/// tenths of it from new ammonia, the rest recycled within the plankton.
const TAN_PER_PHOTOSYNTHESIS: f64 = 16.0 * 14.0 / (138.0 * 32.0) * 0.6;
/// Layers over which light is averaged.
const LIGHT_LAYERS: u32 = 8;
/// Heat lost per degree above the effective air, W/m2/K: back radiation, evaporation and wind together.
const HEAT_LOSS_W_M2_K: f64 = 40.0;
/// How far the sky and evaporation pull the water below air temperature, °C.
pub(crate) const SKY_COOLING_C: f64 = 4.5;
/// Heat capacity of brackish water, J/m3/K.
const HEAT_CAPACITY_J_M3_K: f64 = 4.05e6;

/// Mean gross photosynthesis over the depth, mg/L/h: the saturating curve of Jassby and Platt (1976;
/// from memory) in each of a few layers of light that fades exponentially.
fn photosynthesis_mg_l_h(basin: &Basin, depth_m: f64, par_umol_m2_s: f64) -> f64 {
    let mean: f64 = (0..LIGHT_LAYERS)
        .map(|layer| {
            let z = (f64::from(layer) + 0.5) / f64::from(LIGHT_LAYERS) * depth_m;
            let light = par_umol_m2_s * (-basin.attenuation_per_m * z).exp();
            (light / basin.light_saturation_umol_m2_s).tanh()
        })
        .sum::<f64>()
        / f64::from(LIGHT_LAYERS);
    basin.photosynthesis_max_mg_l_h * mean
}

/// Gas transfer velocity of oxygen through the surface, m/h: 0.31·u² cm/h at a Schmidt number of 660
/// (Wanninkhof 1992; from memory), with a floor for convection in still air. Oxygen near 29 °C has a
/// Schmidt number of about 450.
pub(crate) fn transfer_m_h(wind_m_s: f64) -> f64 {
    (0.31 * wind_m_s * wind_m_s / 100.0).max(0.008) * (660.0_f64 / 450.0).sqrt()
}

/// Oxygen that running aerators bring in, mg/L/h; negative above saturation. OTR = SOTR · (β·Cs − DO)
/// / 9.09 · 1.024^(T−20) · α, with α 0.9 and β 1.
fn aeration_mg_l_h(basin: &Basin, water: &Water, saturation_mg_l: f64) -> f64 {
    let sotr_kg_h: f64 = basin
        .aerators
        .iter()
        .filter(|aerator| aerator.running)
        .map(|aerator| aerator.power_kw * aerator.sae_kg_kwh)
        .sum();
    let otr_kg_h = sotr_kg_h * 0.9 * (saturation_mg_l - water.do_mg_l) / 9.09
        * 1.024_f64.powf(water.temperature_c - 20.0);
    otr_kg_h * 1_000.0 / (basin.area_m2 * water.depth_m)
}

/// Moves the water on by `dt_s` seconds (10 s keeps the explicit steps well within stability).
/// `feeding` is the share of the day's feed that is being digested now, relative to an even spread.
pub fn step(basin: &Basin, water: &mut Water, sky: &Sky, feeding: f64, dt_s: f64) -> Budget {
    let dt_h = dt_s / 3_600.0;
    let before = *water;
    let saturation = before.saturation_mg_l(sky.pressure_hpa);
    let volume_m3 = basin.area_m2 * before.depth_m;
    let warmth = Q10.powf((before.temperature_c - 28.0) / 10.0);
    let supply = before.do_mg_l / (before.do_mg_l + RESPIRATION_HALF_MG_L);

    let made = photosynthesis_mg_l_h(basin, before.depth_m, sky.par_umol_m2_s) * dt_h;
    let nitrified_mg_l = NITRIFICATION_PER_H * before.tan_mg_l * warmth * supply * dt_h;
    let mut budget = Budget {
        photosynthesis: made,
        water: -basin.water_respiration_mg_l_h * warmth * supply * dt_h,
        bottom: -basin.bottom_respiration_g_m2_h / before.depth_m * warmth * supply * dt_h,
        shrimp: -basin.shrimp_kg * basin.shrimp_respiration_g_kg_h / volume_m3 * warmth * supply * dt_h,
        feed: -basin.feed_kg_day * OXYGEN_PER_FEED / 24.0 * feeding * 1_000.0 / volume_m3 * supply * dt_h,
        nitrification: -nitrified_mg_l * OXYGEN_PER_NITRIFIED,
        air: transfer_m_h(sky.wind_m_s) / before.depth_m * (saturation - before.do_mg_l) * dt_h,
        aerators: aeration_mg_l_h(basin, &before, saturation) * dt_h,
        rain: 0.0,
    };

    // Rain falls saturated, fresh and at air temperature; what overflows leaves mixed.
    let rain_m = sky.rain_mm_h / 1_000.0 * dt_h;
    let fresh = rain_m / (before.depth_m + rain_m);
    budget.rain = fresh * (7.8 - before.do_mg_l);

    // The sinks together can take no more than is there: they fade with `supply`, and one step takes
    // far less than a hundredth of the stock.
    water.do_mg_l = before.do_mg_l + budget.sum();
    debug_assert!(water.do_mg_l >= 0.0, "oxygen went below nothing");

    let solar_w_m2 = 0.94 * sky.shortwave_w_m2;
    let loss_w_m2 = HEAT_LOSS_W_M2_K * (before.temperature_c - (sky.air_c - SKY_COOLING_C));
    water.temperature_c += (solar_w_m2 - loss_w_m2) * dt_s / (HEAT_CAPACITY_J_M3_K * before.depth_m)
        + fresh * (sky.air_c - before.temperature_c);
    water.salinity_psu *= 1.0 - fresh;

    let tan_in = basin.feed_kg_day * TAN_PER_FEED / 24.0 * feeding * 1_000.0 / volume_m3 * dt_h;
    let tan_up = TAN_PER_PHOTOSYNTHESIS * made * before.tan_mg_l / (before.tan_mg_l + 0.1);
    water.tan_mg_l = (before.tan_mg_l + tan_in - tan_up - nitrified_mg_l).max(0.0) * (1.0 - fresh);
    // The farm holds alkalinity with small doses of lime; the sim spreads them evenly.
    let alkalinity_kept = 0.010 * (110.0 - before.alkalinity_mg_l) * dt_h;
    water.alkalinity_mg_l = (before.alkalinity_mg_l - nitrified_mg_l * ALKALINITY_PER_NITRIFIED
        + alkalinity_kept)
        * (1.0 - fresh);

    // Carbon follows oxygen: 0.85 mol of CO2 per mol of O2 respired, 1.1 mol of O2 made per mol of
    // CO2 taken up (from memory). Air and aerators strip CO2 as they bring oxygen.
    let respired = -(budget.water + budget.bottom + budget.shrimp + budget.feed) / 32.0 * 0.85;
    let fixed = made / 32.0 / 1.1;
    let co2 = carbon::co2_mmol_l(before.alkalinity_mg_l, before.dic_mmol_l);
    let strip_per_h = transfer_m_h(sky.wind_m_s) / before.depth_m + aerator_strip_per_h(basin, &before);
    let stripped = 0.9 * strip_per_h * (co2 - carbon::CO2_IN_AIR_MMOL_L) * dt_h;
    water.dic_mmol_l = (before.dic_mmol_l + respired - fixed - stripped) * (1.0 - fresh)
        // Lime brings half as much carbon (mmol) as alkalinity (meq).
        + alkalinity_kept / 50.04 / 2.0;
    budget
}

/// How fast running aerators renew the water's gas, 1/h.
fn aerator_strip_per_h(basin: &Basin, water: &Water) -> f64 {
    let probe = Water { do_mg_l: 0.0, ..*water };
    aeration_mg_l_h(basin, &probe, 1.0)
}

#[cfg(test)]
#[path = "water_tests.rs"]
mod tests;
