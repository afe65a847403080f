//! The ten days' weather, as stretches of one kind of sky.

use super::clock::at;
use crate::noise::Noise;
use crate::weather::{Climate, Shower, Sky, Weather};

/// Where the farm lies, degrees north.
pub const LATITUDE: f64 = -3.4;
/// Where the farm lies, degrees east.
pub const LONGITUDE: f64 = -80.2;

/// From when on the sky is such.
struct Stretch {
    from_ms: i64,
    cloud: f64,
    wind_day_m_s: f64,
    wind_night_m_s: f64,
    air_c: f64,
}

const fn stretch(from_ms: i64, cloud: f64, wind: (f64, f64), air_c: f64) -> Stretch {
    Stretch { from_ms, cloud, wind_day_m_s: wind.0, wind_night_m_s: wind.1, air_c }
}

const BREEZE: (f64, f64) = (4.5, 2.0);
const STILL: (f64, f64) = (4.5, 0.8);
const CALM: (f64, f64) = (2.5, 0.6);

/// Clear, clear, a still night, part cloud, overcast, dull with heavy rain, hot and calm, clear, cloud
/// after sun, clear.
const DAYS: [Stretch; 11] = [
    stretch(i64::MIN, 0.08, BREEZE, 28.5),
    stretch(at(2, 12, 0), 0.08, STILL, 28.5),
    stretch(at(4, 3, 0), 0.45, BREEZE, 28.8),
    // Cloud keeps the night's heat in.
    stretch(at(5, 3, 0), 1.0, (3.5, 1.2), 29.4),
    stretch(at(6, 2, 30), 0.95, (3.0, 2.5), 23.5),
    stretch(at(6, 4, 30), 0.93, (3.5, 1.0), 29.2),
    stretch(at(7, 3, 0), 0.10, CALM, 29.6),
    stretch(at(8, 3, 0), 0.08, BREEZE, 28.8),
    stretch(at(9, 3, 0), 0.08, BREEZE, 28.6),
    stretch(at(9, 11, 30), 0.85, (3.5, 1.2), 28.8),
    stretch(at(10, 3, 0), 0.08, BREEZE, 28.5),
];

/// 64 mm in two hours, before dawn on day 6.
const RAIN: Shower = Shower { from_ms: at(6, 2, 30), until_ms: at(6, 4, 30), rate_mm_h: 32.0 };

/// The weather over the farm.
#[derive(Debug, Clone)]
pub(super) struct Skies {
    stretches: Vec<(i64, Weather)>,
}

impl Skies {
    pub(super) fn new(noise: &Noise) -> Self {
        let weather = |own: &Stretch| Climate {
            cloud: own.cloud,
            wind_day_m_s: own.wind_day_m_s,
            wind_night_m_s: own.wind_night_m_s,
            air_c: own.air_c,
            rain: vec![RAIN],
            ..Climate::clear_and_still(LATITUDE, LONGITUDE)
        };
        let stretches = DAYS.iter().map(|own| (own.from_ms, Weather::new(weather(own), noise.clone())));
        Self { stretches: stretches.collect() }
    }

    pub(super) fn at(&self, at_ms: i64) -> Sky {
        let later = self.stretches.partition_point(|(from_ms, _)| *from_ms <= at_ms);
        self.stretches[later.max(1) - 1].1.at(at_ms)
    }
}

#[cfg(test)]
mod tests {
    use super::Skies;
    use crate::noise::Noise;
    use crate::ten_days::{SEED, clock::at};

    /// Light of the days, mol/m2: 42 on a clear one, 11 under thick cloud, and 64 mm of rain on day 6.
    #[test]
    fn days_are_as_bright_and_as_wet_as_told() {
        let skies = Skies::new(&Noise::new(SEED));
        let day = |day: i64, of: fn(&super::Sky) -> f64| -> f64 {
            (0..24 * 60).map(|minute| of(&skies.at(at(day, 0, minute)))).sum()
        };
        let light = |which: i64| day(which, |sky| sky.par_umol_m2_s * 60.0 / 1e6);
        for (which, mol) in [(1, 42.0), (2, 42.0), (5, 11.0), (8, 42.0), (10, 42.0)] {
            assert!((light(which) - mol).abs() < 2.0, "day {which}: {} mol/m2", light(which));
        }
        assert!((20.0..36.0).contains(&light(4)), "part cloud: {}", light(4));
        let rain: Vec<f64> = (1..=10).map(|which| day(which, |sky| sky.rain_mm_h / 60.0)).collect();
        for (which, mm) in (1..).zip(rain) {
            assert!((mm - if which == 6 { 64.0 } else { 0.0 }).abs() < 0.01, "day {which}: {mm} mm");
        }
    }
}
