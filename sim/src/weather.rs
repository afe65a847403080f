//! Sun, cloud, wind, rain and air over the farm: a pure function of the seed and the moment.

use pondreeve_chemistry::sun::{self, SunDay};

use crate::noise::Noise;

/// Light for photosynthesis under a clear sky with the sun overhead, µmol/m2/s. Set so that a clear
/// day near the equator brings about 42 mol/m2 (common practice, no source).
const PAR_OVERHEAD_UMOL_M2_S: f64 = 1_660.0;

/// Shortwave radiation per light for photosynthesis, W/m2 per µmol/m2/s: 1 W/m2 of daylight holds
/// about 2.02 µmol/m2/s between 400 and 700 nm (from memory).
const SHORTWAVE_W_PER_UMOL: f64 = 1.0 / 2.02;

/// What the days are like.
#[derive(Debug, Clone, PartialEq)]
pub struct Climate {
    /// Degrees north.
    pub latitude_deg: f64,
    /// Degrees east.
    pub longitude_deg: f64,
    /// Mean share of the sky under cloud, 0 to 1.
    pub cloud: f64,
    /// Wind in mid-afternoon, m/s.
    pub wind_day_m_s: f64,
    /// Wind before dawn, m/s.
    pub wind_night_m_s: f64,
    /// Mean air temperature, °C.
    pub air_c: f64,
    /// Mean air pressure, hPa.
    pub pressure_hpa: f64,
    /// Showers.
    pub rain: Vec<Shower>,
}

impl Climate {
    /// A clear day and a still night on a warm coast.
    pub fn clear_and_still(latitude_deg: f64, longitude_deg: f64) -> Self {
        Self {
            latitude_deg,
            longitude_deg,
            cloud: 0.12,
            wind_day_m_s: 4.5,
            wind_night_m_s: 1.2,
            air_c: 27.5,
            pressure_hpa: 1_010.0,
            rain: Vec::new(),
        }
    }
}

/// Rain at a steady rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shower {
    /// First moment, ms since 1970.
    pub from_ms: i64,
    /// End, exclusive, ms since 1970.
    pub until_ms: i64,
    /// mm/h.
    pub rate_mm_h: f64,
}

/// The sky at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sky {
    /// Light for photosynthesis at the water, µmol/m2/s.
    pub par_umol_m2_s: f64,
    /// All solar radiation at the water, W/m2.
    pub shortwave_w_m2: f64,
    /// Air temperature, °C.
    pub air_c: f64,
    /// Wind at 10 m, m/s.
    pub wind_m_s: f64,
    /// Rain, mm/h.
    pub rain_mm_h: f64,
    /// Air pressure at the water, hPa.
    pub pressure_hpa: f64,
}

/// Weather over one farm.
#[derive(Debug, Clone)]
pub struct Weather {
    climate: Climate,
    noise: Noise,
}

const HOUR_MS: i64 = 3_600_000;

impl Weather {
    /// Weather of one seed.
    pub const fn new(climate: Climate, noise: Noise) -> Self {
        Self { climate, noise }
    }

    /// Sunrise and sunset (ms since 1970) of the local date that contains a moment.
    pub fn sun_day(&self, at_ms: i64) -> SunDay {
        let day = sun::local_day(at_ms, self.climate.longitude_deg);
        sun::sun_day(self.climate.latitude_deg, self.climate.longitude_deg, day)
    }

    /// Hours since the sun's noon of the local date, about −12 to 12.
    fn hours_from_noon(&self, at_ms: i64) -> f64 {
        let noon_ms = match self.sun_day(at_ms) {
            SunDay::Normal { sunrise_ms, sunset_ms } => i64::midpoint(sunrise_ms, sunset_ms),
            // No farm lies there, but the clock by longitude is still right to a quarter of an hour.
            _ => {
                let day = sun::local_day(at_ms, self.climate.longitude_deg);
                day * 24 * HOUR_MS + 12 * HOUR_MS - (self.climate.longitude_deg * 240_000.0) as i64
            }
        };
        (at_ms - noon_ms) as f64 / HOUR_MS as f64
    }

    /// Sine of the sun's height above the horizon; declination after Cooper (1969; from memory).
    fn sun_height_sine(&self, at_ms: i64) -> f64 {
        let day_of_year = (at_ms as f64 / 86_400_000.0 + 0.5) % 365.2425;
        let declination =
            23.45_f64.to_radians() * (core::f64::consts::TAU * (284.0 + day_of_year) / 365.0).sin();
        let hour_angle = (self.hours_from_noon(at_ms) * 15.0).to_radians();
        let latitude = self.climate.latitude_deg.to_radians();
        latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos()
    }

    /// Its showers.
    pub fn rain(&self) -> &[Shower] {
        &self.climate.rain
    }

    /// The sky at a moment, ms since 1970.
    pub fn at(&self, at_ms: i64) -> Sky {
        let climate = &self.climate;
        let raining: f64 = climate
            .rain
            .iter()
            .filter(|shower| (shower.from_ms..shower.until_ms).contains(&at_ms))
            .map(|shower| shower.rate_mm_h)
            .sum();
        let drift = self.noise.wander(Noise::stream("cloud"), at_ms, 20 * 60_000);
        let cloud = if raining > 0.0 {
            0.95
        } else {
            (climate.cloud + drift * climate.cloud * (1.0 - climate.cloud)).clamp(0.0, 1.0)
        };
        let height = self.sun_height_sine(at_ms).max(0.0);
        // Thick cloud leaves about a quarter of the light (common practice, no source).
        let par_umol_m2_s = PAR_OVERHEAD_UMOL_M2_S * height.powf(1.1) * (1.0 - 0.75 * cloud);

        // Sea breeze: strongest three hours after noon.
        let hours = self.hours_from_noon(at_ms);
        let by_day = ((hours - 3.0) / 24.0 * core::f64::consts::TAU).cos();
        let mean = f64::midpoint(climate.wind_day_m_s, climate.wind_night_m_s);
        let swing = (climate.wind_day_m_s - climate.wind_night_m_s) / 2.0;
        let gust = self.noise.wander(Noise::stream("wind"), at_ms, 15 * 60_000);
        let wind_m_s = ((mean + swing * by_day) * (1.0 + 0.2 * gust)).max(0.0);

        // Two tides of air pressure a day, about 1.2 hPa high in the tropics, highest near 10 o'clock.
        let tide = 1.2 * ((hours + 2.0) / 12.0 * core::f64::consts::TAU).cos();
        Sky {
            par_umol_m2_s,
            shortwave_w_m2: par_umol_m2_s * SHORTWAVE_W_PER_UMOL,
            air_c: climate.air_c + 3.0 * ((hours - 2.5) / 24.0 * core::f64::consts::TAU).cos(),
            wind_m_s,
            rain_mm_h: raining,
            pressure_hpa: climate.pressure_hpa + tide,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Climate, HOUR_MS, Weather};
    use crate::noise::Noise;

    /// 2026-03-18T05:00:00Z, midnight at UTC−5.
    const MIDNIGHT: i64 = 1_773_810_000_000;

    fn daily_light_mol(cloud: f64, seed: u64) -> f64 {
        let climate = Climate { cloud, ..Climate::clear_and_still(-2.0, -80.0) };
        let weather = Weather::new(climate, Noise::new(seed));
        (0..1_440).map(|minute| weather.at(MIDNIGHT + minute * 60_000).par_umol_m2_s * 60.0).sum::<f64>()
            / 1e6
    }

    #[test]
    fn a_clear_day_brings_the_usual_light_and_an_overcast_one_a_third() {
        // Clear 42 and overcast 11 mol/m2/d: common practice, no source.
        for seed in 0..5 {
            let clear = daily_light_mol(0.12, seed);
            assert!((37.0..47.0).contains(&clear), "clear day: {clear} mol/m2");
            let overcast = daily_light_mol(0.97, seed);
            assert!((8.0..17.0).contains(&overcast), "overcast day: {overcast} mol/m2");
        }
    }

    #[test]
    fn nights_are_dark_and_stiller_than_afternoons() {
        let weather = Weather::new(Climate::clear_and_still(-2.0, -80.0), Noise::new(1));
        let mean_wind = |from_h: i64| {
            (0..180).map(|m| weather.at(MIDNIGHT + from_h * HOUR_MS + m * 60_000).wind_m_s).sum::<f64>()
                / 180.0
        };
        for minute in 0..300 {
            let sky = weather.at(MIDNIGHT + minute * 60_000);
            assert_eq!(sky.par_umol_m2_s, 0.0, "light {minute} minutes after midnight");
            assert!(sky.wind_m_s >= 0.0);
        }
        assert!(mean_wind(2) < 2.0);
        assert!(mean_wind(14) > 3.0);
    }
}
