//! The states of an alarm and every way from one to another, after ANSI/ISA-18.2 (IEC 62682).
//!
//! An alarm that is shelved, suppressed by design or out of service is held: what it watches goes on
//! being judged, nothing is announced, and when it is let go it is in alarm, unacknowledged, if its
//! condition stands, and normal if not.

use crate::effect::AlarmState;

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
    /// A person has checked what a latched alarm told of.
    Reset,
    /// A person put it aside for a while.
    Shelve,
    /// A person took it back.
    Unshelve,
    /// The time for which it was put aside is over.
    ShelfEnds,
    /// Another alarm tells of the cause of this one.
    Suppress,
    /// The other alarm is over.
    Release,
    /// A person took out of service what it watches.
    TakeOut,
    /// It is back in service.
    PutBack,
}

impl Cause {
    /// Every cause.
    pub const ALL: [Self; 12] = [
        Self::Occurs,
        Self::Clears,
        Self::Acknowledge,
        Self::Realarm,
        Self::Reset,
        Self::Shelve,
        Self::Unshelve,
        Self::ShelfEnds,
        Self::Suppress,
        Self::Release,
        Self::TakeOut,
        Self::PutBack,
    ];
}

/// What decides a transition besides state and cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Footing {
    /// It latches: when its condition clears, a person must reset it.
    pub latches: bool,
    /// While it is held: its condition stands all the same.
    pub stands: bool,
}

/// The state an alarm goes to, or `None` where the standard has no such transition.
pub const fn transition(state: AlarmState, cause: Cause, footing: Footing) -> Option<AlarmState> {
    use AlarmState as S;
    use Cause as C;
    Some(match (state, cause) {
        (S::Normal | S::ReturnedUnacknowledged, C::Occurs)
        | (S::LatchedUnacknowledged | S::LatchedAcknowledged, C::Occurs)
        | (S::Acknowledged, C::Realarm) => S::Unacknowledged,
        (S::Unacknowledged, C::Clears) if footing.latches => S::LatchedUnacknowledged,
        (S::Unacknowledged, C::Clears) => S::ReturnedUnacknowledged,
        (S::Unacknowledged, C::Acknowledge) => S::Acknowledged,
        (S::Acknowledged, C::Clears) if footing.latches => S::LatchedAcknowledged,
        (S::Acknowledged, C::Clears) | (S::ReturnedUnacknowledged, C::Acknowledge) => S::Normal,
        (S::LatchedUnacknowledged, C::Acknowledge) => S::LatchedAcknowledged,
        (S::LatchedAcknowledged, C::Reset) => S::Normal,
        // What is out of service is so whatever else; suppression by design needs nobody's memory, so it
        // takes the place of a shelf, which is the safe side: it ends in an alarm that is heard.
        (S::OutOfService, C::TakeOut) => return None,
        (_, C::TakeOut) => S::OutOfService,
        (S::OutOfService, C::PutBack)
        | (S::Shelved, C::Unshelve | C::ShelfEnds)
        | (S::Suppressed, C::Release) => {
            if footing.stands {
                S::Unacknowledged
            } else {
                S::Normal
            }
        }
        (S::OutOfService | S::Suppressed, C::Suppress) => return None,
        (_, C::Suppress) => S::Suppressed,
        (S::OutOfService | S::Suppressed | S::Shelved, C::Shelve) => return None,
        (_, C::Shelve) => S::Shelved,
        _ => return None,
    })
}

impl AlarmState {
    /// Whether the condition stands in this state. What is held does not count: see [`Self::is_held`].
    pub const fn is_standing(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }

    /// Whether it announces nothing whatever its condition does.
    pub const fn is_held(self) -> bool {
        matches!(self, Self::Shelved | Self::Suppressed | Self::OutOfService)
    }

    /// Whether a person can acknowledge it.
    pub const fn awaits_acknowledgement(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::ReturnedUnacknowledged | Self::LatchedUnacknowledged)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use AlarmState as S;
    use Cause as C;

    const PLAIN: Footing = Footing { latches: false, stands: false };

    /// The state diagram of ISA-18.2, as it is told in public summaries: A normal, B unacknowledged,
    /// C acknowledged, D returned unacknowledged, E and F latched, G shelved, H suppressed by design,
    /// I out of service. What is not here does not exist.
    const TABLE: [(S, C, S); 40] = [
        // A
        (S::Normal, C::Occurs, S::Unacknowledged),
        (S::Normal, C::Shelve, S::Shelved),
        (S::Normal, C::Suppress, S::Suppressed),
        (S::Normal, C::TakeOut, S::OutOfService),
        // B
        (S::Unacknowledged, C::Clears, S::ReturnedUnacknowledged),
        (S::Unacknowledged, C::Acknowledge, S::Acknowledged),
        (S::Unacknowledged, C::Shelve, S::Shelved),
        (S::Unacknowledged, C::Suppress, S::Suppressed),
        (S::Unacknowledged, C::TakeOut, S::OutOfService),
        // C
        (S::Acknowledged, C::Clears, S::Normal),
        (S::Acknowledged, C::Realarm, S::Unacknowledged),
        (S::Acknowledged, C::Shelve, S::Shelved),
        (S::Acknowledged, C::Suppress, S::Suppressed),
        (S::Acknowledged, C::TakeOut, S::OutOfService),
        // D
        (S::ReturnedUnacknowledged, C::Occurs, S::Unacknowledged),
        (S::ReturnedUnacknowledged, C::Acknowledge, S::Normal),
        (S::ReturnedUnacknowledged, C::Shelve, S::Shelved),
        (S::ReturnedUnacknowledged, C::Suppress, S::Suppressed),
        (S::ReturnedUnacknowledged, C::TakeOut, S::OutOfService),
        // E
        (S::LatchedUnacknowledged, C::Occurs, S::Unacknowledged),
        (S::LatchedUnacknowledged, C::Acknowledge, S::LatchedAcknowledged),
        (S::LatchedUnacknowledged, C::Shelve, S::Shelved),
        (S::LatchedUnacknowledged, C::Suppress, S::Suppressed),
        (S::LatchedUnacknowledged, C::TakeOut, S::OutOfService),
        // F
        (S::LatchedAcknowledged, C::Occurs, S::Unacknowledged),
        (S::LatchedAcknowledged, C::Reset, S::Normal),
        (S::LatchedAcknowledged, C::Shelve, S::Shelved),
        (S::LatchedAcknowledged, C::Suppress, S::Suppressed),
        (S::LatchedAcknowledged, C::TakeOut, S::OutOfService),
        // G, H and I, whose condition does not stand
        (S::Shelved, C::Unshelve, S::Normal),
        (S::Shelved, C::ShelfEnds, S::Normal),
        (S::Shelved, C::Suppress, S::Suppressed),
        (S::Shelved, C::TakeOut, S::OutOfService),
        (S::Suppressed, C::Release, S::Normal),
        (S::Suppressed, C::TakeOut, S::OutOfService),
        (S::OutOfService, C::PutBack, S::Normal),
        // The same, whose condition stands: the last four are judged with `stands`.
        (S::Shelved, C::Unshelve, S::Unacknowledged),
        (S::Shelved, C::ShelfEnds, S::Unacknowledged),
        (S::Suppressed, C::Release, S::Unacknowledged),
        (S::OutOfService, C::PutBack, S::Unacknowledged),
    ];

    #[test]
    fn every_transition_is_the_standards_and_there_is_no_other() {
        let (calm, standing) = TABLE.split_at(TABLE.len() - 4);
        for &state in S::ALL {
            for cause in C::ALL {
                let expected = |rows: &[(S, C, S)]| {
                    rows.iter().find(|row| (row.0, row.1) == (state, cause)).map(|row| row.2)
                };
                let found = transition(state, cause, PLAIN);
                assert_eq!(found, expected(calm), "{state:?} and {cause:?}");
                let found = transition(state, cause, Footing { stands: true, ..PLAIN });
                let expected = expected(standing).or_else(|| expected(calm));
                assert_eq!(found, expected, "{state:?} and {cause:?}, whose condition stands");
            }
        }
    }

    #[test]
    fn only_clearing_differs_where_an_alarm_latches() {
        let latching = Footing { latches: true, ..PLAIN };
        for &state in S::ALL {
            for cause in C::ALL {
                let expected = match (state, cause) {
                    (S::Unacknowledged, C::Clears) => Some(S::LatchedUnacknowledged),
                    (S::Acknowledged, C::Clears) => Some(S::LatchedAcknowledged),
                    _ => transition(state, cause, PLAIN),
                };
                assert_eq!(transition(state, cause, latching), expected, "{state:?} and {cause:?}");
            }
        }
    }
}
