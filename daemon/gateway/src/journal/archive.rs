//! Reading a closed store as far as it can be read, and a new store of a backup or of a damaged store.

use std::fs;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use pondreeve_core::Timestamp;
use pondreeve_core::said::said;

use super::backup::{Faults, each_of_backup, is_backup};
use super::chunk::Chunk;
use super::copy;
use super::database::{Store, Trouble, build_store};
use super::days::{self, Days};
use super::folder::{sync_parent, with_suffix};
use super::keys::{FIRST, KEY_BYTES, LAST, key, kind, parts};
use super::opening::copy_tails;
use super::record::read_batch;
use super::seal::{others_of, progress_bytes};
use super::shapes::Shapes;
use super::store::Journal;
use super::trail::{self, SALVAGED};
use super::verify::{Checked, first_format, is_known, unreadable_store, verify};
use crate::audit;
use crate::audit::notes::process_user;
use crate::local::status::rfc3339;

pub use super::backup::{Backup, Piece, Pieces};

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
        let from_end = store.sealed.backward(FIRST, None).map_while(Result::ok);
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
        let place = to.display().to_string();
        let said =
            said!("salvage-there", "{place} exists already: name a place where nothing is", place = place);
        return Err(said.english().to_owned());
    }
    is_known(from)?;
    let mut damaged = 0;
    let mut faults = Faults::default();
    let making = build_store(to, |new| {
        let put = |key: &[u8], value: &[u8]| new.sealed.insert(key, value);
        let mut outcome = Ok(());
        let mut each = |key: &[u8], value: &[u8]| {
            if outcome.is_ok() {
                outcome = put(key, value);
            }
        };
        if is_backup(from) {
            faults = each_of_backup(from, &mut each)?;
            outcome?;
            return note_ends(new);
        } else {
            let copied = CopyOfStore::of(from, to)?;
            match Store::open(&copied.0) {
                Ok(store) if store.format == 1 => return Err(Trouble::Damaged(first_format())),
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
    .map_err(|trouble| not_made(to, &trouble.to_string()))?;
    let done = copy_tails(from, &making)
        .and_then(|()| days::take_along(from, &making))
        .and_then(|()| fs::rename(&making, to))
        .and_then(|()| sync_parent(to));
    done.map_err(|error| not_made(to, &error.to_string()))?;
    let mut checked = verify(to, None)?;
    checked.damaged += damaged + faults.damaged;
    checked.faults = faults.lines;
    checked.without_list = faults.without_list;
    let text = salvaged_from(from, &checked);
    fs::write(to.join(SALVAGED), text)
        .and_then(|()| fs::File::open(to.join(SALVAGED))?.sync_all())
        .and_then(|()| sync_parent(&to.join(SALVAGED)))
        .map_err(|error| not_noted(to, &error))?;
    Ok(checked)
}

fn not_made(to: &Path, why: &str) -> String {
    let (place, why) = (to.display().to_string(), why.to_owned());
    said!("salvage-failed", "making a store at {place} failed: {why}", place = place, why = why)
        .english()
        .to_owned()
}

fn not_noted(to: &Path, error: &io::Error) -> String {
    let (place, error) = (to.display().to_string(), error.to_string());
    said!(
        "salvage-not-noted",
        "{place} is made, but that it is could not be noted: {error}",
        place = place,
        error = error
    )
    .english()
    .to_owned()
}

/// Notes how far sealing had come and where the audit trail ends, where the backup can no longer say so: by the last
/// of what it has.
fn note_ends(new: &Store) -> Result<(), Trouble> {
    let progress_key = key(0, kind::PROGRESS, 0, 0);
    if !new.sealed.contains_key(progress_key)? {
        let mut shapes = Shapes::default();
        for shape in new.sealed.range(key(0, kind::SHAPE, 0, 0)..key(0, kind::SHAPE + 1, 0, 0)) {
            let (found, value) = shape?;
            if let Some((_, _, number, _)) = parts(&found) {
                // A damaged one shows in the pieces that need it.
                let _ = shapes.add(number, value.to_vec());
            }
        }
        let (mut next_seq, mut last_hour) = (0, 0);
        for entry in new.sealed.range(key(1, 0, 0, 0)..) {
            let (found, value) = entry?;
            let Some((hour, of, number, seq)) = parts(&found) else { continue };
            let next = match of {
                kind::INPUT => read_batch(seq, &value).next_seq,
                kind::OTHER => others_of(&value).next_seq,
                kind::CHUNK => {
                    let chunk = shapes.get(number).and_then(|shape| Chunk::open(shape, &found, &value).ok());
                    let last = chunk.and_then(|chunk| chunk.seqs.iter().copied().max());
                    last.and_then(|last| u64::try_from(last).ok()).unwrap_or(seq).saturating_add(1)
                }
                _ => continue,
            };
            next_seq = next_seq.max(next);
            last_hour = last_hour.max(hour);
        }
        if next_seq > 0 {
            new.sealed.insert(progress_key, progress_bytes(next_seq, last_hour))?;
        }
    }
    if !new.sealed.contains_key(trail::head_key())? {
        let mut check = audit::Check::new(None);
        for row in new.sealed.range(trail::row_key(0)..trail::row_key(u64::MAX)) {
            let (found, value) = row?;
            if let Some((.., record)) = parts(&found) {
                check.stored(record, &value);
            }
        }
        if check.head().records > 0 {
            new.sealed.insert(trail::head_key(), trail::head_bytes(check.head()))?;
        }
    }
    Ok(())
}

/// What the audit trail is to say of a salvage, once a daemon starts on the store.
fn salvaged_from(from: &Path, checked: &Checked) -> String {
    let trail = checked.trail.lines().join("; ");
    format!(
        "made of {} by {} at {} with {}: {} inputs, {} damaged or missing places; {trail}",
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
        let unreadable = |error: sled::Error| unreadable_store(&self.path, &error);
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
