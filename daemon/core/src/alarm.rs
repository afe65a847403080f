//! One alarm and its life cycle after ANSI/ISA-18.2 (IEC 62682): normal, unacknowledged,
//! acknowledged, returned unacknowledged; with deadband, on-delay, off-delay and re-annunciation.
//!
//! What makes an alarm true is none of this module's business: see [`crate::alarm_set`].

use alloc::string::String;

use crate::effect::{AlarmChange, AlarmState, Priority};
use crate::site::PondIndex;
use crate::time::{Span, Timestamp};

/// An acknowledged critical alarm sounds again after this long while the danger remains. (Common
/// practice, no source.)
pub const REANNUNCIATE_AFTER: Span = Span::from_minutes(10);

/// What is seen of the condition right now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sight {
    /// Beyond the limit.
    Beyond,
    /// Back within the limit, but not yet past the deadband.
    Deadband,
    /// Past the deadband: clear.
    Clear,
    /// Not observed. Raises nothing and clears nothing.
    Unseen,
}

/// What moves an alarm from one state to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// The condition held for the whole on-delay.
    Occurs,
    /// The condition was clear for the whole off-delay.
    Clears,
    /// A person acknowledged.
    Acknowledge,
    /// The re-alarm timer ran out while the condition held.
    Realarm,
    /// A person took out of service what it watches.
    TakeOut,
    /// It is back in service: the alarm is judged anew.
    PutBack,
}

/// The state an alarm goes to, or `None` where the standard has no such transition.
pub const fn transition(state: AlarmState, cause: Cause) -> Option<AlarmState> {
    use AlarmState as S;
    match (state, cause) {
        (S::Normal | S::ReturnedUnacknowledged, Cause::Occurs) => Some(S::Unacknowledged),
        (S::Unacknowledged, Cause::Clears) => Some(S::ReturnedUnacknowledged),
        (S::Unacknowledged, Cause::Acknowledge) => Some(S::Acknowledged),
        (S::Acknowledged, Cause::Clears) => Some(S::Normal),
        (S::Acknowledged, Cause::Realarm) => Some(S::Unacknowledged),
        (S::ReturnedUnacknowledged, Cause::Acknowledge) => Some(S::Normal),
        (S::Normal | S::Unacknowledged | S::Acknowledged | S::ReturnedUnacknowledged, Cause::TakeOut) => {
            Some(S::OutOfService)
        }
        (S::OutOfService, Cause::PutBack) => Some(S::Normal),
        _ => None,
    }
}

impl AlarmState {
    /// Whether the condition stands in this state.
    pub const fn is_standing(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }
}

/// How long a condition must hold before the alarm follows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Delays {
    /// Before it is raised.
    pub on: Span,
    /// Before it returns to normal.
    pub off: Span,
}

impl Delays {
    /// In whole minutes.
    pub const fn minutes(on: i64, off: i64) -> Self {
        Self { on: Span::from_minutes(on), off: Span::from_minutes(off) }
    }
}

/// One alarm.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Alarm {
    /// The same for each occurrence.
    pub id: String,
    /// What a person calls it.
    pub name: String,
    /// The pond, if it is about one.
    pub pond: Option<PondIndex>,
    /// How urgent.
    pub priority: Priority,
    /// Where in its life it is.
    pub state: AlarmState,
    /// When this occurrence was raised.
    pub raised_at: Timestamp,
    /// When the state last changed.
    pub changed_at: Timestamp,
    /// As last announced.
    pub message: String,
    /// Who acknowledged this occurrence.
    pub acknowledged_by: Option<String>,
    /// Since when the condition has been opposite to what the state says.
    turning_since: Option<Timestamp>,
    /// The delay that then applies.
    turns_after: Span,
    /// When an acknowledged alarm sounds again.
    realarm_at: Option<Timestamp>,
}

impl Alarm {
    /// An alarm in the normal state.
    pub fn new(id: String, name: String, pond: Option<PondIndex>, priority: Priority) -> Self {
        Self {
            id,
            name,
            pond,
            priority,
            state: AlarmState::Normal,
            raised_at: Timestamp(0),
            changed_at: Timestamp(0),
            message: String::new(),
            acknowledged_by: None,
            turning_since: None,
            turns_after: Span::ZERO,
            realarm_at: None,
        }
    }

    /// Takes what is seen at `at`. Says what should happen to the state, if anything should; the
    /// caller then calls [`Self::apply`].
    pub fn observe(&mut self, at: Timestamp, sight: Sight, delays: Delays) -> Option<Cause> {
        if self.state == AlarmState::OutOfService {
            self.turning_since = None;
            return None;
        }
        let standing = self.state.is_standing();
        let turning = if standing { sight == Sight::Clear } else { sight == Sight::Beyond };
        if turning {
            let since = *self.turning_since.get_or_insert(at);
            self.turns_after = if standing { delays.off } else { delays.on };
            if at >= since + self.turns_after {
                return Some(if standing { Cause::Clears } else { Cause::Occurs });
            }
            return None;
        }
        if self.turning_since.take().is_some() && self.realarm_at.is_some_and(|due| due <= at) {
            // It had begun to clear and has relapsed: give the person the whole time again.
            self.realarm_at = Some(at + REANNUNCIATE_AFTER);
        }
        self.realarm_at.is_some_and(|due| due <= at).then_some(Cause::Realarm)
    }

    /// Puts off the next re-annunciation, where a graver alarm already speaks for this one.
    pub fn postpone(&mut self, at: Timestamp) {
        self.realarm_at = Some(at + REANNUNCIATE_AFTER);
    }

    /// Carries out a transition; `None` if the standard has none from the present state.
    pub fn apply(
        &mut self,
        at: Timestamp,
        cause: Cause,
        by: Option<&str>,
        message: Option<String>,
    ) -> Option<AlarmChange> {
        let previous_state = self.state;
        let state = transition(previous_state, cause)?;
        if let Some(message) = message {
            self.message = message;
        }
        self.state = state;
        self.changed_at = at;
        self.realarm_at = None;
        match cause {
            Cause::Occurs => {
                self.turning_since = None;
                self.raised_at = at;
                self.acknowledged_by = None;
            }
            Cause::Clears => self.turning_since = None,
            Cause::Acknowledge => {
                self.acknowledged_by = by.map(String::from);
                if state == AlarmState::Acknowledged && self.priority == Priority::Critical {
                    self.realarm_at = Some(at + REANNUNCIATE_AFTER);
                }
            }
            Cause::Realarm => {}
            Cause::TakeOut => {
                self.turning_since = None;
                self.raised_at = at;
            }
            Cause::PutBack => self.turning_since = None,
        }
        Some(AlarmChange {
            pond: self.pond,
            at,
            id: self.id.clone(),
            name: self.name.clone(),
            priority: self.priority,
            state,
            previous_state,
            message: self.message.clone(),
            by: by.map(String::from),
        })
    }

    /// When the alarm next wants to be looked at without anything new being seen.
    pub fn deadline(&self) -> Option<Timestamp> {
        match (self.turning_since, self.realarm_at) {
            (Some(since), _) => Some(since + self.turns_after),
            (None, realarm) => realarm,
        }
    }

    /// Whether it makes the horn sound.
    pub fn sounds(&self) -> bool {
        self.state == AlarmState::Unacknowledged && self.priority <= Priority::High
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DELAYS: Delays = Delays::minutes(5, 15);

    fn alarm() -> Alarm {
        Alarm::new("p1.do-low-critical".into(), "Oxygen low".into(), Some(PondIndex(0)), Priority::Critical)
    }

    fn at(minutes: i64) -> Timestamp {
        Timestamp(0) + Span::from_minutes(minutes)
    }

    /// Observes and applies, as the pond does.
    fn see(alarm: &mut Alarm, minutes: i64, sight: Sight) -> Option<AlarmState> {
        let cause = alarm.observe(at(minutes), sight, DELAYS)?;
        alarm.apply(at(minutes), cause, None, None).map(|change| change.state)
    }

    /// Every pair of state and cause, from the state diagram of ISA-18.2 for an alarm that neither
    /// latches nor is shelved or suppressed.
    #[test]
    fn every_transition_is_the_standards() {
        use AlarmState::{Acknowledged, Normal, OutOfService, ReturnedUnacknowledged, Unacknowledged};
        use Cause::{Acknowledge, Clears, Occurs, PutBack, Realarm, TakeOut};
        let table = [
            (Normal, Occurs, Some(Unacknowledged)),
            (Normal, Clears, None),
            (Normal, Acknowledge, None),
            (Normal, Realarm, None),
            (Unacknowledged, Occurs, None),
            (Unacknowledged, Clears, Some(ReturnedUnacknowledged)),
            (Unacknowledged, Acknowledge, Some(Acknowledged)),
            (Unacknowledged, Realarm, None),
            (Acknowledged, Occurs, None),
            (Acknowledged, Clears, Some(Normal)),
            (Acknowledged, Acknowledge, None),
            (Acknowledged, Realarm, Some(Unacknowledged)),
            (ReturnedUnacknowledged, Occurs, Some(Unacknowledged)),
            (ReturnedUnacknowledged, Clears, None),
            (ReturnedUnacknowledged, Acknowledge, Some(Normal)),
            (ReturnedUnacknowledged, Realarm, None),
            (Normal, TakeOut, Some(OutOfService)),
            (Unacknowledged, TakeOut, Some(OutOfService)),
            (Acknowledged, TakeOut, Some(OutOfService)),
            (ReturnedUnacknowledged, TakeOut, Some(OutOfService)),
            (OutOfService, TakeOut, None),
            (OutOfService, Occurs, None),
            (OutOfService, Clears, None),
            (OutOfService, Acknowledge, None),
            (OutOfService, Realarm, None),
            (OutOfService, PutBack, Some(Normal)),
            (Normal, PutBack, None),
            (Unacknowledged, PutBack, None),
            (Acknowledged, PutBack, None),
            (ReturnedUnacknowledged, PutBack, None),
        ];
        for (state, cause, expected) in table {
            assert_eq!(transition(state, cause), expected, "{state:?} and {cause:?}");
        }
    }

    #[test]
    fn a_dip_shorter_than_the_on_delay_raises_nothing() {
        let mut alarm = alarm();
        assert_eq!(see(&mut alarm, 0, Sight::Beyond), None);
        assert_eq!(see(&mut alarm, 4, Sight::Beyond), None);
        assert_eq!(see(&mut alarm, 5, Sight::Deadband), None, "not beyond any more");
        assert_eq!(see(&mut alarm, 6, Sight::Beyond), None);
        assert_eq!(alarm.deadline(), Some(at(11)));
        assert_eq!(see(&mut alarm, 11, Sight::Beyond), Some(AlarmState::Unacknowledged));
    }

    #[test]
    fn it_returns_only_when_clear_for_the_whole_off_delay() {
        let mut alarm = alarm();
        see(&mut alarm, 0, Sight::Beyond);
        assert_eq!(see(&mut alarm, 5, Sight::Beyond), Some(AlarmState::Unacknowledged));
        assert_eq!(see(&mut alarm, 6, Sight::Clear), None);
        assert_eq!(see(&mut alarm, 20, Sight::Deadband), None, "the deadband starts the off-delay anew");
        assert_eq!(see(&mut alarm, 25, Sight::Clear), None);
        assert_eq!(see(&mut alarm, 30, Sight::Unseen), None, "no data clears nothing");
        assert_eq!(see(&mut alarm, 31, Sight::Clear), None);
        assert_eq!(see(&mut alarm, 46, Sight::Clear), Some(AlarmState::ReturnedUnacknowledged));
    }

    #[test]
    fn an_acknowledged_critical_alarm_sounds_again_while_the_danger_remains() {
        let mut alarm = alarm();
        see(&mut alarm, 0, Sight::Beyond);
        see(&mut alarm, 5, Sight::Beyond);
        assert!(alarm.sounds());
        let change = alarm.apply(at(6), Cause::Acknowledge, Some("night"), None).unwrap();
        assert_eq!((change.state, change.by.as_deref()), (AlarmState::Acknowledged, Some("night")));
        assert!(!alarm.sounds());
        assert_eq!(see(&mut alarm, 15, Sight::Beyond), None);
        assert_eq!(alarm.deadline(), Some(at(16)));
        assert_eq!(see(&mut alarm, 16, Sight::Beyond), Some(AlarmState::Unacknowledged));
        assert!(alarm.sounds());
    }

    #[test]
    fn recovering_water_is_not_announced_again() {
        let mut alarm = alarm();
        see(&mut alarm, 0, Sight::Beyond);
        see(&mut alarm, 5, Sight::Beyond);
        alarm.apply(at(6), Cause::Acknowledge, Some("night"), None).unwrap();
        assert_eq!(see(&mut alarm, 14, Sight::Clear), None);
        assert_eq!(see(&mut alarm, 16, Sight::Clear), None);
        assert_eq!(see(&mut alarm, 20, Sight::Beyond), None, "a relapse starts the ten minutes anew");
        assert_eq!(see(&mut alarm, 30, Sight::Beyond), Some(AlarmState::Unacknowledged));
    }
}
