//! Putting an alarm aside for a while: how long that may be, and why.

use alloc::string::String;

use super::Alarm;
use crate::effect::{AlarmState, Priority};
use crate::said::{Said, length, said};
use crate::sunlight::Night;
use crate::time::{Span, Timestamp};

/// An alarm that a person put aside.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Shelf {
    /// It comes back by itself then.
    pub until: Timestamp,
    /// Who put it aside.
    pub by: String,
    /// Why.
    pub reason: String,
}

/// Longest time for which an alarm can be put aside: half an hour, an hour, twelve hours, by priority.
/// (Common practice, no source.)
pub const fn longest(priority: Priority) -> Span {
    match priority {
        Priority::Critical => Span::from_minutes(30),
        Priority::High => Span::from_minutes(60),
        Priority::Medium => Span::from_hours(12),
    }
}

/// How an alarm's urgency is said.
fn urgency(priority: Priority) -> Said {
    match priority {
        Priority::Critical => said!("urgency-critical", "critical"),
        Priority::High => said!("urgency-high", "high"),
        Priority::Medium => said!("urgency-medium", "medium"),
    }
}

/// When an alarm that is put aside now for `wanted` comes back. A critical one never stays aside into
/// the night, when nobody may look before it is too late.
///
/// # Errors
/// With the reason, and what would be accepted.
pub fn until(alarm: &Alarm, wanted: Span, night: Night, now: Timestamp) -> Result<Timestamp, Said> {
    match alarm.state {
        AlarmState::Shelved => {
            let left = alarm.shelf.as_ref().map_or(Span::ZERO, |shelf| shelf.until - now);
            return Err(said!(
                "refused-shelved-already",
                "it is shelved already, for another {left}; unshelve it first to shelve it anew",
                left = length(left)
            ));
        }
        AlarmState::OutOfService => {
            return Err(said!("refused-shelve-out", "it is out of service and announces nothing already"));
        }
        AlarmState::Suppressed => {
            return Err(said!(
                "refused-shelve-inside",
                "it is suppressed by design, counted within the alarm that tells of its cause",
            ));
        }
        _ => {}
    }
    let longest = longest(alarm.priority);
    if wanted <= Span::ZERO || wanted > longest {
        return Err(said!(
            "refused-shelve-length",
            "{wanted} is not accepted: a {urgency} alarm can be shelved for more than nothing and at most {longest}",
            wanted = length(wanted),
            urgency = urgency(alarm.priority),
            longest = length(longest)
        ));
    }
    if alarm.priority != Priority::Critical {
        return Ok(now + wanted);
    }
    if night.is_watch(now) {
        return Err(said!(
            "refused-shelve-night",
            "a critical alarm is never shelved by night, from sunset to two hours after sunrise; acknowledge it: that silences the horn for 10 min",
        ));
    }
    Ok(match night {
        Night::Between { sunset, .. } if sunset > now => (now + wanted).min(sunset),
        _ => now + wanted,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::PondIndex;

    const NOON: Timestamp = Timestamp(12 * 3_600_000);
    const NIGHT: Night =
        Night::Between { sunset: Timestamp(18 * 3_600_000), sunrise: Timestamp(30 * 3_600_000) };

    fn alarm(priority: Priority) -> Alarm {
        Alarm::new("p1.x".into(), "X".into(), Some(PondIndex(0)), priority)
    }

    #[test]
    fn each_priority_has_its_longest_time() {
        for (priority, minutes) in [(Priority::Critical, 30), (Priority::High, 60), (Priority::Medium, 720)] {
            let alarm = alarm(priority);
            let most = Span::from_minutes(minutes);
            assert_eq!(until(&alarm, most, NIGHT, NOON), Ok(NOON + most), "{priority:?}");
            for wrong in [Span::from_minutes(minutes + 1), Span::ZERO, Span::from_millis(-1)] {
                let refusal = until(&alarm, wrong, NIGHT, NOON).unwrap_err();
                assert!(refusal.contains("at most"), "{refusal}");
            }
        }
    }

    #[test]
    fn a_critical_alarm_is_never_aside_by_night() {
        let critical = alarm(Priority::Critical);
        let quarter = Span::from_minutes(15);
        // 17:50, ten minutes before sunset.
        let evening = Timestamp(17 * 3_600_000 + 50 * 60_000);
        assert_eq!(until(&critical, quarter, NIGHT, evening), Ok(Timestamp(18 * 3_600_000)));
        // Sunset; midnight; one minute before two hours after sunrise.
        for hour_ms in [18 * 3_600_000, 24 * 3_600_000, 32 * 3_600_000 - 60_000] {
            assert!(until(&critical, quarter, NIGHT, Timestamp(hour_ms)).is_err(), "{hour_ms}");
            assert!(until(&alarm(Priority::High), quarter, NIGHT, Timestamp(hour_ms)).is_ok());
        }
        let polar = Night::Always { until: Timestamp(i64::MAX) };
        assert!(until(&critical, quarter, polar, NOON).is_err());
    }
}
