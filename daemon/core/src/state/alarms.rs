//! What people do to alarms: acknowledge, shelve, take back, reset.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::State;
use crate::alarm::shelf::{Shelf, until};
use crate::alarm::{Alarm, Cause};
use crate::effect::{AlarmChange, AlarmState, Effect};
use crate::pond::Scene;
use crate::said::{Said, said};
use crate::site::{PondIndex, Site};
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

    /// Every alarm there is.
    pub(super) fn alarms_mut(&mut self) -> impl Iterator<Item = &mut Alarm> {
        self.ponds
            .iter_mut()
            .flat_map(|pond| &mut pond.alarms)
            .chain(self.probes.iter_mut().map(|probe| &mut probe.alarm))
            .chain(self.nodes.iter_mut().map(|node| &mut node.alarm))
            .chain(&mut self.gateway_alarms)
            .chain([&mut self.power.alarm])
    }

    /// Copies of those that others were told of.
    pub(super) fn alarms_not_normal(&self) -> Vec<Alarm> {
        self.alarms().filter(|alarm| alarm.state != AlarmState::Normal).cloned().collect()
    }

    /// A configuration may take an alarm away with its pond, probe or limit, or give it another id with its pond. Whoever
    /// keeps a list of what he was told would have the old one for ever, and not the new one.
    pub(super) fn tell_alarms_that_moved(
        &self,
        before: &[Alarm],
        old: Option<&Site>,
        effects: &mut Vec<Effect>,
    ) {
        let is_now = |id: &str| self.alarms().any(|alarm| alarm.id == id);
        for alarm in before.iter().filter(|alarm| !is_now(&alarm.id)) {
            let message =
                said!("over-removed", "{name}: over, the configuration has it no more.", name = &alarm.name);
            effects.push(Effect::AlarmChanged(AlarmChange {
                pond: self.pond_now(alarm.pond, old),
                state: AlarmState::Normal,
                previous_state: alarm.state,
                message: message.into(),
                shelf: None,
                root: None,
                ..alarm.as_told(self.now)
            }));
        }
        let moved = self.alarms().filter(|alarm| alarm.state != AlarmState::Normal);
        for alarm in moved.filter(|alarm| before.iter().all(|known| known.id != alarm.id)) {
            effects.push(Effect::AlarmChanged(alarm.as_told(self.now)));
        }
    }

    /// Where a pond of the configuration before stands now.
    fn pond_now(&self, pond: Option<PondIndex>, old: Option<&Site>) -> Option<PondIndex> {
        let id = &old?.ponds.get(usize::from(pond?.0))?.id;
        let place = self.site.as_ref()?.ponds.iter().position(|pond| pond.id == *id)?;
        u16::try_from(place).ok().map(PondIndex)
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
    fn listed(&self, wanted: impl Fn(&Alarm) -> bool, none: Said, some: Said) -> Said {
        let ids: Vec<&str> =
            self.alarms().filter(|alarm| wanted(alarm)).map(|alarm| alarm.id.as_str()).collect();
        if ids.is_empty() {
            return none;
        }
        said!("refused-list", "{some}: {ids}", some = some, ids = ids.join(", "))
    }

    pub(super) fn acknowledge(&mut self, id: &str, by: &str, effects: &mut Vec<Effect>) {
        let now = self.now;
        let (Some(site), Some(night)) = (&self.site, self.night) else {
            return self.refuse_plainly(format!("{id} was not acknowledged: no farm is known yet"), effects);
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
            Some(AlarmState::Acknowledged) => said!("refused-acknowledged", "is acknowledged already"),
            Some(AlarmState::LatchedAcknowledged) => {
                said!("refused-latched", "is acknowledged already and waits to be reset")
            }
            Some(AlarmState::Shelved) => said!("refused-shelved", "is shelved: unshelve it first"),
            Some(AlarmState::Suppressed) => {
                said!("refused-inside", "is counted within another alarm: acknowledge that")
            }
            Some(AlarmState::OutOfService) => said!("refused-out", "is out of service"),
            Some(_) => said!("refused-no-alarm", "is not in alarm"),
            None => no_such(),
        };
        let accepted = self.listed(
            |alarm| alarm.state.awaits_acknowledgement(),
            said!("refused-none-waits", "no alarm waits for it"),
            said!("refused-waiting", "waiting for it"),
        );
        let reason = said!(
            "refused-acknowledge",
            "{id} was not acknowledged: it {why}; {accepted}",
            id = id,
            why = why,
            accepted = accepted
        );
        self.refuse(reason, effects);
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
            return self.refuse_plainly(format!("{id} was not shelved: no farm is known yet"), effects);
        };
        let Some((place, alarm)) = self.find_alarm(id) else {
            let accepted = self.listed(
                |alarm| alarm.state != AlarmState::Normal,
                said!("refused-all-normal", "every alarm is normal now"),
                said!("refused-not-normal", "not normal now"),
            );
            let reason = said!(
                "refused-shelve-none",
                "{id} was not shelved, since it {why}; {accepted}",
                id = id,
                why = no_such(),
                accepted = accepted
            );
            return self.refuse(reason, effects);
        };
        let until = match until(alarm, length, night, now) {
            Ok(until) => until,
            Err(why) => {
                return self.refuse(
                    said!("refused-shelve", "{id} was not shelved: {why}", id = id, why = why),
                    effects,
                );
            }
        };
        let reason = reason.chars().take(LONGEST_REASON).collect();
        let change = alarm.shelve(now, Shelf { until, by: String::from(by), reason });
        effects.extend(change.map(Effect::AlarmChanged));
        self.settle_place(place, effects);
    }

    pub(super) fn unshelve(&mut self, id: &str, by: &str, effects: &mut Vec<Effect>) {
        let cannot = said!("refused-not-shelved", "is not shelved");
        let Some(why) = self.move_one(id, Cause::Unshelve, by, cannot, effects) else { return };
        let accepted = self.listed(
            |alarm| alarm.state == AlarmState::Shelved,
            said!("refused-none-unshelved", "no alarm can be unshelved"),
            said!("refused-can-unshelve", "can be unshelved"),
        );
        let reason = said!(
            "refused-unshelve",
            "{id} was not unshelved: it {why}; {accepted}",
            id = id,
            why = why,
            accepted = accepted
        );
        self.refuse(reason, effects);
    }

    pub(super) fn reset(&mut self, id: &str, by: &str, effects: &mut Vec<Effect>) {
        let cannot = said!(
            "refused-not-latched",
            "does not wait to be reset: what is latched is acknowledged first, once it is over"
        );
        let Some(why) = self.move_one(id, Cause::Reset, by, cannot, effects) else { return };
        let accepted = self.listed(
            |alarm| alarm.state == AlarmState::LatchedAcknowledged,
            said!("refused-none-reset", "no alarm can be reset"),
            said!("refused-can-reset", "can be reset"),
        );
        let reason = said!(
            "refused-reset",
            "{id} was not reset: it {why}; {accepted}",
            id = id,
            why = why,
            accepted = accepted
        );
        self.refuse(reason, effects);
    }

    /// Moves an alarm for a cause; else says why it cannot be.
    fn move_one(
        &mut self,
        id: &str,
        cause: Cause,
        by: &str,
        cannot: Said,
        effects: &mut Vec<Effect>,
    ) -> Option<Said> {
        let now = self.now;
        let found = self
            .find_alarm(id)
            .map(|(place, alarm)| alarm.apply(now, cause, Some(by), None).map(|change| (place, change)));
        match found {
            Some(Some((place, change))) => {
                effects.push(Effect::AlarmChanged(change));
                self.settle_place(place, effects);
                None
            }
            Some(None) => Some(cannot),
            None => Some(no_such()),
        }
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

fn no_such() -> Said {
    said!("refused-no-such", "is not the id of any alarm")
}
