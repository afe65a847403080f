//! Typed quantities that refuse NaN and the impossible.

/// A value that is no measurement of its quantity, with what would have been accepted.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{field} is {value}, accepted is {low} to {high} {unit}")]
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

macro_rules! unit_type {
    ($(#[$doc:meta])* $name:ident, $field:literal, $unit:literal, $low:literal, $high:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// Lowest accepted value.
            pub const LOWEST: f64 = $low;
            /// Highest accepted value.
            pub const HIGHEST: f64 = $high;

            /// Checks that the value is finite and within the accepted range, both ends included.
            pub fn new(value: f64) -> Result<Self, OutOfRange> {
                if value >= $low && value <= $high {
                    Ok(Self(value))
                } else {
                    Err(OutOfRange { field: $field, value, low: $low, high: $high, unit: $unit })
                }
            }

            /// The bare number.
            pub const fn get(self) -> f64 {
                self.0
            }
        }
    };
}

unit_type!(/** Water temperature, °C. */ Celsius, "temperature_c", "°C", 0.0, 40.0);
unit_type!(/** Practical salinity, PSU. */ Salinity, "salinity_psu", "PSU", 0.0, 45.0);
unit_type!(/** pH, on the scale the function says. */ Ph, "ph", "", 4.0, 11.0);
unit_type!(/** Air pressure at the water, hPa. */ Hectopascal, "pressure_hpa", "hPa", 850.0, 1050.0);
