//! The nitrite that shrimp bear, which chloride decides: it competes with nitrite at the gill.
//!
//! "Safe" values of white shrimp juveniles (5 to 10 % of a 96-h LC50), mg/L as N: 0.28 at 0.6 PSU and
//! 0.35 at 1.0 (low-salinity nitrite study, Aquaculture Research 2016), 0.5 at 2 (between 0.62 there
//! and 0.45 in Gross et al. 2004), 6.1, 15.2 and 25.7 at 15, 25 and 35 PSU (Lin & Chen 2003). A safe value
//! is no growth study: on another penaeid a month at a quarter of it was the usable limit. Between the
//! measured points the line is straight on logarithmic axes; the gap from 2 to 15 PSU is wide.

use crate::seawater::chloride_mg_l;
use crate::units::{Celsius, Salinity};
use libm::{exp, log};

/// Salinity, PSU, and safe nitrite, mg/L as N, where it was measured.
pub const MEASURED: [(f64, f64); 6] =
    [(0.6, 0.28), (1.0, 0.35), (2.0, 0.5), (15.0, 6.1), (25.0, 15.2), (35.0, 25.7)];

/// How well a limit is founded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Support {
    /// At a measured salinity, or between two that are close.
    Measured,
    /// In the wide gap between 2 and 15 PSU: an estimate.
    Estimated,
    /// Beyond the measured salinities: the nearest measured value is held. Below 0.6 PSU the true limit
    /// is lower still.
    Held,
}

/// A nitrite limit and how well it is founded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NitriteLimit {
    /// The "safe" value, mg/L as N.
    pub safe_mg_l: f64,
    /// Where to warn, mg/L as N: half the safe value, and never above 2 (common practice, no source).
    pub warn_mg_l: f64,
    /// Where it is critical, mg/L as N: the safe value, and never above 5 (common practice, no source).
    pub critical_mg_l: f64,
    /// How well the safe value is founded.
    pub support: Support,
}

/// Nitrite limits at a salinity.
pub fn limit(s: Salinity) -> NitriteLimit {
    let (safe_mg_l, support) = safe_mg_l(s.get());
    NitriteLimit {
        safe_mg_l,
        warn_mg_l: f64::min(2.0, safe_mg_l / 2.0),
        critical_mg_l: f64::min(5.0, safe_mg_l),
        support,
    }
}

/// Nitrite limits by measured chloride, mg/L, for water whose salt is not sea salt: those of the
/// sea-water salinity with the same chloride at 25 °C, up to 45 PSU.
pub fn limit_by_chloride(chloride: f64) -> NitriteLimit {
    // Chloride is nearly proportional to salinity; the density in it is put right by repeating.
    const REFERENCE: (Result<Celsius, crate::units::OutOfRange>, f64) = (Celsius::new(25.0), 45.0);
    let mut salinity = (chloride / 19_350.0 * 35.0).clamp(0.0, REFERENCE.1);
    if let Ok(t) = REFERENCE.0 {
        for _ in 0..4 {
            let Ok(s) = Salinity::new(salinity) else { break };
            let there = chloride_mg_l(t, s);
            if there > 0.0 {
                salinity = (salinity * chloride / there).clamp(0.0, REFERENCE.1);
            }
        }
    }
    match Salinity::new(salinity) {
        Ok(s) => limit(s),
        // A chloride that is no number: the strictest limit known.
        Err(_) => {
            NitriteLimit { safe_mg_l: 0.28, warn_mg_l: 0.14, critical_mg_l: 0.28, support: Support::Held }
        }
    }
}

fn safe_mg_l(salinity: f64) -> (f64, Support) {
    let (mut below, last) = (MEASURED[0], MEASURED[MEASURED.len() - 1]);
    if salinity < below.0 {
        return (below.1, Support::Held);
    }
    if salinity > last.0 {
        return (last.1, Support::Held);
    }
    for above in MEASURED {
        if salinity == above.0 {
            return (above.1, Support::Measured);
        }
        if salinity < above.0 {
            let way = log(salinity / below.0) / log(above.0 / below.0);
            let support =
                if below.0 < 15.0 && above.0 == 15.0 { Support::Estimated } else { Support::Measured };
            return (below.1 * exp(way * log(above.1 / below.1)), support);
        }
        below = above;
    }
    (last.1, Support::Measured)
}
