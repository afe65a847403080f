//! The heart: one input in, effects out.

use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::Alarm;
use crate::alarm_load::{AlarmLoad, LoadReport};
use crate::call::{Calls, HornTest};
use crate::dosing::{DoseAsk, DosePlan};
use crate::effect::{Effect, PartFault, Priority, Summary};
use crate::evidence::trial::Trials;
use crate::gateway_fault;
use crate::input::{Event, Input};
use crate::limit_change::LimitChange;
use crate::mass_balance::{FeedLoad, MassBalance, PoreWater};
use crate::metabolism::Fall;
use crate::night;
use crate::node::{self, NodeState};
use crate::pond::{PondState, Scene};
use crate::power::Power;
use crate::probe::{ProbeState, Roots};
use crate::said::Said;
use crate::site::{PondIndex, ProbeIndex, Site};
use crate::summary;
use crate::sunlight::{Night, WATCH_UNTIL};
use crate::time::{Span, Timestamp};

mod alarms;
mod annunciate;
mod compensation;
mod diary;
mod doubts;
mod limits;
mod service;
mod take;
mod take_gateway;
mod trial;

pub use doubts::Doubts;
pub use take_gateway::CLOCK_ALARM_FROM;

pub(crate) use diary::Diary;
pub(crate) use take::is_counted_by_kit;

/// A farm from which nothing has been heard for so long is left in peace: no deadline is named any
/// more until it is heard of again. Bounds the work of a single step, whatever a clock does.
const QUIET_AFTER: Span = Span::from_hours(7 * 24);

/// Everything the core remembers.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct State {
    pub(crate) site: Option<Site>,
    /// Time of the newest input or deadline.
    pub(crate) now: Timestamp,
    /// Time of the newest input that was more than a tick.
    heard_at: Option<Timestamp>,
    /// The daemon was stopped in an orderly way: nothing is watched, and nothing is due.
    stopped: bool,
    /// The clock was set forward, to this: the time until then did not pass, and nothing falls due in it.
    leap: Option<Timestamp>,
    pub(crate) night: Option<Night>,
    pub(crate) ponds: Vec<PondState>,
    /// Per pond: the newest farm day's production against its usual.
    pub(crate) falls: Vec<Option<Fall>>,
    pub(crate) probes: Vec<ProbeState>,
    /// Devices that carry several of them.
    pub(crate) nodes: Vec<NodeState>,
    pub(crate) faults: Vec<PartFault>,
    /// One per part of the gateway that ever failed.
    pub(crate) gateway_alarms: Vec<Alarm>,
    pub(crate) power: Power,
    /// What the alarms have asked of people.
    pub(crate) load: AlarmLoad,
    pub(crate) horn: bool,
    pub(crate) diary: Diary,
    pub(crate) trials: Trials,
    /// Limits that people changed, oldest first.
    pub(crate) limit_changes: Vec<LimitChange>,
    pub(crate) lamp: bool,
    pub(crate) horn_test: Option<HornTest>,
    pub(crate) calls: Calls,
    /// A farm was taken since the alarms were last looked over.
    site_taken: bool,
    summary_due: Option<Timestamp>,
    summary_from: Timestamp,
    summaries: u64,
}

impl State {
    /// A state that has seen nothing yet; the first input should be [`crate::Event::Started`].
    pub fn new() -> Self {
        Self::default()
    }

    /// Goes on numbering summaries from here, where what was numbered before is no longer known: a
    /// consumer takes a number it has seen for a repeat.
    pub fn number_summaries_from(&mut self, at_least: u64) {
        self.summaries = self.summaries.max(at_least);
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
        let before = self.now;
        self.now = if self.heard_at.is_some() { self.now.max(input.at) } else { input.at };
        self.heard_at = Some(self.now);
        // Something comes from within the leap: it ends here.
        let leap = self.leap.take();
        if leap.is_some() {
            self.shift(self.now - before);
        }
        if was_quiet || self.stopped || leap.is_some() {
            self.resume(effects);
        }
        self.load.begin(self.now);
        self.handle(input, effects);
        self.settle_nodes(effects);
        self.settle_power(effects);
        self.annunciate(first, effects);
    }

    /// What the alarms have asked of people over the last thirty days.
    pub fn alarm_load(&self) -> LoadReport {
        self.load.report(self.now)
    }

    /// Plans a dose for a pond as it is now. `None` where there is no such pond.
    pub fn plan_dose(&self, pond: PondIndex, ask: &DoseAsk) -> Option<DosePlan> {
        let scene = self.scene()?;
        let position = usize::from(pond.0);
        let configured = scene.site.ponds.get(position)?;
        let basin = self.basin(pond, configured, self.now);
        Some(self.ponds.get(position)?.plan_dose(&scene, configured, ask, basin))
    }

    /// What a day's feed brings into a pond's water and asks of it: of the feed that is said, or else of the last
    /// week's. `None` where there is no such pond.
    pub fn mass_balance(
        &self,
        pond: PondIndex,
        feed_kg: Option<f64>,
        protein: f64,
        pore: Option<PoreWater>,
    ) -> Option<MassBalance> {
        let scene = self.scene()?;
        let position = usize::from(pond.0);
        let configured = scene.site.ponds.get(position)?;
        let week = || self.diary.book(&configured.id)?.feed_of_week(self.now, scene.site.longitude_deg);
        let volume_m3 = self.basin(pond, configured, self.now).volume_m3();
        let state = self.ponds.get(position)?;
        let (struvite, alkalinity_mg_l) = state.struvite(&scene, configured);
        let pore_struvite = pore.and_then(|pore| state.pore_struvite(&scene, configured, pore));
        let feed = feed_kg.map(|kg| (kg, 0)).or_else(week);
        let load = feed.map(|feed| FeedLoad::of(feed, protein, volume_m3));
        Some(MassBalance { load, alkalinity_mg_l, struvite, pore_struvite })
    }

    /// What surrounds each pond, for looking only; `None` before a farm is known.
    pub(crate) fn scene(&self) -> Option<Scene<'_>> {
        Some(Scene {
            site: self.site.as_ref()?,
            probes: &self.probes,
            night: self.night?,
            now: self.now,
            falls: &self.falls,
            power_lost: self.power.lost(),
            diary: &self.diary,
        })
    }

    /// When the state next wants to be woken, if ever. Waking early, late or twice changes nothing
    /// but when the effects are learnt of.
    pub fn next_deadline(&self) -> Option<Timestamp> {
        let last = self.heard_at.filter(|_| !self.stopped)? + QUIET_AFTER;
        if self.leap.is_some() {
            return self.leap;
        }
        let ponds = self.ponds.iter().filter_map(|pond| pond.deadline);
        let probes = self.probes.iter().filter_map(|probe| probe.deadline);
        let gateway = self.gateway_alarms.iter().chain([&self.power.alarm]).filter_map(Alarm::deadline);
        let nodes = self.nodes.iter().filter_map(|node| node.deadline);
        let sun = self.night.map(|night| night.next_turn(self.now));
        ponds
            .chain(probes)
            .chain(gateway)
            .chain(nodes)
            .chain(sun)
            .chain(self.summary_due)
            .chain(self.calls_due())
            .filter(|&due| due > self.now && due <= last)
            .min()
    }

    /// Fires the deadlines due at `now` without any input. Never journalled.
    pub fn wake(&mut self, now: Timestamp, effects: &mut Vec<Effect>) {
        while let Some(due) = self.next_deadline().filter(|&due| due <= now) {
            let first = effects.len();
            let before = core::mem::replace(&mut self.now, due);
            if self.leap.take().is_some() {
                self.heard_at = Some(due);
                self.shift(due - before);
                self.resume(effects);
            } else {
                self.fire(before, effects);
            }
            self.annunciate(first, effects);
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
        let roots = Roots::new(&self.faults, self.power.lost(), &self.nodes);
        for (position, (probe, configured)) in self.probes.iter_mut().zip(&site.probes).enumerate() {
            let Ok(index) = u16::try_from(position) else { break };
            if is_due(probe.deadline) {
                probe.settle(site, ProbeIndex(index), &roots, now, effects);
                touched.extend(configured.pond);
            }
        }
        let scene = Scene {
            site,
            probes: &self.probes,
            night,
            now,
            falls: &self.falls,
            power_lost: self.power.lost(),
            diary: &self.diary,
        };
        for (position, pond) in self.ponds.iter_mut().enumerate() {
            let Ok(index) = u16::try_from(position) else { break };
            if sun_turns || is_due(pond.deadline) || touched.contains(&PondIndex(index)) {
                pond.settle(&scene, effects);
            }
        }
        night::farm::share(&mut self.ponds);
        if sun_turns {
            // At sunset a farm day is over in every pond.
            self.falls = self.ponds.iter().map(|pond| pond.metabolism.fall()).collect();
        }
        self.settle_gateway(effects);
        self.settle_nodes(effects);
        self.settle_power(effects);
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
            let probes = self.probes.iter().map(|probe| &probe.alarm);
            let probes = probes.chain(self.nodes.iter().map(|node| &node.alarm));
            let probes = probes.filter(|alarm| alarm.pond == Some(index));
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
            Event::ProbeSetting { probe, salinity_psu } => {
                self.take_setting(*probe, *salinity_psu, effects);
            }
            Event::Service { probe, step, by } => self.take_service(*probe, step, by, effects),
            Event::Diary { pond, entry, by } => self.take_diary(*pond, entry, by, effects),
            Event::Trial { trial, by } => self.take_trial(trial, by, effects),
            Event::LimitChange { pond, key, value, reason, by } => {
                self.change_limit(*pond, (key, *value), (by, reason), effects);
            }
            Event::Acknowledge { alarm, by } => self.acknowledge(alarm, by, effects),
            Event::Shelve { alarm, length, reason, by } => self.shelve(alarm, *length, reason, by, effects),
            Event::Unshelve { alarm, by } => self.unshelve(alarm, by, effects),
            Event::Reset { alarm, by } => self.reset(alarm, by, effects),
            Event::GatewayFault { part, which, detail } => {
                self.take_gateway_fault(*part, which, detail.as_deref(), effects);
            }
            Event::NodeSaid { node, is_there } => self.take_node_said(node, *is_there, effects),
            Event::Carried { what, outcome } => self.take_carried(what, outcome),
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
        self.settle_gateway(effects);
        for probe in 0..self.probes.len() {
            self.settle_probe(probe, effects);
        }
        self.settle_ponds(effects);
    }

    /// What waits goes on waiting for as long as before, after time has leapt.
    fn shift(&mut self, by: Span) {
        if by <= Span::ZERO {
            return;
        }
        if let Some(site) = &self.site {
            self.ponds.iter_mut().for_each(|pond| pond.shift(site, &self.probes, by));
        }
        for probe in &mut self.probes {
            probe.shift(by);
        }
        self.alarms_mut().for_each(|alarm| alarm.shift(by));
        self.calls.shift(by);
    }

    fn refuse(&self, reason: Said, effects: &mut Vec<Effect>) {
        effects.push(Effect::Refused { at: self.now, reason });
    }

    /// The same of what no person at a console can do: said in English alone.
    fn refuse_plainly(&self, reason: String, effects: &mut Vec<Effect>) {
        self.refuse(Said::plain(reason), effects);
    }

    /// Takes a farm as it is configured. What is known of ponds, probes and channels stays with their ids.
    fn take_site(&mut self, configured: &Site, effects: &mut Vec<Effect>) {
        let site = &self.with_changes(configured);
        let now = self.now;
        self.site_taken = true;
        let alarms_before = self.alarms_not_normal();
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
        self.nodes = node::of_site(site, &self.nodes);
        self.tell_alarms_that_moved(&alarms_before, old.as_ref(), effects);
        // Positions may have changed.
        self.falls.clear();
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

    fn settle_gateway(&mut self, effects: &mut Vec<Effect>) {
        for alarm in &mut self.gateway_alarms {
            gateway_fault::settle(alarm, &self.faults, (self.now, self.power.lost()), effects);
        }
    }

    /// Judges the farm's power, and everything anew that it explains.
    fn settle_power(&mut self, effects: &mut Vec<Effect>) {
        let (Some(site), Some(night)) = (&self.site, self.night) else { return };
        let power_lost = self.power.lost();
        let scene = Scene {
            site,
            probes: &self.probes,
            night,
            now: self.now,
            falls: &self.falls,
            power_lost,
            diary: &self.diary,
        };
        if self.power.settle(&scene, (&self.ponds, &self.nodes), effects) {
            self.settle_gateway(effects);
            self.settle_nodes(effects);
            for probe in 0..self.probes.len() {
                self.settle_probe(probe, effects);
            }
            self.settle_ponds(effects);
        }
    }

    /// Judges the devices that carry several probes, and these anew where one fell silent or is heard again.
    fn settle_nodes(&mut self, effects: &mut Vec<Effect>) {
        let Some(site) = &self.site else { return };
        let (now, roots) = (self.now, (self.faults.as_slice(), self.power.lost()));
        let mut changed: Vec<usize> = Vec::new();
        for node in &mut self.nodes {
            if node.settle(site, &self.probes, roots, now, effects) {
                changed.extend((0..self.probes.len()).filter(|&position| node.carries(position)));
            }
        }
        for position in changed {
            self.settle_probe(position, effects);
        }
    }

    fn settle_probe(&mut self, position: usize, effects: &mut Vec<Effect>) {
        let (Some(site), Some(probe), Ok(index)) =
            (&self.site, self.probes.get_mut(position), u16::try_from(position))
        else {
            return;
        };
        probe.settle(
            site,
            ProbeIndex(index),
            &Roots::new(&self.faults, self.power.lost(), &self.nodes),
            self.now,
            effects,
        );
    }

    fn settle_ponds(&mut self, effects: &mut Vec<Effect>) {
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
        for pond in &mut self.ponds {
            pond.settle(&scene, effects);
        }
        self.falls = self.ponds.iter().map(|pond| pond.metabolism.fall()).collect();
    }
}
