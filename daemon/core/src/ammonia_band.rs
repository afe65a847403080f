//! Un-ionised ammonia as a person should read it: with two digits at most, and how far off it may be.
//!
//! An error of 0.1 in pH moves it by about a fifth, so that a third digit would only look exact.

use alloc::format;
use alloc::string::String;

use pondreeve_chemistry::ammonia::band;
use pondreeve_chemistry::scale::PhScale;
use pondreeve_chemistry::units::{Celsius, Ph, Salinity};

/// How far off a pond's pH reading in good care may be. (Common practice, no source.)
pub const PH_ERROR: f64 = 0.1;

/// The same of temperature, °C. (Common practice, no source.)
pub const TEMPERATURE_ERROR_C: f64 = 0.3;

/// By how much a value may be off, mg/L: half the width of its band at pH, temperature (°C) and salinity (PSU); the
/// widest there is where they are not known. The error of the kit's TAN is not in it.
pub fn half_band_mg_l(
    value_mg_l: f64,
    ph: Option<f64>,
    temperature_c: Option<f64>,
    salinity_psu: f64,
) -> f64 {
    let known = || {
        let (t, ph) = (Celsius::new(temperature_c?).ok()?, Ph::new(ph?).ok()?);
        let s = Salinity::new(salinity_psu).ok()?;
        let band = band(t, ph, s, PhScale::Nbs, PH_ERROR, TEMPERATURE_ERROR_C).ok()?;
        Some((band.high - band.low) / 2.0 / band.value)
    };
    // Where next to nothing is un-ionised the share is proportional to 10^pH.
    let widest = (libm::exp10(PH_ERROR) - libm::exp10(-PH_ERROR)) / 2.0;
    value_mg_l * known().unwrap_or(widest)
}

/// Decimals that give a value two digits, three decimals at most.
pub fn decimals(value_mg_l: f64) -> usize {
    // As it is written: rounding may add a digit in front.
    let written = format!("{value_mg_l:.1e}");
    let power = written.split_once('e').and_then(|(_, power)| power.parse::<i32>().ok()).unwrap_or(0);
    if value_mg_l == 0.0 { 2 } else { usize::try_from(1 - power).unwrap_or(0).min(3) }
}

/// A value with two digits, and how far off it may be in the same places: `0.17` and `0.04`.
pub fn told(value_mg_l: f64, half_band_mg_l: f64) -> (String, String) {
    let places = decimals(value_mg_l);
    let least = libm::exp10(-(places as f64));
    (format!("{value_mg_l:.places$}"), format!("{:.places$}", half_band_mg_l.max(least)))
}

/// The same as one text of plain letters, as all that the core says: `0.17 +/-0.04`.
pub fn told_together(value_mg_l: f64, half_band_mg_l: f64) -> String {
    let (value, half) = told(value_mg_l, half_band_mg_l);
    format!("{value} +/-{half}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_digits_and_no_more() {
        for (value, text) in [
            (0.171, "0.17"),
            (0.0342, "0.034"),
            (0.0996, "0.10"),
            (0.996, "1.0"),
            (1.71, "1.7"),
            (17.4, "17"),
            (0.0042, "0.004"),
            (0.0, "0.00"),
        ] {
            assert_eq!(told(value, 0.2 * value).0, text);
        }
        assert_eq!(told_together(0.171, 0.0394), "0.17 +/-0.04");
        assert_eq!(told_together(0.0042, 0.0), "0.004 +/-0.001");
    }

    /// By hand for 30 °C in fresh water: pKa 0.09018 + 2729.92/303.15 = 9.0953. Doubt in pH 0.1, from temperature
    /// 2729.92/303.15² x 0.3 = 0.00891, of the formula 0.005: together 0.10052. At pH 8.0 the share is
    /// 1/(1 + 10^1.0953) = 0.07435; 0.10052 less 0.05992, more 0.09192.
    #[test]
    fn the_band_is_that_of_the_probes_errors() {
        let half = half_band_mg_l(0.07435, Some(8.0), Some(30.0), 0.0);
        assert!((half - 0.016).abs() < 5e-5, "{half}");
        // Nothing known: 10^0.1 - 10^-0.1 over two.
        assert!((half_band_mg_l(1.0, None, Some(30.0), 0.0) - 0.232_3).abs() < 1e-4);
        assert!(half_band_mg_l(1.0, Some(99.0), Some(30.0), 0.0) > 0.2);
    }
}
