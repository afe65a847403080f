//! The report's words, from the Fluent files in `texts/`: every sentence that a reader sees, in each language.

use std::borrow::Cow;

use fluent_bundle::{FluentArgs, FluentBundle, FluentResource};
use unic_langid::LanguageIdentifier;

/// A language that reports are written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum Language {
    /// English
    #[default]
    En,
    /// Spanish
    Es,
}

impl Language {
    /// Its code.
    pub const fn code(self) -> &'static str {
        match self {
            Self::En => "en",
            Self::Es => "es",
        }
    }

    /// Its file.
    pub(super) const fn source(self) -> &'static str {
        match self {
            Self::En => include_str!("texts/en.ftl"),
            Self::Es => include_str!("texts/es.ftl"),
        }
    }
}

/// The words of one language.
pub struct Texts {
    bundle: FluentBundle<FluentResource>,
    /// Which.
    pub language: Language,
}

impl std::fmt::Debug for Texts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Texts").field("language", &self.language).finish_non_exhaustive()
    }
}

/// What stands for a text that is not there; a test looks for it.
pub(super) const NO_TEXT: char = '⟨';

impl Texts {
    /// Reads them.
    pub fn new(language: Language) -> Self {
        let id: LanguageIdentifier = language.code().parse().unwrap_or_default();
        let mut bundle = FluentBundle::new(vec![id]);
        // Marks of direction would stand between a number and its unit.
        bundle.set_use_isolating(false);
        // What is not sound in a file is left out; a test reads the files strictly.
        let resource = match FluentResource::try_new(language.source().to_owned()) {
            Ok(resource) | Err((resource, _)) => resource,
        };
        let _ = bundle.add_resource(resource);
        Self { bundle, language }
    }

    /// A text.
    pub fn get(&self, key: &str) -> String {
        self.fill(key, &[])
    }

    /// A text with something put in.
    pub fn fill(&self, key: &str, arguments: &[(&str, &str)]) -> String {
        let Some(pattern) = self.bundle.get_message(key).and_then(|message| message.value()) else {
            return format!("{NO_TEXT}{key}⟩");
        };
        let mut args = FluentArgs::new();
        for (name, value) in arguments {
            args.set((*name).to_owned(), (*value).to_owned());
        }
        let mut errors = Vec::new();
        let text: Cow<'_, str> = self.bundle.format_pattern(pattern, Some(&args), &mut errors);
        if errors.is_empty() { text.into_owned() } else { format!("{NO_TEXT}{key}: {errors:?}⟩") }
    }

    /// Whether there is such a text.
    pub fn has(&self, key: &str) -> bool {
        self.bundle.has_message(key)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeMap, BTreeSet};

    use fluent_syntax::ast::{Entry, Expression, InlineExpression, Pattern, PatternElement};

    use super::*;

    /// Keys of a file, each with the names of what is put in.
    fn keys(language: Language) -> BTreeMap<String, BTreeSet<String>> {
        let parsed = fluent_syntax::parser::parse(language.source());
        let resource = parsed.unwrap_or_else(|(_, errors)| panic!("{}: {errors:?}", language.code()));
        let mut keys = BTreeMap::new();
        for entry in resource.body {
            if let Entry::Message(message) = entry {
                let names = message.value.as_ref().map(names).unwrap_or_default();
                let key = message.id.name.to_owned();
                assert!(
                    keys.insert(key, names).is_none(),
                    "{} twice in {}",
                    message.id.name,
                    language.code()
                );
            }
        }
        keys
    }

    fn names(pattern: &Pattern<&str>) -> BTreeSet<String> {
        let mut found = BTreeSet::new();
        for element in &pattern.elements {
            if let PatternElement::Placeable { expression } = element {
                let (inline, variants) = match expression {
                    Expression::Inline(inline) => (inline, &[][..]),
                    Expression::Select { selector, variants } => (selector, &variants[..]),
                };
                if let InlineExpression::VariableReference { id } = inline {
                    found.insert(id.name.to_owned());
                }
                found.extend(variants.iter().flat_map(|variant| names(&variant.value)));
            }
        }
        found
    }

    #[test]
    fn both_languages_have_the_same_texts() {
        let (english, spanish) = (keys(Language::En), keys(Language::Es));
        assert!(english.len() > 100, "{}", english.len());
        let only = |a: &BTreeMap<String, BTreeSet<String>>, b: &BTreeMap<String, BTreeSet<String>>| {
            a.iter().filter(|(key, names)| b.get(*key) != Some(names)).map(|(key, _)| key.clone()).collect()
        };
        let (missing, more): (Vec<String>, Vec<String>) =
            (only(&english, &spanish), only(&spanish, &english));
        assert_eq!((missing, more), (vec![], vec![]), "differ between en.ftl and es.ftl");
    }

    #[test]
    fn whatever_a_trial_may_compare_has_words() {
        use pondreeve_core::evidence::{Method, Outcome};
        let outcomes = Outcome::ALL.map(|own| format!("outcome-{}", own.id()));
        let methods = [Method::BeforeAfter, Method::Doses].map(|own| format!("compared-{}", own.id()));
        for language in [Language::En, Language::Es] {
            let texts = Texts::new(language);
            for key in outcomes.iter().chain(&methods) {
                assert!(texts.has(&key.replace('_', "-")), "{key} in {}", language.code());
            }
        }
    }

    #[test]
    fn a_text_that_is_missing_shows() {
        let texts = Texts::new(Language::En);
        assert!(texts.get("no-such-text").starts_with(NO_TEXT));
        assert!(texts.get("title").chars().all(|c| c != NO_TEXT), "{}", texts.get("title"));
    }
}
