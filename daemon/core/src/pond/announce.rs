//! A pond's alarms: raised and cleared by the facts, acknowledged by people, put into words.

use alloc::vec::Vec;

use super::{PondState, Scene};
use crate::alarm::{Alarm, Cause};
use crate::alarm_set::{CONDITIONS, Condition, Facts};
use crate::effect::{AlarmState, Effect};
use crate::message;
use crate::power;
use crate::said::Said;
use crate::site::Pond;
use crate::time::Timestamp;
use crate::water_limits::Water;

impl PondState {
    /// Acknowledges an alarm of this pond and, since a graver level implies them, the unacknowledged
    /// milder levels of the same condition.
    pub fn acknowledge(
        &mut self,
        id: &str,
        by: &str,
        now: Timestamp,
        effects: &mut Vec<Effect>,
    ) -> Option<Result<(), AlarmState>> {
        let place = self.alarms.iter().position(|alarm| alarm.id == id)?;
        let alarm = self.alarms.get_mut(place)?;
        let state = alarm.state;
        let Some(change) = alarm.apply(now, Cause::Acknowledge, Some(by), None) else {
            return Some(Err(state));
        };
        effects.push(Effect::AlarmChanged(change));
        let (mut condition, ..) = *CONDITIONS.get(place)?;
        while let Some(milder) = CONDITIONS.iter().position(|(other, ..)| other.graver() == Some(condition)) {
            let change = self
                .alarms
                .get_mut(milder)
                .and_then(|alarm| alarm.apply(now, Cause::Acknowledge, Some(by), None));
            effects.extend(change.map(Effect::AlarmChanged));
            condition = CONDITIONS.get(milder)?.0;
        }
        Some(Ok(()))
    }

    /// Whether any alarm makes the horn sound. A milder level stays silent while somebody has
    /// acknowledged a graver one: they know.
    pub fn sounds(&self) -> bool {
        self.alarms_known().any(|(alarm, is_known)| alarm.sounds() && !is_known)
    }

    /// The present text of an alarm, for the view.
    pub fn message(&self, scene: &Scene<'_>, place: usize) -> Option<Said> {
        let alarm = self.alarms.get(place)?;
        if !alarm.state.is_standing() {
            return Some(alarm.message.clone());
        }
        let pond = scene.site.ponds.get(usize::from(self.index.0))?;
        let (condition, ..) = *CONDITIONS.get(place)?;
        let facts = self.facts(scene, pond);
        let verdict = self.oxygen_verdict(scene, &facts, pond);
        let facts = Facts { verdict: verdict.as_ref(), ..facts };
        Some(message::condition(condition, pond, &pond.limits, &facts))
    }
}

/// Takes every alarm where the facts lead it. Where the farm's power is lost, stopped aerators are no news;
/// where rain lies on top, nor is that salt and warmth have changed; where dosing is put aside, nothing is asked for.
pub(super) fn judge_alarms(
    alarms: &mut [Alarm],
    pond: &Pond,
    facts: &Facts<'_>,
    power_lost: Option<Timestamp>,
    effects: &mut Vec<Effect>,
) {
    // A graver condition follows its milder one.
    let graver_stands: [bool; CONDITIONS.len()] = core::array::from_fn(|place| {
        CONDITIONS.get(place).is_some_and(|(condition, ..)| condition.graver().is_some())
            && alarms.get(place + 1).is_some_and(|alarm| alarm.state.is_standing())
    });
    let layers = place_of(Condition::Water(Water::Layered)).and_then(|place| alarms.get(place));
    let layers = layers.filter(|alarm| alarm.state.is_standing()).map(|alarm| alarm.id.clone());
    let dosing = place_of(Condition::DoseDue).and_then(|place| alarms.get(place));
    let is_put_aside = |alarm: &&Alarm| alarm.shelf.as_ref().is_some_and(|shelf| shelf.until > facts.now);
    let dosing = dosing.filter(is_put_aside).map(|alarm| alarm.id.clone());
    for ((alarm, (condition, ..)), graver_stands) in alarms.iter_mut().zip(CONDITIONS).zip(graver_stands) {
        let (sight, delays) = condition.sight(&pond.limits, facts);
        let root = match condition {
            _ if condition.is_by_power() => power_lost.map(|_| power::ID),
            _ if condition.is_by_layers() => layers.as_deref(),
            _ if condition.is_by_dosing() => dosing.as_deref(),
            _ => None,
        };
        match alarm.judge(facts.now, sight, delays, root) {
            Some(Cause::Realarm) if graver_stands || condition.is_calm(&pond.limits, facts) => {
                alarm.postpone(facts.now);
            }
            Some(cause) => {
                let is_over = match cause {
                    Cause::Clears => true,
                    Cause::ShelfEnds | Cause::Release => !alarm.stands(),
                    _ => false,
                };
                let message = if is_over {
                    message::cleared(condition, pond, facts)
                } else {
                    message::condition(condition, pond, &pond.limits, facts)
                };
                effects.extend(alarm.apply(facts.now, cause, None, Some(message)).map(Effect::AlarmChanged));
            }
            None => {}
        }
    }
}

pub(super) fn place_of(condition: Condition) -> Option<usize> {
    CONDITIONS.iter().position(|&(other, ..)| other == condition)
}
