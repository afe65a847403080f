//! What the state knows now, for `status` and the console. Reading it changes nothing.

use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::{Alarm, Shelf};
use crate::call::{Call, Called, HornTest};
use crate::effect::{Advice, AlarmState, Derived, Forecast, Latest, PartFault, Priority};
use crate::limit_change::LimitChange;
use crate::metabolism::{Day, Trend};
use crate::night::{ForecastScore, PastNightView};
use crate::pond::AerationNight;
use crate::power;
use crate::said::{Said, said};
use crate::site::PondIndex;
use crate::state::State;
use crate::sunlight::Night;
use crate::time::{Span, Timestamp};
use crate::verdict::Verdict;

mod channels;
mod diary;
mod latest;
mod probes;

pub use channels::ChannelNow;
pub use diary::DiaryView;
pub use probes::{ChannelView, ProbeView, ServiceView};

/// The whole farm at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct FarmView {
    /// Time of the newest input or deadline.
    pub at: Timestamp,
    /// One per pond, in the order of the site.
    pub ponds: Vec<PondView>,
    /// Alarms not in the normal state, most urgent first, then oldest first; last those that are shelved,
    /// suppressed by design or out of service.
    pub alarms: Vec<AlarmView>,
    /// Faults of the gateway itself.
    pub faults: Vec<PartFault>,
    /// Since when more alarms come than anybody can read, while that lasts.
    pub flood_since: Option<Timestamp>,
    /// Whether the horn should sound now.
    pub horn: bool,
    /// Whether the lamp should be lit now.
    pub lamp: bool,
    /// The newest test of the horn.
    pub horn_test: Option<HornTest>,
    /// Calls that nobody has reported on yet.
    pub open_calls: Vec<Call>,
    /// Limits that people changed and that hold over the configuration.
    pub limit_changes: Vec<LimitChange>,
    /// Probes that are out of service, due for it, or were serviced or checked.
    pub probes: Vec<ProbeView>,
}

/// One pond at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct PondView {
    /// Which.
    pub pond: PondIndex,
    /// What holds now per quantity: of several probes the one that speaks for the pond.
    pub latest: Vec<Latest>,
    /// Newest derived values.
    pub derived: Vec<Derived>,
    /// Tonight's forecast.
    pub forecast: Option<Forecast>,
    /// How good the last nights' forecasts were.
    pub forecast_score: Option<ForecastScore>,
    /// The nights that are remembered, newest last.
    pub past_nights: Vec<PastNightView>,
    /// Why there is no forecast, where there is none.
    pub no_forecast: Option<Said>,
    /// Sensor or water, where oxygen is in doubt, low, falling or missing.
    pub verdict: Option<Verdict>,
    /// Present advice.
    pub advice: Option<Advice>,
    /// Aeration of the nights that are over, newest last, and of the one that is on.
    pub aeration_nights: Vec<AerationNight>,
    /// The farm day that ended last: what the pond made and used up, or why that is not known.
    pub turnover: Option<Day>,
    /// How the farm days change from week to week.
    pub turnover_trend: Option<Trend>,
    /// Sunset of the night that is on or comes next.
    pub sunset: Option<Timestamp>,
    /// Sunrise after that sunset.
    pub sunrise: Option<Timestamp>,
    /// Per aerator group: running, stopped, or not known.
    pub aerators_on: Vec<Option<bool>>,
    /// Aerator groups that ran tonight and have stopped without advice to rest, one bit each.
    pub aerators_stopped: u64,
    /// The limits of low oxygen that hold, mg/L: warn, critical, emergency.
    pub do_low_mg_l: Option<[f64; 3]>,
    /// What people did to it, in short.
    pub diary: Option<DiaryView>,
}

/// One standing or unacknowledged alarm.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmView {
    /// The pond, if it is about one.
    pub pond: Option<PondIndex>,
    /// Its id.
    pub id: String,
    /// Its name.
    pub name: String,
    /// How urgent.
    pub priority: Priority,
    /// Its state.
    pub state: AlarmState,
    /// When this occurrence was raised.
    pub raised_at: Timestamp,
    /// When the state last changed.
    pub changed_at: Timestamp,
    /// The newest message.
    pub message: Said,
    /// Who acknowledged this occurrence, if anybody did.
    pub acknowledged_by: Option<String>,
    /// Until when, by whom and why it is shelved, where it is.
    pub shelf: Option<Shelf>,
    /// The alarm that tells of its cause, where it is suppressed.
    pub root: Option<String>,
    /// Further alarms that are counted in this one.
    pub inside: usize,
    /// Who was called for this occurrence.
    pub called: Vec<Called>,
    /// Which step of the call plan is next, and when.
    pub next_call: Option<(String, Timestamp)>,
}

impl State {
    /// What is known now.
    pub fn view(&self) -> FarmView {
        let mut view = FarmView {
            at: self.now,
            ponds: Vec::new(),
            alarms: Vec::new(),
            faults: self.faults.clone(),
            flood_since: self.load.flood_since(),
            horn: self.horn,
            lamp: self.lamp,
            horn_test: self.horn_test.clone(),
            open_calls: self.calls.open().to_vec(),
            limit_changes: self.limit_changes.clone(),
            probes: Vec::new(),
        };
        let Some(scene) = self.scene() else { return view };
        let site = scene.site;
        let (sunset, sunrise) = match Night::at(site, self.now, Span::ZERO) {
            Night::Between { sunset, sunrise } => (Some(sunset), Some(sunrise)),
            Night::Never { .. } | Night::Always { .. } => (None, None),
        };
        for (position, pond) in self.ponds.iter().enumerate() {
            let Ok(index) = u16::try_from(position) else { break };
            let forecast = pond.night.forecast().cloned();
            let no_forecast = match (&forecast, pond.night.refusal()) {
                (Some(_), _) => None,
                (None, Some(refusal)) => Some(refusal.clone()),
                (None, None) if sunset.is_none() => {
                    Some(said!("no-forecast-sun", "the sun does not set and rise here now"))
                }
                (None, None) if pond.night.is_on(self.now) => {
                    Some(said!("no-forecast-soon", "it is made within a quarter of an hour"))
                }
                (None, None) => Some(said!("no-forecast-day", "it is made from sunset on")),
            };
            view.ponds.push(PondView {
                pond: PondIndex(index),
                latest: latest::latest(pond, &scene),
                derived: pond.derived.values().copied().collect(),
                forecast,
                forecast_score: pond.night.forecast_score(),
                past_nights: pond.night.past_nights().collect(),
                no_forecast,
                verdict: site.ponds.get(position).and_then(|configured| {
                    pond.oxygen_verdict(&scene, &pond.facts(&scene, configured), configured)
                }),
                advice: pond.advice.clone(),
                aeration_nights: pond.energy.past.iter().copied().chain(pond.energy.tonight()).collect(),
                turnover: pond.metabolism.days().next_back().copied(),
                turnover_trend: pond.metabolism.trend(),
                sunset,
                sunrise,
                aerators_on: pond.aerators_on.clone(),
                aerators_stopped: pond.stopped_tonight(self.now),
                do_low_mg_l: site.ponds.get(position).map(|own| own.limits.do_low_mg_l.map(|own| own.limit)),
                diary: diary::diary(self, PondIndex(index)),
            });
            let alarms = pond.alarms.iter().enumerate();
            view.alarms.extend(alarms.filter_map(|(place, alarm)| {
                let mut shown = shown(alarm, || pond.message(&scene, place))?;
                if let Some(start) = pond.start_all(&scene, place) {
                    shown.message = Said::joined(alloc::vec![shown.message, start], " ");
                }
                Some(shown)
            }));
        }
        for (probe, configured) in self.probes.iter().zip(&site.probes) {
            view.alarms.extend(shown(&probe.alarm, || Some(probe.message(site, configured, self.now))));
        }
        for node in &self.nodes {
            let inside = power::inside(self.alarms(), &node.alarm.id);
            let message = || Some(node.message(site, &self.probes, self.now, inside));
            view.alarms.extend(shown(&node.alarm, message));
        }
        view.probes = probes::probes(site, &self.probes, self.now);
        view.alarms.extend(self.gateway_alarms.iter().filter_map(|alarm| shown(alarm, || None)));
        let inside = power::inside(self.alarms(), power::ID);
        view.alarms.extend(shown(&self.power.alarm, || {
            Some(self.power.message(&scene, (&self.ponds, &self.nodes), inside))
        }));
        for alarm in &mut view.alarms {
            alarm.inside = power::inside(self.alarms(), &alarm.id);
        }
        // What announces nothing comes last: it is there to be known, not to be acted on.
        for alarm in &mut view.alarms {
            if let Some((chain, next)) = self.chain_of(&alarm.id) {
                alarm.called.clone_from(&chain.called);
                alarm.next_call = next.map(|(step, due)| (String::from(step), due));
            }
        }
        view.alarms.sort_by(|a, b| {
            let rank = |alarm: &AlarmView| (alarm.state.is_held(), alarm.priority, alarm.raised_at);
            rank(a).cmp(&rank(b)).then_with(|| a.id.cmp(&b.id))
        });
        view
    }
}

fn shown(alarm: &Alarm, message: impl FnOnce() -> Option<Said>) -> Option<AlarmView> {
    (alarm.state != AlarmState::Normal).then(|| AlarmView {
        pond: alarm.pond,
        id: alarm.id.clone(),
        name: alarm.name.clone(),
        priority: alarm.priority,
        state: alarm.state,
        raised_at: alarm.raised_at,
        changed_at: alarm.changed_at,
        message: message().unwrap_or_else(|| alarm.message.clone()),
        acknowledged_by: alarm.acknowledged_by.clone(),
        shelf: alarm.shelf.clone(),
        root: alarm.root.clone(),
        inside: 0,
        called: Vec::new(),
        next_call: None,
    })
}
