//! What a probe task tells the engine: readings always, faults when they change and then now and again.

use std::collections::HashMap;
use std::mem::discriminant;

use pondreeve_core::input::{GatewayPart, ProbeFault};
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Span, Timestamp};
use tokio::sync::oneshot;
use tracing::{debug, info, warn};

use crate::audit::Place;
use crate::clock::Clock;
use crate::inbox::{Applied, Inbox, Incoming};

use super::exchanges::Exchanges;
use super::tally::Tally;

/// Farm time after which a fault that lasts is told again. Each telling is journalled, so not each poll;
/// often enough that an engine that was restarted knows within one alarm delay.
const REPEAT_AFTER: Span = Span::from_minutes(5);

/// How often within [`REPEAT_AFTER`] a fault may be told again because only its words changed. A node that
/// sends different nonsense each second must fill neither the journal nor the log.
const REWORDINGS: u32 = 8;

/// The engine is gone; nobody is left to report to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Gone;

/// A fault of a probe that was told.
struct Told {
    fault: ProbeFault,
    /// When it, or a fault of its kind in other words, was told first.
    since: Timestamp,
    /// How often since then in other words.
    rewordings: u32,
}

/// Sends events, and paces those about faults.
pub(super) struct Reporter {
    clock: Clock,
    inbox: Inbox,
    tally: Tally,
    probe_faults: HashMap<ProbeIndex, Told>,
    /// The salinity each probe last said it is set to.
    settings: HashMap<ProbeIndex, f64>,
    /// The last word about each part; `None` where that it works.
    gateway_faults: HashMap<String, Option<(String, Timestamp)>>,
}

impl Reporter {
    pub(super) fn new(clock: Clock, inbox: Inbox, tally: Tally) -> Self {
        Self {
            clock,
            inbox,
            tally,
            probe_faults: HashMap::new(),
            settings: HashMap::new(),
            gateway_faults: HashMap::new(),
        }
    }

    /// Waits while the inbox is full: polls slow down, nothing is dropped.
    pub(super) async fn send(&self, event: Event) -> Result<(), Gone> {
        self.deliver(event, None).await
    }

    /// As [`Self::send`]; the receiver hears when the event is durable.
    pub(super) async fn send_tracked(&self, event: Event) -> Result<oneshot::Receiver<Applied>, Gone> {
        let (done, receiver) = oneshot::channel();
        self.deliver(event, Some(done)).await?;
        Ok(receiver)
    }

    async fn deliver(&self, event: Event, done: Option<oneshot::Sender<Applied>>) -> Result<(), Gone> {
        self.inbox
            .send(Incoming { event, done, urgent: false, place: Place::Daemon })
            .await
            .map_err(|_closed| Gone)
    }

    /// Whether a fault told at `at` may be told once more.
    fn is_due(&self, at: Timestamp) -> bool {
        let since = self.clock.now().since(at);
        since >= REPEAT_AFTER || since < Span::ZERO
    }

    /// A probe fails; told if that is news. `detail` is for the log, where it says more than the fault.
    pub(super) async fn probe_fault(
        &mut self,
        probe: ProbeIndex,
        fault: ProbeFault,
        detail: &str,
    ) -> Result<(), Gone> {
        self.tally.failed(probe, &fault);
        let now = self.clock.now();
        let told = match self.probe_faults.get(&probe) {
            Some(told) if self.is_due(told.since) => None,
            Some(told) if discriminant(&told.fault) != discriminant(&fault) => None,
            told => told,
        };
        let rewordings = match told {
            None => 0,
            Some(told) if told.fault != fault && told.rewordings < REWORDINGS => told.rewordings + 1,
            Some(_) => {
                debug!("{detail}");
                return Ok(());
            }
        };
        warn!("{detail}");
        let since = told.map_or(now, |told| told.since);
        self.probe_faults.insert(probe, Told { fault: fault.clone(), since, rewordings });
        self.send(Event::ProbeFault { probe, fault }).await
    }

    /// What became of the requests of one poll, for the statistics of the device.
    pub(super) fn exchanged(&self, probe: ProbeIndex, exchanges: Exchanges, good: bool) {
        self.tally.exchanged(probe, exchanges, good.then(|| self.clock.now()));
    }

    /// The salinity a probe says it is set to; told when it changes.
    pub(super) async fn setting(&mut self, probe: ProbeIndex, salinity_psu: f64) -> Result<(), Gone> {
        if self.settings.insert(probe, salinity_psu) == Some(salinity_psu) {
            return Ok(());
        }
        self.send(Event::ProbeSetting { probe, salinity_psu }).await
    }

    /// A probe has reported all it should; the sweep tells the engine.
    pub(super) fn probe_well(&mut self, probe: ProbeIndex) {
        self.tally.answered(probe);
        self.probe_faults.remove(&probe);
    }

    /// A part of the gateway fails, or with `None` works; told if that is news.
    pub(super) async fn gateway_fault(
        &mut self,
        part: GatewayPart,
        which: &str,
        detail: Option<String>,
    ) -> Result<(), Gone> {
        if detail.is_some() {
            self.tally.link_failed(part, which);
        }
        let told = self.gateway_faults.get(which);
        match &detail {
            Some(text) => {
                if let Some(Some((before, at))) = told
                    && before == text
                    && !self.is_due(*at)
                {
                    return Ok(());
                }
                warn!(?part, which, "{text}");
                self.gateway_faults.insert(which.to_owned(), Some((text.clone(), self.clock.now())));
            }
            None => {
                // The first word is always said: the engine may remember a fault from before a restart.
                if let Some(None) = told {
                    return Ok(());
                }
                info!(?part, which, "works");
                self.gateway_faults.insert(which.to_owned(), None);
            }
        }
        self.send(Event::GatewayFault { part, which: which.to_owned(), detail }).await
    }
}

#[cfg(test)]
mod tests {
    use tokio::sync::mpsc;

    use super::*;

    async fn told(faults: &[(i64, ProbeFault)]) -> usize {
        let (inbox, mut incoming) = mpsc::channel(1_000);
        let clock = Clock::reading(Scripted);
        let mut reporter = Reporter::new(clock.clone(), inbox, Tally::default());
        for (at_s, fault) in faults {
            clock.not_before(START + Span::from_secs(*at_s));
            reporter.probe_fault(ProbeIndex(0), fault.clone(), "detail").await.unwrap();
        }
        let mut count = 0;
        while incoming.try_recv().is_ok() {
            count += 1;
        }
        count
    }

    const START: Timestamp = Timestamp(1_772_341_920_000);

    /// A clock that stands: farm time moves only by `not_before`.
    struct Scripted;

    impl crate::clock::TimeSource for Scripted {
        fn wall(&self) -> Timestamp {
            START
        }

        fn monotonic(&self) -> std::time::Duration {
            std::time::Duration::ZERO
        }
    }

    fn nonsense(i: i64) -> ProbeFault {
        ProbeFault::Undecodable(format!("nonsense {i}"))
    }

    #[tokio::test]
    async fn a_fault_is_told_when_it_changes_and_then_every_five_minutes() {
        let silent = |at_s: i64| (at_s, ProbeFault::Silent);
        assert_eq!(told(&[silent(0), silent(10), silent(299)]).await, 1);
        assert_eq!(told(&[silent(0), silent(300), silent(599), silent(600)]).await, 3);
        assert_eq!(told(&[silent(0), (10, ProbeFault::Garbled), silent(20)]).await, 3);
    }

    #[tokio::test]
    async fn ever_new_nonsense_does_not_fill_the_journal() {
        let many: Vec<_> = (0..100).map(|i| (i, nonsense(i))).collect();
        assert_eq!(told(&many).await, 1 + REWORDINGS as usize);
        let hour: Vec<_> = (0..3_600).map(|i| (i, nonsense(i))).collect();
        assert_eq!(told(&hour).await, 12 * (1 + REWORDINGS as usize));
    }
}
