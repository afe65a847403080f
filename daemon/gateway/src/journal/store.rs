//! The journal: what is kept, what is read back, and what becomes of a store that fails.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use nix::fcntl::Flock;
use pondreeve_core::{Input, Timestamp};
use thiserror::Error;

use super::database::{FORWARDED_KEY, Store, Trouble, build_store, describe, make_store, may_pass, position};
use super::folder::{free_bytes, is_nearly_full, set_aside, sync_parent, take_lock};
use super::record::read_batch;
use super::tail::{self, Tail};

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

/// One batch on its way to disk: key and bytes.
pub type KeyedBatch = (u64, Arc<[u8]>);

/// What goes to disk together.
#[derive(Debug, Clone, Default)]
pub struct Commit {
    /// Inputs.
    pub batches: Vec<KeyedBatch>,
    /// Positions of inputs that are never to be replayed.
    pub left_out: Vec<u64>,
    /// Time up to which other systems have confirmed everything, where it changed. Never worth a commit
    /// of its own: without it something is forwarded twice.
    pub forwarded: Option<Timestamp>,
}

/// The journal and, while all is well, the open store behind it.
#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    lock: Option<Flock<File>>,
    store: Option<Store>,
    tail: Option<Tail>,
    pub(super) tried: Option<Instant>,
    trouble: String,
    pub(super) least_free_bytes: u64,
    /// What people must know, until a commit that went well takes it along.
    notes: Vec<String>,
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
        let Some(store) = &self.store else { return BTreeSet::new() };
        let keys = store.left_out.iter().keys().filter_map(Result::ok);
        keys.filter_map(|key| position(&key)).collect()
    }

    /// Time up to which other systems have confirmed everything; `None` where nothing was written yet.
    pub fn forwarded(&self) -> Option<Timestamp> {
        let value = self.store.as_ref()?.about.get(FORWARDED_KEY).ok()??;
        <[u8; 8]>::try_from(&value[..]).ok().map(i64::from_be_bytes).map(Timestamp)
    }

    /// Hands every readable input to `each`, in order. Where the database itself cannot read on, what
    /// can be read before and after that place is carried over into a new store, and the damaged one
    /// set aside.
    pub fn read(&mut self, now: Timestamp, each: &mut dyn FnMut(Input)) -> Reading {
        let mut reading = Reading::default();
        let mut next_seq = None;
        if self.read_on(&mut reading, &mut next_seq, each) {
            return reading;
        }
        reading.damaged += 1;
        match self.carry_over(now) {
            Ok(notes) => {
                reading.notes.extend(notes);
                self.read_on(&mut reading, &mut next_seq, each);
            }
            Err(trouble) => self.failed(trouble.to_string()),
        }
        reading
    }

    /// Reads on from `next_seq`; `false` where the database failed before the end.
    fn read_on(
        &self,
        reading: &mut Reading,
        next_seq: &mut Option<u64>,
        each: &mut dyn FnMut(Input),
    ) -> bool {
        let Some(store) = &self.store else {
            // Better the newest than nothing: the tail can be read on a disk that takes nothing.
            reading.partial = true;
            for (key, bytes) in tail::read(&self.path) {
                let batch = read_batch(key, &bytes);
                reading.inputs += batch.inputs.len() as u64;
                batch.inputs.into_iter().for_each(&mut *each);
            }
            return true;
        };
        let from = next_seq.unwrap_or(0).to_be_bytes();
        let outcome = catch_unwind(AssertUnwindSafe(|| {
            for entry in store.inputs.range(from..) {
                let Ok((key, value)) = entry else { return false };
                let Some(key) = position(&key) else {
                    reading.damaged += 1;
                    continue;
                };
                if let Some(expected) = *next_seq {
                    let gap = key.saturating_sub(expected);
                    reading.missing += if gap < SEQ_JUMP / 2 { gap } else { 0 };
                }
                let batch = read_batch(key, &value);
                reading.damaged += batch.damaged;
                reading.inputs += batch.inputs.len() as u64;
                *next_seq = Some(batch.next_seq.max(key.saturating_add(1)));
                batch.inputs.into_iter().for_each(&mut *each);
            }
            true
        }));
        outcome.unwrap_or(false)
    }

    /// Copies what can be read, from both ends up to the damage, and puts the copy in the store's place.
    fn carry_over(&mut self, now: Timestamp) -> Result<Vec<String>, Trouble> {
        let Some(old) = self.store.take() else { return Err(Trouble::Damaged("it is closed".to_owned())) };
        let making = build_store(&self.path, |new| {
            if let Ok(Some(forwarded)) = old.about.get(FORWARDED_KEY) {
                // Without it things are forwarded twice, no more.
                let _ = new.about.insert(FORWARDED_KEY, forwarded);
            }
            for (old, new) in [(&old.inputs, &new.inputs), (&old.left_out, &new.left_out)] {
                // A panic while reading ends that direction, as an error does.
                let _ = catch_unwind(AssertUnwindSafe(|| {
                    old.iter()
                        .map_while(Result::ok)
                        .try_for_each(|(key, value)| new.insert(key, value).map(drop))
                }));
                let _ = catch_unwind(AssertUnwindSafe(|| {
                    let from_end = old.iter().rev().map_while(Result::ok);
                    from_end
                        .take_while(|(key, _)| !matches!(new.contains_key(key), Ok(true)))
                        .try_for_each(|(key, value)| new.insert(key, value).map(drop))
                }));
            }
        })?;
        let _ = catch_unwind(AssertUnwindSafe(|| drop(old)));
        let aside = set_aside(&self.path, now)?;
        fs::rename(&making, &self.path)?;
        sync_parent(&self.path)?;
        tail::copy(&aside, &self.path)?;
        let note = format!(
            "the store {} is damaged inside; what could be read was carried over into a new one, and the damaged one is kept as {}",
            self.path.display(),
            aside.display()
        );
        let put_back = self.adopt(Store::open(&self.path)?)?;
        Ok([Some(note), put_back].into_iter().flatten().collect())
    }

    /// Puts batches on disk for good. On `Err` they are not, for the reason given; handing the same
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
        if commit.batches.is_empty() && commit.left_out.is_empty() && commit.forwarded.is_none() {
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
        let Some(store) = &self.store else { return Err(self.trouble.clone()) };
        // sled is known to panic in places where it should return an error.
        match catch_unwind(AssertUnwindSafe(|| store.commit(commit))) {
            Ok(Ok(())) => {
                self.append_to_tail(&commit.batches, now);
                Ok(std::mem::take(&mut self.notes))
            }
            Ok(Err(error)) => {
                let error = Trouble::from(error);
                self.failed(format!("writing to the store {} failed: {error}", self.path.display()));
                Err(self.trouble.clone())
            }
            Err(_) => {
                self.failed(format!(
                    "writing to the store {} failed inside the database",
                    self.path.display()
                ));
                Err(self.trouble.clone())
            }
        }
    }

    /// The commit is on disk; whatever happens here, it stays so.
    fn append_to_tail(&mut self, batches: &[KeyedBatch], now: Timestamp) {
        let Some(tail) = &mut self.tail else { return };
        match tail.append(batches) {
            Ok(false) => {}
            Ok(true) => {
                // Opening makes the snapshot that lets the older file go.
                self.failed("it is being opened anew".to_owned());
                if let Err(trouble) = self.try_open(now) {
                    self.failed(format!("the store {} cannot be opened: {trouble}", self.path.display()));
                }
            }
            Err(error) => {
                tracing::warn!(%error, "the second copy of the newest inputs cannot be written");
                self.tail = None;
            }
        }
    }

    fn failed(&mut self, trouble: String) {
        self.tried = Some(Instant::now());
        self.trouble = trouble;
        // After an error sled refuses everything; only a new handle can work again.
        if let Some(store) = self.store.take() {
            let _ = catch_unwind(AssertUnwindSafe(|| drop(store)));
        }
    }

    fn try_open(&mut self, now: Timestamp) -> Result<(), Trouble> {
        self.tried = Some(Instant::now());
        if let Some(parent) = self.path.parent() {
            fs::create_dir_all(parent)?;
        }
        if self.lock.is_none() {
            self.lock = Some(take_lock(&self.path)?);
        }
        if is_nearly_full(&self.path) {
            // Opening writes a snapshot; cut short by the end of the disk, it leaves a damaged store.
            return Err(Trouble::Io(io::ErrorKind::StorageFull.into()));
        }
        if !self.path.exists() {
            make_store(&self.path)?;
        }
        let store = match Store::open(&self.path) {
            Ok(store) => store,
            Err(Trouble::Damaged(detail)) => {
                let aside = set_aside(&self.path, now)?;
                make_store(&self.path)?;
                tail::copy(&aside, &self.path)?;
                let taken_along: usize = tail::read(&self.path).iter().map(count_inputs).sum();
                self.notes.push(format!(
                    "the store {} could not be opened ({detail}); it was set aside whole as {} and a new one begun with the newest {taken_along} inputs: older readings and alarms are not known to this daemon",
                    self.path.display(),
                    aside.display()
                ));
                let store = Store::open(&self.path)?;
                // Expected here, so not told again.
                return self.adopt(store).map(drop);
            }
            Err(other) => return Err(other),
        };
        let put_back = self.adopt(store)?;
        self.notes.extend(put_back);
        Ok(())
    }

    /// Takes a store that was opened, and puts back what its tail knows and it does not.
    fn adopt(&mut self, store: Store) -> Result<Option<String>, Trouble> {
        let (mut lost, mut note) = (Vec::new(), None);
        for (key, bytes) in tail::read(&self.path) {
            if !matches!(store.inputs.contains_key(key.to_be_bytes()), Ok(true)) {
                lost.push((key, bytes));
            }
        }
        if !lost.is_empty() {
            let inputs: usize = lost.iter().map(count_inputs).sum();
            store.commit(&Commit { batches: lost, ..Commit::default() })?;
            note = Some(format!(
                "the store {} had lost {inputs} inputs to damage on the disk; they were put back from the second copy. The card may be failing: replace it soon",
                self.path.display()
            ));
        }
        self.tail = Tail::open(&self.path)
            .inspect_err(
                |error| tracing::warn!(%error, "the second copy of the newest inputs cannot be opened"),
            )
            .ok();
        self.store = Some(store);
        Ok(note)
    }
}

fn count_inputs((key, bytes): &KeyedBatch) -> usize {
    read_batch(*key, bytes).inputs.len()
}

#[cfg(test)]
#[path = "store_tests.rs"]
mod tests;
