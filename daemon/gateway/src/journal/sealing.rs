//! Keeping the store in order: what is in the tail goes into the database, an hour at a time.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use pondreeve_core::Timestamp;

use super::catch_up::{Due, both, together};
use super::copy::Copy;
use super::database::Trouble;
use super::flat::Flat;
use super::keys::{Key, hour_of, key, kind, parts};
use super::record::{Batch, read_batch};
use super::rollup::stale_days;
use super::seal::{Sealed, Sealer};
use super::shapes::Shapes;
use super::store::Journal;
use super::tail::{self, Kind};
use super::thinning::WRITTEN_PER_SEALED_BYTE;

/// So many hours are kept counted for the roll-up of their day, which comes at the next midnight.
const MOST_COUNTED_HOURS: u32 = 36;

/// What is in the tail, as sealed, with a mark that changes with it.
pub(super) type Unsealed = ((u64, u64), Arc<InMemory>);

/// Sealed pieces that are not in the database, with all shapes.
pub(super) type InMemory = (Shapes, Vec<(Key, Vec<u8>)>);

/// What is committed and not sealed. Commits add to it, so that sealing need not read the tail anew.
#[derive(Debug)]
pub(super) struct Gathering {
    sealer: Sealer,
    /// Hours that are over.
    pub(super) full: Vec<Sealed>,
    /// Bytes in the tail of what belongs to none of those, about.
    pub(super) rest_bytes: u64,
}

impl Gathering {
    /// Takes a batch that has so many bytes in the tail.
    pub(super) fn take(&mut self, batch: &Batch, bytes: u64, shapes: &mut Shapes) {
        self.take_by(bytes, |sealer, out| sealer.batch(batch, shapes, out));
    }

    /// The same of one laid out by its writer.
    pub(super) fn take_flat(&mut self, flat: &Flat, bytes: u64, shapes: &mut Shapes) {
        self.take_by(bytes, |sealer, out| sealer.flat(flat, shapes, out));
    }

    fn take_by(&mut self, bytes: u64, take: impl FnOnce(&mut Sealer, &mut dyn FnMut(Sealed))) {
        let before = self.full.len();
        let full = &mut self.full;
        take(&mut self.sealer, &mut |sealed| full.push(sealed));
        // The hour ended somewhere in this batch.
        self.rest_bytes = if self.full.len() > before { bytes } else { self.rest_bytes + bytes };
    }
}

impl Journal {
    /// Does what is due: seals full hours, rolls up full days, deletes what is kept long enough. Call it after
    /// commits; it may take some tenths of a second. Nothing that was acknowledged depends on it.
    pub fn upkeep(&mut self, now: Timestamp) {
        if let Some(due) = self.seal_due() {
            self.seal(due == Due::All, now);
            let tidied = catch_unwind(AssertUnwindSafe(|| self.tidy()));
            match tidied {
                Ok(Ok(())) => {}
                Ok(Err(error)) => tracing::warn!(%error, "the store could not be tidied"),
                Err(_) => tracing::warn!("the store could not be tidied"),
            }
        }
    }

    /// Seals everything in the tail, the hour that has just begun too.
    pub fn seal_all(&mut self, now: Timestamp) {
        self.seal(true, now);
    }

    fn seal(&mut self, all: bool, now: Timestamp) {
        let outcome = catch_unwind(AssertUnwindSafe(|| self.try_seal(all)));
        let trouble = match outcome {
            Ok(Ok(false)) => return,
            Ok(Ok(true)) => {
                // Opening makes the snapshot that lets the older copy go.
                self.close();
                match self.try_open(now) {
                    Ok(()) => return,
                    Err(trouble) => trouble.to_string(),
                }
            }
            Ok(Err(trouble)) => trouble.to_string(),
            Err(_) => "it fails inside the database".to_owned(),
        };
        // Nothing is lost: the inputs stay in the tail, and commits say what is wrong.
        self.failed(format!("sealing inputs in the store {} failed: {trouble}", self.path.display()));
    }

    /// `true` where the database is to be opened anew.
    fn try_seal(&mut self, all: bool) -> Result<bool, Trouble> {
        // Taken out: should anything fail, the next seal begins with what the tail has.
        let mut gathering = match self.gathering.take() {
            Some(gathering) => gathering,
            None => self.gather()?,
        };
        if all && gathering.sealer.has_inputs() {
            let rest = gathering.sealer.finish(&mut self.shapes);
            gathering.full.push(rest);
        }
        if all {
            gathering.rest_bytes = 0;
        }
        let mut turned = false;
        for sealed in together(gathering.full.drain(..)) {
            turned |= self.put_sealed(sealed)?;
        }
        self.open_hour = self.newest_at.map_or(0, hour_of);
        if let Some(tail) = &mut self.tail {
            tail.sealed(gathering.rest_bytes);
        }
        self.pace.sealed();
        self.gathering = Some(gathering);
        Ok(turned)
    }

    /// What there is to seal where everything is sealed.
    pub(super) fn nothing_gathered(&self) -> Gathering {
        let sealer = Sealer::new(self.site_text.as_deref(), self.sealed_hour, self.sealed_before);
        Gathering { sealer, full: Vec::new(), rest_bytes: 0 }
    }

    /// Reads from the tail what is not sealed.
    fn gather(&mut self) -> Result<Gathering, Trouble> {
        let mut gathering = self.nothing_gathered();
        tail::read_after(&self.path, self.sealed_before, &mut |entry| {
            if entry.kind == Kind::Batch {
                let batch = read_batch(entry.key, entry.body);
                gathering.take(&batch, entry.body.len() as u64, &mut self.shapes);
            }
        })?;
        Ok(gathering)
    }

    /// What the tail alone has, as it would be sealed now, with all shapes. Made anew only after a commit.
    pub(super) fn unsealed(&self) -> Arc<InMemory> {
        let mark = (self.tail.as_ref().map_or(0, tail::Tail::writes), self.sealed_before);
        let mut known = self.unsealed.borrow_mut();
        if let Some((of, entries)) = &*known
            && *of == mark
        {
            return Arc::clone(entries);
        }
        let mut shapes = self.shapes.clone();
        let entries = self.seal_in_memory(&mut shapes);
        let made = Arc::new((shapes, entries));
        *known = Some((mark, Arc::clone(&made)));
        made
    }

    /// What the tail alone has, as it would be sealed now.
    fn seal_in_memory(&self, shapes: &mut Shapes) -> Vec<(Key, Vec<u8>)> {
        let mut sealer = Sealer::new(self.site_text.as_deref(), self.sealed_hour, self.sealed_before);
        let mut entries = Vec::new();
        let found = tail::read_after(&self.path, self.sealed_before, &mut |entry| {
            if entry.kind == Kind::Batch {
                let batch = read_batch(entry.key, entry.body);
                sealer.batch(&batch, shapes, &mut |sealed| entries.extend(sealed.entries));
            }
        });
        if let Err(error) = found {
            tracing::error!(%error, "the newest inputs cannot be read");
        }
        entries.extend(sealer.finish(shapes).entries);
        entries
    }

    fn put_sealed(&mut self, mut sealed: Sealed) -> Result<bool, Trouble> {
        let Some(store) = &self.store else { return Err(Trouble::Damaged("it is closed".to_owned())) };
        for &seq in &self.left_out_unsealed {
            sealed.entries.push((key(0, kind::LEFT_OUT, 0, seq), Vec::new()));
        }
        let mut trail = self.trail.sealed;
        sealed.entries.extend(super::trail::entries(&mut trail, &sealed.notes));
        sealed.entries.extend(self.outbox_entries(&sealed.outbox));
        sealed.entries.extend(stale_days(&sealed.entries, self.rolled_before));
        let pieces =
            sealed.entries.iter().filter(|(found, _)| parts(found).is_some_and(|(hour, ..)| hour > 0));
        let live_bytes =
            self.live_bytes + pieces.map(|(found, value)| (found.len() + value.len()) as u64).sum::<u64>();
        sealed.entries.push((key(0, kind::LIVE_BYTES, 0, 0), live_bytes.to_be_bytes().to_vec()));
        // Last: where the copy has it, it has all that goes with it.
        let is_progress = |(found, _): &(Key, Vec<u8>)| *found == key(0, kind::PROGRESS, 0, 0);
        if let Some(place) = sealed.entries.iter().rposition(is_progress) {
            let progress = sealed.entries.remove(place);
            sealed.entries.push(progress);
        }
        let turned = match &mut self.copy {
            Some(copy) => {
                // At the same time, since each waits for the disk. Should power fail before both are done, what one of
                // them lacks is still in the tail: it lets go of nothing before this is over.
                let append = |copy: &mut Copy| copy.append(&sealed.entries);
                let (copied, applied) = both("journal copy", copy, append, || store.apply(&sealed.entries));
                applied?;
                copied.unwrap_or_else(|error| {
                    tracing::warn!(%error, "the second copy of what is sealed cannot be written");
                    self.copy = None;
                    false
                })
            }
            None => {
                store.apply(&sealed.entries)?;
                false
            }
        };
        self.left_out_unsealed.clear();
        self.tallies.extend(std::mem::take(&mut sealed.tallies));
        // A day that cannot be rolled up does not make this grow: what is let go is counted from what was sealed.
        let oldest = self.sealed_hour.saturating_sub(MOST_COUNTED_HOURS);
        self.tallies = self.tallies.split_off(&key(oldest, 0, 0, 0));
        self.written_beside += (live_bytes - self.live_bytes) * WRITTEN_PER_SEALED_BYTE;
        self.live_bytes = live_bytes;
        self.sealed_before = sealed.next_seq;
        self.trail.sealed = trail;
        *self.unsealed.borrow_mut() = None;
        let progress = sealed.entries.iter().rev().find(|(found, _)| *found == key(0, kind::PROGRESS, 0, 0));
        if let Some((_, hour)) = progress.and_then(|(_, value)| super::seal::progress_of(value)) {
            self.sealed_hour = hour;
        }
        let site = sealed.entries.iter().rfind(|(found, _)| *found == key(0, kind::SITE, 0, 0));
        if let Some((_, text)) = site {
            self.site_text = String::from_utf8(text.clone()).ok();
        }
        tracing::debug!(inputs = sealed.inputs, before = sealed.next_seq, "sealed");
        Ok(turned)
    }
}
