//! The carbonate system: alkalinity and pH to dissolved carbon, and back to pH after a change.
//!
//! Total scale, mol/kg of sea water, borate from salinity, no silicate; ammonia is counted where it
//! is given.
//!
//! ```text
//! alkalinity = HCO3 + 2 CO3 + B(OH)4 + OH - H(free) - HSO4 - HF + NH3
//! ```
//!
//! Constants: K1 and K2 of Millero 2010 (0 to 50 PSU, 0 to 50 °C), K0 of Weiss 1974, Kw of Millero
//! 1995, KB and KS of Dickson 1990, KF of Dickson & Riley 1979, ammonium of Clegg & Whitfield 1995.
//! Other published sets move dissolved carbon by less than 0.5 % and CO2 by up to 5 %.

use crate::ammonia::pka_clegg_whitfield_total;
use crate::masses::{CALCIUM_CARBONATE_PER_EQUIVALENT, CARBON, CARBON_DIOXIDE, NITROGEN};
use crate::scale::Bound;
use crate::seawater::{borate_mol_kg, density_kg_m3};
use crate::units::{Alkalinity, Celsius, Salinity, TotalAmmonia};
use core::f64::consts::LN_10;
use core::fmt;
use libm::{exp, exp10, fabs, log, sqrt};

/// CO2 in the air that open water comes to, µatm.
pub const AIR_PCO2_UATM: f64 = 420.0;

/// Water whose alkalinity, temperature and salinity are known: everything but its pH.
#[derive(Debug, Clone, Copy)]
pub struct Water {
    constants: Constants,
    /// Alkalinity, mol/kg.
    alkalinity: f64,
    /// Total ammonia, mol/kg.
    ammonia: f64,
    kg_per_l: f64,
}

/// The carbonate of water at one pH.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Carbonate {
    /// Dissolved inorganic carbon, µmol/kg.
    pub dic_umol_kg: f64,
    /// Dissolved inorganic carbon, mg/L as C.
    pub dic_mg_l: f64,
    /// Dissolved carbon dioxide, mg/L as CO2.
    pub co2_mg_l: f64,
    /// Bicarbonate, µmol/kg.
    pub bicarbonate_umol_kg: f64,
    /// Carbonate, µmol/kg.
    pub carbonate_umol_kg: f64,
    /// Pressure of CO2 that the water would be in balance with, µatm.
    pub pco2_uatm: f64,
}

/// Alkalinity too small for the pH: borate, hydroxide and ammonia alone hold more, so that less
/// than no carbonate would be left. One of the two readings is wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoCarbonateLeft {
    /// What was given, mg/L as CaCO3.
    pub alkalinity_mg_l: f64,
    /// The least that this pH implies, mg/L as CaCO3.
    pub least_mg_l: f64,
}

impl fmt::Display for NoCarbonateLeft {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "alkalinity_mg_l is {} mg/L as CaCO3, but at this pH, temperature and salinity the water holds \
             at least {:.1} without any carbonate: accepted is more than that, or a lower pH",
            self.alkalinity_mg_l, self.least_mg_l
        )
    }
}

impl core::error::Error for NoCarbonateLeft {}

impl Water {
    /// Water of an alkalinity, with the ammonia in it (0 where it is not known: it matters little).
    pub fn new(t: Celsius, s: Salinity, alkalinity: Alkalinity, tan: TotalAmmonia) -> Self {
        let kg_per_l = density_kg_m3(t, s) / 1000.0;
        Self {
            constants: Constants::at(t, s),
            alkalinity: alkalinity.get() / CALCIUM_CARBONATE_PER_EQUIVALENT / 1000.0 / kg_per_l,
            ammonia: tan.get() / NITROGEN / 1000.0 / kg_per_l,
            kg_per_l,
        }
    }

    /// The same water with alkalinity added, mg/L as CaCO3 (no carbon comes with it).
    pub fn with_alkalinity_added(self, mg_l: f64) -> Self {
        Self {
            alkalinity: self.alkalinity + mg_l / CALCIUM_CARBONATE_PER_EQUIVALENT / 1000.0 / self.kg_per_l,
            ..self
        }
    }

    /// Alkalinity, mg/L as CaCO3.
    pub fn alkalinity_mg_l(&self) -> f64 {
        self.alkalinity * CALCIUM_CARBONATE_PER_EQUIVALENT * 1000.0 * self.kg_per_l
    }

    /// The carbonate at a pH on the total scale.
    pub fn at_ph(&self, ph_total: f64) -> Result<Carbonate, NoCarbonateLeft> {
        let k = &self.constants;
        let h = exp10(-ph_total);
        let dic = self.dic(h)?;
        let whole = h * h + k.k1 * h + k.k1 * k.k2;
        let co2 = dic * h * h / whole;
        Ok(Carbonate {
            dic_umol_kg: dic * 1e6,
            dic_mg_l: dic * 1000.0 * self.kg_per_l * CARBON,
            co2_mg_l: co2 * 1000.0 * self.kg_per_l * CARBON_DIOXIDE,
            bicarbonate_umol_kg: dic * k.k1 * h / whole * 1e6,
            carbonate_umol_kg: dic * k.k1 * k.k2 / whole * 1e6,
            pco2_uatm: co2 / k.k0 / k.fugacity * 1e6,
        })
    }

    /// CO2's share of the dissolved carbon, 0 to 1, at a pH on the total scale.
    pub fn co2_share(&self, ph_total: f64) -> f64 {
        let k = &self.constants;
        let h = exp10(-ph_total);
        h * h / (h * h + k.k1 * h + k.k1 * k.k2)
    }

    /// pH (total scale) of closed water that holds a known amount of carbon, µmol/kg.
    pub fn ph_with_dic(&self, dic_umol_kg: f64) -> f64 {
        let k = &self.constants;
        let dic = dic_umol_kg * 1e-6;
        self.solve(|h| {
            let whole = h * h + k.k1 * h + k.k1 * k.k2;
            let alkalinity = dic * k.k1 * (h + 2.0 * k.k2) / whole;
            let slope = dic * k.k1 * h * (h * h + 4.0 * k.k2 * h + k.k1 * k.k2) / (whole * whole);
            (alkalinity, slope)
        })
    }

    /// pH (total scale) once the water has come to a CO2 pressure, µatm.
    pub fn ph_with_pco2(&self, pco2_uatm: f64) -> f64 {
        let k = &self.constants;
        let co2 = k.k0 * k.fugacity * pco2_uatm * 1e-6;
        self.solve(|h| {
            let (once, twice) = (co2 * k.k1 / h, co2 * k.k1 * k.k2 / (h * h));
            (once + 2.0 * twice, once + 4.0 * twice)
        })
    }

    /// Dissolved carbon, mol/kg.
    fn dic(&self, h: f64) -> Result<f64, NoCarbonateLeft> {
        let k = &self.constants;
        let other = k.other_alkalinity(h, self.ammonia).0;
        let carbonate = self.alkalinity - other;
        if carbonate.is_nan() || carbonate < 0.0 {
            let mg_l = CALCIUM_CARBONATE_PER_EQUIVALENT * 1000.0 * self.kg_per_l;
            return Err(NoCarbonateLeft {
                alkalinity_mg_l: self.alkalinity_mg_l(),
                least_mg_l: other * mg_l,
            });
        }
        Ok(carbonate * (h * h + k.k1 * h + k.k1 * k.k2) / (k.k1 * (h + 2.0 * k.k2)))
    }

    /// The pH at which carbonate alkalinity (and its slope against -ln h) and the rest add up to
    /// what the water holds. Alkalinity only rises with pH, so there is one answer: Newton's steps
    /// inside a bracket that halves when a step would leave it.
    fn solve(&self, carbonate: impl Fn(f64) -> (f64, f64)) -> f64 {
        let (mut low, mut high) = (2.0, 14.0);
        let mut ph = 8.0;
        for _ in 0..100 {
            let h = exp10(-ph);
            let (alkalinity, slope) = carbonate(h);
            let (other, other_slope) = self.constants.other_alkalinity(h, self.ammonia);
            let excess = alkalinity + other - self.alkalinity;
            if excess > 0.0 {
                high = ph;
            } else {
                low = ph;
            }
            let newton = ph - excess / ((slope + other_slope) * LN_10);
            let next = if newton > low && newton < high { newton } else { (low + high) / 2.0 };
            if fabs(next - ph) < 1e-11 {
                return next;
            }
            ph = next;
        }
        ph
    }
}

/// Equilibrium constants on the total scale, mol/kg.
#[derive(Debug, Clone, Copy)]
struct Constants {
    k0: f64,
    k1: f64,
    k2: f64,
    water: f64,
    borate: f64,
    borate_total: f64,
    ammonium: f64,
    bound: Bound,
    /// Fugacity over pressure of CO2 at one atmosphere.
    fugacity: f64,
}

impl Constants {
    fn at(t: Celsius, s: Salinity) -> Self {
        let kelvin = t.get() + 273.15;
        let (ln_t, salt, root) = (log(kelvin), s.get(), sqrt(s.get()));
        let bound = Bound::at(t, s);
        let to_total = bound.sea_water_to_total;
        let ln_k0 = -60.2409
            + 9345.17 / kelvin
            + 23.3585 * log(kelvin / 100.0)
            + salt * (0.023_517 + kelvin * (-0.000_236_56 + kelvin * 4.7036e-7));
        let pk1 = -126.340_48 + 6320.813 / kelvin + 19.568_224 * ln_t + 13.4038 * root + 0.032_06 * salt
            - 5.242e-5 * salt * salt
            + (-530.659 * root - 5.8210 * salt) / kelvin
            - 2.0664 * root * ln_t;
        let pk2 = -90.183_33 + 5143.692 / kelvin + 14.613_358 * ln_t + 21.3728 * root + 0.1218 * salt
            - 3.688e-4 * salt * salt
            + (-788.289 * root - 19.189 * salt) / kelvin
            - 3.374 * root * ln_t;
        let ln_water = 148.9802 - 13_847.26 / kelvin - 23.6521 * ln_t
            + (-5.977 + 118.67 / kelvin + 1.0495 * ln_t) * root
            - 0.016_15 * salt;
        let ln_borate =
            (-8966.9 - 2890.53 * root - 77.942 * salt + 1.728 * root * salt - 0.0996 * salt * salt) / kelvin
                + 148.0248
                + 137.1942 * root
                + 1.621_42 * salt
                + (-24.4344 - 25.085 * root - 0.2474 * salt) * ln_t
                + 0.053_105 * root * kelvin;
        let virial = -1636.75 + kelvin * (12.0408 + kelvin * (-0.032_795_7 + kelvin * 3.165_28e-5));
        let cross = 57.7 - 0.118 * kelvin;
        Self {
            k0: exp(ln_k0),
            k1: exp10(-pk1) * to_total,
            k2: exp10(-pk2) * to_total,
            water: exp(ln_water) * to_total,
            borate: exp(ln_borate),
            borate_total: borate_mol_kg(s),
            ammonium: exp10(-pka_clegg_whitfield_total(t, s)),
            bound,
            fugacity: exp((virial + 2.0 * cross) * 1.013_25 / (83.144_626_18 * kelvin)),
        }
    }

    /// Alkalinity that is not carbonate, mol/kg, and its slope against -ln h.
    fn other_alkalinity(&self, h: f64, ammonia: f64) -> (f64, f64) {
        let Bound { sulfate, fluoride, k_sulfate, k_fluoride, free_to_total, .. } = self.bound;
        let free = h / free_to_total;
        let hydroxide = self.water / h;
        let base = |total: f64, k: f64, h: f64| {
            let share = k / (k + h);
            (total * share, total * share * (1.0 - share))
        };
        let borate = base(self.borate_total, self.borate, h);
        let nh3 = base(ammonia, self.ammonium, h);
        let so4 = base(sulfate, k_sulfate, free);
        let fluorine = base(fluoride, k_fluoride, free);
        let alkalinity = borate.0 + nh3.0 + hydroxide - free - (sulfate - so4.0) - (fluoride - fluorine.0);
        (alkalinity, borate.1 + nh3.1 + hydroxide + free + so4.1 + fluorine.1)
    }
}
