//! Devices that carry several probes, and lines whose probes have one power: silent together, they are one alarm.
//!
//! It counts the alarms of its probes. What is known of a pond's oxygen is none of theirs, and never hangs on it: low
//! oxygen and blindness alarm all the same.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::{Alarm, Delays, Sight};
use crate::effect::{Effect, PartFault, Priority};
use crate::gateway_fault;
use crate::input::{GatewayPart, ProbeFault};
use crate::message::place;
use crate::power;
use crate::probe::ProbeState;
use crate::said::{Said, length, said};
use crate::site::{PondIndex, Probe, Site};
use crate::time::{Span, Timestamp};

/// So long it must have been silent beyond what its probes are given, and so long heard again. A minute lets a device
/// that connects anew pass, and the loss of power be told first. (Common practice, no source.)
const DELAYS: Delays = Delays::minutes(1, 5);

/// So long nothing on it has answered when it was asked. (Common practice, no source.)
const UNANSWERED: Span = Span::from_minutes(2);

/// One of them.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct NodeState {
    /// Its id in the configuration.
    pub id: String,
    /// Positions of its probes.
    members: Vec<u16>,
    is_on_mains: bool,
    /// Since when it is said that it is not there.
    offline_since: Option<Timestamp>,
    /// When it was last heard before it fell silent.
    heard_at: Option<Timestamp>,
    /// Its one alarm.
    pub alarm: Alarm,
    /// When something next happens by the passing of time alone.
    pub deadline: Option<Timestamp>,
}

/// What is known of its silence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Silence {
    /// When anything of it was last heard.
    heard: Timestamp,
    /// From then on it is silent.
    from: Timestamp,
    is_said: bool,
}

/// When a probe was last heard; where it never was, since when it is expected.
fn heard(probe: &ProbeState) -> Option<Timestamp> {
    let channels = probe.channels.iter();
    channels
        .map(|state| state.newest_at().map_or(state.expected_since(), |at| at.max(state.expected_since())))
        .max()
}

/// The devices of a farm, with what is known of those that persist.
pub fn of_site(site: &Site, old: &[NodeState]) -> Vec<NodeState> {
    let mut nodes: Vec<NodeState> = Vec::new();
    for (position, probe) in site.probes.iter().enumerate() {
        let (Some(node), Ok(position)) = (&probe.node, u16::try_from(position)) else { continue };
        match nodes.iter_mut().find(|known| known.id == node.id) {
            Some(known) => {
                known.members.push(position);
                known.is_on_mains |= node.is_on_mains;
                if known.alarm.pond != probe.pond {
                    known.alarm.pond = None;
                }
            }
            None => nodes.push(NodeState {
                id: node.id.clone(),
                members: alloc::vec![position],
                is_on_mains: node.is_on_mains,
                offline_since: None,
                heard_at: None,
                alarm: Alarm::new(
                    String::new(),
                    format!("Node {} silent", node.id),
                    probe.pond,
                    Priority::Medium,
                ),
                deadline: None,
            }),
        }
    }
    // A device with one probe has nothing to count.
    nodes.retain(|node| node.members.len() > 1);
    for node in &mut nodes {
        node.alarm.id = id(site, node.alarm.pond, &node.id);
        if let Some(known) = old.iter().find(|known| known.id == node.id) {
            node.offline_since = known.offline_since;
            node.heard_at = known.heard_at;
            let fresh = core::mem::replace(&mut node.alarm, known.alarm.clone());
            (node.alarm.id, node.alarm.pond) = (fresh.id, fresh.pond);
        }
    }
    nodes
}

fn id(site: &Site, pond: Option<PondIndex>, node: &str) -> String {
    let pond = pond.and_then(|pond| site.ponds.get(usize::from(pond.0)));
    format!("{}.node-silent.{node}", pond.map_or("farm", |pond| pond.id.as_str()))
}

impl NodeState {
    /// Notes what is said of it.
    pub fn take_said(&mut self, is_there: bool, now: Timestamp) {
        self.offline_since = if is_there { None } else { Some(self.offline_since.unwrap_or(now)) };
    }

    fn members<'a>(
        &'a self,
        site: &'a Site,
        probes: &'a [ProbeState],
    ) -> impl Iterator<Item = (&'a Probe, &'a ProbeState)> {
        self.members.iter().filter_map(|&member| {
            let member = usize::from(member);
            Some((site.probes.get(member)?, probes.get(member)?))
        })
    }

    /// When it is silent: as soon as that is said, or once none of its probes was heard for as long as the quickest of
    /// them may be silent. What is heard afterwards counts more than what was said.
    fn silence(&self, site: &Site, probes: &[ProbeState]) -> Option<Silence> {
        let newest = self.members(site, probes).filter_map(|(_, state)| heard(state)).max()?;
        if let Some(since) = self.offline_since.filter(|&since| since >= newest) {
            return Some(Silence { heard: newest, from: since, is_said: true });
        }
        let patience = self
            .members(site, probes)
            .flat_map(|(probe, _)| &probe.channels)
            .map(|channel| channel.quality.missing_after)
            .min()?;
        // Asked and without an answer, every one: that is known sooner than what is only not heard.
        let is_asked = self
            .members(site, probes)
            .all(|(_, state)| matches!(state.fault, Some(ProbeFault::Silent | ProbeFault::Unreachable)));
        let patience = if is_asked { patience.min(UNANSWERED) } else { patience };
        Some(Silence { heard: newest, from: newest + patience, is_said: false })
    }

    fn silent_now(&self, site: &Site, probes: &[ProbeState], now: Timestamp) -> Option<Silence> {
        // A device that is being serviced is no news.
        let in_service = self.members(site, probes).any(|(_, state)| state.service.is_some());
        self.silence(site, probes).filter(|silence| silence.from <= now && !in_service)
    }

    /// Since when the mains must be lost, where it has no other power and is silent.
    pub fn mains_lost(&self, site: &Site, probes: &[ProbeState], now: Timestamp) -> Option<Timestamp> {
        let silence = self.silent_now(site, probes, now).filter(|_| self.is_on_mains)?;
        Some(silence.heard)
    }

    /// Whether it has no power but the mains.
    pub const fn is_on_mains(&self) -> bool {
        self.is_on_mains
    }

    /// When it was last heard before it fell silent the last time.
    pub const fn was_heard(&self) -> Option<Timestamp> {
        self.heard_at
    }

    /// The probes it carries.
    pub fn carries(&self, position: usize) -> bool {
        self.members.iter().any(|&member| usize::from(member) == position)
    }

    /// Judges its alarm. Says whether the alarm now stands that did not, or the reverse: then its probes must be
    /// judged anew.
    pub fn settle(
        &mut self,
        site: &Site,
        probes: &[ProbeState],
        (faults, power_lost): (&[PartFault], Option<Timestamp>),
        now: Timestamp,
        effects: &mut Vec<Effect>,
    ) -> bool {
        let stood = self.alarm.stands();
        let silent = self.silent_now(site, probes, now);
        self.heard_at = silent.map(|silence| silence.heard).or(self.heard_at);
        let sight = if silent.is_some() { Sight::Beyond } else { Sight::Clear };
        let root = silent.and_then(|silence| self.root(site, silence, faults, power_lost));
        if let Some(cause) = self.alarm.judge(now, sight, DELAYS, root.as_deref()) {
            let message = match silent {
                Some(_) => self.told(site, probes, now),
                None => said!(
                    "over-node",
                    "{place}: node {node} is heard again.",
                    place = self.place(site),
                    node = &self.id
                ),
            };
            effects.extend(self.alarm.apply(now, cause, None, Some(message)).map(Effect::AlarmChanged));
        }
        let turn = self.silence(site, probes).map(|silence| silence.from);
        self.deadline = self.alarm.deadline().into_iter().chain(turn).filter(|&due| due > now).min();
        self.alarm.stands() != stood
    }

    /// What it fell silent with: the farm's power, or the line or broker that all of it hangs on.
    fn root(
        &self,
        site: &Site,
        silence: Silence,
        faults: &[PartFault],
        power_lost: Option<Timestamp>,
    ) -> Option<String> {
        if power_lost.is_some_and(|lost| silence.heard >= lost) {
            return Some(String::from(power::ID));
        }
        let first = site.probes.get(usize::from(*self.members.first()?))?;
        let fault = faults.iter().find(|fault| {
            matches!(fault.part, GatewayPart::Bus | GatewayPart::Broker)
                && fault.which == first.link
                && !first.link.is_empty()
        })?;
        Some(gateway_fault::id(fault.part, &fault.which))
    }

    fn place(&self, site: &Site) -> Said {
        let pond = self.alarm.pond.and_then(|pond| site.ponds.get(usize::from(pond.0)));
        pond.map_or_else(|| said!("place-whole-farm", "Farm"), |pond| Said::plain(place(pond)))
    }

    fn told(&self, site: &Site, probes: &[ProbeState], now: Timestamp) -> Said {
        let ids: Vec<&str> = self.members(site, probes).map(|(probe, _)| probe.id.as_str()).collect();
        let silence = self.silence(site, probes);
        let since = silence
            .map(|silence| length(if now > silence.heard { now - silence.heard } else { Span::ZERO }))
            .unwrap_or_default();
        let how = if silence.is_some_and(|silence| silence.is_said) {
            said!("node-gone", "is said to be gone, and nothing was heard of it")
        } else {
            said!("node-silent", "sends nothing: nothing was heard of it")
        };
        said!(
            "said-node",
            "{place}: node {node} {how} for {since}; it carries {probes}. Check its power, cable or radio; measure by hand what it measured. A fault of the node, not known to be one of the water.",
            place = self.place(site),
            node = &self.id,
            how = how,
            since = since,
            probes = ids.join(", ")
        )
    }

    /// The present text, for the view: `inside` are the alarms that are counted in it.
    pub fn message(&self, site: &Site, probes: &[ProbeState], now: Timestamp, inside: usize) -> Said {
        if !self.alarm.state.is_standing() {
            return self.alarm.message.clone();
        }
        Said::joined(alloc::vec![self.told(site, probes, now), power::counted(inside)], "")
    }
}

/// What raises a device's alarm, for the explanation.
pub fn raised_when() -> Said {
    said!(
        "when-node",
        "it is said on its own topic that it is gone; or none of its probes was heard for as long as the quickest of them may be silent, or for {unanswered} where each was asked and did not answer; all of that for {on}",
        unanswered = length(UNANSWERED),
        on = length(DELAYS.on)
    )
}
