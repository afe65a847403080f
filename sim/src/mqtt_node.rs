//! Simulated solar nodes: each publishes what its probe reads every few minutes over MQTT, with its
//! own time, QoS 1.

use std::collections::BTreeMap;
use std::future::Future;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use pondreeve_protocol::payload::{Pick, PickFrom};
use pondreeve_protocol::senml::{Pack, Record};
use rumqttc::{AsyncClient, Event, MqttOptions, QoS};
use serde_json::{Map, Value};

use crate::faults::LineFault;
use crate::noise::Noise;
use crate::pace::Pace;
use crate::world::World;

/// One message that a node sends at regular times.
#[derive(Debug, Clone, PartialEq)]
pub struct Node {
    /// Where it goes; a topic, not a filter.
    pub topic: String,
    /// Which probe of the world it carries.
    pub probe: usize,
    /// Where each value stands in the payload: the channel of the probe, and what the receiver will
    /// pick and how it will scale it.
    pub places: Vec<(usize, Pick)>,
    /// Farm time between messages, ms.
    pub every_ms: i64,
    /// 0 or 1.
    pub qos: u8,
}

/// A payload from which `picks` will read `values`, measured at `at_ms`.
///
/// # Errors
/// When the picks contradict each other: two formats in one payload, or one pointer inside another.
pub fn payload(picks: &[(&Pick, f64)], at_ms: i64) -> Result<String, String> {
    let time = jiff::Timestamp::from_millisecond(at_ms).map_err(|error| error.to_string())?;
    let mut json = Value::Null;
    let mut pack = Vec::new();
    let mut bare = None;
    for &(pick, value) in picks {
        // What the receiver will scale by, taken off. Sent with the digits such nodes send.
        let sent = ((value - pick.offset) / pick.scale * 1_000.0).round() / 1_000.0;
        match &pick.from {
            PickFrom::Bare => bare = Some(sent),
            PickFrom::Json { pointer, time: own_time } => {
                put(&mut json, pointer, Value::from(sent))?;
                if let Some(pointer) = own_time {
                    put(&mut json, pointer, Value::from(time.to_string()))?;
                }
            }
            PickFrom::Senml { name } => pack.push(Record {
                name: Some(name.clone()),
                value: Some(sent),
                time: Some(at_ms as f64 / 1_000.0),
                ..Record::default()
            }),
        }
    }
    match (json.is_null(), pack.is_empty(), bare) {
        (false, true, None) => Ok(json.to_string()),
        (true, false, None) => Pack(pack).encode().map_err(|error| error.to_string()),
        (true, true, Some(value)) => Ok(value.to_string()),
        (true, true, None) => Err("nothing to send".to_owned()),
        _ => Err("one payload cannot be a bare number, JSON and SenML at once".to_owned()),
    }
}

/// Puts a value at a JSON Pointer, making objects on the way.
fn put(json: &mut Value, pointer: &str, value: Value) -> Result<(), String> {
    let mut place = json;
    for token in pointer.split('/').skip(1) {
        let token = token.replace("~1", "/").replace("~0", "~");
        if place.is_null() {
            *place = Value::Object(Map::new());
        }
        let Value::Object(members) = place else {
            return Err(format!("{pointer} lies inside a value that another pick sends"));
        };
        place = members.entry(token).or_insert(Value::Null);
    }
    *place = value;
    Ok(())
}

/// Messages that wait while the broker is away; then the newest are dropped, as a node with a small
/// memory would.
const WAITING_BOUND: usize = 64;
const FIRST_WAIT: Duration = Duration::from_millis(100);
const LONGEST_WAIT: Duration = Duration::from_secs(5);

/// Sends the nodes' messages to the broker on a loopback port until `stop` resolves.
pub async fn publish(
    port: u16,
    client_id: &str,
    nodes: Vec<Node>,
    world: Arc<Mutex<World>>,
    pace: Pace,
    stop: impl Future<Output = ()>,
) {
    let mut options = MqttOptions::new(client_id, "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(15));
    options.set_clean_session(true);
    let (client, mut events) = AsyncClient::new(options, WAITING_BOUND);
    let link = async move {
        let mut wait = FIRST_WAIT;
        loop {
            match events.poll().await {
                Ok(Event::Incoming(_)) => wait = FIRST_WAIT,
                Ok(Event::Outgoing(_)) => {}
                Err(error) => {
                    tracing::info!(%error, "the simulated nodes have no broker");
                    tokio::time::sleep(wait).await;
                    wait = (wait * 2).min(LONGEST_WAIT);
                }
            }
        }
    };
    let sender = send_on_time(client, nodes, world, pace);
    tokio::pin!(link, sender, stop);
    tokio::select! {
        () = &mut link => {}
        () = &mut sender => {}
        () = &mut stop => {}
    }
}

async fn send_on_time(client: AsyncClient, nodes: Vec<Node>, world: Arc<Mutex<World>>, pace: Pace) {
    // Each node has its own phase, so that they do not all speak in the same second.
    let start_ms = pace.now_ms();
    let mut due: BTreeMap<(i64, usize), ()> = nodes
        .iter()
        .enumerate()
        .map(|(index, node)| {
            let phase = Noise::stream(&node.topic).cast_signed().rem_euclid(node.every_ms.max(1));
            ((start_ms - start_ms.rem_euclid(node.every_ms.max(1)) + phase, index), ())
        })
        .collect();
    while let Some(((at_ms, index), ())) = due.pop_first() {
        let node = &nodes[index];
        due.insert((at_ms + node.every_ms.max(1), index), ());
        if at_ms < start_ms {
            continue;
        }
        tokio::time::sleep(pace.until(at_ms)).await;
        let Some(message) = message(node, &world, at_ms) else { continue };
        let qos = if node.qos == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce };
        match message {
            Ok(payload) => {
                if client.try_publish(&node.topic, qos, false, payload).is_err() {
                    tracing::info!(topic = node.topic, "a simulated node dropped a message");
                }
            }
            Err(error) => tracing::warn!(topic = node.topic, error, "a simulated node cannot send"),
        }
    }
}

/// What a node sends at a moment; `None` while it is silent.
fn message(node: &Node, world: &Mutex<World>, at_ms: i64) -> Option<Result<String, String>> {
    let mut world = world.lock().unwrap_or_else(PoisonError::into_inner);
    world.advance_to(at_ms);
    if world.line_fault(node.probe, at_ms) == Some(LineFault::Silent) {
        return None;
    }
    let values: Vec<(&Pick, f64)> = node
        .places
        .iter()
        .filter_map(|(channel, pick)| Some((pick, world.report(node.probe, *channel, at_ms)?)))
        .collect();
    // The node says when it measured by its own clock.
    Some(payload(&values, at_ms + world.clock_ahead_ms(node.probe, at_ms)))
}

#[cfg(test)]
mod tests {
    use super::payload;
    use pondreeve_protocol::payload::{Pick, PickFrom};

    fn pick(from: PickFrom, scale: f64) -> Pick {
        Pick { channel: "do_mg_l".into(), from, scale, offset: 0.0 }
    }

    fn json(pointer: &str, time: Option<&str>) -> PickFrom {
        PickFrom::Json { pointer: pointer.into(), time: time.map(Into::into) }
    }

    #[test]
    fn payloads_have_each_value_where_the_receiver_looks() {
        // 2026-03-19T07:10:00Z.
        let at = 1_773_904_200_000;
        let oxygen = pick(json("/do_mg_l", Some("/time")), 1.0);
        let level = pick(json("/water/level_cm", Some("/time")), 0.01);
        assert_eq!(
            payload(&[(&oxygen, 4.61), (&level, 1.2)], at).unwrap(),
            r#"{"do_mg_l":4.61,"time":"2026-03-19T07:10:00Z","water":{"level_cm":120.0}}"#
        );
        assert_eq!(payload(&[(&pick(PickFrom::Bare, 1.0), 6.42)], at).unwrap(), "6.42");
        assert_eq!(
            payload(&[(&pick(PickFrom::Senml { name: "p4:bottom_do".into() }, 1.0), 4.9)], at).unwrap(),
            r#"[{"n":"p4:bottom_do","v":4.9,"t":1773904200.0}]"#
        );
        assert!(payload(&[(&oxygen, 4.61), (&pick(PickFrom::Bare, 1.0), 1.0)], at).is_err());
        let inside = pick(json("/do_mg_l/raw", None), 1.0);
        assert!(payload(&[(&oxygen, 4.61), (&inside, 1.0)], at).is_err());
    }
}
