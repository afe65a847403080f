//! Which aerators run, which have stopped, and which are left to start.

use super::PondState;
use crate::effect::AdviceAction;
use crate::time::{Span, Timestamp};

impl PondState {
    /// Notes whether an aerator group runs.
    pub fn take_aerator(&mut self, group: u16, running: bool, at: Timestamp) {
        if let Some(known) = self.aerators_on.get_mut(usize::from(group))
            && *known != Some(running)
        {
            self.energy.count_to(at);
            // What was advised to rest has not failed when it does.
            let rests = self.advice.as_ref().is_some_and(|advice| {
                advice.action == AdviceAction::Rest && advice.aerators.contains(&group)
            });
            if let Some(stopped) = self.stopped_at.get_mut(usize::from(group)) {
                *stopped = (*known == Some(true) && !running && !rests).then_some(at);
            }
            if let Some(off) = self.off_since.get_mut(usize::from(group)) {
                *off = (*known == Some(true) && !running).then_some(at);
            }
            if known.is_some() {
                self.aerators_changed_at = Some(at);
                let (stop, start) = &mut self.last_stop_and_start;
                *(if running { start } else { stop }) = Some(at);
                self.night.invalidate();
            }
            *known = Some(running);
            self.advised = None;
        }
    }

    /// Whether an aerator was switched within `span` before `now`.
    pub fn aerators_switched_within(&self, now: Timestamp, span: Span) -> bool {
        self.aerators_changed_at.is_some_and(|at| now - at <= span)
    }

    /// Groups that stopped since sunset, one bit each; none by day, when people switch them off.
    pub(crate) fn stopped_tonight(&self, now: Timestamp) -> u64 {
        let Some(sunset) = self.night.sunset().filter(|_| self.night.is_on(now)) else { return 0 };
        self.stopped_at
            .iter()
            .take(64)
            .enumerate()
            .filter(|(_, stopped)| stopped.is_some_and(|at| at >= sunset))
            .fold(0, |bits, (group, _)| bits | 1 << group)
    }

    /// When each group that ran tonight and does no more has stopped, advised to or not.
    pub(crate) fn stops_tonight(&self, now: Timestamp) -> impl Iterator<Item = Timestamp> {
        let sunset = self.night.sunset().filter(|_| self.night.is_on(now));
        let stops = self.off_since.iter().take(64).copied().flatten();
        stops.filter(move |&at| sunset.is_some_and(|sunset| at >= sunset))
    }

    /// Groups that neither are known to run nor are among `stopped`, one bit each.
    pub(super) fn startable(&self, stopped: u64) -> u64 {
        self.aerators_on
            .iter()
            .take(64)
            .enumerate()
            .filter(|(_, running)| **running != Some(true))
            .fold(0, |bits, (group, _)| bits | 1 << group)
            & !stopped
    }
}
