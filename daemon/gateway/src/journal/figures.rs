//! What the store takes and has written, for metrics.

use std::io;
use std::path::Path;

use super::store::Journal;
use super::tail::Tail;

impl Journal {
    /// Bytes ever written to the disk, with those that the next tidying counts.
    pub fn written_so_far(&self) -> u64 {
        let tail = self.tail.as_ref().map_or(0, Tail::written);
        self.written_ever.saturating_add(tail).saturating_add(self.written_beside)
    }
}

/// Bytes of all files of a store's folder. A file that goes while they are counted counts as none.
///
/// # Errors
/// Where the folder cannot be read.
pub fn size_on_disk(folder: &Path) -> io::Result<u64> {
    let mut bytes = 0_u64;
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        bytes = bytes.saturating_add(match entry.metadata() {
            Ok(meta) if meta.is_dir() => size_on_disk(&entry.path()).unwrap_or(0),
            Ok(meta) => meta.len(),
            Err(_) => 0,
        });
    }
    Ok(bytes)
}
