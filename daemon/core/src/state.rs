//! The heart: one input in, effects out.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::{Alarm, Cause, Delays, Sight};
use crate::effect::{AlarmState, Effect, Flag, PartFault, Priority, Reading, Summary};
use crate::gateway_fault;
use crate::input::{Event, GatewayPart, Input, ProbeFault, Sample};
use crate::message::length;
use crate::pond::{PondState, Scene};
use crate::probe::ProbeState;
use crate::quality::{self, AHEAD_TOLERANCE, Seen};
use crate::quantity::Quantity;
use crate::site::{Channel, PondIndex, Probe, ProbeIndex, Site};
use crate::summary;
use crate::sunlight::{Night, WATCH_UNTIL};
use crate::time::{Span, Timestamp};

/// A farm from which nothing has been heard for so long is left in peace: no deadline is named any
/// more until it is heard of again. Bounds the work of a single step, whatever a clock does.
const QUIET_AFTER: Span = Span::from_hours(7 * 24);

/// Everything the core remembers.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct State {
    pub(crate) site: Option<Site>,
    /// Time of the newest input or deadline.
    pub(crate) now: Timestamp,
    /// Time of the newest input that was more than a tick.
    heard_at: Option<Timestamp>,
    /// The daemon was stopped in an orderly way: nothing is watched, and nothing is due.
    stopped: bool,
    pub(crate) night: Option<Night>,
    pub(crate) ponds: Vec<PondState>,
    pub(crate) probes: Vec<ProbeState>,
    pub(crate) faults: Vec<PartFault>,
    /// One per part of the gateway that ever failed.
    pub(crate) gateway_alarms: Vec<Alarm>,
    pub(crate) horn: bool,
    summary_due: Option<Timestamp>,
    summary_from: Timestamp,
    summaries: u64,
}

impl State {
    /// A state that has seen nothing yet; the first input should be [`crate::Event::Started`].
    pub fn new() -> Self {
        Self::default()
    }

    /// The farm, once an input has brought it.
    pub fn site(&self) -> Option<&Site> {
        self.site.as_ref()
    }

    /// Takes one input. First fires every deadline that is due at `input.at`, in order, stamping the
    /// effects with the deadline; then handles the input. Total: no input makes it panic. An `at`
    /// before the newest one counts as the newest one.
    pub fn step(&mut self, input: &Input, effects: &mut Vec<Effect>) {
        self.wake(input.at, effects);
        if input.event == Event::Tick {
            return;
        }
        let first = effects.len();
        let was_quiet = self.heard_at.is_some_and(|heard| input.at > heard + QUIET_AFTER);
        self.now = if self.heard_at.is_some() { self.now.max(input.at) } else { input.at };
        self.heard_at = Some(self.now);
        if was_quiet || self.stopped {
            self.resume(effects);
        }
        self.handle(input, effects);
        self.sound_horn(first, effects);
    }

    /// When the state next wants to be woken, if ever. Waking early, late or twice changes nothing
    /// but when the effects are learnt of.
    pub fn next_deadline(&self) -> Option<Timestamp> {
        let last = self.heard_at.filter(|_| !self.stopped)? + QUIET_AFTER;
        let ponds = self.ponds.iter().filter_map(|pond| pond.deadline);
        let probes = self.probes.iter().filter_map(|probe| probe.deadline);
        let gateway = self.gateway_alarms.iter().filter_map(Alarm::deadline);
        let sun = self.night.map(|night| night.next_turn(self.now));
        ponds
            .chain(probes)
            .chain(gateway)
            .chain(sun)
            .chain(self.summary_due)
            .filter(|&due| due > self.now && due <= last)
            .min()
    }

    /// Fires the deadlines due at `now` without any input. Never journalled.
    pub fn wake(&mut self, now: Timestamp, effects: &mut Vec<Effect>) {
        while let Some(due) = self.next_deadline().filter(|&due| due <= now) {
            let first = effects.len();
            let before = core::mem::replace(&mut self.now, due);
            self.fire(before, effects);
            self.sound_horn(first, effects);
        }
    }

    /// Carries out everything that is due at the present time, `before` being the time until now.
    fn fire(&mut self, before: Timestamp, effects: &mut Vec<Effect>) {
        let Some(site) = &self.site else { return };
        let now = self.now;
        let is_due = |due: Option<Timestamp>| due.is_some_and(|due| due <= now);
        let sun_turns = self.night.is_none_or(|night| night.next_turn(before) <= now);
        let night = match self.night {
            Some(night) if night.valid_until() > now => night,
            _ => Night::at(site, now, WATCH_UNTIL),
        };
        self.night = Some(night);
        let mut touched: Vec<PondIndex> = Vec::new();
        for (position, (probe, configured)) in self.probes.iter_mut().zip(&site.probes).enumerate() {
            let Ok(index) = u16::try_from(position) else { break };
            if is_due(probe.deadline) {
                probe.settle(site, ProbeIndex(index), now, effects);
                touched.extend(configured.pond);
            }
        }
        let scene = Scene { site, probes: &self.probes, night, now };
        for (position, pond) in self.ponds.iter_mut().enumerate() {
            let Ok(index) = u16::try_from(position) else { break };
            if sun_turns || is_due(pond.deadline) || touched.contains(&PondIndex(index)) {
                pond.settle(&scene, effects);
            }
        }
        for alarm in &mut self.gateway_alarms {
            gateway_fault::settle(alarm, &self.faults, now, effects);
        }
        if is_due(self.summary_due) {
            self.summarise(effects);
        }
    }

    fn summarise(&mut self, effects: &mut Vec<Effect>) {
        let Some(site) = &self.site else { return };
        let to = self.now;
        for (position, pond) in self.ponds.iter_mut().enumerate() {
            let Ok(index) = u16::try_from(position) else { break };
            let index = PondIndex(index);
            let mut alarms_standing = [0_u16; 3];
            let probes =
                self.probes.iter().map(|probe| &probe.alarm).filter(|alarm| alarm.pond == Some(index));
            for alarm in pond.alarms.iter().chain(probes).filter(|alarm| alarm.state.is_standing()) {
                let place = match alarm.priority {
                    Priority::Critical => 0,
                    Priority::High => 1,
                    Priority::Medium => 2,
                };
                if let Some(count) = alarms_standing.get_mut(place) {
                    *count = count.saturating_add(1);
                }
            }
            self.summaries = self.summaries.saturating_add(1);
            effects.push(Effect::Summary(Summary {
                pond: index,
                sequence: self.summaries,
                from: self.summary_from,
                to,
                quantities: pond.tally.close(),
                alarms_standing,
            }));
        }
        self.summary_from = to;
        self.summary_due = Some(summary::next_multiple(to, site.summary_every));
    }

    fn handle(&mut self, input: &Input, effects: &mut Vec<Effect>) {
        match &input.event {
            Event::Started { site } | Event::SiteChanged { site } => self.take_site(site, effects),
            Event::Stopped => self.stopped = true,
            Event::Tick => {}
            Event::Sweep { samples } => self.take_sweep(samples, input.at, effects),
            Event::ProbeFault { probe, fault } => self.take_probe_fault(*probe, fault, effects),
            Event::ManualSample { pond, quantity, value, taken_at, by: _ } => {
                self.take_entry(*pond, *quantity, *value, *taken_at, effects);
            }
            Event::Acknowledge { alarm, by } => self.acknowledge(alarm, by, effects),
            Event::GatewayFault { part, which, detail } => {
                self.take_gateway_fault(*part, which, detail.as_deref(), effects);
            }
            Event::ClockStepped { from, to } => self.take_clock_step(*from, *to, effects),
        }
    }

    /// Takes up the watch again after a time in which no deadline was kept: what fell due in it is
    /// looked at now. After an orderly stop probes get their time to report anew, since it was the
    /// gateway that was silent.
    fn resume(&mut self, effects: &mut Vec<Effect>) {
        let Some(site) = &self.site else { return };
        let now = self.now;
        if core::mem::take(&mut self.stopped) {
            for probe in &mut self.probes {
                probe.expect_anew(now);
            }
            for pond in &mut self.ponds {
                pond.watch_anew(now);
            }
        }
        self.night = Some(Night::at(site, now, WATCH_UNTIL));
        self.summary_from = now;
        self.summary_due = Some(summary::next_multiple(now, site.summary_every));
        for probe in 0..self.probes.len() {
            self.settle_probe(probe, effects);
        }
        self.settle_ponds(effects);
    }

    fn refuse(&self, reason: String, effects: &mut Vec<Effect>) {
        effects.push(Effect::Refused { at: self.now, reason });
    }

    /// Takes a farm. What is known of ponds, probes and channels stays with their ids.
    fn take_site(&mut self, site: &Site, effects: &mut Vec<Effect>) {
        let now = self.now;
        let old = self.site.replace(site.clone());
        let mut old_ponds: Vec<Option<PondState>> =
            core::mem::take(&mut self.ponds).into_iter().map(Some).collect();
        let mut old_probes: Vec<Option<ProbeState>> =
            core::mem::take(&mut self.probes).into_iter().map(Some).collect();
        for (position, pond) in site.ponds.iter().enumerate() {
            let Ok(index) = u16::try_from(position) else { break };
            let known = old.as_ref().and_then(|old| {
                let was = old.ponds.iter().position(|was| was.id == pond.id)?;
                Some((old.ponds.get(was)?, old_ponds.get_mut(was)?.take()?))
            });
            self.ponds.push(match known {
                Some((was, state)) => state.moved(was, site, PondIndex(index), pond),
                None => PondState::new(site, PondIndex(index), pond, now),
            });
        }
        for probe in site.probes.iter().take(usize::from(u16::MAX)) {
            let known = old.as_ref().and_then(|old| {
                let was = old.probes.iter().position(|was| was.id == probe.id)?;
                Some((old.probes.get(was)?, old_probes.get_mut(was)?.take()?))
            });
            self.probes.push(match known {
                Some((was, state)) => state.moved(was, site, probe, now),
                None => ProbeState::new(site, probe, now),
            });
        }
        self.night = Some(Night::at(site, now, WATCH_UNTIL));
        if old.as_ref().is_none_or(|old| old.summary_every != site.summary_every)
            || self.summary_due.is_none_or(|due| due <= now)
        {
            self.summary_from = now;
            self.summary_due = Some(summary::next_multiple(now, site.summary_every));
        }
        for probe in 0..self.probes.len() {
            self.settle_probe(probe, effects);
        }
        self.settle_ponds(effects);
    }

    fn any_sounds(&self) -> bool {
        let ponds = self.ponds.iter().flat_map(|pond| &pond.alarms);
        let probes = self.probes.iter().map(|probe| &probe.alarm);
        ponds.chain(probes).chain(&self.gateway_alarms).any(Alarm::sounds)
    }

    /// Sounds or silences the horn, if an alarm changed since effect number `first`, or if a sounding
    /// alarm may have gone with its pond.
    fn sound_horn(&mut self, first: usize, effects: &mut Vec<Effect>) {
        let changed = effects.iter().skip(first).any(|effect| matches!(effect, Effect::AlarmChanged(_)));
        if !changed && !self.horn {
            return;
        }
        let sound = self.any_sounds();
        if sound != self.horn {
            self.horn = sound;
            effects.push(Effect::Horn { at: self.now, sound });
        }
    }

    fn settle_probe(&mut self, position: usize, effects: &mut Vec<Effect>) {
        let (Some(site), Some(probe), Ok(index)) =
            (&self.site, self.probes.get_mut(position), u16::try_from(position))
        else {
            return;
        };
        probe.settle(site, ProbeIndex(index), self.now, effects);
    }

    fn settle_ponds(&mut self, effects: &mut Vec<Effect>) {
        let (Some(site), Some(night)) = (&self.site, self.night) else { return };
        let scene = Scene { site, probes: &self.probes, night, now: self.now };
        for pond in &mut self.ponds {
            pond.settle(&scene, effects);
        }
    }

    fn take_sweep(&mut self, samples: &[Sample], arrived: Timestamp, effects: &mut Vec<Effect>) {
        let mut news: Vec<(PondIndex, Vec<Quantity>)> = Vec::new();
        let mut probes: Vec<usize> = Vec::new();
        for (position, sample) in samples.iter().enumerate() {
            match self.take_sample(samples.get(..position).unwrap_or_default(), sample, arrived) {
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
                Err(reason) => self.refuse(reason, effects),
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
        let scene = Scene { site, probes: &self.probes, night, now: self.now };
        for (index, quantities) in news {
            if let Some(pond) = self.ponds.get_mut(usize::from(index.0)) {
                pond.derive(&scene, &quantities, effects);
                pond.settle(&scene, effects);
            }
        }
    }

    /// Judges one sample of a sweep, `earlier` being those before it.
    fn take_sample(
        &mut self,
        earlier: &[Sample],
        sample: &Sample,
        arrived: Timestamp,
    ) -> Result<(Reading, bool), String> {
        let now = self.now;
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
        let judged =
            known.judge(channel, whose, sample.value, sample.taken_at, arrived, now).map_err(|future| {
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
        state.fault = None;
        state.clock_ahead = None;
        let reading = &judged.reading;
        if let Some(pond) = probe.pond.and_then(|pond| self.ponds.get_mut(usize::from(pond.0))) {
            pond.tally.count(reading.quantity, reading.value, reading.flag);
            if let (true, Some(value), true) = (judged.is_news, reading.value, reading.flag.may_warn()) {
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

    fn take_probe_fault(&mut self, index: ProbeIndex, fault: &ProbeFault, effects: &mut Vec<Effect>) {
        let position = usize::from(index.0);
        match self.probes.get_mut(position) {
            Some(probe) => probe.fault = Some(fault.clone()),
            None => {
                let reason = format!(
                    "took a fault of probe number {position}; the farm has {} probes",
                    self.probes.len()
                );
                return self.refuse(reason, effects);
            }
        }
        self.settle_probe(position, effects);
    }

    fn take_entry(
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
                "entered {} for pond number {}; the farm has {} ponds",
                quantity.id(),
                index.0,
                self.ponds.len()
            );
            return self.refuse(reason, effects);
        };
        let refusal = if quantity.is_derived() {
            Some(String::from("it is computed, not entered"))
        } else if quality::syntax(quantity, value) != Flag::Pass {
            let (low, high) = quantity.conceivable();
            Some(format!("accepted is {low} to {high} {}", quantity.unit()))
        } else {
            taken_at.filter(|&taken| taken - now > AHEAD_TOLERANCE).map(|taken| {
                format!(
                    "its time lies {} in the future; up to {} is accepted",
                    length(taken - now),
                    length(AHEAD_TOLERANCE)
                )
            })
        };
        if let Some(refusal) = refusal {
            let reason = format!("entered {} = {value} for pond {}: {refusal}", quantity.id(), pond.id);
            return self.refuse(reason, effects);
        }
        let at = taken_at.unwrap_or(now);
        let limits = Channel::uncorrected(quantity).quality;
        let reading = quality::judge_entry(index, quantity, value, at, Some(&limits));
        let flag = reading.flag;
        effects.push(Effect::Reading(reading));
        if let Some(pond) = self.ponds.get_mut(usize::from(index.0)) {
            pond.tally.count(quantity, Some(value), flag);
            if flag.may_warn() {
                let seen = Seen { value, at, flag };
                let known = pond.hand.entry(quantity).or_insert(seen);
                if known.at <= at {
                    *known = seen;
                }
                if quantity == Quantity::TanMgL {
                    pond.take_tan(seen);
                }
            }
        }
        let (Some(site), Some(night)) = (&self.site, self.night) else { return };
        let scene = Scene { site, probes: &self.probes, night, now };
        if let Some(pond) = self.ponds.get_mut(usize::from(index.0)) {
            pond.derive(&scene, &[quantity], effects);
            pond.settle(&scene, effects);
        }
    }

    fn acknowledge(&mut self, id: &str, by: &str, effects: &mut Vec<Effect>) {
        let now = self.now;
        let mut refused: Option<AlarmState> = None;
        for pond in &mut self.ponds {
            match pond.acknowledge(id, by, now, effects) {
                Some(Ok(())) => return,
                Some(Err(state)) => refused = Some(state),
                None => {}
            }
        }
        let probes = self.probes.iter_mut().map(|probe| &mut probe.alarm);
        if let Some(alarm) = probes.chain(&mut self.gateway_alarms).find(|alarm| alarm.id == id) {
            match alarm.apply(now, Cause::Acknowledge, Some(by), None) {
                Some(change) => return effects.push(Effect::AlarmChanged(change)),
                None => refused = Some(alarm.state),
            }
        }
        let waiting: Vec<&str> = self
            .ponds
            .iter()
            .flat_map(|pond| &pond.alarms)
            .chain(self.probes.iter().map(|probe| &probe.alarm))
            .chain(&self.gateway_alarms)
            .filter(|alarm| {
                matches!(alarm.state, AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged)
            })
            .map(|alarm| alarm.id.as_str())
            .collect();
        let accepted = if waiting.is_empty() {
            String::from("no alarm waits for it")
        } else {
            format!("waiting for it: {}", waiting.join(", "))
        };
        let why = match refused {
            Some(AlarmState::Acknowledged) => "is acknowledged already",
            Some(_) => "is not in alarm",
            None => "is not the id of any alarm",
        };
        self.refuse(format!("acknowledged {id}, which {why}; {accepted}"), effects);
    }

    fn take_gateway_fault(
        &mut self,
        part: GatewayPart,
        which: &str,
        detail: Option<&str>,
        effects: &mut Vec<Effect>,
    ) {
        gateway_fault::note(&mut self.faults, part, which, detail, self.now);
        let id = gateway_fault::id(part, which);
        if !self.gateway_alarms.iter().any(|alarm| alarm.id == id) {
            if detail.is_none() {
                return;
            }
            if !gateway_fault::make_room(&mut self.gateway_alarms) {
                let reason = format!(
                    "took a fault of {id}; {} parts of the gateway are in alarm already, which is the most that are kept",
                    self.gateway_alarms.len()
                );
                return self.refuse(reason, effects);
            }
            self.gateway_alarms.push(gateway_fault::alarm(part, which));
        }
        if let Some(alarm) = self.gateway_alarms.iter_mut().find(|alarm| alarm.id == id) {
            gateway_fault::settle(alarm, &self.faults, self.now, effects);
        }
    }

    fn take_clock_step(&mut self, from: Timestamp, to: Timestamp, effects: &mut Vec<Effect>) {
        let forward = to - from;
        let (direction, by) = if to >= from { ("forward", forward) } else { ("back", from - to) };
        let id = gateway_fault::id(GatewayPart::Clock, "");
        if !self.gateway_alarms.iter().any(|alarm| alarm.id == id)
            && gateway_fault::make_room(&mut self.gateway_alarms)
        {
            self.gateway_alarms.push(gateway_fault::alarm(GatewayPart::Clock, ""));
        }
        let standing = self.faults.iter().any(|fault| fault.part == GatewayPart::Clock);
        if let Some(alarm) = self.gateway_alarms.iter_mut().find(|alarm| alarm.id == id) {
            let message = format!(
                "Gateway: its clock was set {direction} by {}. Times of readings around now are unsure.",
                length(by)
            );
            const AT_ONCE: Delays = Delays::minutes(0, 0);
            for sight in [Sight::Beyond, Sight::Clear] {
                if sight == Sight::Clear && standing {
                    continue;
                }
                if let Some(cause) = alarm.observe(self.now, sight, AT_ONCE) {
                    let change = alarm.apply(self.now, cause, None, Some(message.clone()));
                    effects.extend(change.map(Effect::AlarmChanged));
                }
            }
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
