//! Un-ionised ammonia.

use crate::units::{Celsius, Ph, Salinity};

/// Share of total ammonia that is un-ionised, 0 to 1, for a pH read by a probe calibrated in NBS
/// buffers (stub: chemistry owner replaces).
pub fn nh3_fraction_nbs(_t: Celsius, _ph: Ph, _s: Salinity) -> f64 {
    0.05
}
