//! A farm's own language: what is wrong with its file, and what it still lacks.

use std::collections::{BTreeMap, BTreeSet};

use crate::config::words::did_you_mean;
use fluent_syntax::ast::{Entry, Expression, InlineExpression, Pattern, PatternElement};

/// Placeables within placeables in any text of ours: two. The reader of Fluent files takes each in turn inside the one
/// before, so that no bound would let a file fill the stack.
const DEEPEST: usize = 16;

/// The line on which a file nests deeper than any text can need, if one does.
pub(super) fn too_deep(source: &str) -> Option<usize> {
    let (mut depth, mut line) = (0_usize, 1);
    let mut line_begins = true;
    for byte in source.bytes() {
        match byte {
            b'\n' => line += 1,
            // Another entry begins where a line does not begin with a blank.
            _ if line_begins && !matches!(byte, b' ' | b'\t' | b'\r' | b'}' | b'{' | b'[' | b'*' | b'.') => {
                depth = 0;
            }
            b'{' => depth += 1,
            // Arguments, within a placeable.
            b'(' if depth > 0 => depth += 1,
            b'}' => depth = depth.saturating_sub(1),
            b')' if depth > 1 => depth -= 1,
            _ => {}
        }
        line_begins = byte == b'\n';
        if depth > DEEPEST {
            return Some(line);
        }
    }
    None
}

/// Digits in a row that a number in a text may have. With more behind its point the library's choice of a plural overflows.
const MOST_DIGITS: usize = 15;

/// The line on which a file has a longer number than any text can need, if one does.
pub(super) fn too_long_a_number(source: &str) -> Option<usize> {
    let is_long = |line: &str| {
        line.as_bytes()
            .chunk_by(|a, b| a.is_ascii_digit() == b.is_ascii_digit())
            .any(|run| run.len() > MOST_DIGITS && run.first().is_some_and(u8::is_ascii_digit))
    };
    source.lines().position(is_long).map(|line| line + 1)
}

/// The line with an escaped letter (`\u00e1`, `\U01f600`) that is cut short, if one is: the library cuts through a letter there.
pub(super) fn cut_escape(source: &str) -> Option<usize> {
    let is_cut = |line: &str| {
        [("\\u", 4), ("\\U", 6)].iter().any(|(mark, digits)| {
            line.match_indices(mark).any(|(at, _)| {
                let code = line.as_bytes().get(at + 2..at + 2 + digits);
                !code.is_some_and(|code| code.iter().all(u8::is_ascii_hexdigit))
            })
        })
    };
    source.lines().position(is_cut).map(|line| line + 1)
}

/// Keys of a Fluent file, each with the names of what is put in, and what is wrong in the file.
pub fn keys(source: &str) -> (BTreeMap<String, BTreeSet<String>>, Vec<String>) {
    if let Some(line) = too_deep(source) {
        let wrong = format!(
            "line {line}: braces are more than {DEEPEST} deep in one another; none of the file is used"
        );
        return (BTreeMap::new(), vec![wrong]);
    }
    if let Some(line) = too_long_a_number(source) {
        let wrong = format!(
            "line {line}: a number has more than {MOST_DIGITS} digits in a row; none of the file is used"
        );
        return (BTreeMap::new(), vec![wrong]);
    }
    if let Some(line) = cut_escape(source) {
        let wrong = format!(
            "line {line}: \\u is followed by four hexadecimal digits, \\U by six; none of the file is used"
        );
        return (BTreeMap::new(), vec![wrong]);
    }
    let (resource, mut wrong) = match fluent_syntax::parser::parse(source) {
        Ok(resource) => (resource, Vec::new()),
        Err((resource, errors)) => {
            let told = errors.iter().map(|error| {
                let line = source.get(..error.pos.start).map_or(1, |before| before.matches('\n').count() + 1);
                format!("line {line}: {error}")
            });
            (resource, told.collect())
        }
    };
    let mut keys = BTreeMap::new();
    for entry in resource.body {
        if let Entry::Message(message) = entry {
            let names = message.value.as_ref().map(names).unwrap_or_default();
            if keys.insert(message.id.name.to_owned(), names).is_some() {
                let name = message.id.name;
                wrong.push(format!("{}`{name}` stands twice; the first counts", place(source, name)));
            }
        }
    }
    (keys, wrong)
}

/// `line 12: `, where a key stands.
fn place(source: &str, key: &str) -> String {
    let is_key = |line: &str| line.strip_prefix(key).is_some_and(|rest| rest.trim_start().starts_with('='));
    source.lines().position(is_key).map_or_else(String::new, |line| format!("line {}: ", line + 1))
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

/// What was found in a farm's own file.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Found {
    /// What cannot be used, each in one sentence.
    pub wrong: Vec<String>,
    /// Keys that are still said in English.
    pub missing: Vec<String>,
}

/// Holds a farm's own file against the English one.
pub fn problems(source: &str) -> Found {
    let (english, _) = keys(&super::ENGLISH);
    let (own, mut wrong) = keys(source);
    for (key, names) in &own {
        match english.get(key) {
            None => wrong.push({
                let near = did_you_mean(key, english.keys().map(String::as_str));
                format!(
                    "{}no text is called `{key}`{}",
                    place(source, key),
                    near.map_or_else(String::new, |near| format!("; {near}"))
                )
            }),
            Some(known) => {
                let unknown: Vec<&str> = names.difference(known).map(String::as_str).collect();
                if !unknown.is_empty() {
                    let accepted: Vec<String> = known.iter().map(|name| format!("${name}")).collect();
                    let accepted =
                        if accepted.is_empty() { "nothing".to_owned() } else { accepted.join(", ") };
                    let unknown = unknown.join(", $");
                    let place = place(source, key);
                    wrong.push(format!("{place}`{key}`: ${unknown} is not put in; accepted: {accepted}"));
                }
            }
        }
    }
    let missing = english.keys().filter(|key| !own.contains_key(*key)).cloned().collect();
    Found { wrong, missing }
}
