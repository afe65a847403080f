//! Recorded readings out of CSV files.

use std::collections::{BTreeMap, VecDeque};
use std::fs::File;
use std::path::Path;

use csv::ByteRecord;
use pondreeve_core::{Quantity, Span, Timestamp};

use super::trouble::{Kind, Trouble};
use crate::exit_code::Failure;

/// The column of times.
const TIME: &str = "time_utc";

/// Rows looked at to learn how often each quantity was recorded: a day and more at one a minute.
const ROWS_AHEAD: usize = 2_000;

/// One open file.
pub(super) struct Recording {
    name: String,
    reader: csv::Reader<File>,
    headers: Vec<String>,
    time_column: usize,
    /// Which cells of a row are read, and as what.
    columns: Vec<(usize, Quantity)>,
    ahead: VecDeque<ByteRecord>,
    record: ByteRecord,
}

/// One row.
#[derive(Debug, Default)]
pub(super) struct Row {
    pub(super) line: u64,
    pub(super) at: Timestamp,
    pub(super) cells: Vec<(Quantity, f64)>,
}

impl Recording {
    /// Opens a file, reads its header and looks ahead. Columns that are no quantity are named once, in
    /// `trouble`, and not read.
    pub(super) fn open(path: &Path, trouble: &mut Trouble<'_>) -> Result<Self, Failure> {
        let name = path.display().to_string();
        let unreadable = |error: &dyn std::fmt::Display| {
            Failure::usage(format!("reading recorded readings from {name} failed: {error}"))
        };
        let file = File::open(path).map_err(|error| unreadable(&error))?;
        // Lines end at the line feed, and the carriage return before it is trimmed with the cell: left to
        // itself the reader counts one line too few in files with both.
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .terminator(csv::Terminator::Any(b'\n'))
            .from_reader(file);
        let mut header = ByteRecord::new();
        if !reader.read_byte_record(&mut header).map_err(|error| unreadable(&error))? {
            return Err(Failure::usage(format!(
                "reading recorded readings from {name} failed: the file is empty; {}",
                accepted_header()
            )));
        }
        let headers: Vec<String> =
            header.iter().map(|cell| String::from_utf8_lossy(cell).trim().to_owned()).collect();
        let mut time_column = None;
        let mut columns: Vec<(usize, Quantity)> = Vec::new();
        let mut unread = Vec::new();
        for (index, header) in headers.iter().enumerate() {
            let twice = if header == TIME {
                time_column.replace(index).is_some()
            } else if let Some(quantity) = Quantity::from_id(header).filter(|quantity| !quantity.is_derived())
            {
                let twice = columns.iter().any(|(_, other)| *other == quantity);
                columns.push((index, quantity));
                twice
            } else {
                unread.push(header.as_str());
                false
            };
            if twice {
                return Err(Failure::usage(format!(
                    "reading recorded readings from {name} failed: line 1 has the column '{header}' twice; \
                     each may stand once"
                )));
            }
        }
        let Some(time_column) = time_column else {
            return Err(Failure::usage(format!(
                "reading recorded readings from {name} failed: line 1 has no column '{TIME}', it has {}; {}",
                quoted_list(&headers),
                accepted_header()
            )));
        };
        if columns.is_empty() {
            return Err(Failure::usage(format!(
                "reading recorded readings from {name} failed: no column of line 1 is a quantity, they are {}; {}",
                quoted_list(&headers),
                accepted_header()
            )));
        }
        for header in unread {
            let why = if Quantity::from_id(header).is_some() {
                "is derived by pondreeve itself"
            } else {
                "is not a quantity pondreeve knows"
            };
            trouble.note(&format!("{name}: column {} {why}: not read", quoted(header.as_bytes())));
        }
        let mut recording = Self {
            name,
            reader,
            headers,
            time_column,
            columns,
            ahead: VecDeque::new(),
            record: ByteRecord::new(),
        };
        while recording.ahead.len() < ROWS_AHEAD {
            let mut record = ByteRecord::new();
            if !recording.read(&mut record)? {
                break;
            }
            recording.ahead.push_back(record);
        }
        Ok(recording)
    }

    /// The file's name, for messages.
    pub(super) fn name(&self) -> &str {
        &self.name
    }

    /// How often each quantity was recorded, as the median of the times between its readings in the
    /// first rows; absent where there are not two.
    pub(super) fn steps(&self) -> BTreeMap<Quantity, Span> {
        let mut steps = BTreeMap::new();
        for &(column, quantity) in &self.columns {
            let mut between: Vec<i64> = Vec::new();
            let mut last: Option<Timestamp> = None;
            for record in &self.ahead {
                let filled = record.get(column).is_some_and(|cell| !cell.trim_ascii().is_empty());
                let at = record.get(self.time_column).and_then(|cell| time(cell).ok());
                let (true, Some(at)) = (filled, at) else { continue };
                if let Some(span) = last.map(|last| at - last).filter(|span| *span > Span::ZERO) {
                    between.push(span.as_millis());
                }
                last = Some(at);
            }
            if !between.is_empty() {
                let middle = between.len() / 2;
                let (_, median, _) = between.select_nth_unstable(middle);
                steps.insert(quantity, Span::from_millis(*median));
            }
        }
        steps
    }

    /// The quantities it has columns for.
    pub(super) fn quantities(&self) -> impl Iterator<Item = Quantity> {
        self.columns.iter().map(|&(_, quantity)| quantity)
    }

    /// Reads on to the next usable row; `false` at the end. What cannot be used is told to `trouble`.
    pub(super) fn next(&mut self, row: &mut Row, trouble: &mut Trouble<'_>) -> Result<bool, Failure> {
        loop {
            let mut record = std::mem::take(&mut self.record);
            let more = match self.ahead.pop_front() {
                Some(ahead) => {
                    record = ahead;
                    true
                }
                None => self.read(&mut record)?,
            };
            self.record = record;
            if !more {
                return Ok(false);
            }
            if self.parse(row, trouble) {
                return Ok(true);
            }
        }
    }

    fn read(&mut self, record: &mut ByteRecord) -> Result<bool, Failure> {
        loop {
            let more = self.reader.read_byte_record(record).map_err(|error| {
                Failure::failed(format!("reading recorded readings from {} failed: {error}", self.name))
            })?;
            let blank = record.len() == 1 && record.get(0).is_some_and(|cell| cell.trim_ascii().is_empty());
            if !(more && blank) {
                return Ok(more);
            }
        }
    }

    fn parse(&self, row: &mut Row, trouble: &mut Trouble<'_>) -> bool {
        let (name, record) = (&self.name, &self.record);
        row.line = record.position().map_or(0, csv::Position::line);
        row.cells.clear();
        let line = row.line;
        if record.len() != self.headers.len() {
            trouble.about(Kind::Cells, name, || {
                format!(
                    "{name}, line {line}: {} cells where the header has {}: row not read",
                    record.len(),
                    self.headers.len()
                )
            });
            return false;
        }
        let cell = record.get(self.time_column).unwrap_or_default();
        match time(cell) {
            Ok(at) => row.at = at,
            Err(reason) => {
                trouble.about(Kind::Time, name, || {
                    format!(
                        "{name}, line {line}, column '{TIME}': {} {reason}; accepted is a time such as \
                         2026-03-01T18:30:00Z: row not read",
                        quoted(cell)
                    )
                });
                return false;
            }
        }
        for &(column, quantity) in &self.columns {
            let cell = record.get(column).unwrap_or_default().trim_ascii();
            if cell.is_empty() {
                continue;
            }
            match number(cell) {
                Some(value) => row.cells.push((quantity, value)),
                None => trouble.about(Kind::Value, &format!("{name}, column '{}'", quantity.id()), || {
                    format!(
                        "{name}, line {line}, column '{}': {} is not a number; accepted is a number such as \
                         6.25, or nothing where there was no reading: value not read",
                        quantity.id(),
                        quoted(cell)
                    )
                }),
            }
        }
        true
    }
}

/// The ids that may head a column.
fn accepted_header() -> String {
    let ids: Vec<&str> = Quantity::ALL
        .iter()
        .filter(|quantity| !quantity.is_derived())
        .map(|quantity| quantity.id())
        .collect();
    format!("accepted is a first line with {TIME} and any of {}", ids.join(", "))
}

fn quoted_list(headers: &[String]) -> String {
    headers.iter().map(|header| quoted(header.as_bytes())).collect::<Vec<_>>().join(", ")
}

/// A cell as a message shows it: quoted, and not the whole of a megabyte.
fn quoted(cell: &[u8]) -> String {
    const SHOWN: usize = 40;
    let text = String::from_utf8_lossy(cell);
    let mut shown: String = text.chars().take(SHOWN).collect();
    if shown.len() < text.len() {
        shown.push('…');
    }
    format!("'{}'", shown.escape_debug())
}

/// A finite decimal number; what loggers write for "no value" (`NaN`, `NA`, `-`) is not one.
fn number(cell: &[u8]) -> Option<f64> {
    std::str::from_utf8(cell).ok()?.parse::<f64>().ok().filter(|value| value.is_finite())
}

/// An RFC 3339 time. The offset must be there: a time without one could be anybody's.
fn time(cell: &[u8]) -> Result<Timestamp, &'static str> {
    let text = std::str::from_utf8(cell).map_err(|_| "is not text")?.trim();
    match text.parse::<jiff::Timestamp>() {
        Ok(at) => Ok(Timestamp(at.as_millisecond())),
        Err(_) if text.parse::<jiff::civil::DateTime>().is_ok() => {
            Err("does not say which time zone it is in (end it with Z for UTC)")
        }
        Err(_) => Err("is not an RFC 3339 time"),
    }
}
