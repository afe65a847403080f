//! A farm of probes whose engine is the test: it sees every event and decides what becomes durable.

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use pondreeve::clock::Clock;
use pondreeve::config::farm::Farm;
use pondreeve::inbox::{Applied, INBOX_BOUND, Incoming};
use pondreeve::probes::tally::Tally;
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Quantity};
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

pub(crate) use super::bare_farm::farm;

/// What the engine of the test does with tracked events.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Engine {
    /// Durable at once.
    Keeps,
    /// Durable after this time.
    KeepsLate(Duration),
    /// Applied, but the disk is full.
    CannotKeep,
    /// Never gets round to it.
    Hangs,
}

/// The running tasks and what they have said.
pub(crate) struct Bench {
    events: Arc<Mutex<Vec<Event>>>,
    engine: Arc<Mutex<Engine>>,
    tasks: JoinSet<()>,
    stop: CancellationToken,
}

impl Bench {
    pub(crate) fn start(farm: &Farm, engine: Engine) -> Self {
        Self::start_by(Clock::system(), farm, engine)
    }

    pub(crate) fn start_by(clock: Clock, farm: &Farm, engine: Engine) -> Self {
        let (inbox, mut incoming) = mpsc::channel::<Incoming>(INBOX_BOUND);
        let stop = CancellationToken::new();
        let (tasks, _coils, _loans) =
            pondreeve::probes::start(Arc::new(farm.clone()), clock, inbox, stop.clone(), &Tally::default());
        let events = Arc::new(Mutex::new(Vec::new()));
        let engine = Arc::new(Mutex::new(engine));
        let (seen, does) = (Arc::clone(&events), Arc::clone(&engine));
        tokio::spawn(async move {
            let mut hanging: Vec<oneshot::Sender<Applied>> = Vec::new();
            while let Some(Incoming { event, done, .. }) = incoming.recv().await {
                seen.lock().unwrap().push(event);
                let Some(done) = done else { continue };
                let applied = match *does.lock().unwrap() {
                    Engine::Keeps => Applied::Done,
                    Engine::KeepsLate(after) => {
                        tokio::spawn(async move {
                            tokio::time::sleep(after).await;
                            let _gone = done.send(Applied::Done);
                        });
                        continue;
                    }
                    Engine::CannotKeep => Applied::NotKept("the disk is full".into()),
                    Engine::Hangs => {
                        hanging.push(done);
                        continue;
                    }
                };
                let _gone = done.send(applied);
            }
        });
        Self { events, engine, tasks, stop }
    }

    pub(crate) fn engine(&self, does: Engine) {
        *self.engine.lock().unwrap() = does;
    }

    /// Everything said so far.
    pub(crate) fn events(&self) -> Vec<Event> {
        self.events.lock().unwrap().clone()
    }

    /// Forgets what was said so far.
    pub(crate) fn forget(&self) {
        self.events.lock().unwrap().clear();
    }

    /// All samples said so far.
    pub(crate) fn samples(&self) -> Vec<Sample> {
        self.events()
            .into_iter()
            .filter_map(|event| match event {
                Event::Sweep { samples } => Some(samples),
                _ => None,
            })
            .flatten()
            .collect()
    }

    /// All values of a probe's quantity.
    pub(crate) fn values(&self, probe: usize, quantity: Quantity) -> Vec<f64> {
        let wanted = |s: &Sample| usize::from(s.probe.0) == probe && s.quantity == quantity;
        self.samples().into_iter().filter(wanted).map(|sample| sample.value).collect()
    }

    /// All faults of a probe.
    pub(crate) fn probe_faults(&self, probe: usize) -> Vec<ProbeFault> {
        self.events()
            .into_iter()
            .filter_map(|event| match event {
                Event::ProbeFault { probe: ProbeIndex(index), fault } if usize::from(index) == probe => {
                    Some(fault)
                }
                _ => None,
            })
            .collect()
    }

    /// All that was said about a part of the gateway.
    pub(crate) fn part(&self, wanted: GatewayPart) -> Vec<Option<String>> {
        self.events()
            .into_iter()
            .filter_map(|event| match event {
                Event::GatewayFault { part, detail, .. } if part == wanted => Some(detail),
                _ => None,
            })
            .collect()
    }

    /// Waits until something holds.
    #[track_caller]
    pub(crate) fn until(
        &self,
        what: &str,
        limit: Duration,
        holds: impl Fn(&Self) -> bool,
    ) -> impl Future<Output = ()> {
        let place = std::panic::Location::caller();
        async move {
            let start = Instant::now();
            while !holds(self) {
                assert!(
                    start.elapsed() < limit,
                    "{place}: gave up after {limit:?} waiting for {what}; heard {:#?}",
                    self.events()
                );
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        }
    }

    /// Ends the tasks as a power cut would: no farewell.
    pub(crate) async fn cut(mut self) {
        self.tasks.shutdown().await;
    }

    /// Stops the tasks and waits for them.
    pub(crate) async fn stop(mut self) {
        self.stop.cancel();
        while let Some(ended) = self.tasks.join_next().await {
            ended.expect("no task panics");
        }
    }
}

/// A file of the project.
pub(crate) fn project(path: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(path)
}
