//! One destination: keeps a connection, sends what is unconfirmed, sends it again until it is confirmed.
//!
//! The client library drops unconfirmed messages when a broker comes back without the session, and
//! sends while reconnecting without a pause. So each connection gets a fresh client, what is unconfirmed
//! stays in our own outbox, and the wait between attempts is ours. Polling must not be cut short, so it
//! has a task of its own.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::Event;
use pondreeve_core::input::GatewayPart;
use rumqttc::{AsyncClient, ConnectionError, LastWill, Outgoing, Packet, QoS};
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::AbortOnDropHandle;

use super::message::Topics;
use super::outbox::Outbox;
use crate::audit::Place;
use crate::config::farm::Destination;
use crate::inbox::{Inbox, Incoming};
use crate::mqtt_link::{self, Backoff};

/// Messages sent but not yet confirmed. More than one, so that a distant broker's answer time does not
/// bound the rate; few, so that little is repeated after a break.
const WINDOW: usize = 20;

/// Requests the client may hold: the window, health twice, and room for a disconnect.
const REQUESTS_BOUND: usize = WINDOW + 4;

/// Events on their way from the polling task. The publisher never waits while holding them up, so any
/// number will do.
const EVENTS_BOUND: usize = 64;

/// Largest packet sent: far above a summary of every quantity (about 10 KB), far below what brokers
/// refuse by default. A larger message would make the broker drop the connection, again and again.
const LARGEST_SENT_BYTES: usize = 128 * 1024;

/// Largest packet taken: brokers send us confirmations only.
const LARGEST_TAKEN_BYTES: usize = 4 * 1024;

/// A broker that answers pings but confirms nothing for this long is left and tried anew.
const CONFIRM_WITHIN: Duration = Duration::from_secs(60);

/// Longest wait for the broker to confirm the last messages when the daemon stops.
const FAREWELL_WITHIN: Duration = Duration::from_secs(2);

/// Why a connection ended.
enum Ended {
    /// The daemon stops.
    Stopped,
    /// It broke, or never came about.
    Lost(String),
}

/// What was handed to the client.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Handed {
    Health,
    Message(u64),
}

pub(super) struct Publisher {
    destination: Destination,
    topics: Arc<Topics>,
    outbox: Arc<Outbox>,
    inbox: Inbox,
    /// What was last reported as this destination's fault.
    reported: Option<String>,
    dropped_reported: u64,
}

impl Publisher {
    pub(super) fn new(
        destination: Destination,
        topics: Arc<Topics>,
        outbox: Arc<Outbox>,
        inbox: Inbox,
    ) -> Self {
        Self { destination, topics, outbox, inbox, reported: None, dropped_reported: 0 }
    }

    /// Keeps sending until `stop`.
    pub(super) async fn run(mut self, stop: CancellationToken) {
        let mut backoff = Backoff::default();
        loop {
            let ended = self.connection(&stop, &mut backoff).await;
            self.outbox.connected(false);
            match ended {
                Ended::Stopped => return,
                Ended::Lost(reason) => {
                    let wait = backoff.wait();
                    let fault = self.fault(&reason);
                    // A broker that is away for days must not fill the log.
                    if self.reported.as_ref() != Some(&fault) {
                        tracing::warn!(
                            "destination {}: {fault}; trying again until it works",
                            self.destination.id
                        );
                    }
                    tracing::debug!("destination {}: next attempt in {:?}", self.destination.id, wait);
                    self.report(Some(fault)).await;
                    tokio::select! {
                        () = stop.cancelled() => return,
                        () = sleep(wait) => {}
                    }
                }
            }
        }
    }

    /// One connection from beginning to end.
    async fn connection(&mut self, stop: &CancellationToken, backoff: &mut Backoff) -> Ended {
        let mut options = match mqtt_link::options(&self.destination.address) {
            Ok(options) => options,
            Err(error) => return Ended::Lost(error.to_string()),
        };
        options.set_last_will(LastWill::new(self.topics.health(), "offline", QoS::AtLeastOnce, true));
        options.set_max_packet_size(LARGEST_TAKEN_BYTES, LARGEST_SENT_BYTES);
        let (client, mut eventloop) = AsyncClient::new(options, REQUESTS_BOUND);
        eventloop.set_network_options(mqtt_link::network());
        let (events, mut polled) = mpsc::channel(EVENTS_BOUND);
        let _polling = AbortOnDropHandle::new(tokio::spawn(async move {
            loop {
                let event = eventloop.poll().await;
                let last = event.is_err();
                if events.send(event).await.is_err() || last {
                    return;
                }
            }
        }));

        // Before the broker has answered nothing is sent.
        let answered = tokio::select! {
            () = stop.cancelled() => return Ended::Stopped,
            event = polled.recv() => event,
        };
        match answered {
            Some(Ok(rumqttc::Event::Incoming(Packet::ConnAck(_)))) => {}
            Some(Err(error)) => return Ended::Lost(self.plain(&error)),
            other => return Ended::Lost(format!("the broker began with {other:?} instead of a greeting")),
        }
        tracing::info!("destination {}: connected", self.destination.id);
        self.outbox.connected(true);

        let outbox = Arc::clone(&self.outbox);
        let mut sending = Sending::new(&client, &outbox, self.topics.health());
        if !sending.health("online") {
            return Ended::Lost("the client took no message".to_owned());
        }
        loop {
            sending.fill();
            tokio::select! {
                () = stop.cancelled() => {
                    farewell(sending, &mut polled).await;
                    return Ended::Stopped;
                }
                () = self.outbox.filled() => {}
                () = sleep(sending.patience()) => {
                    return Ended::Lost(format!(
                        "the broker confirmed nothing for {} s", CONFIRM_WITHIN.as_secs()
                    ));
                }
                event = polled.recv() => match event {
                    Some(Ok(event)) => {
                        if sending.take(&event) {
                            backoff.reset();
                            self.report_well().await;
                        }
                    }
                    Some(Err(error)) => return Ended::Lost(self.plain(&error)),
                    None => return Ended::Lost("the connection's task ended".to_owned()),
                },
            }
        }
    }

    /// Reports that the destination confirms messages again, or that some were lost meanwhile.
    async fn report_well(&mut self) {
        let dropped = self.outbox.dropped();
        if dropped > self.dropped_reported {
            tracing::warn!(
                "destination {}: {} messages were dropped for want of room while it was away",
                self.destination.id,
                dropped - self.dropped_reported
            );
            self.dropped_reported = dropped;
        }
        if self.reported.is_some() {
            self.report(None).await;
        }
    }

    fn fault(&self, reason: &str) -> String {
        let address = &self.destination.address;
        let mut text = format!("broker {}:{}: {reason}", address.host, address.port);
        let dropped = self.outbox.dropped() - self.dropped_reported;
        if dropped > 0 {
            text.push_str("; messages are being dropped for want of room");
        }
        text
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

    /// A connection error in words a technician can act on.
    fn plain(&self, error: &ConnectionError) -> String {
        use rumqttc::ConnectReturnCode as Code;
        match error {
            ConnectionError::ConnectionRefused(Code::BadUserNamePassword | Code::NotAuthorized) => {
                match &self.destination.address.credentials {
                    Some((user, file)) => format!(
                        "it refuses user `{user}` with the password in {}: ask who runs the broker",
                        file.display()
                    ),
                    None => "it lets nobody in without a user name: add one to the configuration".to_owned(),
                }
            }
            ConnectionError::ConnectionRefused(Code::BadClientId) => {
                format!("it refuses the client id `{}`", self.destination.address.client_id)
            }
            ConnectionError::Io(error) if error.kind() == std::io::ErrorKind::ConnectionRefused => {
                "nothing listens there: is the broker running, is the port right?".to_owned()
            }
            ConnectionError::NetworkTimeout => "no answer in time: is the network up?".to_owned(),
            ConnectionError::Tls(error) => format!("TLS failed: {error}"),
            ConnectionError::MqttState(rumqttc::StateError::ConnectionAborted) => {
                "it closed the connection".to_owned()
            }
            other => other.to_string(),
        }
    }
}

/// What is under way on one connection.
struct Sending<'a> {
    client: &'a AsyncClient,
    outbox: &'a Outbox,
    health_topic: String,
    /// The next message to hand over has this number or a higher one.
    next: u64,
    /// Handed to the client, not yet on the wire, in order.
    handed: VecDeque<Handed>,
    /// On the wire, by packet identifier.
    unconfirmed: HashMap<u16, Handed>,
    /// Of the last confirmation, or of the first message after none was awaited.
    progress: Instant,
}

impl<'a> Sending<'a> {
    fn new(client: &'a AsyncClient, outbox: &'a Outbox, health_topic: String) -> Self {
        Self {
            client,
            outbox,
            health_topic,
            next: 0,
            handed: VecDeque::new(),
            unconfirmed: HashMap::new(),
            progress: Instant::now(),
        }
    }

    fn under_way(&self) -> usize {
        self.handed.len() + self.unconfirmed.len()
    }

    /// How long to wait for a confirmation from now on: without end where none is due.
    fn patience(&self) -> Duration {
        if self.under_way() == 0 {
            Duration::MAX
        } else {
            CONFIRM_WITHIN.saturating_sub(self.progress.elapsed())
        }
    }

    /// Publishes the health text, retained.
    fn health(&mut self, text: &str) -> bool {
        let topic = self.health_topic.clone();
        let taken = self.client.try_publish(topic, QoS::AtLeastOnce, true, text).is_ok();
        if taken {
            self.note(Handed::Health);
        }
        taken
    }

    /// Hands over messages until the window is full.
    fn fill(&mut self) {
        while self.under_way() < WINDOW {
            let Some((number, message)) = self.outbox.first_from(self.next) else { return };
            let size = message.topic.len() + message.payload.len() + PACKET_OVERHEAD_BYTES;
            if size > LARGEST_SENT_BYTES {
                tracing::error!(
                    "a message of {size} bytes for {} is not sent, the limit is {LARGEST_SENT_BYTES}",
                    message.topic
                );
                self.outbox.confirm(number);
                self.next = number + 1;
                continue;
            }
            let payload = message.payload.clone();
            if self.client.try_publish(&message.topic, QoS::AtLeastOnce, false, payload).is_err() {
                // Full or closed: the next event tells which.
                return;
            }
            self.next = number + 1;
            self.note(Handed::Message(number));
        }
    }

    fn note(&mut self, handed: Handed) {
        if self.under_way() == 0 {
            self.progress = Instant::now();
        }
        self.handed.push_back(handed);
    }

    /// Takes one event; whether it confirmed something.
    fn take(&mut self, event: &rumqttc::Event) -> bool {
        match event {
            rumqttc::Event::Outgoing(Outgoing::Publish(packet)) => {
                if let Some(handed) = self.handed.pop_front() {
                    self.unconfirmed.insert(*packet, handed);
                }
                false
            }
            rumqttc::Event::Incoming(Packet::PubAck(ack)) => {
                self.progress = Instant::now();
                match self.unconfirmed.remove(&ack.pkid) {
                    Some(Handed::Message(number)) => {
                        self.outbox.confirm(number);
                        true
                    }
                    Some(Handed::Health) => true,
                    None => false,
                }
            }
            _ => false,
        }
    }
}

/// Fixed header, topic length and packet identifier of a publish packet, MQTT 3.1.1 section 3.3.
const PACKET_OVERHEAD_BYTES: usize = 9;

/// Sends what still waits, says `offline`, waits a little for it all to be confirmed, and takes leave, so
/// that the broker does not send the last will as well.
async fn farewell(
    mut sending: Sending<'_>,
    polled: &mut mpsc::Receiver<Result<rumqttc::Event, ConnectionError>>,
) {
    let confirmed = async {
        let mut said = false;
        loop {
            sending.fill();
            if sending.under_way() == 0 {
                if said {
                    break;
                }
                said = sending.health("offline");
            }
            match polled.recv().await {
                Some(Ok(event)) => {
                    sending.take(&event);
                }
                Some(Err(_)) | None => return,
            }
        }
        if sending.client.try_disconnect().is_ok() {
            while let Some(Ok(event)) = polled.recv().await {
                if event == rumqttc::Event::Outgoing(Outgoing::Disconnect) {
                    return;
                }
            }
        }
    };
    if timeout(FAREWELL_WITHIN, confirmed).await.is_err() {
        tracing::warn!("the broker did not confirm the last messages in time");
    }
}
