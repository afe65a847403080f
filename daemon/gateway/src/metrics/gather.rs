//! What the metrics are made of, asked of each part once for each request.

use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::Timestamp;
use pondreeve_core::view::{ChannelNow, FarmView};

use super::Sources;
use crate::config::Farm;
use crate::journal::figures::size_on_disk;
use crate::machine::Health;
use crate::outbox::queue::Standing;
use crate::probes::tally::Counts;

/// A part that has not answered after this long is left out; collectors commonly wait for ten seconds.
const PATIENCE: Duration = Duration::from_secs(5);

/// Everything at one moment. What is `None` did not answer in time, and its families are left empty.
#[derive(Debug)]
pub(super) struct Found {
    pub(super) farm: Arc<Farm>,
    pub(super) now: Timestamp,
    pub(super) view: Option<Arc<FarmView>>,
    pub(super) channels: Vec<ChannelNow>,
    pub(super) counts: Counts,
    pub(super) destinations: Vec<Standing>,
    pub(super) outbox_bytes: usize,
    pub(super) thinned: u64,
    pub(super) store_bytes: Option<u64>,
    pub(super) store_written_bytes: Option<u64>,
    pub(super) machine: Option<Health>,
}

pub(super) async fn gather(sources: &Sources) -> Found {
    let counter = &sources.counter;
    let asked = async { Some((counter.desk.view().await?, counter.desk.channels().await?)) };
    let engine = tokio::time::timeout(PATIENCE, asked).await.ok().flatten();
    let written = tokio::time::timeout(PATIENCE, counter.desk.shelf().written()).await;
    let folder = counter.farm.store.path.clone();
    let size = tokio::task::spawn_blocking(move || size_on_disk(&folder)).await;
    let (view, channels) = engine.map_or((None, Vec::new()), |(view, channels)| (Some(view), channels));
    Found {
        farm: Arc::clone(&counter.farm),
        now: counter.clock.now(),
        view,
        channels,
        counts: sources.tally.counts(),
        destinations: counter.queue.standing(),
        outbox_bytes: counter.queue.bytes(),
        thinned: counter.queue.thinned(),
        store_bytes: size.ok().and_then(Result::ok),
        store_written_bytes: written.ok().and_then(Result::ok),
        machine: counter.machine.newest(),
    }
}
