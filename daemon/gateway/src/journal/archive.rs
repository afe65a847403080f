//! A copy of the store in plain files, made while the daemon runs, and a new store from such a copy or from
//! a damaged one.
//!
//! ```text
//! file   "pondreeve store pieces 1\n"; entries; one entry without key, whose value is their number, 8 B
//! entry  length of the key 4 B, of the value 4 B, checksum 4 B of both and of key and value, key, value
//! ```
//! One file a day of sealed pieces, `hours-<day since 1970>.pieces`, and `index.pieces`, written last.

use std::fs;
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use pondreeve_core::Timestamp;

use super::copy;
use super::database::{Store, Trouble, build_store};
use super::days::{self, Days};
use super::folder::{sync_parent, with_suffix};
use super::keys::{KEY_BYTES, LAST, key, kind, parts};
use super::opening::copy_tails;
use super::seal::progress_of;
use super::store::Journal;
use super::trail::{self, SALVAGED};
use super::verify::{Checked, FIRST_FORMAT, verify};
use crate::audit::Head;
use crate::audit::notes::process_user;
use crate::local::status::rfc3339;

const TITLE: &[u8] = b"pondreeve store pieces 1\n";

/// A key with its value.
pub type Piece = (Vec<u8>, Vec<u8>);

/// Pieces in the order of their keys, and the key to go on from.
pub type Pieces = (Vec<Piece>, Option<Vec<u8>>);

/// No key and no value of ours is longer; keeps a damaged length from asking for all memory.
const LONGEST: u32 = 64 * 1024 * 1024;

/// Writes pieces to a file.
#[derive(Debug)]
pub struct PiecesWriter {
    path: PathBuf,
    out: BufWriter<fs::File>,
    count: u64,
}

impl PiecesWriter {
    /// Begins a file; it has its name only once it is whole.
    pub fn create(path: &Path) -> io::Result<Self> {
        let mut out = BufWriter::new(fs::File::create(path.with_extension("making"))?);
        out.write_all(TITLE)?;
        Ok(Self { path: path.to_owned(), out, count: 0 })
    }

    /// Appends a piece.
    pub fn put(&mut self, key: &[u8], value: &[u8]) -> io::Result<()> {
        let too_long = |_| io::Error::other("a piece is too long");
        let lengths =
            [u32::try_from(key.len()).map_err(too_long)?, u32::try_from(value.len()).map_err(too_long)?];
        let sum = checksum(lengths, key, value);
        for number in [lengths[0], lengths[1], sum] {
            self.out.write_all(&number.to_be_bytes())?;
        }
        self.out.write_all(key)?;
        self.out.write_all(value)?;
        self.count += 1;
        Ok(())
    }

    /// Ends the file, puts it on disk for good and gives it its name.
    pub fn finish(mut self) -> io::Result<u64> {
        let count = self.count;
        self.put(&[], &count.to_be_bytes())?;
        self.out.flush()?;
        self.out.get_ref().sync_all()?;
        fs::rename(self.path.with_extension("making"), &self.path)?;
        sync_parent(&self.path)?;
        Ok(count)
    }
}

fn checksum(lengths: [u32; 2], key: &[u8], value: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    lengths.iter().for_each(|length| hasher.update(&length.to_be_bytes()));
    hasher.update(key);
    hasher.update(value);
    hasher.finalize()
}

/// Reads a file of pieces up to its end or to the first damaged place; whether it is whole.
fn read_pieces(path: &Path, each: &mut dyn FnMut(&[u8], &[u8])) -> io::Result<bool> {
    let mut bytes = BufReader::new(fs::File::open(path)?);
    let mut title = [0; TITLE.len()];
    if bytes.read_exact(&mut title).is_err() || title != TITLE {
        return Ok(false);
    }
    let mut count = 0_u64;
    loop {
        let mut head = [0; 12];
        if bytes.read_exact(&mut head).is_err() {
            return Ok(false);
        }
        let number = |at: usize| u32::from_be_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
        let lengths = [number(0), number(4)];
        if lengths[0].max(lengths[1]) > LONGEST {
            return Ok(false);
        }
        let (mut key, mut value) = (vec![0; lengths[0] as usize], vec![0; lengths[1] as usize]);
        if bytes.read_exact(&mut key).and_then(|()| bytes.read_exact(&mut value)).is_err()
            || checksum(lengths, &key, &value) != number(8)
        {
            return Ok(false);
        }
        if key.is_empty() {
            return Ok(value == count.to_be_bytes());
        }
        count += 1;
        each(&key, &value);
    }
}

fn backup_files(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let entries = fs::read_dir(folder)?.collect::<io::Result<Vec<_>>>()?;
    let mut files: Vec<PathBuf> = entries.into_iter().map(|entry| entry.path()).collect();
    files.retain(|path| path.extension().is_some_and(|extension| extension == "pieces"));
    files.sort();
    Ok(files)
}

/// Whether a folder is a backup rather than a store.
pub(super) fn is_backup(folder: &Path) -> bool {
    folder.join("index.pieces").exists()
}

/// Hands every piece of a backup to `each`; damaged files.
pub(super) fn each_of_backup(folder: &Path, each: &mut dyn FnMut(&[u8], &[u8])) -> io::Result<u64> {
    let mut damaged = 0;
    for path in backup_files(folder)? {
        damaged += u64::from(!read_pieces(&path, each)?);
    }
    Ok(damaged)
}

/// Hands every readable piece of a closed store to `each`, from both ends up to damage; damaged places.
pub(super) fn each_of_store(store: &Store, each: &mut dyn FnMut(&[u8], &[u8])) -> u64 {
    let mut last: Option<sled::IVec> = None;
    let forward = catch_unwind(AssertUnwindSafe(|| {
        for entry in store.sealed.iter() {
            let Ok((key, value)) = entry else { return false };
            each(&key, &value);
            last = Some(key);
        }
        true
    }));
    if matches!(forward, Ok(true)) {
        return 0;
    }
    let _ = catch_unwind(AssertUnwindSafe(|| {
        let beyond = |key: &sled::IVec| last.as_ref().is_none_or(|last| key > last);
        let from_end = store.sealed.iter().rev().map_while(Result::ok);
        from_end.take_while(|(key, _)| beyond(key)).for_each(|(key, value)| each(&key, &value));
    }));
    1
}

/// Hands every readable piece of the days' files of a store to `each`, but for those that its database has too;
/// damaged places.
pub(super) fn each_of_days(
    store: &Path,
    database: &Store,
    each: &mut dyn FnMut(&[u8], &[u8]),
) -> io::Result<u64> {
    let days = Days::open(store)?;
    let mut damaged = 0;
    for day in days.known() {
        let Some(file) = days.file(day) else {
            damaged += 1;
            continue;
        };
        damaged += file.each(&mut |key, value| {
            if !matches!(database.sealed.contains_key(key), Ok(true)) {
                each(key, value);
            }
        });
    }
    Ok(damaged)
}

/// The database of a store, copied: opening it would write to it, and cut off what is damaged.
pub(super) struct CopyOfStore(pub(super) PathBuf);

impl CopyOfStore {
    /// Beside `place`.
    pub(super) fn of(store: &Path, place: &Path) -> io::Result<Self> {
        let to = with_suffix(place, ".reading");
        if to.exists() {
            fs::remove_dir_all(&to)?;
        }
        let copied = Self(to);
        fs::create_dir(&copied.0)?;
        fs::create_dir(copied.0.join("blobs"))?;
        for folder in ["", "blobs"] {
            let Ok(entries) = fs::read_dir(store.join(folder)) else { continue };
            for entry in entries {
                let entry = entry?;
                let name = entry.file_name();
                let others = ["tail-", "copy-", "checkpoint"];
                let other = others.iter().any(|other| name.to_string_lossy().starts_with(other));
                if entry.file_type()?.is_file() && !other {
                    fs::copy(entry.path(), copied.0.join(folder).join(name))?;
                }
            }
        }
        Ok(copied)
    }
}

impl Drop for CopyOfStore {
    fn drop(&mut self) {
        // What stays only takes room; the next copy removes it.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// Makes a new store at `to` of what can be read of `from`: a store that was set aside or stopped, or a
/// backup.
///
/// # Errors
/// Where there is something at `to` already, or `from` cannot be read at all; the text says why.
pub fn salvage(from: &Path, to: &Path) -> Result<Checked, String> {
    if to.exists() {
        return Err(format!("{} exists already: name a place where nothing is", to.display()));
    }
    if !from.is_dir() {
        return Err(format!("{} is no folder of a store or of a backup", from.display()));
    }
    let mut damaged = 0;
    let making = build_store(to, |new| {
        let put = |key: &[u8], value: &[u8]| new.sealed.insert(key, value);
        let mut outcome = Ok(());
        let mut each = |key: &[u8], value: &[u8]| {
            if outcome.is_ok() {
                outcome = put(key, value);
            }
        };
        if is_backup(from) {
            damaged += each_of_backup(from, &mut each)?;
        } else {
            let copied = CopyOfStore::of(from, to)?;
            match Store::open(&copied.0) {
                Ok(store) if store.format == 1 => return Err(Trouble::Damaged(FIRST_FORMAT.to_owned())),
                Ok(store) => damaged += each_of_store(&store, &mut each),
                Err(Trouble::Refused(error)) => return Err(Trouble::Refused(error)),
                Err(_) => damaged += 1,
            }
            let days = Days::open(from)?;
            days.put_shapes(&new.sealed)?;
            // The second copy knows what was sealed last.
            let copied = copy::read(from, &|key| days.get(key).is_none_or(|value| value.is_empty()));
            copied.iter().for_each(|(key, value)| each(key, value));
        }
        outcome?;
        Ok(())
    })
    .map_err(|trouble| format!("making a store at {} failed: {trouble}", to.display()))?;
    let done = copy_tails(from, &making)
        .and_then(|()| days::take_along(from, &making))
        .and_then(|()| fs::rename(&making, to))
        .and_then(|()| sync_parent(to));
    done.map_err(|error| format!("making a store at {} failed: {error}", to.display()))?;
    let mut checked = verify(to, None)?;
    checked.damaged += damaged;
    let text = salvaged_from(from, &checked);
    fs::write(to.join(SALVAGED), text)
        .and_then(|()| fs::File::open(to.join(SALVAGED))?.sync_all())
        .and_then(|()| sync_parent(&to.join(SALVAGED)))
        .map_err(|error| format!("{} is made, but that it is could not be noted: {error}", to.display()))?;
    Ok(checked)
}

/// What the audit trail is to say of a salvage, once a daemon starts on the store.
fn salvaged_from(from: &Path, checked: &Checked) -> String {
    let trail = checked.trail.lines().join("; ");
    format!(
        "made of {} by {} at {} with {}: {} inputs, {} damaged places; {trail}",
        from.display(),
        process_user(),
        rfc3339(Timestamp(jiff::Timestamp::now().as_millisecond())),
        env!("CARGO_PKG_VERSION"),
        checked.inputs,
        checked.damaged,
    )
}

impl Journal {
    /// Pieces from a key on, about a megabyte of them, and the key to go on from.
    ///
    /// # Errors
    /// Where the database is closed or cannot be read; the text says why.
    pub fn pieces(&self, from: &[u8]) -> Result<Pieces, String> {
        let Some(store) = &self.store else { return Err(self.trouble.clone()) };
        let unreadable =
            |error: sled::Error| format!("the store {} cannot be read: {error}", self.path.display());
        let mut pieces = Vec::new();
        let mut bytes = 0;
        let mut first = [0; KEY_BYTES];
        first.iter_mut().zip(from).for_each(|(own, given)| *own = *given);
        for entry in store.range(first, LAST) {
            let (key, value) = entry.map_err(unreadable)?;
            if bytes > 1_000_000 {
                return Ok((pieces, Some(key.to_vec())));
            }
            bytes += key.len() + value.len();
            pieces.push((key.to_vec(), value.to_vec()));
        }
        Ok((pieces, None))
    }
}

/// Writes a backup from pieces handed over in the order of their keys, hours first: files that are there
/// already and whole are left.
#[derive(Debug)]
pub struct Backup {
    folder: PathBuf,
    progress: Vec<u8>,
    sealed_before: u64,
    trail: Head,
    day: Option<(u32, PiecesWriter)>,
    index: Option<PiecesWriter>,
    /// Pieces written.
    pub pieces: u64,
}

impl Backup {
    /// Where to begin: the hours; then [`Backup::index`].
    pub fn hours() -> Vec<u8> {
        key(1, 0, 0, 0).to_vec()
    }

    /// The key of how far sealing has come, and of the index.
    pub fn index() -> Vec<u8> {
        key(0, 0, 0, 0).to_vec()
    }

    /// Begins, with how far sealing had come then.
    ///
    /// # Errors
    /// What the system said about the folder.
    pub fn begin(folder: &Path, index: &[Piece]) -> io::Result<Self> {
        fs::create_dir_all(folder)?;
        let progress_key = key(0, kind::PROGRESS, 0, 0);
        let progress = index.iter().find(|(key, _)| key[..] == progress_key);
        let progress = progress.map(|(_, value)| value.clone()).unwrap_or_default();
        let sealed_before = progress_of(&progress).map_or(0, |(sealed_before, _)| sealed_before);
        let folder = folder.to_owned();
        let head = index.iter().find(|(key, _)| key[..] == trail::head_key());
        let trail = head.and_then(|(_, value)| trail::head_of(value)).unwrap_or_default();
        Ok(Self { folder, progress, sealed_before, trail, day: None, index: None, pieces: 0 })
    }

    /// Takes a piece.
    ///
    /// # Errors
    /// What the system said.
    pub fn put(&mut self, found: &[u8], value: &[u8]) -> io::Result<()> {
        let hour = found.first_chunk::<4>().map_or(0, |hour| u32::from_be_bytes(*hour));
        if hour == 0 {
            self.end_day()?;
            let index = match &mut self.index {
                Some(index) => index,
                None => self.index.insert(PiecesWriter::create(&self.folder.join("index.pieces"))?),
            };
            let head = trail::head_bytes(self.trail);
            let value = match parts(found) {
                Some((_, kind::PROGRESS, ..)) => &self.progress[..],
                Some((_, kind::AUDIT_HEAD, ..)) => &head[..],
                // Sealed since, as the inputs that it is of.
                Some((_, kind::AUDIT, _, record)) if record > self.trail.records => return Ok(()),
                _ => value,
            };
            self.pieces += 1;
            return index.put(found, value);
        }
        // What was sealed since is not covered by the progress noted.
        if parts(found).is_some_and(|(.., seq)| seq >= self.sealed_before) {
            return Ok(());
        }
        let day = hour / 24;
        if self.day.as_ref().is_none_or(|(open, _)| *open != day) {
            self.end_day()?;
            let path = self.folder.join(format!("hours-{day:06}.pieces"));
            self.day = Some((day, PiecesWriter::create(&path)?));
        }
        if let Some((_, file)) = &mut self.day {
            file.put(found, value)?;
            self.pieces += 1;
        }
        Ok(())
    }

    fn end_day(&mut self) -> io::Result<()> {
        self.day.take().map_or(Ok(()), |(_, file)| file.finish().map(drop))
    }

    /// Ends it.
    ///
    /// # Errors
    /// What the system said.
    pub fn finish(mut self) -> io::Result<u64> {
        self.end_day()?;
        if let Some(index) = self.index.take() {
            index.finish()?;
        }
        Ok(self.pieces)
    }
}
