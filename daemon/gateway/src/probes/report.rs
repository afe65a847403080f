//! What a probe task tells the engine: readings always, faults when they change and then now and again.

use std::collections::HashMap;

use pondreeve_core::input::{GatewayPart, ProbeFault};
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Span, Timestamp};
use tokio::sync::oneshot;
use tracing::{info, warn};

use crate::clock::Clock;
use crate::inbox::{Applied, Inbox, Incoming};

/// Farm time after which a fault that lasts is told again. Each telling is journalled, so not each poll;
/// often enough that an engine that was restarted knows within one alarm delay.
const REPEAT_AFTER: Span = Span::from_minutes(5);

/// The engine is gone; nobody is left to report to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Gone;

/// Sends events, and paces those about faults.
pub(super) struct Reporter {
    clock: Clock,
    inbox: Inbox,
    probe_faults: HashMap<ProbeIndex, (ProbeFault, Timestamp)>,
    /// The last word about each part; `None` where that it works.
    gateway_faults: HashMap<String, Option<(String, Timestamp)>>,
}

impl Reporter {
    pub(super) fn new(clock: Clock, inbox: Inbox) -> Self {
        Self { clock, inbox, probe_faults: HashMap::new(), gateway_faults: HashMap::new() }
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
        self.inbox.send(Incoming { event, done, urgent: false }).await.map_err(|_closed| Gone)
    }

    fn is_news<T: PartialEq>(&self, told: Option<&(T, Timestamp)>, fault: &T) -> bool {
        told.is_none_or(|(before, at)| {
            let since = self.clock.now().since(*at);
            before != fault || since >= REPEAT_AFTER || since < Span::ZERO
        })
    }

    /// A probe fails; told if that is news.
    pub(super) async fn probe_fault(&mut self, probe: ProbeIndex, fault: ProbeFault) -> Result<(), Gone> {
        if self.is_news(self.probe_faults.get(&probe), &fault) {
            self.probe_faults.insert(probe, (fault.clone(), self.clock.now()));
            self.send(Event::ProbeFault { probe, fault }).await?;
        }
        Ok(())
    }

    /// A probe has reported all it should; the sweep tells the engine.
    pub(super) fn probe_well(&mut self, probe: ProbeIndex) {
        self.probe_faults.remove(&probe);
    }

    /// A part of the gateway fails, or with `None` works; told if that is news.
    pub(super) async fn gateway_fault(
        &mut self,
        part: GatewayPart,
        which: &str,
        detail: Option<String>,
    ) -> Result<(), Gone> {
        let told = self.gateway_faults.get(which);
        match &detail {
            Some(text) => {
                if !self.is_news(told.and_then(Option::as_ref), text) {
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
