//! What there is to know of probes: which are out of service, which are due, what their services found.

use alloc::vec::Vec;

use crate::probe::ProbeState;
use crate::quality::HandCheck;
use crate::quantity::Quantity;
use crate::service::{Adjustment, OutOfService, Preview, Serviced};
use crate::site::{Probe, ProbeIndex, Site};
use crate::time::{Span, Timestamp};

/// One probe that has something to tell.
#[derive(Debug, Clone, PartialEq)]
pub struct ProbeView {
    /// Which.
    pub probe: ProbeIndex,
    /// Out of service, and what has been done to it.
    pub service: Option<ServiceView>,
    /// Per quantity that was ever serviced, checked by hand, or is overdue.
    pub channels: Vec<ChannelView>,
}

/// A service that is on.
#[derive(Debug, Clone, PartialEq)]
pub struct ServiceView {
    /// Since when, until when, by whom.
    pub out: OutOfService,
    /// Whether it is cleaned.
    pub cleaned: bool,
    /// Whether the adjustment is taken.
    pub adopted: bool,
    /// Its own temperature, or that of a bench, °C.
    pub temperature_c: f64,
    /// What adopting would do.
    pub previews: Vec<Preview>,
}

/// One channel of it.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelView {
    /// What it measures.
    pub quantity: Quantity,
    /// What calibrations in the field have made of it.
    pub adjustment: Adjustment,
    /// When it was last serviced.
    pub serviced_at: Option<Timestamp>,
    /// By how much its service is overdue.
    pub overdue: Option<Span>,
    /// The newest hand reading beside it.
    pub hand_check: Option<HandCheck>,
    /// What its services found, oldest first.
    pub services: Vec<Serviced>,
}

/// Those that have something to tell.
pub(super) fn probes(site: &Site, known: &[ProbeState], now: Timestamp) -> Vec<ProbeView> {
    let mut views = Vec::new();
    for (position, (configured, probe)) in site.probes.iter().zip(known).enumerate() {
        let Ok(index) = u16::try_from(position) else { break };
        let service = probe.service.as_ref().map(|session| ServiceView {
            out: session.out.clone(),
            cleaned: session.cleaned_at.is_some(),
            adopted: session.adopted,
            temperature_c: probe.temperature_c(configured, now),
            previews: probe.preview(configured, now),
        });
        let channels = channels(configured, probe, now);
        if service.is_some() || !channels.is_empty() {
            views.push(ProbeView { probe: ProbeIndex(index), service, channels });
        }
    }
    views
}

fn channels(configured: &Probe, probe: &ProbeState, now: Timestamp) -> Vec<ChannelView> {
    let mut views = Vec::new();
    for (channel, state) in configured.channels.iter().zip(&probe.channels) {
        let overdue = channel
            .quality
            .service_every
            .map(|every| now - (state.serviced_at.unwrap_or_else(|| state.expected_since()) + every))
            .filter(|late| late.as_millis() > 0);
        let has_news = overdue.is_some()
            || state.serviced_at.is_some()
            || state.hand_check.is_some()
            || !state.services.is_empty();
        if has_news {
            views.push(ChannelView {
                quantity: channel.quantity,
                adjustment: state.adjustment,
                serviced_at: state.serviced_at,
                overdue,
                hand_check: state.hand_check,
                services: state.services.iter().copied().collect(),
            });
        }
    }
    views
}
