//! The sign of life: given only after an input has gone the whole way, through the step and onto the disk.
//!
//! The engine says up to which input everything is on disk. Where that has moved since the last look, readings flow and
//! nothing more is asked. Where it has not, a tick is sent the same way and has to come back. A disk that refuses is
//! an alarm of its own, and watching goes on from memory: starting again would throw that memory away, so it counts as
//! alive. An engine that hangs, an inbox that nobody empties or a writing thread that is gone do not.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use pondreeve_core::Event;
use pondreeve_core::effect::AlarmState;
use pondreeve_core::view::FarmView;
use tokio::sync::oneshot;
use tokio_util::sync::CancellationToken;

use super::Notifier;
use crate::audit::Place;
use crate::engine::Desk;
use crate::inbox::{Applied, Inbox, Incoming};

/// Signs of life within the time that the service manager waits: one may come late without harm.
const SIGNS_PER_PATIENCE: u32 = 3;

/// How often the line of status is renewed where no watchdog waits.
const STATUS_EVERY: Duration = Duration::from_secs(20);

/// The engine has not said how it stands after this long: its line of status stays as it was.
const STATUS_WITHIN: Duration = Duration::from_secs(2);

/// Position up to which every input is on disk, as the engine says it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Pulse(Arc<AtomicU64>);

impl Pulse {
    /// Everything before this position is on disk.
    pub(crate) fn kept_before(&self, seq: u64) {
        self.0.store(seq, Ordering::Relaxed);
    }

    fn seen(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
}

/// Feeds the watchdog for as long as the pipeline works, and renews the line of status, until `stop` is cancelled.
pub(crate) async fn keep_alive(
    notifier: Notifier,
    pulse: Pulse,
    desk: Desk,
    inbox: Inbox,
    stop: CancellationToken,
) {
    if !notifier.is_heard() {
        return;
    }
    let every = notifier.watchdog().map_or(STATUS_EVERY, |patience| patience / SIGNS_PER_PATIENCE);
    let mut before = pulse.seen();
    let mut told = String::new();
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(every) => {}
        }
        let now = pulse.seen();
        if notifier.watchdog().is_some() {
            let works = now != before || {
                tokio::select! {
                    () = stop.cancelled() => return,
                    works = comes_back(&inbox, every) => works,
                }
            };
            if works {
                notifier.alive();
            } else {
                tracing::error!("a tick did not come back from the engine: no sign of life is given");
            }
        }
        before = now;
        if let Ok(Some(view)) = tokio::time::timeout(STATUS_WITHIN, desk.view()).await {
            let status = summary(&view);
            if status != told {
                notifier.status(&status);
                told = status;
            }
        }
    }
}

/// Whether a tick goes through the step and onto the disk, or is told that the disk refuses.
pub(super) async fn comes_back(inbox: &Inbox, within: Duration) -> bool {
    let (done, answer) = oneshot::channel();
    let event = Incoming { event: Event::Tick, done: Some(done), urgent: false, place: Place::Daemon };
    let trip = async {
        inbox.send(event).await.ok()?;
        answer.await.ok()
    };
    match tokio::time::timeout(within, trip).await {
        Ok(Some(Applied::NotKept(trouble))) => trouble != crate::engine::WRITER_GONE,
        Ok(Some(Applied::Done)) => true,
        // Set aside: the step fails even on a tick.
        Ok(Some(Applied::Refused(_) | Applied::Recorded(_)) | None) | Err(_) => false,
    }
}

/// How the watch goes, in one line.
pub(super) fn summary(view: &FarmView) -> String {
    let among = |states: &[AlarmState]| view.alarms.iter().filter(|own| states.contains(&own.state)).count();
    let standing = among(&[AlarmState::Unacknowledged, AlarmState::Acknowledged]);
    let waiting = among(&[
        AlarmState::Unacknowledged,
        AlarmState::ReturnedUnacknowledged,
        AlarmState::LatchedUnacknowledged,
    ]);
    let ponds = match view.ponds.len() {
        1 => "1 pond".to_owned(),
        count => format!("{count} ponds"),
    };
    let faults = match view.faults.first() {
        None => String::new(),
        Some(fault) => format!("; gateway: {}", fault.detail),
    };
    format!("Watching {ponds}; {standing} alarms stand, {waiting} not acknowledged{faults}")
}
