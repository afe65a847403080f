//! A pond's alarms as the calls need them.

use alloc::vec::Vec;

use super::announce::place_of;
use super::{PondState, Scene};
use crate::alarm::Alarm;
use crate::alarm_set::{CONDITIONS, Condition};
use crate::call::START_ALL_AFTER;
use crate::effect::{AlarmState, Priority};
use crate::said::{Said, length, said};

impl PondState {
    /// Every alarm, and whether somebody has acknowledged a graver one of the same condition.
    pub fn alarms_known(&self) -> impl Iterator<Item = (&Alarm, bool)> {
        self.alarms.iter().zip(CONDITIONS).map(|(alarm, (condition, ..))| {
            let mut gravers = core::iter::successors(condition.graver(), |graver| graver.graver())
                .filter_map(|graver| self.alarms.get(place_of(graver)?));
            (alarm, gravers.any(|graver| graver.state == AlarmState::Acknowledged))
        })
    }

    /// What to start where a critical alarm about oxygen has not been acknowledged for some minutes. Advice:
    /// the gateway switches no aerator.
    pub fn start_all(&self, scene: &Scene<'_>, place: usize) -> Option<Said> {
        let alarm = self.alarms.get(place)?;
        let (condition, ..) = *CONDITIONS.get(place)?;
        let is_oxygen = matches!(
            condition,
            Condition::DoLow(_)
                | Condition::DoFalling
                | Condition::DoForecast(_)
                | Condition::DoBlind(_)
                | Condition::AeratorStopped(_)
        );
        let unheard = scene.now - alarm.changed_at;
        if !is_oxygen
            || alarm.priority != Priority::Critical
            || alarm.state != AlarmState::Unacknowledged
            || unheard < START_ALL_AFTER
        {
            return None;
        }
        let pond = scene.site.ponds.get(usize::from(self.index.0))?;
        let groups = pond.aerators.iter().zip(&self.aerators_on);
        let left: Vec<&str> =
            groups.filter(|(_, on)| **on != Some(true)).map(|(group, _)| group.id.as_str()).collect();
        (!left.is_empty()).then(|| {
            said!(
                "said-start-all",
                "Not acknowledged for {since}: start by hand every aerator that can run ({groups}).",
                since = length(unheard),
                groups = left.join(", ")
            )
        })
    }
}
