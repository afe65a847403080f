//! A recording through the core, night by night, beside the rivals.

use std::collections::BTreeMap;

use pondreeve_core::effect::{Effect, Forecast};
use pondreeve_core::input::Sample;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Input, Site, Span, State, Timestamp};

use super::measures::Case;
use super::recording::{Place, QUANTITIES, Recording};
use super::rivals;

/// When forecasts are scored.
pub const WHENS: [&str; 3] = ["sunset+2h", "sunset+4h", "midnight"];
/// A forecast older than this is none.
const FRESH: Span = Span::from_minutes(20);
/// Last night's low is from the night before, not longer ago.
const NIGHT_BEFORE: Span = Span::from_hours(26);

/// A night at one of the times.
#[derive(Debug, Clone, Copy)]
pub struct Scored {
    pub ours: Case,
    pub rivals: [f64; 6],
    /// Of the first seven nights of the recording.
    pub is_new: bool,
}

/// What came of a site, per time of [`WHENS`].
#[derive(Debug, Clone, Default)]
pub struct Scores {
    pub nights: [Vec<Scored>; 3],
    /// Nights with a low and no forecast.
    pub without: [usize; 3],
}

impl Scores {
    pub fn add(&mut self, other: &Self) {
        for (place, nights) in self.nights.iter_mut().enumerate() {
            nights.extend(&other.nights[place]);
            self.without[place] += other.without[place];
        }
    }
}

/// The forecasts of each night, in order.
fn forecasts(place: &Place, recording: &Recording) -> BTreeMap<Timestamp, Vec<Forecast>> {
    let rows = &recording.rows;
    let mut steps: Vec<Span> = rows.windows(2).map(|pair| pair[1].at - pair[0].at).collect();
    steps.sort_unstable();
    let every = steps[steps.len() / 2];
    let mut site = Site::single_pond(place.lat, place.lon, 20.0, &QUANTITIES, every);
    site.ponds[0].limits.do_forecast_mg_l[0] = place.alarm_do_mg_l;
    let (mut state, mut effects) = (State::new(), Vec::new());
    state.step(&Input { seq: 0, at: rows[0].at, event: Event::Started { site } }, &mut effects);
    let mut nights: BTreeMap<Timestamp, Vec<Forecast>> = BTreeMap::new();
    for (row, seq) in rows.iter().zip(1..) {
        let samples = row.values.iter().map(|&(quantity, value)| Sample {
            probe: ProbeIndex(0),
            quantity,
            channel: None,
            value,
            taken_at: Some(row.at),
        });
        let event = Event::Sweep { samples: samples.collect() };
        state.step(&Input { seq, at: row.at, event }, &mut effects);
        for effect in effects.drain(..) {
            if let Effect::Forecast(forecast) = effect {
                nights.entry(forecast.sunset).or_default().push(forecast);
            }
        }
    }
    nights
}

/// Scores a site. The daemon sees `fed`; what came, and what the rivals see, is the accepted oxygen of
/// `recording`.
pub fn score(place: &Place, recording: &Recording, fed: &Recording) -> Scores {
    let nights = forecasts(place, fed);
    let mut scores = Scores::default();
    let mut lows: Vec<(Timestamp, f64)> = Vec::new();
    for (night, (&sunset, made)) in nights.iter().enumerate() {
        let Some(sunrise) = made.first().map(|forecast| forecast.sunrise) else { continue };
        let Some(came_mg_l) = recording.lasting_low(sunset, sunrise + Span::from_hours(1)) else { continue };
        let last = lows.last().filter(|(before, _)| sunset - *before < NIGHT_BEFORE).copied();
        lows.push((sunset, came_mg_l));
        let Some((_, last_low)) = last else { continue };
        let is_new = night < 7;
        if !is_new && !place.is_scored(sunset) {
            continue;
        }
        let whens =
            [sunset + Span::from_hours(2), sunset + Span::from_hours(4), place.midnight_after(sunset)];
        for (slot, when) in whens.into_iter().enumerate() {
            let evening: Vec<(f64, f64)> =
                recording.oxygen(sunset, when).map(|(at, value)| ((at - sunset).as_hours(), value)).collect();
            let Some(rivals) = rivals::all(&evening, (sunrise - sunset).as_hours(), last_low) else {
                continue;
            };
            let forecast = made.iter().rfind(|it| it.at <= when && when - it.at <= FRESH);
            let Some(forecast) = forecast else {
                scores.without[slot] += 1;
                continue;
            };
            let chance = forecast.below.iter().find(|below| below.limit_mg_l == place.alarm_do_mg_l);
            scores.nights[slot].push(Scored {
                ours: Case {
                    said_mg_l: forecast.do_min_mg_l,
                    low_80: forecast.low_80,
                    high_80: forecast.high_80,
                    chance: chance.map_or(0.0, |below| below.probability),
                    came_mg_l,
                    is_danger: came_mg_l < place.alarm_do_mg_l,
                },
                rivals,
                is_new,
            });
        }
    }
    scores
}
