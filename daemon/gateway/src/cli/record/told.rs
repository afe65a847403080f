//! What was recorded, read back in plain words.

use super::super::plain::{clock, paragraph};
use crate::console::deed_words::{deed_words, kind_words};
use crate::local::diary::{DeedStatus, RecordedStatus};
use crate::local::protocol::FarmStatus;
use crate::texts::said::told as told_in;
use crate::texts::{Words, say};

/// What was understood, what follows from it, what to mind.
pub(in super::super) fn recorded(farm: &FarmStatus, recorded: &RecordedStatus, words: Words) -> String {
    let entry = &recorded.entry;
    let mut out = String::new();
    let number = entry.number.unwrap_or_default().to_string();
    let pond = entry.pond.as_deref().unwrap_or_default();
    let name = farm.ponds.iter().find(|own| own.id == pond).map_or("", |own| own.name.as_str());
    let what = match entry.corrects {
        Some(corrected) if entry.kind != "withdrawal" => say!(
            words,
            "recorded-in-place",
            number = &number,
            corrected = corrected.to_string(),
            pond = pond,
            name = name,
        ),
        _ => say!(words, "recorded-as", number = &number, pond = pond, name = name),
    };
    paragraph(&mut out, "", "  ", what.trim_end());
    let kind = kind_words(words, &entry.kind);
    let line = format!("{} {kind}: {}.", when(farm, entry, words), deed_words(words, entry));
    paragraph(&mut out, "  ", "    ", &line);
    for (place, sentence) in recorded.told.iter().enumerate() {
        let sentence = told_in(words, sentence, recorded.told_said.get(place));
        paragraph(&mut out, "  ", "    ", &sentence);
    }
    for (place, caution) in recorded.cautions.iter().enumerate() {
        let caution = told_in(words, caution, recorded.cautions_said.get(place));
        paragraph(&mut out, "! ", "  ", &caution);
    }
    if entry.kind != "withdrawal" {
        // The kind as the command takes it.
        let mend = say!(words, "recorded-wrong", pond = pond, number = number, kind = &entry.kind);
        paragraph(&mut out, "", "  ", &mend);
    }
    out
}

/// When it happened, with its end where it had one.
pub(super) fn when(farm: &FarmStatus, entry: &DeedStatus, words: Words) -> String {
    let clock = clock(farm).read_in(words);
    let at = clock.time_and_own_day(&entry.at);
    match &entry.stop {
        Some(stop) => say!(words, "recorded-until", at = at, stop = clock.time(stop)),
        None => at,
    }
}
