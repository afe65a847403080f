//! The journal: what is kept, what is read back, and what becomes of a store that fails.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use nix::fcntl::Flock;
use pondreeve_core::Timestamp;
use thiserror::Error;

use super::catch_up::{self, Pace, Taken};
use super::checkpoint;
use super::copy::Copy;
use super::database::{Store, Trouble, describe, may_pass};
use super::flat::Flat;
use super::folder::free_bytes;
use super::keys::Key;
use super::outbox::Outbox;
use super::record::{Batch, BatchWriter, read_batch};
use super::sealing::{Gathering, Unsealed};
use super::shapes::Shapes;
use super::tail::Tail;
use super::tally::OfHour;
use super::thinning::{Aged, Limits};
use super::trail::Ends;

/// Below this much free space nothing more is written. sled takes half a mebibyte at a time and writes
/// a snapshot now and then; running into a full disk in the middle of that is what we spare it.
pub const LEAST_FREE_BYTES: u64 = 4 * 1024 * 1024;

/// Where the database could not be read at the start, numbering goes on this far ahead, so that nothing
/// in it is ever written over. A gap of more than half that size is not counted as missing.
pub const SEQ_JUMP: u64 = 1_000_000_000;

/// A store that failed is tried again after this long.
pub const RETRY_AFTER: Duration = Duration::from_secs(5);

/// Why the daemon must not start with this store.
#[derive(Debug, Error)]
pub enum OpenError {
    /// A second daemon.
    #[error(
        "another pondreeve{} is running on the store {path}: stop that one first, or give this one a store of its own ([store] path)",
        holder.map(|pid| format!(" (process {pid}; `ps -fp {pid}` shows it)")).unwrap_or_default()
    )]
    InUse {
        /// The store.
        path: PathBuf,
        /// Process id of the holder, where it could be read.
        holder: Option<u32>,
    },
    /// Written by a later version.
    #[error(
        "the store {path} was written by a later version of pondreeve (store format {found}; this version reads up to {known}): run that version or a later one, or move the store away to begin a new one; nothing in it was changed"
    )]
    Newer {
        /// The store.
        path: PathBuf,
        /// Format found.
        found: u64,
        /// Newest format this program knows.
        known: u64,
    },
    /// The folder cannot be used at all.
    #[error(
        "cannot keep a store at {path}: {detail}; it must be a folder that this user may create and write"
    )]
    Unusable {
        /// The store.
        path: PathBuf,
        /// What the system said.
        detail: String,
    },
}

/// One batch on its way to disk.
#[derive(Debug, Clone)]
pub struct KeyedBatch {
    /// Position of its first input.
    pub key: u64,
    /// What is written.
    pub bytes: Arc<Vec<u8>>,
    /// The same laid out for sealing, where the writer held it.
    held: Option<Arc<Flat>>,
}

impl From<BatchWriter> for KeyedBatch {
    fn from(batch: BatchWriter) -> Self {
        let key = batch.key();
        let (mut bytes, held) = batch.finish_held();
        // Many may wait while a disk takes nothing.
        bytes.shrink_to_fit();
        Self { key, bytes: Arc::new(bytes), held: held.map(Arc::new) }
    }
}

impl From<(u64, Vec<u8>)> for KeyedBatch {
    fn from((key, bytes): (u64, Vec<u8>)) -> Self {
        Self { key, bytes: Arc::new(bytes), held: None }
    }
}

impl KeyedBatch {
    /// The position after its last input; 0 if there is none.
    pub fn next_seq(&self) -> u64 {
        match &self.held {
            Some(held) => held.rest.next_seq,
            None => read_batch(self.key, &self.bytes).next_seq,
        }
    }

    /// The same where what is written was held; 0 where not.
    pub(super) fn held_next_seq(&self) -> u64 {
        self.held.as_ref().map_or(0, |held| held.rest.next_seq)
    }

    /// The batch for a commit. What was held goes with it: should the commit fail, the bytes are read for the next.
    pub fn hand_over(&mut self) -> Self {
        Self { key: self.key, bytes: Arc::clone(&self.bytes), held: self.held.take() }
    }
}

/// What goes to disk together.
#[derive(Debug, Clone, Default)]
pub struct Commit {
    /// Inputs.
    pub batches: Vec<KeyedBatch>,
    /// Positions of inputs that are never to be replayed.
    pub left_out: Vec<u64>,
}

/// The journal and, while all is well, the open store behind it.
#[derive(Debug)]
pub struct Journal {
    pub(super) path: PathBuf,
    pub(super) lock: Option<Flock<File>>,
    pub(super) store: Option<Store>,
    pub(super) tail: Option<Tail>,
    pub(super) copy: Option<Copy>,
    pub(super) shapes: Shapes,
    /// What was committed and is not sealed, ready to be; `None` where the tail must be read for it.
    pub(super) gathering: Option<Gathering>,
    /// When hours are put into the database one by one, and when together.
    pub(super) pace: Pace,
    /// Everything before this position is sealed in the database, the last of it in this hour.
    pub(super) sealed_before: u64,
    pub(super) sealed_hour: u32,
    /// Hours before this one were sealed as far as the tail has them.
    pub(super) open_hour: u32,
    /// The farm at that position, as JSON.
    pub(super) site_text: Option<String>,
    /// The settings of the last start, where they were noted.
    pub(super) settings: Option<String>,
    /// Where the audit trail ends.
    pub(super) trail: Ends,
    /// What it must know of what waits to go out.
    pub(super) outbox: Outbox,
    pub(super) left_out: BTreeSet<u64>,
    /// Those of them that only the tail knows.
    pub(super) left_out_unsealed: BTreeSet<u64>,
    pub(super) limits: Limits,
    /// What the tail alone had, as sealed, when it was last asked for.
    pub(super) unsealed: RefCell<Option<Unsealed>>,
    /// Every day before this one is rolled up.
    pub(super) rolled_before: u32,
    /// What pieces of days that are not rolled up came to when they were sealed.
    pub(super) tallies: BTreeMap<Key, Vec<OfHour>>,
    /// Every day before this one has a file of its own.
    pub(super) filed_before: u32,
    /// The day on which readings were last deleted to make room on a full disk.
    pub(super) made_room_on: u32,
    /// When readings were last judged by their age.
    pub(super) aged: Aged,
    /// Readings of hours before this one were deleted.
    pub(super) thinned_before: u64,
    /// Bytes that sealed pieces take.
    pub(super) live_bytes: u64,
    /// Bytes ever written to the disk; beside the tail, those not yet counted in it.
    pub(super) written_ever: u64,
    pub(super) written_beside: u64,
    pub(super) wear_told: bool,
    /// Newest time of an input that was committed.
    pub(super) newest_at: Option<Timestamp>,
    pub(super) tried: Option<Instant>,
    pub(super) trouble: String,
    pub(super) least_free_bytes: u64,
    /// What people must know, until a commit that went well takes it along.
    pub(super) notes: Vec<String>,
}

/// What came of reading the journal.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Reading {
    /// Inputs read.
    pub inputs: u64,
    /// Places where something was damaged and skipped.
    pub damaged: u64,
    /// Inputs that should be there by their numbers and are not.
    pub missing: u64,
    /// The database is closed: these are the newest inputs only, and not surely all of them.
    pub partial: bool,
    /// It began with what the core can remember; older inputs were passed over.
    pub cut_short: bool,
    /// What people must know of it.
    pub notes: Vec<String>,
}

impl Journal {
    /// Opens the store at `path`, or makes one. A store that will not open is set aside under another
    /// name and a new one begun; the texts returned say so, for people. A disk that is full or
    /// read-only is no error either: the journal then keeps nothing until it can, and says so at each
    /// [`Journal::commit`].
    pub fn open(path: &Path, now: Timestamp) -> Result<(Self, Vec<String>), OpenError> {
        let mut journal = Self {
            path: path.to_owned(),
            lock: None,
            store: None,
            tail: None,
            copy: None,
            shapes: Shapes::default(),
            gathering: None,
            pace: Pace::default(),
            sealed_before: 0,
            sealed_hour: 0,
            open_hour: 0,
            site_text: None,
            settings: None,
            trail: Ends::default(),
            outbox: Outbox::default(),
            left_out: BTreeSet::new(),
            left_out_unsealed: BTreeSet::new(),
            limits: Limits::default(),
            unsealed: RefCell::new(None),
            rolled_before: 0,
            tallies: BTreeMap::new(),
            filed_before: 0,
            made_room_on: 0,
            aged: Aged::default(),
            thinned_before: 0,
            live_bytes: 0,
            written_ever: 0,
            written_beside: 0,
            wear_told: false,
            newest_at: None,
            tried: None,
            trouble: String::new(),
            least_free_bytes: LEAST_FREE_BYTES,
            notes: Vec::new(),
        };
        match journal.try_open(now) {
            Ok(()) => {}
            Err(Trouble::Refused(error)) => return Err(error),
            Err(Trouble::Io(error)) if may_pass(&error) => {
                journal.failed(format!(
                    "the store {} cannot be opened: {}",
                    path.display(),
                    describe(&error)
                ));
            }
            Err(Trouble::Io(error)) => {
                return Err(OpenError::Unusable { path: path.to_owned(), detail: error.to_string() });
            }
            Err(Trouble::Damaged(detail)) => {
                return Err(OpenError::Unusable { path: path.to_owned(), detail });
            }
        }
        let notes = std::mem::take(&mut journal.notes);
        Ok((journal, notes))
    }

    /// Positions of inputs that made the program fail and are to be left out of a replay.
    pub fn left_out(&self) -> BTreeSet<u64> {
        self.left_out.clone()
    }

    /// Puts batches on disk for good: in the tail. [`Journal::upkeep`] carries them into the database.
    /// On `Err` they are not, for the reason given; handing the same
    /// batches in again later is right.
    pub fn commit(&mut self, commit: &Commit, now: Timestamp) -> Result<Vec<String>, String> {
        if self.store.is_none() {
            if self.tried.is_some_and(|tried| tried.elapsed() < RETRY_AFTER) {
                return Err(self.trouble.clone());
            }
            if let Err(trouble) = self.try_open(now) {
                self.failed(format!("the store {} cannot be opened: {trouble}", self.path.display()));
                return Err(self.trouble.clone());
            }
        }
        if commit.batches.is_empty() && commit.left_out.is_empty() {
            return Ok(std::mem::take(&mut self.notes));
        }
        let free = free_bytes(&self.path);
        if let Ok(free) = free
            && free < self.least_free_bytes
        {
            return Err(format!(
                "the disk of {} is full: {} kB free, at least {} kB needed; delete something there",
                self.path.display(),
                free / 1024,
                self.least_free_bytes / 1024
            ));
        }
        let Some(tail) = &mut self.tail else { return Err(self.trouble.clone()) };
        let left_out: Vec<u8> = commit.left_out.iter().flat_map(|seq| seq.to_be_bytes()).collect();
        let mut items = catch_up::items_of(commit, &left_out);
        let mut taken = Taken { newest_at: self.newest_at, trail: self.trail, ..Taken::default() };
        let mut take = || {
            // Should writing fail, the store is closed, and what was gathered forgotten.
            for KeyedBatch { key, bytes, held } in &commit.batches {
                let length = bytes.len() as u64;
                if let Some(held) = held {
                    if let Some(gathering) = &mut self.gathering {
                        gathering.take_flat(held, length, &mut self.shapes);
                    }
                    taken.batch(&held.rest, held.newest_at());
                } else {
                    let batch = read_batch(*key, bytes);
                    if let Some(gathering) = &mut self.gathering {
                        gathering.take(&batch, length, &mut self.shapes);
                    }
                    taken.batch(&batch, newest_in(&batch));
                }
            }
            taken.next_seq
        };
        match catch_up::write(tail, &mut items, self.sealed_before, &mut take) {
            Ok(()) => {
                self.newest_at = taken.newest_at;
                self.trail = taken.trail;
                let (outbox, next_seq) = (taken.outbox, taken.next_seq);
                self.outbox.take(&Batch { outbox, next_seq, ..Batch::default() });
                self.settings = taken.settings.or(self.settings.take());
                self.left_out.extend(&commit.left_out);
                self.left_out_unsealed.extend(&commit.left_out);
                Ok(std::mem::take(&mut self.notes))
            }
            Err(error) => {
                let error = describe(&error);
                self.failed(format!("writing to the store {} failed: {error}", self.path.display()));
                Err(self.trouble.clone())
            }
        }
    }

    /// Puts a checkpoint in the place of the one before. It may cover no input that is not committed.
    ///
    /// # Errors
    /// What the system said; the one before then stays.
    pub fn put_checkpoint(&mut self, content: &[u8]) -> std::io::Result<u64> {
        if free_bytes(&self.path).is_ok_and(|free| free < self.least_free_bytes) {
            return Err(std::io::ErrorKind::StorageFull.into());
        }
        let written = checkpoint::write(&self.path, content)?;
        self.written_beside += written;
        Ok(written)
    }

    /// The newest checkpoint, if it is of this build and undamaged.
    pub fn checkpoint(&self) -> Option<Vec<u8>> {
        checkpoint::read(&self.path)
    }

    /// Whether the database is open.
    ///
    /// # Errors
    /// Why it is not.
    pub fn is_open(&self) -> Result<(), String> {
        if self.store.is_some() { Ok(()) } else { Err(self.trouble.clone()) }
    }

    pub(super) fn failed(&mut self, trouble: String) {
        self.tried = Some(Instant::now());
        self.trouble = trouble;
        self.close();
    }

    /// Lets go of the files. After an error sled refuses everything; only a new handle can work again.
    pub(super) fn close(&mut self) {
        self.tail = None;
        self.copy = None;
        self.gathering = None;
        if let Some(store) = self.store.take() {
            let _ = catch_unwind(AssertUnwindSafe(|| drop(store)));
        }
    }
}

impl Drop for Journal {
    fn drop(&mut self) {
        if let Some(tail) = &mut self.tail {
            // Without it damage at the very end is taken for an unfinished commit.
            let _ = tail.close();
        }
    }
}

/// How far a batch goes: position after its last input, and that input's time.
pub(super) fn extent_of(key: u64, bytes: &[u8]) -> (u64, Option<Timestamp>) {
    let batch = read_batch(key, bytes);
    (batch.next_seq, newest_in(&batch))
}

pub(super) fn newest_in(batch: &Batch) -> Option<Timestamp> {
    batch.inputs.iter().map(|input| input.at).max()
}

#[cfg(test)]
#[path = "store_tests.rs"]
mod tests;
