//! Oxygen transfer in the field, the pond's demand, and the power that holds it.
//!
//! ```text
//! OTR = SOTR α (β C*(t, S, P) - C) / C*s20 θ^(t - 20)          C*s20 = 9.092 mg/L
//! ```
//!
//! Form of ASCE/EWRI 2 and IS 13166. C* already carries salinity and pressure, so β stands for other
//! solutes only and is close to 1; using it for salt as well would count salt twice. Above saturation
//! the rate is negative: aerators then drive oxygen out, and the sign is kept so that it shows.

use crate::oxygen;
use crate::units::{Celsius, DissolvedOxygen, Hectopascal, OutOfRange, Salinity, checked};
use libm::pow;

/// Oxygen at saturation in fresh water, 20 °C, one atmosphere, mg/L: what SOTR is stated for.
pub const STANDARD_SATURATION_MG_L: f64 = 9.092_426_042_885_567;
/// Usual temperature factor of oxygen transfer (IS 13166; ASCE/EWRI 2).
pub const USUAL_THETA: f64 = 1.024;

/// How a pond differs from the clean water that aerators are rated in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correction {
    alpha: f64,
    beta: f64,
    theta: f64,
}

impl Correction {
    /// Transfer ratio α (0 to 2), saturation ratio β (0 to 1.2), temperature factor θ (1 to 1.1).
    pub const fn new(alpha: f64, beta: f64, theta: f64) -> Result<Self, OutOfRange> {
        match (
            checked("alpha", "", 0.0, 2.0, alpha),
            checked("beta", "", 0.0, 1.2, beta),
            checked("theta", "", 1.0, 1.1, theta),
        ) {
            (Ok(alpha), Ok(beta), Ok(theta)) => Ok(Self { alpha, beta, theta }),
            (Err(error), _, _) | (_, Err(error), _) | (_, _, Err(error)) => Err(error),
        }
    }
}

/// Field rate of transfer over the standard rate; negative above saturation.
pub fn otr_over_sotr(
    c: &Correction,
    t: Celsius,
    s: Salinity,
    p: Hectopascal,
    oxygen: DissolvedOxygen,
) -> f64 {
    let saturation = oxygen::saturation_mg_l(t, s, p);
    c.alpha * (c.beta * saturation - oxygen.get()) / STANDARD_SATURATION_MG_L * pow(c.theta, t.get() - 20.0)
}

/// Oxygen that a pond uses up, kg/h, from its respiration in mg/L/h and its volume in m³.
pub fn demand_kg_h(respiration_mg_l_h: f64, volume_m3: f64) -> f64 {
    respiration_mg_l_h * volume_m3 / 1000.0
}

/// Aerator power, kW, that supplies a demand at a field efficiency in kg/kWh. `None` where aerators
/// add nothing (at or above saturation), since no power would hold the pond there.
pub fn power_to_hold_kw(demand_kg_h: f64, field_ae_kg_kwh: f64) -> Option<f64> {
    if field_ae_kg_kwh > 0.0 { Some(demand_kg_h / field_ae_kg_kwh) } else { None }
}

/// Power, kW, that lifts the oxygen of a volume by an amount over some hours, on top of holding it.
pub fn power_to_lift_kw(rise_mg_l: f64, volume_m3: f64, hours: f64, field_ae_kg_kwh: f64) -> Option<f64> {
    if hours > 0.0 {
        power_to_hold_kw(demand_kg_h(rise_mg_l / hours, volume_m3), field_ae_kg_kwh)
    } else {
        None
    }
}
