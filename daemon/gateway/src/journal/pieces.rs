//! Files of pieces: what a backup is made of.
//!
//! ```text
//! file   "pondreeve store pieces 2\n"; entries; one entry without key, whose value is their number, 8 B
//! entry  length of the key 4 B, of the value 4 B, checksum 4 B of both and of key and value, key, value
//! ```
//! Version 1 is the same; with version 2 a list beside them says which files belong to the backup
//! ([`super::backup_list`]). A damaged entry costs itself: the reader looks for the next one that is whole.

use std::fs;
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use super::folder::sync_parent;
use super::keys::KEY_BYTES;

const TITLE: &[u8] = b"pondreeve store pieces ";
const TITLE_BYTES: usize = TITLE.len() + 2;
const VERSION: u8 = 2;

const HEAD_BYTES: usize = 12;

/// No key of ours is longer: that of a roll-up names pond and quantity.
const LONGEST_KEY: usize = 1_024;

/// No value of ours is longer; keeps a damaged length from asking for all memory.
const LONGEST: usize = 64 * 1024 * 1024;

/// Read at a time.
const READ_BYTES: usize = 256 * 1024;

/// How much may be summed up in vain while the next whole entry is looked for: so many times the file's length, and so
/// many bytes more. Damage by chance needs a small part of it; in a file that was made so that an entry seems to begin
/// everywhere, every place would cost [`LONGEST`] else.
const VAIN_TIMES: u64 = 32;
const VAIN_MORE: u64 = 4 * LONGEST as u64;

/// Writes pieces to a file.
#[derive(Debug)]
pub(super) struct PiecesWriter {
    path: PathBuf,
    out: BufWriter<fs::File>,
    count: u64,
    bytes: u64,
}

impl PiecesWriter {
    /// Begins a file; it has its name only once it is whole.
    ///
    /// # Errors
    /// What the system said.
    pub(super) fn create(path: &Path) -> io::Result<Self> {
        let mut out = BufWriter::new(fs::File::create(path.with_extension("making"))?);
        put_title(&mut out)?;
        Ok(Self { path: path.to_owned(), out, count: 0, bytes: TITLE_BYTES as u64 })
    }

    /// Appends a piece.
    ///
    /// # Errors
    /// What the system said.
    pub(super) fn put(&mut self, key: &[u8], value: &[u8]) -> io::Result<()> {
        put_entry(&mut self.out, key, value)?;
        self.count += 1;
        self.bytes += (HEAD_BYTES + key.len() + value.len()) as u64;
        Ok(())
    }

    /// Ends the file, puts it on disk for good and gives it its name; its length.
    ///
    /// # Errors
    /// What the system said.
    pub(super) fn finish(mut self) -> io::Result<u64> {
        let count = self.count;
        self.put(&[], &count.to_be_bytes())?;
        self.out.flush()?;
        self.out.get_ref().sync_all()?;
        fs::rename(self.path.with_extension("making"), &self.path)?;
        sync_parent(&self.path)?;
        Ok(self.bytes)
    }
}

fn put_title(out: &mut impl Write) -> io::Result<()> {
    out.write_all(TITLE)?;
    out.write_all(&[b'0' + VERSION, b'\n'])
}

fn put_entry(out: &mut impl Write, key: &[u8], value: &[u8]) -> io::Result<()> {
    let too_long = |_| io::Error::other("a piece is too long");
    let lengths =
        [u32::try_from(key.len()).map_err(too_long)?, u32::try_from(value.len()).map_err(too_long)?];
    let sum = checksum(lengths, key, value);
    for number in [lengths[0], lengths[1], sum] {
        out.write_all(&number.to_be_bytes())?;
    }
    out.write_all(key)?;
    out.write_all(value)
}

/// A file of a piece, of these bytes and of the end that fits the one piece.
pub(super) fn with_a_piece_before(bytes: &[u8], key: &[u8], value: &[u8]) -> io::Result<Vec<u8>> {
    let mut file = Vec::new();
    put_title(&mut file)?;
    put_entry(&mut file, key, value)?;
    file.extend_from_slice(bytes);
    put_entry(&mut file, &[], &1_u64.to_be_bytes())?;
    Ok(file)
}

fn checksum(lengths: [u32; 2], key: &[u8], value: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    lengths.iter().for_each(|length| hasher.update(&length.to_be_bytes()));
    hasher.update(key);
    hasher.update(value);
    hasher.finalize()
}

/// What became of reading a file.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub(super) struct Found {
    /// Version of its form, if its first line is whole.
    pub(super) version: Option<u8>,
    /// Places that are damaged, the missing end of it being one.
    pub(super) damaged: u64,
}

/// Hands every whole piece of a file to `each`.
pub(super) fn read_pieces(path: &Path, each: &mut dyn FnMut(&[u8], &[u8])) -> io::Result<Found> {
    let mut window = Window { length: fs::metadata(path)?.len(), ..Window::of(fs::File::open(path)?) };
    let version =
        match window.left(TITLE_BYTES)?.get(..TITLE_BYTES).and_then(|title| title.strip_prefix(TITLE)) {
            Some([version, b'\n']) => Some(version.wrapping_sub(b'0')),
            _ => None,
        };
    let known = version.is_some_and(|version| (1..=VERSION).contains(&version));
    let (mut damaged, mut count, mut in_damage) = (u64::from(!known), 0_u64, !known);
    if known {
        window.at += TITLE_BYTES;
    }
    loop {
        match window.entry()? {
            Some((0, value)) => {
                let bytes = window.left(HEAD_BYTES + value)?.get(HEAD_BYTES..).unwrap_or_default();
                let same = bytes.starts_with(&count.to_be_bytes());
                // Where it does not fit although no place is damaged, whole entries are gone.
                damaged += u64::from(!same && damaged == 0);
                return Ok(Found { version, damaged });
            }
            Some((key, value)) => {
                let entry = window.left(HEAD_BYTES + key + value)?.get(HEAD_BYTES..).unwrap_or_default();
                if let Some((key, rest)) = entry.split_at_checked(key)
                    && let Some(value) = rest.get(..value)
                {
                    each(key, value);
                }
                window.at += HEAD_BYTES + key + value;
                count += 1;
                in_damage = false;
            }
            None => {
                damaged += u64::from(!in_damage);
                in_damage = true;
                if window.gave_up() || !window.step_on()? {
                    return Ok(Found { version, damaged });
                }
            }
        }
    }
}

/// A stretch of a file in memory, and the place in it.
struct Window {
    file: fs::File,
    bytes: Vec<u8>,
    at: usize,
    ended: bool,
    /// Of the whole file.
    length: u64,
    /// Of it, up to the end of `bytes`.
    taken: u64,
    /// Bytes of what seemed to be an entry and was none.
    vain: u64,
}

impl Window {
    fn of(file: fs::File) -> Self {
        Self { file, bytes: Vec::new(), at: 0, ended: false, length: 0, taken: 0, vain: 0 }
    }

    /// What is left from the place on: so many bytes at least, where the file has them.
    fn left(&mut self, wanted: usize) -> io::Result<&[u8]> {
        while !self.ended && self.bytes.len().saturating_sub(self.at) < wanted {
            self.bytes.drain(..self.at.min(self.bytes.len()));
            self.at = 0;
            let more = READ_BYTES.max(wanted.saturating_sub(self.bytes.len()));
            let read = Read::take(&mut self.file, more as u64).read_to_end(&mut self.bytes)?;
            self.taken += read as u64;
            self.ended = read == 0;
        }
        Ok(self.bytes.get(self.at..).unwrap_or_default())
    }

    /// Lengths of key and value of the entry that is here, if a whole one is.
    fn entry(&mut self) -> io::Result<Option<(usize, usize)>> {
        let left = self.left(HEAD_BYTES)?;
        let Some(head) = left.first_chunk::<HEAD_BYTES>().copied() else { return Ok(None) };
        let has = left.len() as u64 + self.length.saturating_sub(self.taken);
        let number = |at: usize| u32::from_be_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
        let (lengths, sum) = ([number(0), number(4)], number(8));
        let (key, value) = (lengths[0] as usize, lengths[1] as usize);
        let is_piece = (KEY_BYTES..=LONGEST_KEY).contains(&key) && value <= LONGEST;
        let plausible = is_piece || (key == 0 && value == 8);
        let whole = HEAD_BYTES + key + value;
        if !plausible || whole as u64 > has {
            return Ok(None);
        }
        let found = self.left(whole)?.get(HEAD_BYTES..whole);
        let same = found.and_then(|found| found.split_at_checked(key));
        if same.is_some_and(|(key, value)| checksum(lengths, key, value) == sum) {
            return Ok(Some((key, value)));
        }
        self.vain += whole as u64;
        Ok(None)
    }

    /// Whether so much was looked at in vain that the rest of the file counts as one damaged place.
    fn gave_up(&self) -> bool {
        self.vain > self.length.saturating_mul(VAIN_TIMES).saturating_add(VAIN_MORE)
    }

    /// On to the next place at which an entry may begin; whether there is one.
    fn step_on(&mut self) -> io::Result<bool> {
        self.at += 1;
        loop {
            let left = self.left(HEAD_BYTES)?;
            if left.len() < HEAD_BYTES {
                return Ok(false);
            }
            // As lengths of keys begin.
            let next = memchr::memmem::find(left, &[0; 2]);
            // The beginning of one may be at the end of what was read.
            let past = left.len() - 1;
            self.at += next.unwrap_or(past);
            if next.is_some() {
                return Ok(true);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A file in which an entry of many megabytes seems to begin at every eighth byte: it is read to its end in bounded
    /// time, which costs what comes after, but nothing before.
    #[test]
    fn a_file_made_to_be_read_slowly_counts_as_damaged() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("slow.pieces");
        let (key, first, last) = ([1; KEY_BYTES], b"first", b"last");
        let mut between = [0, 0, 0, 24, 0, 8, 0, 0].repeat(256 * 1024);
        put_entry(&mut between, &key, last).unwrap();
        fs::write(&path, with_a_piece_before(&between, &key, first).unwrap()).unwrap();
        let mut values = Vec::new();
        let found = read_pieces(&path, &mut |_, value| values.push(value.to_vec())).unwrap();
        assert_eq!((values, found.damaged), (vec![first.to_vec()], 1));
    }
}
