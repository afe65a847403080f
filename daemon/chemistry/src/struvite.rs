//! Struvite, MgNH4PO4·6H2O: how far the water is from forming it, and the most that could form.
//!
//! The activity model: extended Debye-Hückel coefficients (Truesdell & Jones form, `log γ = -A z² √I /
//! (1 + B a √I) + b I`) and the ion pairs of magnesium, calcium and sodium with phosphate and sulfate,
//! as PHREEQC's `phreeqc.dat` carries them, in diluted sea water with 2.4 mmol/L of inorganic carbon.
//! It stays within 0.05 of PHREEQC in saturation index from 0.3 to 40 PSU, 10 to 35 °C, pH 6.8 to 10.
//!
//! Solubility: pK 13.26 at 25 °C with 22.6 kJ/mol (Ronteltap et al. 2007). Zhang et al. 2016, in
//! brackish pond water, have 13.06 and an index 0.2 lower; Bhuiyan et al. 2007 a far steeper temperature
//! law. Take the index as good to ±0.6.
//!
//! What to expect: in pond water the index is -1.5 or lower, so none forms whatever magnesium is added;
//! at pH 8 it takes some 40 mg/L each of ammonia and phosphate. Sludge pore water can reach that.

use crate::masses::{CALCIUM_CARBONATE_PER_EQUIVALENT, MAGNESIUM, NITROGEN, PHOSPHORUS, STRUVITE};
use crate::root::crossing;
use crate::seawater::{density_kg_m3, ionic_strength};
use crate::units::{Celsius, Magnesium, Phosphate, Salinity, TotalAmmonia};
use core::f64::consts::LN_10;
use libm::{exp10, fabs, log10, sqrt};

/// Grams of struvite for each gram of nitrogen in it.
pub const PER_NITROGEN: f64 = STRUVITE / NITROGEN;
/// Grams of struvite for each gram of phosphorus in it.
pub const PER_PHOSPHORUS: f64 = STRUVITE / PHOSPHORUS;
/// Grams of struvite for each gram of magnesium in it.
pub const PER_MAGNESIUM: f64 = STRUVITE / MAGNESIUM;

/// Most rounds of substitution; the stiffest brine within the accepted ranges takes under a hundred.
const ROUNDS: usize = 400;
/// Gas constant, J/(mol K).
const GAS: f64 = 8.314_462_618;
/// Inorganic carbon of the background, mg/L as CaCO3 (2.4 mmol/L).
const BACKGROUND_CARBON_MG_L: f64 = 120.0;
/// Reference sea water at 35 PSU, mol/kg (Millero et al. 2008, rounded).
const SODIUM_35: f64 = 0.469_06;
const CALCIUM_35: f64 = 0.010_28;
const MAGNESIUM_35: f64 = 0.052_82;
const SULFATE_35: f64 = 0.028_24;

/// What is dissolved in the water, with the pH its ions feel (activity scale, nearest to a reading
/// in NBS buffers).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Solution {
    /// Temperature.
    pub temperature: Celsius,
    /// Salinity.
    pub salinity: Salinity,
    /// pH on the activity scale.
    pub ph: f64,
    /// Total magnesium.
    pub magnesium: Magnesium,
    /// Total ammonia.
    pub tan: TotalAmmonia,
    /// Orthophosphate.
    pub phosphate: Phosphate,
}

/// How the water stands with struvite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Saturation {
    /// log10 of ion activity product over solubility product; `None` where one ion is missing.
    pub index: Option<f64>,
    /// Struvite in mg/L that forms until the index is 0, at this pH (it falls as struvite forms, so
    /// this is the most). 0 where the index is not above 0.
    pub at_most_mg_l: f64,
    /// Struvite in mg/L if the scarcest of the three ions were used up, whatever the index says.
    pub if_all_reacted_mg_l: f64,
}

/// Saturation index of struvite and the most that could form.
pub fn saturation(solution: &Solution) -> Saturation {
    let ceiling = f64::min(
        solution.magnesium.get() * PER_MAGNESIUM,
        f64::min(solution.tan.get() * PER_NITROGEN, solution.phosphate.get() * PER_PHOSPHORUS),
    );
    if ceiling <= 0.0 {
        return Saturation { index: None, at_most_mg_l: 0.0, if_all_reacted_mg_l: 0.0 };
    }
    let totals = Totals::of(solution);
    let pairs = Pairs::at(solution.temperature);
    let solubility = log_solubility(solution.temperature);
    let index = |formed: f64| {
        Activities::of(&pairs, solution.ph, &totals.without(formed)).log_struvite_product() - solubility
    };
    let start = index(0.0);
    let mut at_most = 0.0;
    if start > 0.0 {
        // The cube root of the saturation ratio is nearly straight in what has formed, and falls to 0 as
        // the scarcest ion is used up.
        let most = ceiling / STRUVITE / 1000.0 / totals.water_kg_per_l;
        let excess = |formed: f64| exp10(index(formed) / 3.0) - 1.0;
        let formed = crossing(excess, (0.0, exp10(start / 3.0) - 1.0), (most, -1.0), 1e-10 * most);
        at_most = formed.clamp(0.0, most) * totals.water_kg_per_l * 1000.0 * STRUVITE;
    }
    Saturation { index: Some(start), at_most_mg_l: at_most, if_all_reacted_mg_l: ceiling }
}

/// log10 of the solubility product of struvite (Ronteltap et al. 2007).
fn log_solubility(t: Celsius) -> f64 {
    van_t_hoff(-13.26, 22.6, t)
}

/// log10 of a constant given at 25 °C, with its enthalpy in kJ/mol. Sign: a dissolution written as
/// taking up heat gains with temperature.
fn van_t_hoff(log_k_25: f64, enthalpy_kj: f64, t: Celsius) -> f64 {
    log_k_25 - enthalpy_kj * 1000.0 / (LN_10 * GAS) * (1.0 / (t.get() + 273.15) - 1.0 / 298.15)
}

/// log10 of the saturation of brucite, Mg(OH)2: above 0 the solid stops dissolving.
///
/// `Mg(OH)2 + 2 H+ = Mg2+ + 2 H2O`, log K 16.84 and -27.1 kcal/mol as in WATEQ4F.
pub fn brucite_index(solution: &Solution) -> f64 {
    let pairs = Pairs::at(solution.temperature);
    let activities = Activities::of(&pairs, solution.ph, &Totals::of(solution));
    activities.log_magnesium + 2.0 * solution.ph + 2.0 * activities.log_water
        - log_brucite(solution.temperature)
}

fn log_brucite(t: Celsius) -> f64 {
    van_t_hoff(16.84, -27.1 * 4.184, t)
}

/// A value that [`brucite_index`] does not pass, at next to no cost: all magnesium taken as free, with
/// an activity coefficient of 1 (it is 0.2 to 0.9), in water with 5 % of salt at most.
pub(crate) fn brucite_index_bound(t: Celsius, ph: f64, magnesium_mg_l: f64) -> f64 {
    let molal = magnesium_mg_l / MAGNESIUM / 1000.0 / 0.94;
    log10(molal) + 2.0 * ph - log_brucite(t)
}

/// Total concentrations, mol/kg of water.
#[derive(Debug, Clone, Copy)]
struct Totals {
    magnesium: f64,
    calcium: f64,
    sodium: f64,
    sulfate: f64,
    nitrogen: f64,
    phosphorus: f64,
    /// Formal ionic strength before pairing.
    ionic: f64,
    water_kg_per_l: f64,
}

impl Totals {
    fn of(solution: &Solution) -> Self {
        let (t, s) = (solution.temperature, solution.salinity);
        let absolute = 35.165_04 / 35.0 * s.get();
        let water_share = 1.0 - absolute / 1000.0;
        let water_kg_per_l = density_kg_m3(t, s) / 1000.0 * water_share;
        let sea = |at_35: f64| at_35 * s.get() / 35.0 / water_share;
        let molal = |mg_l: f64, mass: f64| mg_l / mass / 1000.0 / water_kg_per_l;
        let magnesium = molal(solution.magnesium.get(), MAGNESIUM);
        let nitrogen = molal(solution.tan.get(), NITROGEN);
        let phosphorus = molal(solution.phosphate.get(), PHOSPHORUS);
        let carbon = molal(BACKGROUND_CARBON_MG_L, CALCIUM_CARBONATE_PER_EQUIVALENT);
        let ionic = ionic_strength(s)
            + 3.0 * (magnesium - MAGNESIUM_35 * s.get() / 35.0)
            + nitrogen
            + 2.0 * phosphorus
            + carbon;
        Self {
            magnesium,
            calcium: sea(CALCIUM_35),
            sodium: sea(SODIUM_35),
            sulfate: sea(SULFATE_35),
            nitrogen,
            phosphorus,
            ionic: ionic.max(1e-4),
            water_kg_per_l,
        }
    }

    fn without(self, struvite: f64) -> Self {
        Self {
            magnesium: (self.magnesium - struvite).max(0.0),
            nitrogen: (self.nitrogen - struvite).max(0.0),
            phosphorus: (self.phosphorus - struvite).max(0.0),
            ionic: (self.ionic - 6.0 * struvite).max(1e-4),
            ..self
        }
    }
}

/// log10 of the activities that the two solids need.
#[derive(Debug, Clone, Copy)]
struct Activities {
    log_magnesium: f64,
    log_ammonium: f64,
    log_phosphate: f64,
    log_water: f64,
}

/// Pairing constants at the temperature, and Debye-Hückel's A and B.
struct Pairs {
    hpo4: f64,
    h2po4: f64,
    ca_po4: f64,
    ca_hpo4: f64,
    ca_h2po4: f64,
    mg_po4: f64,
    mg_hpo4: f64,
    mg_h2po4: f64,
    na_hpo4: f64,
    mg_so4: f64,
    ca_so4: f64,
    na_so4: f64,
    nh4_so4: f64,
    nh3: f64,
    a: f64,
    b: f64,
}

impl Pairs {
    fn at(t: Celsius) -> Self {
        let kcal = |log_k: f64, enthalpy: f64| exp10(van_t_hoff(log_k, enthalpy * 4.184, t));
        let (celsius, kelvin) = (t.get(), t.get() + 273.15);
        // Dielectric constant of water, Malmberg & Maryott 1956.
        let dielectric = 87.740 + celsius * (-0.400_08 + celsius * (9.398e-4 - celsius * 1.410e-6));
        let eps_t = dielectric * kelvin;
        Self {
            hpo4: kcal(12.346, -3.530),
            h2po4: kcal(19.553, -4.520),
            ca_po4: kcal(6.459, 3.10),
            ca_hpo4: kcal(2.739, 3.3),
            ca_h2po4: kcal(1.408, 3.4),
            mg_po4: kcal(6.589, 3.10),
            mg_hpo4: kcal(2.87, 3.3),
            mg_h2po4: kcal(1.513, 3.4),
            na_hpo4: kcal(0.29, 0.0),
            mg_so4: kcal(2.37, 4.550),
            ca_so4: kcal(2.25, 1.325),
            na_so4: kcal(0.7, 1.120),
            nh4_so4: kcal(1.11, 0.0),
            nh3: exp10(0.6322 - 0.001_225 * kelvin - 2835.76 / kelvin),
            a: 1.824_83e6 / (eps_t * sqrt(eps_t)),
            b: 50.2916 / sqrt(eps_t),
        }
    }
}

/// Activity coefficients at one ionic strength.
struct Coefficients {
    magnesium: f64,
    calcium: f64,
    sodium: f64,
    sulfate: f64,
    phosphate: f64,
    hpo4: f64,
    /// H2PO4 and every pair of charge one.
    single: f64,
    ammonium: f64,
    /// Uncharged species.
    neutral: f64,
}

impl Coefficients {
    fn at(ionic: f64, pairs: &Pairs) -> Self {
        let root = sqrt(ionic);
        let of = |charge_squared: f64, size: f64, b: f64| {
            exp10(-pairs.a * charge_squared * root / (1.0 + pairs.b * size * root) + b * ionic)
        };
        Self {
            magnesium: of(4.0, 5.5, 0.20),
            calcium: of(4.0, 5.0, 0.165),
            sodium: of(1.0, 4.08, 0.082),
            sulfate: of(4.0, 5.0, -0.04),
            phosphate: of(9.0, 4.0, 0.0),
            hpo4: of(4.0, 5.0, 0.0),
            single: of(1.0, 5.4, 0.0),
            ammonium: of(1.0, 2.5, 0.0),
            neutral: exp10(0.1 * ionic),
        }
    }
}

impl Activities {
    /// Solves the pairing by substitution: each ion's free part from its total and the newest free
    /// parts of the others. A pair of two ions converges by the product of their bound shares, so half a
    /// dozen rounds do for sea water and some dozens for strong brines of phosphate.
    fn of(pairs: &Pairs, ph: f64, totals: &Totals) -> Self {
        let h = exp10(-ph);
        let Totals { magnesium, calcium, sodium, sulfate, nitrogen, phosphorus, .. } = *totals;
        let (mut mg, mut ca, mut na, mut so4) = (magnesium * 0.9, calcium * 0.9, sodium, sulfate * 0.6);
        let (mut nh4, mut po4) = (nitrogen, 0.0);
        let mut ionic = totals.ionic;
        let mut g = Coefficients::at(ionic, pairs);
        for _ in 0..ROUNDS {
            let before = [mg, so4, nh4, po4];
            // Bound to each unit of free phosphate: every term is proportional to it.
            let hpo4 = pairs.hpo4 * h * g.phosphate;
            let h2po4 = pairs.h2po4 * h * h * g.phosphate;
            let (a_mg, a_ca, a_na) = (mg * g.magnesium, ca * g.calcium, na * g.sodium);
            let with_mg = pairs.mg_po4 * g.phosphate / g.single
                + pairs.mg_hpo4 * hpo4 / g.neutral
                + pairs.mg_h2po4 * h2po4 / g.single;
            let with_ca = pairs.ca_po4 * g.phosphate / g.single
                + pairs.ca_hpo4 * hpo4 / g.neutral
                + pairs.ca_h2po4 * h2po4 / g.single;
            let with_na = pairs.na_hpo4 * hpo4 / g.single;
            po4 = phosphorus
                / (1.0 + hpo4 / g.hpo4 + h2po4 / g.single + a_mg * with_mg + a_ca * with_ca + a_na * with_na);
            let (mg_so4, ca_so4) = (
                pairs.mg_so4 * g.magnesium * g.sulfate / g.neutral,
                pairs.ca_so4 * g.calcium * g.sulfate / g.neutral,
            );
            let na_so4 = pairs.na_so4 * g.sodium * g.sulfate / g.single;
            let nh4_so4 = pairs.nh4_so4 * g.ammonium * g.sulfate / g.single;
            nh4 = nitrogen / (1.0 + pairs.nh3 * g.ammonium / h / g.neutral + so4 * nh4_so4);
            so4 = sulfate / (1.0 + mg * mg_so4 + ca * ca_so4 + na * na_so4 + nh4 * nh4_so4);
            mg = magnesium / (1.0 + so4 * mg_so4 + po4 * g.magnesium * with_mg);
            ca = calcium / (1.0 + so4 * ca_so4 + po4 * g.calcium * with_ca);
            na = sodium / (1.0 + so4 * na_so4 + po4 * g.sodium * with_na);
            let paired =
                (totals.ionic - so4 * (4.0 * (mg * mg_so4 + ca * ca_so4) + 2.0 * na * na_so4)).max(1e-4);
            let mut moved = fabs(paired - ionic) / ionic;
            for (old, new) in before.into_iter().zip([mg, so4, nh4, po4]) {
                moved = moved.max(fabs(new - old) / (new + 1e-30));
            }
            if moved < 1e-10 {
                break;
            }
            if fabs(paired - ionic) > 1e-13 * ionic {
                ionic = paired;
                g = Coefficients::at(ionic, pairs);
            }
        }
        Self {
            log_magnesium: log10(mg * g.magnesium),
            log_ammonium: log10(nh4 * g.ammonium),
            log_phosphate: log10(po4 * g.phosphate),
            // Raoult's law for what is dissolved.
            log_water: log10(1.0 - 0.017 * 1.8 * totals.ionic),
        }
    }

    fn log_struvite_product(&self) -> f64 {
        self.log_magnesium + self.log_ammonium + self.log_phosphate + 6.0 * self.log_water
    }
}
