//! The present: which probe or hand reading speaks for a quantity of the pond now.

use super::{HAND_GOOD_FOR, HAND_OXYGEN_GOOD_FOR, PondState, Scene};
use crate::derived::{KIT_GOOD_FOR, Water};
use crate::effect::Flag;
use crate::quality::{ChannelState, HandCheck, Seen};
use crate::quantity::Quantity;
use crate::site::{Channel, Pond};
use crate::time::{Span, Timestamp};

/// A probe that reads this much lower than beside the hand meter has fallen on, mg/L. (Common practice, no
/// source: what a hand meter itself may be off by.)
const FALLEN_ON_MG_L: f64 = 1.0;

impl PondState {
    pub(crate) fn channels<'a>(
        &'a self,
        scene: &Scene<'a>,
        quantity: Quantity,
    ) -> impl Iterator<Item = (&'a Channel, &'a ChannelState)> + use<'a> {
        channels_of(scene, self.members.iter().chain(&self.shared))
            .filter(move |(_, channel, _)| channel.quantity == quantity)
            .map(|(_, channel, state)| (channel, state))
    }

    /// The present value: of the first probe, in the order of the configuration, that has a usable
    /// one, else a suspect one, else what a person entered.
    pub(crate) fn present(&self, scene: &Scene<'_>, quantity: Quantity) -> Option<Seen> {
        let mut suspect = None;
        for (channel, state) in self.channels(scene, quantity) {
            if let Some(seen) = state.present(channel, scene.now) {
                if seen.flag.is_usable() {
                    return Some(seen);
                }
                suspect = suspect.or(Some(seen));
            }
        }
        suspect
            .or_else(|| self.hand.get(&quantity).copied().filter(|seen| scene.now - seen.at < HAND_GOOD_FOR))
    }

    /// The newest test-kit value, or a probe's, while it counts.
    pub(crate) fn kit(&self, scene: &Scene<'_>, quantity: Quantity) -> Option<Seen> {
        let probes = self.channels(scene, quantity).filter_map(|(_, state)| state.seen);
        probes
            .chain(self.hand.get(&quantity).copied())
            .filter(|seen| scene.now - seen.at <= KIT_GOOD_FOR)
            .max_by_key(|seen| seen.at)
    }

    /// The lowest of the present oxygen values, and the channel it comes from unless a person
    /// entered it.
    pub(crate) fn oxygen<'a>(&'a self, scene: &Scene<'a>) -> (Option<Seen>, Option<&'a ChannelState>) {
        let mut lowest: (Option<Seen>, Option<&ChannelState>) = (None, None);
        for (channel, state) in self.channels(scene, Quantity::DoMgL) {
            if let Some(seen) = state.present(channel, scene.now)
                && !self.hand_stands_in(seen, state, scene.now)
                && lowest.0.is_none_or(|other| seen.value < other.value)
            {
                lowest = (Some(seen), Some(state));
            }
        }
        if let Some(&hand) = self.hand.get(&Quantity::DoMgL)
            && scene.now - hand.at < HAND_OXYGEN_GOOD_FOR
            && lowest.0.is_none_or(|other| hand.value < other.value)
        {
            lowest.0 = Some(hand);
        }
        lowest
    }

    /// Whether a person's hand meter speaks for a doubted oxygen probe now: it read another value beside
    /// it, and not long ago. Afterwards the probe's word counts again, doubted as it is.
    ///
    /// A probe whose own readings pass keeps its word: one hand reading, perhaps mistyped, is not enough
    /// to silence it. And a probe that has fallen on since the hand meter was beside it says something
    /// that the hand meter knew nothing of.
    pub(super) fn hand_stands_in(&self, seen: Seen, state: &ChannelState, now: Timestamp) -> bool {
        state.seen.is_some_and(|own| own.flag == Flag::Suspect)
            && state.is_contradicted(Quantity::DoMgL)
            && state.hand_check.is_some_and(|check| {
                now - check.at < HAND_OXYGEN_GOOD_FOR && check.probe - seen.value <= FALLEN_ON_MG_L
            })
            && self.hand.get(&Quantity::DoMgL).is_some_and(|hand| now - hand.at < HAND_OXYGEN_GOOD_FOR)
    }

    /// Where a hand meter speaks for a doubted oxygen probe now: what both read, and how much longer.
    pub(super) fn hand_counts(&self, scene: &Scene<'_>) -> Option<(HandCheck, Span)> {
        self.channels(scene, Quantity::DoMgL)
            .filter(|(channel, state)| {
                state
                    .present(channel, scene.now)
                    .is_some_and(|seen| self.hand_stands_in(seen, state, scene.now))
            })
            .find_map(|(_, state)| state.hand_check)
            .map(|check| (check, check.at + HAND_OXYGEN_GOOD_FOR - scene.now))
    }

    pub(crate) fn water(&self, scene: &Scene<'_>, pond: &Pond) -> Water {
        let salinity = self
            .present(scene, Quantity::SalinityPsu)
            .or_else(|| self.hand.get(&Quantity::SalinityPsu).copied());
        let pressure = self.present(scene, Quantity::PressureHpa);
        Water {
            temperature_c: self.present(scene, Quantity::TemperatureC),
            salinity_psu: salinity.map_or(pond.salinity_psu, |seen| seen.value),
            salinity_flag: salinity.map_or(Flag::NotEvaluated, |seen| seen.flag),
            pressure_hpa: pressure.map_or(scene.site.pressure_hpa, |seen| seen.value),
            pressure_flag: pressure.map_or(Flag::NotEvaluated, |seen| seen.flag),
        }
    }

    /// When values that alarms are judged by become too old to speak of now.
    pub(super) fn expiries<'a>(&'a self, scene: &Scene<'a>) -> impl Iterator<Item = Timestamp> + use<'a> {
        let of = |quantity| {
            self.channels(scene, quantity).filter_map(|(channel, state)| state.expires_at(&channel.quality))
        };
        let hand = |quantity, good_for| self.hand.get(&quantity).map(|seen| seen.at + good_for);
        of(Quantity::DoMgL)
            .chain(of(Quantity::Ph))
            .chain(hand(Quantity::DoMgL, HAND_OXYGEN_GOOD_FOR))
            .chain(hand(Quantity::Ph, HAND_GOOD_FOR))
    }

    /// Every channel of the pond's own probes, with the probe's position and what is known of it.
    pub fn own_channels<'a>(
        &'a self,
        scene: &Scene<'a>,
    ) -> impl Iterator<Item = (u16, &'a Channel, &'a ChannelState)> + use<'a> {
        channels_of(scene, self.members.iter())
    }
}

/// Every channel of the probes at these positions, with what is known of it.
pub(super) fn channels_of<'a, P: Iterator<Item = &'a u16> + 'a>(
    scene: &Scene<'a>,
    positions: P,
) -> impl Iterator<Item = (u16, &'a Channel, &'a ChannelState)> + use<'a, P> {
    let (site, probes) = (scene.site, scene.probes);
    positions.flat_map(move |&member| {
        let pair = site.probes.get(usize::from(member)).zip(probes.get(usize::from(member)));
        pair.into_iter().flat_map(move |(probe, known)| {
            let channels = probe.channels.iter().zip(&known.channels);
            channels.map(move |(channel, state)| (member, channel, state))
        })
    })
}
