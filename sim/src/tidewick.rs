//! The invented demo farm's four ponds: how much lives in them and what their nights are like.
//!
//! Sizes and aerators come from the caller, who has them from the configuration; what stands here is
//! what no configuration knows.

use crate::water::{Aerator, Basin, Water};

/// How heavily a pond is stocked, fed and grown over with algae.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Load {
    /// Live shrimp, kg.
    pub shrimp_kg: f64,
    /// Feed, kg/day.
    pub feed_kg_day: f64,
    /// See [`Basin::photosynthesis_max_mg_l_h`].
    pub photosynthesis_max_mg_l_h: f64,
    /// See [`Basin::attenuation_per_m`].
    pub attenuation_per_m: f64,
    /// See [`Basin::water_respiration_mg_l_h`].
    pub water_respiration_mg_l_h: f64,
    /// See [`Basin::bottom_respiration_g_m2_h`].
    pub bottom_respiration_g_m2_h: f64,
}

/// Loads of the demo's ponds by id; an unknown id gets those of a lightly stocked earthen pond.
pub fn load(pond_id: &str) -> Load {
    match pond_id {
        // Lined, 120 shrimp/m2 at 9 g.
        "p1" => Load {
            shrimp_kg: 4_750.0,
            feed_kg_day: 152.0,
            photosynthesis_max_mg_l_h: 5.4,
            attenuation_per_m: 5.0,
            water_respiration_mg_l_h: 0.24,
            bottom_respiration_g_m2_h: 0.24,
        },
        "p2" => Load {
            shrimp_kg: 4_690.0,
            feed_kg_day: 150.0,
            photosynthesis_max_mg_l_h: 5.1,
            attenuation_per_m: 5.0,
            water_respiration_mg_l_h: 0.18,
            bottom_respiration_g_m2_h: 0.19,
        },
        // Earthen, 60 shrimp/m2 at 5.5 g.
        "p3" => Load {
            shrimp_kg: 2_400.0,
            feed_kg_day: 92.0,
            photosynthesis_max_mg_l_h: 2.4,
            attenuation_per_m: 5.0,
            water_respiration_mg_l_h: 0.12,
            bottom_respiration_g_m2_h: 0.12,
        },
        _ => Load {
            shrimp_kg: 2_200.0,
            feed_kg_day: 60.0,
            photosynthesis_max_mg_l_h: 1.55,
            attenuation_per_m: 4.5,
            water_respiration_mg_l_h: 0.08,
            bottom_respiration_g_m2_h: 0.08,
        },
    }
}

/// A basin of a size with a load and aerators.
pub fn basin(area_m2: f64, depth_m: f64, load: Load, aerators: Vec<Aerator>) -> Basin {
    Basin {
        area_m2,
        depth_m,
        photosynthesis_max_mg_l_h: load.photosynthesis_max_mg_l_h,
        light_saturation_umol_m2_s: 280.0,
        attenuation_per_m: load.attenuation_per_m,
        water_respiration_mg_l_h: load.water_respiration_mg_l_h,
        bottom_respiration_g_m2_h: load.bottom_respiration_g_m2_h,
        shrimp_kg: load.shrimp_kg,
        shrimp_respiration_g_kg_h: 0.3,
        feed_kg_day: load.feed_kg_day,
        aerators,
    }
}

/// Water to start the settling days with.
pub fn water(depth_m: f64, salinity_psu: f64) -> Water {
    Water {
        do_mg_l: 6.0,
        temperature_c: 29.0,
        salinity_psu,
        tan_mg_l: 0.8,
        alkalinity_mg_l: 112.0,
        dic_mmol_l: 2.08,
        depth_m,
    }
}
