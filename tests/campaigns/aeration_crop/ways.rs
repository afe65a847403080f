//! Three ways of running aerators, and what each did to a pond.

use std::ops::Range;

use pondreeve_core::effect::{Advice, AdviceAction, AlarmState, Effect};
use pondreeve_core::input::Sample;
use pondreeve_core::site::{Channel, PondIndex, Probe, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Span, State, Timestamp};

use super::pond::{Kind, OFFSET_MS, Pond, START_MS, site_of};

/// What one way of running did.
#[derive(Debug, Clone, Copy, Default)]
pub struct Outcome {
    pub kwh: f64,
    pub hours_below_4: f64,
    pub hours_below_3: f64,
    pub lowest_mg_l: f64,
    pub starts: u32,
}

/// Switches aerators once a minute.
pub trait Way {
    fn minute(&mut self, at_ms: i64, pond: &mut Pond);
}

/// Local hour of the day.
fn hour(at_ms: i64) -> f64 {
    (at_ms + OFFSET_MS).rem_euclid(86_400_000) as f64 / 3_600_000.0
}

pub struct Timers {
    pub from_day: i64,
}

impl Way for Timers {
    fn minute(&mut self, at_ms: i64, pond: &mut Pond) {
        let day = (at_ms - START_MS).div_euclid(86_400_000);
        let dark = !(6.0..18.0).contains(&hour(at_ms));
        pond.commanded.fill(dark && day >= self.from_day);
    }
}

pub struct Threshold;

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
pub struct Follower {
    state: State,
    effects: Vec<Effect>,
    seq: u64,
    advice: Option<Advice>,
    /// Groups to stop at a time.
    stops: Vec<(Timestamp, u16)>,
    pub alarms: [u32; 3],
}

/// Minutes until the person has acted.
const REACTION: Span = Span::from_minutes(8);

impl Follower {
    pub fn new(kind: &Kind) -> Self {
        let motor =
            |group: u16| Channel { aerator: Some(group), ..Channel::uncorrected(Quantity::AeratorOn) };
        let mut channels: Vec<Channel> =
            [Quantity::DoMgL, Quantity::TemperatureC, Quantity::SalinityPsu].map(Channel::uncorrected).into();
        channels.extend((0..kind.groups.len() as u16).map(motor));
        let probe =
            Probe { id: "sonde".into(), pond: Some(PondIndex(0)), link: String::new(), node: None, channels };
        let site = site_of(kind, "crop", vec![probe]);
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
        for effect in &self.effects {
            match effect {
                Effect::Advice(advice) => self.advice = Some(advice.clone()),
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

impl Follower {
    /// Takes this minute's readings and says what comes of them.
    pub fn look(&mut self, at_ms: i64, pond: &mut Pond) -> impl Iterator<Item = Effect> {
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
        self.effects.drain(..)
    }
}

impl Way for Follower {
    fn minute(&mut self, at_ms: i64, pond: &mut Pond) {
        self.look(at_ms, pond).for_each(drop);
        let now = Timestamp(at_ms);
        if let Some(advice) = &self.advice {
            let told = now >= advice.at + REACTION;
            match advice.action {
                AdviceAction::StartNow | AdviceAction::StartAt
                    if told && advice.start.is_none_or(|start| now >= start) =>
                {
                    for &group in &advice.aerators {
                        pond.commanded[usize::from(group)] = true;
                        if let Some(stop) = advice.stop {
                            self.stops.retain(|&(_, known)| known != group);
                            self.stops.push((stop, group));
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

/// Runs a pond over some days of its crop.
pub fn run(kind: Kind, seed: u64, days: Range<i64>, way: &mut dyn Way) -> Outcome {
    let mut pond = Pond::new(kind, seed);
    let mut outcome = Outcome { lowest_mg_l: f64::INFINITY, ..Outcome::default() };
    let mut running = vec![false; kind.groups.len()];
    for minute in days.start * 24 * 60..days.end * 24 * 60 {
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
