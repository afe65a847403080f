//! A sentence of the core with what it was made of, as the socket tells it beside the English: for consoles that
//! speak another language. A key that a client does not know is no error: it tells the English.

use pondreeve_core::said::{Argument, Said};
use serde::{Deserialize, Serialize};

/// A sentence, or a part of one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SaidStatus {
    /// Name of its pattern in the catalogue; empty where its words are the same in every language.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub key: String,
    /// In English.
    pub english: String,
    /// What is put in, by name, in the order of the English.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub with: Vec<(String, PutInStatus)>,
}

/// What is put into a sentence.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum PutInStatus {
    /// A number as it is told, a unit, a name.
    Text(String),
    /// Something that is said itself.
    Said(SaidStatus),
}

impl From<&Said> for SaidStatus {
    fn from(said: &Said) -> Self {
        let with = said.arguments().map(|(name, argument)| {
            let put_in = match argument {
                Argument::Text(text) => PutInStatus::Text(text.clone()),
                Argument::Said(part) => PutInStatus::Said(part.into()),
            };
            (name.to_owned(), put_in)
        });
        Self { key: said.key().to_owned(), english: said.english().to_owned(), with: with.collect() }
    }
}

impl SaidStatus {
    /// Where there is anything to translate.
    pub fn of(said: &Said) -> Option<Box<Self>> {
        (!said.key().is_empty()).then(|| Box::new(said.into()))
    }
}
