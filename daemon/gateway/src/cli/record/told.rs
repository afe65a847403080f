//! What was recorded, read back in plain words.

use super::super::plain::{clock, paragraph};
use crate::local::diary::{DeedStatus, RecordedStatus};
use crate::local::protocol::FarmStatus;

/// What was understood, what follows from it, what to mind.
pub(super) fn recorded(farm: &FarmStatus, recorded: &RecordedStatus) -> String {
    let entry = &recorded.entry;
    let mut out = String::new();
    let number = entry.number.unwrap_or_default();
    let pond = entry.pond.as_deref().unwrap_or_default();
    let named = farm.ponds.iter().find(|own| own.id == pond).map_or("", |own| own.name.as_str());
    let what = match entry.corrects {
        Some(corrected) if entry.kind != "withdrawal" => {
            format!("Recorded as entry {number}, in place of entry {corrected}, pond {pond} {named}:")
        }
        _ => format!("Recorded as entry {number}, pond {pond} {named}:"),
    };
    paragraph(&mut out, "", "  ", what.trim_end());
    paragraph(&mut out, "  ", "    ", &format!("{} {}: {}.", when(farm, entry), entry.kind, entry.words));
    for sentence in &recorded.told {
        paragraph(&mut out, "  ", "    ", sentence);
    }
    for caution in &recorded.cautions {
        paragraph(&mut out, "! ", "  ", caution);
    }
    if entry.kind != "withdrawal" {
        let mend = format!(
            "Wrong? pondreeve record --pond {pond} --correct {number} {} ..., or withdraw {number} --reason ...",
            entry.kind
        );
        paragraph(&mut out, "", "  ", &mend);
    }
    out
}

/// When it happened, with its end where it had one.
pub(super) fn when(farm: &FarmStatus, entry: &DeedStatus) -> String {
    let clock = clock(farm);
    let at = clock.time_and_day(&entry.at);
    match &entry.stop {
        Some(stop) => format!("{at} to {}", clock.time(stop)),
        None => at,
    }
}
