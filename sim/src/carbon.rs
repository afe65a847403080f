//! Inorganic carbon and pH, simply: carbonate, borate and water at fixed constants for brackish
//! water of about 18 PSU and 29 °C. Good enough to move pH as a pond moves it; the gateway's own
//! chemistry is not used here, so that the two cannot agree by sharing a fault.

/// First and second dissociation of carbonic acid near 18 PSU, 29 °C: pK 5.95 and 9.15 (rounded, from
/// memory).
const K1: f64 = 1.122e-6;
const K2: f64 = 7.08e-10;
/// Boric acid, pK 8.65, and boron at 18 PSU, mmol/L.
const KB: f64 = 2.24e-9;
const BORON_MMOL_L: f64 = 0.21;
/// Water, pK 13.2.
const KW: f64 = 6.3e-14;
/// A meter calibrated in low-salt buffers reads this much more than the total scale in sea water.
const METER_ABOVE_TOTAL: f64 = 0.12;
/// CO2 in water in balance with air, mmol/L: 420 µatm × 27 mmol/L/atm.
pub const CO2_IN_AIR_MMOL_L: f64 = 0.011;

/// Alkalinity, meq/L, of a carbon content at a hydrogen ion concentration.
fn alkalinity_meq_l(dic_mmol_l: f64, h: f64) -> f64 {
    let carbonate = dic_mmol_l * (K1 * h + 2.0 * K1 * K2) / (h * h + K1 * h + K1 * K2);
    let borate = BORON_MMOL_L * KB / (KB + h);
    carbonate + borate + (KW / h - h) * 1_000.0
}

/// Hydrogen ions, mol/L, at which carbon content and alkalinity agree.
fn hydrogen(alkalinity_mg_l: f64, dic_mmol_l: f64) -> f64 {
    let wanted = alkalinity_mg_l / 50.04;
    let (mut low, mut high) = (1e-11_f64, 1e-4_f64);
    // Alkalinity at given carbon falls as hydrogen rises, so halving the range of pH finds the one
    // place; 32 halvings of seven units leave 2e-9.
    for _ in 0..32 {
        let middle = (low * high).sqrt();
        if alkalinity_meq_l(dic_mmol_l, middle) < wanted {
            high = middle;
        } else {
            low = middle;
        }
    }
    (low * high).sqrt()
}

/// pH as a pond meter reads it, from alkalinity (mg/L as CaCO3) and inorganic carbon (mmol/L).
pub fn ph(alkalinity_mg_l: f64, dic_mmol_l: f64) -> f64 {
    METER_ABOVE_TOTAL - hydrogen(alkalinity_mg_l, dic_mmol_l).log10()
}

/// Free carbon dioxide, mmol/L.
pub fn co2_mmol_l(alkalinity_mg_l: f64, dic_mmol_l: f64) -> f64 {
    let h = hydrogen(alkalinity_mg_l, dic_mmol_l);
    dic_mmol_l * h * h / (h * h + K1 * h + K1 * K2)
}
