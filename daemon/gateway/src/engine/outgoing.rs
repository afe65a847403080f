//! What a step brings for other systems: numbered, written into the commit of its input, handed out once that is on
//! disk; and room for more when too much waits.

use std::time::{Duration, Instant};

use pondreeve_core::input::GatewayPart;
use pondreeve_core::{Event, Timestamp};

use super::Engine;
use crate::outbox::{Change, thinning};

/// How often it is looked at whether too much waits, in real time.
const LOOK_EVERY: Duration = Duration::from_secs(60);

/// How long an orderly stop waits for other systems to confirm what they were sent.
const CONFIRM_PATIENCE: Duration = Duration::from_secs(1);

/// When thinning was last looked at, and whether it was told.
#[derive(Debug, Default)]
pub(super) struct Thinning {
    looked_at: Option<Instant>,
    told: bool,
}

impl Engine {
    /// Numbers what the step of the input that was pushed last brought, from `first` on in `fresh`.
    pub(super) fn post(&mut self, seq: u64, first: usize) {
        let effects = self.fresh.get(first..).unwrap_or_default();
        let mut changes = match self.state.site() {
            Some(site) => self.postbox.take(effects, site),
            None => Vec::new(),
        };
        // How far others have confirmed is never worth a commit of its own.
        let moved = self.queue.take_moved();
        self.keeper.outbox(seq, &changes);
        self.keeper.outbox(seq, moved.as_slice());
        self.posted.append(&mut changes);
    }

    /// Gives other systems a moment to confirm what was just handed out, so that the next start does not
    /// send it again.
    pub(super) async fn last_confirmations(&mut self) {
        let waited = Instant::now();
        let reached =
            |engine: &Self| engine.queue.standing().iter().any(|own| own.connected && own.waiting > 0);
        while reached(self) && waited.elapsed() < CONFIRM_PATIENCE {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        if let Some(moved) = self.queue.take_moved() {
            let seq = self.next_seq;
            self.step_quietly(Event::Tick);
            self.keeper.outbox(seq, &[moved]);
        }
        // Whether it worked no longer matters: nothing rests on it.
        let _ = self.keeper.commit_now(self.last_at).await;
    }

    /// Makes room where too much waits, or waits too long, and says so.
    pub(super) async fn thin(&mut self) {
        if self.thinning.looked_at.is_some_and(|at| at.elapsed() < LOOK_EVERY) {
            return;
        }
        self.thinning.looked_at = Some(Instant::now());
        let bounds = self.farm.outbox;
        let now: Timestamp = self.last_at;
        let Some((changes, why)) = thinning::plan(&self.queue, bounds, now) else {
            let connected = self.queue.standing().iter().all(|own| own.connected);
            if self.thinning.told && connected && self.queue.bytes() < bounds.most_bytes / 2 {
                self.thinning.told = false;
                self.take(Event::GatewayFault {
                    part: GatewayPart::Forward,
                    which: String::new(),
                    detail: None,
                })
                .await;
                self.settle(false).await;
            }
            return;
        };
        self.thin_by(changes).await;
        self.thinning.told = true;
        self.tell(GatewayPart::Forward, "", why).await;
        self.settle(false).await;
    }

    /// Durable first: what was merged must not come back after a cut under a number that means something else.
    async fn thin_by(&mut self, changes: Vec<Change>) {
        let seq = self.next_seq;
        self.step_quietly(Event::Tick);
        self.keeper.outbox(seq, &changes);
        if let Err(trouble) = self.keeper.commit_now(self.last_at).await {
            // Memory must not grow without bound for that.
            tracing::error!(%trouble, "messages that wait are thinned in memory only");
        }
        self.queue.take(changes);
    }
}
