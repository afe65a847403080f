//! Un-ionised ammonia on screens and in plain lines: two digits and how far off they may be.

use pondreeve_core::ammonia_band::{half_band_mg_l, told};

use crate::local::protocol::{PondStatus, ReadingStatus};

/// Id of the quantity.
pub(crate) const NH3_N: &str = "nh3_n_mg_l";

/// The value's digits and its band's, `0.17` and `0.04`; `None` for any other quantity, or without a value.
pub(crate) fn with_band(pond: &PondStatus, reading: &ReadingStatus) -> Option<(String, String)> {
    let value = reading.value.filter(|_| reading.quantity == NH3_N)?;
    let of = |id: &str| pond.readings.iter().find(|own| own.quantity == id).and_then(|own| own.value);
    let salinity_psu = of("salinity_psu").unwrap_or(0.0);
    Some(told(value, half_band_mg_l(value, of("ph"), of("temperature_c"), salinity_psu)))
}

/// A value and its band as one text: `0.17 ±0.04`.
pub(crate) fn value_and_band(value_mg_l: f64, half: f64) -> String {
    let (value, half) = told(value_mg_l, half);
    format!("{value} ±{half}")
}
