//! A recording through the core, night by night, beside the rivals.

use std::collections::BTreeMap;

use pondreeve_core::effect::{Effect, Forecast};
use pondreeve_core::input::Sample;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::sunlight::Night;
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

/// So many nights make a pond a new one, scored apart.
const NEW_NIGHTS: usize = 7;

/// A night at one of the times.
#[derive(Debug, Clone, Copy)]
pub struct Scored {
    pub sunset: Timestamp,
    pub ours: Case,
    /// In the order of [`rivals::NAMES`]; last night's low is no number where a new pond has none.
    pub rivals: [f64; 6],
    /// Of the first [`NEW_NIGHTS`] of the recording.
    pub is_new: bool,
}

/// What came of a site, per time of [`WHENS`].
#[derive(Debug, Clone, Default)]
pub struct Scores {
    pub nights: [Vec<Scored>; 3],
    /// Nights with a low and no forecast, by the reason that the pond gives.
    pub without: [BTreeMap<String, usize>; 3],
}

impl Scores {
    pub fn add(&mut self, other: &Self) {
        for (place, nights) in self.nights.iter_mut().enumerate() {
            nights.extend(&other.nights[place]);
            for (reason, count) in &other.without[place] {
                *self.without[place].entry(reason.clone()).or_default() += count;
            }
        }
    }
}

/// A night of the recording, whether or not the daemon forecast it.
#[derive(Debug, Clone)]
struct Tonight {
    sunset: Timestamp,
    sunrise: Timestamp,
    /// When it is scored, in the order of [`WHENS`].
    whens: [Timestamp; 3],
    forecasts: Vec<Forecast>,
    /// Why there was none, at each of `whens`.
    refusals: [Option<String>; 3],
}

/// The nights that begin within a recording, by the sun alone.
fn nights_of(place: &Place, site: &Site, recording: &Recording) -> Vec<Tonight> {
    let rows = &recording.rows;
    let mut nights = Vec::new();
    let mut at = rows[0].at;
    while at <= rows[rows.len() - 1].at {
        let night = Night::at(site, at, Span::from_hours(0));
        if let Night::Between { sunset, sunrise } = night
            && sunset >= rows[0].at
        {
            nights.push(Tonight {
                sunset,
                sunrise,
                whens: [
                    sunset + Span::from_hours(2),
                    sunset + Span::from_hours(4),
                    place.midnight_after(sunset),
                ],
                forecasts: Vec::new(),
                refusals: [const { None }; 3],
            });
        }
        at = match night {
            Night::Between { sunrise, .. } => sunrise + Span::from_hours(1),
            Night::Never { until } | Night::Always { until } => until,
        };
    }
    nights
}

/// The nights, each with what the daemon said of it when fed `fed`.
fn replayed(place: &Place, fed: &Recording) -> Vec<Tonight> {
    let rows = &fed.rows;
    let every = fed.step();
    let mut site = Site::single_pond(place.lat, place.lon, 20.0, &QUANTITIES, every);
    site.ponds[0].limits.do_forecast_mg_l[0] = place.alarm_do_mg_l;
    let mut nights = nights_of(place, &site, fed);
    let mut looks: Vec<(Timestamp, usize, usize)> = nights
        .iter()
        .enumerate()
        .flat_map(|(night, it)| (0..).zip(it.whens).map(move |(slot, when)| (when, night, slot)))
        .collect();
    looks.sort_unstable();
    let mut looks = looks.into_iter().peekable();
    let (mut state, mut effects) = (State::new(), Vec::new());
    state.step(&Input { seq: 0, at: rows[0].at, event: Event::Started { site } }, &mut effects);
    let mut made: BTreeMap<Timestamp, Vec<Forecast>> = BTreeMap::new();
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
                made.entry(forecast.sunset).or_default().push(forecast);
            }
        }
        while let Some((_, night, slot)) = looks.next_if(|&(when, ..)| when <= row.at) {
            nights[night].refusals[slot] = state.view().ponds[0].no_forecast.clone().map(String::from);
        }
    }
    for night in &mut nights {
        night.forecasts = made.remove(&night.sunset).unwrap_or_default();
    }
    // Left over may be the night that was on when the recording began.
    assert!(made.keys().all(|&sunset| sunset < rows[0].at), "nights that the sun does not know: {made:?}");
    nights
}

/// A reason without its figures, so that like reasons count as one.
fn plain(reason: &str) -> String {
    let words =
        reason.split(' ').map(|word| if word.starts_with(|c: char| c.is_ascii_digit()) { "…" } else { word });
    words.collect::<Vec<_>>().join(" ")
}

/// Scores a site. The daemon sees `fed`; what came, and what the rivals see, is the accepted oxygen of
/// `recording`. The nights are those of the sun, so that one on which the daemon said nothing counts too.
pub fn score(place: &Place, recording: &Recording, fed: &Recording) -> Scores {
    let mut scores = Scores::default();
    let mut before: Option<(Timestamp, f64)> = None;
    for (night, tonight) in replayed(place, fed).into_iter().enumerate() {
        let (sunset, sunrise) = (tonight.sunset, tonight.sunrise);
        let Some(came_mg_l) = recording.lasting_low(sunset, sunrise + Span::from_hours(1)) else { continue };
        let last_low = before.replace((sunset, came_mg_l));
        let last_low = last_low.filter(|(at, _)| sunset - *at < NIGHT_BEFORE).map(|(_, low)| low);
        // A new pond has no night before its first, and is forecast all the same.
        let is_new = night < NEW_NIGHTS;
        if !is_new && (last_low.is_none() || !place.is_scored(sunset)) {
            continue;
        }
        for (slot, when) in tonight.whens.into_iter().enumerate() {
            let evening: Vec<(f64, f64)> =
                recording.oxygen(sunset, when).map(|(at, value)| ((at - sunset).as_hours(), value)).collect();
            let dawn_h = (sunrise - sunset).as_hours();
            let Some(rivals) = rivals::all(&evening, dawn_h, last_low.unwrap_or(f64::NAN)) else {
                continue;
            };
            let forecast = tonight.forecasts.iter().rfind(|it| it.at <= when && when - it.at <= FRESH);
            let Some(forecast) = forecast else {
                let reason = tonight.refusals[slot].as_deref().map_or("no reason given".to_owned(), plain);
                *scores.without[slot].entry(reason).or_default() += 1;
                continue;
            };
            let chance = forecast.below.iter().find(|below| below.limit_mg_l == place.alarm_do_mg_l);
            scores.nights[slot].push(Scored {
                sunset,
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
