//! Effects as JSON lines: one object a line, each with `kind`, `pond` and `at`.

use std::collections::VecDeque;
use std::io::{self, Write};

use pondreeve_core::effect::{Advice, AlarmChange, Amended, Derived, Effect, Flag, Forecast, Reading, Test};
use pondreeve_core::quality::merge;
use pondreeve_core::{Site, Span, Timestamp};
use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};

/// What can be printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Kind {
    /// Each judged reading
    Reading,
    /// Each derived value
    Derived,
    /// Where the night's oxygen is heading
    Forecast,
    /// Each change of state of an alarm
    Alarm,
    /// Each change of advice
    Advice,
}

/// Longer than any amendment reaches back.
const HELD_FOR: Span = Span::from_hours(49);

/// Writes effects of one farm.
///
/// A reading is held back, and with it what came after it, until no later verdict can change its flag,
/// so that each comes out once and finally judged.
pub(super) struct Lines<'a, W> {
    out: W,
    site: &'a Site,
    /// Empty: all.
    only: &'a [Kind],
    /// What is held back, oldest first.
    held: VecDeque<Held>,
}

struct Held {
    effect: Effect,
    at: Timestamp,
    /// The flag a reading had when it came, where a later verdict changed it.
    at_first: Option<Flag>,
}

impl<'a, W: Write> Lines<'a, W> {
    pub(super) fn new(out: W, site: &'a Site, only: &'a [Kind]) -> Self {
        Self { out, site, only, held: VecDeque::new() }
    }

    /// Takes one effect: writes it, or holds it back while readings before it may still be amended.
    pub(super) fn write(&mut self, effect: Effect) -> io::Result<()> {
        if !self.wants(Kind::Reading) {
            return self.print(&effect, None);
        }
        let at = match &effect {
            Effect::Amended(amended) => {
                self.amend(amended);
                return Ok(());
            }
            Effect::Reading(reading) => reading.at,
            Effect::Derived(derived) => derived.at,
            Effect::Forecast(forecast) => forecast.at,
            Effect::AlarmChanged(change) => change.at,
            Effect::Advice(advice) => advice.at,
            _ => return Ok(()),
        };
        if self.wants_effect(&effect) {
            self.held.push_back(Held { effect, at, at_first: None });
        }
        // A reading's own time may lie before that of its arrival: those in front decide.
        while self.held.front().is_some_and(|held| at - held.at > HELD_FOR) {
            self.release()?;
        }
        Ok(())
    }

    fn release(&mut self) -> io::Result<()> {
        let Some(Held { effect, at_first, .. }) = self.held.pop_front() else { return Ok(()) };
        self.print(&effect, at_first)
    }

    fn amend(&mut self, amended: &Amended) {
        for held in self.held.iter_mut().rev() {
            if held.at < amended.from - Span::from_hours(1) {
                break;
            }
            let Effect::Reading(reading) = &mut held.effect else { continue };
            let is_meant = reading.probe == Some(amended.probe)
                && reading.quantity == amended.quantity
                && reading.raw.is_some()
                && (amended.from..=amended.to).contains(&reading.at);
            if !is_meant {
                continue;
            }
            let before = reading.flag;
            match reading.tests.iter_mut().find(|(test, _)| *test == amended.test) {
                Some((_, flag)) => *flag = (*flag).max(amended.flag),
                None => reading.tests.push((amended.test, amended.flag)),
            }
            reading.flag = merge(&reading.tests);
            if reading.flag != before {
                held.at_first.get_or_insert(before);
            }
        }
    }

    fn wants_effect(&self, effect: &Effect) -> bool {
        match effect {
            Effect::Reading(_) => self.wants(Kind::Reading),
            Effect::Derived(_) => self.wants(Kind::Derived),
            Effect::Forecast(_) => self.wants(Kind::Forecast),
            Effect::AlarmChanged(_) => self.wants(Kind::Alarm),
            Effect::Advice(_) => self.wants(Kind::Advice),
            _ => false,
        }
    }

    /// Writes one effect, if it is of a kind that is wanted.
    fn print(&mut self, effect: &Effect, at_first: Option<Flag>) -> io::Result<()> {
        match effect {
            Effect::Reading(reading) if self.wants(Kind::Reading) => {
                let line = self.reading(reading, at_first);
                self.line(&line)
            }
            Effect::Derived(derived) if self.wants(Kind::Derived) => {
                let line = self.derived(derived);
                self.line(&line)
            }
            Effect::Forecast(forecast) if self.wants(Kind::Forecast) => {
                let line = self.forecast(forecast);
                self.line(&line)
            }
            Effect::AlarmChanged(change) if self.wants(Kind::Alarm) => {
                let line = self.alarm(change);
                self.line(&line)
            }
            Effect::Advice(advice) if self.wants(Kind::Advice) => {
                let line = self.advice(advice);
                self.line(&line)
            }
            _ => Ok(()),
        }
    }

    /// Hands everything to the reader, whatever is still held back included.
    pub(super) fn flush(&mut self) -> io::Result<()> {
        while !self.held.is_empty() {
            self.release()?;
        }
        self.out.flush()
    }

    fn wants(&self, kind: Kind) -> bool {
        self.only.is_empty() || self.only.contains(&kind)
    }

    fn line(&mut self, line: &impl Serialize) -> io::Result<()> {
        serde_json::to_writer(&mut self.out, line)?;
        self.out.write_all(b"\n")
    }

    fn pond(&self, index: pondreeve_core::site::PondIndex) -> Option<&'a str> {
        self.site.ponds.get(usize::from(index.0)).map(|pond| pond.id.as_str())
    }

    fn reading<'r>(&self, reading: &'r Reading, at_first: Option<Flag>) -> Line<'a, ReadingLine<'r>> {
        let body = ReadingLine {
            quantity: reading.quantity.id(),
            raw: reading.raw,
            value: reading.value,
            flag: reading.flag.code(),
            flag_at_first: at_first.map(Flag::code),
            tests: Tests(&reading.tests),
        };
        Line {
            kind: "reading",
            pond: reading.pond.and_then(|pond| self.pond(pond)),
            at: At(reading.at),
            body,
        }
    }

    fn derived(&self, derived: &Derived) -> Line<'a, DerivedLine> {
        let body =
            DerivedLine { quantity: derived.quantity.id(), value: derived.value, flag: derived.flag.code() };
        Line { kind: "derived", pond: self.pond(derived.pond), at: At(derived.at), body }
    }

    fn forecast<'f>(&self, forecast: &'f Forecast) -> Line<'a, ForecastLine<'f>> {
        let body = ForecastLine {
            sunset: At(forecast.sunset),
            sunrise: At(forecast.sunrise),
            do_min_mg_l: forecast.do_min_mg_l,
            do_min_at: At(forecast.do_min_at),
            low_80: forecast.low_80,
            high_80: forecast.high_80,
            do_sunrise_mg_l: forecast.do_sunrise_mg_l,
            night_slope_mg_l_h: forecast.night_slope_mg_l_h,
            slope_if_aerators_stop_mg_l_h: forecast.slope_if_aerators_stop_mg_l_h,
            below: Below(forecast),
            probability_below: ProbabilityBelow(forecast),
            basis: &forecast.basis,
        };
        Line { kind: "forecast", pond: self.pond(forecast.pond), at: At(forecast.at), body }
    }

    fn alarm<'c>(&self, change: &'c AlarmChange) -> Line<'a, AlarmLine<'c>> {
        let body = AlarmLine {
            id: &change.id,
            name: &change.name,
            priority: change.priority.number(),
            state: change.state.id(),
            previous_state: change.previous_state.id(),
            message: &change.message,
            shelved_until: change.shelf.as_ref().map(|shelf| At(shelf.until)),
            root: change.root.as_deref(),
        };
        Line { kind: "alarm", pond: change.pond.and_then(|pond| self.pond(pond)), at: At(change.at), body }
    }

    fn advice<'v>(&self, advice: &'v Advice) -> Line<'a, AdviceLine<'a, 'v>> {
        let groups = self.site.ponds.get(usize::from(advice.pond.0)).map(|pond| pond.aerators.as_slice());
        let aerators = advice
            .aerators
            .iter()
            .filter_map(|&group| groups?.get(usize::from(group)).map(|group| group.id.as_str()))
            .collect();
        let body = AdviceLine {
            action: advice.action.id(),
            aerators,
            start: advice.start.map(At),
            stop: advice.stop.map(At),
            kwh: advice.kwh,
            reason: &advice.reason,
        };
        Line { kind: "advice", pond: self.pond(advice.pond), at: At(advice.at), body }
    }
}

#[derive(Serialize)]
struct Line<'a, B> {
    kind: &'static str,
    pond: Option<&'a str>,
    at: At,
    #[serde(flatten)]
    body: B,
}

#[derive(Serialize)]
struct ReadingLine<'r> {
    quantity: &'static str,
    raw: Option<f64>,
    value: Option<f64>,
    flag: u8,
    #[serde(skip_serializing_if = "Option::is_none")]
    flag_at_first: Option<u8>,
    tests: Tests<'r>,
}

#[derive(Serialize)]
struct DerivedLine {
    quantity: &'static str,
    value: f64,
    flag: u8,
}

#[derive(Serialize)]
struct ForecastLine<'f> {
    sunset: At,
    sunrise: At,
    do_min_mg_l: f64,
    do_min_at: At,
    low_80: f64,
    high_80: f64,
    do_sunrise_mg_l: f64,
    night_slope_mg_l_h: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    slope_if_aerators_stop_mg_l_h: Option<f64>,
    below: Below<'f>,
    probability_below: ProbabilityBelow<'f>,
    basis: &'f str,
}

#[derive(Serialize)]
struct AlarmLine<'c> {
    id: &'c str,
    name: &'c str,
    priority: u8,
    state: &'static str,
    previous_state: &'static str,
    message: &'c str,
    #[serde(skip_serializing_if = "Option::is_none")]
    shelved_until: Option<At>,
    #[serde(skip_serializing_if = "Option::is_none")]
    root: Option<&'c str>,
}

#[derive(Serialize)]
struct AdviceLine<'a, 'v> {
    action: &'static str,
    aerators: Vec<&'a str>,
    start: Option<At>,
    stop: Option<At>,
    kwh: f64,
    reason: &'v str,
}

/// A time in RFC 3339, UTC.
#[derive(Debug, Clone, Copy)]
pub(crate) struct At(pub(crate) Timestamp);

impl std::fmt::Display for At {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Outside the years -9999 to 9999 there is no RFC 3339 time; the nearest is written.
        let ms = self.0.as_millis();
        let limit = if ms < 0 { jiff::Timestamp::MIN } else { jiff::Timestamp::MAX };
        jiff::Timestamp::from_millisecond(ms).unwrap_or(limit).fmt(f)
    }
}

impl Serialize for At {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

struct Tests<'r>(&'r [(Test, Flag)]);

impl Serialize for Tests<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|(test, flag)| (test.id(), flag.code())))
    }
}

struct Below<'f>(&'f Forecast);

impl Serialize for Below<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.below.len()))?;
        for crossing in &self.0.below {
            map.serialize_entry(&Limit(crossing.limit_mg_l), &crossing.at.map(At))?;
        }
        map.end()
    }
}

struct ProbabilityBelow<'f>(&'f Forecast);

impl Serialize for ProbabilityBelow<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.below.len()))?;
        for crossing in &self.0.below {
            map.serialize_entry(&Limit(crossing.limit_mg_l), &crossing.probability)?;
        }
        map.end()
    }
}

/// A limit as the name of a member: `4`, `3.5`.
struct Limit(f64);

impl Serialize for Limit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(&self.0)
    }
}
