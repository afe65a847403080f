//! Keeping up with a backlog: what is written and sealed together while much more comes than a farm sends.
//!
//! An hour of a large farm then comes every few hundredths of a second. Putting each into the database by itself took
//! most of the time, in syncs: the second copy, the database's log, roll-ups. So hours that are over wait, as long as
//! they come so fast, and go in together: one append to the copy, one change of the database, one sync for each. They
//! are in the tail meanwhile, durable since their commit; what bounds the waiting is how long a start may take to read
//! the tail. And the commit of a large piece of a backlog is written and synced while it is made ready to be sealed.

use std::collections::BTreeSet;
use std::io;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use pondreeve_core::Timestamp;

use super::keys::{Key, hour_of, parts};
use super::record::Batch;
use super::seal::Sealed;
use super::store::{Commit, Journal, extent_of};
use super::tail::{Item, Kind, Tail};
use super::trail::Ends;
use crate::outbox::Change;

/// This much in the tail is sealed without waiting for the hour to end.
const EARLY_BYTES: u64 = 1024 * 1024;

/// The same while a backlog comes in. A start reads all of it, about twice what it may have to read else.
const MOST_WAITING_BYTES: u64 = 2 * 1024 * 1024;

/// Hours put in together at most: upkeep files one day at a time, and must not fall behind.
const MOST_HOURS: usize = 12;

/// What is put in together takes so many bytes, the last hour of it aside.
const MOST_TOGETHER_BYTES: usize = 1024 * 1024;

/// Hours that end sooner after one another are those of a backlog.
const CALM: Duration = Duration::from_secs(60);

/// A commit of this size is worth a thread of its own.
const BESIDE_BYTES: usize = 64 * 1024;

/// When hours are put into the database one by one, and when together.
#[derive(Debug)]
pub(super) struct Pace {
    /// Hours that end sooner after a seal wait.
    calm: Duration,
    /// So many of them at most.
    pub(super) most_hours: usize,
    sealed_at: Option<Instant>,
}

impl Default for Pace {
    fn default() -> Self {
        Self { calm: CALM, most_hours: MOST_HOURS, sealed_at: None }
    }
}

impl Pace {
    /// Something was sealed just now.
    pub(super) fn sealed(&mut self) {
        self.sealed_at = Some(Instant::now());
    }

    fn is_hurried(&self) -> bool {
        self.sealed_at.is_some_and(|at| at.elapsed() < self.calm)
    }
}

/// What is to be sealed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Due {
    /// Hours that are over.
    Hours,
    /// The hour that has begun too.
    All,
}

impl Journal {
    /// Whether anything is to be sealed by now.
    pub(super) fn seal_due(&self) -> Option<Due> {
        let waiting = self.tail.as_ref()?.unsealed_bytes();
        let (hours, rest) = match &self.gathering {
            Some(gathering) => (gathering.full.len(), gathering.rest_bytes),
            None => (0, waiting),
        };
        let most = if self.pace.is_hurried() { MOST_WAITING_BYTES } else { EARLY_BYTES };
        if waiting >= most {
            // Hours stay whole where those that are over make most of it.
            return Some(if hours > 0 && rest < EARLY_BYTES { Due::Hours } else { Due::All });
        }
        let is_over = self.newest_at.map_or(0, hour_of) > self.open_hour;
        (is_over && (!self.pace.is_hurried() || hours >= self.pace.most_hours)).then_some(Due::Hours)
    }
}

/// Hours in a row made one step, or a few where they are large.
pub(super) fn together(hours: impl Iterator<Item = Sealed>) -> Vec<Sealed> {
    let mut steps: Vec<Sealed> = Vec::new();
    let mut bytes = 0;
    for hour in hours {
        let size: usize = hour.entries.iter().map(|(key, value)| key.len() + value.len()).sum();
        match steps.last_mut().filter(|_| bytes < MOST_TOGETHER_BYTES) {
            Some(step) => {
                bytes += size;
                step.append(hour);
            }
            None => {
                bytes = size;
                steps.push(hour);
            }
        }
    }
    steps
}

impl Sealed {
    /// What was sealed after it, in the same step.
    fn append(&mut self, later: Self) {
        let Self { entries, next_seq, inputs, notes, outbox, tallies } = later;
        // What belongs to no hour is said once: how far sealing has come, the farm, the settings.
        let of_no_hour = |key: &Key| parts(key).is_some_and(|(hour, ..)| hour == 0);
        let anew: BTreeSet<Key> = entries.iter().map(|(key, _)| *key).filter(of_no_hour).collect();
        self.entries.retain(|(key, _)| !anew.contains(key));
        self.entries.extend(entries);
        self.next_seq = next_seq;
        self.inputs += inputs;
        self.notes.extend(notes);
        self.outbox.extend(outbox);
        self.tallies.extend(tallies);
    }
}

/// What the journal must know of a commit once it is durable.
#[derive(Debug, Default)]
pub(super) struct Taken {
    pub(super) newest_at: Option<Timestamp>,
    pub(super) trail: Ends,
    pub(super) settings: Option<String>,
    pub(super) outbox: Vec<(u64, Change)>,
    pub(super) next_seq: u64,
}

impl Taken {
    pub(super) fn batch(&mut self, batch: &Batch, newest_at: Option<Timestamp>) {
        self.newest_at = self.newest_at.max(newest_at);
        self.trail.take(batch);
        self.settings = batch.settings.as_ref().map(|(_, text)| text.clone()).or(self.settings.take());
        self.outbox.extend(batch.outbox.iter().cloned());
        self.next_seq = self.next_seq.max(batch.next_seq);
    }
}

/// What a commit puts into the tail. How far its last batch goes is left to be said, 0, where its writer did not hold it.
pub(super) fn items_of<'a>(commit: &'a Commit, left_out: &'a [u8]) -> Vec<Item<'a>> {
    let mut items: Vec<Item<'a>> = Vec::with_capacity(commit.batches.len() + 1);
    let mut following = commit.batches.iter().skip(1);
    for batch in &commit.batches {
        // A batch ends before the next begins, so none need be read for it.
        let next_seq = following.next().map_or(batch.held_next_seq(), |next| next.key);
        items.push(Item { kind: Kind::Batch, key: batch.key, body: &batch.bytes, next_seq });
    }
    if !left_out.is_empty() {
        items.push(Item { kind: Kind::LeftOut, key: 0, body: left_out, next_seq: 0 });
    }
    items
}

/// Writes items to the tail. `take` reads the batches and returns how far they go; where they are so large that it is
/// worth it, it does so while they are written. Returns when both are done.
pub(super) fn write(
    tail: &mut Tail,
    items: &mut [Item<'_>],
    sealed_before: u64,
    take: &mut dyn FnMut() -> u64,
) -> io::Result<()> {
    let size: usize = items.iter().map(|item| item.body.len()).sum();
    let beside = size >= BESIDE_BYTES;
    let taken = if beside { None } else { Some(take()) };
    let last = items.iter_mut().rfind(|item| item.kind == Kind::Batch);
    if let Some(last) = last.filter(|last| last.next_seq == 0) {
        last.next_seq = taken.unwrap_or_else(|| extent_of(last.key, last.body).0);
    }
    if !beside {
        return tail.write(items, sealed_before);
    }
    let (written, _) = both("journal tail", tail, |tail| tail.write(items, sealed_before), take);
    written
}

/// Does something to `what` on a thread of its own, and something else meanwhile: both wait for the disk.
pub(super) fn both<W: Send, A: Send, B>(
    name: &str,
    what: &mut W,
    beside: impl Fn(&mut W) -> io::Result<A> + Sync,
    here: impl FnOnce() -> B,
) -> (io::Result<A>, B) {
    let failed = || io::Error::other(format!("the thread {name:?} failed"));
    let what = Mutex::new(what);
    let beside = || match what.lock() {
        Ok(mut what) => beside(&mut what),
        Err(_) => Err(failed()),
    };
    std::thread::scope(|threads| {
        let started = std::thread::Builder::new().name(name.to_owned()).spawn_scoped(threads, beside);
        let done = here();
        let other = match started {
            Ok(started) => started.join().unwrap_or_else(|_| Err(failed())),
            // No further thread is to be had.
            Err(_) => beside(),
        };
        (other, done)
    })
}
