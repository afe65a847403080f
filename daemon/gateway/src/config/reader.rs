//! Reads a TOML document with the place of every value, and goes on after each problem, so that a
//! person sees all of them at once. The `table!` macro declares each table once: its keys, what each
//! accepts and why it is there; both the reading and the JSON Schema come from that one list.

use std::cell::RefCell;
use std::ops::Range;
use std::sync::Arc;

use schemars::{Schema, SchemaGenerator};
use toml::Spanned;
use toml::de::{DeString, DeTable, DeValue};

use super::problem::{Problem, Severity, Source};

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
    source: Arc<Source>,
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
    value: &'a DeValue<'a>,
    span: Range<usize>,
    path: String,
    problems: &'a Problems,
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

    fn child(&self, step: &str, value: &'a DeValue<'a>, span: Range<usize>) -> Self {
        let path = if self.path.is_empty() { step.to_owned() } else { format!("{}.{step}", self.path) };
        Cell { value, span, path, problems: self.problems }
    }
}

/// What a person would call what stands there.
pub fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text {}", quoted(text)),
        DeValue::Integer(number) => format!("the whole number {}", cut(&number.to_string())),
        DeValue::Float(number) => format!("the number {}", cut(&number.to_string())),
        DeValue::Boolean(flag) => format!("{flag}"),
        DeValue::Datetime(time) => format!("the date or time {time}"),
        DeValue::Array(items) => format!("a list of {}", items.len()),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// Longest piece of a file that is repeated in a message, characters.
const LONGEST_REPEATED: usize = 60;

fn cut(text: &str) -> String {
    match text.char_indices().nth(LONGEST_REPEATED) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

/// Text in quotes, cut if long, with nothing in it that steers a terminal.
pub fn quoted(text: &str) -> String {
    match text.char_indices().nth(LONGEST_REPEATED) {
        Some((end, _)) => format!("{:?}… ({} bytes)", &text[..end], text.len()),
        None => format!("{text:?}"),
    }
}

/// A key as it stands in a key path: in quotes where it is not one that a person would write.
fn step(key: &str) -> String {
    let plain = !key.is_empty()
        && key.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_');
    if plain && key.len() <= LONGEST_REPEATED { key.to_owned() } else { quoted(key) }
}

/// The candidate that was probably meant, if one is near enough.
pub fn nearest<'c>(found: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    // Comparing takes time that grows with the length; nobody misspells an id into a page of text.
    if found.len() > LONGEST_REPEATED {
        return None;
    }
    let found = found.to_lowercase();
    candidates
        .into_iter()
        .map(|candidate| (strsim::damerau_levenshtein(&found, candidate), candidate))
        .filter(|(distance, candidate)| {
            *distance <= (candidate.chars().count() / 3).max(1)
                || (found.len() >= 3 && (candidate.starts_with(&found) || found.starts_with(candidate)))
        })
        .min()
        .map(|(_, candidate)| candidate)
}

/// "did you mean" for an unknown name; `None` where nothing is near.
pub fn did_you_mean<'c>(found: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<String> {
    nearest(found, candidates).map(|candidate| format!("did you mean `{candidate}`?"))
}

/// Several names as a person lists them; `none` where there are none.
pub fn listed<'c>(names: impl IntoIterator<Item = &'c str>) -> String {
    let names: Vec<String> = names.into_iter().map(|name| format!("`{name}`")).collect();
    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
}

/// What one value may be.
pub trait Rule {
    /// What it becomes.
    type Out;
    /// Reads it, or reports why not.
    fn read(&self, cell: &Cell<'_>) -> Option<Self::Out>;
    /// The same as JSON Schema.
    fn schema(&self, generator: &mut SchemaGenerator) -> Schema;
}

/// A table declared by `table!`.
pub trait FromTable: Sized + schemars::JsonSchema {
    /// Its keys.
    const KEYS: &'static [&'static str];
    /// Reads every key.
    fn from_table(table: &Table<'_>) -> Self;
}

/// One table of the document.
#[derive(Debug)]
pub struct Table<'a> {
    cell: Cell<'a>,
    table: &'a DeTable<'a>,
    /// The keys it may have.
    known: &'static [&'static str],
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
            self.report_missing(key, &rule.schema(&mut SchemaGenerator::default()));
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

    fn refuse_unknown(&self) {
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

    fn report_missing(&self, key: &str, schema: &Schema) {
        // `[[pond]]`, `[store]` or a plain key: what a person has to add looks different.
        let is_table = |schema: &serde_json::Value| schema.get("$ref").is_some();
        let (accepted, mend) = if schema.get("items").is_some_and(is_table) {
            (format!("at least one table `{key}`"), format!("add a table headed `[[{}]]`", self.header(key)))
        } else if schema.get("$ref").is_some() {
            (format!("the table `{key}`"), format!("add the table `[{}]`", self.header(key)))
        } else {
            let title = schema.get("title").and_then(|title| title.as_str());
            (title.unwrap_or("this key").to_owned(), format!("add `{key} = …`"))
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

/// Rule for a table declared by `table!`.
#[derive(Debug, Clone, Copy)]
pub struct TableOf<T>(std::marker::PhantomData<T>);

impl<T> TableOf<T> {
    /// The rule.
    pub const fn new() -> Self {
        Self(std::marker::PhantomData)
    }
}

impl<T> Default for TableOf<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T: FromTable> Rule for TableOf<T> {
    type Out = T;
    fn read(&self, cell: &Cell<'_>) -> Option<T> {
        let Some(table) = cell.value.as_table() else {
            return cell.refuse(format!("a table with {}", listed(T::KEYS.iter().copied())));
        };
        let inner = Cell {
            value: cell.value,
            span: cell.span.clone(),
            path: cell.path.clone(),
            problems: cell.problems,
        };
        let table = Table { cell: inner, table, known: T::KEYS };
        table.refuse_unknown();
        Some(T::from_table(&table))
    }
    fn schema(&self, generator: &mut SchemaGenerator) -> Schema {
        generator.subschema_for::<T>()
    }
}

/// Rule for a list of tables (`[[pond]]`), at most so many.
#[derive(Debug, Clone, Copy)]
pub struct TablesOf<T> {
    most: usize,
    what: std::marker::PhantomData<T>,
}

impl<T> TablesOf<T> {
    /// At most `most` of them.
    pub const fn at_most(most: usize) -> Self {
        Self { most, what: std::marker::PhantomData }
    }
}

impl<T: FromTable> Rule for TablesOf<T> {
    type Out = Vec<At<T>>;
    fn read(&self, cell: &Cell<'_>) -> Option<Self::Out> {
        let Some(items) = cell.value.as_array() else {
            let name = cell.path.rsplit('.').next().unwrap_or_default();
            return cell.refuse_with(
                describe(cell.value),
                "a list of tables",
                Some(format!("write the header in double brackets, as in `[[{name}]]`")),
            );
        };
        if items.len() > self.most {
            return cell.refuse(format!("a list of at most {}", self.most));
        }
        let mut read = Vec::new();
        for (index, item) in items.iter().enumerate() {
            let id = item
                .get_ref()
                .as_table()
                .and_then(|table| table.get("id"))
                .and_then(|id| id.get_ref().as_str());
            let step = id.filter(|id| is_id(id)).map_or_else(|| format!("#{}", index + 1), str::to_owned);
            let inner = cell.child(&step, item.get_ref(), item.span());
            if let Some(value) = TableOf::<T>::new().read(&inner) {
                read.push(At { value, span: inner.span, path: inner.path });
            }
        }
        Some(read)
    }
    fn schema(&self, generator: &mut SchemaGenerator) -> Schema {
        let items = generator.subschema_for::<T>();
        schemars::json_schema!({ "type": "array", "items": items, "maxItems": self.most })
    }
}

/// Rule for a list of plain values.
#[derive(Debug, Clone, Copy)]
pub struct ListOf<R> {
    /// What each is.
    pub each: R,
    /// At least so many.
    pub least: usize,
    /// At most so many.
    pub most: usize,
}

impl<R: Rule> Rule for ListOf<R> {
    type Out = Vec<At<R::Out>>;
    fn read(&self, cell: &Cell<'_>) -> Option<Self::Out> {
        let accepted = || match (self.least, self.most) {
            (least, most) if least == most => format!("a list of {least}"),
            (least, most) => format!("a list of {least} to {most}"),
        };
        let Some(items) = cell.value.as_array() else { return cell.refuse(accepted()) };
        if !(self.least..=self.most).contains(&items.len()) {
            return cell.refuse(accepted());
        }
        let mut read = Vec::new();
        for (index, item) in items.iter().enumerate() {
            let inner = cell.child(&format!("#{}", index + 1), item.get_ref(), item.span());
            let value = self.each.read(&inner)?;
            read.push(At { value, span: inner.span, path: inner.path });
        }
        Some(read)
    }
    fn schema(&self, generator: &mut SchemaGenerator) -> Schema {
        let items = self.each.schema(generator);
        schemars::json_schema!({ "type": "array", "items": items, "minItems": self.least, "maxItems": self.most })
    }
}

/// Rule for a table whose keys are quantity ids.
#[derive(Debug, Clone, Copy)]
pub struct PerQuantity<T>(std::marker::PhantomData<T>);

impl<T> PerQuantity<T> {
    /// The rule.
    pub const fn new() -> Self {
        Self(std::marker::PhantomData)
    }
}

impl<T> Default for PerQuantity<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T: FromTable> Rule for PerQuantity<T> {
    type Out = Vec<(At<pondreeve_core::Quantity>, At<T>)>;
    fn read(&self, cell: &Cell<'_>) -> Option<Self::Out> {
        let Some(table) = cell.value.as_table() else {
            return cell.refuse("a table whose keys are quantity ids, such as `do_mg_l`");
        };
        let mut read = Vec::new();
        for (name, value) in table {
            let path = format!("{}.{}", cell.path, step(name.get_ref()));
            let Some(quantity) = measurable(name.get_ref()) else {
                let known = measurable_ids();
                let mut problem = Problem::new(
                    &cell.problems.source,
                    name.span(),
                    path,
                    format!("the unknown quantity {}", quoted(name.get_ref())),
                    format!("a measured quantity: {}", listed(known.iter().copied())),
                );
                problem.hint = did_you_mean(name.get_ref(), known);
                cell.problems.push(problem);
                continue;
            };
            let inner = Cell { value: value.get_ref(), span: value.span(), path, problems: cell.problems };
            if let Some(value) = TableOf::<T>::new().read(&inner) {
                let key = At { value: quantity, span: name.span(), path: inner.path.clone() };
                read.push((key, At { value, span: inner.span, path: inner.path }));
            }
        }
        Some(read)
    }
    fn schema(&self, generator: &mut SchemaGenerator) -> Schema {
        let each = generator.subschema_for::<T>();
        let properties: serde_json::Map<_, _> =
            measurable_ids().into_iter().map(|id| (id.to_owned(), each.clone().to_value())).collect();
        schemars::json_schema!({ "type": "object", "properties": properties, "additionalProperties": false })
    }
}

/// A quantity that a probe can measure, by its id.
pub fn measurable(id: &str) -> Option<pondreeve_core::Quantity> {
    pondreeve_core::Quantity::from_id(id).filter(|quantity| !quantity.is_derived())
}

/// Ids of the quantities that a probe can measure.
pub fn measurable_ids() -> Vec<&'static str> {
    pondreeve_core::Quantity::ALL
        .iter()
        .filter(|quantity| !quantity.is_derived())
        .map(|quantity| quantity.id())
        .collect()
}

/// Whether a text can be an id in commands, topics and file names.
pub fn is_id(text: &str) -> bool {
    (1..=32).contains(&text.len())
        && text
            .bytes()
            .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-' || byte == b'_')
        && text.starts_with(|first: char| first.is_ascii_alphanumeric())
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

/// Declares a table of the configuration: a struct, how it is read, and its JSON Schema.
macro_rules! table {
    (
        $(#[doc = $about:literal])+
        pub struct $name:ident {
            $( $(#[doc = $doc:literal])+ $key:ident : $out:ty = $presence:ident $rule:expr; )+
        }
    ) => {
        $(#[doc = $about])+
        #[derive(Debug, Clone)]
        pub struct $name {
            /// Place of the table.
            pub at: $crate::config::reader::At<()>,
            $( $(#[doc = $doc])+ pub $key: Option<$crate::config::reader::At<$out>>, )+
        }

        impl $crate::config::reader::FromTable for $name {
            const KEYS: &'static [&'static str] = &[$( stringify!($key) ),+];
            fn from_table(table: &$crate::config::reader::Table<'_>) -> Self {
                Self {
                    at: table.at(),
                    $( $key: table.$presence(stringify!($key), &$rule), )+
                }
            }
        }

        impl schemars::JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).trim_start_matches("Raw").to_owned().into()
            }
            fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
                let mut properties = serde_json::Map::new();
                let mut required: Vec<&str> = Vec::new();
                $(
                    let mut schema = $crate::config::reader::Rule::schema(&$rule, generator);
                    schema.insert("description".into(), concat!($($doc, "\n"),+).lines().map(str::trim).collect::<Vec<_>>().join(" ").trim().into());
                    properties.insert(stringify!($key).into(), schema.to_value());
                    if stringify!($presence) == "needed" { required.push(stringify!($key)); }
                )+
                schemars::json_schema!({
                    "type": "object",
                    "description": concat!($($about, "\n"),+).lines().map(str::trim).collect::<Vec<_>>().join(" ").trim(),
                    "properties": properties,
                    "required": required,
                    "additionalProperties": false,
                })
            }
        }
    };
}
pub(crate) use table;
