//! The machine the daemon runs on: heat, supply voltage, room, wear, and who keeps its clock. A fault is told before it
//! takes the watch down with it.
//!
//! Everything is read from files that Linux keeps for it; what a machine does not have is not judged.

mod judge;
mod sensors;
#[cfg(test)]
mod tests;
mod time_service;

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use pondreeve_core::Event;
use pondreeve_core::input::GatewayPart;
use tokio_util::sync::CancellationToken;

use crate::audit::Place;
use crate::clock::Clock;
use crate::config::Farm;
use crate::engine::Shelf;
use crate::inbox::{Inbox, Incoming};
use crate::journal::figures::size_on_disk;

pub use sensors::{Machine, Supply};
pub use time_service::TimeService;

/// How often the machine is looked at, in real time.
const EVERY: Duration = Duration::from_secs(60);

/// What the store has not said after this long is left out.
const PATIENCE: Duration = Duration::from_secs(10);

/// What is asked of the machine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounds {
    /// From here on it is too hot, °C.
    pub temperature_high_c: f64,
    /// Less room than this on the store's disk is too little, bytes.
    pub room_low_bytes: u64,
}

impl Default for Bounds {
    /// 80 °C is where common boards begin to slow themselves down, and 500 MB is most of a year of readings of 20
    /// ponds (common practice, no source).
    fn default() -> Self {
        Self { temperature_high_c: 80.0, room_low_bytes: 500_000_000 }
    }
}

/// All that is known of the machine at one moment; what it does not tell is `None`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Health {
    /// The hottest place that it measures, °C.
    pub temperature_c: Option<f64>,
    /// The supply, where it is watched.
    pub supply: Supply,
    /// Room on the store's disk, bytes.
    pub room_bytes: Option<u64>,
    /// Files of the store, bytes.
    pub store_bytes: Option<u64>,
    /// Written to the store's disk in its life, bytes as the journal counts them.
    pub written_bytes: Option<u64>,
    /// What the disk's maker rates it for, bytes.
    pub rated_bytes: Option<u64>,
    /// Share of its life that the disk says it has used, 0 to 1.
    pub disk_says_used: Option<f64>,
    /// Who keeps the clock.
    pub time_service: TimeService,
    /// Whether there is a battery clock.
    pub battery_clock: Option<bool>,
}

/// The newest look, for whoever asks. Clone it freely.
#[derive(Debug, Clone, Default)]
pub struct Looked(Arc<Mutex<Option<Health>>>);

impl Looked {
    /// What was found last.
    pub fn newest(&self) -> Option<Health> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn put(&self, health: Health) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(health);
    }
}

/// Tells the clock whether anybody can have set it since the machine started.
pub fn mind_clock(clock: &Clock) {
    clock.doubt(Machine::at(PathBuf::from("/")).clock_may_be_behind(clock.wall()));
}

/// Looks after the machine until `stop` is cancelled.
pub async fn keep(
    farm: Arc<Farm>,
    clock: Clock,
    shelf: Shelf,
    inbox: Inbox,
    looked: Looked,
    stop: CancellationToken,
) {
    let mut judge = judge::Judge::new(farm.machine);
    loop {
        let health = look(&farm, &clock, &shelf).await;
        for (which, detail) in judge.judge(&health) {
            let event = Event::GatewayFault { part: GatewayPart::Machine, which: which.to_owned(), detail };
            let incoming = Incoming { event, done: None, urgent: false, place: Place::Daemon };
            if inbox.send(incoming).await.is_err() {
                return;
            }
        }
        looked.put(health);
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(EVERY) => {}
        }
    }
}

async fn look(farm: &Farm, clock: &Clock, shelf: &Shelf) -> Health {
    let written = tokio::time::timeout(PATIENCE, shelf.written()).await;
    let (folder, clock) = (farm.store.path.clone(), clock.clone());
    // A disk or a bus of sensors that hangs must hang none of the watch's threads.
    let read = tokio::task::spawn_blocking(move || {
        mind_clock(&clock);
        let machine = Machine::at(PathBuf::from("/"));
        let mut health = machine.health(&folder);
        health.store_bytes = size_on_disk(&folder).ok();
        health
    });
    let mut health = tokio::time::timeout(PATIENCE, read).await.ok().and_then(Result::ok).unwrap_or_default();
    health.written_bytes = written.ok().and_then(Result::ok);
    health.rated_bytes = farm.store.limits.card_life_bytes;
    health
}
