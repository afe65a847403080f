//! The report's words, from the Fluent files in `texts/`: every sentence that a reader sees, in each language.

use crate::config::packed::{Packed, packed};
use crate::local::said::SaidStatus;
use crate::texts;
#[cfg(test)]
pub(super) use crate::texts::NO_TEXT;
use crate::texts::recognised;
use crate::texts::said::translated;
use crate::texts::{Choice, Words};

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
    /// That of a farm; English where there is no report in it.
    pub fn of_farm(code: Option<&str>) -> Self {
        match code.and_then(|code| code.split(['-', '_']).next()) {
            Some("es") => Self::Es,
            _ => Self::En,
        }
    }

    /// Its code.
    pub const fn code(self) -> &'static str {
        match self {
            Self::En => "en",
            Self::Es => "es",
        }
    }

    /// Its file.
    pub(super) fn source(self) -> &'static str {
        static ENGLISH: Packed = packed!("report-english");
        static SPANISH: Packed = packed!("report-spanish");
        match self {
            Self::En => &ENGLISH,
            Self::Es => &SPANISH,
        }
    }
}

/// The words of one language.
pub struct Texts {
    inner: texts::Texts,
    /// Which.
    pub language: Language,
}

impl std::fmt::Debug for Texts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Texts").field("language", &self.language).finish_non_exhaustive()
    }
}

impl Texts {
    /// Reads them.
    pub fn new(language: Language) -> Self {
        Self { inner: texts::Texts::of(language.code(), &[language.source()]), language }
    }

    /// A text.
    pub fn get(&self, key: &str) -> String {
        self.inner.get(key)
    }

    /// A text with something put in.
    pub fn fill(&self, key: &str, arguments: &[(&str, &str)]) -> String {
        let arguments: Vec<_> = arguments.iter().map(|(name, value)| (*name, (*value).into())).collect();
        self.inner.fill(key, &arguments)
    }

    /// The console's words of this language, which tell the daemon's sentences too.
    pub(super) fn words(&self) -> Words {
        let choice = Choice { language: Some(self.language.code().to_owned()), ..Choice::default() };
        texts::chosen(&choice).unwrap_or_else(|_| texts::english())
    }

    /// A sentence of the daemon, and whether it is in English though the report is not.
    pub(super) fn told(&self, said: &SaidStatus) -> (String, bool) {
        let words = self.words();
        if words == texts::english() {
            return (said.english.clone(), false);
        }
        (translated(words, said), said.key.is_empty() && !said.english.is_empty())
    }

    /// A text of which the English was kept, as far as it is known in the report's language.
    pub fn recognised(&self, english: &str) -> String {
        recognised::recognised(self.words(), english)
    }

    /// A field of the audit trail.
    pub fn audit_field(&self, english: &str) -> String {
        recognised::audit_field(self.words(), english)
    }

    /// Whether there is such a text.
    pub fn has(&self, key: &str) -> bool {
        self.inner.has(key)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeMap, BTreeSet};

    use super::*;

    /// Keys of a file, each with the names of what is put in.
    fn keys(language: Language) -> BTreeMap<String, BTreeSet<String>> {
        let (keys, wrong) = texts::own::keys(language.source());
        assert_eq!(wrong, Vec::<String>::new(), "{}", language.code());
        keys
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
    fn whatever_people_did_has_a_name() {
        let of_diary = pondreeve_core::diary::Kind::ALL.iter().map(|kind| kind.id());
        for language in [Language::En, Language::Es] {
            let texts = Texts::new(language);
            for kind in of_diary.clone().chain(crate::local::diary::deeds::KINDS) {
                assert!(texts.has(&format!("deed-{kind}")), "deed-{kind} in {}", language.code());
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
