//! What people are to hear and see: the horn, the lamp, the calls.

use alloc::string::String;
use alloc::vec::Vec;

use super::State;
use crate::alarm::Alarm;
use crate::call::{Call, CallPlan, CalledFor, Carried, Chain, HornTest, Outcome, Standing};
use crate::effect::{Effect, Priority};
use crate::pond::PondState;
use crate::time::Timestamp;

impl State {
    /// Counts what was announced, sounds or silences the horn, lights or darkens the lamp and makes the calls that are due, if an
    /// alarm changed since effect number `first`, or if one may have gone with its pond.
    pub(super) fn annunciate(&mut self, first: usize, effects: &mut Vec<Effect>) {
        let changed = effects.iter().skip(first).any(|effect| matches!(effect, Effect::AlarmChanged(_)));
        if changed || self.load.flood_since().is_some() {
            let by_night = self.night.is_some_and(|night| night.is_watch(self.now));
            self.load.note(self.now, by_night, effects.iter().skip(first));
        }
        let gone = core::mem::take(&mut self.site_taken);
        if changed || gone {
            let (sound, lit) = (self.any_sounds(), self.any_stands());
            if sound != self.horn {
                self.horn = sound;
                effects.push(Effect::Horn { at: self.now, sound });
            }
            if lit != self.lamp {
                self.lamp = lit;
                effects.push(Effect::Lamp { at: self.now, lit });
            }
            self.follow_calls();
        }
        self.call(effects);
    }

    pub(super) fn calls_due(&self) -> Option<Timestamp> {
        self.calls.deadline(&self.site.as_ref()?.calls)
    }

    pub(super) fn take_carried(&mut self, what: &Carried, outcome: &Outcome) {
        match what {
            Carried::HornTest => {
                self.horn_test = Some(HornTest { at: self.now, outcome: outcome.clone() });
            }
            Carried::Call { step, asked_at } => self.calls.carried(step, *asked_at, outcome),
        }
    }

    /// Those that belong to no pond's own list.
    fn loose_alarms(&self) -> impl Iterator<Item = &Alarm> {
        let probes = self.probes.iter().map(|probe| &probe.alarm);
        let nodes = self.nodes.iter().map(|node| &node.alarm);
        probes.chain(nodes).chain(&self.gateway_alarms).chain([&self.power.alarm])
    }

    fn any_sounds(&self) -> bool {
        self.ponds.iter().any(PondState::sounds) || self.loose_alarms().any(Alarm::sounds)
    }

    fn any_stands(&self) -> bool {
        self.alarms().any(|alarm| alarm.state.is_standing() && alarm.priority <= Priority::High)
    }

    fn follow_calls(&mut self) {
        let mut calls = core::mem::take(&mut self.calls);
        if let Some(site) = &self.site {
            let ponds = self.ponds.iter().flat_map(PondState::alarms_known);
            let all = ponds.chain(self.loose_alarms().map(|alarm| (alarm, false)));
            let standing = all.map(|(alarm, is_known)| Standing {
                id: &alarm.id,
                priority: alarm.priority,
                state: alarm.state,
                is_known,
            });
            calls.follow(&site.calls, self.now, standing);
        }
        self.calls = calls;
    }

    fn call(&mut self, effects: &mut Vec<Effect>) {
        let now = self.now;
        while let Some(call) = self.due_call(now) {
            self.calls.hand_over(call.clone());
            effects.push(Effect::Call(call));
        }
    }

    fn due_call(&mut self, now: Timestamp) -> Option<Call> {
        let (step, due) = self.calls.take_due(&self.site.as_ref()?.calls, now)?;
        let mut alarms: Vec<(CalledFor, u32)> =
            due.into_iter().filter_map(|(id, before)| Some((self.called_for(&id)?, before))).collect();
        alarms.sort_by(|(a, _), (b, _)| {
            (a.priority, a.raised_at).cmp(&(b.priority, b.raised_at)).then_with(|| a.id.cmp(&b.id))
        });
        let before = alarms.first().map_or(0, |(_, before)| *before);
        Some(Call {
            at: now,
            step: step.id,
            name: step.name,
            before,
            alarms: alarms.into_iter().map(|(alarm, _)| alarm).collect(),
        })
    }

    fn called_for(&self, id: &str) -> Option<CalledFor> {
        let tell = |alarm: &Alarm, message: String| CalledFor {
            id: alarm.id.clone(),
            pond: alarm.pond,
            name: alarm.name.clone(),
            priority: alarm.priority,
            state: alarm.state,
            raised_at: alarm.raised_at,
            message,
        };
        let scene = self.scene()?;
        for pond in &self.ponds {
            if let Some(place) = pond.alarms.iter().position(|alarm| alarm.id == id) {
                let alarm = pond.alarms.get(place)?;
                let mut message =
                    String::from(pond.message(&scene, place).unwrap_or_else(|| alarm.message.clone()));
                if let Some(start) = pond.start_all(&scene, place) {
                    message.push(' ');
                    message.push_str(&start);
                }
                return Some(tell(alarm, message));
            }
        }
        let alarm = self.loose_alarms().find(|alarm| alarm.id == id)?;
        Some(tell(alarm, alarm.message.english().into()))
    }

    /// The chain of an alarm, and its next step with the time.
    pub(crate) fn chain_of(&self, alarm: &str) -> Option<(&Chain, Option<(&str, Timestamp)>)> {
        let chain = self.calls.chain(alarm)?;
        let plan: &CallPlan = &self.site.as_ref()?.calls;
        let next = self
            .calls
            .next(plan, chain)
            .and_then(|(place, due)| Some((plan.steps.get(place)?.id.as_str(), due)));
        Some((chain, next))
    }
}
