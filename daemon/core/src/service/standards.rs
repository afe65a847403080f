//! What standards are worth at a temperature.

use pondreeve_chemistry::oxygen::saturation_mg_l;
use pondreeve_chemistry::units::{Celsius, Hectopascal, Salinity};

/// Technical pH buffers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Buffer {
    /// pH 4 at 20 to 25 C.
    Four,
    /// pH 7 at 25 C.
    Seven,
    /// pH 10 at 25 C.
    Ten,
}

impl Buffer {
    /// By the number people call it.
    pub fn named(name: &str) -> Option<Self> {
        match name {
            "4" | "buffer4" => Some(Self::Four),
            "7" | "buffer7" => Some(Self::Seven),
            "10" | "buffer10" => Some(Self::Ten),
            _ => None,
        }
    }
}

/// Temperatures of the tables, C.
const AT_C: [f64; 9] = [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0];

/// pH of technical buffers as bottles commonly print them. (From memory; the bottle at hand counts.)
const PRINTED: [(Buffer, [f64; 9]); 3] = [
    (Buffer::Four, [4.01, 4.00, 4.00, 4.00, 4.00, 4.01, 4.01, 4.02, 4.03]),
    (Buffer::Seven, [7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.98, 6.97]),
    (Buffer::Ten, [10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89]),
];

/// pH of a technical buffer at a temperature of 0 to 40 C, between the printed ones linearly.
pub fn buffer_ph(buffer: Buffer, temperature_c: f64) -> Option<f64> {
    let (_, table) = PRINTED.iter().find(|(known, _)| *known == buffer)?;
    if !(0.0..=40.0).contains(&temperature_c) {
        return None;
    }
    let place = (temperature_c / 5.0) as usize;
    let (low, high) = (table.get(place)?, table.get(place.saturating_add(1)).or(table.get(place))?);
    let share = (temperature_c - AT_C.get(place)?) / 5.0;
    Some(low + (high - low) * share)
}

/// What oxygen a probe must read in air saturated with water, or in water saturated with air, mg/L.
/// `None` beyond 0 to 40 C, 0 to 45 PSU, 850 to 1050 hPa.
pub fn air_saturated_mg_l(temperature_c: f64, salinity_psu: f64, pressure_hpa: f64) -> Option<f64> {
    let value = saturation_mg_l(
        Celsius::new(temperature_c).ok()?,
        Salinity::new(salinity_psu).ok()?,
        Hectopascal::new(pressure_hpa).ok()?,
    );
    value.is_finite().then_some(value)
}
