//! Quantities as codes on disk.

use std::sync::LazyLock;

use pondreeve_core::Quantity;

use super::codec::Malformed;

/// Quantity codes on disk: the position in this list. Only ever append.
pub(super) const QUANTITY_CODES: &[&str] = &[
    "do_mg_l",
    "temperature_c",
    "ph",
    "salinity_psu",
    "conductivity_ms_cm",
    "pressure_hpa",
    "depth_m",
    "turbidity_ntu",
    "orp_mv",
    "par_umol_m2_s",
    "sludge_ph",
    "sludge_orp_mv",
    "tan_mg_l",
    "nitrite_mg_l",
    "nitrate_mg_l",
    "phosphate_mg_l",
    "alkalinity_mg_l",
    "hardness_mg_l",
    "calcium_mg_l",
    "magnesium_mg_l",
    "iron_mg_l",
    "sulfide_mg_l",
    "secchi_cm",
    "aerator_on",
    "aerator_kw",
    "do_saturation_mg_l",
    "do_saturation_percent",
    "nh3_n_mg_l",
    "h2s_s_mg_l",
    "co2_mg_l",
    "ph_swing",
    "night_slope_mg_l_h",
    "dawn_do_mg_l",
];

/// The list from both sides: codes by quantity, quantities by code. Asked for with every value.
static CODES: LazyLock<(Vec<u64>, Vec<Option<Quantity>>)> = LazyLock::new(|| {
    let of_codes: Vec<Option<Quantity>> = QUANTITY_CODES.iter().map(|id| Quantity::from_id(id)).collect();
    let code_of = |quantity: &Quantity| of_codes.iter().position(|of| *of == Some(*quantity));
    let mut codes = vec![QUANTITY_CODES.len() as u64; Quantity::ALL.len()];
    for quantity in Quantity::ALL {
        if let (Some(own), Some(code)) = (codes.get_mut(*quantity as usize), code_of(quantity)) {
            *own = code as u64;
        }
    }
    (codes, of_codes)
});

pub(super) fn quantity_code(quantity: Quantity) -> u64 {
    // The list is complete (tested), so the length is never written.
    CODES.0.get(quantity as usize).copied().unwrap_or(QUANTITY_CODES.len() as u64)
}

pub(super) fn quantity_of_code(code: u64) -> Result<Quantity, Malformed> {
    let quantity = usize::try_from(code).ok().and_then(|code| CODES.1.get(code).copied().flatten());
    quantity.ok_or(Malformed::Unknown)
}
