//! The one file that knows sled.
//!
//! sled's `flush` hands data to the kernel but on Linux does not wait for the device: [`super::device_sync`] makes it,
//! and each flush is followed by `sync_data` on a handle of our own to the same file. Pages of more than 128 KiB it
//! writes to files in the folder `blobs`, which it does not sync: [`super::sealed`] lets none come about, and what an
//! earlier format left there we sync. A new store is made in a folder beside, synced and renamed, because a cut in the
//! middle of making one leaves it unopenable.
//!
//! Layout: trees `sealed` and `parts` ([`super::sealed`]), keys as in [`super::keys`]; tree `about`, key `format`, the
//! version of the layout; beside it the days that are over ([`super::days`]). Format 3 kept long values whole.
//! Format 2 kept past days in `sealed` too: it is read as it is, and they get their files one by one. Format 1 kept
//! every commit in a tree `inputs`; [`super::migrate`] carries it over.

use std::cell::RefCell;
use std::cmp::Ordering;
use std::collections::BTreeSet;
use std::ffi::OsString;
use std::fs::{self, File};
use std::io;
use std::panic::catch_unwind;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use thiserror::Error;

use super::days::Days;
use super::device_sync::sync_data;
use super::folder::{sync_parent, sync_tree, with_suffix};
use super::keys::{Key, key, key_after, parts};
use super::sealed::{Batch, Entries, Sealed};
use super::store::OpenError;
use pondreeve_core::said::said;

/// Version of the layout that this program writes.
pub(super) const FORMAT: u64 = 4;

/// The last version that has to be carried over into a new store.
pub(super) const CARRIED_OVER: u64 = 1;

/// Pages that sled keeps in memory. The newest hours are all that is often read again.
const CACHE_BYTES: u64 = 4 * 1024 * 1024;

/// A store that was just closed keeps its lock until sled's threads have ended; wait this long for it.
const LOCK_PATIENCE: Duration = Duration::from_secs(5);

pub(super) const FORMAT_KEY: &[u8] = b"format";

/// In the tree `about`: changed so that the database makes room; its value means nothing.
const ROOM_KEY: &[u8] = b"room";

/// What can go wrong on the way to an open store.
#[derive(Debug, Error)]
pub(super) enum Trouble {
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
pub(super) fn speaks_of_content(error: &io::Error) -> bool {
    use io::ErrorKind as Kind;
    let odd_files = [Kind::NotFound, Kind::NotADirectory, Kind::IsADirectory, Kind::AlreadyExists];
    let odd_bytes = [Kind::InvalidData, Kind::InvalidInput, Kind::UnexpectedEof, Kind::Other];
    odd_files.contains(&error.kind()) || odd_bytes.contains(&error.kind())
}

/// Whether an error leaves hope that the disk takes data again by itself or after a person's help.
pub(super) fn may_pass(error: &io::Error) -> bool {
    use io::ErrorKind as Kind;
    matches!(
        error.kind(),
        Kind::StorageFull | Kind::ReadOnlyFilesystem | Kind::QuotaExceeded | Kind::ResourceBusy
    ) || error.raw_os_error() == Some(nix::errno::Errno::EIO as i32)
}

pub(super) fn describe(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            said!("trouble-disk-full", "the disk is full; delete something there").into()
        }
        io::ErrorKind::ReadOnlyFilesystem => said!(
            "trouble-disk-read-only",
            "the disk is read-only, as a failing card becomes; check and replace it"
        )
        .into(),
        _ => error.to_string(),
    }
}

#[derive(Debug)]
pub(super) struct Store {
    pub(super) db: sled::Db,
    pub(super) sealed: Sealed,
    pub(super) days: Days,
    /// Version of the layout found.
    pub(super) format: u64,
    /// The same file that sled writes; see the module's first lines.
    file: File,
    blobs: PathBuf,
    /// Names of files in it that are on disk for good.
    synced_blobs: RefCell<BTreeSet<OsString>>,
}

impl Store {
    pub(super) fn open(path: &Path) -> Result<Self, Trouble> {
        drop_unfinished_snapshots(path)?;
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
        if found > FORMAT {
            let known = FORMAT;
            return Err(Trouble::Refused(OpenError::Newer { path: path.to_owned(), found, known }));
        }
        let sealed = Sealed::open(&db)?;
        Self::of(path, db, sealed, found)
    }

    fn of(path: &Path, db: sled::Db, sealed: Sealed, format: u64) -> Result<Self, Trouble> {
        Ok(Self {
            db,
            sealed,
            days: Days::open(path)?,
            format,
            file: File::open(path.join("db"))?,
            blobs: path.join("blobs"),
            synced_blobs: RefCell::default(),
        })
    }

    /// Notes the present layout, which earlier programs refuse; what the earlier one holds stays readable.
    pub(super) fn note_format(&mut self) -> Result<(), sled::Error> {
        self.sealed.part_long_ones()?;
        self.sync()?;
        self.db.open_tree("about")?.insert(FORMAT_KEY, &FORMAT.to_be_bytes())?;
        self.sync()?;
        self.format = FORMAT;
        Ok(())
    }

    /// Puts entries in, all or none of them, on disk for good.
    pub(super) fn apply(&self, entries: &[(Key, Vec<u8>)]) -> Result<(), sled::Error> {
        let mut batch = Batch::default();
        for (key, value) in entries {
            batch.insert(&key[..], &value[..]);
        }
        self.change(batch)
    }

    /// Changes all or nothing, on disk for good.
    pub(super) fn change(&self, batch: Batch) -> Result<(), sled::Error> {
        self.sealed.apply(batch)?;
        self.sync()
    }

    /// Changes all or nothing. It is on disk for good with the next change that is: for what may as well be done again.
    pub(super) fn change_in_time(&self, batch: Batch) -> Result<(), sled::Error> {
        self.sealed.apply(batch)
    }

    /// Puts everything on disk for good.
    fn sync(&self) -> Result<(), sled::Error> {
        // What the log points to before the log: a cut between them would leave it pointing to nothing.
        self.sync_blobs()?;
        self.db.flush()?;
        sync_data(&self.file)?;
        Ok(())
    }

    fn sync_blobs(&self) -> io::Result<()> {
        let mut synced = self.synced_blobs.borrow_mut();
        let (mut found, mut any) = (BTreeSet::new(), false);
        for entry in fs::read_dir(&self.blobs)? {
            let entry = entry?;
            let name = entry.file_name();
            if !synced.contains(&name) {
                match File::open(entry.path()) {
                    Ok(file) => file.sync_all()?,
                    // sled has just removed it.
                    Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
                    Err(error) => return Err(error),
                }
                any = true;
            }
            found.insert(name);
        }
        if any {
            File::open(&self.blobs)?.sync_all()?;
        }
        *synced = found;
        Ok(())
    }

    /// Lets the database gather what is left in pieces of its file that are mostly dead, and use them again: about so
    /// many pages of it. sled moves one page of those each time it writes a page anew, which it does with every
    /// tenth change; else only in its own thread, which we do without. What goes out of the database is never
    /// written anew, so without this its file grew threefold faster than what is kept for ever in it.
    pub(super) fn gather(&self, pages: usize) -> Result<(), sled::Error> {
        let about = self.db.open_tree("about")?;
        for turn in 0..pages as u64 * 10 {
            about.insert(ROOM_KEY, &turn.to_be_bytes())?;
        }
        Ok(())
    }

    /// What stands under a key, in the database or in a day's file.
    pub(super) fn get(&self, key: &Key) -> Result<Option<sled::IVec>, sled::Error> {
        let found = self.sealed.get(key)?;
        Ok(found.or_else(|| self.days.get(key).map(sled::IVec::from)))
    }

    /// Pieces of the database and of the days' files from a key on up to another, in the order of the keys.
    pub(super) fn range(&self, from: Key, end: Key) -> Pieces<'_> {
        let sealed = self.sealed.range(from..end).peekable();
        Pieces { sealed, days: &self.days, filed: self.days.next_within(&from, &end), end }
    }

    /// The first hour from one on in which there is anything.
    pub(super) fn hour_from(&self, hour: u32) -> Option<u32> {
        let from = key(hour.max(1), 0, 0, 0);
        let sealed = self.sealed.range(from..).next().and_then(Result::ok);
        let sealed = sealed.and_then(|(found, _)| parts(&found)).map(|(hour, ..)| hour);
        let filed = self.days.first_from(&from).and_then(|found| parts(&found)).map(|(hour, ..)| hour);
        sealed.into_iter().chain(filed).min()
    }

    /// The last hour before one in which there is anything.
    pub(super) fn hour_before(&self, hour: u32) -> Option<u32> {
        let end = key(hour.max(1), 0, 0, 0);
        let sealed = self.sealed.backward(key(1, 0, 0, 0), Some(end)).next().and_then(Result::ok);
        let sealed = sealed.and_then(|(found, _)| parts(&found)).map(|(hour, ..)| hour);
        let filed = self.days.last_before(&end).and_then(|found| parts(&found)).map(|(hour, ..)| hour);
        sealed.into_iter().chain(filed).max()
    }
}

/// Pieces in the order of their keys, wherever they are. A cut between the writing of a day's file and its
/// removal from the database leaves them in both; they are handed out once.
pub(super) struct Pieces<'a> {
    sealed: std::iter::Peekable<Entries>,
    days: &'a Days,
    filed: Option<(Key, Vec<u8>)>,
    end: Key,
}

impl Iterator for Pieces<'_> {
    type Item = sled::Result<(sled::IVec, sled::IVec)>;

    fn next(&mut self) -> Option<Self::Item> {
        let order = match (self.sealed.peek(), &self.filed) {
            (Some(Ok((sealed, _))), Some((filed, _))) => sealed[..].cmp(&filed[..]),
            (None, Some(_)) => Ordering::Greater,
            (_, None) | (Some(Err(_)), _) => Ordering::Less,
        };
        let filed = if order == Ordering::Less { None } else { self.filed.take() };
        if let Some((key, _)) = &filed {
            self.filed = key_after(key).and_then(|after| self.days.next_within(&after, &self.end));
        }
        match filed {
            Some((key, value)) if order == Ordering::Greater => {
                Some(Ok((sled::IVec::from(&key), value.into())))
            }
            _ => self.sealed.next(),
        }
    }
}

/// Removes snapshots whose writing a cut stopped. sled takes such a file, empty or torn, for a snapshot, and
/// the store then does not open; the one before it is still there.
fn drop_unfinished_snapshots(path: &Path) -> io::Result<()> {
    // What is no folder is for the database to refuse.
    let Ok(entries) = fs::read_dir(path) else { return Ok(()) };
    for entry in entries {
        let entry = entry?;
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if name.starts_with("snap.") && name.ends_with(".generating") {
            fs::remove_file(entry.path())?;
        }
    }
    Ok(())
}

pub(super) fn settings(path: &Path) -> sled::Config {
    // No flushing in the background: a flush that we do not follow with a sync is worth nothing.
    sled::Config::new().path(path).cache_capacity(CACHE_BYTES).flush_every_ms(None)
}

pub(super) fn is_locked(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::WouldBlock || error.to_string().contains("could not acquire lock")
}

/// Makes an empty store so that a power cut at any moment leaves either none or a whole one.
pub(super) fn make_store(path: &Path) -> Result<(), Trouble> {
    let making = build_store(path, |_| Ok(()))?;
    fs::rename(&making, path)?;
    sync_parent(path)?;
    Ok(())
}

/// Makes a store beside `path`, filled and on disk for good, ready to be renamed.
pub(super) fn build_store(
    path: &Path,
    fill: impl FnOnce(&Store) -> Result<(), Trouble>,
) -> Result<PathBuf, Trouble> {
    let making = with_suffix(path, ".making");
    if making.exists() {
        // Left by a cut; it was never in use.
        fs::remove_dir_all(&making)?;
    }
    let db = catch_unwind(|| settings(&making).open())
        .map_err(|_| Trouble::Damaged("the database fails while making it".to_owned()))??;
    let about = db.open_tree("about")?;
    about.insert(FORMAT_KEY, &FORMAT.to_be_bytes())?;
    drop(about);
    let sealed = Sealed::open(&db)?;
    let store = Store::of(&making, db, sealed, FORMAT)?;
    fill(&store)?;
    store.db.flush()?;
    drop(store);
    sync_tree(&making)?;
    Ok(making)
}
