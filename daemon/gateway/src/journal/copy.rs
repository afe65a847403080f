//! A second copy of what was last sealed, in plain files beside the database.
//!
//! When it opens, sled reads its log from the last snapshot on, up to the first damaged place, and takes
//! that for the end: one flipped bit silently costs everything after it. It makes a snapshot only when
//! it opens. So everything that goes into the database is appended here too. At the next opening
//! whatever sled no longer has is put back from here, and people are told.
//!
//! Two files take turns, [`TURN_BYTES`] each; at each turn the database is opened anew, so that what was
//! written since its last snapshot is always in one of the two. Each append is synced before the tail lets go of what is
//! in it: were a cut to tear both this and the database, what is torn would be sealed anew from there, and a database that
//! is ahead of its copy makes its snapshot of that at the next opening.
//!
//! ```text
//! entry  mark 4 B, key 17 B, length 4 B, checksum 4 B of all that, value, checksum 4 B of key and value
//! ```
//! A damaged entry costs itself: the reader looks for the next mark.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use super::codec::Reader;
use super::keys::{KEY_BYTES, Key};

/// A file that has grown to this is left alone and the other begun anew: every few days on a large farm, as often as
/// opening the database anew is no burden.
const TURN_BYTES: u64 = 4 * 1024 * 1024;

const MARK: [u8; 4] = *b"\xf1pr\x03";

const HEAD_BYTES: usize = MARK.len() + KEY_BYTES + 8;

/// Read at a time.
const READ_BYTES: u64 = 64 * 1024;

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
            File::open(&self.folder)?.sync_all()?;
        }
        let size: usize = entries.iter().map(|(_, value)| HEAD_BYTES + value.len() + 4).sum();
        // Hours of a backlog come together: growing by doubling would take twice the memory of all of them.
        let mut bytes = Vec::with_capacity(size);
        for (key, value) in entries {
            put_entry(&mut bytes, key, value);
        }
        self.file.write_all(&bytes)?;
        self.file.sync_data()?;
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

/// Takes an entry: where it begins, its length, key and value.
type Found<'a> = dyn FnMut(u64, usize, Key, &[u8]) + 'a;

/// Hands every whole entry of a file to `each`: where it begins, its length, key and value. A piece of the file is
/// in memory at a time.
pub(super) fn each_entry(file: &mut File, each: &mut Found<'_>) -> io::Result<()> {
    let mut bytes: Vec<u8> = Vec::new();
    let (mut before, mut ended) = (0, false);
    while !ended {
        let known = bytes.len();
        ended = Read::take(&mut *file, READ_BYTES).read_to_end(&mut bytes)? == 0;
        debug_assert!(ended || bytes.len() > known);
        let mut at = 0;
        while let Some(left) = bytes.get(at..)
            && let Some(next) = memchr::memmem::find(left, &MARK)
        {
            at += next;
            let left = bytes.get(at..).unwrap_or_default();
            // Not all of it may have been read yet.
            if !ended
                && (left.len() < HEAD_BYTES || length_of(left).is_some_and(|length| length > left.len()))
            {
                break;
            }
            match entry(left) {
                Some((key, value, used)) => {
                    each(before + at as u64, used, key, value);
                    at += used;
                }
                None => at += 1,
            }
        }
        let is_mark = bytes.get(at..).is_some_and(|left| left.starts_with(&MARK));
        // Without another mark only the beginning of one may be left.
        let done = if is_mark { at } else { at.max(bytes.len().saturating_sub(MARK.len() - 1)) };
        bytes.drain(..done.min(bytes.len()));
        before += done as u64;
    }
    Ok(())
}

/// Every key of a folder's copy with its newest whole value, in the order of the keys, to those that `wanted`
/// says are. The files are read one after the other, and only what is wanted is kept.
pub(super) fn read(folder: &Path, wanted: &dyn Fn(&Key) -> bool) -> BTreeMap<Key, Vec<u8>> {
    let mut by_age: Vec<PathBuf> =
        (0..2).map(|turn| path(folder, turn)).filter(|path| path.is_file()).collect();
    by_age.sort_by_key(|path| std::fs::metadata(path).and_then(|meta| meta.modified()).ok());
    let mut entries = BTreeMap::new();
    for path in by_age {
        let Ok(mut file) = File::open(path) else { continue };
        // What was read before the disk gave no more counts.
        let _ = each_entry(&mut file, &mut |_, _, key, value| {
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
    let length = length_of(bytes)?;
    let mut reader = Reader::new(bytes.get(MARK.len()..)?);
    let key = reader.array::<KEY_BYTES>().ok()?;
    let value = bytes.get(HEAD_BYTES..length.checked_sub(4)?)?;
    let sum = u32::from_be_bytes(*bytes.get(length - 4..length)?.first_chunk()?);
    (sum == checksum(&key, value)).then_some((key, value, length))
}

/// How long the entry is that begins here, by a head that is whole.
fn length_of(bytes: &[u8]) -> Option<usize> {
    let (head, sum) = bytes.get(..HEAD_BYTES)?.split_last_chunk::<4>()?;
    let whole = head.starts_with(&MARK) && u32::from_be_bytes(*sum) == crc32fast::hash(head);
    let length = u32::from_be_bytes(*head.last_chunk()?);
    usize::try_from(length).ok()?.checked_add(HEAD_BYTES + 4).filter(|_| whole)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::keys::key;

    /// Entries of all lengths, so that heads and marks lie across what is read at a time, and damage between them.
    #[test]
    fn entries_are_found_in_a_file_of_many_pieces() {
        let (mut bytes, mut written) = (Vec::new(), Vec::new());
        for number in 0..900_u32 {
            let value = vec![number as u8; (number as usize * 37) % 700];
            put_entry(&mut bytes, &key(1, b'c', number, 0), &value);
            written.push((key(1, b'c', number, 0), value));
            // The start of a mark, and a head without the rest.
            bytes.extend_from_slice(if number % 3 == 0 { &MARK[..2] } else { &MARK });
        }
        let mut long = Vec::new();
        put_entry(&mut long, &key(2, b'c', 0, 0), &vec![7; 300_000]);
        bytes.extend_from_slice(&long);
        written.push((key(2, b'c', 0, 0), vec![7; 300_000]));
        assert!(bytes.len() as u64 > 8 * READ_BYTES);
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(&bytes).unwrap();
        io::Seek::rewind(&mut file).unwrap();
        let mut found = Vec::new();
        each_entry(&mut file, &mut |at, length, key, value| {
            assert_eq!(entry(&bytes[at as usize..]).unwrap().2, length);
            found.push((key, value.to_vec()));
        })
        .unwrap();
        assert!(found == written);
    }
}
