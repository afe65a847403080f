//! One destination: keeps a connection, sends what is unconfirmed, sends it again until it is confirmed.

use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::Event;
use pondreeve_core::input::GatewayPart;
use pondreeve_core::said::{Said, said};
use tokio::time::{Instant, sleep, sleep_until, timeout};
use tokio_util::sync::CancellationToken;

use super::kept_back::KeptBack;
use super::link::Link;
use super::message::Topics;
use super::patience::{Confirmations, Greetings};
use super::sending::Sending;
use crate::audit::Place;
use crate::config::farm::{BrokerAddress, Destination};
use crate::inbox::{Inbox, Incoming};
use crate::mqtt_link::Backoff;
use crate::outbox::queue::Queue;

/// Longest wait for the broker to confirm the last messages when the daemon stops.
const FAREWELL_WITHIN: Duration = Duration::from_secs(2);

/// Where a destination has several nodes, the next is tried within this time when one fails.
const NEXT_NODE_WITHIN: Duration = Duration::from_millis(250);

/// Why a connection ended.
enum Ended {
    /// The daemon stops.
    Stopped,
    /// It broke, or never came about.
    Lost(String),
}

pub(super) struct Publisher {
    destination: Destination,
    topics: Arc<Topics>,
    queue: Queue,
    /// Its place among the destinations.
    index: usize,
    inbox: Inbox,
    kept_back: KeptBack,
    /// What was last reported as this destination's fault.
    reported: Option<String>,
    /// Which of its nodes is tried, counted on.
    turn: usize,
    greetings: Greetings,
    /// Since when nothing was confirmed, until something is again.
    cut_off_since: Option<Instant>,
}

impl Publisher {
    pub(super) fn new(
        destination: Destination,
        topics: Arc<Topics>,
        (queue, index): (Queue, usize),
        inbox: Inbox,
        kept_back: KeptBack,
    ) -> Self {
        // The gateways of a fleet begin at different nodes; without randomness they all begin at the first.
        let turn = getrandom::u32().map_or(0, |number| number as usize % destination.nodes());
        Self {
            cut_off_since: None,
            destination,
            topics,
            queue,
            index,
            inbox,
            kept_back,
            reported: None,
            turn,
            greetings: Greetings::default(),
        }
    }

    /// Keeps sending until `stop`.
    pub(super) async fn run(mut self, stop: CancellationToken) {
        let mut backoff = Backoff::default();
        let mut confirmations = Confirmations::new(self.destination.nodes() > 1);
        // Nodes that failed one after the other.
        let mut failed = 0;
        loop {
            let ended = self.connection(&stop, &mut backoff, &mut failed, &mut confirmations).await;
            self.queue.connected(self.index, false);
            match ended {
                Ended::Stopped => return,
                Ended::Lost(reason) => {
                    self.greetings.silent();
                    let address = self.destination.node(self.turn);
                    self.turn = self.turn.wrapping_add(1);
                    failed += 1;
                    if failed < self.destination.nodes() {
                        tracing::info!(
                            "destination {}: {}: {reason}; trying another node",
                            self.destination.id,
                            address.host
                        );
                        tokio::select! {
                            () = stop.cancelled() => return,
                            () = sleep(self.next_node_in()) => {}
                        }
                        continue;
                    }
                    failed = 0;
                    let wait = backoff.wait();
                    let fault = String::from(self.fault(&address, &reason));
                    // A broker that is away for days must not fill the log.
                    if self.reported.as_ref() != Some(&fault) {
                        tracing::warn!(
                            "destination {}: {fault}; trying again until it works",
                            self.destination.id
                        );
                    }
                    tracing::debug!(
                        "destination {}: {reason}; next attempt in {:?}",
                        self.destination.id,
                        wait
                    );
                    self.report(Some(fault)).await;
                    tokio::select! {
                        () = stop.cancelled() => return,
                        () = sleep(wait) => {}
                    }
                }
            }
        }
    }

    /// What is wrong with the broker, or all nodes of a cluster, for people.
    fn fault(&self, address: &BrokerAddress, reason: &str) -> Said {
        let at = format!("{}:{}", address.host, address.port);
        match self.destination.nodes() {
            1 => said!("trouble-broker-other", "broker {at}: {error}", at = at, error = reason),
            nodes => said!(
                "trouble-no-node",
                "none of {nodes} nodes, the last being {at}: {error}",
                nodes = nodes.to_string(),
                at = at,
                error = reason
            ),
        }
    }

    /// Soon, but not all gateways of a node that has just died at once.
    fn next_node_in(&self) -> Duration {
        NEXT_NODE_WITHIN.mul_f64(scatter())
    }

    /// One connection from beginning to end.
    async fn connection(
        &mut self,
        stop: &CancellationToken,
        backoff: &mut Backoff,
        failed: &mut usize,
        confirmations: &mut Confirmations,
    ) -> Ended {
        let to = Destination { address: self.destination.node(self.turn), ..self.destination.clone() };
        let health = self.topics.health();
        let nodes = self.destination.nodes();
        let (within, begun) = (self.greetings.within(nodes, scatter()), Instant::now());
        let opened = tokio::select! {
            () = stop.cancelled() => return Ended::Stopped,
            opened = Link::open(&to, &health, within, self.kept_back.clock()) => opened,
        };
        let link = match opened {
            Ok(link) => link,
            Err(reason) => return Ended::Lost(reason),
        };
        self.greetings.greeted(begun.elapsed());
        tracing::info!("destination {}: connected", self.destination.id);
        self.queue.connected(self.index, true);

        let (queue, topics) = (self.queue.clone(), Arc::clone(&self.topics));
        let (encoding, pace) = (self.destination.encoding, self.destination.most_per_second);
        let limits = (pace, self.kept_back.clone(), confirmations);
        let mut sending = Sending::new(link, (&queue, self.index), &topics, encoding, limits);
        match self.keep_sending(&mut sending, stop, backoff, failed).await {
            Ok(()) => {
                farewell(sending).await;
                Ended::Stopped
            }
            Err(reason) => {
                self.cut_off_since.get_or_insert(sending.awaits_since());
                Ended::Lost(reason)
            }
        }
    }

    /// Sends until the daemon stops.
    ///
    /// # Errors
    /// Why the connection ended before.
    async fn keep_sending(
        &mut self,
        sending: &mut Sending<'_>,
        stop: &CancellationToken,
        backoff: &mut Backoff,
        failed: &mut usize,
    ) -> Result<(), String> {
        let queue = self.queue.clone();
        sending.health("online")?;
        loop {
            sending.fill()?;
            if sending.kept_here().is_some() {
                self.report(self.kept_here(sending)).await;
            }
            tokio::select! {
                () = stop.cancelled() => return Ok(()),
                () = queue.filled(self.index) => {}
                () = sleep_until(sending.wakes_at()) => if let Some(since) = sending.overdue() {
                    let seconds = since.as_secs().to_string();
                    return Err(said!(
                        "trouble-forward-unconfirmed",
                        "the broker confirmed nothing for {seconds} s",
                        seconds = seconds
                    ).into());
                },
                confirmed = sending.exchange() => if confirmed? {
                    backoff.reset();
                    *failed = 0;
                    self.greetings.works();
                    if let Some(since) = self.cut_off_since.take() {
                        let after_s = since.elapsed().as_secs_f64();
                        tracing::info!("destination {}: confirms again after {after_s:.1} s", self.destination.id);
                    }
                    self.report(self.kept_here(sending)).await;
                },
            }
        }
    }

    /// The fault of a broker that takes some messages and others not.
    fn kept_here(&self, sending: &Sending<'_>) -> Option<String> {
        let address = self.destination.node(self.turn);
        sending.kept_here().map(|why| self.fault(&address, &why).into())
    }

    /// Tells the engine of the fault, or of its end; once for each change.
    async fn report(&mut self, detail: Option<String>) {
        if detail == self.reported {
            return;
        }
        self.reported.clone_from(&detail);
        let event =
            Event::GatewayFault { part: GatewayPart::Forward, which: self.destination.id.clone(), detail };
        // An engine that has ended has no use for it.
        let _ = self.inbox.send(Incoming { event, done: None, urgent: false, place: Place::Daemon }).await;
    }
}

/// From 0 to 1. Without randomness everything still happens, only not scattered.
fn scatter() -> f64 {
    f64::from(getrandom::u32().unwrap_or(0)) / f64::from(u32::MAX)
}

/// Sends what still waits, says `offline`, waits a little for it all to be confirmed, and takes leave, so
/// that the broker does not send the last will as well. A backlog is left for the next start.
async fn farewell(mut sending: Sending<'_>) {
    let confirmed = async {
        let mut said = false;
        loop {
            if !said && sending.fill().is_err() {
                return;
            }
            if sending.under_way() == 0 {
                if said {
                    break;
                }
                said = sending.health("offline").is_ok();
            }
            tokio::select! {
                () = sleep_until(sending.wakes_at()) => {}
                heard = sending.exchange() => if heard.is_err() { return },
            }
        }
        sending.leave().await;
    };
    if timeout(FAREWELL_WITHIN, confirmed).await.is_err() {
        tracing::warn!("the broker did not confirm the last messages in time");
    }
}
