//! What goes on to other systems over MQTT: summaries, alarms, calls, health.
//!
//! | topic | payload | |
//! |---|---|---|
//! | `pondreeve/<gateway>/<pond>/summary` | SenML (RFC 8428) in JSON or CBOR, its records are listed in `message.rs` | QoS 1, one per pond and interval |
//! | `pondreeve/<gateway>/alarm` | one object for each alarm transition, in JSON or CBOR | QoS 1 |
//! | `pondreeve/<gateway>/call` | one object for each call of a person: step, alarms, messages | QoS 1 |
//! | `pondreeve/<gateway>/health` | `online` or `offline` | QoS 1, retained; `offline` is also the last will |
//!
//! What a broker has not confirmed is sent again, so a message can arrive twice. A repeat has the same `sequence`, and
//! of a summary the same `interval`. Within one topic the numbers only grow, repeats apart. Alarms and calls overtake the
//! summaries that wait. What waits is in [`crate::outbox`], on disk; nothing rests on what the client or the broker
//! remembers of a session.
//!
//! A session that outlives its connection keeps nothing for one who publishes at QoS 1: the broker keeps what it has still to
//! send, and that is nothing. What it does in MQTT 5 is to let a last will wait: so there the session lasts five minutes
//! (no clean start) and `offline` is told only of a gateway that is not back within 15 s. MQTT 3.1.1 has no such will, and
//! a session there would be left with the broker for ever for nothing: it begins clean. Whoever reads keeps a session:
//! probes' messages ([`crate::probes`]) and commands ([`crate::commands`]).
//!
//! A destination may have several nodes. When one fails the next is tried within a quarter of a second; when all have
//! failed the back-off waits, four seconds at most in the first minute. One that is silent for much longer than usual is
//! left for the next (`patience.rs`).

use std::sync::Arc;

use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::clock::Clock;
use crate::config::Farm;
use crate::inbox::Inbox;
use crate::outbox::queue::Queue;

#[cfg(test)]
mod backlog_tests;
mod kept_back;
mod link;
pub(crate) mod message;
mod pace;
pub(crate) mod packets;
mod patience;
mod publisher;
#[cfg(test)]
mod refusal_tests;
mod sending;
#[cfg(test)]
mod session_tests;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tls_tests;
mod trouble;

use kept_back::KeptBack;
use message::Topics;

/// A destination on this machine, for tests.
#[cfg(test)]
pub(crate) fn office(port: u16) -> crate::config::farm::Destination {
    use crate::config::farm::{BrokerAddress, Destination, Encoding, Version};
    Destination {
        id: "office".to_owned(),
        address: BrokerAddress {
            host: "127.0.0.1".to_owned(),
            port,
            client_id: "shore-forward".to_owned(),
            credentials: None,
            tls: None,
            keep_alive: std::time::Duration::from_secs(5),
        },
        further_hosts: Vec::new(),
        version: Version::Four,
        encoding: Encoding::Json,
        most_per_second: 400,
        spread: std::time::Duration::ZERO,
    }
}

/// Starts forwarding: one task for each destination, which sends what comes into `queue`.
///
/// When `stop` is cancelled what waits is still sent where a broker confirms it at once, then `offline`, and the
/// tasks end. Cancel it after the last message.
pub fn start(
    farm: &Farm,
    queue: &Queue,
    inbox: &Inbox,
    clock: &Clock,
    stop: &CancellationToken,
) -> JoinSet<()> {
    let topics = Arc::new(Topics::of(&farm.site.gateway));
    let mut tasks = JoinSet::new();
    for (index, destination) in farm.destinations.iter().enumerate() {
        let own = (queue.clone(), index);
        let kept_back = KeptBack::new(clock.clone(), destination.kept_back(&farm.site.gateway));
        let publisher = publisher::Publisher::new(
            destination.clone(),
            Arc::clone(&topics),
            own,
            inbox.clone(),
            kept_back,
        );
        tasks.spawn(publisher.run(stop.clone()));
    }
    tasks
}
