//! Hydrogen sulfide: the un-ionised, toxic share of total sulfide.
//!
//! ```text
//! ln K1 = 225.838 - 13275.3/T - 34.6435 ln T + 0.3449 √S - 0.0274 S      total scale
//! share = 1 / (1 + 10^(pH - pK1))
//! ```
//!
//! The second dissociation is left out: S²⁻ is below a thousandth of HS⁻ under pH 10, so up to
//! pH 11 the share is at most one hundredth of itself too high, where hardly any is left.

use crate::scale::PhScale;
use crate::units::{Celsius, Ph, Salinity};
use core::f64::consts::LN_10;
use libm::{exp10, log, sqrt};

/// Share of total sulfide that is un-ionised H2S, 0 to 1.
///
/// Source: Millero, Plese & Fernandez 1988. A buffer reading is brought to the total scale first.
/// Range: fitted for 5 to 25 °C and 5 to 40 PSU; the formula is used from 0 to 40 °C because ponds
/// are warmer than that, and from 0 to 45 PSU.
/// Accuracy: 0.02 in pK1 where fitted. Fresh-water tables for fish ponds read 2 to 5 % higher.
pub fn h2s_fraction(t: Celsius, ph: Ph, s: Salinity, scale: PhScale) -> f64 {
    1.0 / (1.0 + exp10(scale.to_total(ph, t, s) - pk1_total(t, s)))
}

/// pK1 of hydrogen sulfide on the total scale (Millero, Plese & Fernandez 1988).
pub fn pk1_total(t: Celsius, s: Salinity) -> f64 {
    let kelvin = t.get() + 273.15;
    let ln_k =
        225.838 - 13_275.3 / kelvin - 34.6435 * log(kelvin) + 0.3449 * sqrt(s.get()) - 0.0274 * s.get();
    -ln_k / LN_10
}
