//! A farm of two invented ponds and a driver that collects what the core says.
#![allow(dead_code, unreachable_pub, clippy::allow_attributes, reason = "each test file uses a part of it")]

use pondreeve_core::call::CallPlan;
use pondreeve_core::effect::{Advice, AlarmState, Effect, Flag, Forecast};
use pondreeve_core::input::Sample;
use pondreeve_core::site::{AeratorGroup, Channel, Limits, Pond, PondIndex, Probe, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Site, Span, State, Timestamp};

/// Minutes since an arbitrary midnight UTC, 2026-11-25.
pub fn at(minutes: i64) -> Timestamp {
    Timestamp(1_795_564_800_000) + Span::from_minutes(minutes)
}

/// A length of time.
pub fn minutes(minutes: i64) -> Span {
    Span::from_minutes(minutes)
}

fn probe(id: &str, pond: u16, quantities: &[Quantity]) -> Probe {
    Probe {
        id: id.into(),
        pond: Some(PondIndex(pond)),
        link: "line".into(),
        node: None,
        channels: quantities.iter().map(|&quantity| Channel::uncorrected(quantity)).collect(),
    }
}

/// Two ponds at the equator, longitude 0.
pub fn site() -> Site {
    let group = |id: &str| AeratorGroup {
        id: id.into(),
        power_kw: 4.5,
        sae_kg_kwh: 1.2,
        must_run: false,
        timer: None,
    };
    let pond = |id: &str, name: &str| Pond {
        id: id.into(),
        name: name.into(),
        area_m2: 5_000.0,
        depth_m: 1.5,
        salinity_psu: 18.0,
        aerators: vec![group("a"), group("b")],
        limits: Limits::grow_out(),
        aeration_risk: 0.1,
        dose_every: None,
        like: None,
    };
    use Quantity::{DoMgL, Ph, TemperatureC};
    Site {
        gateway: "gw1".into(),
        latitude_deg: 0.0,
        longitude_deg: 0.0,
        pressure_hpa: 1013.25,
        ponds: vec![pond("p1", "Heron"), pond("p2", "Ibis")],
        probes: vec![
            probe("do11", 0, &[DoMgL]),
            probe("ph12", 0, &[Ph, TemperatureC]),
            probe("do21", 1, &[DoMgL]),
            probe("ph22", 1, &[Ph, TemperatureC]),
        ],
        summary_every: Span::from_minutes(15),
        energy_price: None,
        calls: CallPlan::default(),
    }
}

/// The same with the usual plan of calls.
pub fn site_with_calls() -> Site {
    Site { calls: CallPlan::usual(), ..site() }
}

/// The driver.
pub struct Farm {
    pub state: State,
    pub effects: Vec<Effect>,
    seq: u64,
}

impl Farm {
    pub fn start(minute: i64) -> Self {
        Self::start_with(minute, site())
    }

    pub fn start_with(minute: i64, site: Site) -> Self {
        let mut farm = Self { state: State::new(), effects: Vec::new(), seq: 0 };
        farm.event(minute, Event::Started { site });
        farm
    }

    pub fn event(&mut self, minute: i64, event: Event) {
        self.seq += 1;
        self.state.step(&Input { seq: self.seq, at: at(minute), event }, &mut self.effects);
    }

    pub fn wake(&mut self, minute: i64) {
        self.state.wake(at(minute), &mut self.effects);
    }

    /// Samples of the first pond, from whichever of its probes measures them.
    pub fn sweep(&mut self, minute: i64, values: &[(Quantity, f64)]) {
        let samples = values
            .iter()
            .map(|&(quantity, value)| Sample {
                probe: ProbeIndex(u16::from(quantity != Quantity::DoMgL)),
                quantity,
                channel: None,
                value,
                taken_at: None,
            })
            .collect();
        self.event(minute, Event::Sweep { samples });
    }

    pub fn oxygen(&mut self, minute: i64, value: f64) {
        self.sweep(minute, &[(Quantity::DoMgL, value)]);
    }

    /// A reading each minute in `[from, to)`.
    pub fn hold_oxygen(&mut self, from: i64, to: i64, value: f64) {
        for minute in from..to {
            // A value that never moved would be a stuck probe.
            self.oxygen(minute, value + 0.02 * ((minute % 3) as f64 - 1.0));
        }
    }

    pub fn enter(&mut self, minute: i64, quantity: Quantity, value: f64) {
        let event = Event::ManualSample {
            pond: PondIndex(0),
            quantity,
            value,
            taken_at: None,
            by: "technician".into(),
        };
        self.event(minute, event);
    }

    pub fn acknowledge(&mut self, minute: i64, id: &str) {
        self.event(minute, Event::Acknowledge { alarm: id.into(), by: "technician".into() });
    }

    /// When an alarm went from normal to unacknowledged.
    pub fn raised(&self, id: &str) -> Vec<Timestamp> {
        let changes = self.effects.iter().filter_map(|effect| match effect {
            Effect::AlarmChanged(change)
                if change.id == id && change.previous_state == AlarmState::Normal =>
            {
                Some(change.at)
            }
            _ => None,
        });
        changes.collect()
    }

    pub fn state(&self, id: &str) -> AlarmState {
        let view = self.state.view();
        view.alarms.iter().find(|alarm| alarm.id == id).map_or(AlarmState::Normal, |alarm| alarm.state)
    }

    /// The message with which an alarm was last announced.
    pub fn message(&self, id: &str) -> String {
        let changes = self.effects.iter().rev().find_map(|effect| match effect {
            Effect::AlarmChanged(change) if change.id == id => Some(change.message.clone()),
            _ => None,
        });
        changes.unwrap_or_default()
    }

    pub fn horn(&self) -> Vec<(Timestamp, bool)> {
        let horn = self.effects.iter().filter_map(|effect| match effect {
            Effect::Horn { at, sound } => Some((*at, *sound)),
            _ => None,
        });
        horn.collect()
    }

    /// Each call: the step, the minute, and the alarms it was for.
    pub fn calls(&self) -> Vec<(String, i64, Vec<String>)> {
        let calls = self.effects.iter().filter_map(|effect| match effect {
            Effect::Call(call) => Some((
                call.step.clone(),
                (call.at - at(0)).as_millis() / 60_000,
                call.alarms.iter().map(|alarm| alarm.id.clone()).collect(),
            )),
            _ => None,
        });
        calls.collect()
    }

    pub fn refused(&self) -> Vec<String> {
        let refused = self.effects.iter().filter_map(|effect| match effect {
            Effect::Refused { reason, .. } => Some(reason.english().to_owned()),
            _ => None,
        });
        refused.collect()
    }

    pub fn flags(&self, quantity: Quantity) -> Vec<Flag> {
        let flags = self.effects.iter().filter_map(|effect| match effect {
            Effect::Reading(reading) if reading.quantity == quantity => Some(reading.flag),
            _ => None,
        });
        flags.collect()
    }

    pub fn derived(&self, quantity: Quantity) -> Vec<f64> {
        let values = self.effects.iter().filter_map(|effect| match effect {
            Effect::Derived(derived) if derived.quantity == quantity => Some(derived.value),
            _ => None,
        });
        values.collect()
    }

    pub fn forecasts(&self) -> Vec<Forecast> {
        let forecasts = self.effects.iter().filter_map(|effect| match effect {
            Effect::Forecast(forecast) if forecast.pond == PondIndex(0) => Some(forecast.clone()),
            _ => None,
        });
        forecasts.collect()
    }

    pub fn advice(&self) -> Vec<Advice> {
        let advice = self.effects.iter().filter_map(|effect| match effect {
            Effect::Advice(advice) if advice.pond == PondIndex(0) => Some(advice.clone()),
            _ => None,
        });
        advice.collect()
    }

    pub fn last_advice(&self) -> Advice {
        self.advice().pop().expect("some advice was given")
    }
}
