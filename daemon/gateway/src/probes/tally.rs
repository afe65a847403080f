//! How often each probe answered and failed since the start, for metrics.
//!
//! Faults reach the engine only when they change and then now and again; here each poll counts.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use pondreeve_core::Timestamp;
use pondreeve_core::input::{GatewayPart, ProbeFault};
use pondreeve_core::site::ProbeIndex;

use super::exchanges::{Ended, Exchanges};

/// Counts of all buses and brokers; clones count together.
#[derive(Debug, Clone, Default)]
pub struct Tally(Arc<Mutex<Counts>>);

/// The counts at one moment.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Counts {
    /// Polls and messages that gave all that was asked of them.
    pub answers: BTreeMap<ProbeIndex, u64>,
    /// Polls and messages that did not, by what went wrong.
    pub errors: BTreeMap<(ProbeIndex, &'static str), u64>,
    /// How often a bus or a broker failed as a whole, by its kind and id.
    pub link_failures: BTreeMap<(&'static str, String), u64>,
    /// What became of the requests to each probe on a line.
    pub devices: BTreeMap<ProbeIndex, Device>,
}

/// Latencies kept of a device: the newest so many tell its median and its 95th percentile.
const LATENCIES: usize = 256;

/// What became of the requests to one device.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Device {
    /// Polls: each is one request or several.
    pub polls: u64,
    /// Polls that gave what was asked.
    pub good_polls: u64,
    /// Requests that were answered.
    pub answers: u64,
    /// Requests that were not, by how they ended.
    pub failures: BTreeMap<Ended, u64>,
    /// When a poll last gave what was asked, in farm time.
    pub last_good: Option<Timestamp>,
    latencies: VecDeque<Duration>,
}

impl Device {
    /// The latency that a share of the newest answers did not exceed, by the nearest rank.
    pub fn latency(&self, share: f64) -> Option<Duration> {
        let mut sorted: Vec<Duration> = self.latencies.iter().copied().collect();
        sorted.sort_unstable();
        let rank = (share * sorted.len() as f64).ceil().max(1.0) as usize;
        sorted.get(rank - 1).copied()
    }

    /// How often requests ended so.
    pub fn failed(&self, how: Ended) -> u64 {
        self.failures.get(&how).copied().unwrap_or_default()
    }

    fn add(&mut self, exchanges: Exchanges, good_at: Option<Timestamp>) {
        self.polls += 1;
        self.good_polls += u64::from(good_at.is_some());
        self.last_good = good_at.or(self.last_good);
        self.answers += exchanges.took.len() as u64;
        for how in exchanges.failed {
            *self.failures.entry(how).or_default() += 1;
        }
        self.latencies.extend(exchanges.took);
        let excess = self.latencies.len().saturating_sub(LATENCIES);
        self.latencies.drain(..excess);
    }
}

impl Tally {
    /// What was counted so far.
    pub fn counts(&self) -> Counts {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    pub(super) fn answered(&self, probe: ProbeIndex) {
        self.with(|counts| *counts.answers.entry(probe).or_default() += 1);
    }

    pub(super) fn failed(&self, probe: ProbeIndex, fault: &ProbeFault) {
        // On a lent line nothing was asked, so nothing failed.
        let Some(kind) = kind(fault) else { return };
        self.with(|counts| *counts.errors.entry((probe, kind)).or_default() += 1);
    }

    pub(super) fn exchanged(&self, probe: ProbeIndex, exchanges: Exchanges, good_at: Option<Timestamp>) {
        self.with(|counts| counts.devices.entry(probe).or_default().add(exchanges, good_at));
    }

    pub(super) fn link_failed(&self, part: GatewayPart, which: &str) {
        self.with(|counts| *counts.link_failures.entry((part.id(), which.to_owned())).or_default() += 1);
    }

    fn with(&self, change: impl FnOnce(&mut Counts)) {
        // A count is never half done.
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

/// The kinds of error, as metrics name them.
pub const KINDS: [&str; 5] = ["silent", "garbled", "exception", "undecodable", "unreachable"];

fn kind(fault: &ProbeFault) -> Option<&'static str> {
    Some(match fault {
        ProbeFault::Silent => "silent",
        ProbeFault::Garbled => "garbled",
        ProbeFault::Exception(_) => "exception",
        ProbeFault::Undecodable(_) => "undecodable",
        ProbeFault::Unreachable => "unreachable",
        ProbeFault::Lent => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Twenty answers of 1 to 20 ms: the nearest rank of a half is the tenth, of 95 % the nineteenth.
    #[test]
    fn a_device_has_its_counts_and_latencies() {
        let tally = Tally::default();
        let ms = Duration::from_millis;
        let exchanges = Exchanges { took: (1..=20).map(ms).collect(), failed: vec![Ended::Checksum; 2] };
        tally.exchanged(ProbeIndex(1), exchanges, Some(Timestamp(5)));
        let lost = Exchanges { took: Vec::new(), failed: vec![Ended::TimedOut] };
        tally.exchanged(ProbeIndex(1), lost, None);
        let counts = tally.counts();
        let device = &counts.devices[&ProbeIndex(1)];
        assert_eq!((device.polls, device.good_polls, device.answers), (2, 1, 20));
        assert_eq!(Ended::ALL.map(|how| device.failed(how)), [1, 2, 0, 0, 0]);
        assert_eq!(device.last_good, Some(Timestamp(5)));
        assert_eq!((device.latency(0.5), device.latency(0.95)), (Some(ms(10)), Some(ms(19))));
        assert_eq!(Device::default().latency(0.5), None);
        for _ in 0..20 {
            let more = Exchanges { took: vec![ms(7); 20], failed: Vec::new() };
            tally.exchanged(ProbeIndex(1), more, None);
        }
        assert_eq!(tally.counts().devices[&ProbeIndex(1)].latencies.len(), LATENCIES);
    }

    #[test]
    fn each_failure_counts_under_a_kind_that_is_listed() {
        let tally = Tally::default();
        let faults = [
            ProbeFault::Silent,
            ProbeFault::Garbled,
            ProbeFault::Exception(2),
            ProbeFault::Undecodable("x".to_owned()),
            ProbeFault::Unreachable,
        ];
        for fault in &faults {
            tally.failed(ProbeIndex(3), fault);
            tally.clone().failed(ProbeIndex(3), fault);
        }
        tally.answered(ProbeIndex(3));
        let counts = tally.counts();
        assert_eq!(counts.answers, BTreeMap::from([(ProbeIndex(3), 1)]));
        let expected = KINDS.map(|kind| ((ProbeIndex(3), kind), 2));
        assert_eq!(counts.errors, BTreeMap::from(expected));
    }
}
