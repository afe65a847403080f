//! The fields of a line, asked for by name, type and range; and the answer written from them.

use super::line::{Cell, Value};
use pondreeve_chemistry::units::{
    Alkalinity, Celsius, DissolvedOxygen, Hectopascal, Latitude, Longitude, Magnesium, OutOfRange, Ph,
    Phosphate, Salinity, TotalAmmonia, TotalSulfide,
};
use std::fmt::{Display, Write as _};

/// A quantity that checks its own range.
pub(super) trait Quantity: Sized {
    const RANGE: Range;
    fn make(value: f64) -> Result<Self, OutOfRange>;
}

macro_rules! quantities {
    ($($type:ident),*) => {
        $(impl Quantity for $type {
            const RANGE: Range =
                Range { field: $type::FIELD, unit: $type::UNIT, low: $type::LOWEST, high: $type::HIGHEST };
            fn make(value: f64) -> Result<Self, OutOfRange> {
                $type::new(value)
            }
        })*
    };
}

quantities!(
    Alkalinity,
    Celsius,
    DissolvedOxygen,
    Hectopascal,
    Latitude,
    Longitude,
    Magnesium,
    Ph,
    Phosphate,
    Salinity,
    TotalAmmonia,
    TotalSulfide
);

/// A number's field, unit and accepted range, both ends included.
#[derive(Clone, Copy)]
pub(super) struct Range {
    pub(super) field: &'static str,
    pub(super) unit: &'static str,
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Display for Range {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} to {}", self.low, self.high)?;
        if self.unit.is_empty() { Ok(()) } else { write!(f, " {}", self.unit) }
    }
}

/// What a line gave, what was asked for, and what was wrong with it.
///
/// A method that finds a problem notes it and answers `None`, so that a compute can ask for all its
/// fields before it gives up and one answer names every fault.
pub(super) struct Inputs<'a> {
    cells: Vec<Cell<'a>>,
    asked: Vec<&'static str>,
    problems: String,
}

impl<'a> Inputs<'a> {
    pub(super) fn new(cells: Vec<Cell<'a>>) -> Self {
        let mut inputs = Self { cells, asked: Vec::with_capacity(16), problems: String::new() };
        for index in 1..inputs.cells.len() {
            let (before, rest) = inputs.cells.split_at(index);
            let twice = rest.first().filter(|cell| before.iter().any(|other| other.field == cell.field));
            if let Some(field) = twice.map(|cell| cell.field.to_string()) {
                inputs.problem(format_args!("{field} is given twice, accepted is once"));
                if let Some(cell) = inputs.cells.get_mut(index) {
                    cell.used = true;
                }
            }
        }
        inputs
    }

    /// Notes a problem.
    pub(super) fn problem(&mut self, problem: impl Display) {
        if !self.problems.is_empty() {
            self.problems.push_str("; ");
        }
        // Writing to a string cannot fail.
        let _ = write!(self.problems, "{problem}");
    }

    /// The value of a field, `None` where it is left out or null.
    fn find(&mut self, field: &'static str) -> Option<usize> {
        self.asked.push(field);
        let index = self.cells.iter().position(|cell| cell.field == field)?;
        let cell = self.cells.get_mut(index)?;
        cell.used = true;
        if matches!(cell.value, Value::Null) { None } else { Some(index) }
    }

    fn value(&self, index: usize) -> &Value<'a> {
        self.cells.get(index).map_or(&Value::Null, |cell| &cell.value)
    }

    /// Notes a value that is not of the kind wanted.
    fn unfit<T>(&mut self, field: &str, index: usize, accepted: impl Display) -> Option<T> {
        let shown = self.value(index).show();
        self.problem(format_args!("{field} is {shown}, accepted is {accepted}"));
        None
    }

    fn missing<T>(&mut self, field: &str, accepted: impl Display) -> Option<T> {
        self.problem(format_args!("{field} is missing, accepted is {accepted}"));
        None
    }

    /// A number in a range that may be left out; the outer `None` is a problem.
    #[expect(clippy::option_option, reason = "outer: a problem was noted; inner: the field was left out")]
    pub(super) fn maybe_number(&mut self, range: Range) -> Option<Option<f64>> {
        let Some(index) = self.find(range.field) else { return Some(None) };
        match *self.value(index) {
            Value::Number(number) if number >= range.low && number <= range.high => Some(Some(number)),
            _ => self.unfit(range.field, index, range),
        }
    }

    /// A number in a range.
    pub(super) fn number(&mut self, range: Range) -> Option<f64> {
        match self.maybe_number(range)? {
            Some(number) => Some(number),
            None => self.missing(range.field, range),
        }
    }

    /// A quantity that may be left out; the outer `None` is a problem.
    #[expect(clippy::option_option, reason = "outer: a problem was noted; inner: the field was left out")]
    pub(super) fn maybe<Q: Quantity>(&mut self) -> Option<Option<Q>> {
        match self.maybe_number(Q::RANGE)? {
            Some(number) => self.checked(Q::make(number)).map(Some),
            None => Some(None),
        }
    }

    /// A quantity.
    pub(super) fn required<Q: Quantity>(&mut self) -> Option<Q> {
        let number = self.number(Q::RANGE)?;
        self.checked(Q::make(number))
    }

    /// A quantity under another name than its own.
    pub(super) fn named<Q: Quantity>(&mut self, field: &'static str) -> Option<Q> {
        let number = self.number(Range { field, ..Q::RANGE })?;
        self.checked(Q::make(number))
    }

    /// The value of a result, its error noted.
    pub(super) fn checked<T, E: Display>(&mut self, result: Result<T, E>) -> Option<T> {
        match result {
            Ok(value) => Some(value),
            Err(error) => {
                self.problem(error);
                None
            }
        }
    }

    /// A word out of a list, made into a value by `from`; `default` where it may be left out.
    pub(super) fn word<T>(
        &mut self,
        field: &'static str,
        accepted: &str,
        default: Option<T>,
        from: impl Fn(&str) -> Option<T>,
    ) -> Option<T> {
        let Some(index) = self.find(field) else {
            return if default.is_some() { default } else { self.missing(field, accepted) };
        };
        let found = if let Value::Text(text) = self.value(index) { from(text) } else { None };
        if found.is_some() { found } else { self.unfit(field, index, accepted) }
    }

    /// `true` or `false`, false where left out.
    pub(super) fn flag(&mut self, field: &'static str) -> Option<bool> {
        let Some(index) = self.find(field) else { return Some(false) };
        match *self.value(index) {
            Value::Flag(flag) => Some(flag),
            _ => self.unfit(field, index, "true or false"),
        }
    }

    /// An array of finite numbers.
    pub(super) fn numbers(&mut self, field: &'static str) -> Option<Vec<f64>> {
        let accepted = "an array of numbers";
        let Some(index) = self.find(field) else { return self.missing(field, accepted) };
        match self.value(index) {
            Value::Numbers(numbers, None) => Some(numbers.clone()),
            Value::Numbers(_, Some((at, text))) => {
                let problem = format!("{field}[{at}] is {text}, accepted is a finite number");
                self.problem(problem);
                None
            }
            _ => self.unfit(field, index, accepted),
        }
    }

    /// Notes the fields that nothing asked for; `None` when there was any problem. Called once all
    /// fields have been asked for.
    pub(super) fn settled(&mut self) -> Option<()> {
        if self.cells.iter().any(|cell| !cell.used) {
            let unknown: Vec<String> =
                self.cells.iter().filter(|cell| !cell.used).map(|cell| cell.field.to_string()).collect();
            let asked = self.asked.join(", ");
            for field in unknown {
                self.problem(format_args!("{field} is unknown here, accepted is one of {asked}"));
            }
        }
        if self.problems.is_empty() { Some(()) } else { None }
    }

    /// Everything that was wrong.
    pub(super) fn into_problems(self) -> String {
        self.problems
    }
}

/// Writes an answer's fields one after another.
pub(super) struct Answer<'a> {
    out: &'a mut Vec<u8>,
    /// A result that came out as no finite number.
    broken: Option<&'static str>,
    first: bool,
}

impl<'a> Answer<'a> {
    pub(super) fn new(out: &'a mut Vec<u8>) -> Self {
        out.push(b'{');
        Self { out, broken: None, first: true }
    }

    fn field(&mut self, field: &'static str) {
        if !self.first {
            self.out.push(b',');
        }
        self.first = false;
        self.out.push(b'"');
        self.out.extend_from_slice(field.as_bytes());
        self.out.extend_from_slice(b"\":");
    }

    /// A number; one that is not finite spoils the answer.
    pub(super) fn number(&mut self, field: &'static str, value: f64) {
        self.field(field);
        if value.is_finite() {
            write_json(self.out, &value);
        } else {
            self.broken = self.broken.or(Some(field));
        }
    }

    /// A number, or null where there is none.
    pub(super) fn maybe(&mut self, field: &'static str, value: Option<f64>) {
        match value {
            Some(value) => self.number(field, value),
            None => self.null(field),
        }
    }

    pub(super) fn null(&mut self, field: &'static str) {
        self.field(field);
        self.out.extend_from_slice(b"null");
    }

    pub(super) fn flag(&mut self, field: &'static str, value: bool) {
        self.field(field);
        self.out.extend_from_slice(if value { b"true" } else { b"false" });
    }

    pub(super) fn text(&mut self, field: &'static str, value: &str) {
        self.field(field);
        write_text(self.out, value);
    }

    /// A value that knows how to write itself as JSON.
    pub(super) fn json(&mut self, field: &'static str, value: &impl serde::Serialize) {
        self.field(field);
        write_json(self.out, value);
    }

    /// Closes the answer; an error where a result was no number.
    pub(super) fn end(self) -> Result<(), String> {
        self.out.extend_from_slice(b"}\n");
        match self.broken {
            None => Ok(()),
            Some(field) => Err(format!("{field} has no finite value for this input")),
        }
    }
}

/// A string as JSON.
pub(super) fn write_text(out: &mut Vec<u8>, text: &str) {
    write_json(out, &text);
}

fn write_json(out: &mut Vec<u8>, value: &(impl serde::Serialize + ?Sized)) {
    let start = out.len();
    if serde_json::to_writer(&mut *out, value).is_err() {
        // Memory is the only thing that a vector can run out of; nothing half-written stays.
        out.truncate(start);
        out.extend_from_slice(b"null");
    }
}
