//! How often each probe answered and failed since the start, for metrics.
//!
//! Faults reach the engine only when they change and then now and again; here each poll counts.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use pondreeve_core::input::{GatewayPart, ProbeFault};
use pondreeve_core::site::ProbeIndex;

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
