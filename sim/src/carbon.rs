//! Inorganic carbon and pH, simply: carbonate, borate and water at fixed constants for brackish
//! water of about 18 PSU and 29 °C. Good enough to move pH as a pond moves it; the gateway's own
//! chemistry is not used here, so that the two cannot agree by sharing a fault.

/// First and second dissociation of carbonic acid near 18 PSU, 29 °C (rounded, from memory).
const PK1: f64 = 5.95;
const PK2: f64 = 9.15;
/// Boric acid, and boron at 18 PSU, mmol/L.
const PKB: f64 = 8.65;
const BORON_MMOL_L: f64 = 0.21;
/// Water, near 18 PSU, 29 °C.
const PKW: f64 = 13.2;
/// A meter calibrated in low-salt buffers reads this much more than the total scale in sea water.
const METER_ABOVE_TOTAL: f64 = 0.12;
/// CO2 in water in balance with air, mmol/L: 420 µatm × 27 mmol/L/atm.
pub const CO2_IN_AIR_MMOL_L: f64 = 0.011;

fn hydrogen(ph_total: f64) -> f64 {
    10_f64.powf(-ph_total)
}

/// Alkalinity, meq/L, of a carbon content at a pH.
fn alkalinity_meq_l(dic_mmol_l: f64, ph_total: f64) -> f64 {
    let h = hydrogen(ph_total);
    let (k1, k2) = (hydrogen(PK1), hydrogen(PK2));
    let denominator = h * h + k1 * h + k1 * k2;
    let carbonate = dic_mmol_l * (k1 * h + 2.0 * k1 * k2) / denominator;
    let borate = BORON_MMOL_L * hydrogen(PKB) / (hydrogen(PKB) + h);
    carbonate + borate + (hydrogen(PKW) / h - h) * 1_000.0
}

fn ph_total(alkalinity_mg_l: f64, dic_mmol_l: f64) -> f64 {
    let wanted = alkalinity_mg_l / 50.04;
    let (mut low, mut high) = (4.0, 11.0);
    // Alkalinity at given carbon rises with pH, so halving finds the one pH; 40 halvings leave 1e-11.
    for _ in 0..40 {
        let middle = f64::midpoint(low, high);
        if alkalinity_meq_l(dic_mmol_l, middle) < wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// pH as a pond meter reads it, from alkalinity (mg/L as CaCO3) and inorganic carbon (mmol/L).
pub fn ph(alkalinity_mg_l: f64, dic_mmol_l: f64) -> f64 {
    ph_total(alkalinity_mg_l, dic_mmol_l) + METER_ABOVE_TOTAL
}

/// Free carbon dioxide, mmol/L.
pub fn co2_mmol_l(alkalinity_mg_l: f64, dic_mmol_l: f64) -> f64 {
    let h = hydrogen(ph_total(alkalinity_mg_l, dic_mmol_l));
    let (k1, k2) = (hydrogen(PK1), hydrogen(PK2));
    dic_mmol_l * h * h / (h * h + k1 * h + k1 * k2)
}
