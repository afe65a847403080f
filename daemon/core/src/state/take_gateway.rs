//! What the gateway says of itself: faults of its parts, devices that come and go, its clock.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::State;
use crate::alarm::{Delays, Sight};
use crate::effect::Effect;
use crate::gateway_fault;
use crate::input::GatewayPart;
use crate::said::{self, said};
use crate::time::{Span, Timestamp};

/// A clock that was set by less than this is in the audit trail and no alarm: a battery clock gains as much between two
/// starts, and nobody has to act on it. (Common practice, no source.)
pub const CLOCK_ALARM_FROM: Span = Span::from_minutes(1);

impl State {
    pub(super) fn take_gateway_fault(
        &mut self,
        part: GatewayPart,
        which: &str,
        detail: Option<&str>,
        effects: &mut Vec<Effect>,
    ) {
        let was_faulty = self.faults.iter().any(|fault| fault.part == part && fault.which == which);
        gateway_fault::note(&mut self.faults, part, which, detail, self.now);
        if detail.is_none() && was_faulty && matches!(part, GatewayPart::Bus | GatewayPart::Broker) {
            self.reach_again(which, effects);
        }
        let id = gateway_fault::id(part, which);
        if !self.gateway_alarms.iter().any(|alarm| alarm.id == id) {
            if detail.is_none() {
                return;
            }
            if !gateway_fault::make_room(&mut self.gateway_alarms) {
                let reason = format!(
                    "took a fault of {id}; {} parts of the gateway are in alarm already, which is the most that are kept",
                    self.gateway_alarms.len()
                );
                return self.refuse_plainly(reason, effects);
            }
            self.gateway_alarms.push(gateway_fault::alarm(part, which));
        }
        if let Some(alarm) = self.gateway_alarms.iter_mut().find(|alarm| alarm.id == id) {
            gateway_fault::settle(alarm, &self.faults, (self.now, self.power.lost()), effects);
        }
    }

    pub(super) fn take_node_said(&mut self, id: &str, is_there: bool, effects: &mut Vec<Effect>) {
        let now = self.now;
        match self.nodes.iter_mut().find(|node| node.id == id) {
            Some(node) => node.take_said(is_there, now),
            None => {
                let known: Vec<&str> = self.nodes.iter().map(|node| node.id.as_str()).collect();
                let known = if known.is_empty() { String::from("none") } else { known.join(", ") };
                let said = if is_there { "there" } else { "gone" };
                self.refuse_plainly(
                    format!("took that node {id} is {said}; nodes that carry several probes: {known}"),
                    effects,
                );
            }
        }
    }

    /// A line or a broker is back.
    fn reach_again(&mut self, link: &str, effects: &mut Vec<Effect>) {
        let Some(site) = &self.site else { return };
        let mut there: Vec<usize> = Vec::new();
        for (position, (state, probe)) in self.probes.iter_mut().zip(&site.probes).enumerate() {
            if probe.link == link && !link.is_empty() {
                state.reached_again(probe, self.now);
                there.push(position);
            }
        }
        for position in there {
            self.settle_probe(position, effects);
        }
    }

    pub(super) fn take_clock_step(&mut self, from: Timestamp, to: Timestamp, effects: &mut Vec<Effect>) {
        if to > self.now {
            self.leap = Some(to);
        }
        let forward = to - from;
        let (direction, by) = if to >= from {
            (said!("clock-forward", "forward"), forward)
        } else {
            (said!("clock-back", "back"), from - to)
        };
        if by < CLOCK_ALARM_FROM {
            return;
        }
        let id = gateway_fault::id(GatewayPart::Clock, "");
        if !self.gateway_alarms.iter().any(|alarm| alarm.id == id)
            && gateway_fault::make_room(&mut self.gateway_alarms)
        {
            self.gateway_alarms.push(gateway_fault::alarm(GatewayPart::Clock, ""));
        }
        let standing = self.faults.iter().any(|fault| fault.part == GatewayPart::Clock);
        if let Some(alarm) = self.gateway_alarms.iter_mut().find(|alarm| alarm.id == id) {
            let message = said!(
                "said-clock",
                "Gateway: its clock was set {direction} by {by}. Times of readings around now are unsure.",
                direction = direction,
                by = said::length(by)
            );
            const AT_ONCE: Delays = Delays::minutes(0, 0);
            for sight in [Sight::Beyond, Sight::Clear] {
                if sight == Sight::Clear && standing {
                    continue;
                }
                if let Some(cause) = alarm.observe(self.now, sight, AT_ONCE) {
                    let change = alarm.apply(self.now, cause, None, Some(message.clone()));
                    effects.extend(change.map(Effect::AlarmChanged));
                }
            }
        }
    }
}
