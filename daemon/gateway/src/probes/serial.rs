//! Modbus RTU probes on a serial bus.

use std::sync::Arc;

use tokio_util::sync::CancellationToken;

use crate::clock::Clock;
use crate::config::Farm;
use crate::inbox::Inbox;

/// Polls the probes of one bus until `stop`.
pub async fn run(farm: Arc<Farm>, index: usize, clock: Clock, inbox: Inbox, stop: CancellationToken) {
    let _ = (farm, index, clock, inbox);
    stop.cancelled().await;
}
