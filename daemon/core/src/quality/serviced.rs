//! What a service does to a channel.

use super::watch::Amendment;
use super::{ChannelState, Gap};
use crate::effect::{Flag, Test};
use crate::service::{Adjustment, SERVICES_KEPT, Serviced};
use crate::site::Channel;
use crate::time::{Span, Timestamp};

/// A reading older than this is not what the probe reads now.
const READS_NOW: Span = Span::from_minutes(10);

/// So many spikes within the hour are no chance: something is loose. (Common practice, no source.)
const SPIKES: usize = 3;

/// No more are remembered.
const MOST_SPIKES: usize = 16;

impl ChannelState {
    /// Remembers a reading that was found to be a spike.
    pub(super) fn note_spike(&mut self, amendment: &Amendment) {
        if amendment.test == Test::Spike && amendment.flag >= Flag::Suspect {
            if self.spikes.len() >= MOST_SPIKES {
                self.spikes.pop_front();
            }
            self.spikes.push_back(amendment.from);
        }
    }

    /// A doubt about the probe, where it has spiked again and again within the hour.
    pub(super) fn spiky(&mut self, at: Timestamp) -> Option<(Test, Flag)> {
        while self.spikes.front().is_some_and(|&then| at - then > Span::from_hours(1)) {
            self.spikes.pop_front();
        }
        (self.spikes.len() >= SPIKES).then_some((Test::Spike, Flag::Suspect))
    }

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

    /// The last service that left it reading right, or since when the farm has it.
    pub fn good_since(&self) -> Timestamp {
        let good = |own: &&Serviced| !own.rejected || own.adopted.is_some() || own.drift == 0.0;
        self.services.iter().rev().find(good).map_or(self.known_since, |own| own.to)
    }

    /// Takes over what an earlier life of the same channel knew of its services.
    pub fn take_over(&mut self, earlier: &Self) {
        self.adjustment = earlier.adjustment;
        self.serviced_at = earlier.serviced_at;
        self.services.clone_from(&earlier.services);
        self.known_since = self.known_since.min(earlier.known_since);
    }

    /// Was cleaned or read in a standard: what spoke against it before no longer counts.
    pub fn serviced(&mut self, at: Timestamp) {
        self.serviced_at = Some(at);
        self.doubt = None;
        self.disliked.clear();
        self.hand_check = None;
        self.spikes.clear();
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
