//! The newest inputs, in plain files beside the database: the one place where a commit becomes durable.
//!
//! A commit is one write at the end of a file whose blocks were written before, and one data sync: the
//! file system has nothing of its own to note, and a farm's commit stays within one page of flash. The
//! database gets the inputs later, many together ([`super::seal`]); until then they are read from here.
//!
//! Files `tail-0`, `tail-1`, … take turns. One may be used anew once everything in it is sealed and
//! synced in the database. Each turn has a generation, written in every entry, so that what an earlier
//! turn left further back in the file is never taken for new:
//! ```text
//! head   mark 4 B, kind 1 B, generation 4 B, commit 4 B, place in the commit 2 B, of how many 2 B,
//!        key 8 B, length 4 B,
//!        checksum of the body 4 B, checksum of the head 4 B
//! body   a batch (see super::record), positions left out, or a time
//! ```
//! Numbers are big-endian, checksums CRC-32 (IEEE 802.3). An entry whose body does not fit its checksum
//! still gives the records that carry a good one of their own. Damage in the very last commit is what a
//! power cut leaves of one that nobody was told of: what can be read of it is written again. Anywhere
//! else, or before the entry that closes the file at an orderly stop, it is rot and people are told.

use std::fs::{File, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use scan::Scan;
pub(super) use scan::{read_loose, with_sums};

mod scan;
#[cfg(test)]
#[path = "tail_tests.rs"]
mod tests;

/// Size of a new file. An hour of a large farm takes about one.
const SEGMENT_BYTES: usize = 2 * 1024 * 1024;

/// More files than this are not made: the database has then taken nothing for a long time.
const MOST_SEGMENTS: usize = 16;

/// Entries written together.
const MOST_ENTRIES: usize = u16::MAX as usize;

/// A commit that fits into one page is not laid across two.
const PAGE: u64 = 4096;

const MARK: [u8; 4] = *b"\xf1pr\x02";
const HEAD_BYTES: usize = 37;

/// What an entry holds. Never reuse a code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Inputs.
    Batch = 1,
    /// Positions never to be replayed, eight bytes each.
    LeftOut = 2,
    /// Before the outbox: time up to which other systems had confirmed everything. No longer written, passed over.
    Forwarded = 3,
    /// The store was closed in order.
    Closed = 4,
    /// The file was begun anew.
    Turned = 5,
}

impl Kind {
    fn of(code: u8) -> Option<Self> {
        [Self::Batch, Self::LeftOut, Self::Forwarded, Self::Closed, Self::Turned]
            .into_iter()
            .find(|kind| *kind as u8 == code)
    }
}

/// One entry as found.
#[derive(Debug)]
pub(super) struct Entry<'a> {
    pub(super) kind: Kind,
    pub(super) key: u64,
    pub(super) body: &'a [u8],
}

/// One thing to write.
#[derive(Debug, Clone, Copy)]
pub(super) struct Item<'a> {
    pub(super) kind: Kind,
    pub(super) key: u64,
    pub(super) body: &'a [u8],
    /// Position after the last input in it.
    pub(super) next_seq: u64,
}

#[derive(Debug)]
struct Segment {
    path: PathBuf,
    file: File,
    capacity: u64,
    generation: u32,
    commit: u32,
    used: u64,
    /// Position after the last input in it.
    next_seq: u64,
}

/// The files of one store.
#[derive(Debug)]
pub(super) struct Tail {
    folder: PathBuf,
    /// The last is the one being written.
    segments: Vec<Segment>,
    buffer: Vec<u8>,
    unsealed_bytes: u64,
    /// Grows with every write.
    writes: u64,
    /// What the device was given since this was last asked for, in whole pages.
    written_bytes: u64,
}

/// A batch of a commit that was not finished.
pub(super) type Unfinished = (u64, Vec<u8>);

/// What a cut left behind the last finished commit.
#[derive(Debug, Default)]
pub(super) struct Left {
    /// Position after the last input of what was finished.
    pub(super) next_seq: u64,
    /// Batches of what was not, as far as they can be read, in order.
    pub(super) unfinished: Vec<Unfinished>,
}

impl Tail {
    /// Goes on after the last finished commit; what there is of one that is not is returned to be written again. `next_seq_of` tells how far a batch goes.
    pub(super) fn open(folder: &Path, next_seq_of: &dyn Fn(u64, &[u8]) -> u64) -> io::Result<(Self, Left)> {
        let mut segments = Vec::new();
        let mut left = Left::default();
        let newest = newest_generation(folder)?;
        for path in paths(folder)? {
            let bytes = read_file(&path)?;
            let file = OpenOptions::new().read(true).write(true).open(&path)?;
            let mut scan = Scan::of(&bytes);
            if scan.generation < newest {
                // A later file was begun only after the last commit of this one was finished.
                scan.is_over();
            }
            let mut next_seq = 0;
            scan.entries(&bytes, |entry, place| {
                if entry.kind == Kind::Batch {
                    next_seq = next_seq_of(entry.key, entry.body).max(next_seq);
                    if !(scan.torn_last && place.commit == scan.next_commit) {
                        left.next_seq = left.next_seq.max(next_seq);
                    }
                }
            });
            if scan.torn_last {
                scan.entries(&bytes, |entry, place| {
                    if place.commit == scan.next_commit && entry.kind == Kind::Batch {
                        left.unfinished.push((entry.key, entry.body.to_vec()));
                    }
                });
                // What was begun and not finished must not be found again beside what comes in its place.
                let end = scan.end.min(bytes.len());
                file.write_all_at(&vec![0; bytes.len() - end], end as u64)?;
                file.sync_data()?;
                forget(&file);
            }
            segments.push(Segment {
                path,
                file,
                capacity: bytes.len() as u64,
                generation: scan.generation,
                commit: scan.next_commit,
                used: scan.end as u64,
                next_seq,
            });
        }
        segments.sort_by_key(|segment| segment.generation);
        let unsealed_bytes = segments.iter().map(|segment| segment.used).sum();
        let mut tail = Self {
            folder: folder.to_owned(),
            segments,
            buffer: Vec::new(),
            unsealed_bytes,
            writes: 0,
            written_bytes: 0,
        };
        if tail.segments.is_empty() {
            tail.add_segment(SEGMENT_BYTES)?;
        }
        Ok((tail, left))
    }

    /// Puts everything on disk for good. On an error nothing of it counts.
    pub(super) fn write(&mut self, items: &[Item<'_>], sealed_before: u64) -> io::Result<()> {
        let mut rest = items;
        while !rest.is_empty() {
            let length = |item: &Item<'_>| HEAD_BYTES + item.body.len();
            let total: usize = rest.iter().map(length).sum();
            let room = self.room(total);
            let mut fits = 0;
            let mut size = 0;
            while let Some(item) = rest.get(fits) {
                if (size + length(item)) as u64 > room || fits >= MOST_ENTRIES {
                    break;
                }
                size += length(item);
                fits += 1;
            }
            let (now, later) = rest.split_at(fits);
            if now.is_empty() {
                self.turn(rest.first().map_or(0, length), sealed_before)?;
                continue;
            }
            self.write_here(now, size)?;
            rest = later;
        }
        Ok(())
    }

    fn room(&self, size: usize) -> u64 {
        self.segments.last().map_or(0, |last| last.capacity.saturating_sub(start(last.used, size)))
    }

    fn write_here(&mut self, items: &[Item<'_>], size: usize) -> io::Result<()> {
        let Some(last) = self.segments.last_mut() else { return Err(io::ErrorKind::NotFound.into()) };
        self.buffer.clear();
        let count = items.len() as u32;
        for (ordinal, item) in (0..).zip(items) {
            put_entry(&mut self.buffer, item, [last.generation, last.commit, ordinal << 16 | count])?;
        }
        let at = start(last.used, size);
        last.file.write_all_at(&self.buffer, at)?;
        last.file.sync_data()?;
        last.commit += 1;
        self.unsealed_bytes += self.buffer.len() as u64;
        self.writes += 1;
        self.written_bytes += (last.used.div_ceil(PAGE) - at / PAGE) * PAGE;
        last.used = at + self.buffer.len() as u64;
        last.next_seq = items.iter().map(|item| item.next_seq).fold(last.next_seq, u64::max);
        Ok(())
    }

    /// Goes on in a file that is no longer needed, or in a new one.
    fn turn(&mut self, least: usize, sealed_before: u64) -> io::Result<()> {
        let writing = self.segments.len().saturating_sub(1);
        let free = self
            .segments
            .iter()
            .take(writing)
            .position(|segment| segment.next_seq <= sealed_before && segment.capacity >= least as u64);
        match free {
            Some(place) => {
                let generation = self.next_generation();
                let mut segment = self.segments.remove(place);
                (segment.generation, segment.commit) = (generation, 0);
                (segment.used, segment.next_seq) = (0, 0);
                self.segments.push(segment);
                // Alone in its sector, so that it is there or not: whatever becomes of the first commit, the
                // file is then known to be in its new turn.
                self.write_here(&[Item { kind: Kind::Turned, key: 0, body: &[], next_seq: 0 }], HEAD_BYTES)
            }
            None if self.segments.len() >= MOST_SEGMENTS => Err(io::Error::other(
                "the database has taken nothing for so long that there is no room for newer inputs",
            )),
            None => self.add_segment(least.max(SEGMENT_BYTES)),
        }
    }

    fn next_generation(&self) -> u32 {
        self.segments.iter().map(|segment| segment.generation).max().map_or(1, |newest| newest + 1)
    }

    /// Makes a file with all its blocks written, so that no later sync has to note them.
    fn add_segment(&mut self, size: usize) -> io::Result<()> {
        let taken = |path: &PathBuf| self.segments.iter().any(|segment| segment.path == *path);
        let path = (0..).map(|n| self.folder.join(format!("tail-{n}"))).find(|path| !taken(path));
        let Some(path) = path else { return Err(io::ErrorKind::NotFound.into()) };
        let making = self.folder.join("tail.making");
        let made = make_file(&making, size);
        if made.is_err() {
            // What fits half only takes room that others need.
            let _ = std::fs::remove_file(&making);
        }
        let file = made?;
        std::fs::rename(&making, &path)?;
        File::open(&self.folder)?.sync_all()?;
        let generation = self.next_generation();
        let capacity = size as u64;
        self.written_bytes += capacity;
        self.segments.push(Segment { path, file, capacity, generation, commit: 0, used: 0, next_seq: 0 });
        Ok(())
    }

    /// Bytes written since the last seal, about.
    pub(super) fn unsealed_bytes(&self) -> u64 {
        self.unsealed_bytes
    }

    /// Changes with every write.
    pub(super) fn writes(&self) -> u64 {
        self.writes
    }

    /// Bytes given to the device since the last call, in whole pages.
    pub(super) fn take_written(&mut self) -> u64 {
        std::mem::take(&mut self.written_bytes)
    }

    /// Bytes that the next [`Tail::take_written`] will give.
    pub(super) fn written(&self) -> u64 {
        self.written_bytes
    }

    /// What was written so far is sealed, but for so many bytes.
    pub(super) fn sealed(&mut self, rest_bytes: u64) {
        self.unsealed_bytes = rest_bytes;
    }

    /// Says that the store is closed in order.
    pub(super) fn close(&mut self) -> io::Result<()> {
        self.write(&[Item { kind: Kind::Closed, key: 0, body: &[], next_seq: 0 }], 0)
    }
}

fn make_file(path: &Path, size: usize) -> io::Result<File> {
    let file = OpenOptions::new().read(true).write(true).create(true).truncate(true).open(path)?;
    file.write_all_at(&vec![0; size], 0)?;
    file.sync_all()?;
    forget(&file);
    Ok(file)
}

/// Takes the file out of the kernel's cache. What lies there in one large piece is written to the device as
/// a whole, up to two megabytes, for each commit that changes a page of it.
fn forget(file: &File) {
    // Only advice: where it is not taken, more is written than needed.
    let _ = nix::fcntl::posix_fadvise(file, 0, 0, nix::fcntl::PosixFadviseAdvice::POSIX_FADV_DONTNEED);
}

fn read_file(path: &Path) -> io::Result<Vec<u8>> {
    let mut file = File::open(path)?;
    let mut bytes = Vec::new();
    file.read_to_end(&mut bytes)?;
    forget(&file);
    Ok(bytes)
}

/// Where a write of this size begins.
fn start(used: u64, size: usize) -> u64 {
    let within = used % PAGE;
    if within > 0 && size as u64 <= PAGE && within + size as u64 > PAGE { used - within + PAGE } else { used }
}

fn put_entry(out: &mut Vec<u8>, item: &Item<'_>, numbers: [u32; 3]) -> io::Result<()> {
    let length = u32::try_from(item.body.len())
        .map_err(|_| io::Error::other("one input is larger than four gigabytes"))?;
    let from = out.len();
    out.extend_from_slice(&MARK);
    out.push(item.kind as u8);
    numbers.iter().for_each(|number| out.extend_from_slice(&number.to_be_bytes()));
    out.extend_from_slice(&item.key.to_be_bytes());
    out.extend_from_slice(&length.to_be_bytes());
    out.extend_from_slice(&crc32fast::hash(item.body).to_be_bytes());
    let sum = crc32fast::hash(&out[from..]);
    out.extend_from_slice(&sum.to_be_bytes());
    out.extend_from_slice(item.body);
    Ok(())
}

/// The tail files of a folder.
pub(super) fn paths(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let number =
            entry.file_name().to_str().and_then(|name| name.strip_prefix("tail-")?.parse::<u32>().ok());
        if let Some(number) = number {
            found.push((number, entry.path()));
        }
    }
    found.sort();
    Ok(found.into_iter().map(|(_, path)| path).collect())
}

/// What was found on the way.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub(super) struct Found {
    /// Places that rotted.
    pub(super) damaged: u64,
    /// Unfinished commits at the end.
    pub(super) unfinished: u64,
}

/// Hands every entry to `each`, in the order in which they were written. Needs the files only.
pub(super) fn read(folder: &Path, each: &mut dyn FnMut(Entry<'_>)) -> io::Result<Found> {
    read_after(folder, 0, each)
}

/// The same, passing over batches that end before the position `sealed_before`, as far as the batch that
/// follows in the same file tells.
pub(super) fn read_after(
    folder: &Path,
    sealed_before: u64,
    each: &mut dyn FnMut(Entry<'_>),
) -> io::Result<Found> {
    let by_generation = by_generation(folder)?;
    let mut found = Found::default();
    let last = by_generation.len().saturating_sub(1);
    for (position, (_, path)) in by_generation.iter().enumerate() {
        let bytes = read_file(path)?;
        let scan = Scan::of(&bytes);
        let mut keys: Vec<Option<u64>> = Vec::new();
        scan.entries(&bytes, |entry, _| keys.push((entry.kind == Kind::Batch).then_some(entry.key)));
        let mut later = keys.into_iter();
        scan.entries(&bytes, |entry, _| {
            later.next();
            let follows = later.as_slice().iter().find_map(|key| *key);
            let is_sealed = |next: u64| next > entry.key && next <= sealed_before;
            if entry.kind != Kind::Batch || !follows.is_some_and(is_sealed) {
                each(entry);
            }
        });
        found.damaged += scan.holes;
        let torn = u64::from(scan.torn_last);
        if position == last {
            found.unfinished += torn;
        } else {
            found.damaged += torn;
        }
    }
    Ok(found)
}

/// The tail files with their generations, the newest last.
fn by_generation(folder: &Path) -> io::Result<Vec<(u32, PathBuf)>> {
    let mut found = Vec::new();
    for path in paths(folder)? {
        // A page of it is enough for most, but the first entry may be damaged.
        found.push((Scan::of(&read_file(&path)?).generation, path));
    }
    found.sort();
    Ok(found)
}

/// Commits in the files of a folder.
#[cfg(test)]
pub(crate) fn commits_in(folder: &Path) -> u64 {
    let files = paths(folder).unwrap_or_default();
    files
        .iter()
        .filter_map(|path| read_file(path).ok())
        .map(|bytes| u64::from(Scan::of(&bytes).commits))
        .sum()
}

/// The file in use.
#[cfg(test)]
pub(super) fn newest_file(folder: &Path) -> io::Result<PathBuf> {
    Ok(by_generation(folder)?.pop().map(|(_, path)| path).unwrap_or_default())
}

fn newest_generation(folder: &Path) -> io::Result<u32> {
    Ok(by_generation(folder)?.last().map_or(0, |(generation, _)| *generation))
}
