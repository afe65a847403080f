//! One pond through a season with probes that fail: what the core makes of it, beside what is true.

use pondreeve_core::effect::{AlarmState, Effect, Flag};
use pondreeve_core::input::{ProbeFault, Sample};
use pondreeve_core::service::Step;
use pondreeve_core::site::{AeratorGroup, Channel, Limits, PondIndex, Probe, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Site, Span, State, Timestamp};
use sim::faults::{self, Kind};
use sim::noise::Noise;

use super::plan::{Plan, Planned};
use super::pond::{KINDS as PONDS, LATITUDE, LONGITUDE, OFFSET_MS, Pond, START_MS};
use super::score::{Caught, Score};

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 86_400_000;

/// After a fault ends the tests may need a day to forget it; what they say then counts neither way.
const AFTERMATH_MS: i64 = DAY_MS;

/// Carbon that the water tends back to, mmol/L. (Invented: pH between 7.6 and 8.6 at 110 mg/L of alkalinity.)
const CARBON: f64 = 2.1;

/// A doubt counts from so many doubtful readings within the hour on.
const DOUBTS: usize = 5;

/// How a pond is equipped.
#[derive(Debug, Clone, Copy)]
pub struct Setup {
    pub name: &'static str,
    /// Position among the simulated ponds.
    pub pond: usize,
    /// Two oxygen probes, or one.
    pub two: bool,
    /// Minutes between readings.
    pub every_min: i64,
}

/// A lined pond with two oxygen probes, one with one, and an earthen one whose node sends each quarter.
pub const SETUPS: [Setup; 3] = [
    Setup { name: "two oxygen probes, 1 min", pond: 0, two: true, every_min: 1 },
    Setup { name: "one oxygen probe, 1 min", pond: 1, two: false, every_min: 1 },
    Setup { name: "one oxygen probe, 15 min", pond: 2, two: false, every_min: 15 },
];

/// One sensor that may fail.
#[derive(Debug)]
struct Sensor {
    probe: usize,
    quantity: Quantity,
    plan: Plan,
    now: Option<Planned>,
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

    fn is_near(&self, at_ms: i64) -> bool {
        self.is_on(at_ms) || at_ms < self.over_ms + AFTERMATH_MS
    }
}

#[derive(Debug)]
pub struct Season {
    setup: Setup,
    pond: Pond,
    noise: Noise,
    state: State,
    effects: Vec<Effect>,
    seq: u64,
    sensors: Vec<Sensor>,
    probes: Vec<&'static str>,
    /// When each probe is to be serviced.
    service_at: Vec<Option<i64>>,
    low_since: Option<i64>,
    told: bool,
    low_hidden: bool,
    standing: Vec<String>,
    hand: bool,
    at_ms: i64,
    truth: Vec<serde_json::Value>,
    trace: bool,
    pub score: Score,
}

fn site(setup: Setup) -> (Site, Vec<&'static str>) {
    let kind = PONDS[setup.pond];
    let every = Span::from_minutes(setup.every_min);
    let channel = |quantity: Quantity| {
        let plain = Channel::uncorrected(quantity);
        Channel { quality: plain.quality.reporting_every(every), ..plain }
    };
    let mut ids = vec!["oxygen-1", "ph", "salinity"];
    if setup.two {
        ids.push("oxygen-2");
    }
    let probes = ids.iter().map(|id| Probe {
        id: (*id).into(),
        pond: Some(PondIndex(0)),
        channels: match *id {
            "ph" => vec![channel(Quantity::Ph)],
            "salinity" => vec![channel(Quantity::SalinityPsu)],
            _ => vec![channel(Quantity::DoMgL), channel(Quantity::TemperatureC)],
        },
    });
    let motors = (0..kind.groups.len() as u16)
        .map(|group| Channel { aerator: Some(group), ..channel(Quantity::AeratorOn) });
    let motors = Probe { id: "motors".into(), pond: Some(PondIndex(0)), channels: motors.collect() };
    let groups = kind.groups.iter().map(|&(id, power_kw, sae_kg_kwh)| AeratorGroup {
        id: id.into(),
        power_kw,
        sae_kg_kwh,
        must_run: false,
    });
    let site = Site {
        gateway: "season".into(),
        latitude_deg: LATITUDE,
        longitude_deg: LONGITUDE,
        pressure_hpa: 1_010.0,
        ponds: vec![pondreeve_core::site::Pond {
            id: "p1".into(),
            name: "p1".into(),
            area_m2: kind.area_m2,
            depth_m: kind.depth_m,
            salinity_psu: 18.0,
            aerators: groups.collect(),
            limits: Limits::grow_out(),
            aeration_risk: 0.1,
            like: None,
        }],
        probes: probes.chain([motors]).collect(),
        summary_every: Span::from_hours(1),
        energy_price: None,
    };
    (site, ids)
}

/// How far off a reading must be for the fault to matter.
fn matters(quantity: Quantity) -> f64 {
    if quantity == Quantity::Ph { 0.2 } else { 0.5 }
}

impl Season {
    pub fn new(setup: Setup, seed: u64, hand: bool) -> Self {
        let (site, probes) = site(setup);
        let sensor = |probe: usize, quantity: Quantity| {
            let plan = Plan::new(seed, probes[probe], quantity.id());
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
            sensor.now = sensor.plan.next(START_MS);
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
            hand,
            at_ms: START_MS,
            truth: Vec::new(),
            trace: std::env::var_os("TRACE").is_some(),
            score: Score::default(),
        };
        season.step(START_MS, Event::Started { site });
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
                if let Some(id) = change.id.strip_prefix("p1.probe-fault.") {
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

    fn water_alarm(&mut self, id: &str, message: &str) {
        let truth = self.pond.water.do_mg_l;
        let limit = match id {
            "p1.do-low-warn" => 4.0,
            "p1.do-low-critical" => 3.0,
            "p1.do-low-emergency" => 2.0,
            // A fall is false where oxygen is plentiful all the same.
            _ => 5.0,
        };
        let failing =
            self.sensors.iter().any(|own| own.quantity == Quantity::DoMgL && own.is_near(self.at_ms));
        if truth > limit + 0.7 && failing {
            self.score.false_water_alarms += 1;
            self.score.false_without_suspect += u64::from(!message.contains("suspect"));
            if !message.contains("suspect") {
                let faults: Vec<&str> = self
                    .sensors
                    .iter()
                    .filter(|own| own.quantity == Quantity::DoMgL)
                    .filter_map(|own| own.now.as_ref())
                    .filter(|planned| planned.fault.from_ms <= self.at_ms)
                    .map(|planned| super::plan::KINDS[planned.kind])
                    .collect();
                let during = if faults.is_empty() { "no fault".to_owned() } else { faults.join("+") };
                *self.score.unsuspect_by.entry(format!("{id} during {during}")).or_default() += 1;
                if self.trace {
                    println!(
                        "PLAIN day {:.2} true {truth:.2} {message}",
                        (self.at_ms - START_MS) as f64 / DAY_MS as f64
                    );
                }
            }
        }
    }

    /// Runs the whole season.
    pub fn run(&mut self, days: i64) {
        for minute in 0..days * 24 * 60 {
            let at_ms = START_MS + minute * MINUTE_MS;
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
            self.watch_truth(at_ms);
            self.end_faults(at_ms);
        }
        self.score.pond_days += days as f64;
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

    /// True oxygen below 3 mg/L for five minutes must have been told by then.
    fn watch_truth(&mut self, at_ms: i64) {
        let truth = self.pond.water.do_mg_l;
        let told = self.standing.iter().any(|id| {
            matches!(
                id.as_str(),
                "p1.do-low-critical" | "p1.do-low-emergency" | "p1.do-blind-high" | "p1.do-blind-critical"
            )
        });
        // A little below the limit: a sound probe that reads 0.1 too high is sound.
        if truth < 2.85 {
            let since = *self.low_since.get_or_insert(at_ms);
            self.told |= told;
            // Allowed: the on-delay, what noise takes, and one reading of a slow probe.
            let allowed = (5 + 3 + self.setup.every_min) * MINUTE_MS;
            self.low_hidden |=
                self.sensors.iter().any(|own| own.quantity == Quantity::DoMgL && own.is_near(at_ms));
            if at_ms - since == allowed {
                let place = usize::from(self.low_hidden);
                self.score.low_events[place] += 1;
                self.score.low_told[place] += u64::from(self.told);
                if self.trace && !self.told {
                    println!(
                        "UNTOLD day {:.2} true {truth:.2} hidden {} standing {:?} reads {:?}",
                        (at_ms - START_MS) as f64 / DAY_MS as f64,
                        self.low_hidden,
                        self.standing,
                        self.state.view().ponds[0]
                            .latest
                            .iter()
                            .map(|l| (l.quantity.id(), l.value, l.flag))
                            .collect::<Vec<_>>()
                    );
                }
            }
        } else if truth > 3.4 {
            (self.low_since, self.told, self.low_hidden) = (None, false, false);
        }
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
