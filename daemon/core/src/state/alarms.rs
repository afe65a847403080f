//! What people do to alarms: acknowledge, shelve, take back, reset.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::State;
use crate::alarm::shelf::{Shelf, until};
use crate::alarm::{Alarm, Cause};
use crate::effect::{AlarmState, Effect};
use crate::pond::Scene;
use crate::time::Span;

/// A reason is cut here: far longer than anybody types, so that it cannot fill the memory.
const LONGEST_REASON: usize = 400;

/// Where an alarm is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    Pond(usize),
    Probe(usize),
    Node,
    Gateway,
    Farm,
}

impl State {
    /// Every alarm there is.
    pub(crate) fn alarms(&self) -> impl Iterator<Item = &Alarm> {
        self.ponds
            .iter()
            .flat_map(|pond| &pond.alarms)
            .chain(self.probes.iter().map(|probe| &probe.alarm))
            .chain(self.nodes.iter().map(|node| &node.alarm))
            .chain(&self.gateway_alarms)
            .chain([&self.power.alarm])
    }

    fn find_alarm(&mut self, id: &str) -> Option<(Place, &mut Alarm)> {
        let ponds = self.ponds.iter_mut().enumerate().flat_map(|(position, pond)| {
            pond.alarms.iter_mut().map(move |alarm| (Place::Pond(position), alarm))
        });
        let probes = self.probes.iter_mut().enumerate();
        let probes = probes.map(|(position, probe)| (Place::Probe(position), &mut probe.alarm));
        let gateway = self.gateway_alarms.iter_mut().map(|alarm| (Place::Gateway, alarm));
        let nodes = self.nodes.iter_mut().map(|node| (Place::Node, &mut node.alarm));
        let farm = [(Place::Farm, &mut self.power.alarm)];
        ponds.chain(probes).chain(nodes).chain(gateway).chain(farm).find(|(_, alarm)| alarm.id == id)
    }

    /// Ids of the alarms for which `wanted` holds, as a refusal names them.
    fn listed(&self, wanted: impl Fn(&Alarm) -> bool, none: &str, some: &str) -> String {
        let ids: Vec<&str> =
            self.alarms().filter(|alarm| wanted(alarm)).map(|alarm| alarm.id.as_str()).collect();
        if ids.is_empty() { String::from(none) } else { format!("{some}: {}", ids.join(", ")) }
    }

    pub(super) fn acknowledge(&mut self, id: &str, by: &str, effects: &mut Vec<Effect>) {
        let now = self.now;
        let (Some(site), Some(night)) = (&self.site, self.night) else {
            return self.refuse(format!("acknowledged {id} before any farm was known"), effects);
        };
        let scene = Scene {
            site,
            probes: &self.probes,
            night,
            now,
            falls: &self.falls,
            power_lost: self.power.lost(),
            diary: &self.diary,
        };
        let mut refused: Option<AlarmState> = None;
        for pond in &mut self.ponds {
            match pond.acknowledge(id, by, now, effects) {
                // Settling names the time at which it sounds again.
                Some(Ok(())) => return pond.settle(&scene, effects),
                Some(Err(state)) => refused = Some(state),
                None => {}
            }
        }
        if let Some((Place::Probe(_) | Place::Node | Place::Gateway | Place::Farm, alarm)) =
            self.find_alarm(id)
        {
            match alarm.apply(now, Cause::Acknowledge, Some(by), None) {
                Some(change) => return effects.push(Effect::AlarmChanged(change)),
                None => refused = Some(alarm.state),
            }
        }
        let why = match refused {
            Some(AlarmState::Acknowledged) => "is acknowledged already",
            Some(AlarmState::LatchedAcknowledged) => "is acknowledged already and waits to be reset",
            Some(AlarmState::Shelved) => "is shelved: unshelve it first",
            Some(AlarmState::Suppressed) => "is counted within another alarm: acknowledge that",
            Some(AlarmState::OutOfService) => "is out of service",
            Some(_) => "is not in alarm",
            None => "is not the id of any alarm",
        };
        let accepted = self.listed(
            |alarm| alarm.state.awaits_acknowledgement(),
            "no alarm waits for it",
            "waiting for it",
        );
        self.refuse(format!("acknowledged {id}, which {why}; {accepted}"), effects);
    }

    pub(super) fn shelve(
        &mut self,
        id: &str,
        length: Span,
        reason: &str,
        by: &str,
        effects: &mut Vec<Effect>,
    ) {
        let now = self.now;
        let Some(night) = self.night else {
            return self.refuse(format!("shelved {id} before any farm was known"), effects);
        };
        let Some((place, alarm)) = self.find_alarm(id) else {
            let accepted = self.listed(
                |alarm| alarm.state != AlarmState::Normal,
                "every alarm is normal now",
                "not normal now",
            );
            let reason = format!("shelved {id}, which is not the id of any alarm; {accepted}");
            return self.refuse(reason, effects);
        };
        let until = match until(alarm, length, night, now) {
            Ok(until) => until,
            Err(why) => return self.refuse(format!("shelved {id}: {why}"), effects),
        };
        let reason = reason.chars().take(LONGEST_REASON).collect();
        let change = alarm.shelve(now, Shelf { until, by: String::from(by), reason });
        effects.extend(change.map(Effect::AlarmChanged));
        self.settle_place(place, effects);
    }

    pub(super) fn unshelve(&mut self, id: &str, by: &str, effects: &mut Vec<Effect>) {
        self.move_one(id, Cause::Unshelve, by, ("unshelved", "is not shelved", AlarmState::Shelved), effects);
    }

    pub(super) fn reset(&mut self, id: &str, by: &str, effects: &mut Vec<Effect>) {
        let words = (
            "reset",
            "does not wait to be reset: what is latched is acknowledged first, once it is over",
            AlarmState::LatchedAcknowledged,
        );
        self.move_one(id, Cause::Reset, by, words, effects);
    }

    fn move_one(
        &mut self,
        id: &str,
        cause: Cause,
        by: &str,
        (done, cannot, from): (&str, &str, AlarmState),
        effects: &mut Vec<Effect>,
    ) {
        let now = self.now;
        let found = self
            .find_alarm(id)
            .map(|(place, alarm)| alarm.apply(now, cause, Some(by), None).map(|change| (place, change)));
        let why = match found {
            Some(Some((place, change))) => {
                effects.push(Effect::AlarmChanged(change));
                return self.settle_place(place, effects);
            }
            Some(None) => cannot,
            None => "is not the id of any alarm",
        };
        let none = format!("no alarm can be {done}");
        let some = format!("can be {done}");
        let accepted = self.listed(|alarm| alarm.state == from, &none, &some);
        self.refuse(format!("{done} {id}, which {why}; {accepted}"), effects);
    }

    /// Judges what keeps the alarm anew, which also names the time at which it next changes.
    fn settle_place(&mut self, place: Place, effects: &mut Vec<Effect>) {
        match place {
            Place::Pond(_) => self.settle_ponds(effects),
            Place::Probe(position) => self.settle_probe(position, effects),
            Place::Node => self.settle_nodes(effects),
            Place::Gateway | Place::Farm => {}
        }
    }
}
