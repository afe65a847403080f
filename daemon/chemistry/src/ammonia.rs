//! Un-ionised ammonia: the share of total ammonia that passes a gill.
//!
//! `share = 1 / (1 + 10^(pKa - pH))`. Which pKa goes with which pH scale decides the answer more
//! than the choice of author: see [`nh3_fraction_nbs`] and the module's other functions.

use crate::units::{Celsius, Ph, Salinity};
use libm::exp10;

/// Share of total ammonia that is un-ionised, 0 to 1, for a pH read by a probe calibrated in NBS
/// buffers, taken as it is read.
///
/// Formula: `pKa = 0.09018 + 2729.92/T + (0.1552 - 0.0003142 t) I`, `I = 19.9273 S / (1000 -
/// 1.005109 S)`.
/// Source: Emerson et al. 1975 (fresh water) with the salt term of Khoo et al. 1977.
/// Range: 0 to 40 °C, 0 to 45 PSU (published to an ionic strength of 0.72, 35 PSU).
/// Accuracy: the constant is on the free scale and within 1 % of Clegg & Whitfield 1995 there to
/// 40 PSU, 3.7 % to 45 PSU. A buffer reading in salt water lies 0.02 to 0.07 above free pH, so the
/// result is 4 to 19 % high there: the safe side, and the convention of the toxicity literature.
pub fn nh3_fraction_nbs(t: Celsius, ph: Ph, s: Salinity) -> f64 {
    fraction(pka_compact_free(t, s), ph.get())
}

/// pKa of ammonium on the free scale: Emerson et al. 1975 plus Khoo et al. 1977.
pub fn pka_compact_free(t: Celsius, s: Salinity) -> f64 {
    pka_emerson_fresh(t) + (0.1552 - 0.000_314_2 * t.get()) * ionic_strength(s)
}

/// pKa of ammonium in fresh water, Emerson et al. 1975, 0 to 50 °C.
pub fn pka_emerson_fresh(t: Celsius) -> f64 {
    0.090_18 + 2729.92 / (t.get() + 273.15)
}

/// Formal ionic strength of sea water diluted to a salinity, mol/kg of water.
pub fn ionic_strength(s: Salinity) -> f64 {
    19.9273 * s.get() / (1000.0 - 1.005_109 * s.get())
}

/// Share of a weak acid's pair that is the base, 0 to 1.
pub(crate) fn fraction(pka: f64, ph: f64) -> f64 {
    1.0 / (1.0 + exp10(pka - ph))
}
