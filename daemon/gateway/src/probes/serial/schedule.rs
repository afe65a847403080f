//! Who is polled next on a bus. Knows no serial line: times in, indices out.
//!
//! Probes that answer come first, the one that is most overdue before the others. A probe that fails is
//! asked half as often, and only while nobody who answers is waiting, so that the time-outs of the dead
//! do not starve the living; but on a busy bus it is asked all the same once it is four of its polls
//! overdue, so that its return is noticed.

use pondreeve_core::{Span, Timestamp};

/// Failed polls after which a probe counts as failing.
const FAILING_AFTER: u32 = 2;

/// A failing probe is asked each so many of its polls.
const FAILING_STRETCH: i64 = 2;

/// A failing probe goes before the others once it is so many of its polls overdue.
const FAILING_PATIENCE: i64 = 4;

/// The poll to do next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Next {
    /// Position of the probe on the bus.
    pub index: usize,
    /// When.
    pub due: Timestamp,
    /// Whether it has lately failed: one attempt must do.
    pub failing: bool,
}

#[derive(Debug, Clone, Copy)]
struct Entry {
    every: Span,
    due: Timestamp,
    failed: u32,
}

impl Entry {
    const fn failing(&self) -> bool {
        self.failed >= FAILING_AFTER
    }

    /// When it may go before probes that answer.
    fn urgent_at(&self) -> Timestamp {
        if self.failing() { self.due + times(self.every, FAILING_PATIENCE) } else { self.due }
    }
}

const fn times(span: Span, factor: i64) -> Span {
    Span(span.as_millis().saturating_mul(factor))
}

/// The polls of one bus.
#[derive(Debug, Clone)]
pub struct Schedule {
    entries: Vec<Entry>,
}

impl Schedule {
    /// All due at once.
    pub fn new(now: Timestamp, every: impl Iterator<Item = Span>) -> Self {
        let entry = |every: Span| Entry { every: every.max(Span::from_millis(1)), due: now, failed: 0 };
        Self { entries: every.map(entry).collect() }
    }

    /// The next poll; `None` on an empty bus. If it is not yet due, nothing is.
    pub fn next(&self, now: Timestamp) -> Option<Next> {
        self.next_but(now, |_| false)
    }

    /// The same among those that are not at something of which asking them would rob them; `None` where all are.
    pub fn next_but(&self, now: Timestamp, is_busy: impl Fn(usize) -> bool) -> Option<Next> {
        let entries = || self.entries.iter().enumerate().filter(|(index, _)| !is_busy(*index));
        let urgent = entries().filter(|(_, e)| e.urgent_at() <= now).min_by_key(|(_, e)| e.urgent_at());
        let due = || entries().min_by_key(|(_, e)| e.due);
        urgent.or_else(due).map(|(index, entry)| Next { index, due: entry.due, failing: entry.failing() })
    }

    /// A poll has ended. Polls that were missed while the bus was busy are not made up for.
    pub fn done(&mut self, index: usize, now: Timestamp, answered: bool) {
        let Some(entry) = self.entries.get_mut(index) else { return };
        entry.failed = if answered { 0 } else { entry.failed.saturating_add(1) };
        let stretch = if entry.failing() { FAILING_STRETCH } else { 1 };
        let next = entry.due + times(entry.every, stretch);
        // A clock that was set back must not leave a probe waiting for the old time.
        let latest = now + times(entry.every, stretch);
        entry.due = next.max(now).min(latest);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp(s * 1_000)
    }

    /// Polls through `until_s`, each poll taking what `cost_ms(index)` says and answered unless dead.
    fn simulate(every_s: &[i64], dead: &[usize], cost_ms: impl Fn(usize) -> i64, until_s: i64) -> Vec<usize> {
        let mut schedule = Schedule::new(at(0), every_s.iter().map(|&s| Span::from_secs(s)));
        let (mut now, mut polls) = (at(0), vec![0; every_s.len()]);
        loop {
            let next = schedule.next(now).expect("a bus with probes");
            now = now.max(next.due);
            if now >= at(until_s) {
                return polls;
            }
            now = now + Span::from_millis(cost_ms(next.index));
            polls[next.index] += 1;
            schedule.done(next.index, now, !dead.contains(&next.index));
        }
    }

    #[test]
    fn each_probe_is_polled_at_its_own_pace() {
        assert_eq!(simulate(&[10, 20, 60], &[], |_| 50, 600), vec![60, 30, 10]);
    }

    #[test]
    fn a_dead_probe_is_asked_half_as_often() {
        let polls = simulate(&[10, 10], &[1], |_| 50, 600);
        assert_eq!(polls[0], 60);
        assert!((30..=32).contains(&polls[1]), "{polls:?}");
    }

    #[test]
    fn dead_probes_do_not_starve_the_living_nor_are_they_forgotten() {
        // Six dead probes whose time-outs alone would fill the bus, two that answer.
        let dead = [0, 1, 2, 3, 4, 5];
        let polls = simulate(&[10; 8], &dead, |i| if i < 6 { 4_000 } else { 50 }, 6_000);
        for alive in [6, 7] {
            // Lost time: at most one dead probe's attempt in front of each poll.
            assert!(polls[alive] >= 400, "{polls:?}");
        }
        for index in dead {
            assert!(polls[index] >= 6_000 / (10 * (4 + 2) + 24), "{polls:?}");
        }
    }

    #[test]
    fn a_clock_set_back_does_not_silence_a_probe() {
        let mut schedule = Schedule::new(at(100_000), [Span::from_secs(10)].into_iter());
        schedule.done(0, at(1_000), true);
        assert_eq!(schedule.next(at(1_000)).map(|next| next.due), Some(at(1_010)));
    }
}
