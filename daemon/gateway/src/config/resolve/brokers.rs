//! Brokers that readings come from, and destinations that summaries go to.

use std::collections::{HashMap, HashSet};
use std::ops::Range;
use std::time::Duration;

use pondreeve_core::site::Node;
use pondreeve_protocol::payload::{Pick, PickFrom, check_pointer};
use pondreeve_protocol::unit;

use super::super::farm::{Availability, Broker, Destination, Encoding, Subscription, Version};
use super::super::raw::{RawBroker, RawDestination, RawNode, RawTopicProbe, RawTopicValue};
use super::super::reader::At;
use super::super::words::quoted;
use super::Resolver;
use super::connection::{RawAddress, address_keys};
use super::probes::RawChannel;

/// A probe's message has a few hundred bytes; this leaves room for a whole node in SenML.
const MAX_PAYLOAD_BYTES: usize = 16_384;
/// A probe's clock may be this far ahead before its times are refused.
const MAX_AHEAD: Duration = Duration::from_secs(300);
/// A thousand a second: only what has gone wild sends more. A node's backlog after an outage is far below.
const MOST_PER_MINUTE: u32 = 60_000;

/// A week's backlog of 20 ponds is gone within a minute, and a thousand gateways that come back together are bounded
/// by their brokers rather than by this.
const MOST_PER_SECOND: u32 = 400;

/// Topic and part of its payload that a value was already read from, and where.
type ReadSoFar = HashMap<(String, String), Range<usize>>;

impl Resolver<'_> {
    pub(super) fn all_brokers(
        &self,
        raw: Option<&At<Vec<At<RawBroker>>>>,
        gateway: &str,
    ) -> Option<Vec<Broker>> {
        let mut taken = HashMap::new();
        let brokers: Vec<Option<Broker>> = raw
            .iter()
            .flat_map(|list| &list.value)
            .map(|at| {
                if let Some(id) = &at.value.id {
                    self.claim(&mut taken, id, "broker");
                }
                self.broker(&at.value, gateway)
            })
            .collect();
        brokers.into_iter().collect()
    }

    pub(super) fn all_destinations(
        &self,
        raw: Option<&At<Vec<At<RawDestination>>>>,
        gateway: &str,
    ) -> Option<Vec<Destination>> {
        let mut taken = HashMap::new();
        let destinations: Vec<Option<Destination>> = raw
            .iter()
            .flat_map(|list| &list.value)
            .map(|at| {
                let raw = &at.value;
                if let Some(id) = &raw.id {
                    self.claim(&mut taken, id, "destination");
                }
                let address = self.address(&address_keys!(raw), gateway, "out");
                Some(Destination {
                    id: raw.id.as_ref()?.value.clone(),
                    further_hosts: self.further_hosts(raw)?,
                    address: address?,
                    version: raw.mqtt.as_ref().map_or(Version::Four, |at| at.value),
                    encoding: raw.encoding.as_ref().map_or(Encoding::Json, |at| at.value),
                    most_per_second: raw
                        .most_per_second
                        .as_ref()
                        .map_or(MOST_PER_SECOND, |at| u32::try_from(at.value).unwrap_or(u32::MAX)),
                    spread: raw.spread.as_ref().map_or(Duration::ZERO, |at| at.value),
                })
            })
            .collect();
        destinations.into_iter().collect()
    }

    /// Hosts with the destination's own port where they name none.
    fn further_hosts(&self, raw: &RawDestination) -> Option<Vec<(String, u16)>> {
        let usual = raw.port.as_ref().and_then(|at| u16::try_from(at.value).ok())?;
        let hosts = raw.further_hosts.iter().flat_map(|list| &list.value).map(|at| {
            let (host, port) = match at.value.rsplit_once(':') {
                Some((host, port)) => (host, port.parse().ok().filter(|port| *port > 0)),
                None => (at.value.as_str(), Some(usual)),
            };
            let fits = !host.is_empty() && !host.contains(['/', ' ', '@', ':']);
            port.filter(|_| fits).map(|port| (host.to_owned(), port)).or_else(|| {
                let found = format!("the further host {}", quoted(&at.value));
                self.problems.push(self.problems.about(
                    at,
                    found,
                    "a host name or address, or one with `:port`",
                ));
                None
            })
        });
        hosts.collect::<Vec<_>>().into_iter().collect()
    }

    fn broker(&self, raw: &RawBroker, gateway: &str) -> Option<Broker> {
        let address = self.address(&address_keys!(raw), gateway, "in");
        let list = raw.probe.as_ref()?;
        if list.value.is_empty() {
            self.problems.push(self.problems.about(
                list,
                "a broker without probes",
                "at least one `[[broker.probe]]`",
            ));
            return None;
        }
        let mut read = HashMap::new();
        let own_id = raw.id.as_ref().map_or("", |id| id.value.as_str());
        let nodes = raw.node.as_ref().map_or(&[][..], |list| list.value.as_slice());
        let subscriptions: Vec<Option<Subscription>> =
            list.value.iter().map(|at| self.topic_probe(&at.value, (own_id, nodes), &mut read)).collect();
        let availabilities = self.availabilities(raw, nodes);
        let max_payload_bytes = raw
            .max_payload_bytes
            .as_ref()
            .map_or(MAX_PAYLOAD_BYTES, |at| usize::try_from(at.value).unwrap_or(MAX_PAYLOAD_BYTES));
        Some(Broker {
            id: raw.id.as_ref()?.value.clone(),
            address: address?,
            max_payload_bytes,
            subscriptions: subscriptions.into_iter().collect::<Option<_>>()?,
            availabilities: availabilities?,
        })
    }

    /// Where it is said of a broker's devices whether they are there.
    fn availabilities(&self, raw: &RawBroker, nodes: &[At<RawNode>]) -> Option<Vec<Availability>> {
        let mut taken = HashMap::new();
        let mut found = Vec::new();
        let carried =
            || raw.probe.iter().flat_map(|list| &list.value).filter_map(|at| at.value.node.as_ref());
        for at in nodes {
            let Some(id) = &at.value.id else { continue };
            self.claim(&mut taken, id, "node");
            if !carried().any(|named| named.value == id.value) {
                let found = format!("the node `{}`, which carries no probe of this broker", id.value);
                let accepted = format!("a `[[broker.probe]]` with `node = \"{}\"`", id.value);
                self.problems.push(self.problems.about(id, found, accepted));
            }
            if let (Some(offline), None) = (&at.value.offline, &at.value.availability) {
                let found = "what is said of a device that is not there, without the topic on which";
                self.problems.push(self.problems.about(offline, found, "`availability` as well"));
            }
            if let Some(topic) = &at.value.availability {
                let offline = at.value.offline.as_ref().map_or("offline", |at| at.value.as_str()).to_owned();
                found.push(Availability { node: id.value.clone(), filter: self.filter(topic)?, offline });
            }
        }
        Some(found)
    }

    fn topic_probe(
        &self,
        raw: &RawTopicProbe,
        (broker, nodes): (&str, &[At<RawNode>]),
        read: &mut ReadSoFar,
    ) -> Option<Subscription> {
        let pond = self.pond_of(raw.pond.as_ref());
        let filter = raw.topic.as_ref().and_then(|at| self.filter(at));
        let time = match &raw.time {
            None => Some(None),
            Some(at) => self.pointer(at).map(Some),
        };
        let values = raw.value.as_ref();
        if let Some(list) = values.filter(|list| list.value.is_empty()) {
            self.problems.push(self.problems.about(
                list,
                "no values",
                "at least one value to read out of each message",
            ));
        }
        let mut quantities = HashSet::new();
        let mut channels = Vec::new();
        let mut picks = Vec::new();
        for value in values.iter().flat_map(|list| &list.value) {
            if let Some(quantity) = &value.value.quantity {
                if !quantities.insert(quantity.value) {
                    let found = format!("`{}` a second time in this probe", quantity.value.id());
                    let problem = self.problems.about(quantity, found, "each quantity once for each probe");
                    self.problems.push(problem.with_hint(
                        "describe a node with two sensors of one kind as two probes on one topic",
                    ));
                }
                channels.push(RawChannel {
                    quantity: quantity.value,
                    aerator: value.value.aerator.as_ref(),
                    layer: raw.layer.as_ref().map(|at| at.value),
                    place: quantity.with(()),
                });
            }
            if let Some(topic) = &raw.topic {
                self.check_read_once(topic, value, read);
            }
            picks.push(self.pick(&value.value, time.clone().flatten()));
        }
        if let (Some(at), false) =
            (&raw.time, values.iter().flat_map(|list| &list.value).any(|value| value.value.json.is_some()))
        {
            let found = "a pointer to the probe's own time, though no value is read from JSON";
            self.problems.push(self.problems.about(
                at,
                found,
                "`time` with `json` values; SenML carries its own time",
            ));
        }
        let (id, sends_every) = (raw.id.as_ref()?, raw.sends_every.as_ref()?);
        let node = raw.node.as_ref().map(|named| {
            let told =
                nodes.iter().find(|own| own.value.id.as_ref().is_some_and(|id| id.value == named.value));
            let on_mains = told.and_then(|own| own.value.on_mains.as_ref());
            Node { id: named.value.clone(), is_on_mains: on_mains.is_some_and(|at| at.value) }
        });
        let index = self.add_probe(
            id,
            (pond.clone().ok().flatten().as_ref(), broker, node),
            sends_every,
            &channels,
            &raw.calibration,
            &raw.quality,
        );
        pond.ok()?;
        time?;
        Some(Subscription {
            filter: filter?,
            probe: index?,
            picks: picks.into_iter().collect::<Option<_>>()?,
            qos: raw.qos.as_ref().map_or(1, |at| u8::try_from(at.value).unwrap_or(1)),
            max_ahead: raw.max_ahead.as_ref().map_or(MAX_AHEAD, |at| at.value),
            most_per_minute: raw
                .most_per_minute
                .as_ref()
                .map_or(MOST_PER_MINUTE, |at| u32::try_from(at.value).unwrap_or(MOST_PER_MINUTE)),
        })
    }

    /// One number of one topic is one reading: taken twice, one pond would show another's water.
    fn check_read_once(&self, topic: &At<String>, value: &At<RawTopicValue>, read: &mut ReadSoFar) {
        let part = match (&value.value.json, &value.value.senml) {
            (Some(json), _) => format!("JSON {}", json.value),
            (None, Some(senml)) => format!("SenML {}", senml.value),
            (None, None) => "the bare number".to_owned(),
        };
        let key = (topic.value.clone(), part.clone());
        if let Some(first) = read.insert(key, value.span.clone()) {
            let found = format!("{part} of the topic {} a second time", quoted(&topic.value));
            let problem = self.problems.about(value, found, "each number of a topic read once");
            self.problems.push(problem.with_also(first, "first read here"));
        }
    }

    fn pick(&self, raw: &RawTopicValue, time: Option<String>) -> Option<Pick> {
        let from = match (&raw.json, &raw.senml) {
            (Some(json), Some(senml)) => {
                let problem = self.problems.about(
                    senml,
                    "both `json` and `senml`",
                    "one of them, or neither for a bare number",
                );
                self.problems.push(problem.with_also(json.span.clone(), "and here"));
                None
            }
            (Some(at), None) => self.pointer(at).map(|pointer| PickFrom::Json { pointer, time }),
            (None, Some(at)) => Some(PickFrom::Senml { name: at.value.clone() }),
            (None, None) => Some(PickFrom::Bare),
        };
        let quantity = raw.quantity.as_ref()?.value;
        let conversion = match &raw.unit {
            None => Some((1.0, 0.0)),
            Some(at) if raw.senml.is_some() => {
                let problem =
                    self.problems.about(at, "a unit for a SenML value", "no `unit`: SenML carries its own");
                self.problems.push(problem);
                None
            }
            Some(at) => match unit::conversion(&at.value, quantity.unit()) {
                Some(conversion) => Some((conversion.scale, conversion.offset)),
                None => {
                    let found = format!("the unit {} for `{}`", quoted(&at.value), quantity.id());
                    let accepted = format!("one of {}", unit::spellings(quantity.unit()));
                    self.problems.push(self.problems.about(at, found, accepted));
                    None
                }
            },
        };
        if let Some(scale) = raw.scale.as_ref().filter(|at| at.value == 0.0) {
            self.problems.push(self.problems.about(
                scale,
                "a scale of 0",
                "any other number: 0 makes every reading 0",
            ));
        }
        let (unit_scale, unit_offset) = conversion?;
        let scale = raw.scale.as_ref().map_or(1.0, |at| at.value);
        let offset = raw.offset.as_ref().map_or(0.0, |at| at.value);
        Some(Pick {
            channel: quantity.id().to_owned(),
            from: from?,
            scale: scale * unit_scale,
            offset: offset * unit_scale + unit_offset,
        })
    }

    fn pointer(&self, at: &At<String>) -> Option<String> {
        match check_pointer(&at.value) {
            Ok(()) => Some(at.value.clone()),
            Err(why) => {
                let problem = self.problems.about(
                    at,
                    format!("{}, which is no JSON Pointer: {why}", quoted(&at.value)),
                    "a JSON Pointer (RFC 6901), such as \"/water/do\" for {\"water\": {\"do\": 4.6}}",
                );
                self.problems.push(problem);
                None
            }
        }
    }

    fn filter(&self, at: &At<String>) -> Option<String> {
        if let Err(why) = check_filter(&at.value) {
            let problem = self.problems.about(
                at,
                format!("{}, which is no MQTT topic filter: {why}", quoted(&at.value)),
                "levels between `/`; `+` alone for any one level; `#` alone as the last level (MQTT 3.1.1, section 4.7)",
            );
            self.problems.push(problem);
            return None;
        }
        if at.value.contains(['+', '#']) {
            let found = format!("{}, which matches many topics", quoted(&at.value));
            let accepted = "the one topic of this probe, unless only one device publishes there";
            self.problems.push(self.problems.about(at, found, accepted).as_warning());
        } else if at.value.starts_with('/') {
            let problem = self.problems.about(
                at,
                format!("{}, which begins with an empty level", quoted(&at.value)),
                "the topic as the probe sends it",
            );
            self.problems
                .push(problem.with_hint("the leading `/` counts: most probes send without it").as_warning());
        }
        Some(at.value.clone())
    }
}

/// MQTT 3.1.1, section 4.7: what a topic filter may be.
fn check_filter(filter: &str) -> Result<(), &'static str> {
    if filter.is_empty() {
        return Err("it is empty");
    }
    if filter.len() > 65_535 || filter.contains('\0') {
        return Err("it is too long or contains a zero character");
    }
    let levels: Vec<&str> = filter.split('/').collect();
    for (index, level) in levels.iter().enumerate() {
        if level.contains('#') && (*level != "#" || index + 1 != levels.len()) {
            return Err("`#` stands only alone, as the last level");
        }
        if level.contains('+') && *level != "+" {
            return Err("`+` stands only alone in its level");
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::check_filter;

    /// The examples of MQTT 3.1.1, sections 4.7.1.2 and 4.7.1.3.
    #[test]
    fn filters_of_the_specification() {
        for valid in [
            "sport/tennis/player1/#",
            "#",
            "sport/tennis/#",
            "+",
            "+/tennis/#",
            "sport/+/player1",
            "/finance",
            "/+",
        ] {
            assert_eq!(check_filter(valid), Ok(()), "{valid}");
        }
        for invalid in ["sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "a\0b"] {
            assert!(check_filter(invalid).is_err(), "{invalid}");
        }
    }
}
