//! The sealed tree from its end to its beginning.
//!
//! sled can do that by itself, but its way back brings a constant of 1 MiB into the program. So a stretch at the end is
//! looked for that holds a few entries, read forward and handed out backward; then the stretch before it.

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};

use sled::IVec;

use super::keys::Key;
use super::sealed::Sealed;

/// Entries read at once, where they do not all lie under the same first bytes.
const MOST: usize = 64;

/// How much further each step looks for entries, where there were none.
const FURTHER_BITS: u32 = 4;

/// Bytes of a key that stretches are told apart by. The last byte is left out, for the sake of a number that a
/// processor knows: at most 256 keys of ours have the others in common.
const FIRST_BYTES: usize = 16;

/// Entries of the tree, the last first.
pub(super) struct Backward {
    of: Sealed,
    from: Key,
    /// Read and not yet handed out, in the order of the keys.
    read: VecDeque<(IVec, IVec)>,
    /// What is left lies before this key; nothing while all is left.
    end: Option<Key>,
    /// What is left lies before these first bytes; nothing before the first stretch was read.
    top: Option<u128>,
    is_done: bool,
}

/// What a stretch of the tree holds.
enum Stretch {
    Nothing,
    /// All of it.
    Few(VecDeque<(IVec, IVec)>),
    Many,
    /// It cannot be read, or not all of it.
    Failed(sled::Error),
}

fn first_bytes(key: &Key) -> u128 {
    key.first_chunk::<FIRST_BYTES>().map_or(0, |first| u128::from_be_bytes(*first))
}

impl Backward {
    /// From the last entry before `end`, or the last of all, back to `from`.
    pub(super) fn new(of: Sealed, from: Key, end: Option<Key>) -> Self {
        Self { of, from, read: VecDeque::new(), end, top: None, is_done: false }
    }

    /// Entries from `low` on, and before `high` or the end. A panic of sled over what is damaged is told as an error:
    /// what lies behind the damage is then looked for in a shorter stretch, and not lost with it.
    fn stretch(&self, low: u128, high: Option<u128>, most: usize) -> Stretch {
        let read = catch_unwind(AssertUnwindSafe(|| self.read_stretch(low, high, most)));
        read.unwrap_or_else(|_| {
            Stretch::Failed(sled::Error::ReportableBug("reading a damaged stretch panicked".to_owned()))
        })
    }

    fn read_stretch(&self, low: u128, high: Option<u128>, most: usize) -> Stretch {
        let start: &[u8] = &low.to_be_bytes();
        let start = if start < &self.from[..] { &self.from[..] } else { start };
        let high = high.map(u128::to_be_bytes);
        let end = high.as_ref().map(|high| &high[..]).or(self.end.as_ref().map(|end| &end[..]));
        if end.is_some_and(|end| end <= start) {
            return Stretch::Nothing;
        }
        let found = match end {
            Some(end) => self.of.pieces(start..end),
            None => self.of.pieces(start..),
        };
        let mut read = VecDeque::new();
        for entry in found {
            #[cfg(test)]
            if let Err(failed) = tests::fail_at(&entry) {
                return failed;
            }
            match entry {
                Ok(_) if read.len() == most => return Stretch::Many,
                Ok(entry) => read.push_back(entry),
                Err(error) => return Stretch::Failed(error),
            }
        }
        if read.is_empty() { Stretch::Nothing } else { Stretch::Few(read) }
    }

    /// Reads the stretch that what is left ends with; `false` where nothing is left.
    fn fill(&mut self) -> sled::Result<bool> {
        let bottom = first_bytes(&self.from);
        let Some(mut top) = self.top else {
            // What has its first bytes in common with the end.
            let top = self.end.as_ref().map_or(u128::MAX, first_bytes);
            self.top = Some(top);
            return self.take(self.stretch(top, None, usize::MAX));
        };
        let mut width = 1;
        // From here on there is something, or it cannot be read.
        let mut low = loop {
            if top <= bottom {
                return Ok(false);
            }
            let low = top.saturating_sub(width).max(bottom);
            match self.stretch(low, Some(top), MOST) {
                Stretch::Nothing => top = low,
                Stretch::Few(read) => {
                    self.top = Some(low);
                    return self.take(Stretch::Few(read));
                }
                Stretch::Many | Stretch::Failed(_) => break low,
            }
            width = width.checked_shl(FURTHER_BITS).filter(|wider| *wider > width).unwrap_or(width);
        };
        while top - low > 1 {
            let middle = low + (top - low) / 2;
            match self.stretch(middle, Some(top), MOST) {
                Stretch::Nothing => top = middle,
                Stretch::Few(read) => {
                    self.top = Some(middle);
                    return self.take(Stretch::Few(read));
                }
                Stretch::Many | Stretch::Failed(_) => low = middle,
            }
        }
        self.top = Some(low);
        self.take(self.stretch(low, Some(top), usize::MAX))
    }

    fn take(&mut self, stretch: Stretch) -> sled::Result<bool> {
        match stretch {
            Stretch::Nothing | Stretch::Many => {}
            Stretch::Few(read) => self.read = read,
            Stretch::Failed(error) => return Err(error),
        }
        Ok(true)
    }
}

impl Iterator for Backward {
    type Item = sled::Result<(IVec, IVec)>;

    fn next(&mut self) -> Option<Self::Item> {
        while !self.is_done {
            if let Some((key, value)) = self.read.pop_back() {
                return Some(self.of.whole(&key, value).map(|value| (key, value)));
            }
            match self.fill() {
                Ok(is_left) => self.is_done = !is_left,
                Err(error) => {
                    self.is_done = true;
                    return Some(Err(error));
                }
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;

    /// Where the tree is damaged, and whether sled panics over it or says so.
    #[derive(Debug, Clone, Copy)]
    enum Damage {
        Panics(Key),
        Errs(Key),
    }

    thread_local! {
        static DAMAGE: std::cell::Cell<Option<Damage>> = const { std::cell::Cell::new(None) };
    }

    /// What sled does when it comes to a damaged place.
    pub(super) fn fail_at(entry: &sled::Result<(IVec, IVec)>) -> Result<(), Stretch> {
        let Ok((found, _)) = entry else { return Ok(()) };
        match DAMAGE.get() {
            Some(Damage::Panics(key)) => assert!(found[..] != key[..], "the page is not what it should be"),
            Some(Damage::Errs(key)) if found[..] == key[..] => {
                return Err(Stretch::Failed(sled::Error::ReportableBug("damaged".to_owned())));
            }
            _ => {}
        }
        Ok(())
    }

    /// Behind a damage every entry that can be read comes out, however many lie in one stretch with it, and then the
    /// error, once; whether sled says so or panics.
    #[test]
    fn what_lies_behind_a_damage_comes_out_whole() {
        let folder = tempfile::tempdir().unwrap();
        let (_db, sealed) = sealed(folder.path());
        let key_of = |number: u16| {
            let mut key = [0; 17];
            key[..4].copy_from_slice(&[0, 0, 1, (number / 20) as u8]);
            key[14..16].copy_from_slice(&(number % 20).to_be_bytes());
            key
        };
        let mut batch = super::super::sealed::Batch::default();
        (0..200).for_each(|number| batch.insert(key_of(number), &b"value"[..]));
        sealed.apply(batch).unwrap();
        for damaged in [0, 1, 57, 120, 150, 198, 199] {
            for damage in [Damage::Panics(key_of(damaged)), Damage::Errs(key_of(damaged))] {
                DAMAGE.set(Some(damage));
                let found: Vec<_> = Backward::new(sealed.clone(), [0; 17], None).collect();
                DAMAGE.set(None);
                let (last, before) = found.split_last().unwrap();
                assert!(last.is_err(), "{damage:?}");
                let keys: Vec<Vec<u8>> =
                    before.iter().map(|entry| entry.as_ref().unwrap().0.to_vec()).collect();
                let expected: Vec<Vec<u8>> = (damaged + 1..200).rev().map(|n| key_of(n).to_vec()).collect();
                assert_eq!(keys, expected, "{damage:?}");
            }
        }
    }

    fn sealed(folder: &std::path::Path) -> (sled::Db, Sealed) {
        let db = crate::journal::database::settings(&folder.join("store")).open().unwrap();
        let sealed = Sealed::open(&db).unwrap();
        (db, sealed)
    }

    /// Keys as they come: close together, in heaps, and with wide gaps between them.
    fn any_key() -> impl Strategy<Value = Key> {
        let edge = prop_oneof![Just([0; 17]), Just([0xff; 17])];
        let close = (0_u8..3, any::<u16>()).prop_map(|(hour, seq)| {
            let mut key = [0; 17];
            key[3] = hour;
            key[15..].copy_from_slice(&(seq % 600).to_be_bytes());
            key
        });
        prop_oneof![1 => edge, 8 => close, 4 => any::<[u8; 17]>()]
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

        /// The standard library's map knows the order.
        #[test]
        fn whatever_there_is_comes_backward(
            keys in proptest::collection::vec(any_key(), 0..400),
            from in any_key(),
            end in proptest::option::of(any_key()),
        ) {
            let folder = tempfile::tempdir().unwrap();
            let (_db, sealed) = sealed(folder.path());
            let mut all = BTreeMap::new();
            let mut batch = super::super::sealed::Batch::default();
            for key in keys {
                let value = key.to_vec();
                batch.insert(key, value.clone());
                all.insert(key, value);
            }
            sealed.apply(batch).unwrap();
            let inside = |key: &Key| *key >= from && end.is_none_or(|end| *key < end);
            let expected: Vec<_> = all.into_iter().rev().filter(|(key, _)| inside(key)).collect();
            let found = Backward::new(sealed, from, end).map(|entry| entry.unwrap());
            let found: Vec<_> = found.map(|(key, value)| (Key::try_from(&key[..]).unwrap(), value.to_vec())).collect();
            prop_assert_eq!(found, expected);
        }
    }
}
