//! What waits to go out, in the store: sealed with the inputs that brought it, kept until every destination has
//! confirmed it.
//! ```text
//! key     hour 0, kind, class, number      value   the message (see outbox_record); empty where it made way
//! key     hour 0, kind                     value   positions of the destinations, last number given, checksum 4 B
//! key     hour 0, kind                     value   the newest command of each person (see command_record)
//! ```
//! A message that was confirmed before its hour was sealed never gets there. One that made way is overwritten rather
//! than removed, or the second copy would bring it back.

use std::collections::BTreeMap;

use super::codec::{Malformed, Reader, put_unsigned};
use super::command_record;
use super::database::Store;
use super::keys::{Key, key, kind, parts};
use super::outbox_record::{put_positions, put_waiting, read_positions, read_waiting};
use super::record::Batch;
use super::store::Journal;
use crate::outbox::{Change, Class, Kept, Position, Waiting};

/// Messages removed in one go, so that a tidying takes no long time.
const MOST_REMOVED: usize = 4_096;

/// What the journal itself must know of the outbox.
#[derive(Debug, Default)]
pub(super) struct Outbox {
    /// Of what is committed: positions and the last number. What waits is with the queue.
    known: Kept,
    /// Changes of inputs before this position are in it.
    before: u64,
    /// Whether what waited at the opening was handed over.
    handed_over: bool,
}

impl Outbox {
    /// Takes a batch that is committed; inputs that were taken before are passed over.
    pub(super) fn take(&mut self, batch: &Batch) {
        for (_, change) in batch.outbox.iter().filter(|(seq, _)| *seq >= self.before) {
            match change {
                Change::Queued(waiting) if self.handed_over => {
                    self.known.last = self.known.last.max(waiting.number);
                }
                Change::Merged { .. } if self.handed_over => {}
                change => self.known.take(change),
            }
        }
        self.before = self.before.max(batch.next_seq);
    }
}

fn message_key(class: Class, number: u64) -> Key {
    key(0, kind::OUTBOX, class.index() as u32, number)
}

fn positions_key() -> Key {
    key(0, kind::OUTBOX_POSITIONS, 0, 0)
}

fn position_bytes(positions: &BTreeMap<String, Position>, last: u64) -> Vec<u8> {
    let mut bytes = Vec::new();
    put_positions(&mut bytes, positions);
    put_unsigned(&mut bytes, last);
    let sum = crc32fast::hash(&bytes);
    bytes.extend_from_slice(&sum.to_be_bytes());
    bytes
}

fn positions_of(bytes: &[u8]) -> Result<(BTreeMap<String, Position>, u64), Malformed> {
    let (body, sum) = bytes.split_last_chunk::<4>().ok_or(Malformed::CutShort)?;
    if crc32fast::hash(body) != u32::from_be_bytes(*sum) {
        return Err(Malformed::Unknown);
    }
    let mut reader = Reader::new(body);
    let found = (read_positions(&mut reader)?, reader.unsigned()?);
    reader.end()?;
    Ok(found)
}

fn message_bytes(waiting: &Waiting) -> Vec<u8> {
    let mut bytes = Vec::new();
    put_waiting(&mut bytes, waiting);
    let sum = crc32fast::hash(&bytes);
    bytes.extend_from_slice(&sum.to_be_bytes());
    bytes
}

fn message_of(bytes: &[u8]) -> Result<Waiting, Malformed> {
    let (body, sum) = bytes.split_last_chunk::<4>().ok_or(Malformed::CutShort)?;
    if crc32fast::hash(body) != u32::from_be_bytes(*sum) {
        return Err(Malformed::Unknown);
    }
    let mut reader = Reader::new(body);
    let waiting = read_waiting(&mut reader)?;
    reader.end()?;
    Ok(waiting)
}

impl Journal {
    /// What waits to go out, and how far each destination has confirmed. Once, after opening.
    pub fn take_outbox(&mut self) -> Kept {
        self.outbox.handed_over = true;
        let waiting = std::mem::take(&mut self.outbox.known.waiting);
        Kept { waiting, ..self.outbox.known.clone() }
    }

    /// What hour 0 says of it. A store that was opened before goes on with what is known.
    pub(super) fn load_outbox(&mut self, store: &Store) -> Result<(), sled::Error> {
        if self.outbox.handed_over {
            return Ok(());
        }
        let mut known = Kept::default();
        if let Some(bytes) = store.sealed.get(positions_key())? {
            match positions_of(&bytes) {
                Ok((positions, last)) => (known.positions, known.last) = (positions, last),
                Err(_) => {
                    tracing::error!("how far other systems have confirmed is damaged; they get repeats");
                }
            }
        }
        let confirmed = known.confirmed_by_all();
        for entry in store.sealed.scan_prefix(&key(0, kind::OUTBOX, 0, 0)[..5]) {
            let (found, value) = entry?;
            let Some((.., number)) = parts(&found) else { continue };
            known.last = known.last.max(number);
            match message_of(&value) {
                _ if value.is_empty() => {}
                Ok(waiting) if number > confirmed[waiting.class.index()] => {
                    known.waiting.insert(number, waiting);
                }
                Ok(_) => {}
                Err(_) => tracing::error!(number, "a message that waits to be forwarded is damaged"),
            }
        }
        if let Some(bytes) = store.sealed.get(key(0, kind::COMMANDS, 0, 0))? {
            match command_record::all_of(&bytes) {
                Ok(commands) => known.commands = commands,
                Err(_) => {
                    tracing::error!("which commands were answered is damaged; only their age protects now");
                }
            }
        }
        self.outbox = Outbox { known, before: self.sealed_before, handed_over: false };
        Ok(())
    }

    /// What goes into the database for the changes that came with inputs that are being sealed.
    pub(super) fn outbox_entries(&self, changes: &[Change]) -> Vec<(Key, Vec<u8>)> {
        if changes.is_empty() {
            return Vec::new();
        }
        let known = &self.outbox.known;
        let confirmed = known.confirmed_by_all();
        let mut entries: BTreeMap<Key, Vec<u8>> = BTreeMap::new();
        let mut put = |waiting: &Waiting| {
            if waiting.number > confirmed[waiting.class.index()] {
                entries.insert(message_key(waiting.class, waiting.number), message_bytes(waiting));
            }
        };
        let mut gone_of: Vec<&u64> = Vec::new();
        for change in changes {
            match change {
                Change::Queued(waiting) => put(waiting),
                Change::Merged { gone, kept } => {
                    gone_of.extend(
                        gone.iter().filter(|number| kept.as_ref().is_none_or(|kept| kept.number != **number)),
                    );
                    kept.iter().for_each(&mut put);
                }
                Change::Confirmed(_) | Change::Commanded(_) => {}
            }
        }
        for number in gone_of {
            // Of which class it was matters little: what is not there is not read either.
            for class in Class::ALL {
                let key = message_key(class, *number);
                let sealed = self
                    .store
                    .as_ref()
                    .is_some_and(|store| matches!(store.sealed.contains_key(key), Ok(true)));
                if sealed {
                    entries.insert(key, Vec::new());
                } else {
                    entries.remove(&key);
                }
            }
        }
        let mut entries: Vec<_> = entries.into_iter().collect();
        entries.push((positions_key(), position_bytes(&known.positions, known.last)));
        if changes.iter().any(|change| matches!(change, Change::Commanded(_))) {
            entries.push((key(0, kind::COMMANDS, 0, 0), command_record::all_bytes(&known.commands)));
        }
        entries
    }

    /// Removes what every destination has confirmed.
    pub(super) fn tidy_outbox(&self) -> Result<(), String> {
        let Some(store) = &self.store else { return Ok(()) };
        let confirmed = self.outbox.known.confirmed_by_all();
        let mut batch = super::sealed::Batch::default();
        let mut removed = 0;
        for class in Class::ALL {
            let end = message_key(class, confirmed[class.index()].saturating_add(1));
            for entry in store.sealed.range(message_key(class, 0)..end).take(MOST_REMOVED) {
                let (found, _) = entry.map_err(|error| error.to_string())?;
                batch.remove(found);
                removed += 1;
            }
        }
        // What a cut brings back was confirmed, and is passed over.
        if removed == 0 { Ok(()) } else { store.change_in_time(batch).map_err(|error| error.to_string()) }
    }
}
