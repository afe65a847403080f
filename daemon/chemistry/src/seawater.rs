//! What the salt in the water is made of, and how heavy the water is.
//!
//! Pond water is taken as sea water diluted to its salinity. Inland ponds filled from wells have
//! other ions; expect a few hundredths of pH from that, and give magnesium where it was measured.

use crate::masses::{CHLORIDE, MAGNESIUM};
use crate::units::{Celsius, Salinity};
use libm::sqrt;

/// Density of water at the surface, kg/m³.
///
/// Source: EOS-80, UNESCO Technical Papers in Marine Science 44 (1983).
/// Range: 0 to 40 °C, 0 to 42 PSU as published. Within 0.02 kg/m³ of TEOS-10 to 42 PSU, 0.05 to 45.
pub fn density_kg_m3(t: Celsius, s: Salinity) -> f64 {
    let (t, s) = (t.get(), s.get());
    let pure = 999.842_594
        + t * (6.793_952e-2
            + t * (-9.095_290e-3 + t * (1.001_685e-4 + t * (-1.120_083e-6 + t * 6.536_332e-9))));
    let linear = 0.824_493 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)));
    let half = -5.724_66e-3 + t * (1.0227e-4 - t * 1.6546e-6);
    pure + s * (linear + half * sqrt(s) + 4.8314e-4 * s)
}

/// Formal ionic strength of diluted sea water, mol/kg of water: `19.9273 S / (1000 - 1.005109 S)`.
pub fn ionic_strength(s: Salinity) -> f64 {
    19.9273 * s.get() / (1000.0 - 1.005_109 * s.get())
}

/// Chlorinity, g/kg: `S / 1.80655`, the definition of salinity before 1978.
pub fn chlorinity_g_kg(s: Salinity) -> f64 {
    s.get() / 1.806_55
}

/// Chloride, mg/L, of sea water diluted to a salinity (0.54586 mol/kg at 35 PSU, Millero et al. 2008).
pub fn chloride_mg_l(t: Celsius, s: Salinity) -> f64 {
    0.545_86 * s.get() / 35.0 * CHLORIDE * density_kg_m3(t, s)
}

/// Magnesium, mg/L, of sea water diluted to a salinity (0.05282 mol/kg at 35 PSU, Millero et al.
/// 2008): the value to use where magnesium was not measured.
pub fn magnesium_mg_l(t: Celsius, s: Salinity) -> f64 {
    0.052_82 * s.get() / 35.0 * MAGNESIUM * density_kg_m3(t, s)
}

/// Total sulfate, mol/kg of sea water: `0.14/96.062 Cl` (Morris & Riley 1966).
pub(crate) fn sulfate_mol_kg(s: Salinity) -> f64 {
    0.14 / 96.062 * chlorinity_g_kg(s)
}

/// Total fluoride, mol/kg of sea water: `6.7e-5/18.998 Cl` (Riley 1965).
pub(crate) fn fluoride_mol_kg(s: Salinity) -> f64 {
    0.000_067 / 18.998 * chlorinity_g_kg(s)
}

/// Total borate, mol/kg of sea water: `2.32e-4/10.811 Cl` (Uppström 1974).
pub(crate) fn borate_mol_kg(s: Salinity) -> f64 {
    0.000_232 / 10.811 * chlorinity_g_kg(s)
}
