//! One pond: what is known of its water now, its derived values, its alarms, its night and its
//! advice. Knows nothing of the other ponds.

use alloc::collections::BTreeMap;
use alloc::vec;
use alloc::vec::Vec;

use crate::aeration;
use crate::alarm::Alarm;
use crate::alarm_set::marks::Marks;
use crate::alarm_set::{self, AmmoniaDay, CONDITIONS, Facts};
use crate::derived;
use crate::dosing::follow_up::FollowUp;
use crate::effect::{Advice, Derived, Effect, Flag};
use crate::metabolism::{Fall, Metabolism};
use crate::night::{Evening, NightState};
use crate::probe::ProbeState;
use crate::quality::Seen;
use crate::quantity::Quantity;
use crate::respiration::Respiration;
use crate::site::{Pond, PondIndex, Site};
use crate::state::Diary;
use crate::summary::Tally;
use crate::sunlight::Night;
use crate::time::{Span, Timestamp};

mod announce;
mod breath;
mod calling;
mod dose;
mod energy;
mod evidence;
mod marks;
mod motors;
mod present;
mod turnover;

use announce::judge_alarms;
pub use energy::{AerationNight, EnergyMeter};

/// A hand meter's oxygen stands in for a probe this long. (Common practice, no source.)
pub const HAND_OXYGEN_GOOD_FOR: Span = Span::from_minutes(30);

/// A hand reading of pH or temperature stands in for a probe this long. (Common practice, no source.)
const HAND_GOOD_FOR: Span = Span::from_hours(3);

/// Un-ionised ammonia of the day is worked out anew each hour.
const AMMONIA_EVERY: Span = Span::from_hours(1);

/// Advice is thought over this often even if nothing of consequence has happened.
const ADVISE_EVERY: Span = Span::from_minutes(5);

/// The swing of pH over a day is worked out this often.
const SWING_EVERY: Span = Span::from_minutes(5);

/// What of consequence the advice rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Grounds {
    is_seen: bool,
    is_low: bool,
    is_unsure: bool,
    forecast_at: Option<Timestamp>,
    is_refused: bool,
    is_night: bool,
}

impl Grounds {
    fn of(pond: &Pond, facts: &Facts<'_>, night: &NightState) -> Self {
        let [warn, ..] = pond.limits.do_low_mg_l;
        Self {
            is_seen: facts.oxygen.is_some(),
            is_low: facts.oxygen.is_some_and(|seen| seen.value < warn.limit),
            is_unsure: facts.oxygen.is_some_and(|seen| seen.flag == Flag::Suspect),
            forecast_at: facts.forecast.map(|forecast| forecast.at),
            is_refused: night.refusal().is_some(),
            is_night: !facts.forecast_over,
        }
    }
}

/// What surrounds a pond while it is worked on.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'a> {
    /// The farm.
    pub site: &'a Site,
    /// Every probe of the farm.
    pub probes: &'a [ProbeState],
    /// The farm's night.
    pub night: Night,
    /// Time of the state.
    pub now: Timestamp,
    /// Per pond: the newest farm day's production against its usual.
    pub falls: &'a [Option<Fall>],
    /// Since when what falls silent has fallen silent with the farm's power, while that is lost.
    pub power_lost: Option<Timestamp>,
    /// What people did.
    pub(crate) diary: &'a Diary,
}

/// One pond.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct PondState {
    index: PondIndex,
    /// Positions of its probes.
    members: Vec<u16>,
    /// Positions of the probes that belong to no pond.
    shared: Vec<u16>,
    since: Timestamp,
    /// In the order of [`CONDITIONS`].
    pub alarms: Vec<Alarm>,
    /// Newest entry of a person, per quantity.
    pub hand: BTreeMap<Quantity, Seen>,
    /// The newest disc.
    disc: Option<Seen>,
    /// The disc of the day before it.
    disc_before: Option<Seen>,
    /// What its doses ask for.
    follow_up: FollowUp,
    /// What else is known of the water.
    marks: Marks,
    marks_due: Option<Timestamp>,
    /// Newest total ammonia, from a test kit or a probe.
    tan: Option<Seen>,
    ammonia: Option<AmmoniaDay>,
    ammonia_due: Option<Timestamp>,
    /// Newest derived values.
    pub derived: BTreeMap<Quantity, Derived>,
    /// Per aerator group: running, stopped, or not known.
    pub aerators_on: Vec<Option<bool>>,
    aerators_changed_at: Option<Timestamp>,
    /// When any group last stopped, and when any last started.
    last_stop_and_start: (Option<Timestamp>, Option<Timestamp>),
    /// Per aerator group: when it went from running to stopped, while it is stopped, unless it was advised
    /// to rest.
    stopped_at: Vec<Option<Timestamp>>,
    /// The same, whatever was advised.
    off_since: Vec<Option<Timestamp>>,
    /// Tonight and what is remembered of other nights.
    pub night: NightState,
    /// What the water uses up by night, apart from what air and aerators give.
    respiration: Respiration,
    look_due: Option<Timestamp>,
    /// What the whole pond makes and uses up in a day.
    pub metabolism: Metabolism,
    turnover_due: Option<Timestamp>,
    /// What aeration takes, and whether advice is followed.
    pub energy: EnergyMeter,
    /// Present advice.
    pub advice: Option<Advice>,
    /// What the advice was last made from, and when.
    advised: Option<(Grounds, Timestamp)>,
    /// Since the last summary.
    pub tally: Tally,
    /// When something next happens by the passing of time alone.
    pub deadline: Option<Timestamp>,
}

impl PondState {
    /// A pond that is watched from `now` on.
    pub fn new(site: &Site, index: PondIndex, pond: &Pond, now: Timestamp) -> Self {
        let mut state = Self {
            index,
            members: Vec::new(),
            shared: Vec::new(),
            since: now,
            alarms: alarm_set::alarms(index, pond),
            hand: BTreeMap::new(),
            disc: None,
            disc_before: None,
            follow_up: FollowUp::default(),
            marks: Marks::default(),
            marks_due: None,
            tan: None,
            ammonia: None,
            ammonia_due: None,
            derived: BTreeMap::new(),
            aerators_on: vec![None; pond.aerators.len()],
            aerators_changed_at: None,
            last_stop_and_start: (None, None),
            stopped_at: vec![None; pond.aerators.len()],
            off_since: vec![None; pond.aerators.len()],
            night: NightState::default(),
            respiration: Respiration::default(),
            look_due: None,
            metabolism: Metabolism::default(),
            turnover_due: None,
            energy: EnergyMeter::default(),
            advice: None,
            advised: None,
            tally: Tally::default(),
            deadline: None,
        };
        state.find_probes(site);
        state
    }

    /// The same pond after the configuration changed.
    #[must_use]
    pub fn moved(mut self, old: &Pond, site: &Site, index: PondIndex, pond: &Pond) -> Self {
        self.index = index;
        for alarm in &mut self.alarms {
            alarm.pond = Some(index);
        }
        for derived in self.derived.values_mut() {
            derived.pond = index;
        }
        if old.aerators.len() != pond.aerators.len()
            || old.aerators.iter().zip(&pond.aerators).any(|(was, is)| was.id != is.id)
        {
            // A group with another id is another group; when it stopped is not known, and advice that
            // names groups by position no longer holds.
            self.advice = None;
            self.stopped_at = vec![None; pond.aerators.len()];
            self.off_since = vec![None; pond.aerators.len()];
            let kept = core::mem::take(&mut self.aerators_on);
            self.aerators_on = pond
                .aerators
                .iter()
                .map(|group| {
                    let was = old.aerators.iter().position(|was| was.id == group.id)?;
                    kept.get(was).copied().flatten()
                })
                .collect();
        }
        self.night.moved(index);
        if let Some(advice) = &mut self.advice {
            advice.pond = index;
        }
        self.advised = None;
        self.follow_up.outdate();
        self.find_probes(site);
        self
    }

    /// Counts blindness from now on, after the gateway itself was off.
    pub fn watch_anew(&mut self, now: Timestamp) {
        self.since = now;
        self.follow_up.outdate();
    }

    /// Time has leapt: its oxygen has been unseen for as long as before.
    pub fn shift(&mut self, site: &Site, probes: &[ProbeState], by: Span) {
        let members = self.members.iter().map(|&member| usize::from(member));
        let probes = members.filter_map(|member| Some((site.probes.get(member)?, probes.get(member)?)));
        let channels = probes.flat_map(|(probe, state)| probe.channels.iter().zip(&state.channels));
        let oxygen = channels.filter(|(channel, _)| channel.quantity == Quantity::DoMgL);
        let seen = oxygen.map(|(_, state)| state.seen.map_or(state.expected_since(), |seen| seen.at));
        self.since = seen.max().map_or(self.since, |at| at.max(self.since)) + by;
        self.follow_up.outdate();
    }

    fn find_probes(&mut self, site: &Site) {
        let positions = |pond: Option<PondIndex>| {
            site.probes
                .iter()
                .enumerate()
                .filter(move |(_, probe)| probe.pond == pond)
                .filter_map(|(position, _)| u16::try_from(position).ok())
                .collect()
        };
        self.members = positions(Some(self.index));
        self.shared = positions(None);
    }

    /// Notes what a kit or a probe says of total ammonia.
    pub fn take_tan(&mut self, seen: Seen) {
        if self.tan.is_none_or(|known| known.at <= seen.at) {
            self.tan = Some(seen);
            self.ammonia_due = Some(seen.at);
        }
    }

    /// Works out the derived values that depend on the quantities that have news.
    pub fn derive(&mut self, scene: &Scene<'_>, news: &[Quantity], effects: &mut Vec<Effect>) {
        let Some(pond) = scene.site.ponds.get(usize::from(self.index.0)) else { return };
        let is_new = |wanted: &[Quantity]| news.iter().any(|quantity| wanted.contains(quantity));
        let water = self.water(scene, pond);
        let mut found: Vec<(Quantity, f64, Flag)> = Vec::new();
        if is_new(&[Quantity::DoMgL, Quantity::TemperatureC, Quantity::SalinityPsu])
            && let Some((saturation, flag)) = derived::oxygen_saturation(&water)
        {
            found.push((Quantity::DoSaturationMgL, saturation, flag));
            if let (Some(oxygen), _) = self.oxygen(scene) {
                let percent = 100.0 * oxygen.value / saturation;
                found.push((Quantity::DoSaturationPercent, percent, flag.worst(oxygen.flag)));
            }
        }
        if is_new(&[Quantity::Ph, Quantity::TemperatureC, Quantity::TanMgL])
            && let Some(tan) = self.tan.filter(|tan| scene.now - tan.at <= derived::KIT_GOOD_FOR)
            && let Some(ph) = self.present(scene, Quantity::Ph)
            && let Some((ammonia, flag)) = derived::ammonia_now(tan, ph, &water)
        {
            found.push((Quantity::Nh3NMgL, ammonia, flag));
        }
        if is_new(&[Quantity::Ph, Quantity::TemperatureC, Quantity::AlkalinityMgL])
            && let Some(alkalinity) = self.kit(scene, Quantity::AlkalinityMgL)
            && let Some(ph) = self.present(scene, Quantity::Ph)
            && let Some((carbon_dioxide, flag)) =
                derived::carbon_dioxide_now(alkalinity, self.tan, ph, &water)
        {
            found.push((Quantity::Co2MgL, carbon_dioxide, flag));
        }
        if is_new(&[Quantity::Ph, Quantity::TemperatureC, Quantity::SulfideMgL])
            && let Some(sulfide) = self.kit(scene, Quantity::SulfideMgL)
            && let Some(ph) = self.present(scene, Quantity::Ph)
            && let Some((hydrogen_sulfide, flag)) = derived::hydrogen_sulfide_now(sulfide, ph, &water)
        {
            found.push((Quantity::H2sSMgL, hydrogen_sulfide, flag));
        }
        let last_swing = self.derived.get(&Quantity::PhSwing).map(|swing| swing.at);
        if is_new(&[Quantity::Ph])
            && last_swing.is_none_or(|at| scene.now - at >= SWING_EVERY)
            && let Some(ph) = self.present(scene, Quantity::Ph)
            && let Some((_, state)) = self.channels(scene, Quantity::Ph).next()
            && let Some(swing) = derived::ph_swing(&state.window, scene.now)
        {
            found.push((Quantity::PhSwing, swing, ph.flag));
        }
        for (quantity, value, flag) in found {
            self.announce(quantity, value, flag, scene.now, effects);
        }
    }

    fn announce(
        &mut self,
        quantity: Quantity,
        value: f64,
        flag: Flag,
        at: Timestamp,
        effects: &mut Vec<Effect>,
    ) {
        if !value.is_finite() {
            return;
        }
        let derived = Derived { pond: self.index, quantity, at, value, flag };
        self.tally.count(quantity, None, at, Some(value), flag);
        self.derived.insert(quantity, derived);
        effects.push(Effect::Derived(derived));
    }

    fn work_out_ammonia(&mut self, scene: &Scene<'_>, pond: &Pond) {
        if self.ammonia_due.is_none_or(|due| due > scene.now) {
            return;
        }
        let tan = self.tan.filter(|tan| scene.now - tan.at <= derived::KIT_GOOD_FOR);
        self.ammonia = tan.and_then(|tan| {
            let window = |quantity| self.channels(scene, quantity).map(|(_, state)| &state.window).next();
            derived::ammonia_day(
                tan,
                self.present(scene, Quantity::Ph),
                window(Quantity::Ph),
                window(Quantity::TemperatureC),
                &self.water(scene, pond),
                scene.now,
            )
        });
        self.ammonia_due = tan.map(|_| scene.now + AMMONIA_EVERY);
    }

    /// What the alarms are judged by.
    pub(crate) fn facts<'a>(&'a self, scene: &Scene<'a>, pond: &Pond) -> Facts<'a> {
        let now = scene.now;
        let (oxygen, lead) = self.oxygen(scene);
        let mut expected = false;
        let mut last_seen = self.since;
        let mut shortest_wait = Span::ZERO;
        for (channel, state) in self.channels(scene, Quantity::DoMgL) {
            expected = true;
            last_seen = last_seen.max(state.seen.map_or(state.expected_since(), |seen| seen.at));
            shortest_wait = if shortest_wait == Span::ZERO {
                channel.quality.missing_after
            } else {
                shortest_wait.min(channel.quality.missing_after)
            };
        }
        let [first, second] = pond.limits.do_blind_after;
        if let Some(hand) = self.hand.get(&Quantity::DoMgL) {
            last_seen = last_seen.max((hand.at + HAND_OXYGEN_GOOD_FOR) - first);
        }
        // A probe that reports each quarter of an hour cannot be missed after ten minutes.
        let extra_ms = shortest_wait.as_millis().saturating_sub(first.as_millis()).max(0);
        // Only a message about low oxygen tells the slope.
        let [warn, ..] = pond.limits.do_low_mg_l;
        let is_low = oxygen.is_some_and(|seen| seen.value < warn.limit + warn.deadband);
        let lead_seen = lead.and_then(|state| state.seen);
        Facts {
            oxygen,
            fall_30min: lead
                .zip(lead_seen)
                .and_then(|(state, seen)| derived::fall_in_30min(&state.window, seen, now)),
            oxygen_unseen_since: expected.then_some(last_seen),
            blind_after: [first, second]
                .map(|after| Span::from_millis(after.as_millis().saturating_add(extra_ms))),
            is_watch: scene.night.is_watch(now),
            forecast: self.night.forecast(),
            forecast_nights: self.night.nights(),
            forecast_over: !self.night.is_on(now),
            stopped: self.stopped_tonight(now),
            startable: self.startable(self.stopped_tonight(now)),
            left_without: (self.stopped_tonight(now) != 0)
                .then(|| self.left_without_aerators(scene, pond, pond.limits.do_low_mg_l[1].limit))
                .flatten(),
            ph: self.present(scene, Quantity::Ph),
            ammonia: self.ammonia,
            slope_mg_l_h: lead
                .filter(|_| is_low)
                .and_then(|state| derived::slope_per_hour(&state.window, now, Span::from_hours(1))),
            hand_counts: self.hand_counts(scene),
            marks: Some(&self.marks),
            doses: Some(&self.follow_up),
            crash: self.metabolism.crash(),
            bloom: self.metabolism.bloom(),
            verdict: None,
            now,
        }
    }

    /// Fires what is due, judges the alarms and renews the advice.
    pub fn settle(&mut self, scene: &Scene<'_>, effects: &mut Vec<Effect>) {
        let Some(pond) = scene.site.ponds.get(usize::from(self.index.0)) else { return };
        self.work_out_ammonia(scene, pond);
        self.look_at_marks(scene, pond);
        self.follow_doses(scene, pond);
        self.breathe(scene, pond);
        self.turn_over(scene, pond);
        self.energy.settle(scene.now, scene.night, pond, &self.aerators_on);
        self.watch_night(scene, pond, effects);
        let mut alarms = core::mem::take(&mut self.alarms);
        let facts = self.facts(scene, pond);
        let verdict = self.oxygen_verdict(scene, &facts, pond);
        let facts = Facts { verdict: verdict.as_ref(), ..facts };
        judge_alarms(&mut alarms, pond, &facts, scene.power_lost, effects);
        let grounds = Grounds::of(pond, &facts, &self.night);
        let is_due =
            self.advised.is_none_or(|(known, at)| known != grounds || scene.now - at >= ADVISE_EVERY);
        let advice = if is_due { self.renew_advice(scene, pond, &facts) } else { None };
        let deadline = alarms
            .iter()
            .filter_map(Alarm::deadline)
            .chain(CONDITIONS.iter().filter_map(|(condition, ..)| condition.deadline(&facts)))
            .chain(self.ammonia_due)
            .chain(self.marks_due)
            .chain(self.night.due())
            .chain(self.look_due)
            .chain(self.turnover_due)
            .chain(self.expiries(scene))
            .filter(|&due| due > scene.now)
            .min();
        // What was not thought over for want of readings is due as soon as their time is over.
        let is_thought_over = is_due && !aeration::waits(&facts);
        self.alarms = alarms;
        self.deadline = deadline;
        if is_thought_over {
            self.advised = Some((grounds, scene.now));
        }
        if let Some(advice) = advice {
            self.energy.advise(&advice);
            effects.push(Effect::Advice(advice.clone()));
            self.advice = Some(advice);
        }
    }

    fn renew_advice(&self, scene: &Scene<'_>, pond: &Pond, facts: &Facts<'_>) -> Option<Advice> {
        let plan = self.plan_night(scene, pond, facts);
        let situation = aeration::Situation {
            facts,
            water: self.water(scene, pond),
            pond,
            index: self.index,
            aerators_on: &self.aerators_on,
            sunrise: self.night.sunrise(),
            no_forecast: self.night.refusal(),
            was: self.advice.as_ref().map(|advice| advice.action),
            price: scene.site.energy_price.as_ref(),
            plan: plan.as_ref(),
        };
        aeration::renew(self.advice.as_ref(), &situation)
    }

    fn watch_night(&mut self, scene: &Scene<'_>, pond: &Pond, effects: &mut Vec<Effect>) {
        self.night.follow(scene.night, scene.now);
        if !self.night.is_due(scene.now) {
            return;
        }
        let mut night = core::mem::take(&mut self.night);
        let (oxygen, lead) = self.oxygen(scene);
        let water = self.water(scene, pond);
        let evening = Evening {
            pond: self.index,
            now: scene.now,
            oxygen,
            is_contradicted: lead.is_some_and(|state| state.is_contradicted(Quantity::DoMgL)),
            window: lead
                .or_else(|| self.channels(scene, Quantity::DoMgL).map(|(_, state)| state).next())
                .map(|state| &state.window),
            saturation_mg_l: derived::oxygen_saturation(&water).map(|(value, _)| value),
            aerators_changed_at: self.aerators_changed_at,
            aeration: self.aeration(scene, pond),
            limits: &pond.limits,
        };
        let made = night.run(&evening);
        self.night = night;
        if let Some(forecast) = made {
            let (slope, low) = (forecast.night_slope_mg_l_h, forecast.do_min_mg_l);
            let flag = oxygen.map_or(Flag::NotEvaluated, |seen| seen.flag);
            effects.push(Effect::Forecast(forecast));
            self.announce(Quantity::NightSlopeMgLH, slope, flag, scene.now, effects);
            self.announce(Quantity::DawnDoMgL, low, flag, scene.now, effects);
        }
    }
}
