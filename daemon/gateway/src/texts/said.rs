//! What the daemon says, in the language that is spoken. The daemon tells English, and beside it what the sentence
//! was made of; where that cannot be said in the language, the English stands. What was kept in English alone is looked
//! for among the patterns by which it may have been made.

use pondreeve_core::said::JOINED;

use super::recognised::recognised;
use super::{FluentValue, Words, english, say};
use crate::local::said::{PutInStatus, SaidStatus};

/// A sentence in this language, else in English.
pub fn told(words: Words, in_english: &str, said: Option<&SaidStatus>) -> String {
    match said {
        Some(said) if words != english() => translated(words, said),
        _ => recognised(words, in_english),
    }
}

/// A sentence by its pattern, whatever the language.
pub fn translated(words: Words, said: &SaidStatus) -> String {
    if said.key == JOINED {
        let mut parts = Vec::new();
        let mut between = "";
        for (name, put_in) in &said.with {
            match put_in {
                PutInStatus::Text(text) if name == "between" => between = text,
                PutInStatus::Text(text) => parts.push(text.clone()),
                PutInStatus::Said(part) => parts.push(translated(words, part)),
            }
        }
        let between =
            if between == " and " { format!(" {} ", say!(words, "and")) } else { between.to_owned() };
        return parts.join(&between);
    }
    if said.key.is_empty() || !words.has(&said.key) {
        return recognised(words, &said.english);
    }
    let arguments: Vec<(&str, FluentValue<'_>)> = said
        .with
        .iter()
        .map(|(name, put_in)| {
            let value = match put_in {
                PutInStatus::Text(text) => recognised(words, text),
                PutInStatus::Said(part) => translated(words, part),
            };
            (name.as_str(), FluentValue::from(value))
        })
        .collect();
    words.fill(&said.key, &arguments)
}
