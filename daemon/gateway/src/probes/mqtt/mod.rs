//! Readings over MQTT: one task per broker.
//!
//! `rumqttc` acknowledges a message before the application has seen it, reconnects without a pause, and
//! its `poll` loses bytes when it is cancelled while connecting. So each connection here has a client of
//! its own, polled in a task of its own that is never cancelled halfway; acknowledgements are sent by
//! hand, in the order of the messages, once the engine says that the event is on disk; and a connection
//! that fails is dropped whole, with the acknowledgements that belong to it. What was not acknowledged,
//! the broker sends again.
//!
//! What becomes of a message:
//! - read in full: a sweep, acknowledged when durable;
//! - read in part, or not at all (not UTF-8, not JSON, NaN, too large, wrong unit, from the future): the
//!   probe is reported as undecodable, what could be read goes on, and the message is acknowledged as
//!   well, since it would be no better the next time;
//! - said on a node's own topic whether it is there, as its last will does: told to the engine, which judges all its
//!   probes by it;
//! - retained and without a time of its own: of unknown age, and so not a reading. It is logged and
//!   acknowledged; no probe is blamed for it. A retained message with its own time is like any other;
//! - dated and taken before, or more than the source may send (`gate`): not taken, acknowledged; only too many are
//!   held against the probe;
//! - durable it could not be made (full disk): not acknowledged. So that the farm is not blind meanwhile,
//!   the subscriptions fall back to quality of service 0 until the store works again.
//!
//! Messages without a time of their own are taken as measured when they arrive.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::{Duration, Instant};

use pondreeve_core::input::{GatewayPart, ProbeFault};
use pondreeve_core::quality::AHEAD_TOLERANCE;
use pondreeve_core::said::said;
use rumqttc::{AsyncClient, ConnectionError, Event as MqttEvent, Packet, Publish, QoS};
use rumqttc::{SubscribeFilter, SubscribeReasonCode};
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;
use tracing::{debug, info, warn};

use self::gate::{Admission, Gate};
use self::message::{Own, Verdict};
use super::report::{Gone, Reporter};
use super::tally::Tally;
use crate::clock::Clock;
use crate::config::Farm;
use crate::config::farm::Broker;
use crate::inbox::{Applied, Inbox};
use crate::mqtt_link::{self, Backoff};

mod fault;
mod gate;
mod message;

/// Messages between the connection and this task. When it is full the connection is not read, so the
/// broker keeps the rest.
const ARRIVED_BOUND: usize = 256;

/// Messages handed to the engine and not yet durable. Above the 20 that brokers usually send ahead of an
/// acknowledgement, below what would make a slow disk a memory problem.
const UNCONFIRMED_BOUND: usize = 512;

/// Requests to the connection: all acknowledgements that may be due at once, and the subscriptions. While
/// a backlog streams in, the client reads ten packets for each acknowledgement it sends, so many may
/// wait; but a broker cannot have more messages unacknowledged than there are packet ids.
const REQUESTS_BOUND: usize = u16::MAX as usize + 16;

/// Packets above this break the connection; what lies between the configured bound and this is read,
/// refused, reported and acknowledged. Memory for one such packet is the price of not getting it again
/// at every connection.
const PACKET_BYTES_MAX: usize = 32 << 20;

/// How long an orderly stop waits for what was taken to become durable. The daemon ends tasks from
/// outside after five seconds.
const LAST_WAIT: Duration = Duration::from_millis(4_500);

/// A connection that held so long was a good one, and the next attempt comes soon. One that is cut at
/// once, as when two gateways use the same client id, is not: the waits grow.
const HELD: Duration = Duration::from_secs(10);

/// Listens to one broker until `stop` is cancelled or the engine is gone.
pub async fn run(
    farm: Arc<Farm>,
    index: usize,
    clock: Clock,
    (inbox, tally): (Inbox, Tally),
    stop: CancellationToken,
) {
    let Some(broker) = farm.brokers.get(index) else { return };
    let mut task = BrokerTask {
        broker,
        reporter: Reporter::new(clock.clone(), inbox, tally),
        clock,
        farm: &farm,
        backoff: Backoff::default(),
        discard_queue: false,
        gates: broker.subscriptions.iter().map(|_| Gate::default()).collect(),
    };
    // It ends when the engine is gone, or in order.
    let (Ok(()) | Err(Gone)) = task.run(&stop).await;
}

struct BrokerTask<'a> {
    broker: &'a Broker,
    farm: &'a Farm,
    clock: Clock,
    reporter: Reporter,
    backoff: Backoff,
    /// The broker keeps a message for us that is larger than any that can be read: the next session
    /// begins without what it kept.
    discard_queue: bool,
    /// What each subscription's source has sent, in their order.
    gates: Vec<Gate>,
}

/// Why a connection ended.
enum End {
    Failed(ConnectionError),
    Refused(String),
    /// To have what was left unacknowledged sent again.
    Anew,
    /// The daemon stops.
    Stopped,
}

/// A message on its way to the disk.
struct Unconfirmed {
    publish: Publish,
    /// One for each event it became; empty where there is nothing to wait for.
    done: VecDeque<oneshot::Receiver<Applied>>,
}

impl BrokerTask<'_> {
    async fn run(&mut self, stop: &CancellationToken) -> Result<(), Gone> {
        let mut failures = 0_u32;
        loop {
            let detail = match mqtt_link::options(&self.broker.address, &self.clock) {
                Err(error) => Some(error.to_string()),
                Ok(mut options) => {
                    // The broker keeps QoS 1 messages for us while we are away.
                    options.set_clean_session(self.discard_queue);
                    options.set_manual_acks(true);
                    options.set_max_packet_size(PACKET_BYTES_MAX, PACKET_BYTES_MAX);
                    let (client, events) = Connection::open(options);
                    let mut subscribed = false;
                    let began = Instant::now();
                    let end = self.listen(&client, events, &mut subscribed, stop).await?;
                    if subscribed {
                        failures = 0;
                    }
                    if subscribed && began.elapsed() >= HELD {
                        self.backoff.reset();
                    }
                    match end {
                        End::Stopped => return Ok(()),
                        End::Anew => None,
                        End::Refused(detail) => Some(detail),
                        End::Failed(error) => {
                            self.discard_queue = fault::is_oversized(&error);
                            Some(fault::describe(&error, &self.broker.address))
                        }
                    }
                }
            };
            if let Some(detail) = detail {
                failures += 1;
                self.reporter.gateway_fault(GatewayPart::Broker, &self.broker.id, Some(detail)).await?;
            }
            // A broker that is restarted is back before the second attempt; that is no fault of a probe.
            if failures >= 2 {
                for subscription in &self.broker.subscriptions {
                    let detail =
                        format!("the probe on {} waits for broker {}", subscription.filter, self.broker.id);
                    self.reporter.probe_fault(subscription.probe, ProbeFault::Unreachable, &detail).await?;
                }
            }
            tokio::select! {
                () = stop.cancelled() => return Ok(()),
                () = tokio::time::sleep(self.backoff.wait()) => {}
            }
        }
    }

    /// One connection, from its beginning to its end.
    async fn listen(
        &mut self,
        client: &AsyncClient,
        mut events: mpsc::Receiver<Result<MqttEvent, ConnectionError>>,
        subscribed: &mut bool,
        stop: &CancellationToken,
    ) -> Result<End, Gone> {
        let mut unconfirmed: VecDeque<Unconfirmed> = VecDeque::new();
        // Messages that the store could not keep: not acknowledged in this connection.
        let mut not_kept = 0_u32;
        // When the daemon stops, nothing more is taken, and what was taken is acknowledged as it becomes
        // durable: otherwise it would come again at the next start, and without a time of its own
        // count twice.
        let mut give_up: Option<tokio::time::Instant> = None;
        loop {
            if give_up.is_some() && unconfirmed.is_empty() {
                return Ok(say_goodbye(client, &mut events).await);
            }
            let event = tokio::select! {
                biased;
                () = stop.cancelled(), if give_up.is_none() => {
                    give_up = Some(tokio::time::Instant::now() + LAST_WAIT);
                    continue;
                }
                () = tokio::time::sleep_until(give_up.unwrap_or_else(tokio::time::Instant::now)), if give_up.is_some() => {
                    debug!(broker = self.broker.id, left = unconfirmed.len(), "stopped before all was durable");
                    return Ok(End::Stopped);
                }
                applied = front(&mut unconfirmed) => {
                    let Some(message) = unconfirmed.pop_front() else { continue };
                    match applied {
                        Ok(Applied::Done | Applied::Recorded(_) | Applied::Refused(_)) => {
                            if !acknowledge(client, &message.publish) {
                                // A message that is never acknowledged would hold a place at the broker
                                // for as long as the connection lasts.
                                return Ok(why_closed(&mut events));
                            }
                            if not_kept > 0 {
                                info!(broker = self.broker.id, not_kept, "the store works again: connecting anew");
                                return Ok(End::Anew);
                            }
                        }
                        Ok(Applied::NotKept(why)) => {
                            not_kept += 1;
                            if not_kept == 1 {
                                warn!(broker = self.broker.id, why, "readings cannot be kept: not acknowledged");
                                self.subscribe(client, Some(QoS::AtMostOnce)).await;
                            }
                        }
                        // The engine is going down with it: leave it to the next start.
                        Err(_dropped) => {}
                    }
                    continue;
                }
                event = events.recv(), if unconfirmed.len() < UNCONFIRMED_BOUND => event,
            };
            match event {
                None => {
                    return Ok(End::Refused(
                        said!("trouble-task-ended", "the connection's own task ended").into(),
                    ));
                }
                Some(Err(error)) => return Ok(End::Failed(error)),
                Some(Ok(MqttEvent::Incoming(Packet::ConnAck(connack)))) => {
                    debug!(broker = self.broker.id, connack.session_present, "connected");
                    self.subscribe(client, None).await;
                }
                Some(Ok(MqttEvent::Incoming(Packet::SubAck(suback)))) => {
                    if suback.return_codes.contains(&SubscribeReasonCode::Failure) {
                        return Ok(End::Refused(self.refused_subscriptions(&suback.return_codes)));
                    }
                    if !*subscribed {
                        *subscribed = true;
                        self.reporter.gateway_fault(GatewayPart::Broker, &self.broker.id, None).await?;
                    }
                }
                // Not acknowledged, so it is for the next start.
                Some(Ok(MqttEvent::Incoming(Packet::Publish(_)))) if give_up.is_some() => {}
                Some(Ok(MqttEvent::Incoming(Packet::Publish(publish)))) => {
                    let done = self.take(&publish).await?;
                    // Of quality of service 0 as well: what became of it tells whether the store works.
                    unconfirmed.push_back(Unconfirmed { publish, done });
                }
                Some(Ok(_)) => {}
            }
        }
    }

    /// Reads one message, and hands it to the engine.
    async fn take(&mut self, publish: &Publish) -> Result<VecDeque<oneshot::Receiver<Applied>>, Gone> {
        let mut done = VecDeque::new();
        let mut heard = false;
        for (subscription, gate) in self.broker.subscriptions.iter().zip(&mut self.gates) {
            if !message::matches(&subscription.filter, &publish.topic) {
                continue;
            }
            heard = true;
            let own = Own::of(&self.clock);
            let most_bytes = self.broker.max_payload_bytes;
            let mut verdict = message::read(publish, subscription, most_bytes, own);
            if let Verdict::Read { samples, problems } = &mut verdict {
                match gate.admit(publish, subscription, samples, own.now) {
                    Admission::Taken => {
                        let dated = samples.iter().filter_map(|sample| sample.taken_at);
                        let ahead = dated.map(|at| at - own.now).max();
                        if let Some(ahead) = ahead.filter(|&ahead| ahead > AHEAD_TOLERANCE) {
                            self.clock.note_dated_ahead(ahead);
                        }
                    }
                    Admission::Repeated => {
                        debug!(
                            broker = self.broker.id,
                            topic = publish.topic,
                            "a message that was taken before"
                        );
                        continue;
                    }
                    Admission::Refused(why) => {
                        samples.clear();
                        *problems = vec![why];
                    }
                }
            }
            match verdict {
                Verdict::OfUnknownAge => warn!(
                    broker = self.broker.id,
                    topic = publish.topic,
                    "a retained message without a time of its own is of unknown age, and not taken as a reading"
                ),
                Verdict::Read { samples, problems } => {
                    if !samples.is_empty() {
                        let event = pondreeve_core::Event::Sweep { samples };
                        done.push_back(self.reporter.send_tracked(event).await?);
                    }
                    if problems.is_empty() {
                        self.reporter.probe_well(subscription.probe);
                        continue;
                    }
                    let why = format!("message on {}: {}", publish.topic, problems.join("; "));
                    let probe = self.farm.site.probes.get(usize::from(subscription.probe.0));
                    let detail = format!("probe {}, {why}", probe.map_or("?", |probe| probe.id.as_str()));
                    self.reporter
                        .probe_fault(subscription.probe, ProbeFault::Undecodable(why), &detail)
                        .await?;
                }
            }
        }
        for availability in &self.broker.availabilities {
            if !message::matches(&availability.filter, &publish.topic) {
                continue;
            }
            heard = true;
            // Retained or not: it is said anew with each connection, and what is read of its probes counts more.
            let is_there = publish.payload.trim_ascii() != availability.offline.as_bytes();
            info!(broker = self.broker.id, node = availability.node, is_there, "said of a node");
            let event = pondreeve_core::Event::NodeSaid { node: availability.node.clone(), is_there };
            done.push_back(self.reporter.send_tracked(event).await?);
        }
        if !heard {
            warn!(broker = self.broker.id, topic = publish.topic, "message that no subscription asks for");
        }
        Ok(done)
    }

    /// The filters, each once, with the highest quality of service that is asked for.
    fn filters(&self) -> BTreeMap<&str, QoS> {
        let mut filters = BTreeMap::new();
        for subscription in &self.broker.subscriptions {
            let qos = if subscription.qos == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce };
            let asked = filters.entry(subscription.filter.as_str()).or_insert(qos);
            if (*asked as u8) < qos as u8 {
                *asked = qos;
            }
        }
        for availability in &self.broker.availabilities {
            filters.insert(availability.filter.as_str(), QoS::AtLeastOnce);
        }
        filters
    }

    async fn subscribe(&self, client: &AsyncClient, qos: Option<QoS>) {
        let filters = self
            .filters()
            .into_iter()
            .map(|(filter, asked)| SubscribeFilter::new(filter.to_owned(), qos.unwrap_or(asked)));
        // It fails only when the connection has ended, which is told on its own.
        if let Err(error) = client.subscribe_many(filters).await {
            debug!(broker = self.broker.id, %error, "subscribing failed");
        }
    }

    fn refused_subscriptions(&self, codes: &[SubscribeReasonCode]) -> String {
        let filters = self.filters();
        let refused: Vec<&str> = filters
            .keys()
            .zip(codes)
            .filter(|(_, code)| **code == SubscribeReasonCode::Failure)
            .map(|(filter, _)| *filter)
            .collect();
        said!(
            "trouble-subscription",
            "broker {at} refuses the subscription to {filters}; its access rules must let client `{client}` read there",
            at = fault::place(&self.broker.address),
            filters = refused.join(", "),
            client = &self.broker.address.client_id
        )
        .into()
    }
}

/// Why acknowledgements are not taken any more: mostly the connection failed, and the news of it waits
/// behind messages.
fn why_closed(events: &mut mpsc::Receiver<Result<MqttEvent, ConnectionError>>) -> End {
    while let Ok(event) = events.try_recv() {
        if let Err(error) = event {
            return End::Failed(error);
        }
    }
    End::Anew
}

/// Sends what is still to be sent and then the farewell, so that the broker does not take it for a fault.
async fn say_goodbye(
    client: &AsyncClient,
    events: &mut mpsc::Receiver<Result<MqttEvent, ConnectionError>>,
) -> End {
    if client.try_disconnect().is_ok() {
        // The broker closes the connection once it has read so far.
        let closed = async { while let Some(Ok(_)) = events.recv().await {} };
        let _hangs = tokio::time::timeout(Duration::from_secs(1), closed).await;
    }
    End::Stopped
}

/// Whether the acknowledgement is on its way. Does nothing for a message of quality of service 0.
fn acknowledge(client: &AsyncClient, publish: &Publish) -> bool {
    // Never waits: the connection's task may itself be waiting for us.
    client.try_ack(publish).inspect_err(|error| debug!(publish.topic, %error, "not acknowledged")).is_ok()
}

/// What became of the oldest message; never, where there is none. May be cancelled and called again.
async fn front(unconfirmed: &mut VecDeque<Unconfirmed>) -> Result<Applied, oneshot::error::RecvError> {
    let Some(message) = unconfirmed.front_mut() else { return std::future::pending().await };
    while let Some(done) = message.done.front_mut() {
        let applied = done.await;
        message.done.pop_front();
        match applied {
            Ok(Applied::Done | Applied::Recorded(_) | Applied::Refused(_)) => {}
            not_durable => return not_durable,
        }
    }
    Ok(Applied::Done)
}

/// The task that polls one connection.
struct Connection;

impl Connection {
    /// Begins to connect. The task ends with the first error, or once the receiver is dropped.
    fn open(
        options: rumqttc::MqttOptions,
    ) -> (AsyncClient, mpsc::Receiver<Result<MqttEvent, ConnectionError>>) {
        let (client, mut event_loop) = AsyncClient::new(options, REQUESTS_BOUND);
        event_loop.set_network_options(mqtt_link::network());
        let (sender, receiver) = mpsc::channel(ARRIVED_BOUND);
        tokio::spawn(async move {
            loop {
                let polled = tokio::select! {
                    polled = event_loop.poll() => polled,
                    // Cancelled halfway, but nobody will poll it again.
                    () = sender.closed() => return,
                };
                let ended = polled.is_err();
                if sender.send(polled).await.is_err() || ended {
                    return;
                }
            }
        });
        (client, receiver)
    }
}
