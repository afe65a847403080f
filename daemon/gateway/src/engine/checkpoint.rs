//! What a start would otherwise have to compute anew, at a position of the journal.

use std::time::{Duration, Instant};

use pondreeve_core::{Span, State, Timestamp};
use serde::{Deserialize, Serialize};

use super::Engine;
use crate::journal;

/// A checkpoint is due after this much farm time, or after this many inputs: less than a second to read.
const EVERY: Span = Span::from_hours(6);
const EVERY_INPUTS: u64 = 200_000;

/// But not more often than this: each costs the card a megabyte on a large farm.
const NOT_WITHIN: Duration = Duration::from_secs(300);

/// The content of a checkpoint.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Saved {
    /// Position of the first input that is not in it.
    pub(super) next_seq: u64,
    /// Time of the newest input in it.
    pub(super) last_at: Option<Timestamp>,
    pub(super) state: State,
}

/// The same, to be written without a copy of the state.
#[derive(Debug, Serialize)]
struct Saving<'a> {
    next_seq: u64,
    last_at: Option<Timestamp>,
    state: &'a State,
}

impl Saved {
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        postcard::from_bytes(bytes)
            .inspect_err(|error| tracing::warn!(%error, "the checkpoint cannot be read and is not used"))
            .ok()
    }
}

/// For [`crate::outside`]: content as it is, and unpacked.
pub(crate) fn read_loose(bytes: &[u8]) {
    let _ = Saved::from_bytes(bytes);
    let _ = journal::outside::checkpoint(bytes).and_then(|content| Saved::from_bytes(&content));
}

/// When the last checkpoint was made.
#[derive(Debug, Default)]
pub(super) struct Made {
    at: Option<Instant>,
    next_seq: u64,
    last_at: Option<Timestamp>,
}

impl Engine {
    /// Makes a checkpoint if one is due, or `anyway`.
    pub(super) async fn checkpoint(&mut self, anyway: bool) {
        let inputs = self.next_seq.saturating_sub(self.checkpointed.next_seq);
        let waited = self.checkpointed.last_at.is_none_or(|last_at| self.last_at - last_at >= EVERY);
        let soon = self.checkpointed.at.is_some_and(|at| at.elapsed() < NOT_WITHIN);
        if !anyway && (soon || !(waited || inputs >= EVERY_INPUTS)) {
            return;
        }
        self.checkpointed =
            Made { at: Some(Instant::now()), next_seq: self.next_seq, last_at: Some(self.last_at) };
        // Nothing may be in it that is not on disk.
        if self.keeper.commit_now(self.last_at).await.is_err() {
            return;
        }
        let saving = Saving { next_seq: self.next_seq, last_at: Some(self.last_at), state: &self.state };
        match postcard::to_stdvec(&saving) {
            Ok(bytes) => self.keeper.writer().put_checkpoint(bytes),
            Err(error) => tracing::error!(%error, "no checkpoint could be made; starts take longer"),
        }
    }
}
