//! Typed quantities that refuse NaN and the impossible.

use core::fmt;

/// A value that is no measurement of its quantity, with what would have been accepted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutOfRange {
    /// The quantity's id or the argument's name.
    pub field: &'static str,
    /// What was given.
    pub value: f64,
    /// Lowest accepted value.
    pub low: f64,
    /// Highest accepted value.
    pub high: f64,
    /// Unit of value and bounds.
    pub unit: &'static str,
}

impl fmt::Display for OutOfRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { field, value, low, high, unit } = self;
        write!(f, "{field} is {value}, accepted is {low} to {high}")?;
        if unit.is_empty() { Ok(()) } else { write!(f, " {unit}") }
    }
}

impl core::error::Error for OutOfRange {}

/// Refuses a value that is NaN or outside `low` to `high`, both included.
pub const fn checked(
    field: &'static str,
    unit: &'static str,
    low: f64,
    high: f64,
    value: f64,
) -> Result<f64, OutOfRange> {
    if value >= low && value <= high { Ok(value) } else { Err(OutOfRange { field, value, low, high, unit }) }
}

macro_rules! unit_type {
    ($(#[$doc:meta])* $name:ident, $field:literal, $unit:literal, $low:literal, $high:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// The quantity's id, as configuration, files and messages name it.
            pub const FIELD: &'static str = $field;
            /// Its unit, empty where it has none.
            pub const UNIT: &'static str = $unit;
            /// Lowest accepted value.
            pub const LOWEST: f64 = $low;
            /// Highest accepted value.
            pub const HIGHEST: f64 = $high;

            /// Checks that the value is finite and within the accepted range, both ends included.
            pub const fn new(value: f64) -> Result<Self, OutOfRange> {
                match checked($field, $unit, $low, $high, value) {
                    Ok(value) => Ok(Self(value)),
                    Err(error) => Err(error),
                }
            }

            /// The bare number.
            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl TryFrom<f64> for $name {
            type Error = OutOfRange;

            fn try_from(value: f64) -> Result<Self, OutOfRange> {
                Self::new(value)
            }
        }
    };
}

unit_type!(/** Water temperature, °C. */ Celsius, "temperature_c", "°C", 0.0, 40.0);
unit_type!(/** Practical salinity, PSU. */ Salinity, "salinity_psu", "PSU", 0.0, 45.0);
unit_type!(/** pH, on the scale the function says. */ Ph, "ph", "", 4.0, 11.0);
unit_type!(/** Air pressure at the water, hPa. */ Hectopascal, "pressure_hpa", "hPa", 850.0, 1050.0);
unit_type!(/** Dissolved oxygen, mg/L. */ DissolvedOxygen, "do_mg_l", "mg/L", 0.0, 60.0);
unit_type!(/** Total alkalinity, mg/L as CaCO3. */ Alkalinity, "alkalinity_mg_l", "mg/L as CaCO3", 0.0, 500.0);
unit_type!(/** Total ammonia, mg/L as N. */ TotalAmmonia, "tan_mg_l", "mg/L as N", 0.0, 10_000.0);
unit_type!(/** Orthophosphate, mg/L as P. */ Phosphate, "phosphate_mg_l", "mg/L as P", 0.0, 10_000.0);
unit_type!(/** Magnesium, mg/L. */ Magnesium, "magnesium_mg_l", "mg/L", 0.0, 10_000.0);
unit_type!(/** Total sulfide, mg/L as S. */ TotalSulfide, "sulfide_mg_l", "mg/L as S", 0.0, 10_000.0);
unit_type!(/** Geographic latitude, degrees, north positive. */ Latitude, "latitude", "degrees", -90.0, 90.0);
unit_type!(/** Geographic longitude, degrees, east positive. */ Longitude, "longitude", "degrees", -180.0, 180.0);

impl TotalAmmonia {
    /// No ammonia.
    pub const NONE: Self = Self(0.0);
}

impl Phosphate {
    /// No phosphate.
    pub const NONE: Self = Self(0.0);
}
