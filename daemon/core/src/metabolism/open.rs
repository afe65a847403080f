//! The farm day that is on.

use alloc::collections::VecDeque;

use super::{Balance, LEAST_SHARE, Look, Unknown};
use crate::respiration::Tank;
use crate::time::{Span, Timestamp};

/// Salt that moves so far within an hour is other water, PSU. (Common practice, no source: as for rain on
/// the surface, see the quality tests.)
const SALT_PSU: f64 = 0.5;
/// Depth that moves by this share within an hour is water let in or out. (Common practice, no source.)
const DEPTH_SHARE: f64 = 0.05;
/// Looks that are compared with each other.
const HOUR: Span = Span::from_hours(1);
/// Share of what aerators would have to be known for.
const UNKNOWN_AERATORS: f64 = 1.0 - LEAST_SHARE;
/// Below this oxygen respiration is held back so much that it says little, mg/L.
const LEAST_MG_L: f64 = 0.2;

/// Sums over the stretches of a night or of a day, mg/L.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Part {
    hours: f64,
    change: f64,
    air: f64,
    aerators: f64,
    /// Hours, each weighed by how fast a respiration of 1 at 28 °C would be in it.
    demand_h: f64,
    /// Hours in which oxygen was seen and aerators were not known.
    blind_h: f64,
}

impl Part {
    /// What the water itself made, less what it used up.
    fn own(&self) -> f64 {
        self.change - self.air - self.aerators
    }
}

/// Lowest and highest of something.
fn widen(range: &mut Option<(f64, f64)>, value: f64) {
    let (low, high) = range.unwrap_or((value, value));
    *range = Some((low.min(value), high.max(value)));
}

/// The farm day that is on.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct Open {
    pub(super) sunset: Timestamp,
    sunrise: Timestamp,
    night: Part,
    day: Part,
    oxygen: Option<(f64, f64)>,
    ph: Option<(f64, f64)>,
    temperature: Option<(f64, f64)>,
    light: (f64, u32),
    /// Salinity and depth of the last hour.
    levels: VecDeque<(Timestamp, Option<f64>, Option<f64>)>,
    exchanged: bool,
}

impl Open {
    pub(super) fn new(sunset: Timestamp, sunrise: Timestamp) -> Self {
        Self {
            sunset,
            sunrise,
            night: Part::default(),
            day: Part::default(),
            oxygen: None,
            ph: None,
            temperature: None,
            light: (0.0, 0),
            levels: VecDeque::new(),
            exchanged: false,
        }
    }

    pub(super) fn sunrise(&self) -> Timestamp {
        self.sunrise
    }

    /// Notes what is seen beside the balance.
    pub(super) fn see(&mut self, now: Timestamp, look: &Look) {
        if let Some((_, oxygen)) = look.oxygen {
            widen(&mut self.oxygen, oxygen);
        }
        if now > self.sunrise {
            if let Some(ph) = look.ph {
                widen(&mut self.ph, ph);
            }
            if let Some(temperature) = look.temperature_c {
                widen(&mut self.temperature, temperature);
            }
            if let Some(light) = look.light_umol_m2_s {
                self.light = (self.light.0 + light, self.light.1.saturating_add(1));
            }
        }
        while self.levels.front().is_some_and(|&(at, ..)| now - at > HOUR) {
            self.levels.pop_front();
        }
        for &(_, salt, depth) in &self.levels {
            let moved = |then: Option<f64>, now: Option<f64>| {
                then.zip(now).map(|(then, now)| (libm::fabs(now - then), then))
            };
            let salt = moved(salt, look.salinity_psu).is_some_and(|(by, _)| by > SALT_PSU);
            let depth = moved(depth, look.depth_m).is_some_and(|(by, then)| by > DEPTH_SHARE * then);
            self.exchanged |= salt || depth;
        }
        self.levels.push_back((now, look.salinity_psu, look.depth_m));
    }

    /// Adds a stretch; the first light counts as day.
    pub(super) fn add(
        &mut self,
        from: Timestamp,
        to: Timestamp,
        (was, is): (f64, f64),
        tank: &Tank,
        sotr_kg_h: Option<f64>,
    ) {
        let hours = (to - from).as_hours();
        let part = if to <= self.sunrise { &mut self.night } else { &mut self.day };
        let Some(sotr_kg_h) = sotr_kg_h else {
            part.blind_h += hours;
            return;
        };
        let mean = f64::midpoint(was, is);
        let (air, aerators) = tank.gains_mg_l_h(mean, sotr_kg_h);
        if mean < LEAST_MG_L || !(air + aerators).is_finite() {
            return;
        }
        part.hours += hours;
        part.change += is - was;
        part.air += air * hours;
        part.aerators += aerators * hours;
        part.demand_h += tank.demand(mean) * hours;
    }

    /// Respiration of the night so far, mg/L per hour at 28 °C; `None` before enough of it is over.
    pub(super) fn night_mg_l_h(&self) -> Option<f64> {
        let enough = self.night.hours >= LEAST_SHARE * (self.sunrise - self.sunset).as_hours();
        (enough && self.night.demand_h > 0.0 && !self.exchanged)
            .then(|| -self.night.own() / self.night.demand_h)
    }

    /// What the farm day made and used up.
    pub(super) fn close(self, ended: Timestamp) -> Result<Balance, Unknown> {
        let (night_h, day_h) = ((self.sunrise - self.sunset).as_hours(), (ended - self.sunrise).as_hours());
        if self.exchanged {
            return Err(Unknown::Exchange);
        }
        let share = |part: &Part, whole: f64| if whole > 0.0 { (part.hours / whole).min(1.0) } else { 0.0 };
        let (night, day) = (share(&self.night, night_h), share(&self.day, day_h));
        let blind =
            self.night.blind_h > UNKNOWN_AERATORS * night_h || self.day.blind_h > UNKNOWN_AERATORS * day_h;
        if blind {
            return Err(Unknown::Aerators);
        }
        let least = night.min(day);
        let (Some(night_mg_l_h), Some(do_range_mg_l)) = (self.night_mg_l_h(), self.oxygen) else {
            return Err(Unknown::FewReadings(night));
        };
        if least < LEAST_SHARE {
            return Err(Unknown::FewReadings(least));
        }
        // What was not observed is taken to be like the rest.
        let whole = |night_sum: f64, day_sum: f64| night_sum / night + day_sum / day;
        let made = self.day.own() + night_mg_l_h * self.day.demand_h;
        Ok(Balance {
            production_mg_l: made / day,
            respiration_mg_l: night_mg_l_h * whole(self.night.demand_h, self.day.demand_h),
            air_mg_l: whole(self.night.air, self.day.air),
            aerators_mg_l: whole(self.night.aerators, self.day.aerators),
            night_mg_l_h,
            do_range_mg_l,
            ph_range: self.ph,
            light_umol_m2_s: (self.light.1 > 0).then(|| self.light.0 / f64::from(self.light.1)),
            warming_c: self.temperature.map(|(low, high)| high - low),
        })
    }
}
