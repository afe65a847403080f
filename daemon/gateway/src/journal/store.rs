//! The journal on sled.
//!
//! sled's `flush` hands data to the kernel but on Linux does not wait for the device, so each flush is
//! followed by `sync_data` on a handle of our own to the same file. A new store is made in a folder
//! beside, synced and renamed, because a cut in the middle of making one leaves it unopenable.
//!
//! Layout: tree `inputs`, key the position of the first record as eight bytes, highest first, value one
//! batch (see [`super::record`]); tree `left-out`, keys the positions of inputs that made the program
//! fail and are not to be replayed; tree `about`, keys `format`, the version of the layout, and
//! `forwarded`, the time up to which everything that goes to other systems is confirmed by them.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use nix::fcntl::{Flock, FlockArg};
use pondreeve_core::{Input, Timestamp};
use thiserror::Error;

use super::record::{FORMAT, read_batch};
use super::tail::{self, Tail};

/// Pages that sled keeps in memory. The tail is all that is ever read again.
const CACHE_BYTES: u64 = 16 * 1024 * 1024;

/// Below this much free space nothing more is written. sled takes half a mebibyte at a time and writes
/// a snapshot now and then; running into a full disk in the middle of that is what we spare it.
pub const LEAST_FREE_BYTES: u64 = 4 * 1024 * 1024;

/// Where the database could not be read at the start, numbering goes on this far ahead, so that nothing
/// in it is ever written over. A gap of more than half that size is not counted as missing.
pub const SEQ_JUMP: u64 = 1_000_000_000;

/// A store that failed is tried again after this long.
pub const RETRY_AFTER: Duration = Duration::from_secs(5);

/// A store that was just closed keeps its lock until sled's threads have ended; wait this long for it.
const LOCK_PATIENCE: Duration = Duration::from_secs(5);

const FORMAT_KEY: &[u8] = b"format";
const FORWARDED_KEY: &[u8] = b"forwarded";

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

/// What can go wrong on the way to an open store.
#[derive(Debug, Error)]
enum Trouble {
    #[error("{0}")]
    Refused(OpenError),
    #[error("{}", describe(.0))]
    Io(#[from] io::Error),
    #[error("the store is damaged: {0}")]
    Damaged(String),
}

impl From<sled::Error> for Trouble {
    fn from(error: sled::Error) -> Self {
        match error {
            sled::Error::Io(error) if !speaks_of_content(&error) => Self::Io(error),
            other => Self::Damaged(other.to_string()),
        }
    }
}

/// Whether an error from sled is about what is in the store, rather than about the disk or the rights.
fn speaks_of_content(error: &io::Error) -> bool {
    use io::ErrorKind as Kind;
    let odd_files = [Kind::NotFound, Kind::NotADirectory, Kind::IsADirectory, Kind::AlreadyExists];
    let odd_bytes = [Kind::InvalidData, Kind::InvalidInput, Kind::UnexpectedEof, Kind::Other];
    odd_files.contains(&error.kind()) || odd_bytes.contains(&error.kind())
}

/// Whether an error leaves hope that the disk takes data again by itself or after a person's help.
fn may_pass(error: &io::Error) -> bool {
    use io::ErrorKind as Kind;
    matches!(
        error.kind(),
        Kind::StorageFull | Kind::ReadOnlyFilesystem | Kind::QuotaExceeded | Kind::ResourceBusy
    ) || error.raw_os_error() == Some(nix::errno::Errno::EIO as i32)
}

fn describe(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "the disk is full; delete something there".to_owned()
        }
        io::ErrorKind::ReadOnlyFilesystem => {
            "the disk is read-only, as a failing card becomes; check and replace it".to_owned()
        }
        _ => error.to_string(),
    }
}

#[derive(Debug)]
struct Store {
    db: sled::Db,
    about: sled::Tree,
    inputs: sled::Tree,
    left_out: sled::Tree,
    /// The same file that sled writes; see the module's first lines.
    file: File,
}

impl Store {
    fn open(path: &Path) -> Result<Self, Trouble> {
        let deadline = Instant::now() + LOCK_PATIENCE;
        let db = loop {
            match catch_unwind(|| settings(path).open()) {
                Ok(Ok(db)) => break db,
                Ok(Err(sled::Error::Io(error))) if is_locked(&error) && Instant::now() < deadline => {
                    std::thread::sleep(Duration::from_millis(20));
                }
                Ok(Err(sled::Error::Io(error))) if is_locked(&error) => {
                    return Err(Trouble::Refused(OpenError::InUse { path: path.to_owned(), holder: None }));
                }
                Ok(Err(error)) => return Err(error.into()),
                Err(_) => return Err(Trouble::Damaged("the database fails while opening it".to_owned())),
            }
        };
        let about = db.open_tree("about")?;
        let found = match about.get(FORMAT_KEY)?.as_deref().map(<[u8; 8]>::try_from) {
            Some(Ok(bytes)) => u64::from_be_bytes(bytes),
            Some(Err(_)) => return Err(Trouble::Damaged("its format number is not readable".to_owned())),
            None => return Err(Trouble::Damaged("it carries no format number".to_owned())),
        };
        if found > u64::from(FORMAT) {
            let known = u64::from(FORMAT);
            return Err(Trouble::Refused(OpenError::Newer { path: path.to_owned(), found, known }));
        }
        let inputs = db.open_tree("inputs")?;
        let file = File::open(path.join("db"))?;
        let left_out = db.open_tree("left-out")?;
        Ok(Self { db, about, inputs, left_out, file })
    }

    fn commit(&self, commit: &Commit) -> Result<(), sled::Error> {
        for (key, bytes) in &commit.batches {
            self.inputs.insert(key.to_be_bytes(), &bytes[..])?;
        }
        for seq in &commit.left_out {
            self.left_out.insert(seq.to_be_bytes(), &[])?;
        }
        if let Some(forwarded) = commit.forwarded {
            self.about.insert(FORWARDED_KEY, &forwarded.as_millis().to_be_bytes())?;
        }
        self.db.flush()?;
        self.file.sync_data()?;
        Ok(())
    }
}

fn settings(path: &Path) -> sled::Config {
    // No flushing in the background: a flush that we do not follow with a sync is worth nothing.
    sled::Config::new().path(path).cache_capacity(CACHE_BYTES).flush_every_ms(None)
}

fn is_locked(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::WouldBlock || error.to_string().contains("could not acquire lock")
}

/// Makes an empty store so that a power cut at any moment leaves either none or a whole one.
fn make_store(path: &Path) -> Result<(), Trouble> {
    let making = build_store(path, |_| {})?;
    fs::rename(&making, path)?;
    sync_parent(path)?;
    Ok(())
}

/// Makes a store beside `path`, filled and on disk for good, ready to be renamed.
fn build_store(path: &Path, fill: impl FnOnce(&Trees)) -> Result<PathBuf, Trouble> {
    let making = with_suffix(path, ".making");
    if making.exists() {
        // Left by a cut; it was never in use.
        fs::remove_dir_all(&making)?;
    }
    let db = catch_unwind(|| settings(&making).open())
        .map_err(|_| Trouble::Damaged("the database fails while making it".to_owned()))??;
    let about = db.open_tree("about")?;
    about.insert(FORMAT_KEY, &u64::from(FORMAT).to_be_bytes())?;
    let trees = Trees { about, inputs: db.open_tree("inputs")?, left_out: db.open_tree("left-out")? };
    fill(&trees);
    drop(trees);
    db.flush()?;
    drop(db);
    sync_tree(&making)?;
    Ok(making)
}

/// What a store is filled with.
struct Trees {
    about: sled::Tree,
    inputs: sled::Tree,
    left_out: sled::Tree,
}

fn count_inputs((key, bytes): &KeyedBatch) -> usize {
    read_batch(*key, bytes).inputs.len()
}

fn is_nearly_full(path: &Path) -> bool {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    free_bytes(folder).is_ok_and(|free| free < LEAST_FREE_BYTES)
}

fn position(key: &[u8]) -> Option<u64> {
    <[u8; 8]>::try_from(key).ok().map(u64::from_be_bytes)
}

fn sync_tree(folder: &Path) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            sync_tree(&entry.path())?;
        } else {
            File::open(entry.path())?.sync_all()?;
        }
    }
    File::open(folder)?.sync_all()
}

fn sync_parent(path: &Path) -> io::Result<()> {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => File::open(parent)?.sync_all(),
        _ => File::open(".")?.sync_all(),
    }
}

fn set_aside(path: &Path, now: Timestamp) -> io::Result<PathBuf> {
    let time = jiff::Timestamp::from_millisecond(now.as_millis()).unwrap_or_default();
    let stem = with_suffix(path, &format!(".damaged-{}", time.strftime("%Y%m%dT%H%M%SZ")));
    let aside = (0_u32..)
        .map(|n| if n == 0 { stem.clone() } else { with_suffix(&stem, &format!("-{n}")) })
        .find(|candidate| !candidate.exists())
        .unwrap_or(stem);
    fs::rename(path, &aside)?;
    sync_parent(path)?;
    Ok(aside)
}

/// The lock lies beside the store rather than in it, so that making, setting aside and renaming the
/// store happen under it too.
fn take_lock(path: &Path) -> Result<Flock<File>, Trouble> {
    let lock_path = with_suffix(path, ".lock");
    let file = fs::OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(&lock_path)
        .or_else(|error| File::open(&lock_path).map_err(|_| error))?;
    match Flock::lock(file, FlockArg::LockExclusiveNonblock) {
        Ok(lock) => {
            // For people and for the next one's message only; the lock is what counts.
            let _ = fs::write(&lock_path, format!("{}\n", std::process::id()));
            Ok(lock)
        }
        Err((_, nix::errno::Errno::EWOULDBLOCK)) => {
            let holder = fs::read_to_string(&lock_path).ok().and_then(|text| text.trim().parse().ok());
            Err(Trouble::Refused(OpenError::InUse { path: path.to_owned(), holder }))
        }
        Err((_, errno)) => Err(Trouble::Io(errno.into())),
    }
}

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

fn free_bytes(path: &Path) -> nix::Result<u64> {
    let stat = nix::sys::statvfs::statvfs(path)?;
    Ok(stat.blocks_available().saturating_mul(stat.fragment_size()))
}

#[cfg(test)]
#[path = "store_tests.rs"]
mod tests;
