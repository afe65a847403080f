//! A crop under three ways of running the same aerators: the farm's timers from dusk to dawn, a
//! controller that switches everything on below one oxygen value and off above another, and a person
//! who follows the advice. Prints energy, hours of low oxygen and starts.
//!
//! ```text
//! cargo run --release -p pondreeve-tests --example aeration_crop -- [--seeds 100..120]
//! ```
//!
//! Seeds 1 to 9 were looked at while the plan was made; 100 and on were not.
#![allow(missing_docs, unreachable_pub, reason = "a program, not a library")]

mod pond;

use std::ops::Range;

use pond::{DAYS, KINDS, Kind, LATITUDE, LONGITUDE, OFFSET_MS, Pond, START_MS};
use pondreeve_core::effect::{Advice, AdviceAction, AlarmState, Effect};
use pondreeve_core::input::Sample;
use pondreeve_core::site::{AeratorGroup, Channel, Limits, PondIndex, Probe, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Site, Span, State, Timestamp};

/// What one way of running did.
#[derive(Debug, Clone, Copy, Default)]
struct Outcome {
    kwh: f64,
    hours_below_4: f64,
    hours_below_3: f64,
    lowest_mg_l: f64,
    starts: u32,
}

/// Switches aerators once a minute.
trait Way {
    fn minute(&mut self, at_ms: i64, pond: &mut Pond);
}

/// Local hour of the day.
fn hour(at_ms: i64) -> f64 {
    (at_ms + OFFSET_MS).rem_euclid(86_400_000) as f64 / 3_600_000.0
}

struct Timers {
    from_day: i64,
}

impl Way for Timers {
    fn minute(&mut self, at_ms: i64, pond: &mut Pond) {
        let day = (at_ms - START_MS).div_euclid(86_400_000);
        let dark = !(6.0..18.0).contains(&hour(at_ms));
        pond.commanded.fill(dark && day >= self.from_day);
    }
}

struct Threshold;

impl Way for Threshold {
    fn minute(&mut self, at_ms: i64, pond: &mut Pond) {
        let oxygen = pond.oxygen_reading(at_ms);
        if oxygen < 4.0 {
            pond.commanded.fill(true);
        } else if oxygen > 5.0 {
            pond.commanded.fill(false);
        }
    }
}

/// A person who does what the advice says, some minutes after it is given.
struct Follower {
    state: State,
    effects: Vec<Effect>,
    seq: u64,
    advice: Option<Advice>,
    /// Groups to stop at a time.
    stops: Vec<(Timestamp, u16)>,
    alarms: [u32; 3],
}

/// Minutes until the person has acted.
const REACTION: Span = Span::from_minutes(8);

impl Follower {
    fn new(kind: &Kind) -> Self {
        let groups = kind.groups.iter().map(|&(id, power_kw, sae_kg_kwh)| AeratorGroup {
            id: id.into(),
            power_kw,
            sae_kg_kwh,
            must_run: false,
        });
        let motor =
            |group: u16| Channel { aerator: Some(group), ..Channel::uncorrected(Quantity::AeratorOn) };
        let mut channels: Vec<Channel> =
            [Quantity::DoMgL, Quantity::TemperatureC, Quantity::SalinityPsu].map(Channel::uncorrected).into();
        channels.extend((0..kind.groups.len() as u16).map(motor));
        let site = Site {
            gateway: "crop".into(),
            latitude_deg: LATITUDE,
            longitude_deg: LONGITUDE,
            pressure_hpa: 1_010.0,
            ponds: vec![pondreeve_core::site::Pond {
                id: "p1".into(),
                name: kind.name.into(),
                area_m2: kind.area_m2,
                depth_m: kind.depth_m,
                salinity_psu: 18.0,
                aerators: groups.collect(),
                limits: Limits::grow_out(),
                aeration_risk: 0.1,
            }],
            probes: vec![Probe { id: "sonde".into(), pond: Some(PondIndex(0)), channels }],
            summary_every: Span::from_hours(1),
            energy_price: None,
        };
        let mut follower = Self {
            state: State::new(),
            effects: Vec::new(),
            seq: 0,
            advice: None,
            stops: Vec::new(),
            alarms: [0; 3],
        };
        follower.step(START_MS, Event::Started { site });
        follower
    }

    fn step(&mut self, at_ms: i64, event: Event) {
        self.seq += 1;
        self.state.step(&Input { seq: self.seq, at: Timestamp(at_ms), event }, &mut self.effects);
        for effect in self.effects.drain(..) {
            match effect {
                Effect::Advice(advice) => self.advice = Some(advice),
                Effect::AlarmChanged(change)
                    if change.state == AlarmState::Unacknowledged
                        && change.previous_state == AlarmState::Normal =>
                {
                    self.alarms[usize::from(change.priority.number()) - 1] += 1;
                }
                _ => {}
            }
        }
    }
}

impl Way for Follower {
    fn minute(&mut self, at_ms: i64, pond: &mut Pond) {
        let sample = |quantity, channel: u16, value| Sample {
            probe: ProbeIndex(0),
            quantity,
            channel: Some(channel),
            value,
            taken_at: None,
        };
        let mut samples = vec![
            sample(Quantity::DoMgL, 0, (pond.oxygen_reading(at_ms) * 100.0).round() / 100.0),
            sample(Quantity::TemperatureC, 1, (pond.water.temperature_c * 100.0).round() / 100.0),
            sample(Quantity::SalinityPsu, 2, (pond.water.salinity_psu * 10.0).round() / 10.0),
        ];
        for (group, aerator) in pond.basin.aerators.iter().enumerate() {
            samples.push(sample(Quantity::AeratorOn, 3 + group as u16, f64::from(u8::from(aerator.running))));
        }
        self.step(at_ms, Event::Sweep { samples });
        let now = Timestamp(at_ms);
        if let Some(advice) = &self.advice {
            let told = now >= advice.at + REACTION;
            match advice.action {
                AdviceAction::StartNow | AdviceAction::StartAt if told => {
                    if advice.start.is_none_or(|start| now >= start) {
                        for &group in &advice.aerators {
                            pond.commanded[usize::from(group)] = true;
                            if let Some(stop) = advice.stop {
                                self.stops.retain(|&(_, known)| known != group);
                                self.stops.push((stop, group));
                            }
                        }
                    }
                }
                AdviceAction::Rest if told => {
                    for &group in &advice.aerators {
                        pond.commanded[usize::from(group)] = false;
                    }
                }
                _ => {}
            }
        }
        let low = pond.oxygen_reading(at_ms) < 5.0;
        self.stops.retain(|&(stop, group)| {
            // Nobody stops an aerator under low oxygen because a clock says so.
            let due = now >= stop && !low;
            if due {
                pond.commanded[usize::from(group)] = false;
            }
            !due
        });
    }
}

fn run(kind: Kind, seed: u64, way: &mut dyn Way) -> Outcome {
    let mut pond = Pond::new(kind, seed);
    let mut outcome = Outcome { lowest_mg_l: f64::INFINITY, ..Outcome::default() };
    let mut running = vec![false; kind.groups.len()];
    for minute in 0..DAYS * 24 * 60 {
        let at_ms = START_MS + minute * 60_000;
        pond.minute(at_ms);
        way.minute(at_ms, &mut pond);
        for (was, aerator) in running.iter_mut().zip(&pond.basin.aerators) {
            outcome.starts += u32::from(aerator.running && !*was);
            *was = aerator.running;
        }
        outcome.kwh += pond.power_kw() / 60.0;
        let oxygen = pond.water.do_mg_l;
        outcome.hours_below_4 += f64::from(u8::from(oxygen < 4.0)) / 60.0;
        outcome.hours_below_3 += f64::from(u8::from(oxygen < 3.0)) / 60.0;
        outcome.lowest_mg_l = outcome.lowest_mg_l.min(oxygen);
    }
    outcome
}

fn seeds() -> Result<Range<u64>, String> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    match args.as_slice() {
        [] => Ok(100..120),
        [flag, range] if flag == "--seeds" => {
            let parts = range.split_once("..").and_then(|(a, b)| Some(a.parse().ok()?..b.parse().ok()?));
            parts.ok_or_else(|| format!("--seeds {range}: accepted is FROM..TO, such as 100..120"))
        }
        _ => Err(format!("{args:?}: accepted is nothing, or --seeds FROM..TO")),
    }
}

fn main() -> Result<(), String> {
    let seeds = seeds()?;
    println!(
        "{DAYS}-day crops, seeds {}..{}; kWh, hours and starts are means of a crop",
        seeds.start, seeds.end
    );
    println!(
        "{:16} {:22} {:>8} {:>7} {:>8} {:>8} {:>7} {:>7}",
        "pond", "way", "kWh", "share", "h < 4", "h < 3", "lowest", "starts"
    );
    let mut totals = [Outcome::default(); 4];
    for kind in KINDS {
        let mut sums = [Outcome { lowest_mg_l: f64::INFINITY, ..Outcome::default() }; 4];
        let mut alarms = [0_u32; 3];
        for seed in seeds.clone() {
            let mut follower = Follower::new(&kind);
            let outcomes = [
                run(kind, seed, &mut Timers { from_day: 0 }),
                run(kind, seed, &mut Timers { from_day: 30 }),
                run(kind, seed, &mut Threshold),
                run(kind, seed, &mut follower),
            ];
            for (sum, outcome) in sums.iter_mut().zip(outcomes) {
                sum.kwh += outcome.kwh;
                sum.hours_below_4 += outcome.hours_below_4;
                sum.hours_below_3 += outcome.hours_below_3;
                sum.starts += outcome.starts;
                sum.lowest_mg_l = sum.lowest_mg_l.min(outcome.lowest_mg_l);
            }
            for (sum, count) in alarms.iter_mut().zip(follower.alarms) {
                *sum += count;
            }
        }
        print(kind.name, &sums, seeds.clone().count() as f64);
        let crops = seeds.clone().count() as f64;
        let [critical, high, medium] = alarms.map(|count| f64::from(count) / crops);
        println!(
            "{:16} alarms a crop under the advice: {critical:.1} critical, {high:.1} high, {medium:.1} medium",
            ""
        );
        for (total, sum) in totals.iter_mut().zip(sums) {
            total.kwh += sum.kwh;
            total.hours_below_4 += sum.hours_below_4;
            total.hours_below_3 += sum.hours_below_3;
            total.starts += sum.starts;
        }
    }
    print("all", &totals, (seeds.count() * KINDS.len()) as f64);
    Ok(())
}

fn print(name: &str, sums: &[Outcome; 4], crops: f64) {
    let ways = ["timers, every night", "timers, from day 30", "on below 4, off above 5", "advice"];
    for (way, sum) in ways.iter().zip(sums) {
        println!(
            "{name:16} {way:22} {:8.0} {:6.0}% {:8.1} {:8.2} {:7.2} {:7.0}",
            sum.kwh / crops,
            100.0 * sum.kwh / sums[0].kwh,
            sum.hours_below_4 / crops,
            sum.hours_below_3 / crops,
            sum.lowest_mg_l,
            f64::from(sum.starts) / crops,
        );
    }
}
