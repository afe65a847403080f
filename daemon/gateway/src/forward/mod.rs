//! What goes on to other systems over MQTT: summaries, alarms, health.
//!
//! | topic | payload | |
//! |---|---|---|
//! | `pondreeve/<gateway>/<pond>/summary` | SenML JSON (RFC 8428), see [`message`] | QoS 1, one per pond and interval |
//! | `pondreeve/<gateway>/alarm` | one JSON object for each alarm transition | QoS 1 |
//! | `pondreeve/<gateway>/health` | `online` or `offline` | QoS 1, retained; `offline` is also the last will |
//!
//! What a broker has not confirmed is sent again after a reconnection, so a message can arrive twice and
//! after a newer one. A summary carries its sequence number; an alarm transition is told apart by `id`,
//! `at` and `state`.
//!
//! Unconfirmed messages wait in memory, [`OUTBOX_BOUND`] for each destination: a broker may be away for
//! hours, but what waits is lost if the gateway itself loses power in that time. The readings behind it
//! are not: they are in the journal.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use pondreeve_core::Effect;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::config::Farm;
use crate::inbox::Inbox;

mod message;
mod outbox;
mod publisher;
#[cfg(test)]
mod tests;

use message::Topics;
use outbox::Outbox;

/// Bound of the queue from the engine to the forwarder. It holds only [`Effect::Summary`] and
/// [`Effect::AlarmChanged`]: at 20 ponds one minute brings 20 summaries and, in a flood, some hundred
/// alarm transitions; the forwarder moves them on at once. The engine hands over with `try_send` and
/// never waits here: keeping watch goes before telling others.
pub const FORWARD_BOUND: usize = 1024;

/// Messages kept for one destination until its broker confirms them. Twenty ponds summarised each five
/// minutes fill it in 17 hours, at about 2 KB each some 8 MB. When it is full the oldest summary makes
/// room, an alarm only where nothing but alarms waits, and the loss is reported.
pub const OUTBOX_BOUND: usize = 4096;

/// Starts forwarding: one task that turns effects into messages, one for each destination. Hand in each
/// [`Effect::Summary`] and [`Effect::AlarmChanged`] once it is durable; others are left aside.
///
/// When `stop` is cancelled what was handed in is still sent where a broker confirms it at once, then
/// `offline`, and the tasks end. Cancel it after the last effect.
pub fn start(
    farm: &Farm,
    mut effects: mpsc::Receiver<Effect>,
    inbox: &Inbox,
    stop: &CancellationToken,
) -> (JoinSet<()>, Waiting) {
    let waiting = Waiting::default();
    let no_more = CancellationToken::new();
    let topics = Arc::new(Topics::of(&farm.site));
    let mut tasks = JoinSet::new();
    let mut outboxes = Vec::with_capacity(farm.destinations.len());
    for destination in &farm.destinations {
        let outbox = Arc::new(Outbox::new(OUTBOX_BOUND, waiting.clone()));
        outboxes.push(Arc::clone(&outbox));
        let publisher =
            publisher::Publisher::new(destination.clone(), Arc::clone(&topics), outbox, inbox.clone());
        tasks.spawn(publisher.run(no_more.clone()));
    }
    let stop = stop.clone();
    tasks.spawn(async move {
        // The publishers end when this task does, whichever way.
        let _no_more = no_more.drop_guard();
        let hand_on = |effect: &Effect| {
            let Some(message) = topics.message(effect).map(Arc::new) else { return };
            for outbox in &outboxes {
                outbox.push(Arc::clone(&message));
            }
        };
        loop {
            tokio::select! {
                () = stop.cancelled() => break,
                effect = effects.recv() => match effect {
                    Some(effect) => hand_on(&effect),
                    None => break,
                },
            }
        }
        while let Ok(effect) = effects.try_recv() {
            hand_on(&effect);
        }
    });
    (tasks, waiting)
}

/// How many messages wait to be confirmed, over all destinations, for `status`.
#[derive(Debug, Clone, Default)]
pub struct Waiting(Arc<AtomicU64>);

impl Waiting {
    /// The number now.
    pub fn get(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }

    fn add(&self) {
        self.0.fetch_add(1, Ordering::Relaxed);
    }

    fn remove(&self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}
