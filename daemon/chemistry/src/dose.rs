//! Magnesium hydroxide: how much product a dose means, and what it does to the water.
//!
//! "4 ppm" has three meanings in the trade, two thirds apart; [`Basis`] says which. Dissolving is taken
//! as complete, so a pH after mixing is an upper bound: the real rise is smaller and slower. Two
//! limits keep that bound honest. [`Effect::solubility_limited`] says when brucite, the mineral, would
//! stop dissolving before the dose is gone; and the bound itself never passes the pH at which even
//! freshly precipitated Mg(OH)2 stops.

use crate::ammonia::{fraction, pka};
use crate::carbonate::{AIR_PCO2_UATM, NoCarbonateLeft, Water};
use crate::masses::{CALCIUM_CARBONATE, CARBON, CARBON_DIOXIDE, MAGNESIUM, MAGNESIUM_HYDROXIDE};
use crate::root::crossing;
use crate::scale::{PhScale, free_minus_total};
use crate::seawater::magnesium_mg_l;
use crate::struvite::{Solution, brucite_index, brucite_index_bound};
use crate::units::{
    Alkalinity, Celsius, Magnesium, OutOfRange, Ph, Phosphate, Salinity, TotalAmmonia, checked,
};
use libm::ceil;

/// Alkalinity, mg/L as CaCO3, that each mg/L of Mg(OH)2 adds: 1.7162.
pub const ALKALINITY_PER_SOLIDS: f64 = CALCIUM_CARBONATE / MAGNESIUM_HYDROXIDE;
/// Magnesium in each mg/L of Mg(OH)2: 0.4168.
pub const MAGNESIUM_PER_SOLIDS: f64 = MAGNESIUM / MAGNESIUM_HYDROXIDE;
/// Density of solid Mg(OH)2, kg/L (handbook value, from memory).
pub const SOLID_DENSITY_KG_L: f64 = 2.36;
/// How much more soluble freshly precipitated Mg(OH)2 is than brucite, as log10 of the constants (18.79
/// against 16.84; the MINTEQ database's "active" form, from memory).
const FRESH_OVER_BRUCITE: f64 = 1.95;

/// What a dose counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// Mass of slurry to volume of water, mg/L.
    SlurryMass,
    /// Mass of the solids in the slurry to volume of water, mg/L.
    SolidsMass,
    /// Volume of slurry to volume of water, mL/m³.
    SlurryVolume,
}

impl Basis {
    /// The name used in files and commands.
    pub const fn name(self) -> &'static str {
        match self {
            Self::SlurryMass => "slurry_mass",
            Self::SolidsMass => "solids_mass",
            Self::SlurryVolume => "slurry_volume",
        }
    }

    /// The basis of a name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::SlurryMass, Self::SolidsMass, Self::SlurryVolume]
            .into_iter()
            .find(|basis| basis.name() == name)
    }

    /// The unit of a dose on this basis.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::SlurryMass | Self::SolidsMass => "mg/L",
            Self::SlurryVolume => "mL/m3",
        }
    }
}

/// A lot of slurry, from its label.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slurry {
    solids: f64,
    density_kg_l: f64,
}

impl Slurry {
    /// Solids by mass, per cent (1 to 100), and density, kg/L (0.9 to 2.4).
    pub const fn new(solids_percent: f64, density_kg_l: f64) -> Result<Self, OutOfRange> {
        match (
            checked("solids_percent", "%", 1.0, 100.0, solids_percent),
            checked("slurry_density_kg_l", "kg/L", 0.9, 2.4, density_kg_l),
        ) {
            (Ok(percent), Ok(density_kg_l)) => Ok(Self { solids: percent / 100.0, density_kg_l }),
            (Err(error), _) | (_, Err(error)) => Err(error),
        }
    }

    /// The density that ideal mixing gives a slurry, kg/L: 1.53 at 60 %. Use the label where it has one.
    pub fn ideal_density_kg_l(solids_percent: f64) -> f64 {
        let solids = solids_percent / 100.0;
        1.0 / (solids / SOLID_DENSITY_KG_L + (1.0 - solids) / 0.998)
    }
}

/// Water volume, m³, of a pond from its area now and its mean depth now.
pub fn volume_m3(area_m2: f64, depth_m: f64) -> f64 {
    area_m2 * depth_m
}

/// What to weigh or measure out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amount {
    /// Slurry, kg.
    pub slurry_kg: f64,
    /// Slurry, L.
    pub slurry_l: f64,
    /// Mg(OH)2 in the water, mg/L.
    pub solids_mg_l: f64,
    /// Alkalinity added once all is dissolved, mg/L as CaCO3.
    pub alkalinity_added_mg_l: f64,
    /// Magnesium added, mg/L.
    pub magnesium_added_mg_l: f64,
}

impl Amount {
    /// The amount that a dose on a basis means in a volume of water.
    pub fn of(dose: f64, basis: Basis, slurry: Slurry, volume_m3: f64) -> Self {
        let Slurry { solids, density_kg_l } = slurry;
        let slurry_g_m3 = match basis {
            Basis::SlurryMass => dose,
            Basis::SolidsMass => dose / solids,
            Basis::SlurryVolume => dose * density_kg_l,
        };
        let solids_mg_l = slurry_g_m3 * solids;
        let slurry_kg = slurry_g_m3 * volume_m3 / 1000.0;
        Self {
            slurry_kg,
            slurry_l: slurry_kg / density_kg_l,
            solids_mg_l,
            alkalinity_added_mg_l: solids_mg_l * ALKALINITY_PER_SOLIDS,
            magnesium_added_mg_l: solids_mg_l * MAGNESIUM_PER_SOLIDS,
        }
    }

    /// Containers of a net mass that hold the slurry, and how many must be opened.
    pub fn containers(&self, container_kg: f64) -> Result<(f64, f64), OutOfRange> {
        let container_kg = checked("container_kg", "kg", 0.1, 10_000.0, container_kg)?;
        let containers = self.slurry_kg / container_kg;
        Ok((containers, ceil(containers)))
    }
}

/// A pond's water before a dose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pond {
    /// Water temperature.
    pub temperature: Celsius,
    /// Salinity.
    pub salinity: Salinity,
    /// pH, as read.
    pub ph: Ph,
    /// The scale that pH is on.
    pub scale: PhScale,
    /// Alkalinity.
    pub alkalinity: Alkalinity,
    /// Total ammonia, where known.
    pub tan: Option<TotalAmmonia>,
    /// Magnesium, where measured; otherwise that of sea water diluted to the salinity is taken.
    pub magnesium: Option<Magnesium>,
}

/// What a dose does. Every pH is on the scale of the pond's own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// Upper bound in closed water, the first hours: all of the dose dissolved (or as much of it as
    /// the most soluble form of Mg(OH)2 would), no CO2 from the air.
    pub ph_after_mixing: f64,
    /// After the water has come to balance with air, a day or more.
    pub ph_after_air: f64,
    /// The same without the dose: what airing alone does.
    pub ph_after_air_without_dose: f64,
    /// Brucite stops dissolving before the dose is gone.
    pub solubility_limited: bool,
    /// Where it stops, if it does: the pH to expect rather than the bound.
    pub ph_where_dissolving_stops: Option<f64>,
    /// Un-ionised ammonia, where total ammonia is known.
    pub nh3: Option<UnIonised>,
    /// Dissolved CO2 before, mg/L.
    pub co2_mg_l_before: f64,
    /// Dissolved CO2 after mixing, mg/L.
    pub co2_mg_l_after_mixing: f64,
}

/// Un-ionised ammonia, mg/L as N, through a dose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnIonised {
    /// Before.
    pub before_mg_l: f64,
    /// After mixing (upper bound).
    pub after_mixing_mg_l: f64,
    /// In balance with air.
    pub after_air_mg_l: f64,
}

/// What an amount of Mg(OH)2, mg/L, does to a pond's water.
///
/// Closed water keeps its dissolved carbon; open water comes to 420 µatm of CO2. Carbonate constants
/// as in [`crate::carbonate`]; brucite as in [`brucite_index`].
pub fn effect(pond: &Pond, solids_mg_l: f64) -> Result<Effect, NoCarbonateLeft> {
    let Pond { temperature: t, salinity: s, scale, .. } = *pond;
    let tan = pond.tan.unwrap_or(TotalAmmonia::NONE);
    let water = Water::new(t, s, pond.alkalinity, tan);
    let ph_total = scale.to_total(pond.ph, t, s);
    let before = water.at_ph(ph_total)?;
    let dosed = water.with_alkalinity_added(solids_mg_l * ALKALINITY_PER_SOLIDS);

    let closed = Closed {
        pond,
        water,
        dic_umol_kg: before.dic_umol_kg,
        ph_before: ph_total,
        free_minus_total: free_minus_total(t, s),
        magnesium_mg_l: pond.magnesium.map_or_else(|| magnesium_mg_l(t, s), Magnesium::get),
    };
    let all_dissolved = closed.ph_with(solids_mg_l);
    let index = if solids_mg_l > 0.0 { closed.brucite_at_most(solids_mg_l, all_dissolved) } else { -1.0 };
    let stops = if index > 0.0 { Some(closed.ph_at_index(0.0, solids_mg_l)) } else { None };
    let bound = if index > FRESH_OVER_BRUCITE {
        closed.ph_at_index(FRESH_OVER_BRUCITE, solids_mg_l)
    } else {
        all_dissolved
    };
    let aired = dosed.ph_with_pco2(AIR_PCO2_UATM);
    let back = |ph_total: f64| scale.from_total(ph_total, t, s);
    let nh3 = pond.tan.map(|tan| {
        let of = |ph: f64| tan.get() * fraction(pka(t, s, scale), ph);
        UnIonised {
            before_mg_l: of(pond.ph.get()),
            after_mixing_mg_l: of(back(bound)),
            after_air_mg_l: of(back(aired)),
        }
    });
    Ok(Effect {
        ph_after_mixing: back(bound),
        ph_after_air: back(aired),
        ph_after_air_without_dose: back(water.ph_with_pco2(AIR_PCO2_UATM)),
        solubility_limited: stops.is_some(),
        ph_where_dissolving_stops: stops.map(back),
        nh3,
        co2_mg_l_before: before.co2_mg_l,
        co2_mg_l_after_mixing: before.dic_mg_l / CARBON * CARBON_DIOXIDE * water.co2_share(bound),
    })
}

/// Water that keeps its carbon while Mg(OH)2 dissolves in it.
struct Closed<'a> {
    pond: &'a Pond,
    water: Water,
    dic_umol_kg: f64,
    ph_before: f64,
    free_minus_total: f64,
    magnesium_mg_l: f64,
}

impl Closed<'_> {
    /// pH (total scale) with this much dissolved, mg/L.
    fn ph_with(&self, dissolved_mg_l: f64) -> f64 {
        self.water.with_alkalinity_added(dissolved_mg_l * ALKALINITY_PER_SOLIDS).ph_with_dic(self.dic_umol_kg)
    }

    /// Saturation index of brucite with this much dissolved and its pH known; where the water is clearly
    /// below saturation, a bound below 0 that is quick to find: no activity is above the amount.
    fn brucite_at_most(&self, dissolved_mg_l: f64, ph_total: f64) -> f64 {
        let magnesium = self.magnesium_mg_l + dissolved_mg_l * MAGNESIUM_PER_SOLIDS;
        let bound = brucite_index_bound(self.pond.temperature, ph_total + self.free_minus_total, magnesium);
        if bound < 0.0 { bound } else { self.brucite(dissolved_mg_l) }
    }

    /// Saturation index of brucite with this much dissolved, mg/L.
    fn brucite(&self, dissolved_mg_l: f64) -> f64 {
        let magnesium = self.magnesium_mg_l + dissolved_mg_l * MAGNESIUM_PER_SOLIDS;
        let Ok(magnesium) = Magnesium::new(magnesium.min(Magnesium::HIGHEST)) else {
            return f64::NEG_INFINITY;
        };
        brucite_index(&Solution {
            temperature: self.pond.temperature,
            salinity: self.pond.salinity,
            ph: self.ph_with(dissolved_mg_l) + self.free_minus_total,
            magnesium,
            tan: TotalAmmonia::NONE,
            phosphate: Phosphate::NONE,
        })
    }

    /// pH (total scale) at which brucite's index reaches a value, given that it passes it before
    /// `most_mg_l` is dissolved; the pH before where it is passed already.
    fn ph_at_index(&self, index: f64, most_mg_l: f64) -> f64 {
        // Water without magnesium is infinitely far from saturation, which no search can stand on.
        let excess = |dissolved: f64| (self.brucite(dissolved) - index).max(-30.0);
        let before = excess(0.0);
        if before >= 0.0 {
            return self.ph_before;
        }
        let most = (most_mg_l, excess(most_mg_l));
        self.ph_with(crossing(excess, (0.0, before), most, 1e-8 * most_mg_l))
    }
}
