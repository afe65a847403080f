//! What people read, from catalogues of messages in Fluent files: the report's and the console's, in English
//! and Spanish, and a farm's own language in a file beside its configuration.
//!
//! A text that a language does not have is said in English. A catalogue is read once in a process.

use std::borrow::Cow;

use fluent_bundle::concurrent::FluentBundle;
pub(crate) use fluent_bundle::types::FluentValue;
use fluent_bundle::{FluentArgs, FluentResource};
use unic_langid::LanguageIdentifier;

mod choice;
pub mod own;
pub mod recognised;
pub mod said;
#[cfg(test)]
mod tests;

pub use choice::{Choice, ENGLISH, chosen, english};

/// What stands for a text that is not there; a test looks for it.
pub(crate) const NO_TEXT: char = '⟨';

/// Texts as the console's pages hand them on: read once, there until the program ends.
pub type Words = &'static Texts;

/// A text of [`Texts`], with what is put in: `say!(words, "age-minutes", minutes = 12)`.
macro_rules! say {
    ($words:expr, $key:expr) => {
        $words.get($key)
    };
    ($words:expr, $key:expr, $($name:ident = $value:expr),+ $(,)?) => {
        $words.fill($key, &[$((stringify!($name), $crate::texts::FluentValue::from($value))),+])
    };
}
pub(crate) use say;

type Bundle = FluentBundle<FluentResource>;

/// The texts of one language, and behind them those that stand in for what it lacks.
pub struct Texts {
    code: String,
    bundles: Vec<Bundle>,
}

impl std::fmt::Debug for Texts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Texts").field("code", &self.code).finish_non_exhaustive()
    }
}

impl PartialEq for Texts {
    fn eq(&self, other: &Self) -> bool {
        self.code == other.code
    }
}

impl Eq for Texts {}

/// A file as it is, or nothing of one that would fill the stack or overflow.
fn sound(source: &str) -> &str {
    let checks = [own::too_deep, own::too_long_a_number, own::cut_escape];
    let is_sound = checks.iter().all(|check| check(source).is_none());
    if is_sound { source } else { "" }
}

impl Texts {
    /// Texts of a language by its code, from one or more Fluent files; each stands in for what those before it
    /// lack. What is not sound in a file is left out: [`own::problems`] tells of it.
    pub fn of(code: &str, sources: &[&str]) -> Self {
        let id: LanguageIdentifier = code.parse().unwrap_or_default();
        let bundles = sources.iter().map(|source| {
            let mut bundle = FluentBundle::new_concurrent(vec![id.clone()]);
            // Marks of direction would stand between a number and its unit.
            bundle.set_use_isolating(false);
            let resource = match FluentResource::try_new(sound(source).to_owned()) {
                Ok(resource) | Err((resource, _)) => resource,
            };
            // A key that comes twice keeps its first text; tests and `check` tell of the second.
            let _ = bundle.add_resource(resource);
            bundle
        });
        Self { code: code.to_owned(), bundles: bundles.collect() }
    }

    /// The language's code.
    pub fn code(&self) -> &str {
        &self.code
    }

    /// A text.
    pub fn get(&self, key: &str) -> String {
        self.fill(key, &[])
    }

    /// A text with something put in.
    pub fn fill(&self, key: &str, arguments: &[(&str, FluentValue<'_>)]) -> String {
        let mut args = FluentArgs::with_capacity(arguments.len());
        for (name, value) in arguments {
            args.set(*name, value.clone());
        }
        let mut wrong = Vec::new();
        for bundle in &self.bundles {
            let Some(pattern) = bundle.get_message(key).and_then(|message| message.value()) else { continue };
            wrong.clear();
            let text: Cow<'_, str> = bundle.format_pattern(pattern, Some(&args), &mut wrong);
            if wrong.is_empty() {
                return text.into_owned();
            }
        }
        if wrong.is_empty() { format!("{NO_TEXT}{key}⟩") } else { format!("{NO_TEXT}{key}: {wrong:?}⟩") }
    }

    /// Whether there is such a text.
    pub fn has(&self, key: &str) -> bool {
        self.bundles.iter().any(|bundle| bundle.has_message(key))
    }

    /// A text that may not be known here, such as one for an id of a newer daemon.
    pub fn find(&self, key: &str) -> Option<String> {
        self.has(key).then(|| self.get(key))
    }
}
