//! What holds now of each quantity of a pond: of several probes the one that speaks for it.
//!
//! The same one that alarms and advice go by. Showing whichever reported last would make the oxygen of a pond with two
//! probes jump between bottom and surface, and look good half of the time.

use alloc::vec::Vec;

use crate::derived::slope_per_hour;
use crate::effect::{Flag, Latest};
use crate::pond::{PondState, Scene};
use crate::quality::{ChannelState, Seen};
use crate::quantity::Quantity;
use crate::site::{Channel, ProbeIndex};
use crate::state::is_counted_by_kit;
use crate::time::Span;

/// One per quantity that a probe measures or a person entered.
pub(super) fn latest(pond: &PondState, scene: &Scene<'_>) -> Vec<Latest> {
    let mut quantities: Vec<Quantity> =
        pond.own_channels(scene).map(|(_, channel, _)| channel.quantity).collect();
    quantities.extend(pond.hand.keys());
    quantities.sort_unstable();
    quantities.dedup();
    quantities.into_iter().filter_map(|quantity| of_quantity(pond, scene, quantity)).collect()
}

fn of_quantity(pond: &PondState, scene: &Scene<'_>, quantity: Quantity) -> Option<Latest> {
    let measured = || pond.own_channels(scene).filter(move |(_, channel, _)| channel.quantity == quantity);
    let several = measured().nth(1).is_some();
    let show = |(probe, channel, state): (u16, &Channel, &ChannelState)| {
        let shown = of_channel(scene, channel, state);
        Latest { probe: several.then_some(ProbeIndex(probe)), ..shown }
    };
    let hand = pond.hand.get(&quantity).copied();
    if quantity == Quantity::DoMgL
        && let (Some(seen), lead) = pond.oxygen(scene)
    {
        let is_lead = |state: &ChannelState| {
            lead.is_some_and(|lead| core::ptr::eq(lead, state))
                && state
                    .seen
                    .is_some_and(|own| own.at == seen.at && own.value.to_bits() == seen.value.to_bits())
        };
        if let Some(found) = measured().find(|(_, _, state)| is_lead(state)) {
            let shown = show(found);
            // Its newest reading failed; alarms go by the one before, for the minutes that it counts.
            let is_before = several && shown.value.is_none();
            let flag = seen.flag.worst(Flag::Suspect);
            let before = Latest { value: Some(seen.value), at: seen.at, flag, ..shown };
            return Some(if is_before { before } else { shown });
        }
        if let Some(hand) = hand.filter(|hand| hand.at == seen.at) {
            return Some(of_hand(quantity, hand));
        }
    }
    // Each aerator group has a channel of its own, and none of them speaks for the others.
    let in_order = !matches!(quantity, Quantity::AeratorOn | Quantity::AeratorKw);
    let present = |usable: bool| {
        measured().filter(|_| in_order).find(|(_, channel, state)| {
            state.present(channel, scene.now).is_some_and(|seen| seen.flag.is_usable() || !usable)
        })
    };
    if let Some(found) = present(true).or_else(|| present(false)) {
        let shown = show(found);
        let is_newer = |hand: &Seen| is_counted_by_kit(quantity) && hand.at > shown.at;
        return Some(hand.filter(is_newer).map_or(shown, |hand| of_hand(quantity, hand)));
    }
    // None speaks: what came last, so that one sees since when.
    let offers = measured().map(show).chain(hand.map(|hand| of_hand(quantity, hand)));
    offers.reduce(|known, other| {
        let is_better = known.flag == Flag::Missing || (other.flag != Flag::Missing && other.at > known.at);
        if is_better { other } else { known }
    })
}

fn of_channel(scene: &Scene<'_>, channel: &Channel, state: &ChannelState) -> Latest {
    let flag = state.flag_now();
    let at = state.newest_at().unwrap_or_else(|| state.expected_since());
    let value = state.seen.filter(|seen| flag.may_warn() && seen.at == at).map(|seen| seen.value);
    // Where a hand meter contradicted the probe its own readings may pass, and are doubted all the same.
    let doubted = value.is_some() && state.is_contradicted(channel.quantity);
    let flag = if doubted { flag.worst(Flag::Suspect) } else { flag };
    let per_hour = slope_per_hour(&state.window, scene.now, Span::from_minutes(30));
    let hour = Span::from_hours(1);
    let bins = state.window.between(scene.now - hour, scene.now).count();
    let covered = state.window.covered(scene.now - hour, scene.now);
    let every = (bins > 1).then(|| Span::from_millis(covered.as_millis() / (bins as i64 - 1)));
    Latest { quantity: channel.quantity, probe: None, value, flag, at, per_hour, every }
}

fn of_hand(quantity: Quantity, seen: Seen) -> Latest {
    let Seen { value, at, flag } = seen;
    Latest { quantity, probe: None, value: Some(value), flag, at, per_hour: None, every: None }
}
