//! Days that are over, each in a file of its own beside the database.
//!
//! The database keeps in memory where each of its pages lies, and its file never shrinks. So it keeps the newest
//! days only: once a day is over, its sealed pieces go as they are into a file that is never changed again,
//! and that is removed as a whole when the day's readings have aged out. What is kept for ever, and roll-ups, stay
//! in the database.
//! ```text
//! file    entries, as in the second copy (super::copy), by shape, kind and hour; the shapes they need; index; foot
//! index   for each entry key 17 B, where it begins 4 B, length 4 B, in the order of the keys
//! foot    mark 4 B, where the index begins 4 B, number of entries 4 B, checksum of the index 4 B, of the foot 4 B
//! ```
//! Numbers are big-endian, checksums CRC-32 (IEEE 802.3). A damaged entry costs itself; without its index a file
//! is read from one mark to the next.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::codec::Reader;
use super::copy;
use super::folder::sync_parent;
use super::keys::{KEY_BYTES, Key, key, parts};
use super::sealed::Sealed;

const FOLDER: &str = "days";
const MARK: [u8; 4] = *b"\xf1pr\x04";
pub(super) const FOOT_BYTES: usize = 20;
const PLACE_BYTES: usize = KEY_BYTES + 8;

/// Where an entry is.
#[derive(Debug, Clone, Copy)]
struct Place {
    key: Key,
    at: u32,
    length: u32,
}

/// A day's file, open.
#[derive(Debug)]
pub(super) struct DayFile {
    day: u32,
    file: File,
    /// In the order of the keys, shapes first.
    places: Vec<Place>,
    /// The index could not be read.
    pub(super) index_damaged: bool,
}

impl DayFile {
    fn open(path: &Path, day: u32) -> io::Result<Self> {
        let file = File::open(path)?;
        let (places, index_damaged) = match read_index(&file)? {
            Some(places) => (places, false),
            None => {
                tracing::warn!(path = %path.display(), "the index of a day's file is damaged; it is read without");
                (find_places(&mut File::open(path)?)?, true)
            }
        };
        Ok(Self { day, file, places, index_damaged })
    }

    /// The value at a place; empty, which no reader takes for whole, where it is damaged.
    fn value(&self, place: Place) -> Vec<u8> {
        let mut bytes = vec![0; place.length as usize];
        let read = self.file.read_exact_at(&mut bytes, u64::from(place.at));
        match copy::entry(&bytes) {
            Some((key, value, _)) if read.is_ok() && key == place.key => value.to_vec(),
            _ => Vec::new(),
        }
    }

    /// The value under a key.
    pub(super) fn get(&self, key: &Key) -> Option<Vec<u8>> {
        let place = self.places.binary_search_by_key(key, |place| place.key).ok()?;
        self.places.get(place).map(|place| self.value(*place))
    }

    /// Hands out every entry, shapes first; how many are damaged.
    pub(super) fn each(&self, each: &mut dyn FnMut(&[u8], &[u8])) -> u64 {
        let mut damaged = u64::from(self.index_damaged);
        for place in &self.places {
            let value = self.value(*place);
            if value.is_empty() {
                damaged += 1;
            } else {
                each(&place.key, &value);
            }
        }
        damaged
    }

    /// Bytes of keys and values of the day.
    pub(super) fn live_bytes(&self) -> u64 {
        let of_day = self.places.iter().filter(|place| is_of_day(&place.key, self.day));
        of_day.map(|place| u64::from(place.length).saturating_sub(copy::BESIDE_BYTES)).sum()
    }
}

fn is_of_day(key: &Key, day: u32) -> bool {
    parts(key).is_some_and(|(hour, ..)| hour > 0 && hour / 24 == day)
}

fn read_index(file: &File) -> io::Result<Option<Vec<Place>>> {
    let length = file.metadata()?.len();
    let Some(foot_at) = length.checked_sub(FOOT_BYTES as u64) else { return Ok(None) };
    let mut foot = [0; FOOT_BYTES];
    file.read_exact_at(&mut foot, foot_at)?;
    let numbers = || {
        let mut reader = Reader::new(&foot);
        let mark = reader.array::<4>().ok()?;
        let mut next = || reader.array().ok().map(u32::from_be_bytes);
        let (at, count, index_sum, sum) = (next()?, next()?, next()?, next()?);
        let whole = mark == MARK && sum == crc32fast::hash(&foot[..FOOT_BYTES - 4]);
        (whole && u64::from(at) + u64::from(count) * PLACE_BYTES as u64 == foot_at)
            .then_some((at, count, index_sum))
    };
    let Some((at, count, index_sum)) = numbers() else { return Ok(None) };
    let mut index = vec![0; count as usize * PLACE_BYTES];
    file.read_exact_at(&mut index, u64::from(at))?;
    if crc32fast::hash(&index) != index_sum {
        return Ok(None);
    }
    let mut reader = Reader::new(&index);
    let mut places = Vec::with_capacity(count as usize);
    while let (Ok(key), Ok(from), Ok(length)) = (reader.array(), reader.array(), reader.array()) {
        let place = Place { key, at: u32::from_be_bytes(from), length: u32::from_be_bytes(length) };
        // A length taken at its word asks for memory.
        if u64::from(place.at) + u64::from(place.length) > u64::from(at) {
            return Ok(None);
        }
        places.push(place);
    }
    Ok(Some(places))
}

fn find_places(file: &mut File) -> io::Result<Vec<Place>> {
    let mut places = Vec::new();
    copy::each_entry(file, &mut |at, length, key, _| {
        if let (Ok(at), Ok(length)) = (u32::try_from(at), u32::try_from(length)) {
            places.push(Place { key, at, length });
        }
    })?;
    places.sort_by_key(|place| place.key);
    Ok(places)
}

/// The days' files of one store.
#[derive(Debug)]
pub(super) struct Days {
    folder: PathBuf,
    known: BTreeSet<u32>,
    /// The one last read from.
    open: RefCell<Option<Arc<DayFile>>>,
}

impl Days {
    /// Those of a store's folder.
    pub(super) fn open(store: &Path) -> io::Result<Self> {
        let folder = store.join(FOLDER);
        let known = if folder.is_dir() { days_in(&folder)? } else { BTreeSet::new() };
        Ok(Self { folder, known, open: RefCell::new(None) })
    }

    fn path(&self, day: u32) -> PathBuf {
        self.folder.join(format!("day-{day:06}"))
    }

    pub(super) fn known(&self) -> impl Iterator<Item = u32> + '_ {
        self.known.iter().copied()
    }

    pub(super) fn has(&self, day: u32) -> bool {
        self.known.contains(&day)
    }

    /// A day's file; `None` where there is none or the disk does not give it.
    pub(super) fn file(&self, day: u32) -> Option<Arc<DayFile>> {
        if !self.has(day) {
            return None;
        }
        let mut open = self.open.borrow_mut();
        if let Some(file) = open.as_ref().filter(|file| file.day == day) {
            return Some(Arc::clone(file));
        }
        let file = DayFile::open(&self.path(day), day)
            .inspect_err(|error| tracing::error!(%error, day, "a day's file cannot be read"));
        let file = Arc::new(file.ok()?);
        *open = Some(Arc::clone(&file));
        Some(file)
    }

    /// The value under a key.
    pub(super) fn get(&self, key: &Key) -> Option<Vec<u8>> {
        self.file(parts(key)?.0 / 24)?.get(key)
    }

    /// The first key from one on.
    pub(super) fn first_from(&self, from: &Key) -> Option<Key> {
        self.find_from(from).map(|(_, place)| place.key)
    }

    /// The first key from one on and before another, with its value.
    pub(super) fn next_within(&self, from: &Key, end: &Key) -> Option<(Key, Vec<u8>)> {
        let (file, place) = self.find_from(from).filter(|(_, place)| place.key < *end)?;
        Some((place.key, file.value(place)))
    }

    fn find_from(&self, from: &Key) -> Option<(Arc<DayFile>, Place)> {
        let from = *from.max(&key(1, 0, 0, 0));
        let first = parts(&from)?.0 / 24;
        self.known.range(first..).find_map(|&day| {
            let file = self.file(day)?;
            let at = file.places.partition_point(|place| place.key < from);
            let found = file.places.get(at..)?.iter().find(|place| is_of_day(&place.key, day)).copied();
            found.map(|place| (file, place))
        })
    }

    /// The last key before one.
    pub(super) fn last_before(&self, end: &Key) -> Option<Key> {
        let last = parts(end)?.0 / 24;
        self.known.range(..=last).rev().find_map(|&day| {
            let file = self.file(day)?;
            let at = file.places.partition_point(|place| place.key < *end);
            file.places
                .get(..at)?
                .iter()
                .rev()
                .find(|place| is_of_day(&place.key, day))
                .map(|place| place.key)
        })
    }

    /// Keys of a day.
    pub(super) fn keys_of(&self, day: u32) -> Vec<Key> {
        let file = self.file(day);
        let places = file.iter().flat_map(|file| &file.places);
        places.map(|place| place.key).filter(|key| is_of_day(key, day)).collect()
    }

    /// Writes a day's file in the place of the one before, if there was one, and puts it on disk for good; its
    /// length. `value_of` gives each value when its turn comes.
    pub(super) fn write(
        &mut self,
        day: u32,
        keys: &mut [Key],
        value_of: &mut dyn FnMut(&Key) -> io::Result<Vec<u8>>,
    ) -> io::Result<u64> {
        // What is asked for together lies together: a quantity of a pond is in few shapes.
        keys.sort_by_key(|key| parts(key).map(|(hour, kind, number, seq)| (number, kind, hour, seq)));
        if !self.folder.is_dir() {
            fs::create_dir(&self.folder)?;
            sync_parent(&self.folder)?;
        }
        let making = self.path(day).with_extension("making");
        let mut out = BufWriter::new(File::create(&making)?);
        let written = write_entries(&mut out, keys, value_of);
        let written = written.and_then(|length| out.get_ref().sync_all().map(|()| length));
        if written.is_err() {
            // What fits half only takes room that others need.
            let _ = fs::remove_file(&making);
        }
        let length = written?;
        fs::rename(&making, self.path(day))?;
        File::open(&self.folder)?.sync_all()?;
        self.known.insert(day);
        *self.open.borrow_mut() = None;
        Ok(length)
    }

    /// Removes the files of days before one.
    pub(super) fn remove_before(&mut self, day: u32) -> io::Result<()> {
        *self.open.borrow_mut() = None;
        while let Some(first) = self.known.first().copied().filter(|first| *first < day) {
            fs::remove_file(self.path(first))?;
            self.known.remove(&first);
        }
        Ok(())
    }

    /// Whether a key is in a day's file; its value may be damaged.
    pub(super) fn has_key(&self, key: &Key) -> bool {
        let file = parts(key).and_then(|(hour, ..)| self.file(hour / 24));
        file.is_some_and(|file| file.places.binary_search_by_key(key, |place| place.key).is_ok())
    }

    /// Bytes that all files take.
    pub(super) fn size_bytes(&self) -> u64 {
        let sizes = self.known().filter_map(|day| fs::metadata(self.path(day)).ok());
        sizes.map(|meta| meta.len()).sum()
    }

    /// Puts shapes that a database lost back into it: without them nobody can read the days.
    pub(super) fn put_shapes(&self, into: &Sealed) -> Result<(), sled::Error> {
        for day in self.known() {
            let Some(file) = self.file(day) else { continue };
            for place in file.places.iter().take_while(|place| !is_of_day(&place.key, day)) {
                let value = file.value(*place);
                if !value.is_empty() && !into.contains_key(place.key)? {
                    into.insert(place.key, value)?;
                }
            }
        }
        Ok(())
    }
}

fn write_entries(
    out: &mut impl Write,
    keys: &[Key],
    value_of: &mut dyn FnMut(&Key) -> io::Result<Vec<u8>>,
) -> io::Result<u64> {
    let too_large = |_| io::Error::other("a day's readings are larger than four gigabytes");
    let mut places = Vec::with_capacity(keys.len());
    let (mut at, mut bytes) = (0_usize, Vec::new());
    for key in keys {
        bytes.clear();
        copy::put_entry(&mut bytes, key, &value_of(key)?);
        out.write_all(&bytes)?;
        let length = u32::try_from(bytes.len()).map_err(too_large)?;
        places.push(Place { key: *key, at: u32::try_from(at).map_err(too_large)?, length });
        at += bytes.len();
    }
    places.sort_by_key(|place| place.key);
    let mut index = Vec::with_capacity(places.len() * PLACE_BYTES + FOOT_BYTES);
    for place in &places {
        index.extend_from_slice(&place.key);
        index.extend_from_slice(&place.at.to_be_bytes());
        index.extend_from_slice(&place.length.to_be_bytes());
    }
    let foot = foot_of(u32::try_from(at).map_err(too_large)?, &index);
    index.extend_from_slice(&foot);
    out.write_all(&index)?;
    out.flush()?;
    Ok((at + index.len()) as u64)
}

/// The foot of a file whose index is this and begins there.
fn foot_of(index_at: u32, index: &[u8]) -> [u8; FOOT_BYTES] {
    let mut foot = [0; FOOT_BYTES];
    let count = (index.len() / PLACE_BYTES) as u32;
    let numbers = [index_at, count, crc32fast::hash(index)].map(u32::to_be_bytes);
    foot[..16].copy_from_slice(&[MARK, numbers[0], numbers[1], numbers[2]].concat());
    let sum = crc32fast::hash(&foot[..16]);
    foot[16..].copy_from_slice(&sum.to_be_bytes());
    foot
}

/// A file with these entries.
#[cfg(test)]
pub(super) fn whole_file(keys: &[Key], value_of: &dyn Fn(&Key) -> Vec<u8>) -> Vec<u8> {
    let mut file = Vec::new();
    write_entries(&mut file, keys, &mut |key| Ok(value_of(key))).unwrap();
    file
}

/// The bytes with a foot whose checksums fit: they end with an index of so many places, as far as they are long
/// enough for it.
pub(super) fn with_foot(bytes: &[u8], places: u8) -> Vec<u8> {
    let most = bytes.len() / PLACE_BYTES;
    let index_at = bytes.len() - most.min(usize::from(places)) * PLACE_BYTES;
    let (entries, index) = bytes.split_at(index_at);
    [entries, index, &foot_of(index_at as u32, index)].concat()
}

/// Reads all of a file, whatever it is, in each of the ways there are.
pub(super) fn read_loose(path: &Path) -> io::Result<()> {
    let day = 20_603;
    let file = DayFile::open(path, day)?;
    let mut whole = 0;
    let damaged = file.each(&mut |_, _| whole += 1);
    assert_eq!(whole + damaged, file.places.len() as u64 + u64::from(file.index_damaged));
    file.places.iter().for_each(|place| drop(file.get(&place.key)));
    let _ = file.live_bytes();
    Ok(())
}

/// Days that have a file; what a cut left half made is removed.
fn days_in(folder: &Path) -> io::Result<BTreeSet<u32>> {
    let mut days = BTreeSet::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if name.ends_with(".making") {
            // What stays only takes room.
            let _ = fs::remove_file(entry.path());
        } else if let Some(day) = name.strip_prefix("day-").and_then(|day| day.parse().ok()) {
            days.insert(day);
        }
    }
    Ok(days)
}

/// Takes the days' files of one store along to the one that takes its place. They are never changed, so both may
/// have the same.
pub(super) fn take_along(from: &Path, to: &Path) -> io::Result<()> {
    let from = Days::open(from)?;
    let folder = to.join(FOLDER);
    if from.known.is_empty() {
        return Ok(());
    }
    fs::create_dir_all(&folder)?;
    for day in from.known() {
        let (old, new) = (from.path(day), folder.join(format!("day-{day:06}")));
        fs::hard_link(&old, &new).or_else(|_| fs::copy(&old, &new).map(drop))?;
    }
    File::open(&folder)?.sync_all()?;
    sync_parent(&folder)
}
