//! What the night's forecast is worth on a pond whose aerators run by timers: a program that only looks
//! on, and each morning what came.

use std::collections::BTreeMap;

use pondreeve_core::effect::{Effect, Forecast};
use pondreeve_core::{Span, Timestamp};

use super::pond::Pond;
use super::ways::{Follower, Timers, Way};

/// Sums over nights, of the forecast two hours after sunset.
#[derive(Debug, Clone, Copy, Default)]
pub struct NightScore {
    pub nights: f64,
    pub error_mg_l: f64,
    /// Where last night's low is taken for tonight's.
    pub last_low_error_mg_l: f64,
    pub inside_80: f64,
    pub width_mg_l: f64,
}

impl NightScore {
    pub fn add(&mut self, other: Self) {
        self.nights += other.nights;
        self.error_mg_l += other.error_mg_l;
        self.last_low_error_mg_l += other.last_low_error_mg_l;
        self.inside_80 += other.inside_80;
        self.width_mg_l += other.width_mg_l;
    }
}

/// Timers, and one who looks on.
pub struct Watched {
    pub timers: Timers,
    pub watcher: Follower,
    /// Half-hour means of the true oxygen, by half hours since 1970: sum and count.
    halves: BTreeMap<i64, (f64, f64)>,
    forecasts: Vec<Forecast>,
}

const HALF_HOUR_MS: i64 = 1_800_000;

impl Watched {
    pub fn new(timers: Timers, watcher: Follower) -> Self {
        Self { timers, watcher, halves: BTreeMap::new(), forecasts: Vec::new() }
    }

    /// The lowest oxygen that lasted about an hour: lowest running median of three half-hour means.
    fn low_mg_l(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        let halves = |at: Timestamp| at.as_millis().div_euclid(HALF_HOUR_MS);
        let means: Vec<f64> =
            self.halves.range(halves(from)..=halves(to)).map(|(_, (sum, count))| sum / count).collect();
        let medians = means.windows(3).map(|three| {
            let mut three = [three[0], three[1], three[2]];
            three.sort_by(f64::total_cmp);
            three[1]
        });
        medians.min_by(f64::total_cmp)
    }

    pub fn score(&self) -> NightScore {
        let mut score = NightScore::default();
        let mut last_low = None;
        let mut nights: BTreeMap<Timestamp, &Forecast> = BTreeMap::new();
        for forecast in &self.forecasts {
            let after = forecast.at - forecast.sunset;
            if after <= Span::from_hours(2) {
                nights.insert(forecast.sunset, forecast);
            }
        }
        for (sunset, forecast) in nights {
            let low = self.low_mg_l(sunset, forecast.sunrise + Span::from_hours(1));
            let before = std::mem::replace(&mut last_low, low);
            let (Some(low), Some(before)) = (low, before) else { continue };
            score.nights += 1.0;
            score.error_mg_l += (forecast.do_min_mg_l - low).abs();
            score.last_low_error_mg_l += (before - low).abs();
            score.inside_80 += f64::from(u8::from((forecast.low_80..=forecast.high_80).contains(&low)));
            score.width_mg_l += forecast.high_80 - forecast.low_80;
        }
        score
    }
}

impl Way for Watched {
    fn minute(&mut self, at_ms: i64, pond: &mut Pond) {
        self.timers.minute(at_ms, pond);
        let half = self.halves.entry(at_ms.div_euclid(HALF_HOUR_MS)).or_default();
        *half = (half.0 + pond.water.do_mg_l, half.1 + 1.0);
        for effect in self.watcher.look(at_ms, pond) {
            if let Effect::Forecast(forecast) = effect {
                self.forecasts.push(forecast);
            }
        }
    }
}
