//! A second copy of the newest batches, in plain files beside the database.
//!
//! When it opens, sled reads its log from the last snapshot on, up to the first damaged place, and takes
//! that for the end: one flipped bit silently costs everything after it. It makes a snapshot only when
//! it opens. So each batch, once sled has it on disk for good, is also appended here. At the next
//! opening whatever sled no longer has is put back from here, and people are told.
//!
//! Two files take turns, [`TURN_BYTES`] each; at each turn the database is opened anew, so that what was
//! written since its last snapshot is always in one of the two. They are not synced one by one: they guard against bytes
//! that rot, which power cuts do not cause, and the kernel writes them within half a minute.
//!
//! ```text
//! entry  mark 4 B, key 8 B, length 4 B, checksum 4 B of key and length, batch
//! ```
//! A damaged entry costs itself: the reader looks for the next mark.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::codec::Reader;
use super::record::read_batch;
use super::store::KeyedBatch;

/// A file that has grown to this is left alone and the other begun anew: a few times a day on a large
/// farm, as often as opening the database anew is no burden.
const TURN_BYTES: u64 = 4 * 1024 * 1024;

const MARK: [u8; 4] = *b"\xf1pr\x01";

/// The two files of one store.
#[derive(Debug)]
pub(super) struct Tail {
    folder: PathBuf,
    turn: usize,
    file: File,
    size_bytes: u64,
}

impl Tail {
    /// Goes on with the file that was last written.
    pub(super) fn open(folder: &Path) -> io::Result<Self> {
        let newest =
            |turn: &usize| std::fs::metadata(path(folder, *turn)).and_then(|meta| meta.modified()).ok();
        let turn = (0..2).max_by_key(newest).unwrap_or(0);
        let file = OpenOptions::new().create(true).append(true).open(path(folder, turn))?;
        let size_bytes = file.metadata()?.len();
        Ok(Self { folder: folder.to_owned(), turn, file, size_bytes })
    }

    /// Adds batches that the database has on disk for good; `true` where the other file's turn has come.
    pub(super) fn append(&mut self, batches: &[KeyedBatch]) -> io::Result<bool> {
        let turned = self.size_bytes >= TURN_BYTES;
        if turned {
            let turn = 1 - self.turn;
            self.file =
                OpenOptions::new().create(true).write(true).truncate(true).open(path(&self.folder, turn))?;
            (self.turn, self.size_bytes) = (turn, 0);
        }
        let mut bytes = Vec::new();
        for (key, batch) in batches {
            let Ok(length) = u32::try_from(batch.len()) else { continue };
            bytes.extend_from_slice(&MARK);
            bytes.extend_from_slice(&key.to_be_bytes());
            bytes.extend_from_slice(&length.to_be_bytes());
            bytes.extend_from_slice(&checksum(*key, length).to_be_bytes());
            bytes.extend_from_slice(batch);
        }
        self.file.write_all(&bytes)?;
        self.size_bytes += bytes.len() as u64;
        Ok(turned)
    }
}

/// Every readable batch of a folder's tail, oldest first.
pub(super) fn read(folder: &Path) -> Vec<KeyedBatch> {
    let mut batches: BTreeMap<u64, Arc<[u8]>> = BTreeMap::new();
    for turn in 0..2 {
        let Ok(bytes) = std::fs::read(path(folder, turn)) else { continue };
        let mut left = &bytes[..];
        while !left.is_empty() {
            match entry(left) {
                Some((key, batch, used)) => {
                    // One that holds nothing readable is no help.
                    if !read_batch(key, batch).inputs.is_empty() {
                        batches.insert(key, Arc::from(batch));
                    }
                    left = left.get(used..).unwrap_or_default();
                }
                None => left = left.get(1..).unwrap_or_default(),
            }
        }
    }
    batches.into_iter().collect()
}

/// Takes the tail of one store along to the one that takes its place.
pub(super) fn copy(from: &Path, to: &Path) -> io::Result<()> {
    for turn in (0..2).filter(|turn| path(from, *turn).is_file()) {
        std::fs::copy(path(from, turn), path(to, turn))?;
    }
    Ok(())
}

fn entry(bytes: &[u8]) -> Option<(u64, &[u8], usize)> {
    let mut reader = Reader::new(bytes);
    if reader.array::<4>().ok()? != MARK {
        return None;
    }
    let key = u64::from_be_bytes(reader.array().ok()?);
    let length = u32::from_be_bytes(reader.array().ok()?);
    let sum = u32::from_be_bytes(reader.array().ok()?);
    if sum != checksum(key, length) {
        return None;
    }
    let batch = reader.bytes(usize::try_from(length).ok()?).ok()?;
    Some((key, batch, bytes.len() - reader.left()))
}

fn checksum(key: u64, length: u32) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(&key.to_be_bytes());
    hasher.update(&length.to_be_bytes());
    hasher.finalize()
}

fn path(folder: &Path, turn: usize) -> PathBuf {
    folder.join(format!("tail-{turn}"))
}
