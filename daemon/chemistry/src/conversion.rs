//! The same amount on another basis: test kits differ in what they count.
//!
//! A kit that reads "0.66 mg/L nitrite" may mean NO2 or the nitrogen in it, which is 3.28 times less.
//! Conversions run through moles of the one element they share, so bases of different elements refuse.

use crate::masses::{CALCIUM_CARBONATE_PER_EQUIVALENT, HYDROGEN, NITROGEN, OXYGEN_GAS, PHOSPHORUS, SULFUR};
use core::fmt;

const OXYGEN: f64 = OXYGEN_GAS / 2.0;

/// What a concentration in mg/L is counted as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// Nitrogen, N.
    N,
    /// Ammonia, NH3.
    Nh3,
    /// Ammonium, NH4.
    Nh4,
    /// Nitrite, NO2.
    No2,
    /// Nitrate, NO3.
    No3,
    /// Phosphorus, P.
    P,
    /// Phosphate, PO4.
    Po4,
    /// Phosphorus pentoxide, P2O5.
    P2o5,
    /// Sulfur, S.
    S,
    /// Hydrogen sulfide, H2S.
    H2s,
    /// Sulfate, SO4.
    So4,
}

/// The element that two bases must share.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Element {
    Nitrogen,
    Phosphorus,
    Sulfur,
}

impl Basis {
    /// Every basis.
    pub const ALL: [Self; 11] = [
        Self::N,
        Self::Nh3,
        Self::Nh4,
        Self::No2,
        Self::No3,
        Self::P,
        Self::Po4,
        Self::P2o5,
        Self::S,
        Self::H2s,
        Self::So4,
    ];

    /// The name used in files and commands: the chemical formula.
    pub const fn name(self) -> &'static str {
        match self {
            Self::N => "N",
            Self::Nh3 => "NH3",
            Self::Nh4 => "NH4",
            Self::No2 => "NO2",
            Self::No3 => "NO3",
            Self::P => "P",
            Self::Po4 => "PO4",
            Self::P2o5 => "P2O5",
            Self::S => "S",
            Self::H2s => "H2S",
            Self::So4 => "SO4",
        }
    }

    /// The basis of a name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|basis| basis.name() == name)
    }

    /// Grams for one mole of the element in it.
    const fn grams_per_mole(self) -> f64 {
        match self {
            Self::N => NITROGEN,
            Self::Nh3 => NITROGEN + 3.0 * HYDROGEN,
            Self::Nh4 => NITROGEN + 4.0 * HYDROGEN,
            Self::No2 => NITROGEN + 2.0 * OXYGEN,
            Self::No3 => NITROGEN + 3.0 * OXYGEN,
            Self::P => PHOSPHORUS,
            Self::Po4 => PHOSPHORUS + 4.0 * OXYGEN,
            Self::P2o5 => PHOSPHORUS + 2.5 * OXYGEN,
            Self::S => SULFUR,
            Self::H2s => SULFUR + 2.0 * HYDROGEN,
            Self::So4 => SULFUR + 4.0 * OXYGEN,
        }
    }

    const fn element(self) -> Element {
        match self {
            Self::N | Self::Nh3 | Self::Nh4 | Self::No2 | Self::No3 => Element::Nitrogen,
            Self::P | Self::Po4 | Self::P2o5 => Element::Phosphorus,
            Self::S | Self::H2s | Self::So4 => Element::Sulfur,
        }
    }
}

/// Two bases that share no element.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DifferentElements {
    /// What the value was on.
    pub from: Basis,
    /// What was asked for.
    pub to: Basis,
}

impl fmt::Display for DifferentElements {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "cannot turn {} into {}: accepted are two of N, NH3, NH4, NO2, NO3, or of P, PO4, P2O5, or of S, H2S, SO4",
            self.from.name(),
            self.to.name()
        )
    }
}

impl core::error::Error for DifferentElements {}

/// A concentration in mg/L on another basis: the same moles of the element.
pub fn convert(mg_l: f64, from: Basis, to: Basis) -> Result<f64, DifferentElements> {
    if from.element() == to.element() {
        Ok(mg_l * (to.grams_per_mole() / from.grams_per_mole()))
    } else {
        Err(DifferentElements { from, to })
    }
}

/// Alkalinity or hardness in milliequivalents per litre as mg/L of CaCO3.
pub fn meq_l_to_mg_l_caco3(meq_l: f64) -> f64 {
    meq_l * CALCIUM_CARBONATE_PER_EQUIVALENT
}

/// Alkalinity or hardness in mg/L of CaCO3 as milliequivalents per litre.
pub fn mg_l_caco3_to_meq_l(mg_l: f64) -> f64 {
    mg_l / CALCIUM_CARBONATE_PER_EQUIVALENT
}

/// Alkalinity or hardness in German degrees (10 mg/L of CaO) as mg/L of CaCO3.
pub fn german_degrees_to_mg_l_caco3(degrees: f64) -> f64 {
    // CaO 56.0774 g/mol.
    degrees * 10.0 * 2.0 * CALCIUM_CARBONATE_PER_EQUIVALENT / 56.0774
}
