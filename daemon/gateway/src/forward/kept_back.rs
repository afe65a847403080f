//! For how long a summary is kept back, so that a fleet's do not all fall upon a broker at the same quarter of an hour.

use std::time::Duration;

use pondreeve_core::{Span, Timestamp};

use crate::clock::Clock;

/// One gateway's share of the spread at one destination.
#[derive(Debug, Clone)]
pub(super) struct KeptBack {
    clock: Clock,
    by: Span,
}

impl KeptBack {
    pub(super) fn new(clock: Clock, by: Duration) -> Self {
        Self { clock, by: Span::from_millis(i64::try_from(by.as_millis()).unwrap_or(i64::MAX)) }
    }

    /// The clock that it goes by.
    pub(super) fn clock(&self) -> &Clock {
        &self.clock
    }

    /// How long what reports up to `at` has still to wait; `None` where it may go. A backlog does not wait, nor what
    /// a clock that was set back has dated ahead.
    pub(super) fn left(&self, at: Timestamp) -> Option<Duration> {
        if self.by == Span::ZERO {
            return None;
        }
        let now = self.clock.now();
        let since = now - at;
        (since >= Span::ZERO && since < self.by).then(|| self.clock.real_duration((at + self.by) - now))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::script::Script;

    const NOW: Timestamp = Timestamp(1_795_590_900_000);

    #[test]
    fn only_what_has_just_become_due_waits() {
        let (_script, clock) = Script::at(NOW);
        let kept = KeptBack::new(clock.clone(), Duration::from_secs(60));
        for (ago_s, left_s) in [(0, Some(60)), (59, Some(1)), (60, None), (86_400, None), (-10, None)] {
            let left = kept.left(NOW - Span::from_secs(ago_s));
            assert_eq!(left, left_s.map(Duration::from_secs), "{ago_s} s ago");
        }
        let at_once = KeptBack::new(clock, Duration::ZERO);
        assert_eq!(at_once.left(NOW), None);
    }

    /// A thousand farms: each tenth of the spread gets a tenth of them, more or less (three standard deviations of a
    /// count of 100 are 28).
    #[test]
    fn a_fleet_is_spread_evenly_and_each_gateway_keeps_its_share() {
        let destination = crate::config::farm::Destination {
            spread: Duration::from_secs(600),
            ..super::super::office(1883)
        };
        let mut tenths = [0; 10];
        for farm in 0..1_000 {
            let share = destination.kept_back(&format!("farm-{farm:04}"));
            assert_eq!(share, destination.kept_back(&format!("farm-{farm:04}")));
            tenths[(share.as_secs() / 60) as usize] += 1;
        }
        assert!(tenths.iter().all(|count| (72..=128).contains(count)), "{tenths:?}");
    }
}
