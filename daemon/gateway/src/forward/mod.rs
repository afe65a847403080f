//! What goes on to other systems over MQTT: summaries, alarms, health.
//!
//! | topic | payload | |
//! |---|---|---|
//! | `pondreeve/<gateway>/<pond>/summary` | SenML JSON (RFC 8428), its records are listed in `message.rs` | QoS 1, one per pond and interval |
//! | `pondreeve/<gateway>/alarm` | one JSON object for each alarm transition | QoS 1 |
//! | `pondreeve/<gateway>/call` | one JSON object for each call of a person: step, alarms, messages | QoS 1 |
//! | `pondreeve/<gateway>/health` | `online` or `offline` | QoS 1, retained; `offline` is also the last will |
//!
//! What a broker has not confirmed is sent again after a reconnection, so a message can arrive twice and
//! after a newer one. A summary carries its sequence number; an alarm transition is told apart by `id`,
//! `at` and `state`, a call by `step` and `at`.
//!
//! Unconfirmed messages wait in memory, [`OUTBOX_BOUND`] for each destination. They survive a power cut
//! all the same: the engine keeps in the journal up to which time everything is confirmed, and what the
//! journal brings after that time is handed in again at the next start.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};

use pondreeve_core::{Effect, Timestamp};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::config::Farm;
use crate::inbox::Inbox;

pub(crate) mod message;
mod outbox;
mod publisher;
#[cfg(test)]
mod tests;

use message::Topics;
use outbox::Outbox;

/// Bound of the queue from the engine to the forwarder. It holds only [`Effect::Summary`],
/// [`Effect::AlarmChanged`] and [`Effect::Call`]: at 20 ponds one minute brings 20 summaries and, in a flood, some hundred
/// alarm transitions; the forwarder moves them on at once. The engine hands over with `try_send` and
/// never waits here: keeping watch goes before telling others.
pub const FORWARD_BOUND: usize = 1024;

/// Messages kept for one destination until its broker confirms them. Twenty ponds summarised each five
/// minutes fill it in 17 hours, at about 2 KB each some 8 MB. When it is full the oldest summary makes
/// room, an alarm only where nothing but alarms waits, and the loss is reported.
pub const OUTBOX_BOUND: usize = 4096;

/// Starts forwarding: one task that turns effects into messages, one for each destination. Hand in each
/// [`Effect::Summary`], [`Effect::AlarmChanged`] and [`Effect::Call`] once it is durable; others are left aside.
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
        let outbox = Arc::new(Outbox::new(&destination.id, OUTBOX_BOUND, waiting.clone()));
        outboxes.push(Arc::clone(&outbox));
        let publisher =
            publisher::Publisher::new(destination.clone(), Arc::clone(&topics), outbox, inbox.clone());
        tasks.spawn(publisher.run(no_more.clone()));
    }
    // Set once, here.
    let _ = waiting.outboxes.set(outboxes.clone());
    let (stop, progress) = (stop.clone(), waiting.clone());
    tasks.spawn(async move {
        // The publishers end when this task does, whichever way.
        let _no_more = no_more.drop_guard();
        let hand_on = |effect: &Effect| {
            if let Some(message) = topics.message(effect).map(Arc::new) {
                for outbox in &outboxes {
                    outbox.push(Arc::clone(&message));
                }
            }
            progress.taken.fetch_add(1, Ordering::Release);
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

/// How it stands with one destination.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// Its id.
    pub id: String,
    /// Messages it has not confirmed.
    pub waiting: u64,
    /// Messages it has confirmed since the start.
    pub confirmed: u64,
    /// Messages given up for want of room since the start.
    pub dropped: u64,
    /// Whether it is connected now.
    pub connected: bool,
}

/// How far forwarding has come: for `status`, and for the engine to know what is confirmed.
#[derive(Debug, Clone, Default)]
pub struct Waiting {
    count: Arc<AtomicU64>,
    taken: Arc<AtomicU64>,
    outboxes: Arc<OnceLock<Vec<Arc<Outbox>>>>,
}

impl Waiting {
    /// How many messages wait to be confirmed, over all destinations.
    pub fn get(&self) -> u64 {
        self.count.load(Ordering::Relaxed)
    }

    /// How many effects were taken out of the queue from the engine, since the start.
    pub fn taken(&self) -> u64 {
        self.taken.load(Ordering::Acquire)
    }

    /// Farm time of the oldest message that some destination has not confirmed.
    pub fn oldest_at(&self) -> Option<Timestamp> {
        self.outboxes.get()?.iter().filter_map(|outbox| outbox.oldest_at()).min()
    }

    /// How it stands with each destination, in the order of the configuration.
    pub fn standing(&self) -> Vec<Standing> {
        self.outboxes.get().into_iter().flatten().map(|outbox| outbox.standing()).collect()
    }

    /// A forwarder whose brokers confirm at once has taken one more.
    #[cfg(test)]
    pub(crate) fn took_one(&self) {
        self.taken.fetch_add(1, Ordering::Release);
    }

    fn add(&self) {
        self.count.fetch_add(1, Ordering::Relaxed);
    }

    fn remove(&self) {
        self.count.fetch_sub(1, Ordering::Relaxed);
    }
}
