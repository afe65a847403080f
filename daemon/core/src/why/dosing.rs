//! The reminders and contradictions of a pond's doses explained.

use alloc::format;

use crate::alarm_set::Condition;
use crate::diary::dose::MISMATCH;
use crate::diary::stock::COUNT_TOLERANCE;
use crate::message::dosing::check_after;
use crate::said::{Said, fixed, length, said};
use crate::site::Pond;

/// What raises it and what clears it; `None` for any other condition.
pub(super) fn rules(condition: Condition, pond: &Pond) -> Option<(Said, Said)> {
    Some(match condition {
        Condition::DoseDue => (
            pond.dose_every.map_or_else(
                || {
                    said!(
                        "when-no-dose-every",
                        "`dose_every` of this pond is not set, so none is due"
                    )
                },
                |every| {
                    said!(
                        "when-dose-due",
                        "`dose_every` of this pond, {every}, after its last dose, else after stocking: at the first hour for a dose of that day, 15 min after sunrise",
                        every = length(every)
                    )
                },
            ),
            said!(
                "until-dose-due",
                "a dose recorded, or the crop harvested; shelved, it is silent with all that hangs on it"
            ),
        ),
        Condition::PhCheck(which) => (
            said!(
                "when-ph-check",
                "{after} after all of a dose was in, no pH was entered and no pH probe that passes its tests has read one",
                after = check_after(which)
            ),
            said!(
                "until-ph-check",
                "a pH entered or read by a probe that passes its tests; the time of the next check; the dose withdrawn"
            ),
        ),
        Condition::DoseCount => (
            said!(
                "when-dose-count",
                "containers counted differ from the count before, plus deliveries, less doses of all ponds from that lot, by more than {tolerance} of a container and {share} % of what was used; or the amounts of one dose differ by more than {share} % although confirmed",
                tolerance = format!("{COUNT_TOLERANCE}"),
                share = fixed(MISMATCH * 100.0, 0)
            ),
            said!(
                "until-dose-count",
                "a dose corrected, withdrawn or entered afterwards so that it fits; a count that fits, or one with a reason; for the amounts of one dose 2 days"
            ),
        ),
        _ => return None,
    })
}
