//! What single values may be: texts, ids, numbers, lengths of time, choices.

use std::time::Duration;

use pondreeve_core::Quantity;
#[cfg(test)]
use schemars::{Schema, SchemaGenerator, json_schema};
use toml::de::DeValue;

use super::reader::{Cell, Rule, Wanted};
use super::words::{describe, did_you_mean, is_id, listed, quoted};

/// Any text that is not empty, at most 256 bytes, without control characters.
#[derive(Debug, Clone, Copy)]
pub struct Text;

impl Rule for Text {
    type Out = String;
    fn read(&self, cell: &Cell<'_>) -> Option<String> {
        const ACCEPTED: &str = "text in quotes, 1 to 256 bytes, without control characters";
        let text = match cell.value() {
            DeValue::String(text) => text,
            DeValue::Integer(number) => {
                let mend = format!("write it in quotes: \"{}\"", number.as_str());
                return cell.refuse_with(describe(cell.value()), ACCEPTED.to_owned(), Some(mend));
            }
            _ => return cell.refuse(ACCEPTED),
        };
        if text.trim().is_empty() || text.len() > 256 || text.chars().any(char::is_control) {
            return cell.refuse(ACCEPTED);
        }
        Some(text.to_string())
    }
    fn wanted(&self) -> Wanted {
        Wanted::Value("text in quotes".to_owned())
    }
    #[cfg(test)]
    fn schema(&self, _: &mut SchemaGenerator) -> Schema {
        json_schema!({ "title": "text in quotes", "type": "string", "minLength": 1, "maxLength": 256 })
    }
}

/// `true` or `false`.
#[derive(Debug, Clone, Copy)]
pub struct YesNo;

impl Rule for YesNo {
    type Out = bool;
    fn read(&self, cell: &Cell<'_>) -> Option<bool> {
        match cell.value().as_bool() {
            Some(value) => Some(value),
            None => cell.refuse("`true` or `false`, without quotes"),
        }
    }
    fn wanted(&self) -> Wanted {
        Wanted::Value("true or false".to_owned())
    }
    #[cfg(test)]
    fn schema(&self, _: &mut SchemaGenerator) -> Schema {
        json_schema!({ "title": "true or false", "type": "boolean" })
    }
}

/// A short id.
#[derive(Debug, Clone, Copy)]
pub struct Id;

impl Rule for Id {
    type Out = String;
    fn read(&self, cell: &Cell<'_>) -> Option<String> {
        let text = cell.value().as_str();
        match text.filter(|text| is_id(text)) {
            Some(text) => Some(text.to_owned()),
            None => {
                let mended: Option<String> = text.map(|text| {
                    text.to_lowercase()
                        .chars()
                        .map(|c| if c.is_ascii_alphanumeric() || c == '_' { c } else { '-' })
                        .take(32)
                        .collect()
                });
                let hint = mended.filter(|id| is_id(id)).map(|id| format!("for example `{id}`"));
                cell.refuse_with(describe(cell.value()), ID_ACCEPTED, hint)
            }
        }
    }
    fn wanted(&self) -> Wanted {
        Wanted::Value(ID_ACCEPTED.to_owned())
    }
    #[cfg(test)]
    fn schema(&self, _: &mut SchemaGenerator) -> Schema {
        json_schema!({ "title": ID_ACCEPTED, "type": "string", "pattern": "^[a-z0-9][a-z0-9_-]{0,31}$" })
    }
}

const ID_ACCEPTED: &str =
    "an id of 1 to 32 lower-case letters, digits, `-` and `_`, starting with a letter or digit";

/// A number in a range, both ends included.
#[derive(Debug, Clone, Copy)]
pub struct Number {
    /// Lowest accepted.
    pub lowest: f64,
    /// Highest accepted.
    pub highest: f64,
    /// Unit, for people; empty where there is none.
    pub unit: &'static str,
}

/// A number in a range with a unit.
pub const fn number(lowest: f64, highest: f64, unit: &'static str) -> Number {
    Number { lowest, highest, unit }
}

impl Number {
    fn accepted(&self) -> String {
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        format!("a number from {} to {}{unit}", self.lowest, self.highest)
    }
}

impl Rule for Number {
    type Out = f64;
    fn read(&self, cell: &Cell<'_>) -> Option<f64> {
        let number = match cell.value() {
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            DeValue::Integer(integer) => {
                i64::from_str_radix(integer.as_str(), integer.radix()).ok().map(|whole| whole as f64)
            }
            DeValue::String(text) if text.trim().parse::<f64>().is_ok() => {
                return cell.refuse_with(
                    describe(cell.value()),
                    self.accepted(),
                    Some("write it without quotes".to_owned()),
                );
            }
            _ => None,
        };
        match number {
            Some(number) if number >= self.lowest && number <= self.highest => Some(number),
            _ => cell.refuse(self.accepted()),
        }
    }
    fn wanted(&self) -> Wanted {
        Wanted::Value(self.accepted())
    }
    #[cfg(test)]
    fn schema(&self, _: &mut SchemaGenerator) -> Schema {
        json_schema!({ "title": self.accepted(), "type": "number", "minimum": self.lowest, "maximum": self.highest })
    }
}

/// A whole number in a range, both ends included.
#[derive(Debug, Clone, Copy)]
pub struct Whole {
    /// Lowest accepted.
    pub lowest: i64,
    /// Highest accepted.
    pub highest: i64,
    /// Unit, for people; empty where there is none.
    pub unit: &'static str,
}

/// A whole number in a range with a unit.
pub const fn whole(lowest: i64, highest: i64, unit: &'static str) -> Whole {
    Whole { lowest, highest, unit }
}

impl Whole {
    fn accepted(&self) -> String {
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        format!("a whole number from {} to {}{unit}", self.lowest, self.highest)
    }
}

impl Rule for Whole {
    type Out = i64;
    fn read(&self, cell: &Cell<'_>) -> Option<i64> {
        let number = match cell.value() {
            DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix()).ok(),
            DeValue::String(text) if text.trim().parse::<i64>().is_ok() => {
                return cell.refuse_with(
                    describe(cell.value()),
                    self.accepted(),
                    Some("write it without quotes".to_owned()),
                );
            }
            _ => None,
        };
        match number {
            Some(number) if (self.lowest..=self.highest).contains(&number) => Some(number),
            _ => cell.refuse(self.accepted()),
        }
    }
    fn wanted(&self) -> Wanted {
        Wanted::Value(self.accepted())
    }
    #[cfg(test)]
    fn schema(&self, _: &mut SchemaGenerator) -> Schema {
        json_schema!({ "title": self.accepted(), "type": "integer", "minimum": self.lowest, "maximum": self.highest })
    }
}

/// A length of time such as `5m` or `1h 30m`, in a range.
#[derive(Debug, Clone, Copy)]
pub struct Length {
    /// Shortest accepted.
    pub shortest: Duration,
    /// Longest accepted.
    pub longest: Duration,
}

/// A length of time from so many to so many milliseconds.
pub const fn length_ms(shortest: u64, longest: u64) -> Length {
    Length { shortest: Duration::from_millis(shortest), longest: Duration::from_millis(longest) }
}

/// A length of time from so many to so many seconds.
pub const fn length_s(shortest: u64, longest: u64) -> Length {
    length_ms(shortest * 1_000, longest * 1_000)
}

impl Length {
    fn accepted(&self) -> String {
        format!(
            "a length of time with its unit, in quotes, from {} to {}, such as \"30s\", \"5m\" or \"1h 30m\"",
            humantime::format_duration(self.shortest),
            humantime::format_duration(self.longest)
        )
    }
}

impl Rule for Length {
    type Out = Duration;
    fn read(&self, cell: &Cell<'_>) -> Option<Duration> {
        let text = match cell.value() {
            DeValue::String(text) => text,
            DeValue::Integer(_) | DeValue::Float(_) => {
                let hint =
                    "a bare number has no unit: write \"5s\" for seconds, \"5m\" for minutes".to_owned();
                return cell.refuse_with(describe(cell.value()), self.accepted(), Some(hint));
            }
            _ => return cell.refuse(self.accepted()),
        };
        match humantime::parse_duration(text) {
            Ok(length) if length >= self.shortest && length <= self.longest => Some(length),
            Ok(_) => cell.refuse(self.accepted()),
            Err(error) => {
                cell.refuse_with(format!("the text {} ({error})", quoted(text)), self.accepted(), None)
            }
        }
    }
    fn wanted(&self) -> Wanted {
        Wanted::Value(self.accepted())
    }
    #[cfg(test)]
    fn schema(&self, _: &mut SchemaGenerator) -> Schema {
        json_schema!({ "title": self.accepted(), "type": "string", "minLength": 2 })
    }
}

/// One of a few words.
#[derive(Debug, Clone, Copy)]
pub struct Choice<T: 'static>(
    /// The words and what each means.
    pub &'static [(&'static str, T)],
);

impl<T: Copy> Rule for Choice<T> {
    type Out = T;
    fn read(&self, cell: &Cell<'_>) -> Option<T> {
        let words = || self.0.iter().map(|(word, _)| *word);
        let accepted = format!("one of {}", listed(words()));
        let Some(text) = cell.value().as_str() else { return cell.refuse(accepted) };
        match self.0.iter().find(|(word, _)| *word == text) {
            Some((_, meaning)) => Some(*meaning),
            None => cell.refuse_with(describe(cell.value()), accepted, did_you_mean(text, words())),
        }
    }
    fn wanted(&self) -> Wanted {
        Wanted::Value(format!("one of {}", listed(self.0.iter().map(|(word, _)| *word))))
    }
    #[cfg(test)]
    fn schema(&self, _: &mut SchemaGenerator) -> Schema {
        let words: Vec<&str> = self.0.iter().map(|(word, _)| *word).collect();
        json_schema!({ "title": format!("one of {}", listed(words.iter().copied())), "type": "string", "enum": words })
    }
}

/// A quantity that a probe can measure, by its id.
pub fn measurable(id: &str) -> Option<Quantity> {
    Quantity::from_id(id).filter(|quantity| !quantity.is_derived())
}

/// Ids of the quantities that a probe can measure.
pub fn measurable_ids() -> Vec<&'static str> {
    Quantity::ALL.iter().filter(|quantity| !quantity.is_derived()).map(|quantity| quantity.id()).collect()
}

/// The id of a quantity that can be measured.
#[derive(Debug, Clone, Copy)]
pub struct QuantityId;

impl Rule for QuantityId {
    type Out = Quantity;
    fn read(&self, cell: &Cell<'_>) -> Option<Quantity> {
        let ids = measurable_ids();
        let accepted = format!("a measured quantity: {}", listed(ids.iter().copied()));
        let Some(text) = cell.value().as_str() else { return cell.refuse(accepted) };
        if let Some(quantity) = measurable(text) {
            return Some(quantity);
        }
        let hint = if Quantity::from_id(text).is_some() {
            Some(format!("`{text}` is computed by the daemon; no probe reports it"))
        } else {
            did_you_mean(text, ids)
        };
        cell.refuse_with(describe(cell.value()), accepted, hint)
    }
    fn wanted(&self) -> Wanted {
        Wanted::Value("id of a measured quantity".to_owned())
    }
    #[cfg(test)]
    fn schema(&self, _: &mut SchemaGenerator) -> Schema {
        json_schema!({ "title": "id of a measured quantity", "type": "string", "enum": measurable_ids() })
    }
}

/// A path in the file system.
#[derive(Debug, Clone, Copy)]
pub struct FilePath;

impl Rule for FilePath {
    type Out = std::path::PathBuf;
    fn read(&self, cell: &Cell<'_>) -> Option<std::path::PathBuf> {
        const ACCEPTED: &str = "a path in quotes; a relative one counts from the folder of this file";
        let Some(text) = cell.value().as_str() else { return cell.refuse(ACCEPTED) };
        if text.is_empty() || text.len() > 4096 || text.chars().any(char::is_control) {
            return cell.refuse(ACCEPTED);
        }
        Some(text.into())
    }
    fn wanted(&self) -> Wanted {
        Wanted::Value("a path; a relative one counts from the folder of this file".to_owned())
    }
    #[cfg(test)]
    fn schema(&self, _: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "title": "a path; a relative one counts from the folder of this file",
            "type": "string", "minLength": 1, "maxLength": 4096
        })
    }
}
