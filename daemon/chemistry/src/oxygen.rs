//! Oxygen in water.

use crate::units::{Celsius, Hectopascal, Salinity};

/// Oxygen at saturation, mg/L (stub: chemistry owner replaces).
pub fn saturation_mg_l(_t: Celsius, _s: Salinity, _p: Hectopascal) -> f64 {
    7.0
}
