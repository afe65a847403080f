//! Looking whether a store or a backup is whole, its audit trail too.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use super::archive::{CopyOfStore, each_of_days, each_of_store};
use super::backup::{each_of_backup, is_backup, needs_shape};
use super::chunk::Chunk;
use super::database::Store;
use super::folder::take_lock;
use super::keys::{kind, parts};
use super::record::read_batch;
use super::seal::{others_of, progress_of};
use super::shapes::Shapes;
use super::tail;
use super::trail;
use pondreeve_core::said::{Said, said};

use crate::audit::{self, Head, Note};

/// What a check came to.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Checked {
    /// Pieces that are as they were written.
    pub pieces: u64,
    /// Inputs in them.
    pub inputs: u64,
    /// Places that are damaged; a file that is missing is one.
    pub damaged: u64,
    /// Files of a backup that are not as they were written, and how.
    pub faults: Vec<String>,
    /// It is a backup that does not say which files belong to it.
    pub without_list: bool,
    /// What became of the audit trail.
    pub trail: audit::check::Checked,
}

/// Nothing of such a store is where it is looked for here; it must not be taken for a whole one without readings.
pub(super) fn first_format() -> String {
    let said = said!(
        "verify-first-format",
        "it is of the first format, which only the daemon reads: start it on the store, or on a copy, and it is carried over"
    );
    said.english().to_owned()
}

/// What is wrong with a store.
fn about_store(folder: &Path, trouble: &str) -> String {
    let (store, trouble) = (folder.display().to_string(), trouble.to_owned());
    said!("verify-store", "the store {store}: {trouble}", store = store, trouble = trouble)
        .english()
        .to_owned()
}

/// What cannot be read of a store or a backup.
pub(super) fn unreadable(place: &str, error: &io::Error) -> Said {
    let error = error.to_string();
    said!("verify-unreadable", "{place} cannot be read: {error}", place = place, error = error)
}

/// The same of a store's database.
pub(super) fn unreadable_store(store: &Path, error: &sled::Error) -> String {
    let (store, error) = (store.display().to_string(), error.to_string());
    said!(
        "verify-store-unreadable",
        "the store {store} cannot be read: {error}",
        store = store,
        error = error
    )
    .english()
    .to_owned()
}

/// Looks into one piece.
fn check_piece(shapes: &Shapes, key: &[u8], value: &[u8], checked: &mut Checked) {
    let Some((hour, kind, number, seq)) = parts(key) else {
        checked.pieces += 1;
        return;
    };
    let (inputs, damaged) = match kind {
        // Its inputs are counted where they stand in their hour.
        kind::LASTING => (0, read_batch(seq, value).damaged),
        _ if hour == 0 => (0, 0),
        kind::INPUT | kind::OTHER => {
            let batch = if kind == kind::INPUT { read_batch(seq, value) } else { others_of(value) };
            (batch.inputs.len() as u64, batch.damaged)
        }
        kind if needs_shape(kind) => {
            let chunk = shapes.get(number).map(|shape| Chunk::open(shape, key, value));
            match chunk {
                Some(Ok(chunk)) if kind == kind::CHUNK => (chunk.ats.len() as u64, 0),
                Some(Ok(_)) => (0, 0),
                _ => (0, 1),
            }
        }
        _ => (0, 0),
    };
    checked.pieces += u64::from(damaged == 0);
    checked.inputs += inputs;
    checked.damaged += damaged;
}

/// Whether a folder is a store or a backup, as far as its files' names tell.
///
/// # Errors
/// Where it is neither; the text says what would be one.
pub fn is_known(folder: &Path) -> Result<(), String> {
    let of_store = |entry: io::Result<std::fs::DirEntry>| {
        let name = entry.map(|entry| entry.file_name()).unwrap_or_default();
        let name = name.to_string_lossy();
        ["db", "conf", "days"].contains(&&*name) || name.starts_with("tail-") || name.starts_with("copy-")
    };
    let is_store = std::fs::read_dir(folder).is_ok_and(|mut entries| entries.any(of_store));
    if is_store || is_backup(folder) {
        return Ok(());
    }
    let said = said!(
        "verify-neither",
        "{folder} is neither a store nor a backup: a store has files such as conf, db, tail-0 and the folder days, a backup has index.pieces and a file hours-....pieces for each day",
        folder = folder.display().to_string()
    );
    Err(said.english().to_owned())
}

/// Checks every piece of a store that no daemon has open, or of a backup; of the audit trail also whether it holds a
/// record with the hash that was noted elsewhere, if one is given.
///
/// # Errors
/// Where it is neither, is in use, or cannot be read; the text says why.
pub fn verify(folder: &Path, noted: Option<Head>) -> Result<Checked, String> {
    is_known(folder)?;
    let mut checked = Checked::default();
    let mut trail = TrailPieces::default();
    let mut shapes = Shapes::default();
    let mut learn = |key: &[u8], value: &[u8]| {
        if let Some((0, kind::SHAPE, number, _)) = parts(key) {
            // A damaged one shows in the pieces that need it.
            let _ = shapes.add(number, value.to_vec());
        }
    };
    let failed = |error: io::Error| unreadable(&folder.display().to_string(), &error).english().to_owned();
    if is_backup(folder) {
        each_of_backup(folder, &mut learn).map_err(failed)?;
        let mut check = |key: &[u8], value: &[u8]| {
            trail.take(key, value);
            check_piece(&shapes, key, value, &mut checked);
        };
        let faults = each_of_backup(folder, &mut check).map_err(failed)?;
        checked.damaged += faults.damaged;
        (checked.faults, checked.without_list) = (faults.lines, faults.without_list);
        checked.trail = trail.check(&[], noted);
        return Ok(checked);
    }
    let _lock = take_lock(folder).map_err(|trouble| trouble.to_string())?;
    let copied = CopyOfStore::of(folder, folder).map_err(failed)?;
    let store = Store::open(&copied.0).map_err(|trouble| about_store(folder, &trouble.to_string()))?;
    if store.format == 1 {
        return Err(about_store(folder, &first_format()));
    }
    each_of_store(&store, &mut learn);
    let mut damaged = 0;
    let mut check = |key: &[u8], value: &[u8]| {
        trail.take(key, value);
        check_piece(&shapes, key, value, &mut checked);
    };
    damaged += each_of_store(&store, &mut check);
    damaged += each_of_days(folder, &store, &mut check).map_err(failed)?;
    checked.damaged += damaged;
    drop(store);
    let (mut notes, mut before) = (Vec::new(), trail.sealed_before);
    let found = tail::read(folder, &mut |entry| {
        if entry.kind == tail::Kind::Batch {
            let batch = read_batch(entry.key, entry.body);
            // The tail keeps for a while what is sealed, too.
            checked.inputs += batch.inputs.iter().filter(|input| input.seq >= before).count() as u64;
            checked.damaged += batch.damaged;
            notes.extend(batch.notes.into_iter().filter(|(seq, _)| *seq >= before).map(|(_, note)| note));
            before = before.max(batch.next_seq);
        }
    });
    checked.trail = trail.check(&notes, noted);
    checked.damaged += found.map_err(failed)?.damaged;
    Ok(checked)
}

/// The audit trail among pieces.
#[derive(Debug, Default)]
struct TrailPieces {
    rows: BTreeMap<u64, Vec<u8>>,
    counted: Option<Head>,
    sealed_before: u64,
}

impl TrailPieces {
    fn take(&mut self, key: &[u8], value: &[u8]) {
        match parts(key) {
            Some((0, kind::AUDIT, _, record)) => {
                self.rows.insert(record, value.to_vec());
            }
            Some((0, kind::AUDIT_HEAD, ..)) => self.counted = trail::head_of(value),
            Some((0, kind::PROGRESS, ..)) => {
                self.sealed_before = progress_of(value).map_or(0, |(before, _)| before);
            }
            _ => {}
        }
    }

    /// What is sealed is held against its count; what is in the tail only is chained on.
    fn check(&self, notes: &[Note], noted: Option<Head>) -> audit::check::Checked {
        let mut check = audit::Check::new(noted);
        self.rows.iter().for_each(|(record, bytes)| check.stored(*record, bytes));
        check.counted(self.counted);
        let mut head = self.counted.unwrap_or_else(|| check.head());
        for note in notes {
            let row = head.chain(note);
            check.row(head.records, &row);
        }
        check.end()
    }
}
