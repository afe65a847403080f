//! The reminders and contradictions of a pond's doses explained.

use alloc::format;
use alloc::string::String;

use crate::alarm_set::Condition;
use crate::diary::dose::MISMATCH;
use crate::diary::stock::COUNT_TOLERANCE;
use crate::dosing::follow_up::CHECKS;
use crate::message::length;
use crate::site::Pond;

/// What raises it and what clears it; `None` for any other condition.
pub(super) fn rules(condition: Condition, pond: &Pond) -> Option<(String, String)> {
    Some(match condition {
        Condition::DoseDue => (
            pond.dose_every.map_or_else(
                || String::from("`dose_every` of this pond is not set, so none is due"),
                |every| {
                    format!(
                        "`dose_every` of this pond, {}, after its last dose, else after stocking: at the first hour for a dose of that day, 15 min after sunrise",
                        length(every)
                    )
                },
            ),
            String::from("a dose recorded, or the crop harvested; shelved, it is silent with all that hangs on it"),
        ),
        Condition::PhCheck(which) => (
            format!(
                "{} after all of a dose was in, no pH was entered and no pH probe that passes its tests has read one",
                CHECKS.get(which).map(|after| length(*after)).unwrap_or_default()
            ),
            String::from("a pH entered or read by a probe that passes its tests; the time of the next check; the dose withdrawn"),
        ),
        Condition::DoseCount => (
            format!(
                "containers counted differ from the count before, plus deliveries, less doses of all ponds from that lot, by more than {COUNT_TOLERANCE} of a container and {:.0} % of what was used; or the amounts of one dose differ by more than {:.0} % although confirmed",
                MISMATCH * 100.0,
                MISMATCH * 100.0
            ),
            String::from("a dose corrected, withdrawn or entered afterwards so that it fits; a count that fits, or one with a reason; for the amounts of one dose 2 days"),
        ),
        _ => return None,
    })
}
