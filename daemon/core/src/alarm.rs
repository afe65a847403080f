//! One alarm and its life cycle after ANSI/ISA-18.2 (IEC 62682), with deadband, on-delay, off-delay,
//! re-annunciation, latching, shelving and suppression by design. The states are in [`life`].
//!
//! What makes an alarm true is none of this module's business: see [`crate::alarm_set`].

use alloc::string::String;

use crate::effect::{AlarmChange, AlarmState, Priority};
use crate::said::Said;
use crate::site::PondIndex;
use crate::time::{Span, Timestamp};

pub mod life;
pub mod shelf;

pub use life::{Cause, Footing, transition};
pub use shelf::Shelf;

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
    pub message: Said,
    /// Who acknowledged this occurrence.
    pub acknowledged_by: Option<String>,
    /// While it is shelved: until when, by whom and why.
    pub shelf: Option<Shelf>,
    /// While it is suppressed by design: the id of the alarm that tells of its cause.
    pub root: Option<String>,
    /// A person must reset it once its condition has cleared.
    pub latches: bool,
    /// While it is held: whether its condition stands all the same.
    stands_held: bool,
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
            message: Said::default(),
            acknowledged_by: None,
            shelf: None,
            root: None,
            latches: false,
            stands_held: false,
            turning_since: None,
            turns_after: Span::ZERO,
            realarm_at: None,
        }
    }

    /// The same alarm, which a person must reset once its condition has cleared.
    #[must_use]
    pub fn latching(mut self) -> Self {
        self.latches = true;
        self
    }

    /// Whether its condition stands, announced or not.
    pub fn stands(&self) -> bool {
        if self.state.is_held() { self.stands_held } else { self.state.is_standing() }
    }

    /// Takes what is seen at `at`. Says what should happen to the state, if anything should; the
    /// caller then calls [`Self::apply`].
    pub fn observe(&mut self, at: Timestamp, sight: Sight, delays: Delays) -> Option<Cause> {
        if self.state == AlarmState::OutOfService {
            self.turning_since = None;
            return None;
        }
        let standing = self.stands();
        let turning = if standing { sight == Sight::Clear } else { sight == Sight::Beyond };
        if turning {
            let since = *self.turning_since.get_or_insert(at);
            self.turns_after = if standing { delays.off } else { delays.on };
            if at >= since + self.turns_after {
                if !self.state.is_held() {
                    return Some(if standing { Cause::Clears } else { Cause::Occurs });
                }
                self.stands_held = !standing;
                self.turning_since = None;
                if self.stands_held {
                    self.raised_at = at;
                    self.acknowledged_by = None;
                }
            }
            return self.shelf_ends(at);
        }
        if self.turning_since.take().is_some() && self.realarm_at.is_some_and(|due| due <= at) {
            // It had begun to clear and has relapsed: give the person the whole time again.
            self.realarm_at = Some(at + REANNUNCIATE_AFTER);
        }
        let realarm = self.realarm_at.is_some_and(|due| due <= at).then_some(Cause::Realarm);
        realarm.or_else(|| self.shelf_ends(at))
    }

    fn shelf_ends(&self, at: Timestamp) -> Option<Cause> {
        self.shelf.as_ref().is_some_and(|shelf| shelf.until <= at).then_some(Cause::ShelfEnds)
    }

    /// The same, while another alarm with the id `root` tells of its cause, if there is one: then it is
    /// suppressed by design when it occurs, and let go when the other is over.
    pub fn judge(
        &mut self,
        at: Timestamp,
        sight: Sight,
        delays: Delays,
        root: Option<&str>,
    ) -> Option<Cause> {
        let cause = self.observe(at, sight, delays);
        let Some(root) = root else {
            return match self.state {
                // On its way back: nobody need hear of what ends with its cause.
                AlarmState::Suppressed if self.stands_held && sight == Sight::Clear => None,
                AlarmState::Suppressed => Some(Cause::Release),
                _ => cause,
            };
        };
        let suppress = match self.state {
            AlarmState::Suppressed => {
                self.root = Some(String::from(root));
                return None;
            }
            AlarmState::Shelved => cause == Some(Cause::ShelfEnds) && self.stands_held,
            state if state.is_standing() => cause != Some(Cause::Clears),
            _ => cause == Some(Cause::Occurs),
        };
        if suppress {
            self.root = Some(String::from(root));
            return Some(Cause::Suppress);
        }
        cause
    }

    /// Puts off the next re-annunciation, where a graver alarm already speaks for this one.
    pub fn postpone(&mut self, at: Timestamp) {
        self.realarm_at = Some(at + REANNUNCIATE_AFTER);
    }

    /// Puts it aside.
    pub fn shelve(&mut self, at: Timestamp, shelf: Shelf) -> Option<AlarmChange> {
        let by = shelf.by.clone();
        self.shelf = Some(shelf);
        let change = self.apply(at, Cause::Shelve, Some(&by), None);
        if change.is_none() {
            self.shelf = None;
        }
        change
    }

    /// Carries out a transition; `None` if the standard has none from the present state.
    pub fn apply(
        &mut self,
        at: Timestamp,
        cause: Cause,
        by: Option<&str>,
        message: Option<Said>,
    ) -> Option<AlarmChange> {
        let previous_state = self.state;
        let footing = Footing { latches: self.latches, stands: self.stands_held };
        let state = transition(previous_state, cause, footing)?;
        if let Some(message) = message {
            self.message = message;
        }
        match cause {
            // What is suppressed stands, or has just occurred.
            Cause::Suppress => self.stands_held = true,
            Cause::Shelve => self.stands_held = previous_state.is_standing(),
            // What is out of service is not seen: it is judged anew afterwards.
            Cause::TakeOut => self.stands_held = false,
            _ => {}
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
            Cause::Acknowledge => {
                self.acknowledged_by = by.map(String::from);
                if state == AlarmState::Acknowledged && self.priority == Priority::Critical {
                    self.realarm_at = Some(at + REANNUNCIATE_AFTER);
                }
            }
            Cause::TakeOut => {
                self.turning_since = None;
                self.raised_at = at;
            }
            Cause::Clears | Cause::PutBack => self.turning_since = None,
            Cause::Unshelve | Cause::ShelfEnds | Cause::Release => self.acknowledged_by = None,
            Cause::Suppress if previous_state == AlarmState::Shelved => {}
            Cause::Suppress => {
                self.turning_since = None;
                if !previous_state.is_standing() {
                    self.raised_at = at;
                    self.acknowledged_by = None;
                }
            }
            Cause::Realarm | Cause::Reset | Cause::Shelve => {}
        }
        if state != AlarmState::Shelved {
            self.shelf = None;
        }
        if state != AlarmState::Suppressed {
            self.root = None;
        }
        Some(AlarmChange { previous_state, by: by.map(String::from), ..self.as_told(at) })
    }

    /// As somebody is told who did not know of it.
    pub(crate) fn as_told(&self, at: Timestamp) -> AlarmChange {
        AlarmChange {
            pond: self.pond,
            at,
            id: self.id.clone(),
            name: self.name.clone(),
            priority: self.priority,
            state: self.state,
            previous_state: AlarmState::Normal,
            message: self.message.english().into(),
            by: None,
            shelf: self.shelf.clone(),
            root: self.root.clone(),
        }
    }

    /// Time has leapt: its delays last as long as before. What people were told of a shelf's end stays.
    pub(crate) fn shift(&mut self, by: Span) {
        for at in [&mut self.turning_since, &mut self.realarm_at] {
            *at = at.map(|at| at + by);
        }
    }

    /// When the alarm next wants to be looked at without anything new being seen.
    pub fn deadline(&self) -> Option<Timestamp> {
        let turn = self.turning_since.map(|since| since + self.turns_after).or(self.realarm_at);
        let shelf = self.shelf.as_ref().map(|shelf| shelf.until);
        turn.into_iter().chain(shelf).min()
    }

    /// Whether it makes the horn sound.
    pub fn sounds(&self) -> bool {
        self.state == AlarmState::Unacknowledged && self.priority <= Priority::High
    }
}

#[cfg(test)]
mod tests {
    use alloc::string::ToString;

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

    fn shelf(minutes: i64) -> Shelf {
        Shelf { until: at(minutes), by: "day".to_string(), reason: "pump is being mended".to_string() }
    }

    #[test]
    fn a_shelved_alarm_comes_back_by_itself_as_its_condition_is_then() {
        for (sight, expected) in
            [(Sight::Beyond, AlarmState::Unacknowledged), (Sight::Clear, AlarmState::Normal)]
        {
            let mut alarm = alarm();
            see(&mut alarm, 0, Sight::Beyond);
            see(&mut alarm, 5, Sight::Beyond);
            let change = alarm.shelve(at(6), shelf(36)).unwrap();
            assert_eq!((change.state, change.shelf), (AlarmState::Shelved, Some(shelf(36))));
            assert!(!alarm.sounds());
            assert_eq!(see(&mut alarm, 7, sight), None);
            assert_eq!(see(&mut alarm, 35, sight), None, "the off-delay of 15 min is over, nothing is told");
            assert_eq!(alarm.deadline(), Some(at(36)));
            assert_eq!(see(&mut alarm, 36, sight), Some(expected));
            assert_eq!((alarm.shelf.as_ref(), alarm.deadline()), (None, None));
        }
    }

    #[test]
    fn what_occurs_on_the_shelf_is_told_when_it_is_taken_back() {
        let mut alarm = alarm();
        alarm.shelve(at(0), shelf(30)).unwrap();
        see(&mut alarm, 1, Sight::Beyond);
        assert_eq!(alarm.deadline(), Some(at(6)));
        assert_eq!(see(&mut alarm, 6, Sight::Beyond), None);
        let change = alarm.apply(at(10), Cause::Unshelve, Some("night"), None).unwrap();
        assert_eq!(change.state, AlarmState::Unacknowledged);
        assert_eq!(alarm.raised_at, at(6));
        assert!(alarm.sounds());
    }

    #[test]
    fn a_latching_alarm_waits_for_a_person_twice() {
        let mut alarm = alarm().latching();
        see(&mut alarm, 0, Sight::Beyond);
        see(&mut alarm, 5, Sight::Beyond);
        see(&mut alarm, 6, Sight::Clear);
        assert_eq!(see(&mut alarm, 21, Sight::Clear), Some(AlarmState::LatchedUnacknowledged));
        assert!(alarm.apply(at(22), Cause::Reset, Some("night"), None).is_none(), "not before it is seen");
        alarm.apply(at(22), Cause::Acknowledge, Some("night"), None).unwrap();
        assert_eq!(alarm.state, AlarmState::LatchedAcknowledged);
        assert_eq!(alarm.deadline(), None, "what is over does not sound again");
        alarm.apply(at(23), Cause::Reset, Some("night"), None).unwrap();
        assert_eq!(alarm.state, AlarmState::Normal);
    }

    #[test]
    fn a_known_cause_speaks_for_it_and_what_remains_is_told_when_that_is_over() {
        let root = Some("farm.power-lost");
        let mut alarm = alarm();
        assert_eq!(alarm.judge(at(0), Sight::Beyond, DELAYS, root), None, "it does not stand yet");
        let cause = alarm.judge(at(5), Sight::Beyond, DELAYS, root).unwrap();
        let change = alarm.apply(at(5), cause, None, None).unwrap();
        assert_eq!((change.state, change.root.as_deref()), (AlarmState::Suppressed, root));
        assert!(alarm.stands() && !alarm.sounds());
        assert_eq!(alarm.judge(at(6), Sight::Beyond, DELAYS, root), None);
        let cause = alarm.judge(at(9), Sight::Beyond, DELAYS, None).unwrap();
        assert_eq!(alarm.apply(at(9), cause, None, None).unwrap().state, AlarmState::Unacknowledged);
        assert_eq!(alarm.judge(at(10), Sight::Beyond, DELAYS, None), None);
        // Known again, over meanwhile: nothing is left to tell.
        let cause = alarm.judge(at(11), Sight::Beyond, DELAYS, root).unwrap();
        alarm.apply(at(11), cause, None, None).unwrap();
        alarm.judge(at(12), Sight::Clear, DELAYS, root);
        assert_eq!(alarm.judge(at(27), Sight::Clear, DELAYS, root), None);
        let cause = alarm.judge(at(28), Sight::Clear, DELAYS, None).unwrap();
        assert_eq!(alarm.apply(at(28), cause, None, None).unwrap().state, AlarmState::Normal);
    }
}
