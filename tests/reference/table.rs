//! Reads the committed tables and compares with them.

use std::collections::HashMap;
use std::path::PathBuf;

/// One row of a table, by column name.
pub(crate) struct Row {
    id: String,
    cells: HashMap<String, String>,
}

impl Row {
    /// The row's name, for messages.
    pub(crate) fn id(&self) -> &str {
        &self.id
    }

    /// A cell's text; a column that is missing is a mistake in the test.
    pub(crate) fn text(&self, column: &str) -> &str {
        self.cells.get(column).unwrap_or_else(|| panic!("{}: no column {column}", self.id))
    }

    /// A cell's number.
    pub(crate) fn number(&self, column: &str) -> f64 {
        let text = self.text(column);
        text.parse().unwrap_or_else(|_| panic!("{}: {column} is {text:?}, not a number", self.id))
    }

    /// A cell's number, or `None` where the reference has no value.
    pub(crate) fn maybe(&self, column: &str) -> Option<f64> {
        if self.text(column).is_empty() { None } else { Some(self.number(column)) }
    }
}

/// All rows of `tests/reference/data/NAME`.
pub(crate) fn rows(name: &str) -> Vec<Row> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("reference/data").join(name);
    let mut reader = csv::Reader::from_path(&path)
        .unwrap_or_else(|error| panic!("cannot open {}: {error}", path.display()));
    let header: Vec<String> = reader.headers().expect("a header").iter().map(str::to_owned).collect();
    let rows: Vec<Row> = reader
        .records()
        .map(|record| {
            let record = record.unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            let id = format!("{name} {}", record.get(0).unwrap_or_default());
            Row { id, cells: header.iter().cloned().zip(record.iter().map(str::to_owned)).collect() }
        })
        .collect();
    assert!(!rows.is_empty(), "{} has no rows", path.display());
    rows
}

/// Collects comparisons and fails with every one that is out, not only the first.
#[derive(Default)]
pub(crate) struct Comparison {
    checked: usize,
    wrong: Vec<String>,
}

impl Comparison {
    /// Asks for `|got - expected| <= max(absolute, relative * |expected|)`.
    pub(crate) fn near(&mut self, what: &str, got: f64, expected: f64, absolute: f64, relative: f64) {
        self.checked += 1;
        let allowed = f64::max(absolute, relative * expected.abs());
        // Written so that a NaN counts as wrong.
        let good = (got - expected).abs() <= allowed;
        if !good {
            self.wrong.push(format!("{what}: got {got}, reference {expected}, allowed {allowed:e}"));
        }
    }

    /// Asks for equal texts or flags.
    pub(crate) fn same<T: PartialEq + std::fmt::Debug>(&mut self, what: &str, got: &T, expected: &T) {
        self.checked += 1;
        if got != expected {
            self.wrong.push(format!("{what}: got {got:?}, reference {expected:?}"));
        }
    }

    /// Fails the test if a comparison was wrong, or if fewer than `at_least` were made.
    pub(crate) fn finish(self, at_least: usize) {
        assert!(
            self.checked >= at_least,
            "only {} of at least {at_least} comparisons were made",
            self.checked
        );
        assert!(
            self.wrong.is_empty(),
            "{} of {} comparisons are out:\n{}",
            self.wrong.len(),
            self.checked,
            self.wrong.join("\n")
        );
    }
}
