//! What was done, in the language that is spoken: from the values that the daemon tells beside its English line.

use crate::local::diary::DeedStatus;
use crate::local::said::{PutInStatus, SaidStatus};
use crate::texts::said::{told, translated};
use crate::texts::{Words, english, say};

use super::diary::choice_words;
use super::text::number;
use super::words::quantity_name;
use super::{limits, shelving};

/// Decimals of a number as a person writes it: as many as matter.
fn amount(value: f64) -> String {
    let text = number(value, if value.abs() >= 1_000.0 { 0 } else { 2 });
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A kind of entry as a person reads it; one that is not known here is as it is.
pub(crate) fn kind_words(words: Words, kind: &str) -> String {
    words.find(&format!("kind-{kind}")).unwrap_or_else(|| kind.to_owned())
}

/// One line; the daemon's own where there is nothing to make one of.
pub(crate) fn deed_words(words: Words, deed: &DeedStatus) -> String {
    if words == english() {
        return deed.words.clone();
    }
    if let Some(said) = &deed.said {
        return translated(words, &with_reasons(words, said));
    }
    made(words, deed).unwrap_or_else(|| choice_words(words, &deed.words))
}

/// The same with the reasons that the console offers in this language.
fn with_reasons(words: Words, said: &SaidStatus) -> SaidStatus {
    let mut own = said.clone();
    for (name, put_in) in &mut own.with {
        match put_in {
            PutInStatus::Text(reason) if name == "reason" => {
                *reason = limits::reason_words(words, &shelving::reason_words(words, reason));
            }
            PutInStatus::Text(_) => {}
            PutInStatus::Said(part) => *part = with_reasons(words, part),
        }
    }
    own
}

/// What spoke against a dose, which is kept in English.
pub(crate) fn objections(words: Words, kept: &str) -> String {
    let told: Vec<String> = kept.split("; ").map(|own| told(words, own, None)).collect();
    told.join("; ")
}

fn made(words: Words, deed: &DeedStatus) -> Option<String> {
    let value = |name: &str| deed.values.get(name)?.as_f64();
    let told = |name: &str| value(name).map(amount);
    let text = |name: &str| deed.values.get(name)?.as_str().map(str::to_owned);
    let list = |parts: Vec<Option<String>>| {
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        (!parts.is_empty()).then(|| parts.join(", "))
    };
    match deed.kind.as_str() {
        "feed" => list(vec![
            told("kg").map(|kg| say!(words, "deed-feed", kg = kg)),
            told("tray_left_percent").map(|left| say!(words, "deed-tray", left = left)),
        ]),
        "dose" => list(vec![
            told("slurry_kg").map(|kg| say!(words, "deed-slurry-kg", kg = kg)),
            told("slurry_l").map(|litres| format!("{litres} L")),
            text("lot").map(|lot| say!(words, "deed-lot", lot = lot)),
            told("containers").map(|emptied| say!(words, "deed-containers", emptied = emptied)),
            told("slurry_mg_l").map(|strength| say!(words, "crop-strength", strength = strength)),
            text("against").map(|against| {
                let against = objections(words, &against);
                let reason = text("reason").map(|reason| choice_words(words, &reason));
                let reason = reason.unwrap_or_else(|| words.get("deed-no-reason"));
                say!(words, "deed-against", against = against, reason = reason)
            }),
        ]),
        "drain" | "exchange" => list(vec![
            told("volume_m3").map(|volume| format!("{volume} m3")),
            told("percent").map(|percent| format!("{percent} %")),
            told("level_before_m")
                .zip(told("level_after_m"))
                .map(|(before, after)| say!(words, "deed-levels", before = before, after = after)),
            told("refilled_to_m").map(|level| say!(words, "deed-filled", level = level)),
        ]),
        "sampling" => {
            let (count, grams, each) = (told("count")?, told("grams")?, told("abw_g")?);
            Some(say!(words, "deed-sampling", count = count, grams = grams, each = each))
        }
        "stocking" => told("count").map(|count| say!(words, "deed-stocking", count = count)),
        "mortality" => list(vec![
            told("count").map(|count| say!(words, "deed-dead", count = count)),
            told("kg").map(|kg| say!(words, "deed-dead-kg", kg = kg)),
        ]),
        "harvest" => {
            let is_final = deed.values.get("final")?.as_bool()?;
            let which = words.get(if is_final { "deed-final" } else { "deed-partial" });
            list(vec![
                Some(which),
                told("kg").map(|kg| format!("{kg} kg")),
                told("abw_g").map(|grams| say!(words, "crop-each", grams = grams)),
            ])
        }
        "sludge" => list(vec![
            told("ph").map(|ph| format!("pH {ph}")),
            told("orp_mv").map(|orp| format!("{orp} mV")),
            told("depth_cm").map(|depth| format!("{depth} cm")),
            text("method").map(|method| choice_words(words, &method)),
        ]),
        "cost" => {
            let (item, amount) = (choice_words(words, &text("item")?), number(value("amount")?, 2));
            Some(say!(words, "deed-cost", item = item, amount = amount))
        }
        "price" => {
            let (item, amount) = (choice_words(words, &text("item")?), number(value("amount")?, 2));
            Some(say!(words, "deed-price", item = item, amount = amount, per = text("per")?))
        }
        "reading" => {
            let (id, value) = deed.values.iter().find_map(|(id, value)| Some((id, value.as_f64()?)))?;
            let unit = pondreeve_core::Quantity::from_id(id)?.unit();
            let name = quantity_name(words, id);
            Some(
                say!(words, "deed-reading", name = name, value = amount(value), unit = unit)
                    .replace("  ", " "),
            )
        }
        "count" => list(vec![
            told("left").map(|left| say!(words, "deed-count", left = left)),
            text("lot").map(|lot| say!(words, "deed-lot", lot = lot)),
            told("delivered").map(|came| say!(words, "deed-count-delivered", delivered = came)),
            text("reason")
                .map(|reason| say!(words, "deed-count-reason", reason = choice_words(words, &reason))),
        ]),
        "disturbance" => text("words"),
        "withdrawal" => text("reason").map(|reason| say!(words, "deed-withdrawn", reason = reason)),
        // Only the alarm's id is more than the kind says.
        "acknowledgement" => deed.words.strip_prefix("acknowledged ").map(str::to_owned),
        "reset" => deed.words.strip_suffix(" checked off").map(str::to_owned),
        _ => None,
    }
}
