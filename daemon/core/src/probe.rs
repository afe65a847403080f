//! What is remembered of one probe: its channels, its faults, and the alarm that tells them apart
//! from faults of the water.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::{Alarm, Cause, Delays, Sight};
use crate::compensation::SalinitySetting;
use crate::effect::{Effect, Flag, PartFault, Priority};
use crate::gateway_fault;
use crate::input::{GatewayPart, ProbeFault};
use crate::message;
use crate::node::NodeState;
use crate::power;
use crate::quality::ChannelState;
use crate::quantity::Quantity;
use crate::said::{self, Said, said};
use crate::service::Session;
use crate::site::{PondIndex, Probe, ProbeIndex, Site};
use crate::time::{Span, Timestamp};

mod service;

/// A fault must last five minutes, and be gone for five. (Common practice, no source.)
const FAULT_DELAYS: Delays = Delays::minutes(5, 5);

/// Readings that are only suspect must be so for half an hour, and sound for as long. (Common practice,
/// no source.)
const DOUBT_DELAYS: Delays = Delays::minutes(30, 30);

/// What may be the cause of a probe's silence.
#[derive(Debug, Clone, Copy)]
pub struct Roots<'a> {
    faults: &'a [PartFault],
    power_lost: Option<Timestamp>,
    nodes: &'a [NodeState],
}

impl<'a> Roots<'a> {
    /// From the faults of the gateway's parts, since when what falls silent does so with the power, and the devices
    /// that carry several probes.
    pub fn new(faults: &'a [PartFault], power_lost: Option<Timestamp>, nodes: &'a [NodeState]) -> Self {
        Self { faults, power_lost, nodes }
    }

    fn node(&self, index: ProbeIndex) -> Option<&NodeState> {
        self.nodes.iter().find(|node| node.carries(usize::from(index.0)))
    }

    /// The id of the alarm about the line or broker the probe hangs on, where that has a fault.
    fn link(&self, probe: &Probe) -> Option<String> {
        let own = |fault: &&PartFault| {
            matches!(fault.part, GatewayPart::Bus | GatewayPart::Broker) && fault.which == probe.link
        };
        let fault = self.faults.iter().find(own).filter(|_| !probe.link.is_empty())?;
        Some(gateway_fault::id(fault.part, &fault.which))
    }
}

/// One probe.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct ProbeState {
    /// One per channel of the site's probe, in the same order.
    pub channels: Vec<ChannelState>,
    /// What the last poll ran into; `None` once it has answered again.
    pub fault: Option<ProbeFault>,
    /// By how much its clock is ahead, while its samples are refused for it.
    pub clock_ahead: Option<Span>,
    /// Its clock was never set, so that its samples count from when they arrive, as suspect.
    pub clock_unset: bool,
    /// When its newest sample came, and how long before that it was measured, where that is so long that it says nothing of
    /// now.
    pub lag: Option<(Timestamp, Span)>,
    /// The salinity it says it is set to.
    pub setting: Option<SalinitySetting>,
    /// Out of service, and what has been done to it meanwhile.
    pub service: Option<Session>,
    /// Its line is back, and it has until then to report again.
    awaited_until: Option<Timestamp>,
    /// Its one alarm.
    pub alarm: Alarm,
    /// When something next happens by the passing of time alone.
    pub deadline: Option<Timestamp>,
}

impl ProbeState {
    /// A probe that is expected to report from `now` on.
    pub fn new(site: &Site, probe: &Probe, now: Timestamp) -> Self {
        let place = probe.pond.and_then(|pond| site.ponds.get(usize::from(pond.0)));
        let id = format!("{}.probe-fault.{}", place.map_or("gateway", |pond| pond.id.as_str()), probe.id);
        let mut state = Self {
            channels: probe.channels.iter().map(|_| ChannelState::new(now)).collect(),
            fault: None,
            clock_ahead: None,
            clock_unset: false,
            lag: None,
            setting: None,
            service: None,
            awaited_until: None,
            alarm: Alarm::new(id, format!("Probe {} faulty", probe.id), probe.pond, Priority::Medium),
            deadline: None,
        };
        state.set_deadline(probe);
        state
    }

    /// The same probe after the configuration changed: what is known of channels that persist stays.
    pub fn moved(mut self, old: &Probe, site: &Site, probe: &Probe, now: Timestamp) -> Self {
        let fresh = Self::new(site, probe, now);
        let mut kept: Vec<Option<ChannelState>> =
            core::mem::take(&mut self.channels).into_iter().map(Some).collect();
        let channels = probe
            .channels
            .iter()
            .zip(fresh.channels)
            .map(|(channel, fresh)| {
                let same = old
                    .channels
                    .iter()
                    .position(|was| was.quantity == channel.quantity && was.aerator == channel.aerator);
                same.and_then(|index| kept.get_mut(index)?.take()).unwrap_or(fresh)
            })
            .collect();
        self.channels = channels;
        self.alarm.id = fresh.alarm.id;
        self.alarm.pond = fresh.alarm.pond;
        self.set_deadline(probe);
        self
    }

    /// Its line or broker is back: what it did not say meanwhile was no fault of its own, and it has its
    /// time to report again.
    pub fn reached_again(&mut self, probe: &Probe, now: Timestamp) {
        if matches!(self.fault, Some(ProbeFault::Unreachable | ProbeFault::Lent)) {
            self.fault = None;
            self.expect_anew(now);
            let longest = probe.channels.iter().map(|channel| channel.quality.missing_after).max();
            self.awaited_until = longest.map(|longest| now + longest);
        }
    }

    /// Gives every channel its time to report again, after the gateway itself was off.
    pub fn expect_anew(&mut self, now: Timestamp) {
        for channel in &mut self.channels {
            channel.expect_anew(now);
        }
    }

    /// Time has leapt: nobody was silent in it.
    pub fn shift(&mut self, by: Span) {
        self.awaited_until = self.awaited_until.map(|until| until + by);
        for channel in &mut self.channels {
            channel.shift(by);
        }
    }

    fn set_deadline(&mut self, probe: &Probe) {
        let gaps = self
            .channels
            .iter()
            .zip(&probe.channels)
            .filter_map(|(state, channel)| state.deadline(&channel.quality));
        let back = self.service.as_ref().map(|session| session.out.until);
        self.deadline = gaps.chain(self.alarm.deadline()).chain(back).chain(self.awaited_until).min();
    }

    /// What is wrong with the probe now, as a person says it, and whether it has already lasted.
    fn trouble(&self, probe: &Probe, now: Timestamp) -> Option<(Said, bool)> {
        let pairs = || self.channels.iter().zip(&probe.channels);
        let missing = pairs().find(|(state, _)| state.is_missing());
        if let Some(fault) = &self.fault {
            return Some((message::fault(fault), missing.is_some()));
        }
        if let Some(ahead) = self.clock_ahead {
            let ahead = said::length(ahead);
            return Some((
                said!(
                    "probe-clock",
                    "has a clock {ahead} ahead, so its samples are refused: set its clock",
                    ahead = ahead
                ),
                false,
            ));
        }
        if let Some((_, channel)) = missing {
            let what = message::spoken(channel.quantity);
            if let Some((_, lag)) = self.lag.filter(|(came, _)| now - *came < channel.quality.missing_after) {
                let lag = said::length(lag);
                return Some((
                    said!(
                        "probe-lags",
                        "sends {what} dated {lag} before it comes: held back on its way, or its clock is wrong (another time zone?)",
                        what = what,
                        lag = lag
                    ),
                    true,
                ));
            }
            return Some((said!("probe-sends-no", "sends no {what}", what = what), true));
        }
        let mut contradicted = pairs().filter(|(state, channel)| state.is_contradicted(channel.quantity));
        if let Some((check, quantity)) =
            contradicted.find_map(|(state, channel)| Some((state.hand_check?, channel.quantity)))
        {
            // A person has seen it: there is nothing to wait for.
            return Some((message::contradicted(quantity, &check), true));
        }
        let doubted = pairs().filter_map(|(state, channel)| Some((state.doubt?, channel.quantity)));
        let gravest = doubted.max_by_key(|&((_, flag, _), _)| flag);
        // A probe that fails must not hide behind a setting.
        if gravest.is_none_or(|((_, flag, _), _)| flag != Flag::Fail)
            && let Some(complaint) = self.misset(probe)
        {
            return Some((complaint, true));
        }
        let Some(((test, flag, _), quantity)) = gravest else {
            // The last of all: it says nothing against what the probe reads.
            let unset = || {
                said!(
                    "probe-clock-unset",
                    "has a clock that was never set, so its readings count from when they arrive and are suspect: set its clock"
                )
            };
            return self.clock_unset.then(|| (unset(), false));
        };
        Some((message::doubted(quantity, test, flag), false))
    }

    /// What is wrong with the salinity it is set to.
    fn misset(&self, probe: &Probe) -> Option<Said> {
        let setting = self.setting?;
        let mut oxygen = probe.channels.iter().filter(|channel| channel.quantity == Quantity::DoMgL);
        oxygen.find_map(|channel| channel.compensation.complaint(setting.set_psu, setting.water_psu?))
    }

    fn told(&self, place: &str, probe: &Probe, what: &Said) -> Said {
        let contradicted = self
            .channels
            .iter()
            .zip(&probe.channels)
            .any(|(state, channel)| state.is_contradicted(channel.quantity));
        if self.is_sure() || contradicted || self.channels.iter().any(ChannelState::is_missing) {
            message::probe_fault(place, &probe.id, what)
        } else if self.misset(probe).is_some() {
            // Not "act as if the water were as it reads": it may read too high.
            message::probe_misset(place, &probe.id, what)
        } else {
            message::probe_doubt(place, &probe.id, what)
        }
    }

    /// Whether it fails, and is not only in doubt.
    fn is_sure(&self) -> bool {
        self.fault.is_some()
            || self.clock_ahead.is_some()
            || self.channels.iter().any(|state| state.doubt.is_some_and(|(_, flag, _)| flag == Flag::Fail))
    }

    /// How long a doubt must last: one that only makes readings suspect may be the water's after all.
    fn delays(&self) -> Delays {
        if self.is_sure() { FAULT_DELAYS } else { DOUBT_DELAYS }
    }

    /// Fires what is due at `now`, then judges the probe's alarm.
    pub fn settle(
        &mut self,
        site: &Site,
        index: ProbeIndex,
        roots: &Roots<'_>,
        now: Timestamp,
        effects: &mut Vec<Effect>,
    ) {
        let Some(probe) = site.probes.get(usize::from(index.0)) else { return };
        for (state, channel) in self.channels.iter_mut().zip(&probe.channels) {
            // At most twice: stale and missing may fall due together.
            for _ in 0..2 {
                if let Some(reading) = state.fall_silent(channel, (probe.pond, index), now) {
                    effects.push(Effect::Reading(reading));
                }
            }
        }
        if self.service.as_ref().is_some_and(|session| session.out.until <= now) {
            // Whoever took it out has forgotten it, or is held up: the pond must be watched.
            self.end_service((site, index, probe), now, None, effects);
        }
        let trouble = self.trouble(probe, now);
        let (sight, delays) = match &trouble {
            // What carries it may be silent as a whole: a few minutes show whether it is.
            Some((_, true)) if roots.node(index).is_some() => (Sight::Beyond, FAULT_DELAYS),
            Some((_, true)) => (Sight::Beyond, Delays { on: Span::ZERO, ..FAULT_DELAYS }),
            Some((_, false)) => (Sight::Beyond, self.delays()),
            None => (Sight::Clear, FAULT_DELAYS),
        };
        self.awaited_until = self.awaited_until.filter(|&until| until > now);
        let root = self.root((index, probe), roots, now);
        if let Some(cause) = self.alarm.judge(now, sight, delays, root.as_deref()) {
            let place = pond_place(site, probe.pond);
            let message = match (&trouble, cause) {
                (Some((what, _)), _) => Some(self.told(&place, probe, what)),
                (None, Cause::Clears) => Some(said!(
                    "over-probe",
                    "{place}: probe {probe} reports again.",
                    place = place,
                    probe = &probe.id
                )),
                (None, _) => None,
            };
            effects.extend(self.alarm.apply(now, cause, None, message).map(Effect::AlarmChanged));
        }
        self.set_deadline(probe);
    }

    /// The alarm that tells of the cause of its silence: that of the power it lost, that of the line or broker it
    /// hangs on, or that of the device that carries it.
    fn root(
        &self,
        (index, probe): (ProbeIndex, &Probe),
        roots: &Roots<'_>,
        now: Timestamp,
    ) -> Option<String> {
        let is_silent =
            matches!(self.fault, Some(ProbeFault::Silent | ProbeFault::Unreachable | ProbeFault::Lent))
                || (self.fault.is_none() && self.channels.iter().any(ChannelState::is_missing));
        let since_then =
            roots.power_lost.is_some_and(|lost| !self.alarm.stands() || self.alarm.raised_at >= lost);
        if is_silent && since_then {
            return Some(String::from(power::ID));
        }
        if !is_silent {
            return None;
        }
        let is_awaited = self.awaited_until.is_some_and(|until| until > now);
        let link = || roots.link(probe).or_else(|| self.alarm.root.clone().filter(|_| is_awaited));
        let link = if self.fault == Some(ProbeFault::Silent) { None } else { link() };
        link.or_else(|| {
            let node = roots.node(index).filter(|node| node.alarm.stands())?;
            let since_then =
                !self.alarm.stands() || node.was_heard().is_some_and(|at| self.alarm.raised_at >= at);
            since_then.then(|| node.alarm.id.clone())
        })
    }

    /// Present text of the alarm, for the view.
    pub fn message(&self, site: &Site, probe: &Probe, now: Timestamp) -> Said {
        match self.trouble(probe, now) {
            Some((what, _)) if self.alarm.state.is_standing() => {
                self.told(&pond_place(site, probe.pond), probe, &what)
            }
            _ => self.alarm.message.clone(),
        }
    }
}

fn pond_place(site: &Site, pond: Option<PondIndex>) -> String {
    pond.and_then(|pond| site.ponds.get(usize::from(pond.0)))
        .map_or_else(|| String::from("Farm"), message::place)
}
