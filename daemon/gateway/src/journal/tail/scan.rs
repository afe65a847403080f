//! What is in a tail file: the entries of its newest generation, and what is missing among them.

use super::{Entry, HEAD_BYTES, Kind, MARK};
use crate::journal::codec::Reader;

#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) head: usize,
    pub(super) commit: u32,
    pub(super) count: u16,
    pub(super) whole: bool,
}

/// Where the entries of the newest generation of a file are.
#[derive(Debug, Default)]
pub(super) struct Scan {
    pub(super) generation: u32,
    pub(super) places: Vec<Place>,
    /// Where the next commit goes, and its number: after the last finished one.
    pub(super) end: usize,
    pub(super) next_commit: u32,
    /// Entries that are missing between others, or whose body is damaged.
    pub(super) holes: u64,
    /// The last commit is not whole.
    pub(super) torn_last: bool,
    /// Where the last entry ends, and what would follow it.
    pub(super) whole_end: usize,
    pub(super) commits: u32,
}

pub(super) struct Head {
    pub(super) kind: Kind,
    pub(super) generation: u32,
    pub(super) commit: u32,
    pub(super) count: u16,
    pub(super) key: u64,
    pub(super) length: usize,
    pub(super) body_sum: u32,
}

pub(super) fn head(bytes: &[u8]) -> Option<Head> {
    let mut reader = Reader::new(bytes);
    if reader.array::<4>().ok()? != MARK {
        return None;
    }
    let kind = reader.byte().ok()?;
    let generation = u32::from_be_bytes(reader.array().ok()?);
    let commit = u32::from_be_bytes(reader.array().ok()?);
    let _place = reader.array::<2>().ok()?;
    let count = u16::from_be_bytes(reader.array().ok()?);
    let key = u64::from_be_bytes(reader.array().ok()?);
    let length = u32::from_be_bytes(reader.array().ok()?);
    let body_sum = u32::from_be_bytes(reader.array().ok()?);
    let sum = u32::from_be_bytes(reader.array().ok()?);
    let summed = bytes.get(..HEAD_BYTES - 4)?;
    if sum != crc32fast::hash(summed) {
        return None;
    }
    let (kind, length) = (Kind::of(kind)?, usize::try_from(length).ok()?);
    Some(Head { kind, generation, commit, count, key, length, body_sum })
}

impl Scan {
    pub(super) fn of(bytes: &[u8]) -> Self {
        let mut scan = Self::default();
        let mut at = 0;
        while let Some(next) = bytes.get(at..).and_then(find_mark) {
            at += next;
            let Some(head) = bytes.get(at..).and_then(head) else {
                at += 1;
                continue;
            };
            let body = bytes.get(at + HEAD_BYTES..).map(|rest| &rest[..head.length.min(rest.len())]);
            let body = body.unwrap_or_default();
            let whole = body.len() == head.length && crc32fast::hash(body) == head.body_sum;
            if head.generation > scan.generation {
                scan = Self { generation: head.generation, ..Self::default() };
            }
            if head.generation == scan.generation {
                let Head { commit, count, .. } = head;
                scan.places.push(Place { head: at, commit, count, whole });
                scan.end = at + HEAD_BYTES + body.len();
            }
            // A body that is not whole may hide the heads after it.
            at += if whole { HEAD_BYTES + head.length } else { HEAD_BYTES };
        }
        scan.judge();
        scan
    }

    /// Finds what is missing or not whole, and whether that is the end.
    fn judge(&mut self) {
        self.whole_end = self.end;
        self.commits = self.places.last().map_or(0, |place| place.commit.saturating_add(1));
        let mut expected = 0;
        let mut commits = self.places.chunk_by(|a, b| a.commit == b.commit).peekable();
        while let Some(commit) = commits.next() {
            let Some(first) = commit.first() else { continue };
            let whole = commit.iter().filter(|place| place.whole).count() as u64;
            let wrong = u64::from(first.count).saturating_sub(whole);
            self.holes += u64::from(first.commit.saturating_sub(expected));
            expected = first.commit.saturating_add(1);
            if wrong > 0 && commits.peek().is_none() {
                self.torn_last = true;
                (self.end, expected) = (first.head, first.commit);
            } else {
                self.holes += wrong;
            }
        }
        self.next_commit = expected;
    }

    /// A damaged last commit is rot: it was finished, and what is whole of it stays where it is.
    pub(super) fn is_over(&mut self) {
        if std::mem::take(&mut self.torn_last) {
            (self.end, self.next_commit) = (self.whole_end, self.commits);
        }
    }

    pub(super) fn entries(&self, bytes: &[u8], mut each: impl FnMut(Entry<'_>, &Place)) {
        for place in &self.places {
            let Some(left) = bytes.get(place.head..) else { continue };
            let Some(head) = head(left) else { continue };
            let rest = left.get(HEAD_BYTES..).unwrap_or_default();
            let body = &rest[..head.length.min(rest.len())];
            each(Entry { kind: head.kind, key: head.key, body }, place);
        }
    }
}

/// Reads a file's bytes without a file.
pub(in crate::journal) fn read_loose(bytes: &[u8]) {
    let scan = Scan::of(bytes);
    let mut length = 0_usize;
    // One that is not whole may hide others.
    scan.entries(bytes, |entry, place| length += if place.whole { entry.body.len() } else { 0 });
    assert!(length <= bytes.len(), "whole entries do not overlap");
}

/// The bytes with a checksum that fits in each head.
pub(in crate::journal) fn with_sums(bytes: &[u8]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    let heads: Vec<usize> = memchr::memmem::find_iter(&bytes, &MARK).collect();
    for head in heads {
        let Some(head) = bytes.get_mut(head..head + HEAD_BYTES) else { continue };
        let (summed, sum) = head.split_at_mut(HEAD_BYTES - 4);
        sum.copy_from_slice(&crc32fast::hash(summed).to_be_bytes());
    }
    bytes
}

fn find_mark(bytes: &[u8]) -> Option<usize> {
    memchr::memmem::find(bytes, &MARK)
}
