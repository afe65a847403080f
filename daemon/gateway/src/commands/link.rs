//! The connection that commands come over.
//!
//! The broker keeps a session for it, so that a command finds its way also while the link blinks; one that waited for
//! longer than the window is refused as too old. A command is acknowledged to the broker after its result was sent.

use std::collections::BTreeMap;
use std::sync::Arc;

use rumqttc::{AsyncClient, ConnectionError, Event, Packet, QoS, SubscribeReasonCode};
use tokio::sync::mpsc;
use tokio::time::sleep;
use tokio_util::sync::CancellationToken;
use tokio_util::task::AbortOnDropHandle;

use super::office::{Office, Verdict, topic_of};
use super::{Settings, Taken};
use crate::config::farm::BrokerAddress;
use crate::local::requests::Counter;
use crate::mqtt_link::{self, Backoff};

/// Commands and acknowledgements under way.
const REQUESTS_BOUND: usize = 64;

/// A larger packet ends the connection. What lies below and is larger than a command is refused and answered.
const PACKET_BYTES_MAX: usize = 1 << 20;

/// Listens for commands until `stop`. `newest` is what the journal knows of each person.
pub async fn run(
    settings: Settings,
    counter: Arc<Counter>,
    newest: BTreeMap<String, Taken>,
    stop: CancellationToken,
) {
    let mut office = Office::new(settings.clone(), counter, newest);
    let mut backoff = Backoff::default();
    let mut told: Option<String> = None;
    // Which node is tried, counted on: a session is the whole cluster's.
    let mut turn = 0;
    // The broker keeps a packet for us that is too large to be taken: the next session begins without it.
    let mut discard = false;
    loop {
        let node = settings.from.node(turn);
        let mut came_in = false;
        let ended = connection(&settings, &node, &mut office, (&mut discard, &mut came_in), &stop).await;
        let Err(why) = ended else { return };
        if came_in {
            backoff.reset();
            told = None;
        }
        turn = turn.wrapping_add(1);
        if told.as_ref() != Some(&why) {
            let (broker, host) = (&settings.from.id, &node.host);
            tracing::warn!(broker, host, "no commands can come in: {why}; trying again until they can");
            told = Some(why);
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = sleep(backoff.wait()) => {}
        }
    }
}

/// One connection; `Ok` where the daemon stops.
async fn connection(
    settings: &Settings,
    node: &BrokerAddress,
    office: &mut Office,
    (discard, came_in): (&mut bool, &mut bool),
    stop: &CancellationToken,
) -> Result<(), String> {
    let mut options = mqtt_link::options(node, office.clock()).map_err(|error| error.to_string())?;
    options.set_clean_session(std::mem::take(discard));
    options.set_manual_acks(true);
    options.set_max_packet_size(PACKET_BYTES_MAX, PACKET_BYTES_MAX);
    let (client, mut eventloop) = AsyncClient::new(options, REQUESTS_BOUND);
    eventloop.set_network_options(mqtt_link::network());
    let (events, mut heard) = mpsc::channel(REQUESTS_BOUND);
    // Polling must not be cut short while it connects.
    let _polling = AbortOnDropHandle::new(tokio::spawn(async move {
        loop {
            let event = eventloop.poll().await;
            let last = event.is_err();
            if events.send(event).await.is_err() || last {
                return;
            }
        }
    }));
    let commands = format!("{}/+", topic_of(office.gateway(), "command"));
    let results = topic_of(office.gateway(), "result");
    loop {
        let event = tokio::select! {
            () = stop.cancelled() => {
                let _ = client.try_disconnect();
                return Ok(());
            }
            event = heard.recv() => event.ok_or("the connection's task ended")?,
        };
        match event {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                let asked = client.try_subscribe(&commands, QoS::AtLeastOnce);
                asked.map_err(|error| error.to_string())?;
            }
            Ok(Event::Incoming(Packet::SubAck(answer))) => {
                if answer.return_codes.contains(&SubscribeReasonCode::Failure) {
                    return Err(format!("the broker does not let this gateway read {commands}"));
                }
                tracing::info!(broker = settings.from.id, host = node.host, "commands may come in");
                *came_in = true;
            }
            Ok(Event::Incoming(Packet::Publish(publish))) => {
                match office.take(&publish.topic, &publish.payload, publish.retain).await {
                    Verdict::Leave => return Err("a command could not be kept".to_owned()),
                    Verdict::PassOver => {}
                    Verdict::Answer(outcome) => {
                        let person = publish.topic.rsplit('/').next().unwrap_or_default();
                        let said = serde_json::to_vec(&*outcome).map_err(|error| error.to_string())?;
                        let sent =
                            client.try_publish(format!("{results}/{person}"), QoS::AtLeastOnce, false, said);
                        sent.map_err(|error| error.to_string())?;
                    }
                }
                client.try_ack(&publish).map_err(|error| error.to_string())?;
            }
            Ok(_) => {}
            Err(error) => {
                *discard = matches!(error, ConnectionError::MqttState(_));
                return Err(error.to_string());
            }
        }
    }
}
