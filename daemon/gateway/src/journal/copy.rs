//! A second copy of what was last sealed, in plain files beside the database.
//!
//! When it opens, sled reads its log from the last snapshot on, up to the first damaged place, and takes
//! that for the end: one flipped bit silently costs everything after it. It makes a snapshot only when
//! it opens. So everything that goes into the database is appended here first. At the next opening
//! whatever sled no longer has is put back from here, and people are told.
//!
//! Two files take turns, [`TURN_BYTES`] each; at each turn the database is opened anew, so that what was
//! written since its last snapshot is always in one of the two. They are not synced one by one: they guard
//! against bytes that rot, which power cuts do not cause, and the kernel writes them within half a minute.
//!
//! ```text
//! entry  mark 4 B, key 17 B, length 4 B, checksum 4 B of all that, value, checksum 4 B of key and value
//! ```
//! A damaged entry costs itself: the reader looks for the next mark.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::codec::Reader;
use super::keys::{KEY_BYTES, Key};

/// A file that has grown to this is left alone and the other begun anew: every day on a large farm, as often as
/// opening the database anew is no burden. At a start both are read.
const TURN_BYTES: u64 = 2 * 1024 * 1024;

const MARK: [u8; 4] = *b"\xf1pr\x03";

/// What an entry takes beside its key and value.
pub(super) const BESIDE_BYTES: u64 = 16;

/// The two files of one store.
#[derive(Debug)]
pub(super) struct Copy {
    folder: PathBuf,
    turn: usize,
    file: File,
    size_bytes: u64,
}

impl Copy {
    /// Goes on with the file that was last written.
    pub(super) fn open(folder: &Path) -> io::Result<Self> {
        let newest =
            |turn: &usize| std::fs::metadata(path(folder, *turn)).and_then(|meta| meta.modified()).ok();
        let turn = (0..2).max_by_key(newest).unwrap_or(0);
        let file = OpenOptions::new().create(true).append(true).open(path(folder, turn))?;
        let size_bytes = file.metadata()?.len();
        Ok(Self { folder: folder.to_owned(), turn, file, size_bytes })
    }

    /// Adds what is about to go into the database; `true` where the other file's turn has come.
    pub(super) fn append(&mut self, entries: &[(Key, Vec<u8>)]) -> io::Result<bool> {
        let turned = self.size_bytes >= TURN_BYTES;
        if turned {
            let turn = 1 - self.turn;
            self.file =
                OpenOptions::new().create(true).write(true).truncate(true).open(path(&self.folder, turn))?;
            (self.turn, self.size_bytes) = (turn, 0);
        }
        let mut bytes = Vec::new();
        for (key, value) in entries {
            put_entry(&mut bytes, key, value);
        }
        self.file.write_all(&bytes)?;
        self.size_bytes += bytes.len() as u64;
        Ok(turned)
    }
}

/// Appends an entry.
pub(super) fn put_entry(out: &mut Vec<u8>, key: &Key, value: &[u8]) {
    // Nothing that is sealed together is nearly so long.
    let Ok(length) = u32::try_from(value.len()) else { return };
    let from = out.len();
    out.extend_from_slice(&MARK);
    out.extend_from_slice(key);
    out.extend_from_slice(&length.to_be_bytes());
    let sum = crc32fast::hash(&out[from..]);
    out.extend_from_slice(&sum.to_be_bytes());
    out.extend_from_slice(value);
    out.extend_from_slice(&checksum(key, value).to_be_bytes());
}

/// Hands every whole entry to `each`: where it begins, its length, key and value.
pub(super) fn each_entry(bytes: &[u8], each: &mut dyn FnMut(usize, usize, Key, &[u8])) {
    let mut at = 0;
    while let Some(left) = bytes.get(at..)
        && let Some(next) = memchr::memmem::find(left, &MARK)
    {
        at += next;
        match bytes.get(at..).and_then(entry) {
            Some((key, value, used)) => {
                each(at, used, key, value);
                at += used;
            }
            None => at += 1,
        }
    }
}

/// Every key of a folder's copy with its newest whole value, in the order of the keys, to those that `wanted`
/// says are. The files are read one after the other, and only what is wanted is kept.
pub(super) fn read(folder: &Path, wanted: &dyn Fn(&Key) -> bool) -> BTreeMap<Key, Vec<u8>> {
    let mut by_age: Vec<PathBuf> =
        (0..2).map(|turn| path(folder, turn)).filter(|path| path.is_file()).collect();
    by_age.sort_by_key(|path| std::fs::metadata(path).and_then(|meta| meta.modified()).ok());
    let mut entries = BTreeMap::new();
    for path in by_age {
        let Ok(bytes) = std::fs::read(path) else { continue };
        each_entry(&bytes, &mut |_, _, key, value| {
            if wanted(&key) {
                entries.insert(key, value.to_vec());
            }
        });
    }
    entries
}

/// Takes the copy of one store along to the one that takes its place.
pub(super) fn take_along(from: &Path, to: &Path) -> io::Result<()> {
    for turn in (0..2).filter(|turn| path(from, *turn).is_file()) {
        std::fs::copy(path(from, turn), path(to, turn))?;
    }
    Ok(())
}

/// The entry at the start of some bytes: key, value, length of all.
pub(super) fn entry(bytes: &[u8]) -> Option<(Key, &[u8], usize)> {
    let mut reader = Reader::new(bytes);
    if reader.array::<4>().ok()? != MARK {
        return None;
    }
    let key = reader.array::<KEY_BYTES>().ok()?;
    let length = u32::from_be_bytes(reader.array().ok()?);
    let summed = bytes.get(..bytes.len() - reader.left())?;
    if u32::from_be_bytes(reader.array().ok()?) != crc32fast::hash(summed) {
        return None;
    }
    let value = reader.bytes(usize::try_from(length).ok()?).ok()?;
    let sum = u32::from_be_bytes(reader.array().ok()?);
    (sum == checksum(&key, value)).then_some((key, value, bytes.len() - reader.left()))
}

fn checksum(key: &Key, value: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(key);
    hasher.update(value);
    hasher.finalize()
}

fn path(folder: &Path, turn: usize) -> PathBuf {
    folder.join(format!("copy-{turn}"))
}
