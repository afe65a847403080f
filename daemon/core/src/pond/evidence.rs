//! What a pond has to say about one of its probes: the evidence for [`crate::verdict`].

use alloc::vec::Vec;

use super::present::channels_of;
use super::{PondState, Scene};
use crate::alarm_set::Facts;
use crate::derived;
use crate::effect::Flag;
use crate::quality::ChannelState;
use crate::quantity::Quantity;
use crate::site::{Channel, Pond, PondIndex, Probe, ProbeIndex};
use crate::time::{Span, Timestamp};
use crate::verdict::{Evidence, Verdict, weigh};
use crate::window::Window;

/// Oxygen of another pond that fell by this much over the hour fell along, mg/L.
const FELL_MG_L: f64 = 0.5;

/// A probe's own temperature jumps when it moves so far, C, while another in the pond stays within
/// half of it.
const JUMP_C: f64 = 1.5;

impl PondState {
    /// Sensor or water, for the oxygen the alarms go by: weighed only where it matters, since it looks
    /// at many windows.
    pub(crate) fn oxygen_verdict(
        &self,
        scene: &Scene<'_>,
        facts: &Facts<'_>,
        pond: &Pond,
    ) -> Option<Verdict> {
        let [warn, ..] = pond.limits.do_low_mg_l;
        let falls = facts.fall_30min.is_some_and(|fall| fall > pond.limits.do_fall_30min_mg_l / 2.0);
        let matters = facts
            .oxygen
            .is_some_and(|seen| seen.flag == Flag::Suspect || seen.value < warn.limit + warn.deadband);
        if !(matters || falls || facts.oxygen.is_none()) {
            return None;
        }
        // What a pond announces rests on its own probes alone.
        self.verdict_of(scene, Quantity::DoMgL, 0)
    }

    /// Sensor or water, for the channel of a quantity that speaks for the pond: that with the lowest
    /// value of oxygen, else the first.
    pub fn verdict_on(&self, scene: &Scene<'_>, quantity: Quantity) -> Option<Verdict> {
        self.verdict_of(scene, quantity, self.ponds_falling(scene, quantity))
    }

    fn verdict_of(&self, scene: &Scene<'_>, quantity: Quantity, ponds_falling: u16) -> Option<Verdict> {
        let value = |state: &ChannelState| state.seen.map_or(f64::INFINITY, |seen| seen.value);
        let mut chosen: Option<(u16, &Channel, &ChannelState)> = None;
        for found in self.own_channels(scene).filter(|(_, channel, _)| channel.quantity == quantity) {
            let is_lower = chosen
                .is_none_or(|(_, _, known)| quantity == Quantity::DoMgL && value(found.2) < value(known));
            if is_lower {
                chosen = Some(found);
            }
        }
        let (probe, channel, state) = chosen?;
        state.newest_at()?;
        Some(self.weigh_channel(scene, (ProbeIndex(probe), channel, state), ponds_falling))
    }

    /// Weighs one of the pond's own channels.
    fn weigh_channel(
        &self,
        scene: &Scene<'_>,
        (probe, channel, state): (ProbeIndex, &Channel, &ChannelState),
        ponds_falling: u16,
    ) -> Verdict {
        let now = scene.now;
        let recent: Vec<(Timestamp, f64)> = state.watch.recent().collect();
        let sound = |quantity| {
            self.own_channels(scene)
                .find(|(_, other, _)| other.quantity == quantity)
                .map(|(_, _, state)| &state.window)
        };
        let (stopped, started) = self.last_stop_and_start;
        let evidence = Evidence {
            probe,
            quantity: channel.quantity,
            now,
            seen: state.seen,
            recent: &recent,
            disliked: &state.disliked,
            flat_since: state.watch.flat_since(),
            scale: channel.quality.fail,
            usual: state.watch.usual_now(),
            ph: (channel.quantity != Quantity::Ph).then(|| sound(Quantity::Ph)).flatten(),
            salinity: sound(Quantity::SalinityPsu),
            other: self.other_probe(scene, (probe, channel, state)),
            temperature_jump: self.temperature_jump(scene, probe, recent.first().map(|&(at, _)| at)),
            hand: state.hand_check,
            serviced_at: state.serviced_at,
            ponds_falling,
            aerators: (stopped, started),
            is_night: self.night.is_on(now),
        };
        weigh(&evidence)
    }

    /// Every channel that reports a quantity for the pond, with its probe.
    pub(crate) fn reporting<'a>(
        &'a self,
        scene: &Scene<'a>,
        quantity: Quantity,
    ) -> impl Iterator<Item = (&'a Probe, &'a ChannelState)> + use<'a> {
        let site = scene.site;
        channels_of(scene, self.members.iter().chain(&self.shared))
            .filter(move |(_, channel, _)| channel.quantity == quantity)
            .filter_map(move |(probe, _, state)| Some((site.probes.get(usize::from(probe))?, state)))
    }

    /// Its position on the farm.
    pub(crate) fn index(&self) -> PondIndex {
        self.index
    }

    /// Slope of the oxygen that speaks for the pond, over the last hour.
    pub(crate) fn slope_now(&self, scene: &Scene<'_>) -> Option<f64> {
        let (_, lead) = self.oxygen(scene);
        derived::slope_per_hour(&lead?.window, scene.now, Span::from_hours(1))
    }

    /// What the pond's other probe reads of the same quantity, shifted by what is usual between the two,
    /// and how far they may be apart.
    fn other_probe(
        &self,
        scene: &Scene<'_>,
        (probe, channel, state): (ProbeIndex, &Channel, &ChannelState),
    ) -> Option<(f64, f64)> {
        let least = channel.quality.neighbour?;
        let (usual, sigma) = state.watch.usual_difference().unwrap_or((0.0, 0.0));
        let (_, _, other) = self
            .own_channels(scene)
            .find(|(position, other, _)| *position != probe.0 && other.quantity == channel.quantity)?;
        let seen = other.seen.filter(|seen| scene.now - seen.at <= Span::from_minutes(20))?;
        // A probe that is in doubt itself is no witness.
        (other.doubt.is_none() && !other.is_contradicted(channel.quantity))
            .then(|| (seen.value + usual, (3.0 * sigma).max(least)))
    }

    /// How far this probe's own temperature moved since `since`, if that is far and another probe of the
    /// pond did not go along.
    fn temperature_jump(
        &self,
        scene: &Scene<'_>,
        probe: ProbeIndex,
        since: Option<Timestamp>,
    ) -> Option<f64> {
        let since = since?;
        let moved = |window: &Window| {
            let mut bins = window.between(since, scene.now);
            let first = bins.next()?.mean();
            bins.next_back().map(|last| last.mean() - first)
        };
        let mut own = None;
        let mut other = None;
        for (position, channel, state) in self.own_channels(scene) {
            if channel.quantity == Quantity::TemperatureC {
                let place = if position == probe.0 { &mut own } else { &mut other };
                *place = place.or_else(|| moved(&state.window));
            }
        }
        let (own, other): (f64, f64) = (own?, other?);
        (libm::fabs(own) >= JUMP_C && libm::fabs(own - other) >= JUMP_C / 2.0 + libm::fabs(own) / 4.0)
            .then_some(own)
    }

    /// How many of the farm's other ponds lost oxygen over the last hour.
    fn ponds_falling(&self, scene: &Scene<'_>, quantity: Quantity) -> u16 {
        if quantity != Quantity::DoMgL {
            return 0;
        }
        let hour = Span::from_hours(1);
        let edge = Span::from_minutes(10);
        let mut falling: Vec<u16> = Vec::new();
        for (probe, known) in scene.site.probes.iter().zip(scene.probes) {
            let Some(pond) = probe.pond.filter(|&pond| pond != self.index && !falling.contains(&pond.0))
            else {
                continue;
            };
            let fell = probe.channels.iter().zip(&known.channels).any(|(channel, state)| {
                channel.quantity == quantity
                    && state
                        .window
                        .mean(scene.now - hour, scene.now - hour + edge)
                        .zip(state.window.mean(scene.now - edge, scene.now))
                        .is_some_and(|(then, newest)| then - newest >= FELL_MG_L)
            });
            if fell {
                falling.push(pond.0);
            }
        }
        u16::try_from(falling.len()).unwrap_or(u16::MAX)
    }
}
