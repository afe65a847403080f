//! Lots of mineral slurry, as their labels describe them.

use std::collections::HashMap;

use pondreeve_chemistry::dose::Slurry;

use super::super::farm::Product;
use super::super::raw::RawProduct;
use super::super::reader::At;
use super::Resolver;

/// As long as an entry of the diary may name a lot.
const LONGEST_LOT: usize = pondreeve_core::diary::check::LONGEST_NAME;

/// A density further than this from what solids and water alone would give is asked about, as a share.
/// (Common practice, no source.)
const UNLIKE: f64 = 0.1;

impl Resolver<'_> {
    pub(super) fn all_products(&self, raw: Option<&At<Vec<At<RawProduct>>>>) -> Option<Vec<Product>> {
        let mut taken = HashMap::new();
        let products: Vec<Option<Product>> = raw
            .iter()
            .flat_map(|list| &list.value)
            .map(|at| {
                let raw = &at.value;
                if let Some(lot) = &raw.lot {
                    self.claim(&mut taken, lot, "lot");
                    if lot.value.len() > LONGEST_LOT {
                        let wanted = format!("at most {LONGEST_LOT} bytes, as on the drums");
                        self.problems.push(self.problems.about(lot, "a lot with a long name", wanted));
                        return None;
                    }
                }
                if let (Some(solids), Some(density)) = (&raw.solids_percent, &raw.slurry_density_kg_l) {
                    self.warn_of_unlike_density(solids.value, density);
                }
                Some(Product {
                    lot: raw.lot.as_ref()?.value.clone(),
                    basis: raw.basis.as_ref()?.value,
                    solids_percent: raw.solids_percent.as_ref()?.value,
                    slurry_density_kg_l: raw.slurry_density_kg_l.as_ref()?.value,
                    container_kg: raw.container_kg.as_ref().map(|at| at.value),
                })
            })
            .collect();
        products.into_iter().collect()
    }

    fn warn_of_unlike_density(&self, solids_percent: f64, density: &At<f64>) {
        let likely = Slurry::ideal_density_kg_l(solids_percent);
        if (density.value - likely).abs() > UNLIKE * likely {
            let found = format!("{} kg/L for a slurry of {solids_percent} % solids", density.value);
            let wanted = format!("what the label says; magnesium hydroxide in water makes {likely:.2} kg/L");
            self.problems.push(self.problems.about(density, found, wanted).as_warning());
        }
    }
}
