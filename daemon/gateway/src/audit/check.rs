//! Whether a chain is whole, and where it is not.

use std::fmt;

use pondreeve_core::said::{Said, said};

use super::row::{Hash, Head, Row, hash_of};

/// Breaks that are told one by one; of more only the number is.
const MOST_BREAKS: usize = 20;

/// One place at which a chain is broken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Break {
    /// What the record says does not give its hash.
    Changed {
        /// The record.
        record: u64,
    },
    /// Records that should be there by their numbers and are not.
    Missing {
        /// The first.
        from: u64,
        /// The last.
        to: u64,
    },
    /// A record that says another number than the place where it stands.
    Moved {
        /// The place.
        record: u64,
        /// What it says of itself.
        says: String,
    },
    /// The record does not follow the one before: one of the two was put in the other's place, or all after it was
    /// written anew.
    NotFollowing {
        /// The later one.
        record: u64,
    },
    /// The store counts more records than there are.
    CutShort {
        /// Records that the store counts.
        counted: u64,
        /// Records that are there.
        found: u64,
    },
    /// There are more records than the store counts.
    Added {
        /// Records that the store counts.
        counted: u64,
        /// Records that are there.
        found: u64,
    },
    /// The last record is not the one that the store noted.
    OtherEnd {
        /// The last record.
        record: u64,
    },
    /// What the store counts is not readable or not there.
    NoCount,
    /// A record that was exported or noted elsewhere is not in the chain with that hash.
    NotAsExported {
        /// The record.
        record: u64,
    },
}

impl fmt::Display for Break {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.said().english())
    }
}

impl Break {
    /// In words.
    fn said(&self) -> Said {
        let text = u64::to_string;
        match self {
            Self::Changed { record } => said!(
                "trail-changed",
                "record {record} was changed: what it says does not give its hash",
                record = text(record)
            ),
            Self::Missing { from, to } if from == to => {
                said!("trail-removed", "record {record} was removed", record = text(from))
            }
            Self::Missing { from, to } => said!(
                "trail-removed-some",
                "records {from} to {until} were removed",
                from = text(from),
                until = text(to)
            ),
            Self::Moved { record, says } => said!(
                "trail-moved",
                "in the place of record {record} stands one that says it is {says}",
                record = text(record),
                says = says
            ),
            Self::NotFollowing { record } => said!(
                "trail-not-following",
                "record {record} does not follow the one before it: one of them was put there or written anew",
                record = text(record)
            ),
            Self::CutShort { counted, found } => said!(
                "trail-cut-short",
                "the end was cut off: the store counts {counted} records, the last one there is {found}",
                counted = text(counted),
                found = text(found)
            ),
            Self::Added { counted, found } => said!(
                "trail-added",
                "records were added behind the end: the store counts {counted}, the last one there is {found}",
                counted = text(counted),
                found = text(found)
            ),
            Self::OtherEnd { record } => said!(
                "trail-other-end",
                "record {record}, the last, is not the one that the store noted as the last",
                record = text(record)
            ),
            Self::NoCount => {
                said!("trail-no-count", "how many records there should be is not noted, or not readable")
            }
            Self::NotAsExported { record } => said!(
                "trail-not-as-exported",
                "record {record} is not the one with the hash that was named: the trail was written anew",
                record = text(record)
            ),
        }
    }
}

/// Looks at records one after the other.
#[derive(Debug, Default)]
pub struct Check {
    head: Head,
    exported: Option<Head>,
    seen: bool,
    breaks: Vec<Break>,
    more: u64,
}

impl Check {
    /// A check from the first record on. `exported` is a record's number and hash as they were noted elsewhere.
    pub fn new(exported: Option<Head>) -> Self {
        Self { exported, ..Self::default() }
    }

    fn tell(&mut self, found: Break) {
        if self.breaks.len() < MOST_BREAKS { self.breaks.push(found) } else { self.more += 1 }
    }

    /// The record that stands in place `record`, as it is kept.
    pub(crate) fn stored(&mut self, record: u64, bytes: &[u8]) {
        match Row::from_bytes(bytes) {
            Some(row) => self.row(record, &row),
            None => {
                self.gap(record);
                self.tell(Break::Changed { record });
                // What follows may be whole, but cannot be held against this one.
                self.head = Head { records: record, hash: Hash::default() };
            }
        }
    }

    /// The record that stands in place `record`.
    pub fn row(&mut self, record: u64, row: &Row) {
        let follows = !self.gap(record);
        let is_whole = hash_of(&row.text) == row.hash;
        let fields = row.fields();
        let field = |place: usize| fields.as_ref().and_then(|all| all.get(place)).map_or("", String::as_str);
        let (says, previous) = (field(0), field(10));
        if !is_whole || fields.is_none() {
            self.tell(Break::Changed { record });
        } else if says != record.to_string() {
            self.tell(Break::Moved { record, says: says.to_owned() });
        } else if follows && previous != self.head.hash.to_string() {
            self.tell(Break::NotFollowing { record });
        }
        if let Some(exported) = self.exported
            && exported.records == record
        {
            self.seen = true;
            if exported.hash != row.hash {
                self.tell(Break::NotAsExported { record });
            }
        }
        self.head = Head { records: record, hash: row.hash };
    }

    /// Tells records that are missing before this one; whether any are.
    fn gap(&mut self, record: u64) -> bool {
        let expected = self.head.records + 1;
        if record > expected {
            self.tell(Break::Missing { from: expected, to: record - 1 });
        }
        record > expected
    }

    /// Where the chain ends so far.
    pub fn head(&self) -> Head {
        self.head
    }

    /// What the store says of the end of the records that it counts; call it after them.
    pub fn counted(&mut self, counted: Option<Head>) {
        let found = self.head.records;
        match counted {
            None if found > 0 => self.tell(Break::NoCount),
            None => {}
            Some(counted) if counted.records > found => {
                self.tell(Break::CutShort { counted: counted.records, found });
            }
            Some(counted) if counted.records < found => {
                self.tell(Break::Added { counted: counted.records, found });
            }
            Some(counted) if counted.hash != self.head.hash => self.tell(Break::OtherEnd { record: found }),
            Some(_) => {}
        }
    }

    /// The outcome.
    pub fn end(mut self) -> Checked {
        if let Some(exported) = self.exported
            && !self.seen
            && exported.records > 0
        {
            self.tell(Break::NotAsExported { record: exported.records });
        }
        Checked { head: self.head, breaks: self.breaks, more: self.more }
    }
}

/// What a check came to.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Checked {
    /// The last record.
    pub head: Head,
    /// Places at which the chain is broken, from the first on.
    pub breaks: Vec<Break>,
    /// Further such places.
    pub more: u64,
}

impl Checked {
    /// Whether it is unbroken.
    pub fn is_whole(&self) -> bool {
        self.breaks.is_empty()
    }

    /// In a line for each break; one line where there is none. In English: other languages find it by its pattern.
    pub fn lines(&self) -> Vec<String> {
        let Head { records, hash } = self.head;
        if self.is_whole() {
            let said = match records {
                0 => said!("trail-empty", "audit trail: no records"),
                _ => said!(
                    "trail-whole",
                    "audit trail: unbroken, {records} records, the last with hash {hash}",
                    records = records.to_string(),
                    hash = hash.to_string()
                ),
            };
            return vec![said.english().to_owned()];
        }
        let broken = self.breaks.iter().map(Break::said);
        let mut broken: Vec<Said> =
            broken.map(|found| said!("trail-broken", "AUDIT TRAIL BROKEN: {found}", found = found)).collect();
        if self.more > 0 {
            let more = self.more.to_string();
            broken.push(said!("trail-broken-more", "AUDIT TRAIL BROKEN: in {more} more places", more = more));
        }
        broken.iter().map(|said| said.english().to_owned()).collect()
    }
}

#[cfg(test)]
#[path = "check_tests.rs"]
mod tests;
