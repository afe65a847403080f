//! The client library behind one face, whichever version of MQTT a destination speaks.
//!
//! It drops unconfirmed messages when a broker comes back without the session, and sends while reconnecting without a
//! pause. So each connection gets a fresh client and nothing rests on what it remembers. Polling must not be cut short,
//! so it has a task of its own.

use bytes::Bytes;
use pondreeve_core::said::said;
use rumqttc::v5::mqttbytes::v5::{
    ConnectReturnCode as Code5, LastWill as Will5, LastWillProperties, PubAckReason,
};
use rumqttc::v5::mqttbytes::{QoS as QoS5, v5 as packets5};
use rumqttc::{AsyncClient, ConnectReturnCode as Code4, LastWill, Outgoing, Packet, QoS, v5};
use tokio::sync::mpsc;
use tokio_util::task::AbortOnDropHandle;

use crate::config::farm::{BrokerAddress, Destination, Version};
use crate::mqtt_link::{self, LinkError};

/// Events on their way from the polling task. The publisher never waits while holding them up, so any
/// number will do.
const EVENTS_BOUND: usize = 64;

/// Largest packet sent: far above a summary of every quantity (about 10 KB), far below what brokers
/// refuse by default. A larger message would make the broker drop the connection, again and again.
pub(super) const LARGEST_SENT_BYTES: usize = 128 * 1024;

/// Largest packet taken: brokers send us confirmations only.
const LARGEST_TAKEN_BYTES: usize = 4 * 1024;

/// What the polling task heard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Heard {
    /// The broker lets us in.
    Welcome,
    /// A publish is on the wire under this identifier; in the order in which they were handed over.
    Sent(u16),
    /// The broker has confirmed it.
    Confirmed(u16),
    /// The farewell is on the wire.
    Left,
    /// Nothing that matters here.
    Other,
}

/// An open client and what it hears; an error, in plain words, is the last.
pub(super) struct Client {
    sender: Sender,
    pub(super) heard: mpsc::Receiver<Result<Heard, String>>,
    _polling: AbortOnDropHandle<()>,
}

/// A link that blinks is not told to everybody as a gateway that is gone: a broker of MQTT 5 waits for so long.
const WILL_DELAY_S: u32 = 15;

fn delayed() -> LastWillProperties {
    LastWillProperties {
        delay_interval: Some(WILL_DELAY_S),
        payload_format_indicator: None,
        message_expiry_interval: None,
        content_type: None,
        response_topic: None,
        correlation_data: None,
        user_properties: Vec::new(),
    }
}

/// Hands requests over.
#[derive(Clone)]
pub(super) struct Sender(Either);

#[derive(Clone)]
enum Either {
    Four(AsyncClient),
    Five(v5::AsyncClient),
}

impl Client {
    /// Begins to connect; `requests` is how many may be handed over before the broker takes any.
    pub(super) fn open(destination: &Destination, health: &str, requests: usize) -> Result<Self, LinkError> {
        let (events, heard) = mpsc::channel(EVENTS_BOUND);
        let address = destination.address.clone();
        let (sender, polling) = match destination.version {
            Version::Four => {
                let mut options = mqtt_link::options(&address)?;
                options.set_last_will(LastWill::new(health, "offline", QoS::AtLeastOnce, true));
                options.set_max_packet_size(LARGEST_TAKEN_BYTES, LARGEST_SENT_BYTES);
                let (client, mut eventloop) = AsyncClient::new(options, requests);
                eventloop.set_network_options(mqtt_link::network());
                let polling = tokio::spawn(async move {
                    loop {
                        let event = eventloop.poll().await;
                        let event =
                            event.map(|event| heard4(&event)).map_err(|error| plain4(&error, &address));
                        let last = event.is_err();
                        if events.send(event).await.is_err() || last {
                            return;
                        }
                    }
                });
                (Either::Four(client), polling)
            }
            Version::Five => {
                let mut options = mqtt_link::options5(&address)?;
                options.set_last_will(Will5::new(
                    health,
                    "offline",
                    QoS5::AtLeastOnce,
                    true,
                    Some(delayed()),
                ));
                options.set_max_packet_size(u32::try_from(LARGEST_TAKEN_BYTES).ok());
                let (client, mut eventloop) = v5::AsyncClient::new(options, requests);
                let polling = tokio::spawn(async move {
                    loop {
                        let event = eventloop.poll().await;
                        let event = match event {
                            Ok(event) => heard5(&event),
                            Err(error) => Err(plain5(&error, &address)),
                        };
                        let last = event.is_err();
                        if events.send(event).await.is_err() || last {
                            return;
                        }
                    }
                });
                (Either::Five(client), polling)
            }
        };
        Ok(Self { sender: Sender(sender), heard, _polling: AbortOnDropHandle::new(polling) })
    }

    pub(super) fn sender(&self) -> Sender {
        self.sender.clone()
    }
}

impl Sender {
    /// Hands a message over, to be confirmed; `false` where no more is taken now.
    pub(super) fn publish(&self, topic: &str, retain: bool, payload: Bytes) -> bool {
        match &self.0 {
            Either::Four(client) => client.try_publish(topic, QoS::AtLeastOnce, retain, payload).is_ok(),
            Either::Five(client) => client.try_publish(topic, QoS5::AtLeastOnce, retain, payload).is_ok(),
        }
    }

    /// Takes leave, so that the broker does not send the last will.
    pub(super) fn leave(&self) -> bool {
        match &self.0 {
            Either::Four(client) => client.try_disconnect().is_ok(),
            Either::Five(client) => client.try_disconnect().is_ok(),
        }
    }
}

fn heard4(event: &rumqttc::Event) -> Heard {
    match event {
        rumqttc::Event::Incoming(Packet::ConnAck(_)) => Heard::Welcome,
        rumqttc::Event::Incoming(Packet::PubAck(ack)) => Heard::Confirmed(ack.pkid),
        rumqttc::Event::Outgoing(Outgoing::Publish(packet)) => Heard::Sent(*packet),
        rumqttc::Event::Outgoing(Outgoing::Disconnect) => Heard::Left,
        _ => Heard::Other,
    }
}

fn heard5(event: &v5::Event) -> Result<Heard, String> {
    use packets5::Packet;
    Ok(match event {
        v5::Event::Incoming(Packet::ConnAck(_)) => Heard::Welcome,
        v5::Event::Incoming(Packet::PubAck(ack)) => match ack.reason {
            PubAckReason::Success | PubAckReason::NoMatchingSubscribers => Heard::Confirmed(ack.pkid),
            reason => {
                return Err(said!(
                    "trouble-forward-takes-none",
                    "it takes no message ({reason}): ask who runs the broker",
                    reason = format!("{reason:?}")
                )
                .into());
            }
        },
        v5::Event::Outgoing(Outgoing::Publish(packet)) => Heard::Sent(*packet),
        v5::Event::Outgoing(Outgoing::Disconnect) => Heard::Left,
        _ => Heard::Other,
    })
}

/// A connection error in words a technician can act on.
fn plain4(error: &rumqttc::ConnectionError, address: &BrokerAddress) -> String {
    use rumqttc::ConnectionError;
    match error {
        ConnectionError::ConnectionRefused(Code4::BadUserNamePassword | Code4::NotAuthorized) => {
            not_let_in(address)
        }
        ConnectionError::ConnectionRefused(Code4::BadClientId) => bad_client(address),
        ConnectionError::Io(error) => plain_io(error),
        ConnectionError::NetworkTimeout => no_answer(),
        ConnectionError::Tls(error) => tls_failed(error),
        ConnectionError::MqttState(rumqttc::StateError::ConnectionAborted) => closed(),
        other => other.to_string(),
    }
}

fn plain5(error: &v5::ConnectionError, address: &BrokerAddress) -> String {
    use v5::ConnectionError;
    match error {
        ConnectionError::ConnectionRefused(Code5::BadUserNamePassword | Code5::NotAuthorized) => {
            not_let_in(address)
        }
        ConnectionError::ConnectionRefused(Code5::ClientIdentifierNotValid | Code5::BadClientId) => {
            bad_client(address)
        }
        ConnectionError::ConnectionRefused(
            Code5::UnsupportedProtocolVersion | Code5::RefusedProtocolVersion,
        ) => said!(
            "trouble-forward-not-5",
            "it does not speak MQTT 5: set `mqtt = \"3.1.1\"` for this destination"
        )
        .into(),
        ConnectionError::Io(error) => plain_io(error),
        ConnectionError::Timeout(_) => no_answer(),
        ConnectionError::Tls(error) => tls_failed(error),
        ConnectionError::MqttState(v5::StateError::ConnectionAborted) => closed(),
        other => other.to_string(),
    }
}

fn no_answer() -> String {
    said!("trouble-forward-no-answer", "no answer in time: is the network up?").into()
}

fn closed() -> String {
    said!("trouble-forward-closed", "it closed the connection").into()
}

fn tls_failed(error: &impl std::fmt::Display) -> String {
    said!("trouble-forward-tls", "TLS failed: {error}", error = error.to_string()).into()
}

fn plain_io(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::ConnectionRefused => {
            said!("trouble-forward-none", "nothing listens there: is the broker running, is the port right?")
                .into()
        }
        _ => error.to_string(),
    }
}

fn not_let_in(address: &BrokerAddress) -> String {
    match &address.credentials {
        Some((user, file)) => said!(
            "trouble-forward-user",
            "it refuses user `{user}` with the password in {file}: ask who runs the broker",
            user = user,
            file = file.display().to_string()
        )
        .into(),
        None => said!(
            "trouble-forward-no-user",
            "it lets nobody in without a user name: add one to the configuration"
        )
        .into(),
    }
}

fn bad_client(address: &BrokerAddress) -> String {
    said!("trouble-forward-client", "it refuses the client id `{client}`", client = &address.client_id).into()
}
