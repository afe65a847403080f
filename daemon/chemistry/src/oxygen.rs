//! Oxygen in water: how much it holds at saturation, and what a reading is worth as a percentage.
//!
//! Benson & Krause 1984 in the form of APHA 4500-O and USGS memo 2011.03, for moist air at one
//! atmosphere, with the APHA pressure term:
//!
//! ```text
//! ln C1 = -139.34411 + 1.575701e5/T - 6.642308e7/T² + 1.243800e10/T³ - 8.621949e11/T⁴
//!         - S (1.7674e-2 - 10.754/T + 2140.7/T²)                      mg/L, T in kelvin
//! C*    = C1 (P - u)(1 - θP) / ((1 - u)(1 - θ))                        P in atmospheres
//! θ     = 0.000975 - 1.426e-5 t + 6.436e-8 t²
//! u     = exp(11.8571 - 3840.70/T - 216961/T²)                         vapour pressure, atm
//! ```

use crate::units::{Celsius, DissolvedOxygen, Hectopascal, Salinity};
use libm::exp;

/// One standard atmosphere, hPa.
pub const STANDARD_ATMOSPHERE_HPA: f64 = 1013.25;

/// Oxygen at saturation with moist air, mg/L.
///
/// Source: Benson & Krause 1984, pressure term of APHA 4500-O (see the module's formulas).
/// Range: 0 to 40 °C and 0 to 40 PSU as published; 40 to 45 PSU is a small extrapolation that stays
/// within 0.004 mg/L of Garcia & Gordon 1992. Pressure 850 to 1050 hPa.
/// Accuracy: 0.02 mg/L against the published tables.
pub fn saturation_mg_l(t: Celsius, s: Salinity, p: Hectopascal) -> f64 {
    let celsius = t.get();
    let per_t = 1.0 / (celsius + 273.15);
    let fresh = -139.344_11
        + per_t * (1.575_701e5 + per_t * (-6.642_308e7 + per_t * (1.243_800e10 - per_t * 8.621_949e11)));
    let salt = s.get() * (1.767_4e-2 + per_t * (-10.754 + per_t * 2140.7));
    exp(fresh - salt) * pressure_factor(celsius, p.get() / STANDARD_ATMOSPHERE_HPA)
}

/// What pressure does to saturation: 1 at one standard atmosphere.
fn pressure_factor(celsius: f64, atm: f64) -> f64 {
    let vapour = vapour_pressure_atm(celsius);
    let theta = 0.000_975 + celsius * (-1.426e-5 + celsius * 6.436e-8);
    (atm - vapour) * (1.0 - theta * atm) / ((1.0 - vapour) * (1.0 - theta))
}

/// Pressure of water vapour over fresh water, atm (APHA 4500-O).
fn vapour_pressure_atm(celsius: f64) -> f64 {
    let per_t = 1.0 / (celsius + 273.15);
    exp(11.8571 + per_t * (-3840.70 - per_t * 216_961.0))
}

/// Oxygen as a percentage of saturation with moist air at this pressure.
pub fn percent(oxygen: DissolvedOxygen, t: Celsius, s: Salinity, p: Hectopascal) -> f64 {
    100.0 * oxygen.get() / saturation_mg_l(t, s, p)
}

/// Oxygen in mg/L of a percentage of saturation.
pub fn from_percent(percent: f64, t: Celsius, s: Salinity, p: Hectopascal) -> f64 {
    percent / 100.0 * saturation_mg_l(t, s, p)
}

/// The water that a probe was told it is in, or the water that it is in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setting {
    /// Salinity.
    pub salinity: Salinity,
    /// Air pressure (for a probe: what it was told when it was calibrated in air).
    pub pressure: Hectopascal,
}

/// What a probe's mg/L should have been, mg/L, had its settings been right.
///
/// A probe senses a percentage of saturation and multiplies it by the saturation at its settings; so
/// the reading times true over set saturation is the concentration. A probe left at 0 PSU in 20 PSU
/// water reads 12 % too high, which is the unsafe side. Correct once, in the probe or here, not twice.
pub fn compensate(reported: DissolvedOxygen, t: Celsius, set: Setting, is: Setting) -> f64 {
    reported.get() * saturation_mg_l(t, is.salinity, is.pressure)
        / saturation_mg_l(t, set.salinity, set.pressure)
}
