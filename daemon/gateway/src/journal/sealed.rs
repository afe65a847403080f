//! The database's tree of sealed pieces, with long values in parts.
//!
//! sled writes a page as a whole, and one of more than 128 KiB into a file of its own in its folder `blobs`, which it
//! never syncs: a power cut then left a log that named a page which was not there. A page takes up to 17 entries
//! before it is split, however long they are. So no value in a page is longer than [`LONGEST`]; what is longer,
//! the description of a farm of tens of ponds or an hour of very many probes, lies in parts in a tree of its own.
//! ```text
//! sealed  key 17 B                                      the value, or mark 4 B, length 4 B, checksum 4 B
//! parts   key 17 B, checksum 4 B, number of the part 2 B    a part of the value
//! ```
//! Parts are written before what names them and removed after, and sled's log keeps that order.

use std::ops::RangeBounds;

use sled::IVec;

use super::backward::Backward;
use super::keys::Key;

/// Longest value in a page, bytes: 17 of them with their keys stay below 128 KiB.
pub(super) const LONGEST: usize = 6 * 1024;

/// Longer than this no value is: a part's number has two bytes.
const MOST_PARTS: usize = u16::MAX as usize;

const MARK: [u8; 4] = *b"\xf1pr\x05";

/// Changes that are made all or none.
#[derive(Debug, Default)]
pub(super) struct Batch {
    changes: Vec<(IVec, Option<IVec>)>,
}

impl Batch {
    pub(super) fn insert(&mut self, key: impl AsRef<[u8]>, value: impl Into<IVec>) {
        self.changes.push((IVec::from(key.as_ref()), Some(value.into())));
    }

    pub(super) fn remove(&mut self, key: impl AsRef<[u8]>) {
        self.changes.push((IVec::from(key.as_ref()), None));
    }
}

/// The tree.
#[derive(Debug, Clone)]
pub(super) struct Sealed {
    tree: sled::Tree,
    parts: sled::Tree,
}

/// What stands in the place of a long value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Long {
    length: u32,
    sum: u32,
}

impl Long {
    fn of(value: &[u8]) -> Option<Self> {
        let is_long = value.len() > LONGEST && value.len() <= LONGEST * MOST_PARTS;
        let length = u32::try_from(value.len()).ok().filter(|_| is_long)?;
        Some(Self { length, sum: crc32fast::hash(value) })
    }

    fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let bytes: &[u8; 12] = bytes.try_into().ok()?;
        let (mark, rest) = bytes.split_first_chunk::<4>()?;
        let (length, sum) = rest.split_first_chunk::<4>()?;
        let sum = u32::from_be_bytes(sum.try_into().ok()?);
        (*mark == MARK).then_some(Self { length: u32::from_be_bytes(*length), sum })
    }

    fn to_bytes(self) -> Vec<u8> {
        [MARK, self.length.to_be_bytes(), self.sum.to_be_bytes()].concat()
    }

    fn key_of_parts(self, key: &[u8]) -> Vec<u8> {
        [key, &self.sum.to_be_bytes()].concat()
    }

    fn part_keys(self, key: &[u8]) -> impl Iterator<Item = Vec<u8>> {
        let of_all = self.key_of_parts(key);
        let parts = (self.length as usize).div_ceil(LONGEST).min(MOST_PARTS) as u16;
        (0..parts).map(move |number| [&of_all[..], &number.to_be_bytes()].concat())
    }
}

impl Sealed {
    pub(super) fn open(db: &sled::Db) -> sled::Result<Self> {
        Ok(Self { tree: db.open_tree("sealed")?, parts: db.open_tree("parts")? })
    }

    /// Makes changes in an order in which a cut between them leaves either the value before or the new one.
    pub(super) fn apply(&self, batch: Batch) -> sled::Result<()> {
        let (mut coming, mut changes, mut going) = <(sled::Batch, sled::Batch, sled::Batch)>::default();
        let (mut any_comes, mut any_goes) = (false, false);
        for (key, value) in batch.changes {
            let before = self.tree.get(&key)?.and_then(|value| Long::from_bytes(&value));
            let long = value.as_deref().and_then(Long::of);
            if let Some(before) = before.filter(|before| Some(*before) != long) {
                any_goes = true;
                before.part_keys(&key).for_each(|part| going.remove(part));
            }
            match (long, value) {
                (Some(long), Some(value)) => {
                    any_comes = true;
                    for (part, bytes) in long.part_keys(&key).zip(value.chunks(LONGEST)) {
                        coming.insert(part, bytes);
                    }
                    changes.insert(key, long.to_bytes());
                }
                (_, Some(value)) => changes.insert(key, value),
                (_, None) => changes.remove(key),
            }
        }
        if any_comes {
            self.parts.apply_batch(coming)?;
        }
        self.tree.apply_batch(changes)?;
        if any_goes {
            self.parts.apply_batch(going)?;
        }
        Ok(())
    }

    pub(super) fn insert(&self, key: impl AsRef<[u8]>, value: impl Into<IVec>) -> sled::Result<()> {
        let mut batch = Batch::default();
        batch.insert(key, value);
        self.apply(batch)
    }

    #[cfg(test)]
    pub(super) fn remove(&self, key: impl AsRef<[u8]>) -> sled::Result<()> {
        let mut batch = Batch::default();
        batch.remove(key);
        self.apply(batch)
    }

    #[cfg(test)]
    pub(super) fn clear(&self) -> sled::Result<()> {
        self.tree.clear()?;
        self.parts.clear()
    }

    pub(super) fn get(&self, key: impl AsRef<[u8]>) -> sled::Result<Option<IVec>> {
        let Some(found) = self.tree.get(&key)? else { return Ok(None) };
        self.whole(key.as_ref(), found).map(Some)
    }

    /// Whether there is a value, a long one with all its parts.
    pub(super) fn contains_key(&self, key: impl AsRef<[u8]>) -> sled::Result<bool> {
        let Some(found) = self.tree.get(&key)? else { return Ok(false) };
        let is_long = Long::from_bytes(&found).is_some();
        Ok(!is_long || !self.whole(key.as_ref(), found)?.is_empty())
    }

    /// The value as it was put in; empty, which no reader takes for whole, where parts of it are gone.
    pub(super) fn whole(&self, key: &[u8], found: IVec) -> sled::Result<IVec> {
        let Some(long) = Long::from_bytes(&found) else { return Ok(found) };
        let mut value = Vec::new();
        for part in self.parts.scan_prefix(long.key_of_parts(key)) {
            value.extend_from_slice(&part?.1);
        }
        let is_whole = value.len() == long.length as usize && crc32fast::hash(&value) == long.sum;
        Ok(if is_whole { value.into() } else { IVec::default() })
    }

    pub(super) fn iter(&self) -> Entries {
        Entries { found: self.tree.iter(), of: self.clone() }
    }

    pub(super) fn range<K: AsRef<[u8]>>(&self, range: impl RangeBounds<K>) -> Entries {
        Entries { found: self.tree.range(range), of: self.clone() }
    }

    /// Entries as they lie in the tree: long values by what stands in their place.
    pub(super) fn pieces<K: AsRef<[u8]>>(&self, range: impl RangeBounds<K>) -> sled::Iter {
        self.tree.range(range)
    }

    /// Entries from the last before `end`, or of all, back to `from`.
    pub(super) fn backward(&self, from: Key, end: Option<Key>) -> Backward {
        Backward::new(self.clone(), from, end)
    }

    pub(super) fn scan_prefix(&self, prefix: impl AsRef<[u8]>) -> Entries {
        Entries { found: self.tree.scan_prefix(prefix), of: self.clone() }
    }

    /// Takes values apart that a format before this one left whole.
    pub(super) fn part_long_ones(&self) -> sled::Result<()> {
        let mut long = Vec::new();
        for entry in &self.tree {
            let (key, value) = entry?;
            if value.len() > LONGEST {
                long.push(key);
            }
        }
        for key in long {
            if let Some(value) = self.tree.get(&key)? {
                self.insert(key, value)?;
            }
        }
        Ok(())
    }
}

/// Entries in the order of their keys.
pub(super) struct Entries {
    found: sled::Iter,
    of: Sealed,
}

impl Entries {
    pub(super) fn keys(self) -> impl Iterator<Item = sled::Result<IVec>> {
        self.found.keys()
    }

    fn whole(&self, entry: sled::Result<(IVec, IVec)>) -> sled::Result<(IVec, IVec)> {
        let (key, value) = entry?;
        let value = self.of.whole(&key, value)?;
        Ok((key, value))
    }
}

impl Iterator for Entries {
    type Item = sled::Result<(IVec, IVec)>;

    fn next(&mut self) -> Option<Self::Item> {
        let entry = self.found.next()?;
        Some(self.whole(entry))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(seed: u32, length: usize) -> Vec<u8> {
        (0..length as u32).map(|n| (n.wrapping_mul(seed | 1) >> 7) as u8).collect()
    }

    #[test]
    fn long_values_come_back_are_replaced_and_leave_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("store");
        let db = crate::journal::database::settings(&path).open().unwrap();
        let sealed = Sealed::open(&db).unwrap();
        let lengths = [0, LONGEST, LONGEST + 1, 3 * LONGEST, 700_000];
        for (place, length) in lengths.into_iter().enumerate() {
            sealed.insert([place as u8; 17], value(3, length)).unwrap();
        }
        for (place, length) in lengths.into_iter().enumerate() {
            assert_eq!(sealed.get([place as u8; 17]).unwrap().unwrap(), value(3, length));
        }
        // From either end, as one value each.
        let forward: Vec<usize> = sealed.iter().map(|entry| entry.unwrap().1.len()).collect();
        let backward: Vec<usize> =
            sealed.backward([0; 17], None).map(|entry| entry.unwrap().1.len()).collect();
        assert_eq!(forward, lengths);
        assert_eq!(backward, lengths.into_iter().rev().collect::<Vec<_>>());
        // Replaced by another long one, the same one and a short one.
        sealed.insert([4; 17], value(5, 500_000)).unwrap();
        sealed.insert([3; 17], value(3, lengths[3])).unwrap();
        sealed.insert([2; 17], value(5, 10)).unwrap();
        assert_eq!(sealed.get([4; 17]).unwrap().unwrap(), value(5, 500_000));
        assert_eq!(sealed.parts.len(), 500_000_usize.div_ceil(LONGEST) + 3);
        let mut batch = Batch::default();
        (0..5).for_each(|place| batch.remove([place; 17]));
        sealed.apply(batch).unwrap();
        assert!(sealed.tree.is_empty() && sealed.parts.is_empty());
        db.flush().unwrap();
        assert_eq!(std::fs::read_dir(path.join("blobs")).unwrap().count(), 0, "no page is a file of its own");
    }

    #[test]
    fn a_value_of_which_a_part_is_gone_is_not_there() {
        let folder = tempfile::tempdir().unwrap();
        let db = crate::journal::database::settings(&folder.path().join("store")).open().unwrap();
        let sealed = Sealed::open(&db).unwrap();
        sealed.insert([1; 17], value(3, 100_000)).unwrap();
        assert!(sealed.contains_key([1; 17]).unwrap());
        let part = sealed.parts.iter().keys().nth(7).unwrap().unwrap();
        sealed.parts.remove(part).unwrap();
        assert!(!sealed.contains_key([1; 17]).unwrap());
        assert!(sealed.get([1; 17]).unwrap().unwrap().is_empty());
    }

    #[test]
    fn what_an_earlier_format_left_whole_is_taken_apart() {
        let folder = tempfile::tempdir().unwrap();
        let db = crate::journal::database::settings(&folder.path().join("store")).open().unwrap();
        let sealed = Sealed::open(&db).unwrap();
        sealed.tree.insert([1; 17], value(3, 300_000)).unwrap();
        sealed.tree.insert([2; 17], value(3, 100)).unwrap();
        assert_eq!(sealed.get([1; 17]).unwrap().unwrap(), value(3, 300_000));
        sealed.part_long_ones().unwrap();
        assert_eq!(sealed.tree.iter().map(|entry| entry.unwrap().1.len()).collect::<Vec<_>>(), [12, 100]);
        assert_eq!(sealed.get([1; 17]).unwrap().unwrap(), value(3, 300_000));
        assert_eq!(sealed.get([2; 17]).unwrap().unwrap(), value(3, 100));
    }

    #[test]
    fn many_middling_values_make_no_page_too_long() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("store");
        let db = crate::journal::database::settings(&path).open().unwrap();
        let sealed = Sealed::open(&db).unwrap();
        for round in 0..3 {
            let mut batch = Batch::default();
            for number in 0..200_u32 {
                let key = [&[9; 13][..], &(number * 3 + round).to_be_bytes()].concat();
                batch.insert(key, value(number, LONGEST));
            }
            sealed.apply(batch).unwrap();
            db.flush().unwrap();
        }
        assert_eq!(std::fs::read_dir(path.join("blobs")).unwrap().count(), 0);
    }
}
