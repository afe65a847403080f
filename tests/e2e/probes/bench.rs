//! A farm of probes whose engine is the test: it sees every event and decides what becomes durable.

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use pondreeve::clock::Clock;
use pondreeve::config::farm::{Broker, Bus, Farm, LocalSettings, StoreSettings};
use pondreeve::inbox::{Applied, INBOX_BOUND, Incoming};
use pondreeve::probes::tally::Tally;
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::site::{Probe, ProbeIndex, Site};
use pondreeve_core::{Event, Quantity, Span};
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// A farm that consists of probes alone.
pub(crate) fn farm(probes: &[&str], buses: Vec<Bus>, brokers: Vec<Broker>) -> Farm {
    let probe = |id: &&str| Probe {
        id: (*id).to_owned(),
        pond: None,
        link: String::new(),
        node: None,
        channels: Vec::new(),
    };
    Farm {
        site: Site {
            gateway: "g1".into(),
            latitude_deg: 0.0,
            longitude_deg: 0.0,
            pressure_hpa: 1_013.25,
            ponds: Vec::new(),
            probes: probes.iter().map(probe).collect(),
            summary_every: Span::from_minutes(15),
            energy_price: None,
            calls: pondreeve_core::call::CallPlan::default(),
        },
        name: "Bench".into(),
        time_zone: jiff::tz::TimeZone::UTC,
        store: StoreSettings {
            path: "/nowhere".into(),
            durable_within: Duration::from_secs(5),
            limits: pondreeve::journal::Limits::default(),
            daily_files: None,
        },
        local: LocalSettings {
            socket: "/nowhere".into(),
            mode: 0o600,
            group: None,
            rights: pondreeve::local::rights::Rights::default(),
            texts: Default::default(),
        },
        buses,
        lines: Vec::new(),
        brokers,
        products: Vec::new(),
        annunciation: pondreeve::config::annunciation::Annunciation::default(),
        destinations: Vec::new(),
        outbox: pondreeve::outbox::Bounds::default(),
        metrics: None,
        limit_sources: Vec::new(),
        about_ponds: Vec::new(),
        machine: pondreeve::machine::Bounds::default(),
        commands: None,
    }
}

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
        let (inbox, mut incoming) = mpsc::channel::<Incoming>(INBOX_BOUND);
        let stop = CancellationToken::new();
        let (tasks, _coils, _loans) = pondreeve::probes::start(
            Arc::new(farm.clone()),
            Clock::system(),
            inbox,
            stop.clone(),
            &Tally::default(),
        );
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
