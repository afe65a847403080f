//! A sentence in English with what it was made of, so that somebody else can say it in another language.
//!
//! English is what the journal, the audit trail and other systems are told; key and arguments are for those who
//! read another language. Both come of one pattern, by `said!`, so that they cannot part.

use alloc::borrow::Cow;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;
use core::fmt;
use core::ops::Deref;

use crate::time::Span;

/// What is put into a sentence.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Argument {
    /// A number as it is told, a unit, a name.
    Text(String),
    /// Something that is said itself.
    Said(Said),
}

impl fmt::Display for Argument {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Text(text) => text,
            Self::Said(said) => said,
        })
    }
}

impl From<String> for Argument {
    fn from(text: String) -> Self {
        Self::Text(text)
    }
}

impl From<&str> for Argument {
    fn from(text: &str) -> Self {
        Self::Text(String::from(text))
    }
}

impl From<&String> for Argument {
    fn from(text: &String) -> Self {
        Self::Text(text.clone())
    }
}

impl From<Said> for Argument {
    fn from(said: Said) -> Self {
        Self::Said(said)
    }
}

impl From<&Said> for Argument {
    fn from(said: &Said) -> Self {
        Self::Said(said.clone())
    }
}

/// A sentence, or a part of one.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Said {
    english: String,
    key: Cow<'static, str>,
    arguments: Vec<(Cow<'static, str>, Argument)>,
}

impl Said {
    /// By key and arguments, with what they come to in English. Use `said!`.
    pub fn new(english: String, key: &'static str, arguments: Vec<(Cow<'static, str>, Argument)>) -> Self {
        Self { english, key: Cow::Borrowed(key), arguments }
    }

    /// Words that are the same in every language, such as a name, or that nobody has translated.
    pub fn plain(english: impl Into<String>) -> Self {
        Self { english: english.into(), ..Self::default() }
    }

    /// These one after another, with `between` them.
    pub fn joined(parts: Vec<Self>, between: &str) -> Self {
        let words: Vec<&str> = parts.iter().map(|part| part.english.as_str()).collect();
        let english = words.join(between);
        let mut arguments = Vec::new();
        arguments.push((Cow::Borrowed("between"), Argument::from(between)));
        arguments.extend(parts.into_iter().map(|part| (Cow::Borrowed("part"), Argument::Said(part))));
        Self::new(english, JOINED, arguments)
    }

    /// In English.
    pub fn english(&self) -> &str {
        &self.english
    }

    /// Name of the pattern; empty where there is none.
    pub fn key(&self) -> &str {
        &self.key
    }

    /// What was put in, by name.
    pub fn arguments(&self) -> impl Iterator<Item = (&str, &Argument)> {
        self.arguments.iter().map(|(name, argument)| (name.as_ref(), argument))
    }
}

/// Key of what is no pattern but a list: the argument `between`, then each `part`.
pub const JOINED: &str = "joined";

impl Deref for Said {
    type Target = str;

    fn deref(&self) -> &str {
        &self.english
    }
}

impl fmt::Display for Said {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.english)
    }
}

impl From<Said> for String {
    fn from(said: Said) -> Self {
        said.english
    }
}

/// `said!("key", "{place}: {what}.", place = …, what = …)`: the sentence in English and what it is made of.
#[macro_export]
macro_rules! said {
    ($key:literal, $english:literal $(,)?) => {
        $crate::said::Said::new($crate::said::made::String::from($english), $key, $crate::said::made::Vec::new())
    };
    ($key:literal, $english:literal, $($name:ident = $value:expr),+ $(,)?) => {
        // All values before any name, so that a name hides no value.
        match ($($crate::said::Argument::from($value),)+) {
            ($($name,)+) => $crate::said::Said::new(
                $crate::said::made::format!($english, $($name = $name),+),
                $key,
                $crate::said::made::vec![$(($crate::said::made::Cow::Borrowed(stringify!($name)), $name)),+],
            ),
        }
    };
}
pub use said;

/// What the macro is made of, wherever it is used.
#[doc(hidden)]
pub mod made {
    pub use alloc::borrow::Cow;
    pub use alloc::string::String;
    pub use alloc::vec::Vec;
    pub use alloc::{format, vec};
}

/// A number with so many decimals.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    format!("{value:.decimals$}")
}

/// A number with one decimal.
pub(crate) fn tenth(value: f64) -> String {
    fixed(value, 1)
}

/// A value below a limit, with one decimal, or with two where it would read the same as the limit.
pub(crate) fn below(value: f64, limit: f64) -> String {
    let text = tenth(value);
    if value < limit && text == tenth(limit) {
        // Towards zero, so that what is below never reads as the limit.
        fixed((value * 100.0) as i64 as f64 / 100.0, 2)
    } else {
        text
    }
}

/// A length of time as a person says it.
pub fn length(span: Span) -> Said {
    let minutes = span.as_millis().max(0).saturating_add(30_000) / 60_000;
    let (hours, rest) = (minutes / 60, minutes % 60);
    match (hours, rest) {
        (0, 0) => said!("length-none", "less than a minute"),
        (0, _) => said!("length-minutes", "{minutes} min", minutes = format!("{minutes}")),
        (1..48, 0) => said!("length-whole-hours", "{hours} h", hours = format!("{hours}")),
        (1..48, _) => said!(
            "length-hours-minutes",
            "{hours} h {minutes} min",
            hours = format!("{hours}"),
            minutes = format!("{rest}")
        ),
        _ => said!("length-days", "{days} days", days = format!("{}", hours / 24)),
    }
}
