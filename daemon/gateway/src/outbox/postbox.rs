//! From effects to numbered messages.

use pondreeve_core::effect::{AlarmChange, Summary};
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Effect, Site, Timestamp};
use serde::Serialize;

use super::{Body, Change, Outgoing, PondSummary};
use crate::cli::At;
use crate::journal::outbox_record;

/// Numbers what goes out.
#[derive(Debug)]
pub(crate) struct Postbox {
    /// `false` where there is nobody to send to.
    open: bool,
    next: u64,
}

impl Postbox {
    /// Goes on after the last number that was given; a new row begins with the time.
    pub(crate) fn new(open: bool, last: u64, now: Timestamp) -> Self {
        let beginning = now.as_millis().max(1).cast_unsigned();
        Self { open, next: if last == 0 { beginning } else { last.saturating_add(1) } }
    }

    /// Goes on with numbers that were surely not given before, where the last is not known.
    pub(crate) fn jump(&mut self, now: Timestamp) {
        self.next = self.next.max(now.as_millis().max(1).cast_unsigned());
    }

    /// The messages that effects become, numbered in their order.
    pub(crate) fn take(&mut self, effects: &[Effect], site: &Site) -> Vec<Change> {
        if !self.open {
            return Vec::new();
        }
        let bodies = effects.iter().filter_map(|effect| body(effect, site));
        bodies
            .map(|(at, body)| {
                let number = self.next;
                self.next = self.next.saturating_add(1);
                Change::Queued(outbox_record::waiting(&Outgoing { number, at, body }))
            })
            .collect()
    }
}

fn body(effect: &Effect, site: &Site) -> Option<(Timestamp, Body)> {
    match effect {
        Effect::Summary(summary) => Some((summary.to, Body::Summary(pond_summary(summary, site)?))),
        Effect::AlarmChanged(change) => Some((change.at, Body::Alarm(alarm(change, site)?))),
        Effect::Call(call) => {
            let json = crate::annunciate::message::json(&site.gateway, |index| pond(site, index), call);
            Some((call.at, Body::Call(String::from_utf8(json).ok()?)))
        }
        _ => None,
    }
}

fn pond(site: &Site, index: PondIndex) -> Option<&str> {
    site.ponds.get(usize::from(index.0)).map(|pond| pond.id.as_str())
}

fn pond_summary(summary: &Summary, site: &Site) -> Option<PondSummary> {
    Some(PondSummary {
        pond: pond(site, summary.pond)?.to_owned(),
        from: summary.from,
        to: summary.to,
        quantities: summary.quantities.clone(),
        alarms_standing: summary.alarms_standing,
        merged: 1,
    })
}

fn alarm(change: &AlarmChange, site: &Site) -> Option<String> {
    let line = AlarmMessage {
        gateway: &site.gateway,
        pond: change.pond.and_then(|index| pond(site, index)),
        at: At(change.at),
        id: &change.id,
        name: &change.name,
        priority: change.priority.number(),
        state: change.state.id(),
        previous_state: change.previous_state.id(),
        message: &change.message,
        by: change.by.as_deref(),
        shelved_until: change.shelf.as_ref().map(|shelf| At(shelf.until)),
        reason: change.shelf.as_ref().map(|shelf| shelf.reason.as_str()),
        root: change.root.as_deref(),
    };
    serde_json::to_string(&line)
        .inspect_err(|error| tracing::error!("alarm {} cannot be forwarded: {error}", change.id))
        .ok()
}

#[derive(Serialize)]
struct AlarmMessage<'a> {
    gateway: &'a str,
    pond: Option<&'a str>,
    at: At,
    id: &'a str,
    name: &'a str,
    priority: u8,
    state: &'a str,
    previous_state: &'a str,
    message: &'a str,
    by: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    shelved_until: Option<At>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    root: Option<&'a str>,
}
