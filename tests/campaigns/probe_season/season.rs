//! One pond through a season with probes that fail: what the core makes of it, beside what is true.

use pondreeve_core::effect::{AlarmState, Effect, Flag};
use pondreeve_core::input::{ProbeFault, Sample};
use pondreeve_core::service::Step;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Span, State, Timestamp};
use sim::faults::{self, Kind};
use sim::noise::Noise;

use super::farm::{Setup, site};
use super::plan::{Plan, Planned};
use super::pond::{KINDS as PONDS, OFFSET_MS, Pond, START_MS};
use super::score::{Caught, Score};

pub(super) const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 3_600_000;
pub(super) const DAY_MS: i64 = 86_400_000;

/// After a fault ends the tests may need a day to forget it; what they say then counts neither way.
const AFTERMATH_MS: i64 = DAY_MS;

/// Carbon that the water tends back to, mmol/L. (Invented: pH between 7.6 and 8.6 at 110 mg/L of alkalinity.)
const CARBON: f64 = 2.1;

/// A doubt counts from so many doubtful readings within the hour on.
const DOUBTS: usize = 5;

/// One sensor that may fail.
#[derive(Debug)]
pub(super) struct Sensor {
    probe: usize,
    pub(super) quantity: Quantity,
    plan: Plan,
    pub(super) now: Option<Planned>,
    held: Option<f64>,
    /// When the present fault began to matter.
    matters_ms: Option<i64>,
    caught: Option<(i64, &'static str)>,
    alarmed: Option<i64>,
    doubts: Vec<i64>,
    over_ms: i64,
}

impl Sensor {
    fn is_on(&self, at_ms: i64) -> bool {
        self.now.as_ref().is_some_and(|planned| planned.fault.is_on(at_ms))
    }

    pub(super) fn is_near(&self, at_ms: i64) -> bool {
        self.is_on(at_ms) || at_ms < self.over_ms + AFTERMATH_MS
    }
}

#[derive(Debug)]
pub struct Season {
    pub(super) setup: Setup,
    pub(super) pond: Pond,
    noise: Noise,
    pub(super) state: State,
    effects: Vec<Effect>,
    seq: u64,
    pub(super) sensors: Vec<Sensor>,
    probes: Vec<&'static str>,
    /// When each probe is to be serviced.
    service_at: Vec<Option<i64>>,
    pub(super) low_since: Option<i64>,
    pub(super) told: bool,
    pub(super) low_hidden: bool,
    pub(super) standing: Vec<String>,
    /// When a plankton crash was noticed.
    pub(super) crash_notices: Vec<i64>,
    hand: bool,
    pub(super) at_ms: i64,
    truth: Vec<serde_json::Value>,
    pub(super) trace: bool,
    pub score: Score,
}

/// How far off a reading must be for the fault to matter.
fn matters(quantity: Quantity) -> f64 {
    if quantity == Quantity::Ph { 0.2 } else { 0.5 }
}

impl Season {
    /// One that begins on a day of the crop.
    pub fn new(setup: Setup, seed: u64, hand: bool, from_day: i64) -> Self {
        let start_ms = START_MS + from_day * DAY_MS;
        let (site, probes) = site(setup);
        let sensor = |probe: usize, quantity: Quantity| {
            let plan = Plan::new(seed, probes[probe], quantity.id(), start_ms);
            Sensor {
                probe,
                quantity,
                plan,
                now: None,
                held: None,
                matters_ms: None,
                caught: None,
                alarmed: None,
                doubts: Vec::new(),
                over_ms: i64::MIN / 2,
            }
        };
        let mut sensors = vec![sensor(0, Quantity::DoMgL), sensor(1, Quantity::Ph)];
        if setup.two {
            sensors.push(sensor(3, Quantity::DoMgL));
        }
        for sensor in &mut sensors {
            sensor.now = sensor.plan.next(start_ms);
        }
        let mut season = Self {
            setup,
            pond: Pond::new(PONDS[setup.pond], seed),
            noise: Noise::new(seed ^ 0xabcd),
            state: State::new(),
            effects: Vec::new(),
            seq: 0,
            sensors,
            service_at: vec![None; probes.len()],
            probes,
            low_since: None,
            told: false,
            low_hidden: false,
            standing: Vec::new(),
            crash_notices: Vec::new(),
            hand,
            at_ms: start_ms,
            truth: Vec::new(),
            trace: std::env::var_os("TRACE").is_some(),
            score: Score::default(),
        };
        season.step(start_ms, Event::Started { site });
        season
    }

    fn step(&mut self, at_ms: i64, event: Event) {
        self.seq += 1;
        self.state.step(&Input { seq: self.seq, at: Timestamp(at_ms), event }, &mut self.effects);
        let effects = std::mem::take(&mut self.effects);
        for effect in &effects {
            self.look(effect);
        }
        self.effects = effects;
        self.effects.clear();
    }

    fn look(&mut self, effect: &Effect) {
        match effect {
            Effect::Reading(reading) => {
                let Some(probe) = reading.probe else { return };
                let doubtful = matches!(reading.flag, Flag::Suspect | Flag::Fail | Flag::Missing);
                let test =
                    reading.tests.iter().max_by_key(|(_, flag)| *flag).map_or("", |(test, _)| test.id());
                self.doubt(usize::from(probe.0), reading.quantity, reading.at, doubtful, test);
            }
            Effect::Amended(amended) if amended.flag >= Flag::Suspect && amended.flag != Flag::Missing => {
                let (probe, at) = (usize::from(amended.probe.0), amended.from);
                self.doubt(probe, amended.quantity, at, true, amended.test.id());
            }
            Effect::AlarmChanged(change) => {
                let at_ms = change.at.as_millis();
                let raised = change.state == AlarmState::Unacknowledged
                    && change.previous_state != AlarmState::Acknowledged;
                let stands = change.state.is_standing();
                self.standing.retain(|id| *id != change.id);
                if stands {
                    self.standing.push(change.id.clone());
                }
                if !raised {
                    return;
                }
                if let Some(notice) = change.id.strip_prefix("p1.plankton-") {
                    self.plankton_notice(notice, at_ms, &change.message);
                } else if let Some(id) = change.id.strip_prefix("p1.probe-fault.") {
                    self.probe_alarm(id, at_ms, &change.message);
                } else if change.id.starts_with("p1.do-low") || change.id == "p1.do-falling" {
                    self.water_alarm(&change.id, &change.message);
                }
            }
            _ => {}
        }
    }

    fn doubt(&mut self, probe: usize, quantity: Quantity, at: Timestamp, doubtful: bool, test: &'static str) {
        let at_ms = at.as_millis();
        let Some(sensor) = self.sensors.iter_mut().find(|own| own.probe == probe && own.quantity == quantity)
        else {
            return;
        };
        if !sensor.is_near(at_ms) {
            self.score.good += 1;
            self.score.good_doubted += u64::from(doubtful);
            return;
        }
        if !doubtful || !sensor.is_on(at_ms) {
            return;
        }
        sensor.doubts.retain(|&then| at_ms - then < HOUR_MS);
        sensor.doubts.push(at_ms);
        let needed = if self.setup.every_min > 1 { 2 } else { DOUBTS };
        let missing = test == "gap";
        if sensor.caught.is_none() && (missing || sensor.doubts.len() >= needed) {
            sensor.caught = Some((at_ms, test));
        }
    }

    fn probe_alarm(&mut self, id: &str, at_ms: i64, message: &str) {
        let Some(probe) = self.probes.iter().position(|own| *own == id) else { return };
        // Serviced the next morning at eight.
        let local = at_ms + OFFSET_MS;
        let eight = local.div_euclid(DAY_MS) * DAY_MS + 8 * HOUR_MS;
        let next = if local < eight { eight } else { eight + DAY_MS } - OFFSET_MS;
        self.service_at[probe].get_or_insert(next);
        let mut near = false;
        for sensor in self.sensors.iter_mut().filter(|own| own.probe == probe) {
            near |= sensor.is_near(at_ms);
            if sensor.is_on(at_ms) {
                sensor.alarmed.get_or_insert(at_ms);
            }
        }
        self.score.probe_alarms += 1;
        self.score.false_probe_alarms += u64::from(!near);
        if !near {
            let said = message.split(" reads ").nth(1).or(message.split("probe ").nth(1)).unwrap_or(message);
            let said: String = said.split(':').next().unwrap_or(said).chars().take(70).collect();
            *self.score.false_by.entry(format!("{} {said}", self.probes[probe])).or_default() += 1;
        }
    }

    /// Runs so many days.
    pub fn run(&mut self, days: i64) {
        let start_ms = self.at_ms;
        for minute in 0..days * 24 * 60 {
            let at_ms = start_ms + minute * MINUTE_MS;
            self.at_ms = at_ms;
            let hour = (at_ms + OFFSET_MS).rem_euclid(DAY_MS) as f64 / HOUR_MS as f64;
            self.pond.commanded.fill(!(6.0..18.0).contains(&hour));
            self.pond.minute(at_ms);
            // The simulated water loses its carbon over weeks; a pond gets it back from feed, bottom and lime.
            self.pond.water.dic_mmol_l += (CARBON - self.pond.water.dic_mmol_l) / (1.5 * 24.0 * 60.0);
            self.stir_sludge(at_ms);
            self.service(at_ms);
            if minute % self.setup.every_min == 0 {
                self.sweep(at_ms);
            }
            if self.hand && minute.rem_euclid(24 * 60) == 11 * 60 + 15 {
                // 06:15 at the farm: the dawn round with the hand meter.
                let value = self.pond.water.do_mg_l + 0.1 * self.noise.gaussian(Noise::stream("hand"), at_ms);
                let by = "technician".to_owned();
                let quantity = Quantity::DoMgL;
                let value = (value.max(0.0) * 10.0).round() / 10.0;
                self.step(
                    at_ms,
                    Event::ManualSample { pond: PondIndex(0), quantity, value, taken_at: None, by },
                );
            }
            if self.trace && minute % (24 * 60) == 12 * 60 {
                let water = &self.pond.water;
                println!(
                    "NOON {} ph {:.2} alk {:.0} do {:.1}",
                    minute / 1440,
                    water.ph(),
                    water.alkalinity_mg_l,
                    water.do_mg_l
                );
            }
            if minute.rem_euclid(24 * 60) == 20 * 60 {
                self.look_at_day();
            }
            self.watch_truth(at_ms);
            self.end_faults(at_ms);
        }
        self.score.pond_days += days as f64;
        self.count_crashes();
    }

    /// Now and then somebody drags the bottom: for twenty minutes sludge takes oxygen and gives acid. (Sizes
    /// invented.)
    fn stir_sludge(&mut self, at_ms: i64) {
        let day = (at_ms - START_MS).div_euclid(DAY_MS);
        if self.noise.unit(Noise::stream("sludge"), day) >= 0.04 {
            return;
        }
        let from = START_MS
            + day * DAY_MS
            + (self.noise.unit(Noise::stream("sludge-hour"), day) * 23.0) as i64 * HOUR_MS;
        if (from..from + 20 * MINUTE_MS).contains(&at_ms) {
            let water = &mut self.pond.water;
            water.do_mg_l = (water.do_mg_l - 0.04).max(0.0);
            water.dic_mmol_l += 0.002;
            if at_ms == from {
                self.truth.push(serde_json::json!({
                    "event": "sludge", "from_ms": from, "until_ms": from + 20 * MINUTE_MS,
                }));
            }
        }
    }

    /// Everything that truly happened, one JSON object each: events of the water, and faults of probes.
    pub fn truth(&self) -> impl Iterator<Item = serde_json::Value> + '_ {
        let events = self.pond.events().into_iter().map(|(event, from_ms, until_ms)| {
            serde_json::json!({ "event": event, "from_ms": from_ms, "until_ms": until_ms })
        });
        events.chain(self.truth.iter().cloned())
    }

    /// Probes that alarmed are serviced in the morning; oxygen probes also once a week.
    fn service(&mut self, at_ms: i64) {
        let local = at_ms + OFFSET_MS;
        let weekly = local.rem_euclid(7 * DAY_MS) == 9 * HOUR_MS;
        for probe in 0..self.probes.len() {
            let due = self.service_at[probe].is_some_and(|due| due <= at_ms);
            if !(due || (weekly && self.probes[probe].starts_with("oxygen"))) {
                continue;
            }
            self.service_at[probe] = None;
            for step in [Step::Begin { length: Span::from_minutes(30) }, Step::Cleaned, Step::End] {
                let probe = ProbeIndex(probe as u16);
                self.step(at_ms, Event::Service { probe, step, by: "technician".into() });
            }
            for sensor in self.sensors.iter_mut().filter(|own| own.probe == probe) {
                if let Some(planned) = &mut sensor.now
                    && planned.fault.is_on(at_ms)
                {
                    planned.fault.until_ms = at_ms;
                }
            }
        }
    }

    fn reading(&mut self, probe: usize, quantity: Quantity, at_ms: i64) -> Option<f64> {
        let water = &self.pond.water;
        let (truth, jitter, wander, decimals) = match quantity {
            Quantity::DoMgL => (water.do_mg_l, 0.03, 0.06, 100.0),
            Quantity::TemperatureC => (water.temperature_c, 0.02, 0.02, 100.0),
            Quantity::Ph => (water.ph(), 0.008, 0.01, 100.0),
            _ => (water.salinity_psu, 0.03, 0.03, 100.0),
        };
        let stream = Noise::stream(&format!("{} {}", self.probes[probe], quantity.id()));
        let sound = truth
            + jitter * self.noise.gaussian(stream, at_ms / MINUTE_MS)
            + wander * self.noise.wander(stream ^ 1, at_ms, 2 * HOUR_MS);
        let id = self.probes[probe];
        let mut value = sound;
        if let Some(sensor) =
            self.sensors.iter_mut().find(|own| own.probe == probe && own.quantity == quantity)
            && let Some(planned) = sensor.now.clone()
            && planned.fault.is_on(at_ms)
        {
            if planned.fault.kind == Kind::Silent {
                sensor.matters_ms.get_or_insert(at_ms);
                return None;
            }
            let held = *sensor.held.get_or_insert(sound);
            let plan = [planned.fault.clone()];
            value = faults::on_value(&plan, &self.noise, id, quantity.id(), at_ms, sound, |_| Some(held));
            let off = (value - sound).abs() > matters(quantity);
            if off || planned.fault.kind == Kind::Stuck {
                sensor.matters_ms.get_or_insert(at_ms);
            }
        }
        Some((value.max(0.0) * decimals).round() / decimals)
    }

    fn sweep(&mut self, at_ms: i64) {
        for probe in 0..self.probes.len() {
            let quantities: &[Quantity] = match self.probes[probe] {
                "ph" => &[Quantity::Ph],
                "salinity" => &[Quantity::SalinityPsu],
                _ => &[Quantity::DoMgL, Quantity::TemperatureC],
            };
            let index = ProbeIndex(probe as u16);
            let silent = self.sensors.iter().any(|own| {
                own.probe == probe
                    && own.is_on(at_ms)
                    && own.now.as_ref().is_some_and(|planned| planned.fault.kind == Kind::Silent)
            });
            let mut samples = Vec::new();
            for &quantity in quantities {
                if let Some(value) = self.reading(probe, quantity, at_ms) {
                    samples.push(Sample { probe: index, quantity, channel: None, value, taken_at: None });
                }
            }
            if silent {
                self.step(at_ms, Event::ProbeFault { probe: index, fault: ProbeFault::Silent });
            } else {
                self.step(at_ms, Event::Sweep { samples });
            }
        }
        let motors = ProbeIndex(self.probes.len() as u16);
        let samples = self.pond.basin.aerators.iter().enumerate().map(|(group, aerator)| Sample {
            probe: motors,
            quantity: Quantity::AeratorOn,
            channel: Some(group as u16),
            value: f64::from(u8::from(aerator.running)),
            taken_at: None,
        });
        let samples = samples.collect();
        self.step(at_ms, Event::Sweep { samples });
    }

    fn end_faults(&mut self, at_ms: i64) {
        for sensor in &mut self.sensors {
            let Some(planned) = &sensor.now else { continue };
            if planned.fault.until_ms > at_ms {
                continue;
            }
            self.truth.push(serde_json::json!({
                "fault": super::plan::KINDS[planned.kind],
                "probe": self.probes[sensor.probe],
                "quantity": sensor.quantity.id(),
                "from_ms": planned.fault.from_ms,
                "until_ms": planned.fault.until_ms,
                "matters_from_ms": sensor.matters_ms,
                "doubted_at_ms": sensor.caught.map(|(at, _)| at),
                "alarmed_at_ms": sensor.alarmed,
            }));
            if let Some(from_ms) = sensor.matters_ms {
                let after = |at: i64| (at - from_ms).max(0) as f64 / HOUR_MS as f64;
                self.score.faults.push(Caught {
                    kind: planned.kind,
                    quantity: sensor.quantity,
                    doubted_h: sensor.caught.map(|(at, _)| after(at)),
                    test: sensor.caught.map(|(_, test)| test),
                    alarmed_h: sensor.alarmed.map(after),
                });
            }
            sensor.over_ms = planned.fault.until_ms;
            (sensor.held, sensor.matters_ms, sensor.caught, sensor.alarmed) = (None, None, None, None);
            sensor.doubts.clear();
            sensor.now = sensor.plan.next(sensor.over_ms);
        }
    }
}
