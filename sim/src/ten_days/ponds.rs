//! The four ponds, set so that their water behaves as the ten days are told.

use super::pond::Build;
use crate::tidewick::Load;

const LINED: &[(&str, f64, f64)] = &[("a", 4.5, 1.2), ("b", 4.5, 1.2), ("c", 2.2, 1.3)];
const WHEELS_OF_THREE: &[(&str, f64, f64)] = &[("a", 4.5, 1.2), ("b", 4.5, 1.2)];
const WHEELS_OF_TWO: &[(&str, f64, f64)] = &[("a", 3.0, 1.2), ("b", 3.0, 1.2)];

/// P1 Heron, P2 Ibis, P3 Curlew, P4 Avocet.
pub(super) const ALL: [Build; 4] = [
    // Lined, 120 shrimp/m2 at 9 g.
    Build {
        area_m2: 5_000.0,
        depth_m: 1.5,
        groups: LINED,
        load: Load {
            shrimp_kg: 4_750.0,
            feed_kg_day: 152.0,
            photosynthesis_max_mg_l_h: 2.75,
            attenuation_per_m: 5.0,
            water_respiration_mg_l_h: 0.227,
            bottom_respiration_g_m2_h: 0.235,
        },
        dic_mmol_l: 2.06,
    },
    // The same lot.
    Build {
        area_m2: 5_000.0,
        depth_m: 1.5,
        groups: LINED,
        load: Load {
            shrimp_kg: 4_690.0,
            feed_kg_day: 150.0,
            photosynthesis_max_mg_l_h: 2.76,
            attenuation_per_m: 5.0,
            water_respiration_mg_l_h: 0.17,
            bottom_respiration_g_m2_h: 0.19,
        },
        dic_mmol_l: 2.03,
    },
    // Earthen, 60 shrimp/m2 at 5.5 g.
    Build {
        area_m2: 8_000.0,
        depth_m: 1.2,
        groups: WHEELS_OF_THREE,
        load: Load {
            shrimp_kg: 2_400.0,
            feed_kg_day: 92.0,
            photosynthesis_max_mg_l_h: 1.50,
            attenuation_per_m: 5.0,
            water_respiration_mg_l_h: 0.165,
            bottom_respiration_g_m2_h: 0.15,
        },
        dic_mmol_l: 1.83,
    },
    // Earthen, 15 P. monodon/m2 at 18 g.
    Build {
        area_m2: 10_000.0,
        depth_m: 1.1,
        groups: WHEELS_OF_TWO,
        load: Load {
            shrimp_kg: 2_200.0,
            feed_kg_day: 60.0,
            photosynthesis_max_mg_l_h: 0.90,
            attenuation_per_m: 4.5,
            water_respiration_mg_l_h: 0.09,
            bottom_respiration_g_m2_h: 0.095,
        },
        dic_mmol_l: 2.14,
    },
];
