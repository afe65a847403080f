//! Limits of the water inside the record of a farm: by key, so that a later version may add some.

use std::collections::BTreeMap;

use pondreeve_core::site::Threshold;
use pondreeve_core::water_limits::{SafeAt, Water, WaterLimits};
use serde::{Deserialize, Serialize};

use super::site_record::{Number, ThresholdRecord};

#[derive(Serialize, Deserialize, Default)]
pub(super) struct WaterRecord {
    /// Key of the limit; keys that are no longer known are left out, missing ones get their default.
    thresholds: BTreeMap<String, ThresholdRecord>,
    /// PSU and mg/L.
    #[serde(default)]
    tan_safe: Option<Vec<[Number; 2]>>,
    #[serde(default)]
    nitrite_safe: Option<Vec<[Number; 2]>>,
}

fn points(safe: &SafeAt) -> Option<Vec<[Number; 2]>> {
    Some(safe.0.iter().map(|&(psu, mg_l)| [psu.into(), mg_l.into()]).collect())
}

fn safe(points: Option<Vec<[Number; 2]>>, known: SafeAt) -> SafeAt {
    points.map_or(known, |points| {
        SafeAt(points.into_iter().map(|[psu, mg_l]| (psu.into(), mg_l.into())).collect())
    })
}

impl From<&WaterLimits> for WaterRecord {
    fn from(limits: &WaterLimits) -> Self {
        let WaterLimits { thresholds, tan_safe, nitrite_safe } = limits;
        let named = Water::ALL.into_iter().zip(thresholds);
        Self {
            thresholds: named.map(|(water, &own)| (water.key().to_owned(), own.into())).collect(),
            tan_safe: points(tan_safe),
            nitrite_safe: points(nitrite_safe),
        }
    }
}

impl From<WaterRecord> for WaterLimits {
    fn from(mut record: WaterRecord) -> Self {
        let known = Self::grow_out();
        let mut thresholds = known.thresholds;
        for (slot, water) in thresholds.iter_mut().zip(Water::ALL) {
            if let Some(own) = record.thresholds.remove(water.key()) {
                *slot = Threshold::from(own);
            }
        }
        Self {
            thresholds,
            tan_safe: safe(record.tan_safe, known.tan_safe),
            nitrite_safe: safe(record.nitrite_safe, known.nitrite_safe),
        }
    }
}
