//! What each probe measures now, channel by channel, and what people entered: for metrics.

use alloc::vec::Vec;

use crate::effect::Flag;
use crate::quantity::Quantity;
use crate::site::{PondIndex, ProbeIndex};
use crate::state::State;
use crate::time::Timestamp;

/// The newest of one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelNow {
    /// Which pond; `None` for a probe that belongs to none.
    pub pond: Option<PondIndex>,
    /// Which probe; `None` for what a person entered.
    pub probe: Option<ProbeIndex>,
    /// What is measured.
    pub quantity: Quantity,
    /// The aerator group it is about, if it is about one: an index in the pond's aerators.
    pub aerator: Option<u16>,
    /// Corrected value, where the newest reading is usable or only suspect.
    pub value: Option<f64>,
    /// Its flag.
    pub flag: Flag,
    /// When it was measured, or since when one is awaited.
    pub at: Timestamp,
}

impl State {
    /// Every channel of every probe in the order of the site, then what people entered, by pond.
    pub fn channels_now(&self) -> Vec<ChannelNow> {
        let Some(site) = &self.site else { return Vec::new() };
        let mut found = Vec::new();
        for (position, (configured, probe)) in site.probes.iter().zip(&self.probes).enumerate() {
            let Ok(index) = u16::try_from(position) else { break };
            for (channel, state) in configured.channels.iter().zip(&probe.channels) {
                let flag = state.flag_now();
                let at = state.newest_at().unwrap_or_else(|| state.expected_since());
                let seen = state.seen.filter(|seen| flag.may_warn() && seen.at == at);
                found.push(ChannelNow {
                    pond: configured.pond,
                    probe: Some(ProbeIndex(index)),
                    quantity: channel.quantity,
                    aerator: channel.aerator,
                    value: seen.map(|seen| seen.value),
                    flag,
                    at,
                });
            }
        }
        for (position, pond) in self.ponds.iter().enumerate() {
            let Ok(index) = u16::try_from(position) else { break };
            found.extend(pond.hand.iter().map(|(&quantity, seen)| ChannelNow {
                pond: Some(PondIndex(index)),
                probe: None,
                quantity,
                aerator: None,
                value: Some(seen.value),
                flag: seen.flag,
                at: seen.at,
            }));
        }
        found
    }
}
