//! pH scales: which one a number is on, and how to get to another.
//!
//! The same water has a free pH and a total pH; total counts the hydrogen bound to sulfate and is
//! lower, by nothing in fresh water and 0.11 at 35 PSU and 25 °C. A pond meter calibrated in NBS buffers
//! reads 0.02 to 0.07 above free pH in salt water, an offset that depends on the electrode, so it
//! cannot be computed away. Here a buffer reading is taken as free pH throughout. The printed
//! conversion of NBS readings used by CO2 programs is fitted to sea water only and wrong in
//! brackish and fresh water, so it is not used at all.

use crate::seawater::{fluoride_mol_kg, sulfate_mol_kg};
use crate::units::{Celsius, Ph, Salinity};
use libm::{exp, log, log10, sqrt};

/// The scale a pH is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum PhScale {
    /// Read by a meter calibrated in NBS (NIST) buffers; taken as the free scale.
    #[default]
    Nbs,
    /// The total scale of sea-water CO2 work.
    Total,
}

impl PhScale {
    /// The name used in files and commands.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Nbs => "nbs",
            Self::Total => "total",
        }
    }

    /// The scale of a name.
    pub fn from_name(name: &str) -> Option<Self> {
        match name {
            "nbs" => Some(Self::Nbs),
            "total" => Some(Self::Total),
            _ => None,
        }
    }

    /// A pH read on this scale, on the total scale.
    pub fn to_total(self, ph: Ph, t: Celsius, s: Salinity) -> f64 {
        match self {
            Self::Nbs => ph.get() - free_minus_total(t, s),
            Self::Total => ph.get(),
        }
    }

    /// A pH read on this scale, on the free scale.
    pub fn to_free(self, ph: Ph, t: Celsius, s: Salinity) -> f64 {
        match self {
            Self::Nbs => ph.get(),
            Self::Total => ph.get() + free_minus_total(t, s),
        }
    }

    /// A pH on the total scale, on this scale.
    pub fn from_total(self, ph_total: f64, t: Celsius, s: Salinity) -> f64 {
        match self {
            Self::Nbs => ph_total + free_minus_total(t, s),
            Self::Total => ph_total,
        }
    }
}

/// Free pH minus total pH: `log10(1 + ST/KS)`.
///
/// Source: KS of Dickson 1990, total sulfate of Morris & Riley 1966. 0 in fresh water.
pub fn free_minus_total(t: Celsius, s: Salinity) -> f64 {
    log10(Bound::at(t, s).free_to_total)
}

/// The acids of sea water that hold hydrogen beside the free ion.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bound {
    /// Total sulfate, mol/kg.
    pub(crate) sulfate: f64,
    /// Total fluoride, mol/kg.
    pub(crate) fluoride: f64,
    /// Dissociation of HSO4-, mol/kg, free scale.
    pub(crate) k_sulfate: f64,
    /// Dissociation of HF, mol/kg, free scale.
    pub(crate) k_fluoride: f64,
    /// Hydrogen on the total scale over free hydrogen.
    pub(crate) free_to_total: f64,
    /// A constant on the sea-water scale times this is on the total scale.
    pub(crate) sea_water_to_total: f64,
}

impl Bound {
    /// Dickson 1990 for sulfate, Dickson & Riley 1979 for fluoride.
    pub(crate) fn at(t: Celsius, s: Salinity) -> Self {
        let kelvin = t.get() + 273.15;
        let (ln_t, salt) = (log(kelvin), s.get());
        let ionic = 19.924 * salt / (1000.0 - 1.005 * salt);
        let root = sqrt(ionic);
        let per_kg = 1.0 - 0.001_005 * salt;
        let ln_ks = -4276.1 / kelvin + 141.328 - 23.093 * ln_t
            + (-13_856.0 / kelvin + 324.57 - 47.986 * ln_t) * root
            + (35_474.0 / kelvin - 771.54 + 114.723 * ln_t) * ionic
            - 2698.0 / kelvin * ionic * root
            + 1776.0 / kelvin * ionic * ionic;
        let ln_kf = 1590.2 / kelvin - 12.641 + 1.525 * root;
        let (k_sulfate, k_fluoride) = (exp(ln_ks) * per_kg, exp(ln_kf) * per_kg);
        let (sulfate, fluoride) = (sulfate_mol_kg(s), fluoride_mol_kg(s));
        let free_to_total = 1.0 + sulfate / k_sulfate;
        let sea_water_to_total = free_to_total / (free_to_total + fluoride / k_fluoride);
        Self { sulfate, fluoride, k_sulfate, k_fluoride, free_to_total, sea_water_to_total }
    }
}
