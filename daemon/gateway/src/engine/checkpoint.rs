//! What a start would otherwise have to compute anew, at a position of the journal.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use pondreeve_core::call::Call;
use pondreeve_core::effect::{AlarmChange, Summary};
use pondreeve_core::{Effect, Span, State, Timestamp};
use serde::{Deserialize, Serialize};

use super::Engine;
use super::replay::forwarded_at;
use crate::forward::OUTBOX_BOUND;

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
    unconfirmed: Vec<Unconfirmed>,
    pub(super) state: State,
}

/// What other systems had not confirmed.
#[derive(Debug, Serialize, Deserialize)]
enum Unconfirmed {
    Summary(Summary),
    Alarm(AlarmChange),
    Call(Call),
}

/// The same, to be written without a copy of the state.
#[derive(Debug, Serialize)]
struct Saving<'a> {
    next_seq: u64,
    last_at: Option<Timestamp>,
    unconfirmed: Vec<Unconfirmed>,
    state: &'a State,
}

impl Saved {
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        postcard::from_bytes(bytes)
            .inspect_err(|error| tracing::warn!(%error, "the checkpoint cannot be read and is not used"))
            .ok()
    }

    /// What was not confirmed then and is not by now.
    pub(super) fn unconfirmed(&mut self, forwarded: Option<Timestamp>) -> VecDeque<Effect> {
        let effects = std::mem::take(&mut self.unconfirmed).into_iter().map(|effect| match effect {
            Unconfirmed::Summary(summary) => Effect::Summary(summary),
            Unconfirmed::Alarm(change) => Effect::AlarmChanged(change),
            Unconfirmed::Call(call) => Effect::Call(call),
        });
        effects.filter(|effect| forwarded_at(effect) > forwarded).collect()
    }
}

/// When the last checkpoint was made.
#[derive(Debug, Default)]
pub(super) struct Made {
    at: Option<Instant>,
    next_seq: u64,
    last_at: Option<Timestamp>,
}

impl Engine {
    /// Keeps what was handed to the forwarder until it is confirmed.
    pub(super) fn handed_out(&mut self, effect: Effect) {
        self.unconfirmed.push_back(effect);
        if self.unconfirmed.len() > OUTBOX_BOUND {
            self.unconfirmed.pop_front();
        }
        let confirmed = self.keeper.confirmed();
        while self.unconfirmed.front().is_some_and(|oldest| forwarded_at(oldest) <= confirmed) {
            self.unconfirmed.pop_front();
        }
    }

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
        let confirmed = self.keeper.confirmed();
        let unconfirmed = self.unconfirmed.iter().filter(|effect| forwarded_at(effect) > confirmed);
        let unconfirmed = unconfirmed.filter_map(|effect| match effect {
            Effect::Summary(summary) => Some(Unconfirmed::Summary(summary.clone())),
            Effect::AlarmChanged(change) => Some(Unconfirmed::Alarm(change.clone())),
            Effect::Call(call) => Some(Unconfirmed::Call(call.clone())),
            _ => None,
        });
        let saving = Saving {
            next_seq: self.next_seq,
            last_at: Some(self.last_at),
            unconfirmed: unconfirmed.collect(),
            state: &self.state,
        };
        match postcard::to_stdvec(&saving) {
            Ok(bytes) => self.keeper.writer().put_checkpoint(bytes),
            Err(error) => tracing::error!(%error, "no checkpoint could be made; starts take longer"),
        }
    }
}
