//! Opening a store: making one, putting back what rotted, setting aside what will not open.

use std::fs;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Instant;

use pondreeve_core::Timestamp;
use pondreeve_core::said::said;

use super::copy::{self, Copy};
use super::database::{CARRIED_OVER, FORMAT, Store, Trouble, build_store, make_store};
use super::days;
use super::folder::{finish_replacing, is_nearly_full, replace, set_aside, sync_tree, take_lock};
use super::keys::{FIRST, Key, key, kind, parts};
use super::migrate;
use super::record::{BatchWriter, read_batch};
use super::seal::{number_of, progress_of};
use super::shapes::Shapes;
use super::store::{Journal, SEQ_JUMP, extent_of, newest_in};
use super::tail::{self, Item, Kind, Tail};
use super::thinning::Aged;
use super::trail;

#[cfg(test)]
thread_local! {
    /// The next look into a database fails, as it does where a cut has torn its tree.
    pub(super) static FAILS_ONCE: std::cell::Cell<bool> = const { std::cell::Cell::new(false) };
}

impl Journal {
    pub(super) fn try_open(&mut self, now: Timestamp) -> Result<(), Trouble> {
        self.tried = Some(Instant::now());
        if let Some(parent) = self.path.parent() {
            fs::create_dir_all(parent)?;
        }
        if self.lock.is_none() {
            self.lock = Some(take_lock(&self.path)?);
        }
        if is_nearly_full(&self.path) {
            // Opening writes a snapshot; cut short by the end of the disk, it leaves a damaged store.
            return Err(Trouble::Io(io::ErrorKind::StorageFull.into()));
        }
        finish_replacing(&self.path, now)?;
        if !self.path.exists() {
            make_store(&self.path)?;
        }
        match Store::open(&self.path) {
            Ok(store) if store.format <= CARRIED_OVER => {
                let note = migrate::from_1(&self.path, store, now)?;
                self.notes.push(note);
                self.adopt(Store::open(&self.path)?, true)
            }
            Ok(store) => self.adopt_or_mend(store, now),
            Err(Trouble::Damaged(detail)) => {
                let aside = set_aside(&self.path, now)?;
                make_store(&self.path)?;
                // Whatever is in the tails of an older format is not understood, and passed over.
                copy_tails(&aside, &self.path)?;
                copy::take_along(&aside, &self.path)?;
                let note = said!(
                    "trouble-store-new",
                    "the store {store} could not be opened ({detail}); it was set aside whole as {aside} and a new one begun with the newest inputs: older readings and alarms are not known to this daemon. `pondreeve salvage` reads what can be read of it",
                    store = self.path.display().to_string(),
                    detail = detail.to_string(),
                    aside = aside.display().to_string()
                );
                self.notes.push(note.into());
                // What is put back is expected here, so not told again.
                self.adopt(Store::open(&self.path)?, false)
            }
            Err(other) => Err(other),
        }
    }

    /// Takes a store that was opened. A cut in the middle of a seal can leave the database with a tree that
    /// names a page it has not: it opens, and fails when that page is looked for. Everything sealed since
    /// its last snapshot is also in the copy, so that nothing is lost when the rest is carried over.
    fn adopt_or_mend(&mut self, mut store: Store, now: Timestamp) -> Result<(), Trouble> {
        let looked = catch_unwind(AssertUnwindSafe(|| {
            #[cfg(test)]
            assert!(!FAILS_ONCE.take(), "as the database does when a page is missing");
            // Reads all of it, so it fails like any other look where a page is missing.
            if store.format < FORMAT {
                store.note_format()?;
            }
            self.look_into(&store)
        }));
        match looked {
            Ok(Ok(put_back)) => self.take(store, put_back, true),
            Ok(Err(trouble @ (Trouble::Io(_) | Trouble::Refused(_)))) => Err(trouble),
            // It fails, or says itself that a page is not what it should be.
            Ok(Err(Trouble::Damaged(_))) | Err(_) => {
                self.store = Some(store);
                self.carry_over(now)
            }
        }
    }

    /// Takes a store that was opened, and puts back what its copy knows and it does not.
    pub(super) fn adopt(&mut self, store: Store, tell: bool) -> Result<(), Trouble> {
        let put_back = self.look_into(&store)?;
        self.take(store, put_back, tell)
    }

    /// How many pieces were put back.
    fn look_into(&mut self, store: &Store) -> Result<usize, Trouble> {
        let put_back = put_back(store, &self.path, lowest_in_tail(&self.path)?)?;
        self.load(store)?;
        Ok(put_back)
    }

    fn take(&mut self, mut store: Store, put_back: usize, tell: bool) -> Result<(), Trouble> {
        if put_back > 0 && tell {
            let note = said!(
                "trouble-store-put-back",
                "the store {store} had lost {pieces} sealed pieces to damage on the disk; they were put back from the second copy. The card may be failing: replace it soon",
                store = self.path.display().to_string(),
                pieces = put_back.to_string()
            );
            self.notes.push(note.into());
        }
        // Left by a cut after their readings had aged out.
        store.days.remove_before(u32::try_from(self.thinned_before / 24).unwrap_or(0))?;
        let (mut tail, left) = Tail::open(&self.path, &|key, bytes| extent_of(key, bytes).0)?;
        rewrite(&mut tail, &left, self.sealed_before)?;
        self.read_tail_notes()?;
        self.copy = Copy::open(&self.path)
            .inspect_err(|error| tracing::warn!(%error, "the second copy cannot be opened"))
            .ok();
        self.tail = Some(tail);
        self.store = Some(store);
        Ok(())
    }

    /// What hour 0 of the database says.
    pub(super) fn load(&mut self, store: &Store) -> Result<(), Trouble> {
        self.shapes = Shapes::default();
        (self.sealed_before, self.sealed_hour) = (0, 0);
        self.site_text = None;
        (self.rolled_before, self.thinned_before, self.live_bytes) = (0, 0, 0);
        (self.filed_before, self.made_room_on) = (0, 0);
        self.aged = Aged::default();
        self.tallies.clear();
        self.left_out_unsealed.clear();
        // All but the roll-ups and the audit trail, which are many.
        let between = |from: u8, to: u8| store.sealed.range(key(0, from, 0, 0)..key(0, to, 0, 0));
        let all = between(0, kind::ROLLED)
            .chain(between(kind::ROLLED + 1, kind::AUDIT))
            .chain(between(kind::AUDIT + 1, u8::MAX));
        for entry in all {
            let (found, value) = entry?;
            match parts(&found) {
                Some((_, kind::SHAPE, number, _)) if self.shapes.add(number, value.to_vec()).is_err() => {
                    tracing::error!(number, "the description of sealed sweeps is damaged");
                }
                Some((_, kind::PROGRESS, ..)) => {
                    (self.sealed_before, self.sealed_hour) = progress_of(&value).unwrap_or_default();
                }
                Some((_, kind::SITE, ..)) => self.site_text = String::from_utf8(value.to_vec()).ok(),
                Some((_, kind::LEFT_OUT, _, seq)) => {
                    self.left_out.insert(seq);
                }
                Some((_, kind::ROLLED_BEFORE, ..)) => {
                    self.rolled_before = day_in(&value);
                }
                Some((_, kind::FILED_BEFORE, ..)) => self.filed_before = day_in(&value),
                Some((_, kind::MADE_ROOM, ..)) => self.made_room_on = day_in(&value),
                Some((_, kind::AGED, ..)) => self.aged = Aged::read(&value),
                Some((_, kind::THINNED, ..)) => self.thinned_before = number_of(&value).unwrap_or(0),
                Some((_, kind::LIVE_BYTES, ..)) => self.live_bytes = number_of(&value).unwrap_or(0),
                Some((_, kind::WRITTEN, ..)) => {
                    self.written_ever = self.written_ever.max(number_of(&value).unwrap_or(0));
                }
                _ => {}
            }
        }
        self.load_trail(store)?;
        self.load_outbox(store)?;
        Ok(())
    }

    /// What the tail says besides inputs, and what of it is to be sealed: each batch is read once for both.
    fn read_tail_notes(&mut self) -> io::Result<()> {
        let path = self.path.clone();
        let mut gathering = Some(self.nothing_gathered());
        tail::read(&path, &mut |entry| match entry.kind {
            Kind::LeftOut => {
                let seqs = entry.body.chunks_exact(8).filter_map(number_of);
                seqs.for_each(|seq| {
                    self.left_out.insert(seq);
                    self.left_out_unsealed.insert(seq);
                });
            }
            Kind::Batch => {
                let batch = read_batch(entry.key, entry.body);
                self.newest_at = self.newest_at.max(newest_in(&batch));
                self.take_trail(&batch);
                self.outbox.take(&batch);
                if batch.next_seq <= self.sealed_before {
                    return;
                }
                if let Some(mut own) = gathering.take() {
                    let length = entry.body.len() as u64;
                    // No start fails by it: where it goes wrong, the first seal reads the tail itself.
                    let take = AssertUnwindSafe(|| own.take(&batch, length, &mut self.shapes));
                    gathering = catch_unwind(take).ok().map(|()| own);
                }
            }
            Kind::Forwarded | Kind::Closed | Kind::Turned => {}
        })?;
        self.gathering = gathering;
        Ok(())
    }

    /// Copies what can be read, from both ends up to the damage, and puts the copy in the store's place.
    pub(super) fn carry_over(&mut self, now: Timestamp) -> Result<(), Trouble> {
        let Some(old) = self.store.take() else { return Err(Trouble::Damaged("it is closed".to_owned())) };
        let making = build_store(&self.path, |new| {
            let (days, old, new) = (&old.days, &old.sealed, &new.sealed);
            // A panic while reading ends that direction, as an error does.
            let _ = catch_unwind(AssertUnwindSafe(|| {
                old.iter().map_while(Result::ok).try_for_each(|(key, value)| new.insert(key, value))
            }));
            let _ = catch_unwind(AssertUnwindSafe(|| {
                let from_end = old.backward(FIRST, None).map_while(Result::ok);
                from_end
                    .take_while(|(key, _)| !matches!(new.contains_key(key), Ok(true)))
                    .try_for_each(|(key, value)| new.insert(key, value))
            }));
            days.put_shapes(new)?;
            Ok(())
        })?;
        self.close();
        let _ = catch_unwind(AssertUnwindSafe(|| drop(old)));
        copy_tails(&self.path, &making)?;
        copy::take_along(&self.path, &making)?;
        days::take_along(&self.path, &making)?;
        sync_tree(&making)?;
        let aside = replace(&self.path, &making, "damaged", now)?;
        let note = said!(
            "trouble-store-carried",
            "the store {store} is damaged inside; what could be read was carried over into a new one, and the damaged one is kept as {aside}",
            store = self.path.display().to_string(),
            aside = aside.display().to_string()
        );
        self.notes.push(note.into());
        self.adopt(Store::open(&self.path)?, true)
    }
}

fn day_in(value: &[u8]) -> u32 {
    number_of(value).and_then(|day| u32::try_from(day).ok()).unwrap_or(0)
}

/// Takes the tails of one store along to the one that takes its place.
pub(super) fn copy_tails(from: &std::path::Path, to: &std::path::Path) -> io::Result<()> {
    if !from.is_dir() {
        return Ok(());
    }
    for path in tail::paths(from)? {
        if let Some(name) = path.file_name() {
            fs::copy(&path, to.join(name))?;
        }
    }
    sync_tree(to)
}

/// Position of the first input in the tail.
fn lowest_in_tail(path: &std::path::Path) -> io::Result<u64> {
    let mut lowest = u64::MAX;
    tail::read(path, &mut |entry| {
        if entry.kind == Kind::Batch {
            lowest = lowest.min(entry.key);
        }
    })?;
    Ok(lowest)
}

/// Puts into the database what it lacks; how many sealed pieces that were. What the tail still has is
/// sealed from there again: a seal may have been cut short after it was copied.
fn put_back(store: &Store, path: &std::path::Path, lowest_in_tail: u64) -> Result<usize, Trouble> {
    let known = |key: &Key| matches!(store.sealed.contains_key(key), Ok(true)) || store.days.has_key(key);
    let progress_key = key(0, kind::PROGRESS, 0, 0);
    let always = [progress_key, trail::head_key()];
    let copied = copy::read(path, &|key| always.contains(key) || !known(key));
    let of_hour_0 = |key: &Key| store.get(key).ok().flatten();
    let sealed_before = of_hour_0(&progress_key).and_then(|value| progress_of(&value));
    let sealed_before = sealed_before.map_or(0, |(sealed_before, _)| sealed_before);
    // Positions begin with 1: before the first seal the tail has everything, too.
    let tail_goes_on = lowest_in_tail <= sealed_before.max(1);
    let in_tail = |seq: u64| tail_goes_on && seq >= sealed_before;
    let thinned_before = of_hour_0(&key(0, kind::THINNED, 0, 0)).and_then(|value| number_of(&value));
    let thinned_before = thinned_before.unwrap_or(0);
    let mut lost = Vec::new();
    let mut pieces = 0;
    let (mut progress, mut trail_head, mut rows) = (None, None, Vec::new());
    for (key, value) in copied {
        match parts(&key) {
            Some((0, kind::PROGRESS, ..)) => progress = Some(value),
            Some((0, kind::AUDIT_HEAD, ..)) => trail_head = trail::head_of(&value),
            Some((0, kind::AUDIT, _, record)) => rows.push((record, key, value)),
            Some((0, ..)) => lost.push((key, value)),
            Some((hour, _, _, seq)) if hour > 0 && u64::from(hour) >= thinned_before && !in_tail(seq) => {
                pieces += 1;
                lost.push((key, value));
            }
            _ => {}
        }
    }
    if let Some(value) = progress
        && let Some((further, _)) = progress_of(&value)
        && further > sealed_before
        && !tail_goes_on
    {
        lost.push((progress_key, value));
        lost.extend(trail_head.map(|head| (trail::head_key(), trail::head_bytes(head))));
    } else {
        trail_head = of_hour_0(&trail::head_key()).and_then(|value| trail::head_of(&value));
    }
    // Records behind the end are of what the tail still has, and are sealed from there again.
    let counted = trail_head.map_or(0, |head| head.records);
    lost.extend(
        rows.into_iter().filter(|(record, ..)| *record <= counted).map(|(_, key, value)| (key, value)),
    );
    if !lost.is_empty() {
        store.apply(&lost)?;
    }
    Ok(pieces)
}

/// Writes what could be read of an unfinished commit anew, so that a later reader finds the same: inputs in a row,
/// up to the first that is not whole, or that may have lost what was noted of it. Nobody was told of any, and a gap would be
/// told as inputs that are missing: so nothing is kept where the first of them are gone.
fn rewrite(tail: &mut Tail, left: &tail::Left, sealed_before: u64) -> io::Result<()> {
    let mut batches = Vec::new();
    // Positions begin with 1, and after a store that was read in part they jump.
    let mut expected = left.next_seq.max(sealed_before).max(1);
    for (key, bytes) in &left.unfinished {
        let found = read_batch(*key, bytes);
        let follows =
            *key == expected || (batches.is_empty() && *key > expected.saturating_add(SEQ_JUMP / 2));
        let first = found.inputs.first().filter(|first| first.seq == *key && follows);
        let Some(first) = first else { break };
        let mut batch = BatchWriter::new(*key, first.at);
        let mut next_seq = *key;
        for input in found.inputs.iter().take(found.complete) {
            if input.seq != next_seq {
                break;
            }
            next_seq += 1;
            batch.input(input);
            found.verdicts.iter().filter(|own| own.seq == input.seq).for_each(|own| batch.verdicts(own));
            let notes = found.notes.iter().filter(|(seq, _)| *seq == input.seq);
            notes.for_each(|(seq, note)| batch.note(*seq, note));
            let outbox = found.outbox.iter().filter(|(seq, _)| *seq == input.seq);
            outbox.for_each(|(seq, change)| batch.outbox(*seq, change));
            if let Some((seq, text)) = found.settings.as_ref().filter(|(seq, _)| *seq == input.seq) {
                batch.settings(*seq, text);
            }
        }
        let is_whole = found.damaged == 0 && next_seq == found.next_seq;
        if is_whole {
            found.late.iter().for_each(|late| batch.late(late));
        }
        if next_seq == *key {
            break;
        }
        batches.push((*key, next_seq, batch.finish()));
        if !is_whole {
            break;
        }
        expected = next_seq;
    }
    let items = batches.iter();
    let items: Vec<Item<'_>> = items
        .map(|(key, next_seq, body)| Item { kind: Kind::Batch, key: *key, body, next_seq: *next_seq })
        .collect();
    if !items.is_empty() {
        tracing::info!("the last commit before the stop was not finished; what can be read of it is kept");
    }
    tail.write(&items, sealed_before)
}
