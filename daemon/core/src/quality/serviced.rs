//! What a service does to a channel.

use super::{ChannelState, Gap};
use crate::service::{Adjustment, SERVICES_KEPT, Serviced};
use crate::site::Channel;
use crate::time::{Span, Timestamp};

/// A reading older than this is not what the probe reads now.
const READS_NOW: Span = Span::from_minutes(10);

impl ChannelState {
    /// What the probe reads now, in whatever it is held: calibrated, and not judged. In the pond it is
    /// compensated for the pond's salt; in a standard it is not, since the salt there is another.
    pub fn reads_now(&self, channel: &Channel, in_pond: bool, now: Timestamp) -> Option<f64> {
        let (at, bits) = self.newest?;
        let raw = f64::from_bits(bits);
        let own = self.adjustment.of(raw * channel.calibration_slope + channel.calibration_offset);
        let value = own * if in_pond { self.factors.pond } else { self.factors.standard };
        (now - at <= READS_NOW && value.is_finite()).then_some(value)
    }

    /// Takes an adjustment on top of the present one.
    pub fn adjust(&mut self, more: &Adjustment) {
        self.adjustment = more.after(&self.adjustment);
    }

    /// The last good service, or since when it reports.
    pub fn good_since(&self) -> Timestamp {
        self.services.iter().rev().find(|service| !service.rejected).map_or(self.expected_since, |own| own.to)
    }

    /// Was cleaned or read in a standard: what spoke against it before no longer counts.
    pub fn serviced(&mut self, at: Timestamp) {
        self.serviced_at = Some(at);
        self.doubt = None;
        self.disliked.clear();
        self.hand_check = None;
        self.failing_since = None;
        self.watch.serviced();
    }

    /// Keeps what a service found.
    pub fn keep_service(&mut self, service: Serviced) {
        if self.services.len() >= SERVICES_KEPT {
            self.services.pop_front();
        }
        self.services.push_back(service);
    }

    /// Is in the pond again: has its time to report.
    pub fn put_back(&mut self, now: Timestamp) {
        self.gap = Gap::Fresh;
        self.expected_since = now;
    }
}
