//! Un-ionised ammonia: the share of total ammonia that passes a gill.
//!
//! `share = 1 / (1 + 10^(pKa - pH))`. Which pKa goes with which pH scale matters more than whose pKa
//! it is:
//!
//! - a pH from a probe calibrated in NBS buffers goes with Emerson + Khoo as it is read
//!   ([`nh3_fraction_nbs`]), the convention of the toxicity literature;
//! - a pH on the total scale goes with Clegg & Whitfield ([`nh3_fraction_total`]).
//!
//! Crossing them reads up to 34 % low or 28 to 44 % high in sea water. An error of 0.1 in pH moves
//! the share by about 20 %, more than any choice of formula: show two digits and a band ([`band`]).

use crate::scale::PhScale;
use crate::seawater::ionic_strength;
use crate::units::{Celsius, OutOfRange, Ph, Salinity, checked};
use core::f64::consts::LN_10;
use libm::{exp10, log10, sqrt};

/// Share of total ammonia that is un-ionised, 0 to 1, for a pH read by a probe calibrated in NBS
/// buffers, taken as it is read.
///
/// Formula: `pKa = 0.09018 + 2729.92/T + (0.1552 - 0.0003142 t) I`, `I = 19.9273 S / (1000 -
/// 1.005109 S)`.
/// Source: Emerson et al. 1975 (fresh water) with the salt term of Khoo et al. 1977.
/// Range: 0 to 40 °C, 0 to 45 PSU (published to an ionic strength of 0.72, 35 PSU).
/// Accuracy: the constant is on the free scale and within 1 % of Clegg & Whitfield 1995 there to
/// 40 PSU, 3.7 % to 45 PSU. A buffer reading in salt water lies 0.02 to 0.07 above free pH, so the
/// result is 4 to 19 % high there, which is the safe side.
pub fn nh3_fraction_nbs(t: Celsius, ph: Ph, s: Salinity) -> f64 {
    fraction(pka_compact_free(t, s), ph.get())
}

/// Share of total ammonia that is un-ionised, 0 to 1, for a pH on the total scale.
///
/// Source: Clegg & Whitfield 1995, equation 18. Range: -2 to 40 °C, 0 to 40 PSU as published.
/// Accuracy: the authors claim 5 % on the constant.
pub fn nh3_fraction_total(t: Celsius, ph: Ph, s: Salinity) -> f64 {
    fraction(pka_clegg_whitfield_total(t, s), ph.get())
}

/// Share of total ammonia that is un-ionised, 0 to 1, by the formula that belongs to the scale.
pub fn nh3_fraction(t: Celsius, ph: Ph, s: Salinity, scale: PhScale) -> f64 {
    fraction(pka(t, s, scale), ph.get())
}

/// pKa of ammonium by the formula that belongs to the scale.
pub fn pka(t: Celsius, s: Salinity, scale: PhScale) -> f64 {
    match scale {
        PhScale::Nbs => pka_compact_free(t, s),
        PhScale::Total => pka_clegg_whitfield_total(t, s),
    }
}

/// pKa of ammonium on the free scale: Emerson et al. 1975 plus Khoo et al. 1977.
pub fn pka_compact_free(t: Celsius, s: Salinity) -> f64 {
    pka_emerson_fresh(t) + (0.1552 - 0.000_314_2 * t.get()) * ionic_strength(s)
}

/// pKa of ammonium in fresh water, Emerson et al. 1975, 0 to 50 °C.
pub fn pka_emerson_fresh(t: Celsius) -> f64 {
    0.090_18 + 2729.92 / (t.get() + 273.15)
}

/// pKa of ammonium on the total scale, mol/kg of sea water: Clegg & Whitfield 1995, equation 18.
pub fn pka_clegg_whitfield_total(t: Celsius, s: Salinity) -> f64 {
    let (kelvin, salt) = (t.get() + 273.15, s.get());
    let (root_t, root_s) = (sqrt(kelvin), sqrt(salt));
    let molal = 9.244_605 - 2729.33 * (1.0 / 298.15 - 1.0 / kelvin)
        + (0.042_033_62 - 11.247_42 / kelvin) * sqrt(root_s)
        + (-13.6416 + 1.176_949 * root_t - 0.028_607_85 * kelvin + 545.4834 / kelvin) * root_s
        + (-0.146_250_7 + 0.009_022_646_8 * root_t - 0.000_147_136_1 * kelvin + 10.5425 / kelvin)
            * salt
            * root_s
        + (0.004_669_309 - 0.000_169_174_2 * root_t - 0.567_793_4 / kelvin) * salt * salt
        + (-2.354_039e-5 + 0.009_698_623 / kelvin) * salt * salt * root_s;
    molal - log10(1.0 - 0.001_005 * salt)
}

/// Share of a weak acid's pair that is the base, 0 to 1.
pub(crate) fn fraction(pka: f64, ph: f64) -> f64 {
    1.0 / (1.0 + exp10(pka - ph))
}

/// A share with what it may be when the probes are off by their errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Lowest likely.
    pub low: f64,
    /// From the readings as they are.
    pub value: f64,
    /// Highest likely.
    pub high: f64,
}

/// The un-ionised share with a band for an error of ±`ph_error` in pH, ±`temperature_error_c` in
/// temperature and the formula's own doubt.
///
/// The three are independent, so they add as squares, in pKa - pH where the share is symmetric. The
/// slope of pKa with temperature is Emerson's `-2729.92/T²`; the formula's doubt is 0.005 in pKa to
/// 40 PSU and 0.016 beyond. Errors up to 2 in pH and 10 °C are accepted.
pub fn band(
    t: Celsius,
    ph: Ph,
    s: Salinity,
    scale: PhScale,
    ph_error: f64,
    temperature_error_c: f64,
) -> Result<Band, OutOfRange> {
    let ph_error = checked("ph_error", "", 0.0, 2.0, ph_error)?;
    let temperature_error = checked("temperature_error_c", "°C", 0.0, 10.0, temperature_error_c)?;
    let kelvin = t.get() + 273.15;
    let from_temperature = 2729.92 / (kelvin * kelvin) * temperature_error;
    let from_formula = if s.get() <= 40.0 { 0.005 } else { 0.016 };
    let doubt = sqrt(ph_error * ph_error + from_temperature * from_temperature + from_formula * from_formula);
    let pka = pka(t, s, scale);
    Ok(Band {
        low: fraction(pka, ph.get() - doubt),
        value: fraction(pka, ph.get()),
        high: fraction(pka, ph.get() + doubt),
    })
}

/// One moment of a day's curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayPoint {
    /// Hours since any fixed moment, rising from point to point.
    pub hour: f64,
    /// Water temperature then.
    pub temperature: Celsius,
    /// pH then.
    pub ph: Ph,
}

/// What a day did: the mean and the worst moment of the un-ionised share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayShare {
    /// Mean over the time covered.
    pub mean: f64,
    /// Highest.
    pub peak: f64,
    /// When it was highest, on the points' own clock.
    pub peak_hour: f64,
    /// Hours covered, first point to last.
    pub hours: f64,
}

/// A day's curve that cannot be averaged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoCurve {
    /// Fewer than two points.
    TooFewPoints,
    /// The point at this index is not later than the one before it, or its hour is no number.
    NotInOrder(usize),
}

impl core::fmt::Display for NoCurve {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TooFewPoints => f.write_str("a day's mean needs two points or more"),
            Self::NotInOrder(index) => write!(f, "point {index} is not later than the point before it"),
        }
    }
}

impl core::error::Error for NoCurve {}

/// Mean and peak of the un-ionised share over a day's pH and temperature curve.
///
/// Published limits come from constant exposure while a pond swings: one dawn pH hides the peak, one
/// afternoon pH alarms on every sunny day. pH and temperature are taken as straight between points;
/// the share, which is not, is integrated by Simpson's rule on eight steps a stretch. Gaps are
/// bridged: look at `hours` against what was meant to be covered.
pub fn day_share(points: &[DayPoint], s: Salinity, scale: PhScale) -> Result<DayShare, NoCurve> {
    const STEPS: usize = 8;
    let (Some(first), Some(last), true) = (points.first(), points.last(), points.len() > 1) else {
        return Err(NoCurve::TooFewPoints);
    };
    let share = |point: &DayPoint| nh3_fraction(point.temperature, point.ph, s, scale);
    let mut peak = (share(first), first.hour);
    let mut area = 0.0;
    for (index, pair) in points.windows(2).enumerate() {
        let [from, to] = pair else { continue };
        let length = to.hour - from.hour;
        if length.is_nan() || length <= 0.0 {
            return Err(NoCurve::NotInOrder(index + 1));
        }
        let mut sum = 0.0;
        for step in 0..=STEPS {
            let way = step as f64 / STEPS as f64;
            let here = fraction(
                between(pka(from.temperature, s, scale), pka(to.temperature, s, scale), way),
                between(from.ph.get(), to.ph.get(), way),
            );
            sum += here
                * if step == 0 || step == STEPS {
                    1.0
                } else if step % 2 == 1 {
                    4.0
                } else {
                    2.0
                };
            if here > peak.0 {
                peak = (here, from.hour + way * length);
            }
        }
        area += sum * length / (3 * STEPS) as f64;
    }
    let hours = last.hour - first.hour;
    Ok(DayShare { mean: area / hours, peak: peak.0, peak_hour: peak.1, hours })
}

fn between(from: f64, to: f64, way: f64) -> f64 {
    from + (to - from) * way
}

/// Slope of the share's logit against pH: a rise of 0.1 in pH multiplies share/(1 - share) by
/// `exp(0.1 * LOGIT_PER_PH)`, which is 1.26.
pub const LOGIT_PER_PH: f64 = LN_10;
