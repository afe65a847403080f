//! A pond's limits inside the record of a farm. Those of the water are by key, so that a later version may add some.

use std::collections::BTreeMap;

use pondreeve_core::Span;
use pondreeve_core::site::{Limits, Threshold};
use pondreeve_core::water_limits::{SafeAt, Water, WaterLimits};
use serde::{Deserialize, Serialize};

use super::site_record::Number;

#[derive(Serialize, Deserialize)]
pub(super) struct LimitsRecord {
    do_low_mg_l: [ThresholdRecord; 3],
    do_forecast_mg_l: [Number; 2],
    do_fall_30min_mg_l: Number,
    do_blind_after_ms: [i64; 2],
    ph_low: [ThresholdRecord; 2],
    ph_high: [ThresholdRecord; 2],
    nh3_mean_mg_l: [ThresholdRecord; 2],
    nh3_peak_mg_l: [ThresholdRecord; 2],
    /// Missing in records of before these limits.
    #[serde(default)]
    water: WaterRecord,
}

#[derive(Serialize, Deserialize)]
struct ThresholdRecord {
    limit: Number,
    deadband: Number,
    on_delay_ms: i64,
    off_delay_ms: i64,
}

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

impl From<&Limits> for LimitsRecord {
    fn from(limits: &Limits) -> Self {
        let Limits {
            do_low_mg_l,
            do_forecast_mg_l,
            do_fall_30min_mg_l,
            do_blind_after,
            ph_low,
            ph_high,
            nh3_mean_mg_l,
            nh3_peak_mg_l,
            water,
        } = limits;
        Self {
            do_low_mg_l: do_low_mg_l.map(ThresholdRecord::from),
            do_forecast_mg_l: do_forecast_mg_l.map(Number::from),
            do_fall_30min_mg_l: (*do_fall_30min_mg_l).into(),
            do_blind_after_ms: do_blind_after.map(Span::as_millis),
            ph_low: ph_low.map(ThresholdRecord::from),
            ph_high: ph_high.map(ThresholdRecord::from),
            nh3_mean_mg_l: nh3_mean_mg_l.map(ThresholdRecord::from),
            nh3_peak_mg_l: nh3_peak_mg_l.map(ThresholdRecord::from),
            water: water.into(),
        }
    }
}

impl From<LimitsRecord> for Limits {
    fn from(record: LimitsRecord) -> Self {
        Self {
            do_low_mg_l: record.do_low_mg_l.map(Threshold::from),
            do_forecast_mg_l: record.do_forecast_mg_l.map(f64::from),
            do_fall_30min_mg_l: record.do_fall_30min_mg_l.into(),
            do_blind_after: record.do_blind_after_ms.map(Span::from_millis),
            ph_low: record.ph_low.map(Threshold::from),
            ph_high: record.ph_high.map(Threshold::from),
            nh3_mean_mg_l: record.nh3_mean_mg_l.map(Threshold::from),
            nh3_peak_mg_l: record.nh3_peak_mg_l.map(Threshold::from),
            water: record.water.into(),
        }
    }
}

impl From<Threshold> for ThresholdRecord {
    fn from(threshold: Threshold) -> Self {
        let Threshold { limit, deadband, on_delay, off_delay } = threshold;
        Self {
            limit: limit.into(),
            deadband: deadband.into(),
            on_delay_ms: on_delay.as_millis(),
            off_delay_ms: off_delay.as_millis(),
        }
    }
}

impl From<ThresholdRecord> for Threshold {
    fn from(record: ThresholdRecord) -> Self {
        Self {
            limit: record.limit.into(),
            deadband: record.deadband.into(),
            on_delay: Span::from_millis(record.on_delay_ms),
            off_delay: Span::from_millis(record.off_delay_ms),
        }
    }
}
