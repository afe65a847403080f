//! Kilograms, litres and containers of one dose, and what it is in the pond's water.

use alloc::format;
use alloc::vec::Vec;

use pondreeve_chemistry::dose::{ALKALINITY_PER_SOLIDS, Basis};

use super::entry::Dose;
use crate::said::{Said, fixed, said, tenth};

/// Amounts of one dose that differ by more than this, as a share of the smaller, are asked about again.
/// (Common practice, no source.)
pub const MISMATCH: f64 = 0.10;

/// More slurry than this in one dose is unusual while shrimp are in the pond, mg/L. (Common practice, no
/// source.)
pub const USUAL_MOST_MG_L: f64 = 5.0;

impl Dose {
    /// Slurry, kg, by the most direct of what was said: weighed, then measured out, then by containers.
    pub fn kg(&self) -> Option<f64> {
        self.amounts_kg().into_iter().next().map(|(_, kg)| kg)
    }

    /// Slurry, L.
    pub fn litres(&self) -> Option<f64> {
        self.slurry_l.or_else(|| Some(self.kg()? / self.density_kg_l?))
    }

    /// What the dose is on a basis, in a volume of water.
    pub fn strength(&self, basis: Basis, volume_m3: f64) -> Option<f64> {
        let per_m3 = |amount: f64| amount * 1_000.0 / volume_m3;
        let strength = match basis {
            Basis::SlurryMass => per_m3(self.kg()?),
            Basis::SolidsMass => per_m3(self.kg()? * self.solids_percent? / 100.0),
            Basis::SlurryVolume => per_m3(self.litres()?),
        };
        strength.is_finite().then_some(strength)
    }

    /// Alkalinity that the dose adds once all of it is dissolved, mg/L as CaCO3.
    pub fn alkalinity_added_mg_l(&self, volume_m3: f64) -> Option<f64> {
        Some(self.strength(Basis::SolidsMass, volume_m3)? * ALKALINITY_PER_SOLIDS)
    }

    /// Each amount that was said, as kg, with how it was said.
    fn amounts_kg(&self) -> Vec<(Said, f64)> {
        let mut amounts = Vec::new();
        if let Some(kg) = self.slurry_kg {
            amounts.push((said!("amount-weighed", "{kg} kg weighed", kg = format!("{kg}")), kg));
        }
        if let (Some(litres), Some(density)) = (self.slurry_l, self.density_kg_l) {
            let kg = litres * density;
            let said = said!(
                "amount-measured",
                "{litres} L at {density} kg/L are {kg} kg",
                litres = format!("{litres}"),
                density = format!("{density}"),
                kg = tenth(kg)
            );
            amounts.push((said, kg));
        }
        if let (Some(containers), Some(each)) = (self.containers, self.container_kg) {
            let kg = containers * each;
            let said = said!(
                "amount-containers",
                "{containers} containers of {each} kg are {kg} kg",
                containers = format!("{containers}"),
                each = format!("{each}"),
                kg = tenth(kg)
            );
            amounts.push((said, kg));
        }
        amounts
    }

    /// What contradicts what among the amounts, in words; `None` where nothing does.
    pub fn mismatch(&self) -> Option<Said> {
        let amounts = self.amounts_kg();
        let kg = |most: bool| {
            let all = amounts.iter().map(|(_, kg)| *kg);
            if most { all.fold(f64::NEG_INFINITY, f64::max) } else { all.fold(f64::INFINITY, f64::min) }
        };
        let (least, most) = (kg(false), kg(true));
        if amounts.len() < 2 || most - least <= MISMATCH * least {
            return None;
        }
        let share = 100.0 * (most - least) / least;
        let amounts = amounts.into_iter().map(|(said, _)| said).collect();
        Some(said!(
            "amounts-differ",
            "{amounts}: they differ by {share} %",
            amounts = Said::joined(amounts, "; "),
            share = fixed(share, 0)
        ))
    }
}
