//! The ten days' recording, fed into the core as the daemon would feed it, and what came of it.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::OnceLock;

use pondreeve_core::diary::{Count, Dose, Entry, What};
use pondreeve_core::effect::{AlarmChange, AlarmState, Derived, Effect, Forecast, Reading};
use pondreeve_core::input::Sample;
use pondreeve_core::said::Said;
use pondreeve_core::service::Step;
use pondreeve_core::site::{Channel, PondIndex, Probe, ProbeIndex, Timer};
use pondreeve_core::{Event, Input, Quantity, Site, Span, State, Timestamp};
use sim::ten_days::clock::{END_MS, FIRST_MS};
use sim::ten_days::{Act, Clock, Happening, LOT, PROBES, Person, Recording, TIMERS, Truth};

/// Whoever is on shift acknowledges an alarm this long after it was raised.
const ACKNOWLEDGED_AFTER_MS: i64 = 2 * 60_000;

/// How long a probe is taken out of service for.
const SERVICE: Span = Span::from_minutes(30);

/// What came of the ten days.
#[derive(Debug, Default)]
pub struct Outcome {
    /// Every change of an alarm, in order.
    pub alarms: Vec<AlarmChange>,
    /// Judged readings that are not of the best: time, reading.
    pub doubted: Vec<Reading>,
    /// Every forecast.
    pub forecasts: Vec<Forecast>,
    /// Every derived value.
    pub derived: Vec<Derived>,
    /// Everything that was refused.
    pub refused: Vec<String>,
    /// What was said to people whenever an alarm changed: messages, advice, why there was no forecast, clues.
    pub said: BTreeMap<String, Said>,
    /// The water of each pond as it truly was, by the minute.
    pub truth: [BTreeMap<i64, Truth>; 4],
}

/// The demo's farm, with a meter on the mains and the timers of the ten days: the demo keeps some groups in reserve.
pub fn site() -> Site {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../config/demo/farm.toml");
    let text = std::fs::read_to_string(&path).expect("config/demo/farm.toml");
    let loaded = pondreeve::config::from_text(&path, text).expect("the demo's farm is sound");
    let mut site = loaded.farm.site;
    let mains = Channel::uncorrected(Quantity::AeratorKw);
    site.probes.push(Probe {
        id: "mains".into(),
        pond: None,
        link: "bus0".into(),
        node: None,
        channels: vec![mains],
    });
    // Farm time is five hours behind universal time.
    let utc = |(hour, minute): Clock| Span::from_minutes(((hour + 5) * 60 + minute).rem_euclid(24 * 60));
    for (pond, groups, on, off) in TIMERS {
        for group in &mut site.ponds[pond].aerators {
            if groups.contains(group.id.as_str()) {
                group.timer = Some(Timer { on: utc(on), off: utc(off) });
            }
        }
    }
    site
}

/// The three limits that the adviser changes on day 10.
fn changed(site: &Site) -> Site {
    let mut site = site.clone();
    // P1 and P2: forecast to keep 0.5 mg/L more. P3: pH a little tighter after the wrong dose.
    site.ponds[0].limits.do_forecast_mg_l = [4.5, 3.5];
    site.ponds[1].limits.do_forecast_mg_l = [4.5, 3.5];
    site.ponds[2].limits.ph_high[0].limit = 8.7;
    site
}

struct Driver {
    state: State,
    effects: Vec<Effect>,
    seq: u64,
    site: Site,
    /// Place in the site of each of the recording's probes.
    places: Vec<ProbeIndex>,
    /// Alarms to acknowledge, by time.
    noticed: BTreeMap<(i64, String), ()>,
    outcome: Outcome,
}

impl Driver {
    fn new() -> Self {
        let site = site();
        let places = PROBES.iter().map(|probe| {
            let place = site.probes.iter().position(|own| own.id == probe.id);
            let place = place.unwrap_or_else(|| panic!("config/demo has no probe {}", probe.id));
            assert_eq!(site.probes[place].pond.map(|pond| usize::from(pond.0)), probe.pond, "{}", probe.id);
            ProbeIndex(place as u16)
        });
        let mut driver = Self {
            places: places.collect(),
            state: State::new(),
            effects: Vec::new(),
            seq: 0,
            noticed: BTreeMap::new(),
            outcome: Outcome::default(),
            site: site.clone(),
        };
        driver.step(FIRST_MS, Event::Started { site });
        driver
    }

    fn step(&mut self, at_ms: i64, event: Event) {
        self.seq += 1;
        self.state.step(&Input { seq: self.seq, at: Timestamp(at_ms), event }, &mut self.effects);
        if self.effects.iter().any(|effect| matches!(effect, Effect::AlarmChanged(_) | Effect::Advice(_))) {
            let view = self.state.view();
            let ponds = view.ponds.into_iter().flat_map(|pond| {
                let advice = pond.advice.map(|advice| advice.reason);
                let verdict = pond.verdict.map(|verdict| verdict.line());
                advice.into_iter().chain(verdict).chain(pond.no_forecast)
            });
            let said = view.alarms.into_iter().map(|alarm| alarm.message).chain(ponds);
            self.outcome.said.extend(said.map(|said| (said.english().to_owned(), said)));
        }
        for effect in self.effects.drain(..) {
            match effect {
                Effect::AlarmChanged(change) => {
                    if change.state == AlarmState::Unacknowledged {
                        let due = change.at.as_millis() + ACKNOWLEDGED_AFTER_MS;
                        self.noticed.insert((due, change.id.clone()), ());
                    }
                    self.outcome.alarms.push(change);
                }
                Effect::Reading(reading) if !reading.flag.is_usable() => self.outcome.doubted.push(reading),
                Effect::Derived(derived) => self.outcome.derived.push(derived),
                Effect::Forecast(forecast) => self.outcome.forecasts.push(forecast),
                Effect::Refused { reason, .. } => self.outcome.refused.push(reason.into()),
                _ => {}
            }
        }
    }

    /// Acknowledges what was noticed, each alarm that still waits for it.
    fn acknowledge(&mut self, until_ms: i64) {
        while let Some(((due, id), ())) = self.noticed.pop_first() {
            if due > until_ms {
                self.noticed.insert((due, id), ());
                return;
            }
            let last = self.outcome.alarms.iter().rev().find(|change| change.id == id);
            let waits = last.is_some_and(|change| {
                matches!(change.state, AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged)
            });
            if waits {
                let by = Person::NightTechnician.told().to_owned();
                self.step(due, Event::Acknowledge { alarm: id, by });
            }
        }
    }

    fn happens(&mut self, at_ms: i64, happening: Happening) {
        match happening {
            Happening::Sweep(readings) => {
                let samples = readings.iter().map(|reading| Sample {
                    probe: self.places[reading.probe],
                    quantity: quantity(reading.quantity),
                    channel: None,
                    value: reading.value,
                    taken_at: None,
                });
                let samples = samples.collect();
                self.step(at_ms, Event::Sweep { samples });
            }
            Happening::Person(who, act) => self.acts(at_ms, who, act),
        }
    }

    fn acts(&mut self, at_ms: i64, who: Person, act: Act) {
        let by = who.told().to_owned();
        let probe = |id: &str| {
            ProbeIndex(self.site.probes.iter().position(|own| own.id == id).expect("a probe") as u16)
        };
        let event = match act {
            Act::Enters(pond, id, value) => Event::ManualSample {
                pond: PondIndex(pond as u16),
                quantity: quantity(id),
                value,
                taken_at: None,
                by,
            },
            Act::Doses(pond, kg) => {
                let dose = Dose {
                    slurry_kg: Some(kg),
                    lot: Some(LOT.id.into()),
                    solids_percent: Some(LOT.solids_percent),
                    density_kg_l: Some(LOT.density_kg_l),
                    container_kg: Some(LOT.container_kg),
                    ..Dose::default()
                };
                self.recorded(at_ms, pond, What::Dose(dose), by)
            }
            Act::Counts(pond, left) => {
                let container_kg = Some(LOT.container_kg);
                let count = Count { lot: Some(LOT.id.into()), left, container_kg, ..Count::default() };
                self.recorded(at_ms, pond, What::Count(count), by)
            }
            Act::TakesOut(id) => {
                Event::Service { probe: probe(id), step: Step::Begin { length: SERVICE }, by }
            }
            Act::ReadsBefore(id, of, hand) => {
                let step = Step::Before { quantity: quantity(of), hand: Some(hand), reading: None };
                Event::Service { probe: probe(id), step, by }
            }
            Act::Cleaned(id) => Event::Service { probe: probe(id), step: Step::Cleaned, by },
            Act::ReadsAfter(id, of, hand) => {
                let step = Step::After { quantity: quantity(of), hand: Some(hand), reading: None };
                Event::Service { probe: probe(id), step, by }
            }
            Act::PutsBack(id) => Event::Service { probe: probe(id), step: Step::End, by },
            Act::ChangesLimits => Event::SiteChanged { site: changed(&self.site) },
        };
        self.step(at_ms, event);
    }
}

impl Driver {
    /// An entry of the diary, completed as the daemon does before it is kept.
    fn recorded(&self, at_ms: i64, pond: usize, what: What, by: String) -> Event {
        let at = Timestamp(at_ms);
        let entry = Entry { number: 0, at, corrects: None, basin: None, what };
        let mut event = Event::Diary { pond: PondIndex(pond as u16), entry, by };
        self.state.complete(&mut event, at);
        event
    }
}

fn quantity(id: &str) -> Quantity {
    Quantity::from_id(id).unwrap_or_else(|| panic!("no quantity {id}"))
}

/// Runs the ten days once, whoever asks.
pub fn outcome() -> &'static Outcome {
    static OUTCOME: OnceLock<Outcome> = OnceLock::new();
    OUTCOME.get_or_init(|| {
        let mut driver = Driver::new();
        let mut recording = Recording::new();
        while let Some((at_ms, happening)) = recording.next() {
            for (pond, known) in driver.outcome.truth.iter_mut().enumerate() {
                known.entry(at_ms).or_insert_with(|| recording.truth(pond));
            }
            driver.acknowledge(at_ms);
            driver.happens(at_ms, happening);
        }
        driver.step(END_MS, Event::Tick);
        driver.outcome
    })
}
