//! Scores the night's forecast on recorded readings, beside last night's low and persistence.
//!
//! `cargo run --release -p pondreeve-core --example night_score -- FOLDER`, where FOLDER holds
//! `sites.csv` (file, site, kind, lat, lon, utc_offset_h, first_month, last_month, …) and the files it
//! names, each with `time_utc` and `do_mg_l` columns. Scored is the lowest oxygen that lasts about an
//! hour (lowest running median of three half-hour means) between sunset and sunrise + 1 h, on nights
//! with readings in at least nine tenths of the half hours.

use std::collections::BTreeMap;
use std::path::Path;
use std::{env, fs, process};

use pondreeve_core::effect::{Effect, Forecast};
use pondreeve_core::input::Sample;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Input, Quantity, Site, Span, State, Timestamp};

const QUANTITIES: [Quantity; 4] =
    [Quantity::DoMgL, Quantity::TemperatureC, Quantity::SalinityPsu, Quantity::Ph];

/// Milliseconds since 1970 of `2012-05-01T00:30:00Z` (days from civil date, proleptic Gregorian).
fn millis(text: &str) -> Option<i64> {
    let number = |from: usize, to: usize| text.get(from..to)?.parse::<i64>().ok();
    let (year, month, day) = (number(0, 4)?, number(5, 7)?, number(8, 10)?);
    let shifted = if month <= 2 { year - 1 } else { year };
    let era = shifted.div_euclid(400);
    let year_of_era = shifted - era * 400;
    let day_of_year = (153 * (month + if month > 2 { -3 } else { 9 }) + 2) / 5 + day - 1;
    let days =
        era * 146_097 + year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year - 719_468;
    Some(((days * 24 + number(11, 13)?) * 60 + number(14, 16)?) * 60_000 + number(17, 19)? * 1_000)
}

struct Rows {
    times: Vec<Timestamp>,
    values: Vec<Vec<(Quantity, f64)>>,
}

fn read(path: &Path) -> Rows {
    let text = fs::read_to_string(path).unwrap_or_else(|error| {
        eprintln!("cannot read {}: {error}", path.display());
        process::exit(1);
    });
    let mut lines = text.lines();
    let header: Vec<Option<Quantity>> =
        lines.next().unwrap_or_default().split(',').map(Quantity::from_id).collect();
    let mut rows = Rows { times: Vec::new(), values: Vec::new() };
    for line in lines {
        let mut cells = line.split(',').zip(&header);
        let Some(at) = cells.next().and_then(|(cell, _)| millis(cell)) else { continue };
        let values = cells
            .filter_map(|(cell, &quantity)| {
                Some((quantity.filter(|it| QUANTITIES.contains(it))?, cell.parse().ok()?))
            })
            .collect();
        rows.times.push(Timestamp(at));
        rows.values.push(values);
    }
    rows
}

fn median_of_three(three: &[f64]) -> f64 {
    let mut three = three.to_vec();
    three.sort_by(f64::total_cmp);
    three[1]
}

/// The low that lasted between two moments.
fn lasting_low(rows: &Rows, from: Timestamp, to: Timestamp) -> Option<f64> {
    let mut blocks: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
    let start = rows.times.partition_point(|&at| at < from);
    for (at, values) in rows.times.iter().zip(&rows.values).skip(start).take_while(|(at, _)| **at <= to) {
        for &(_, value) in values.iter().filter(|(quantity, _)| *quantity == Quantity::DoMgL) {
            let block = blocks.entry((*at - from).as_millis() / 1_800_000).or_default();
            *block = (block.0 + value, block.1 + 1.0);
        }
    }
    let expected = (to - from).as_hours() * 2.0;
    if (blocks.len() as f64) < 0.9 * expected {
        return None;
    }
    let means: Vec<f64> = blocks.values().map(|(sum, count)| sum / count).collect();
    means.windows(3).map(median_of_three).min_by(f64::total_cmp)
}

#[derive(Default)]
struct Score {
    nights: f64,
    error: f64,
    bias: f64,
    inside: f64,
    width: f64,
    last_low: f64,
    persistence: f64,
}

fn main() {
    let folder = env::args().nth(1).unwrap_or_else(|| {
        eprintln!("usage: night_score FOLDER, the folder that holds sites.csv");
        process::exit(2);
    });
    let folder = Path::new(&folder);
    let sites = fs::read_to_string(folder.join("sites.csv")).unwrap_or_else(|error| {
        eprintln!("cannot read sites.csv in {}: {error}", folder.display());
        process::exit(1);
    });
    let mut pooled: Vec<Score> = (0..4).map(|_| Score::default()).collect();
    println!("site                 when        nights  MAE   bias  cover width | last low  persistence");
    for line in sites.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let number = |place: usize| fields[place].parse::<f64>().unwrap_or_default();
        let rows = read(&folder.join(fields[0]));
        let every = rows.times.get(1).map_or(Span::from_minutes(30), |&second| second - rows.times[0]);
        let site = Site::single_pond(number(3), number(4), 20.0, &QUANTITIES, every);
        let (mut state, mut effects, mut forecasts) = (State::new(), Vec::new(), Vec::<Forecast>::new());
        state.step(&Input { seq: 0, at: rows.times[0], event: Event::Started { site } }, &mut effects);
        for (seq, (&at, values)) in rows.times.iter().zip(&rows.values).enumerate() {
            let samples = values
                .iter()
                .map(|&(quantity, value)| Sample {
                    probe: ProbeIndex(0),
                    quantity,
                    channel: None,
                    value,
                    taken_at: Some(at),
                })
                .collect();
            state.step(&Input { seq: seq as u64 + 1, at, event: Event::Sweep { samples } }, &mut effects);
            forecasts.extend(effects.drain(..).filter_map(|effect| match effect {
                Effect::Forecast(forecast) => Some(forecast),
                _ => None,
            }));
        }
        let mut scores: Vec<Score> = (0..4).map(|_| Score::default()).collect();
        let mut lows: BTreeMap<Timestamp, f64> = BTreeMap::new();
        for forecast in &forecasts {
            if !lows.contains_key(&forecast.sunset)
                && let Some(low) = lasting_low(&rows, forecast.sunset, forecast.sunrise + Span::from_hours(1))
            {
                lows.insert(forecast.sunset, low);
            }
        }
        for (&sunset, &low) in &lows {
            let month = 1 + ((sunset.as_millis() / 86_400_000) % 365) / 31;
            if month < number(6) as i64 || month > number(7) as i64 {
                continue;
            }
            let yesterday =
                lows.range(..sunset).next_back().filter(|(at, _)| sunset - **at < Span::from_hours(26));
            let Some((_, &last_low)) = yesterday else { continue };
            let tonight: Vec<&Forecast> =
                forecasts.iter().filter(|forecast| forecast.sunset == sunset).collect();
            let local_midnight = {
                let day = 86_400_000;
                let offset = (number(5) * 3_600_000.0) as i64;
                Timestamp(((sunset.as_millis() + offset).div_euclid(day) + 1) * day - offset)
            };
            let whens = [sunset, sunset + Span::from_hours(2), sunset + Span::from_hours(4), local_midnight];
            for ((when, score), pool) in whens.into_iter().zip(&mut scores).zip(&mut pooled) {
                let Some(forecast) = tonight.iter().rev().find(|forecast| forecast.at <= when) else {
                    continue;
                };
                if when - forecast.at > Span::from_minutes(20) {
                    continue;
                }
                let now = forecast.below.first().map_or(0.0, |_| {
                    let index = rows.times.partition_point(|&at| at <= when).saturating_sub(1);
                    rows.values[index]
                        .iter()
                        .find(|(quantity, _)| *quantity == Quantity::DoMgL)
                        .map_or(last_low, |it| it.1)
                });
                for score in [score, pool] {
                    score.nights += 1.0;
                    score.error += (forecast.do_min_mg_l - low).abs();
                    score.bias += forecast.do_min_mg_l - low;
                    score.inside += f64::from(u8::from((forecast.low_80..=forecast.high_80).contains(&low)));
                    score.width += forecast.high_80 - forecast.low_80;
                    score.last_low += (last_low - low).abs();
                    score.persistence += (now - low).abs();
                }
            }
        }
        print(fields[1], &scores);
    }
    print("pooled", &pooled);
}

fn print(site: &str, scores: &[Score]) {
    for (when, score) in ["sunset", "sunset+2h", "sunset+4h", "midnight"].iter().zip(scores) {
        let n = score.nights.max(1.0);
        println!(
            "{site:20} {when:11} {:6} {:5.2} {:6.2} {:6.2} {:5.2} | {:8.2}  {:8.2}",
            score.nights,
            score.error / n,
            score.bias / n,
            score.inside / n,
            score.width / n,
            score.last_low / n,
            score.persistence / n,
        );
    }
}
