//! What would keep predicted ammonia inside the gate where a dose does not: a smaller dose, less total ammonia, a
//! lower pH.

use pondreeve_chemistry::dose::Amount;

use super::{
    DoseAsk, DoseWater, IN_CROP_AT_MOST, NH3_MEAN_AT_MOST, NH3_PEAK_AT_MOST, Nh3Day, Objection, Preview,
    preview,
};
use crate::quality::Seen;
use crate::time::Timestamp;

/// A dose is named in steps of this, in the unit of its basis.
const DOSE_STEP: f64 = 0.5;
/// Total ammonia, in steps that a kit can tell, mg/L as N.
const TAN_STEP: f64 = 0.1;
/// pH, in steps that a meter can tell.
const PH_STEP: f64 = 0.05;
/// No pond is thought lower than by this.
const PH_AT_MOST_LOWER: f64 = 1.0;

/// What would keep predicted ammonia inside the gate, each with everything else as it is, rounded to the safe side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Within {
    /// The largest dose that does, in the unit of the basis; `None` where the smallest is too much.
    pub dose: Option<f64>,
    /// When that one could be given, where nothing speaks against it that must be mended first.
    pub earliest: Option<Timestamp>,
    /// Total ammonia up to which the dose that was asked for would, mg/L as N.
    pub tan_at_most_mg_l: f64,
    /// pH must be lower by this all day for the dose that was asked for; `None` where no believable pH would do.
    pub ph_lower_by: Option<f64>,
}

/// Whether the gate has nothing against a day's ammonia.
pub(super) fn is_inside(day: &Nh3Day) -> bool {
    day.peak_mg_l <= NH3_PEAK_AT_MOST && day.mean_mg_l <= NH3_MEAN_AT_MOST
}

/// Looks for it where predicted ammonia is over; `earliest` says when a dose could be given against which only the
/// objections handed to it speak.
pub(super) fn within(
    ask: &DoseAsk,
    water: &DoseWater<'_>,
    planned: Option<&Preview>,
    objections: &[Objection],
    earliest: impl Fn(&[Objection]) -> Option<Timestamp>,
) -> Option<Within> {
    let [_, with] = planned?.nh3?;
    let tan = water.tan?;
    if is_inside(&with) {
        return None;
    }
    let solids = |dose: f64| Amount::of(dose, ask.basis, ask.slurry, water.volume_m3).solids_mg_l;
    let passes = |dose: f64, water: &DoseWater<'_>, lower: f64| {
        let day = preview(solids(dose), water, lower).and_then(|preview| preview.nh3);
        day.is_some_and(|[_, with]| is_inside(&with))
    };
    // What the other limit of a dose leaves.
    let of_slurry =
        Amount::of(1.0, ask.basis, ask.slurry, water.volume_m3).slurry_kg / water.volume_m3 * 1_000.0;
    let is_crop = ask.in_crop || water.stocked.is_some();
    let most = if is_crop { ask.dose.min(IN_CROP_AT_MOST / of_slurry * (1.0 + 1e-9)) } else { ask.dose };
    let dose = most_steps(most, DOSE_STEP, |dose| passes(dose, water, 0.0));
    let tan_at_most_mg_l = most_steps(tan.value, TAN_STEP, |mg_l| {
        passes(ask.dose, &DoseWater { tan: Some(Seen { value: mg_l, ..tan }), ..*water }, 0.0)
    });
    // The least by which it must be lower is what is left of the most by which it may be less so.
    let ph_lower_by =
        most_steps(PH_AT_MOST_LOWER, PH_STEP, |less| passes(ask.dose, water, PH_AT_MOST_LOWER - less));
    let is_other = |own: &&Objection| {
        let key = own.words.key();
        !(key.starts_with("against-nh3-") || key == "against-strength" && is_crop)
    };
    let others: alloc::vec::Vec<Objection> = objections.iter().filter(is_other).cloned().collect();
    Some(Within {
        dose,
        earliest: dose.and_then(|_| earliest(&others)),
        tan_at_most_mg_l: tan_at_most_mg_l.unwrap_or(0.0),
        ph_lower_by: ph_lower_by.map(|less| PH_AT_MOST_LOWER - less),
    })
}

/// The most of whole steps, at least one, up to `most`, that passes: of what passes the less, the better.
fn most_steps(most: f64, step: f64, passes: impl Fn(f64) -> bool) -> Option<f64> {
    // What is asked for is no more than some thousand steps.
    let (mut good, mut bad) = (0_u16, libm::floor(most / step + 1e-9).clamp(0.0, 10_000.0) as u16 + 1);
    while good + 1 < bad {
        let middle = good.midpoint(bad);
        if passes(f64::from(middle) * step) { good = middle } else { bad = middle }
    }
    (good > 0).then(|| f64::from(good) * step)
}
