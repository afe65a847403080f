//! The daemon as a library call, for `pondreeve run`, the simulator and the tests.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::Event;
use pondreeve_core::input::GatewayPart;
use pondreeve_core::said::said;
use thiserror::Error;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::annunciate;
use crate::audit::Place;
use crate::clock::Clock;
use crate::commands;
use crate::config::Farm;
use crate::engine::{Engine, daily};
use crate::exit_code;
use crate::forward;
use crate::inbox::{INBOX_BOUND, Inbox, Incoming};
use crate::journal::{Journal, OpenError};
use crate::local::requests::Counter;
use crate::local::server;
use crate::machine;
use crate::metrics;
use crate::outbox::queue::Queue;
use crate::probes;
use crate::probes::tally::Tally;
use crate::service_manager::{Notifier, keep_alive};

/// Tasks that have not ended this long after they were asked to are ended from outside.
const STOP_PATIENCE: Duration = Duration::from_secs(5);

/// Why the daemon could not start, or had to end.
#[derive(Debug, Error)]
pub enum RunError {
    /// The store must not be used.
    #[error(transparent)]
    Store(#[from] OpenError),
    /// The local socket could not be opened.
    #[error("cannot listen for local commands at {path}: {source}")]
    Socket {
        /// The socket.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The address of the metrics could not be opened.
    #[error("cannot answer for metrics at {address} ([metrics] listen): {source}")]
    Metrics {
        /// The address.
        address: std::net::SocketAddr,
        /// What the system said.
        source: std::io::Error,
    },
    /// The part that watches the ponds failed.
    #[error(
        "the part that watches the ponds failed and nothing is watched until pondreeve starts again: {0}"
    )]
    Engine(String),
    /// The system gives no further thread.
    #[error("cannot start the thread that writes the store: {0}")]
    Thread(#[source] std::io::Error),
}

impl RunError {
    /// The exit status that tells a service manager what to do about it: starting again helps
    /// ([`exit_code::FAILED`]) or does not ([`exit_code::USAGE`]).
    pub fn exit_code(&self) -> u8 {
        match self {
            Self::Store(OpenError::Newer { .. } | OpenError::Unusable { .. }) => exit_code::USAGE,
            Self::Store(OpenError::InUse { .. })
            | Self::Socket { .. }
            | Self::Metrics { .. }
            | Self::Thread(_)
            | Self::Engine(_) => exit_code::FAILED,
        }
    }
}

/// Runs the whole daemon until `stop` is cancelled: store, core, probes, local socket and forwarding.
/// By the time it returns everything taken is on disk and the store is closed.
///
/// # Errors
/// [`RunError`] where it cannot start, or where the watching itself failed.
pub async fn run(farm: Farm, clock: Clock, stop: CancellationToken) -> Result<(), RunError> {
    run_under(Notifier::silent(), farm, clock, stop).await
}

/// The same under a service manager, which is told how it goes.
///
/// # Errors
/// As [`run`].
pub async fn run_under(
    notifier: Notifier,
    farm: Farm,
    clock: Clock,
    stop: CancellationToken,
) -> Result<(), RunError> {
    let farm = Arc::new(farm);
    // Before the first message is judged by it.
    machine::mind_clock(&clock);
    notifier.status("Opening the store");
    let (path, now) = (farm.store.path.clone(), clock.now());
    let opened = tokio::task::spawn_blocking(move || Journal::open(&path, now)).await;
    let (mut journal, notes) =
        opened.unwrap_or_else(|panic| std::panic::resume_unwind(panic.into_panic()))?;
    journal.set_limits(farm.store.limits);
    let socket = server::listen(&farm.local)
        .await
        .map_err(|source| RunError::Socket { path: farm.local.socket.clone(), source })?;

    let metered = match farm.metrics {
        Some(address) => {
            let listening = metrics::listen(address).await;
            Some(listening.map_err(|source| RunError::Metrics { address, source })?)
        }
        None => None,
    };

    let (inbox, incoming) = mpsc::channel(INBOX_BOUND);
    let destinations = farm.destinations.iter().map(|own| own.id.as_str());
    let kept = journal.take_outbox();
    let answered = kept.commands.clone();
    let queue = Queue::new(destinations, kept);
    notifier.status("Reading the journal");
    // Ends after the engine, so that the last summaries still reach it.
    let stop_forward = CancellationToken::new();
    let mut forwarding = forward::start(&farm, &queue, &inbox, &clock, &stop_forward);
    let (engine, desk) =
        Engine::start(Arc::clone(&farm), clock.clone(), incoming, queue.clone(), journal, notes)
            .await
            .map_err(RunError::Thread)?;
    // Ends after the probes, so that what they have read is taken.
    let stop_engine = CancellationToken::new();
    let mut running = tokio::spawn(engine.run(stop_engine.clone()));
    // Ends after the horn, which may hang on a bus.
    let stop_reading = CancellationToken::new();
    let tally = Tally::default();
    let (mut reading, coils, loans) =
        probes::start(Arc::clone(&farm), clock.clone(), inbox.clone(), stop_reading.clone(), &tally);
    let (tests, asked) = annunciate::output_tests();
    let announcing = annunciate::run(
        Arc::clone(&farm),
        clock.clone(),
        desk.clone(),
        inbox.clone(),
        (coils, asked),
        stop.clone(),
    );
    let mut announcing = JoinSet::from_iter([announcing]);
    let daily =
        daily::keep(Arc::clone(&farm), clock.clone(), desk.shelf().clone(), inbox.clone(), stop.clone());
    let daily = tokio::spawn(daily);
    let signs = keep_alive(notifier.clone(), desk.pulse(), desk.clone(), inbox.clone(), stop.clone());
    let signs = tokio::spawn(signs);
    let machine = machine::Looked::default();
    let looking = machine::keep(
        Arc::clone(&farm),
        clock.clone(),
        desk.shelf().clone(),
        inbox.clone(),
        machine.clone(),
        stop.clone(),
    );
    let looking = tokio::spawn(looking);
    let counter = Arc::new(Counter {
        farm,
        clock,
        desk,
        inbox: inbox.clone(),
        queue,
        machine,
        loans,
        tally: tally.clone(),
        tests,
    });
    let mut commanding = JoinSet::new();
    let settings = counter.farm.commands.clone();
    commanding.extend(settings.map(|own| commands::run(own, Arc::clone(&counter), answered, stop.clone())));
    let sources = Arc::new(metrics::Sources { counter: Arc::clone(&counter), tally });
    let mut metering = JoinSet::new();
    metering.extend(metered.map(|listener| metrics::serve(listener, sources, stop.clone())));
    let serving = tokio::spawn(server::serve(socket, counter, stop.clone()));
    notifier.ready("Watching");
    tracing::info!("watching");

    let early = tokio::select! {
        () = watch_over((&mut reading, &mut announcing, &mut forwarding), &inbox, &stop) => None,
        ended = &mut running => Some(ended.err().map_or_else(|| "it ended".to_owned(), |error| error.to_string())),
    };
    if let Some(cause) = early {
        // Without it nothing is watched: better to start again than to look alive.
        stop.cancel();
        return Err(RunError::Engine(cause));
    }
    notifier.stopping();
    signs.abort();
    drop(inbox);
    end(&mut announcing, "the horn's task").await;
    stop_reading.cancel();
    end(&mut reading, "a probe task").await;
    // The server only ends its own clients and cannot hang.
    let _ = serving.await;
    end(&mut commanding, "the task of the commands").await;
    end(&mut metering, "the task of the metrics").await;
    // What it was writing it writes anew at the next start.
    daily.abort();
    looking.abort();
    stop_engine.cancel();
    if let Err(error) = running.await {
        tracing::error!(%error, "the engine did not end in order");
    }
    stop_forward.cancel();
    end(&mut forwarding, "a forwarding task").await;
    Ok(())
}

/// Waits for `stop`, and says so if a task of probes, of the horn or of a destination ends before: it never should.
async fn watch_over(
    (reading, announcing, forwarding): (&mut JoinSet<()>, &mut JoinSet<()>, &mut JoinSet<()>),
    inbox: &Inbox,
    stop: &CancellationToken,
) {
    loop {
        let (ended, part, which, what) = tokio::select! {
            () = stop.cancelled() => return,
            Some(ended) = reading.join_next() => (
                ended,
                GatewayPart::Quarantine,
                "probes",
                said!("trouble-reader-gone", "the part of this program that reads a bus or a broker is gone"),
            ),
            Some(ended) = announcing.join_next() => (
                ended,
                GatewayPart::Horn,
                "program",
                said!(
                    "trouble-caller-gone",
                    "the part of this program that sounds the horn and calls people is gone"
                ),
            ),
            Some(ended) = forwarding.join_next() => (
                ended,
                GatewayPart::Forward,
                "program",
                said!("trouble-sender-gone", "the part of this program that sends to a destination is gone"),
            ),
        };
        if stop.is_cancelled() {
            return;
        }
        let cause =
            ended.err().map_or_else(|| said!("trouble-it-ended", "it ended").into(), |e| e.to_string());
        tracing::error!(%cause, "{what}");
        let event = Event::GatewayFault {
            part,
            which: which.to_owned(),
            detail: Some(
                said!(
                    "trouble-part-gone",
                    "{what} ({cause}): it stays so until pondreeve is started again. Report this.",
                    what = what,
                    cause = cause
                )
                .into(),
            ),
        };
        // Fails only when everything is ending.
        let _ = inbox.send(Incoming { event, done: None, urgent: true, place: Place::Daemon }).await;
    }
}

/// Waits for tasks that were asked to stop.
async fn end(tasks: &mut JoinSet<()>, what: &str) {
    let all = async { while tasks.join_next().await.is_some() {} };
    if tokio::time::timeout(STOP_PATIENCE, all).await.is_err() {
        tracing::warn!("{what} did not stop in time and is ended");
        tasks.shutdown().await;
    }
}
