//! Giving a day that is over a file of its own, and taking it out of the database.
//!
//! The file is on disk for good before the database lets go of its pieces, and that happens in one step with the
//! mark of how far this has come. A cut in between leaves the day in both, and the file is then made again.

use std::collections::BTreeSet;
use std::io;

use super::keys::{Key, is_for_ever, key, kind, parts};
use super::sealed::Batch;
use super::store::Journal;

/// A day gets its file this long after its end: by then what comes late has come, as a rule. What comes later
/// stays in the database.
const PATIENCE_HOURS: u32 = 6;

impl Journal {
    /// Gives one day its file, if one is due; the next call goes on.
    pub(super) fn file_day(&mut self) -> Result<(), String> {
        let Some(day) = self.day_to_file()? else { return Ok(()) };
        let Some(store) = &mut self.store else { return Ok(()) };
        let failed = |error: String| format!("giving day {day} since 1970 a file of its own failed: {error}");
        let of_day = key(day * 24, 0, 0, 0)..key((day + 1) * 24, 0, 0, 0);
        let mut sealed: Vec<Key> = Vec::new();
        for found in store.sealed.range(of_day).keys() {
            let found = found.map_err(|error| failed(error.to_string()))?;
            let goes = parts(&found).is_some_and(|(_, kind, ..)| !is_for_ever(kind));
            sealed.extend(Key::try_from(&found[..]).ok().filter(|_| goes));
        }
        // One that a cut left whole, or that is made again because the mark was lost, keeps what it has.
        let mut keys: BTreeSet<Key> = store.days.keys_of(day).into_iter().collect();
        keys.extend(&sealed);
        let shapes: BTreeSet<u32> = keys.iter().filter_map(shape_of).collect();
        let mut keys: Vec<Key> = keys.into_iter().collect();
        keys.extend(shapes.into_iter().map(|number| key(0, kind::SHAPE, number, 0)));
        let (tree, before) = (store.sealed.clone(), store.days.file(day));
        let mut value_of = |key: &Key| -> io::Result<Vec<u8>> {
            let found = tree.get(key).map_err(|error| io::Error::other(error.to_string()))?;
            let of_file = || before.as_ref().and_then(|file| file.get(key));
            Ok(found.map(|value| value.to_vec()).or_else(of_file).unwrap_or_default())
        };
        let written = store.days.write(day, &mut keys, &mut value_of);
        let written = written.map_err(|error| failed(super::database::describe(&error)))?;
        let mut batch = Batch::default();
        sealed.iter().for_each(|key| batch.remove(&key[..]));
        batch.insert(&key(0, kind::FILED_BEFORE, 0, 0)[..], &u64::from(day + 1).to_be_bytes());
        // A cut may leave the day in both.
        store.change_in_time(batch).map_err(|error| failed(error.to_string()))?;
        // Rather more than the pages that have to move; it costs next to nothing.
        store.gather(sealed.len() / 2).map_err(|error| failed(error.to_string()))?;
        self.filed_before = day + 1;
        self.written_beside += written;
        tracing::debug!(day, written, pieces = sealed.len(), "a day has a file of its own");
        Ok(())
    }

    /// The first day that is over, rolled up and still in the database.
    fn day_to_file(&self) -> Result<Option<u32>, String> {
        let Some(store) = &self.store else { return Ok(None) };
        let due = |day: u32| (day + 1) * 24 + PATIENCE_HOURS <= self.sealed_hour && day < self.rolled_before;
        // What came late for a day that was deleted is none of ours.
        let from = u32::try_from(self.thinned_before).unwrap_or(u32::MAX);
        let from = self.filed_before.saturating_mul(24).max(from).max(1);
        for found in store.sealed.range(key(from, 0, 0, 0)..).keys() {
            let found = found.map_err(|error| error.to_string())?;
            match parts(&found) {
                Some((hour, ..)) if !due(hour / 24) => return Ok(None),
                Some((hour, kind, ..)) if !is_for_ever(kind) => return Ok(Some(hour / 24)),
                _ => {}
            }
        }
        Ok(None)
    }
}

fn shape_of(key: &Key) -> Option<u32> {
    let (_, kind, number, _) = parts(key)?;
    let of_shape = [kind::CHUNK, kind::DERIVED, kind::MISSING, kind::AMENDED, kind::LATE_CHUNK];
    of_shape.contains(&kind).then_some(number)
}
