//! Molar masses, g/mol (IUPAC standard atomic weights, abridged).

/// Hydrogen.
pub const HYDROGEN: f64 = 1.008;
/// Nitrogen.
pub const NITROGEN: f64 = 14.0067;
/// Oxygen molecule, O2.
pub const OXYGEN_GAS: f64 = 31.9988;
/// Phosphorus.
pub const PHOSPHORUS: f64 = 30.973_762;
/// Sulfur.
pub const SULFUR: f64 = 32.06;
/// Carbon.
pub const CARBON: f64 = 12.011;
/// Magnesium.
pub const MAGNESIUM: f64 = 24.305;
/// Chloride.
pub const CHLORIDE: f64 = 35.453;
/// Carbon dioxide, CO2.
pub const CARBON_DIOXIDE: f64 = 44.0095;
/// Calcium carbonate, CaCO3.
pub const CALCIUM_CARBONATE: f64 = 100.0869;
/// Magnesium hydroxide, Mg(OH)2.
pub const MAGNESIUM_HYDROXIDE: f64 = 58.3197;
/// Struvite, MgNH4PO4·6H2O.
pub const STRUVITE: f64 = 245.406;
/// Grams of CaCO3 to one equivalent of alkalinity.
pub const CALCIUM_CARBONATE_PER_EQUIVALENT: f64 = CALCIUM_CARBONATE / 2.0;
