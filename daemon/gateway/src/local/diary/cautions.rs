//! What to mind after an entry: said each time, since nobody reads it anywhere else.

use pondreeve_chemistry::dose::Basis;
use pondreeve_core::diary::dose::USUAL_MOST_MG_L;
use pondreeve_core::diary::{Crop, Entry, LastDose, What, upsets};
use pondreeve_core::said::{Said, said};
use pondreeve_core::state::Doubts;

/// Slurry in one dose before shrimp are put in, mg/L. (Common practice, no source.)
const BEFORE_STOCKING_MG_L: f64 = 20.0;

fn sulfide() -> Said {
    said!(
        "mind-sulfide",
        "Hydrogen sulfide in drains, sumps and sludge pits kills, and the nose stops smelling it. Never enter a pit alone or to rescue; gas meter, ventilation, a trained team."
    )
}

/// The reason that was given for a dose.
fn reason(entry: &Entry) -> Option<&str> {
    let What::Dose(dose) = &entry.what else { return None };
    dose.reason.as_deref().map(str::trim).filter(|reason| !reason.is_empty())
}

/// Whether a dose was given against advice, and nobody says why.
pub(super) fn wants_reason(entry: &Entry) -> bool {
    matches!(&entry.what, What::Dose(dose) if dose.against.is_some()) && reason(entry).is_none()
}

/// What was odd about an entry when it was recorded.
pub(super) fn of_doubts(entry: &Entry, doubts: Doubts) -> Vec<Said> {
    let mut said = doubts.unlikely;
    if !doubts.against.is_empty() {
        let reasons = Said::joined(doubts.against, "; ");
        said.push(match reason(entry) {
            Some(why) => said!(
                "mind-against",
                "Given although plan dose says NOT NOW: {reasons}. Why, as noted: {why}.",
                reasons = reasons,
                why = why
            ),
            None => said!(
                "mind-against-unsaid",
                "Recorded, although plan dose says NOT NOW. Why it was given is not said: say it with --correct {number} and --reason, and tell the adviser. Against it: {reasons}.",
                reasons = reasons,
                number = format!("{}", entry.number)
            ),
        });
    }
    said
}

/// What to mind.
pub(super) fn cautions(entry: &Entry, last_dose: Option<LastDose>, crop: Option<&Crop>) -> Vec<Said> {
    let mut said = Vec::new();
    match &entry.what {
        What::Dose(dose) => {
            said.push(said!(
                "mind-slurry",
                "Slurry is alkaline, about pH 10: goggles, gloves, boots, water for the eyes at hand. Mix it with no acid, chlorine or other product. Rinse splashes at once."
            ));
            let strength = entry.basin.and_then(|basin| dose.strength(Basis::SlurryMass, basin.volume_m3()));
            let usual_mg_l = if crop.is_some() { USUAL_MOST_MG_L } else { BEFORE_STOCKING_MG_L };
            if let Some(strength) = strength.filter(|own| *own > BEFORE_STOCKING_MG_L) {
                said.push(said!(
                    "mind-far-too-much",
                    "{strength} mg/L of slurry is more than the {usual} before stocking, the most there is: was it another unit? Correct the entry if so; if not: pondreeve plan wrong-dose too-much.",
                    strength = format!("{strength:.1}"),
                    usual = format!("{BEFORE_STOCKING_MG_L:.0}")
                ));
            } else if let Some(strength) = strength.filter(|own| *own > usual_mg_l) {
                said.push(said!(
                    "mind-much",
                    "{strength} mg/L of slurry is more than the usual {usual} in a day with shrimp in the pond: read the pH at 1 h, 4 h and 24 h, and tell the adviser. If it was not meant: pondreeve plan wrong-dose too-much.",
                    strength = format!("{strength:.1}"),
                    usual = format!("{USUAL_MOST_MG_L:.0}")
                ));
            } else {
                said.push(said!(
                    "mind-read-ph",
                    "Read the pH at 1 h, 4 h and 24 h. Let no water out for 48 h."
                ));
            }
        }
        What::Drain(_) | What::Exchange(_) => {
            said.push(said!(
                "mind-discharge",
                "What is let out may need a permit, settling or a report: ask for the local limit. Sick or dead shrimp in the pond: call the vet or the authority and let nothing out."
            ));
            if let Some(dose) = last_dose.filter(|dose| dose.is_fresh(entry.at)) {
                let hours = (entry.at - dose.at).as_hours();
                said.push(said!(
                    "mind-fresh-dose",
                    "NOT within 48 h of a dose without the adviser's approval: this pond was dosed {hours} h before (entry {number}).",
                    hours = format!("{hours:.0}"),
                    number = format!("{}", dose.number)
                ));
            }
            said.push(sulfide());
        }
        What::Sludge(_) => said.push(sulfide()),
        What::Mortality(_) => said.push(said!(
            "mind-dead",
            "Sick or dead shrimp: call the vet or the authority, and let no water out."
        )),
        What::Stocking(_) => {
            if let Some(dose) = last_dose.filter(|dose| dose.is_fresh(entry.at)) {
                let hours = (entry.at - dose.at).as_hours();
                said.push(said!(
                    "mind-stocked-after-dose",
                    "Stocked {hours} h after a dose (entry {number}): 48 h and a pH reading come first. Read the pH now, and watch the young.",
                    hours = format!("{hours:.0}"),
                    number = format!("{}", dose.number)
                ));
            }
        }
        What::Weather { words } | What::Note { words } if upsets(words) => said.push(said!(
            "mind-upset",
            "By these words a storm or a moult: plan dose advises no dose for a day. If there was none, correct the entry."
        )),
        What::Feed(_)
        | What::Sampling(_)
        | What::Harvest(_)
        | What::Count(_)
        | What::Disturbance(_)
        | What::Weather { .. }
        | What::Cost { .. }
        | What::Price { .. }
        | What::Note { .. }
        | What::Withdrawal { .. } => {}
    }
    said
}
