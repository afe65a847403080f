//! What is odd about an entry, though it can be: said when it is recorded, so that a slip is seen. What was done is
//! recorded whatever the rules were.

use alloc::vec::Vec;

use pondreeve_chemistry::dose::{Basis, Slurry};

use super::State;
use crate::diary::{Book, Entry, What};
use crate::dosing::{DoseAsk, USUAL_SOLIDS_PERCENT};
use crate::said::Said;
use crate::site::PondIndex;
use crate::time::Span;

/// The water is the one that a dose went into for so long. (Common practice, no source.)
const SAME_WATER: Span = Span::from_hours(1);
/// The sun tells so long afterwards whether it was the hour for it.
const SAME_MORNING: Span = Span::from_hours(12);

/// What is odd about an entry.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Doubts {
    /// What `plan dose` had against a dose.
    pub against: Vec<Said>,
    /// What does not fit the entries before it.
    pub unlikely: Vec<Said>,
}

impl State {
    /// What is odd about an entry that is to be recorded for a pond; nothing where there is no such pond.
    pub fn doubts(&self, index: PondIndex, entry: &Entry) -> Doubts {
        let pond = self.site.as_ref().and_then(|site| site.ponds.get(usize::from(index.0)));
        let book = pond.and_then(|pond| self.diary.book(&pond.id));
        Doubts {
            against: self.against_dose(index, entry).unwrap_or_default(),
            unlikely: book.map(|book: &Book| book.unlikely(entry)).unwrap_or_default(),
        }
    }

    /// What speaks against a dose. Of one that was given longer ago only what the diary and the sun tell: how the
    /// water was is not known any more. A correction says nothing new of that.
    fn against_dose(&self, index: PondIndex, entry: &Entry) -> Option<Vec<Said>> {
        let What::Dose(dose) = &entry.what else { return None };
        let ago = self.now - entry.at;
        if entry.corrects.is_some() || ago < Span::from_millis(-SAME_WATER.as_millis()) {
            return None;
        }
        let scene = self.scene()?;
        let position = usize::from(index.0);
        let pond = scene.site.ponds.get(position)?;
        let basin = self.basin(index, pond, self.now);
        let strength = dose.strength(Basis::SlurryMass, basin.volume_m3())?;
        let solids = dose.solids_percent.unwrap_or(USUAL_SOLIDS_PERCENT);
        let density = dose.density_kg_l.unwrap_or_else(|| Slurry::ideal_density_kg_l(solids));
        let crop = scene.diary.book(&pond.id).and_then(|book| book.crop(entry.at, scene.site.longitude_deg));
        let ask = DoseAsk {
            dose: strength,
            basis: Basis::SlurryMass,
            basis_is_said: true,
            slurry: Slurry::new(solids, density).ok()?,
            container_kg: None,
            in_crop: crop.is_some(),
        };
        let plan = self.ponds.get(position)?.plan_dose_at(&scene, pond, &ask, basin, entry.at);
        let counts = |own: &Said| match own.key() {
            "against-apart" | "against-disturbed" => true,
            "against-hour" => ago <= SAME_MORNING,
            // Its strength is minded by itself.
            "against-strength" => false,
            _ => ago <= SAME_WATER,
        };
        Some(plan.objections.into_iter().map(|own| own.words).filter(counts).collect())
    }
}
