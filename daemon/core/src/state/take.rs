//! What each kind of input does to the state.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::State;
use crate::effect::{Amended, Effect, Flag, Reading};
use crate::input::{GatewayPart, ProbeFault, Sample};
use crate::message::length;
use crate::pond::{PondState, Scene};
use crate::quality::watch::{Amendment, Around};
use crate::quality::{self, AHEAD_TOLERANCE, ChannelState, Seen};
use crate::quantity::Quantity;
use crate::said::{self, said};
use crate::site::{Channel, Layer, PondIndex, Probe, ProbeIndex};
use crate::time::{Span, Timestamp};
use crate::window::Bin;

/// Whether a quantity is counted by a test kit or read off a disc.
pub(crate) const fn is_counted_by_kit(quantity: Quantity) -> bool {
    use Quantity as Q;
    matches!(
        quantity,
        Q::TanMgL
            | Q::NitriteMgL
            | Q::PhosphateMgL
            | Q::IronMgL
            | Q::AlkalinityMgL
            | Q::SulfideMgL
            | Q::SecchiCm
            | Q::SludgePh
    )
}

impl State {
    pub(super) fn take_sweep(&mut self, samples: &[Sample], arrived: Timestamp, effects: &mut Vec<Effect>) {
        let mut news: Vec<(PondIndex, Vec<Quantity>)> = Vec::new();
        let mut probes: Vec<usize> = Vec::new();
        for (position, sample) in samples.iter().enumerate() {
            match self.take_sample(samples.get(..position).unwrap_or_default(), sample, arrived, effects) {
                Ok((reading, is_news)) => {
                    if let Some(pond) = reading.pond {
                        match news.iter_mut().find(|(known, _)| *known == pond) {
                            Some((_, quantities)) if is_news => quantities.push(reading.quantity),
                            Some(_) => {}
                            None => news.push((
                                pond,
                                if is_news { alloc::vec![reading.quantity] } else { Vec::new() },
                            )),
                        }
                    }
                    effects.push(Effect::Reading(reading));
                }
                Err(reason) => self.refuse_plainly(reason, effects),
            }
            let probe = usize::from(sample.probe.0);
            if !probes.contains(&probe) {
                probes.push(probe);
            }
        }
        for probe in probes {
            self.settle_probe(probe, effects);
        }
        let (Some(site), Some(night)) = (&self.site, self.night) else { return };
        let scene = Scene {
            site,
            probes: &self.probes,
            night,
            now: self.now,
            falls: &self.falls,
            power_lost: self.power.lost(),
            diary: &self.diary,
        };
        for (index, quantities) in news {
            if let Some(pond) = self.ponds.get_mut(usize::from(index.0)) {
                pond.derive(&scene, &quantities, effects);
                pond.settle(&scene, effects);
            }
        }
    }

    /// What surrounds a sample's channel, as far as its tests ask.
    fn around(&self, sample: &Sample) -> Around {
        let now = self.now;
        let position = usize::from(sample.probe.0);
        let pond = self.site.as_ref().and_then(|site| site.probes.get(position)).and_then(|probe| probe.pond);
        let out_of_service = self.probes.get(position).is_some_and(|probe| probe.service.is_some());
        let clock_wrong =
            self.faults.iter().any(|fault| fault.part == GatewayPart::Clock && fault.which.is_empty());
        let (Some(site), Some(pond)) = (&self.site, pond) else {
            return Around { out_of_service, clock_wrong, ..Around::default() };
        };
        let others = || {
            site.probes
                .iter()
                .zip(&self.probes)
                .enumerate()
                .filter(move |(_, (probe, _))| probe.pond == Some(pond))
                .flat_map(|(place, (probe, known))| {
                    probe.channels.iter().zip(&known.channels).map(move |pair| (place, pair))
                })
        };
        let of = |quantity: Quantity| {
            others().find(move |(_, (channel, _))| channel.quantity == quantity).map(|(_, (_, state))| state)
        };
        let half_hour = Span::from_minutes(30);
        let stirred = self
            .ponds
            .get(usize::from(pond.0))
            .is_some_and(|pond| pond.aerators_switched_within(now, Span::from_minutes(20)))
            || site.ponds.get(usize::from(pond.0)).and_then(|pond| self.diary.book(&pond.id)).is_some_and(
                // Water let out or in moves what lies at the probe's depth.
                |book| book.water_moves_within(now, Span::from_minutes(20)),
            )
            || of(Quantity::SalinityPsu).is_some_and(|state| {
                // Rain on the surface thins the salt.
                let hour_ago = state.window.between(now - Span::from_hours(1), now).next();
                let newest = state.window.between(now - Span::from_hours(1), now).next_back();
                hour_ago.zip(newest).is_some_and(|(then, newest)| then.mean() - newest.mean() > 0.5)
            });
        let moved = |state: &ChannelState| {
            let mut bins = state.window.between(now - half_hour, now).map(Bin::mean);
            let first = bins.next()?;
            bins.next_back().map(|last| libm::fabs(last - first))
        };
        Around {
            factors: self.factors(site, pond, sample),
            out_of_service,
            clock_wrong,
            stirred,
            oxygen_range: (sample.quantity == Quantity::Ph)
                .then(|| of(Quantity::DoMgL).and_then(|state| state.watch.day_range(now)))
                .flatten(),
            ph_shift: (sample.quantity == Quantity::DoMgL && sample.value < 0.5)
                .then(|| of(Quantity::Ph).and_then(moved))
                .flatten(),
            other: others()
                .filter(|(place, (channel, _))| *place != position && channel.quantity == sample.quantity)
                .filter(|(_, (channel, _))| self.is_comparable(pond, sample, channel.layer))
                .filter_map(|(_, (_, state))| state.seen)
                .find(|seen| seen.flag.is_usable() && now - seen.at <= Span::from_minutes(15))
                .or_else(|| self.like_pond(pond, sample.quantity))
                .map(|seen| seen.value),
        }
    }

    /// Whether a probe in another layer of the pond may be held against a sample's: warmth and salt differ
    /// from top to bottom in sound water, and oxygen does while fresh water lies on top.
    fn is_comparable(&self, pond: PondIndex, sample: &Sample, other: Option<Layer>) -> bool {
        let own = self
            .site
            .as_ref()
            .and_then(|site| site.probes.get(usize::from(sample.probe.0)))
            .and_then(|probe| probe.channels.iter().find_map(|channel| channel.layer));
        let (Some(own), Some(other)) = (own, other) else { return true };
        own == other
            || match sample.quantity {
                Quantity::TemperatureC | Quantity::SalinityPsu | Quantity::ConductivityMsCm => false,
                _ => !self.ponds.get(usize::from(pond.0)).is_some_and(PondState::is_layered),
            }
    }

    /// What the first probe of a like pond reads of a quantity, where such a pond is named.
    fn like_pond(&self, pond: PondIndex, quantity: Quantity) -> Option<Seen> {
        let site = self.site.as_ref()?;
        let like = site.ponds.get(usize::from(pond.0))?.like.filter(|&like| like != pond)?;
        let mut channels = site
            .probes
            .iter()
            .zip(&self.probes)
            .filter(|(probe, _)| probe.pond == Some(like))
            .flat_map(|(probe, known)| probe.channels.iter().zip(&known.channels));
        channels.find_map(|(channel, state)| {
            let seen = state.seen.filter(|_| channel.quantity == quantity)?;
            (seen.flag.is_usable() && self.now - seen.at <= Span::from_minutes(20)).then_some(seen)
        })
    }

    /// Judges one sample of a sweep, `earlier` being those before it.
    fn take_sample(
        &mut self,
        earlier: &[Sample],
        sample: &Sample,
        arrived: Timestamp,
        effects: &mut Vec<Effect>,
    ) -> Result<(Reading, bool), String> {
        let now = self.now;
        let around = self.around(sample);
        if sample.quantity == Quantity::DoMgL {
            self.look_at_setting(usize::from(sample.probe.0));
        }
        let Some(site) = &self.site else {
            return Err(String::from(
                "took a sample before any farm was known: the first input must be Started",
            ));
        };
        let position = usize::from(sample.probe.0);
        let (Some(probe), Some(state)) = (site.probes.get(position), self.probes.get_mut(position)) else {
            return Err(format!(
                "took a sample of probe number {position}; the farm has {} probes",
                site.probes.len()
            ));
        };
        let place = channel_of(probe, earlier, sample).ok_or_else(|| {
            format!(
                "took {} from probe {}, which is configured for {}",
                sample.quantity.id(),
                probe.id,
                channels(probe)
            )
        })?;
        let (Some(channel), Some(known)) = (probe.channels.get(place), state.channels.get_mut(place)) else {
            return Err(format!(
                "took channel {place} of probe {}, which has {}",
                probe.id,
                probe.channels.len()
            ));
        };
        let whose = (probe.pond, sample.probe);
        let judged = known
            .judge(channel, whose, sample.value, sample.taken_at, (arrived, now), &around)
            .map_err(|future| {
                state.clock_ahead = Some(future.ahead);
                format!(
                    "took {} = {} from probe {}, measured {} in the future; up to {} is accepted",
                    sample.quantity.id(),
                    sample.value,
                    probe.id,
                    length(future.ahead),
                    length(AHEAD_TOLERANCE),
                )
            })?;
        for amendment in &judged.amended {
            let Amendment { from, to, test, flag } = *amendment;
            let channel = u16::try_from(place).unwrap_or(u16::MAX);
            let quantity = sample.quantity;
            effects.push(Effect::Amended(Amended {
                pond: probe.pond,
                probe: sample.probe,
                channel,
                quantity,
                from,
                to,
                test,
                flag,
            }));
        }
        state.fault = None;
        state.clock_ahead = None;
        state.clock_unset = !around.clock_wrong
            && sample.taken_at.is_some_and(|taken_at| quality::is_of_no_clock(taken_at, now));
        let lag = sample.taken_at.filter(|at| !quality::is_of_no_clock(*at, now)).map(|at| now - at);
        state.lag = lag.filter(|lag| *lag >= channel.quality.missing_after).map(|lag| (now, lag));
        let reading = &judged.reading;
        if let Some(pond) = probe.pond.and_then(|pond| self.ponds.get_mut(usize::from(pond.0))) {
            let source = Some((sample.probe.0, u16::try_from(place).unwrap_or(u16::MAX)));
            pond.tally.count(reading.quantity, source, reading.at, reading.value, reading.flag);
            if let (true, Some(value), true) = (judged.is_news, reading.value, reading.flag.may_warn()) {
                if is_counted_by_kit(reading.quantity) {
                    pond.note_entry(reading.quantity, Seen { value, at: reading.at, flag: reading.flag });
                }
                match (reading.quantity, channel.aerator) {
                    (Quantity::TanMgL, _) => {
                        pond.take_tan(Seen { value, at: reading.at, flag: reading.flag });
                    }
                    (Quantity::AeratorOn, Some(group)) => pond.take_aerator(group, value >= 0.5, now),
                    (Quantity::AeratorKw, Some(group)) => {
                        let rated = site.ponds.get(usize::from(probe.pond.map_or(0, |pond| pond.0)));
                        let rated = rated.and_then(|pond| pond.aerators.get(usize::from(group)));
                        // Current is proof of running; an idle starter draws next to nothing.
                        let running = value > 0.1 * rated.map_or(1.0, |group| group.power_kw);
                        pond.take_aerator(group, running, now);
                    }
                    _ => {}
                }
            }
        }
        Ok((judged.reading, judged.is_news))
    }

    pub(super) fn take_probe_fault(
        &mut self,
        index: ProbeIndex,
        fault: &ProbeFault,
        effects: &mut Vec<Effect>,
    ) {
        let position = usize::from(index.0);
        match self.probes.get_mut(position) {
            Some(probe) => probe.fault = Some(fault.clone()),
            None => {
                let reason = format!(
                    "took a fault of probe number {position}; the farm has {} probes",
                    self.probes.len()
                );
                return self.refuse_plainly(reason, effects);
            }
        }
        self.settle_probe(position, effects);
    }

    pub(super) fn take_entry(
        &mut self,
        index: PondIndex,
        quantity: Quantity,
        value: f64,
        taken_at: Option<Timestamp>,
        effects: &mut Vec<Effect>,
    ) {
        let now = self.now;
        let known = self.site.as_ref().and_then(|site| site.ponds.get(usize::from(index.0)));
        let Some(pond) = known else {
            let reason = format!(
                "{} was not entered for pond number {}; the farm has {} ponds",
                quantity.id(),
                index.0,
                self.ponds.len()
            );
            return self.refuse_plainly(reason, effects);
        };
        let refusal = if quantity.is_derived() {
            Some(said!("refused-computed", "it is computed, not entered"))
        } else if quantity.is_state() && !quantity.can_be(value) {
            Some(said!("refused-state", "accepted is 0 (stands still) or 1 (runs)"))
        } else if quality::syntax(quantity, value) != Flag::Pass {
            let (low, high) = quantity.conceivable();
            Some(said!(
                "refused-range",
                "accepted is {low} to {high} {unit}",
                low = format!("{low}"),
                high = format!("{high}"),
                unit = quantity.unit()
            ))
        } else {
            taken_at.filter(|&taken| taken - now > AHEAD_TOLERANCE).map(|taken| {
                said!(
                    "refused-ahead",
                    "its time lies {ahead} in the future; up to {most} is accepted",
                    ahead = said::length(taken - now),
                    most = said::length(AHEAD_TOLERANCE)
                )
            })
        };
        if let Some(refusal) = refusal {
            let reason = said!(
                "refused-entry",
                "{what} = {value} for pond {pond} was not entered: {why}",
                what = crate::message::quantity_id(quantity),
                value = format!("{value}"),
                pond = &pond.id,
                why = refusal
            );
            return self.refuse(reason, effects);
        }
        let at = taken_at.unwrap_or(now);
        let limits = Channel::uncorrected(quantity).quality;
        let reading = quality::judge_entry(index, quantity, value, at, Some(&limits));
        let flag = reading.flag;
        effects.push(Effect::Reading(reading));
        if let Some(pond) = self.ponds.get_mut(usize::from(index.0)) {
            pond.tally.count(quantity, None, at, Some(value), flag);
            if flag.may_warn() {
                let seen = Seen { value, at, flag };
                pond.note_entry(quantity, seen);
                let known = pond.hand.entry(quantity).or_insert(seen);
                if known.at <= at {
                    *known = seen;
                }
                if quantity == Quantity::Ph {
                    pond.note_ph_by_hand(seen);
                }
                if quantity == Quantity::TanMgL {
                    pond.take_tan(seen);
                }
            }
        }
        self.check_by_hand(index, (quantity, value), at, effects);
        let (Some(site), Some(night)) = (&self.site, self.night) else { return };
        let scene = Scene {
            site,
            probes: &self.probes,
            night,
            now,
            falls: &self.falls,
            power_lost: self.power.lost(),
            diary: &self.diary,
        };
        if let Some(pond) = self.ponds.get_mut(usize::from(index.0)) {
            pond.derive(&scene, &[quantity], effects);
            pond.settle(&scene, effects);
        }
    }

    /// Holds a person's reading against the pond's own probes.
    fn check_by_hand(
        &mut self,
        index: PondIndex,
        (quantity, value): (Quantity, f64),
        at: Timestamp,
        effects: &mut Vec<Effect>,
    ) {
        let Some(site) = &self.site else { return };
        let mut checked: Vec<usize> = Vec::new();
        for (position, (probe, known)) in site.probes.iter().zip(&mut self.probes).enumerate() {
            if probe.pond != Some(index) {
                continue;
            }
            for (channel, state) in probe.channels.iter().zip(&mut known.channels) {
                if channel.quantity == quantity {
                    state.check_by_hand(quantity, value, at);
                    checked.push(position);
                }
            }
        }
        for position in checked {
            self.settle_probe(position, effects);
        }
    }
}

/// Finds the channel a sample belongs to: as it says, else the first, second, third one of its
/// quantity for the first, second, third such sample of the sweep.
fn channel_of(probe: &Probe, earlier: &[Sample], sample: &Sample) -> Option<usize> {
    let fits = |&(_, channel): &(usize, &Channel)| channel.quantity == sample.quantity;
    if let Some(place) = sample.channel {
        let place = usize::from(place);
        return probe
            .channels
            .get(place)
            .filter(|channel| channel.quantity == sample.quantity)
            .map(|_| place);
    }
    let candidates = || probe.channels.iter().enumerate().filter(fits);
    let count = candidates().count();
    let same = |other: &&Sample| {
        other.probe == sample.probe && other.quantity == sample.quantity && other.taken_at == sample.taken_at
    };
    let nth = if count > 1 { earlier.iter().filter(same).count() } else { 0 };
    candidates().nth(nth.checked_rem(count)?).map(|(place, _)| place)
}

fn channels(probe: &Probe) -> String {
    let ids: Vec<&str> = probe.channels.iter().map(|channel| channel.quantity.id()).collect();
    if ids.is_empty() { String::from("nothing") } else { ids.join(", ") }
}
