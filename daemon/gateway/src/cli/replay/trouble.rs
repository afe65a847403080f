//! What is wrong with recorded files, said on standard error without drowning the reader.

use std::collections::BTreeMap;
use std::io::Write;

/// Complaints of one kind about one column that are written out; more are counted and the count is
/// written at the end. A logger that wrote `NA` for a month must not hide the one bad time stamp.
const WRITTEN_OF_A_KIND: u64 = 10;

/// Kinds of complaint. Each is counted on its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Kind {
    /// The time cannot be read; the row is left out.
    Time,
    /// A value cannot be read; that cell is left out.
    Value,
    /// More or fewer cells than columns; the row is left out.
    Cells,
    /// Older than a row already read; passed on, marked.
    Order,
    /// The pipeline refused it.
    Refused,
}

impl Kind {
    /// Whether something in the file was left out, so that the command cannot report success.
    fn is_loss(self) -> bool {
        match self {
            Self::Time | Self::Value | Self::Cells | Self::Refused => true,
            Self::Order => false,
        }
    }

    const fn plural(self) -> &'static str {
        match self {
            Self::Time => "rows whose time could not be read",
            Self::Value => "values that could not be read",
            Self::Cells => "rows with too many or too few cells",
            Self::Order => "rows out of time order",
            Self::Refused => "rows refused",
        }
    }
}

/// Collects complaints.
pub(super) struct Trouble<'a> {
    errors: &'a mut dyn Write,
    counts: BTreeMap<(Kind, String), u64>,
}

impl<'a> Trouble<'a> {
    pub(super) fn new(errors: &'a mut dyn Write) -> Self {
        Self { errors, counts: BTreeMap::new() }
    }

    /// A remark that is no complaint.
    pub(super) fn note(&mut self, text: &str) {
        // Nobody may be left to read it; the exit status still tells.
        let _ = writeln!(self.errors, "pondreeve replay: {text}");
    }

    /// A complaint; `place` is the file and, for values, the column: what is counted together.
    pub(super) fn about(&mut self, kind: Kind, place: &str, text: impl FnOnce() -> String) {
        let count = self.counts.entry((kind, place.to_owned())).or_insert(0);
        *count += 1;
        if *count <= WRITTEN_OF_A_KIND {
            let _ = writeln!(self.errors, "pondreeve replay: {}", text());
        }
    }

    /// Writes the counts of what was not written out; tells whether anything was left out.
    pub(super) fn finish(self) -> bool {
        for ((kind, place), count) in &self.counts {
            let unwritten = count.saturating_sub(WRITTEN_OF_A_KIND);
            if unwritten > 0 {
                let _ = writeln!(
                    self.errors,
                    "pondreeve replay: {place}: {unwritten} more {}, {count} in all",
                    kind.plural()
                );
            }
        }
        self.counts.keys().any(|(kind, _)| kind.is_loss())
    }
}
