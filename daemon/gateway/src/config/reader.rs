//! Reads a TOML document with the place of every value, and goes on after each problem, so that a
//! person sees all of them at once.

use std::cell::RefCell;
use std::ops::Range;
use std::sync::Arc;

#[cfg(test)]
use schemars::{JsonSchema as Described, Schema, SchemaGenerator};
use toml::Spanned;
use toml::de::{DeString, DeTable, DeValue};

use super::problem::{Problem, Severity, Source};
use super::tables::TableOf;
use super::words::{describe, listed, nearest, quoted, step};

/// A value and where it stands.
#[derive(Debug, Clone)]
pub struct At<T> {
    /// The value.
    pub value: T,
    /// Bytes of the text.
    pub span: Range<usize>,
    /// Key path.
    pub path: String,
}

impl<T> At<T> {
    /// The same place with another value.
    pub fn with<U>(&self, value: U) -> At<U> {
        At { value, span: self.span.clone(), path: self.path.clone() }
    }
}

/// Problems gathered while one text is read and resolved.
#[derive(Debug)]
pub struct Problems {
    pub(super) source: Arc<Source>,
    list: RefCell<Vec<Problem>>,
}

impl Problems {
    /// None yet.
    pub fn new(source: &Arc<Source>) -> Self {
        Self { source: Arc::clone(source), list: RefCell::default() }
    }

    /// The text they are about.
    pub fn source(&self) -> &Arc<Source> {
        &self.source
    }

    /// Adds one.
    pub fn push(&self, problem: Problem) {
        self.list.borrow_mut().push(problem);
    }

    /// Makes one about a value that was read.
    pub fn about<T>(&self, at: &At<T>, found: impl Into<String>, accepted: impl Into<String>) -> Problem {
        Problem::new(&self.source, at.span.clone(), at.path.clone(), found, accepted)
    }

    /// Whether there is one about this key already.
    pub fn any_about(&self, path: &str) -> bool {
        self.list.borrow().iter().any(|problem| problem.path == path)
    }

    /// Whether any of them is an error.
    pub fn any_error(&self) -> bool {
        self.list.borrow().iter().any(|problem| problem.severity == Severity::Error)
    }

    /// Gives them up.
    pub fn into_inner(self) -> Vec<Problem> {
        self.list.into_inner()
    }
}

/// One value of the document, not yet read.
#[derive(Debug)]
pub struct Cell<'a> {
    pub(super) value: &'a DeValue<'a>,
    pub(super) span: Range<usize>,
    pub(super) path: String,
    pub(super) problems: &'a Problems,
}

impl<'a> Cell<'a> {
    /// The value.
    pub fn value(&self) -> &'a DeValue<'a> {
        self.value
    }

    /// Reports that it is not what is accepted here; always `None`.
    pub fn refuse<T>(&self, accepted: impl Into<String>) -> Option<T> {
        self.refuse_with(describe(self.value), accepted, None)
    }

    /// The same with a finding of one's own and a mend.
    pub fn refuse_with<T>(
        &self,
        found: impl Into<String>,
        accepted: impl Into<String>,
        hint: Option<String>,
    ) -> Option<T> {
        let mut problem =
            Problem::new(&self.problems.source, self.span.clone(), self.path.clone(), found, accepted);
        problem.hint = hint;
        self.problems.push(problem);
        None
    }

    pub(super) fn child(&self, step: &str, value: &'a DeValue<'a>, span: Range<usize>) -> Self {
        let path = if self.path.is_empty() { step.to_owned() } else { format!("{}.{step}", self.path) };
        Cell { value, span, path, problems: self.problems }
    }
}

/// `[[pond]]`, `[store]` or a plain key: what a person has to add looks different.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wanted {
    /// A value, as told to people.
    Value(String),
    /// A table.
    Table,
    /// One table or more.
    Tables,
}

/// What one value may be.
pub trait Rule {
    /// What it becomes.
    type Out;
    /// Reads it, or reports why not.
    fn read(&self, cell: &Cell<'_>) -> Option<Self::Out>;
    /// What a person has to write where it is missing.
    fn wanted(&self) -> Wanted {
        Wanted::Value("this key".to_owned())
    }
    /// The same as JSON Schema. Tests hold the file that the program prints to it; the program itself, which must be
    /// small, has no need of it.
    #[cfg(test)]
    fn schema(&self, generator: &mut SchemaGenerator) -> Schema;
}

/// What tests can describe; outside of them, anything.
#[cfg(not(test))]
pub trait Described {}

#[cfg(not(test))]
impl<T> Described for T {}

/// A table declared by `table!`.
pub trait FromTable: Sized + Described {
    /// Its keys.
    const KEYS: &'static [&'static str];
    /// Reads every key.
    fn from_table(table: &Table<'_>) -> Self;
}

/// One table of the document.
#[derive(Debug)]
pub struct Table<'a> {
    pub(super) cell: Cell<'a>,
    pub(super) table: &'a DeTable<'a>,
    /// The keys it may have.
    pub(super) known: &'static [&'static str],
}

impl<'a> Table<'a> {
    /// Place of the whole table.
    pub fn at(&self) -> At<()> {
        At { value: (), span: self.cell.span.clone(), path: self.cell.path.clone() }
    }

    /// Reads a key that may be left out.
    pub fn optional<R: Rule>(&self, key: &str, rule: &R) -> Option<At<R::Out>> {
        let (_, value) = self.table.iter().find(|(name, _)| name.get_ref() == key)?;
        let cell = self.cell.child(key, value.get_ref(), value.span());
        let value = rule.read(&cell)?;
        Some(At { value, span: cell.span, path: cell.path })
    }

    /// Reads a key that must be there.
    pub fn needed<R: Rule>(&self, key: &str, rule: &R) -> Option<At<R::Out>> {
        // A misspelt key is told once, as the unknown key that it is.
        if !self.table.contains_key(key) && !self.unknown().any(|(_, guess)| guess == Some(key)) {
            self.report_missing(key, rule.wanted());
        }
        self.optional(key, rule)
    }

    /// Keys that this table does not have, each with the one that was probably meant.
    fn unknown(&self) -> impl Iterator<Item = (&Spanned<DeString<'a>>, Option<&'static str>)> {
        self.table
            .keys()
            .filter(|name| !self.known.contains(&name.get_ref().as_ref()))
            .map(|name| (name, nearest(name.get_ref(), self.known.iter().copied())))
    }

    pub(super) fn refuse_unknown(&self) {
        for (name, guess) in self.unknown() {
            let mut problem = Problem::new(
                &self.cell.problems.source,
                name.span(),
                self.key_path(name.get_ref()),
                format!("the unknown key {}", quoted(name.get_ref())),
                listed(self.known.iter().copied()),
            );
            problem.hint = special_hint(name.get_ref())
                .or_else(|| guess.map(|guess| format!("did you mean `{guess}`?")));
            self.cell.problems.push(problem);
        }
    }

    fn report_missing(&self, key: &str, wanted: Wanted) {
        let (accepted, mend) = match wanted {
            Wanted::Tables => (
                format!("at least one table `{key}`"),
                format!("add a table headed `[[{}]]`", self.header(key)),
            ),
            Wanted::Table => {
                (format!("the table `{key}`"), format!("add the table `[{}]`", self.header(key)))
            }
            Wanted::Value(accepted) => (accepted, format!("add `{key} = …`")),
        };
        let problem = Problem::new(
            &self.cell.problems.source,
            self.cell.span.clone(),
            self.key_path(key),
            format!("no `{key}`, which is required"),
            accepted,
        );
        self.cell.problems.push(problem.with_hint(mend));
    }

    fn key_path(&self, key: &str) -> String {
        if self.cell.path.is_empty() { step(key) } else { format!("{}.{}", self.cell.path, step(key)) }
    }

    /// The header of a table in here as TOML writes it: without the ids of list items.
    fn header(&self, key: &str) -> String {
        match self.cell.path.split('.').next() {
            Some(list) if !list.is_empty() => format!("{list}.{key}"),
            _ => key.to_owned(),
        }
    }
}

/// Mends for keys that people try though they are not there on purpose.
fn special_hint(key: &str) -> Option<String> {
    match key {
        "password" | "passwd" | "secret" => Some(
            "a password never stands in the configuration, which is copied and mailed: put it alone into a file \
             that only the daemon's user can read, and name that file with `password_file`"
                .to_owned(),
        ),
        "enabled" | "disabled" | "disable" | "enable" | "off" => Some(
            "alarms and probes cannot be switched off here without a trace: remove a probe that is gone; change a \
             limit within its range"
                .to_owned(),
        ),
        _ => None,
    }
}

/// Reads a whole document as a `T`. Problems go to `problems`; what could be read comes back even so.
pub fn read_document<T: FromTable>(problems: &Problems) -> Option<T> {
    let source = Arc::clone(&problems.source);
    let (document, errors) = DeTable::parse_recoverable(source.text());
    for error in &errors {
        let span = error.span().unwrap_or(0..0);
        let found = format!("text that is not TOML: {}", error.message().trim());
        problems.push(Problem::new(
            &source,
            span,
            "",
            found,
            "TOML 1.0, as in the commented example: `pondreeve check --example`",
        ));
    }
    // What follows a broken line is guesswork of the parser; more findings from it would mislead.
    if !errors.is_empty() {
        return None;
    }
    let span = document.span();
    let value = DeValue::Table(document.into_inner());
    // A missing top-level key is a matter of the whole file: shown at its start.
    let cell = Cell { value: &value, span: span.start..span.start, path: String::new(), problems };
    TableOf::<T>::new().read(&cell)
}
