//! What is not yet on disk, and getting it there.

use std::collections::{BTreeSet, HashMap, VecDeque};
use std::time::{Duration, Instant};

use pondreeve_core::said::said;
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Effect, Event, Input, Quantity, Timestamp};
use tokio::sync::oneshot;

use crate::audit::Note;
use crate::journal::record::{BATCH_BYTES, BatchWriter, read_batch};
use crate::journal::store::{Commit, KeyedBatch, RETRY_AFTER};
use crate::journal::verdict::{Late, Origin, Verdicts};
use crate::journal::writer::{Committed, Writer};
use crate::outbox::Change;

/// Batches of one commit, so that a backlog goes to disk in steps of at most about a megabyte.
const BATCHES_PER_COMMIT: usize = 128;

/// A commit is due early once this much waits.
const EARLY_BYTES: usize = 256 * 1024;

/// While more waits, batches hold nothing beside their bytes: it takes three times their room.
const MOST_HELD_BYTES: usize = 1024 * 1024;

/// What is kept in memory while the disk takes nothing, a day of a farm with four ponds. Beyond it the
/// oldest goes: what the alarms rest on is in the core already.
const BACKLOG_BYTES: usize = 16 * 1024 * 1024;

/// Values without an input that wait for one; nothing rests on them.
const MOST_LATE: usize = 4096;

/// The trouble that only a new start ends.
pub(crate) const WRITER_GONE: &str = "the thread that writes to the disk has ended";

/// A disk that has not answered after this long counts as failed; alarms then go on from memory.
const PATIENCE: Duration = Duration::from_secs(5);

/// Inputs between the core and the disk.
#[derive(Debug)]
pub(super) struct Keeper {
    writer: Writer,
    durable_within: Duration,
    open: Option<BatchWriter>,
    /// Closed batches that are not yet known to be on disk, oldest first.
    closed: VecDeque<KeyedBatch>,
    closed_bytes: usize,
    /// Inputs not to be replayed, and those of them that the disk does not know yet.
    left_out: BTreeSet<u64>,
    left_out_unkept: Vec<u64>,
    under_way: Option<UnderWay>,
    /// Since when the oldest input waits.
    waiting_since: Option<Instant>,
    /// Every input before this position is on disk.
    kept_before: u64,
    trouble: Option<String>,
    failed_at: Option<Instant>,
    dropped: u64,
    late: Vec<Late>,
    derived_minutes: HashMap<(Option<PondIndex>, Quantity), i64>,
    notes: Vec<String>,
}

#[derive(Debug)]
struct UnderWay {
    answer: oneshot::Receiver<Committed>,
    since: Instant,
    last_key: Option<u64>,
    left_out: usize,
    /// Position after the last input handed in.
    before: u64,
}

impl Keeper {
    pub(super) fn new(writer: Writer, durable_within: Duration, left_out: BTreeSet<u64>) -> Self {
        Self {
            writer,
            durable_within,
            open: None,
            closed: VecDeque::new(),
            closed_bytes: 0,
            left_out,
            left_out_unkept: Vec::new(),
            under_way: None,
            waiting_since: None,
            kept_before: 0,
            trouble: None,
            failed_at: None,
            dropped: 0,
            late: Vec::new(),
            derived_minutes: HashMap::new(),
            notes: Vec::new(),
        }
    }

    pub(super) fn writer(&self) -> &Writer {
        &self.writer
    }

    pub(super) fn left_out(&self) -> &BTreeSet<u64> {
        &self.left_out
    }

    /// Queues an input for the next commit.
    pub(super) fn push(&mut self, input: &Input) {
        // Only now, so that what the core makes of an input finds its batch still open.
        if self.open.as_ref().is_some_and(|batch| batch.size_bytes() >= BATCH_BYTES) {
            self.close_batch();
        }
        let much_waits = self.closed_bytes > MOST_HELD_BYTES;
        let begin = if much_waits { BatchWriter::new } else { BatchWriter::holding };
        let batch = self.open.get_or_insert_with(|| begin(input.seq, input.at));
        batch.input(input);
        self.waiting_since.get_or_insert_with(Instant::now);
    }

    /// Queues what the core made of the input that was pushed last.
    pub(super) fn judged(&mut self, input: &Input, effects: &[Effect]) {
        self.noted(effects);
        let Some(batch) = &mut self.open else { return };
        let verdicts = match &input.event {
            Event::Sweep { samples } => Verdicts::of_sweep(input.seq, samples, effects),
            Event::ManualSample { value, .. } => Verdicts::of_entry(input.seq, *value, effects),
            _ => Verdicts::default(),
        };
        if !verdicts.is_empty() {
            batch.verdicts(&verdicts);
        }
        for late in self.late.drain(..) {
            batch.late(&late);
        }
    }

    /// Queues notes of the audit trail on the input that was pushed last.
    pub(super) fn write_down(&mut self, seq: u64, notes: &[Note]) {
        let Some(batch) = &mut self.open else { return };
        notes.iter().for_each(|note| batch.note(seq, note));
    }

    /// Queues what happened to what waits to go out, with the input that was pushed last.
    pub(super) fn outbox(&mut self, seq: u64, changes: &[Change]) {
        let Some(batch) = &mut self.open else { return };
        changes.iter().for_each(|change| batch.outbox(seq, change));
    }

    /// Queues the settings that the start which was pushed last begins with.
    pub(super) fn settings(&mut self, seq: u64, text: &str) {
        if let Some(batch) = &mut self.open {
            batch.settings(seq, text);
        }
    }

    /// Queues values that no input brought; they go with the next one. Of derived values one a minute.
    pub(super) fn noted(&mut self, effects: &[Effect]) {
        for late in Late::of(effects) {
            if late.origin == Origin::Derived {
                let minute = late.at.as_millis().div_euclid(60_000);
                let known = self.derived_minutes.insert((late.pond, late.quantity), minute);
                if known == Some(minute) {
                    continue;
                }
            }
            if self.late.len() < MOST_LATE {
                self.late.push(late);
            }
        }
    }

    /// An input is never to be replayed.
    pub(super) fn leave_out(&mut self, seq: u64) {
        if self.left_out.insert(seq) {
            self.left_out_unkept.push(seq);
        }
    }

    /// Every input before this position is on disk.
    pub(super) fn kept_before(&self) -> u64 {
        self.kept_before
    }

    /// Whether this input is on disk.
    pub(super) fn is_kept(&self, seq: u64) -> bool {
        seq < self.kept_before
    }

    /// Why the disk takes nothing, while it does not.
    pub(super) fn trouble(&self) -> Option<&str> {
        self.trouble.as_deref()
    }

    /// Inputs given up since the start, because the backlog was full.
    pub(super) fn dropped(&self) -> u64 {
        self.dropped
    }

    /// What people should be told about commits that went well.
    pub(super) fn take_notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }

    /// How long until a commit should be started; `None` while one is under way or none is needed.
    pub(super) fn due_in(&self) -> Option<Duration> {
        if self.under_way.is_some() {
            return None;
        }
        if let Some(failed_at) = self.failed_at {
            return Some(RETRY_AFTER.saturating_sub(failed_at.elapsed()));
        }
        if self.closed_bytes >= EARLY_BYTES {
            return Some(Duration::ZERO);
        }
        self.waiting_since.map(|since| self.durable_within.saturating_sub(since.elapsed()))
    }

    /// How long the oldest input that is in no commit has waited.
    pub(super) fn waits_for(&self) -> Duration {
        self.waiting_since.map_or(Duration::ZERO, |since| since.elapsed())
    }

    /// Starts a commit without waiting for it.
    pub(super) fn start_commit(&mut self, now: Timestamp) {
        if self.under_way.is_some() {
            return;
        }
        self.close_batch();
        let waiting = self.closed.iter_mut().take(BATCHES_PER_COMMIT);
        let batches: Vec<KeyedBatch> = waiting.map(KeyedBatch::hand_over).collect();
        let left_out = self.left_out_unkept.clone();
        let before = batches.last().map_or(self.kept_before, KeyedBatch::next_seq);
        let last_key = batches.last().map(|batch| batch.key);
        let left_out_count = left_out.len();
        match self.writer.commit(Commit { batches, left_out }, now) {
            Some(answer) => {
                let since = Instant::now();
                let left_out = left_out_count;
                self.under_way = Some(UnderWay { answer, since, last_key, left_out, before });
            }
            None => {
                let why =
                    said!("trouble-writer-silent", "the thread that writes to the disk does not answer");
                self.fail(why.into());
            }
        }
    }

    /// Waits until the commit under way has ended; for ever if there is none. Cancel-safe.
    pub(super) async fn finished(&mut self) {
        let Some(under_way) = &mut self.under_way else { return std::future::pending().await };
        let answer = (&mut under_way.answer).await;
        self.settle(answer.unwrap_or_else(|_| Err(WRITER_GONE.to_owned())));
    }

    /// Puts everything queued on disk and returns once it is, or once it is known that it cannot be.
    pub(super) async fn commit_now(&mut self, now: Timestamp) -> Result<(), String> {
        loop {
            if let Some(under_way) = &self.under_way {
                let left = PATIENCE.saturating_sub(under_way.since.elapsed());
                if tokio::time::timeout(left, self.finished()).await.is_err() {
                    let seconds = PATIENCE.as_secs().to_string();
                    let why = said!(
                        "trouble-disk-silent",
                        "the disk has not answered for {seconds} s",
                        seconds = seconds
                    );
                    self.fail(why.into());
                }
                if let Some(trouble) = &self.trouble {
                    return Err(trouble.clone());
                }
            } else if self.open.is_none() && self.closed.is_empty() && self.left_out_unkept.is_empty() {
                return Ok(());
            } else {
                self.start_commit(now);
                if self.under_way.is_none() {
                    return Err(self.trouble.clone().unwrap_or_default());
                }
            }
        }
    }

    /// Inputs that are not on disk, oldest first, for a rebuild of the state.
    pub(super) fn unkept(&self) -> Vec<Input> {
        let closed = self.closed.iter().flat_map(|batch| read_batch(batch.key, &batch.bytes).inputs);
        let mut inputs: Vec<Input> = closed.collect();
        if let Some(open) = &self.open {
            inputs.extend(read_batch(open.key(), open.bytes()).inputs);
        }
        inputs
    }

    /// Ends the writing thread and closes the store.
    pub(super) async fn close(self) {
        if !self.writer.close(PATIENCE * 2).await {
            tracing::error!("the disk still does not answer; the store is left as it is");
        }
    }

    fn settle(&mut self, outcome: Committed) {
        let Some(under_way) = self.under_way.take() else { return };
        match outcome {
            Ok(notes) => {
                self.notes.extend(notes);
                self.trouble = None;
                self.failed_at = None;
                self.kept_before = self.kept_before.max(under_way.before);
                // By key, not by count: the oldest may have been given up in the meantime.
                if let Some(last_key) = under_way.last_key {
                    while self.closed.front().is_some_and(|batch| batch.key <= last_key) {
                        self.drop_oldest();
                    }
                }
                self.left_out_unkept.drain(..under_way.left_out.min(self.left_out_unkept.len()));
                let all = self.closed.is_empty() && self.open.is_none();
                self.waiting_since = if all { None } else { Some(under_way.since) };
            }
            Err(trouble) => self.fail(trouble),
        }
    }

    fn fail(&mut self, trouble: String) {
        self.trouble = Some(trouble);
        self.failed_at = Some(Instant::now());
    }

    fn close_batch(&mut self) {
        let Some(batch) = self.open.take() else { return };
        let batch = KeyedBatch::from(batch);
        self.closed_bytes += batch.bytes.len();
        self.closed.push_back(batch);
        while self.closed_bytes > BACKLOG_BYTES {
            if let Some(batch) = self.closed.front() {
                self.dropped += read_batch(batch.key, &batch.bytes).inputs.len() as u64;
            }
            self.drop_oldest();
        }
    }

    fn drop_oldest(&mut self) {
        if let Some(batch) = self.closed.pop_front() {
            self.closed_bytes -= batch.bytes.len();
        }
    }
}
