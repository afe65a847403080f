//! A checkpoint: what the core remembered at a position, so that a start need not read weeks.
//!
//! It is a cache and never a format. It is bound to the very build that wrote it, checksummed, and thrown
//! away where anything does not fit; the journal then gives the same, only later.
//! ```text
//! file   mark 8 B, name of the build 16 B, checksum of the rest 4 B, content compressed by deflate
//! ```

use std::fs;
use std::io::{self, Read, Write};
use std::path::Path;

use flate2::Compression;
use flate2::read::DeflateDecoder;
use flate2::write::DeflateEncoder;

use super::folder::sync_parent;

const MARK: &[u8; 8] = b"preeve-c";

const BUILD: &[u8] = env!("PONDREEVE_BUILD").as_bytes();

const NAME: &str = "checkpoint";

/// No state of a real farm is larger; keeps a wrong length from asking for all memory.
const MOST_BYTES: u64 = 256 * 1024 * 1024;

/// Puts a checkpoint in the place of the one before, or leaves that; bytes written.
pub(super) fn write(folder: &Path, content: &[u8]) -> io::Result<u64> {
    let mut packer = DeflateEncoder::new(Vec::new(), Compression::fast());
    packer.write_all(content)?;
    let packed = packer.finish()?;
    let sum = crc32fast::hash(&packed).to_be_bytes();
    let bytes = [&MARK[..], BUILD, &sum, &packed].concat();
    let making = folder.join("checkpoint.making");
    let mut file = fs::File::create(&making)?;
    file.write_all(&bytes)?;
    file.sync_all()?;
    let path = folder.join(NAME);
    fs::rename(&making, &path)?;
    sync_parent(&path)?;
    Ok(bytes.len() as u64)
}

/// The content of the checkpoint, if there is one of this build and all of it is there.
pub(super) fn read(folder: &Path) -> Option<Vec<u8>> {
    let bytes = fs::read(folder.join(NAME)).ok()?;
    let rest = bytes.strip_prefix(MARK)?;
    let Some(rest) = rest.strip_prefix(BUILD) else {
        tracing::info!("the checkpoint is of another version and not used");
        return None;
    };
    let (sum, packed) = rest.split_first_chunk::<4>()?;
    if u32::from_be_bytes(*sum) != crc32fast::hash(packed) {
        tracing::warn!("the checkpoint is damaged and not used");
        return None;
    }
    unpack(packed)
}

/// What was compressed; nothing where that is cut short.
pub(super) fn unpack(packed: &[u8]) -> Option<Vec<u8>> {
    let mut content = Vec::new();
    DeflateDecoder::new(packed).take(MOST_BYTES).read_to_end(&mut content).ok()?;
    Some(content)
}
