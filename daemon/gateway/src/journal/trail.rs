//! The audit trail in the store: sealed with the inputs that it is of, kept for ever.
//! ```text
//! key     hour 0, kind, 0, number of the record        value   hash 32 B, text of the record (see crate::audit::row)
//! key     hour 0, kind                                 value   records 8 B, hash of the last 32 B, checksum 4 B
//! ```
//! Notes of inputs that are not sealed lie in the tail; number and hash of those follow from the sealed end and their
//! order, and are the same before and after sealing.

use pondreeve_core::Timestamp;

use super::database::Store;
use super::keys::{Key, key, kind, parts};
use super::record::{Batch, read_batch};
use super::store::Journal;
use super::tail::{self, Kind};
use crate::audit::row::HASH_BYTES;
use crate::audit::{Hash, Head, Note, Row};

/// Records of one answer.
pub const MOST_ROWS: usize = 500;

/// File in the store's folder: what `salvage` made it from.
pub const SALVAGED: &str = "salvaged";

/// The end of what is sealed, and of what is committed.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub(super) struct Ends {
    pub(super) sealed: Head,
    pub(super) committed: Head,
    /// Notes of inputs before this position are in `committed`.
    pub(super) before: u64,
}

pub(super) fn head_bytes(head: Head) -> Vec<u8> {
    let mut bytes = head.records.to_be_bytes().to_vec();
    bytes.extend_from_slice(&head.hash.0);
    let sum = crc32fast::hash(&bytes);
    bytes.extend_from_slice(&sum.to_be_bytes());
    bytes
}

pub(super) fn head_of(bytes: &[u8]) -> Option<Head> {
    let (body, sum) = bytes.split_last_chunk::<4>()?;
    let (records, hash) = body.split_first_chunk::<8>()?;
    let hash: [u8; HASH_BYTES] = hash.try_into().ok()?;
    (crc32fast::hash(body) == u32::from_be_bytes(*sum))
        .then_some(Head { records: u64::from_be_bytes(*records), hash: Hash(hash) })
}

pub(super) fn row_key(record: u64) -> Key {
    key(0, kind::AUDIT, 0, record)
}

pub(super) fn head_key() -> Key {
    key(0, kind::AUDIT_HEAD, 0, 0)
}

/// Chains notes on and gives what goes into the database for them.
pub(super) fn entries(head: &mut Head, notes: &[Note]) -> Vec<(Key, Vec<u8>)> {
    let mut entries: Vec<(Key, Vec<u8>)> = Vec::with_capacity(notes.len() + 1);
    for note in notes {
        let row = head.chain(note);
        entries.push((row_key(head.records), row.to_bytes()));
    }
    if !notes.is_empty() {
        entries.push((head_key(), head_bytes(*head)));
    }
    entries
}

impl Ends {
    /// Takes a batch that is committed; inputs that were taken before are passed over.
    pub(super) fn take(&mut self, batch: &Batch) {
        let before = self.before;
        for (seq, note) in &batch.notes {
            if *seq >= before {
                self.committed.chain(note);
            }
        }
        self.before = before.max(batch.next_seq);
    }
}

impl Journal {
    /// Where the trail ends, with all that is committed.
    pub fn trail(&self) -> Head {
        self.trail.committed
    }

    /// The settings of the last start: as they were noted then, or else the farm's record alone.
    pub fn settings_before(&self) -> SettingsBefore {
        match &self.settings {
            Some(text) => SettingsBefore::Noted(text.clone()),
            None => self.newest_site_text().map_or(SettingsBefore::None, SettingsBefore::Site),
        }
    }

    /// What `salvage` noted of this store, until the next start has taken it into the trail.
    pub fn salvaged(&self) -> Option<String> {
        std::fs::read_to_string(self.path.join(SALVAGED)).ok()
    }

    /// Records from one on, at most [`MOST_ROWS`].
    ///
    /// # Errors
    /// Where the database is closed or cannot be read; the text says why.
    pub fn trail_rows(&self, from: u64) -> Result<Vec<(u64, Row)>, String> {
        let Some(store) = &self.store else { return Err(self.trouble.clone()) };
        let mut rows = Vec::new();
        for entry in store.sealed.range(row_key(from)..row_key(u64::MAX)).take(MOST_ROWS) {
            let (found, value) = entry.map_err(|error| format!("the store cannot be read: {error}"))?;
            let Some((.., record)) = parts(&found) else { continue };
            let damaged = || Row { text: "this record cannot be read".to_owned(), hash: Hash::default() };
            rows.push((record, Row::from_bytes(&value).unwrap_or_else(damaged)));
        }
        let mut head = self.trail.sealed;
        for note in self.unsealed_notes()? {
            let row = head.chain(&note);
            if head.records >= from && rows.len() < MOST_ROWS {
                rows.push((head.records, row));
            }
        }
        Ok(rows)
    }

    /// What the newest record of an action says of one of its fields, such as the version that was started last.
    pub fn last_new(&self, action: &str) -> Option<String> {
        let of = |note: &Note| (note.action == action).then(|| note.new.clone());
        if let Some(found) = self.unsealed_notes().ok()?.iter().rev().find_map(of) {
            return Some(found);
        }
        let store = self.store.as_ref()?;
        let rows = store.sealed.backward(row_key(0), Some(row_key(u64::MAX))).map_while(Result::ok);
        rows.filter_map(|(_, value)| Row::from_bytes(&value)?.fields())
            .find(|fields| fields.get(5).is_some_and(|own| own == action))
            .and_then(|fields| fields.into_iter().nth(8))
    }

    /// Fields of the records from a time on, oldest first; what cannot be read is left out.
    pub(super) fn trail_since(&self, from: Timestamp) -> Vec<Vec<String>> {
        let is_later = |fields: &Vec<String>| {
            let at = fields.get(1).and_then(|at| at.parse::<jiff::Timestamp>().ok());
            at.is_some_and(|at| at.as_millisecond() >= from.as_millis())
        };
        let mut found = Vec::new();
        if let Some(store) = &self.store {
            let rows = store.sealed.backward(row_key(0), Some(row_key(u64::MAX))).map_while(Result::ok);
            let fields = rows.filter_map(|(_, value)| Row::from_bytes(&value)?.fields());
            found.extend(fields.take_while(is_later));
            found.reverse();
        }
        let mut head = self.trail.sealed;
        found.extend(
            self.unsealed_notes().unwrap_or_default().iter().filter_map(|note| head.chain(note).fields()),
        );
        found
    }

    fn unsealed_notes(&self) -> Result<Vec<Note>, String> {
        let (mut notes, mut before) = (Vec::new(), self.sealed_before);
        tail::read_after(&self.path, self.sealed_before, &mut |entry| {
            if entry.kind == Kind::Batch {
                let batch = read_batch(entry.key, entry.body);
                notes.extend(batch.notes.into_iter().filter(|(seq, _)| *seq >= before).map(|(_, note)| note));
                before = before.max(batch.next_seq);
            }
        })
        .map_err(|error| format!("the newest inputs cannot be read: {error}"))?;
        Ok(notes)
    }

    /// What hour 0 and the tail say of the trail and the settings.
    pub(super) fn load_trail(&mut self, store: &Store) -> Result<(), sled::Error> {
        let head = store.sealed.get(head_key())?.and_then(|bytes| head_of(&bytes)).unwrap_or_default();
        self.trail = Ends { sealed: head, committed: head, before: self.sealed_before };
        let settings = store.sealed.get(key(0, kind::SETTINGS, 0, 0))?;
        self.settings = settings.and_then(|text| String::from_utf8(text.to_vec()).ok());
        Ok(())
    }

    /// The same of a batch in the tail.
    pub(super) fn take_trail(&mut self, batch: &Batch) {
        self.trail.take(batch);
        if let Some((_, text)) = &batch.settings {
            self.settings = Some(text.clone());
        }
    }

    /// The farm of the newest start, sealed or not.
    fn newest_site_text(&self) -> Option<String> {
        let mut newest = self.site_text.clone();
        let _ = tail::read(&self.path, &mut |entry| {
            if entry.kind == Kind::Batch {
                for input in read_batch(entry.key, entry.body).inputs {
                    if let pondreeve_core::Event::Started { site }
                    | pondreeve_core::Event::SiteChanged { site } = input.event
                    {
                        newest = Some(super::site_record::to_text(&site));
                    }
                }
            }
        });
        newest
    }
}

/// What is known of the settings of the last start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SettingsBefore {
    /// There was none.
    None,
    /// A program that kept no trail: the farm's record.
    Site(String),
    /// All of them.
    Noted(String),
}
