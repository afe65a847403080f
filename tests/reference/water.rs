//! Typed water from a row's columns.

use crate::table::Row;
use pondreeve_chemistry::units::{
    Alkalinity, Celsius, DissolvedOxygen, Hectopascal, Magnesium, Ph, Phosphate, Salinity, TotalAmmonia,
};

macro_rules! columns {
    ($($(#[$doc:meta])* $name:ident: $column:literal => $type:ident,)*) => {
        $($(#[$doc])*
        pub(crate) fn $name(row: &Row) -> $type {
            $type::new(row.number($column)).unwrap_or_else(|error| panic!("{}: {error}", row.id()))
        })*
    };
}

columns! {
    temperature: "t_c" => Celsius,
    salinity: "sal_psu" => Salinity,
    ph: "ph" => Ph,
    pressure: "p_hpa" => Hectopascal,
    oxygen: "do_mgL" => DissolvedOxygen,
    magnesium: "mg_mgL" => Magnesium,
    tan: "tan_mgL_n" => TotalAmmonia,
    phosphate: "po4_mgL_p" => Phosphate,
    ph_total: "ph_total" => Ph,
    alkalinity: "alk_mgL_caco3" => Alkalinity,
    ph0_total: "ph0_total" => Ph,
    alkalinity0: "alk0_mgL_caco3" => Alkalinity,
}
