//! What the pond uses up at night, apart from what air and aerators give it.
//!
//! ```text
//! dDO/dt = -R(h) q(T) + (k_air + k_aer) (Cs - DO)        k_aer = SOTR α θ^(T-20) / 9.09 / V
//! ```
//!
//! The fall that a probe sees depends on the aerators that happen to run; the respiration R does not.
//! It is worked out from each quarter of an hour whose aerators are known, kept for each hour after
//! sunset over the pond's last nights, and scaled to tonight by what tonight has shown so far. From it
//! follows the course of oxygen under any plan of starts and stops.

use alloc::collections::VecDeque;
use alloc::vec::Vec;

use pondreeve_chemistry::aeration::{STANDARD_SATURATION_MG_L, USUAL_THETA};
use pondreeve_chemistry::oxygen::saturation_mg_l;
use pondreeve_chemistry::units::{Celsius, Hectopascal, Salinity};

use crate::derived::Water;
use crate::time::{Span, Timestamp};

/// Transfer in pond water against clean water. (0.85 to 0.95, from memory.)
pub const ALPHA: f64 = 0.9;
/// Saturation of pond water against clean water of the same salinity. (0.95 to 1.0, from memory.)
pub const BETA: f64 = 0.98;
/// Temperature assumed where no probe tells: the middle of what shrimp are grown in.
const ASSUMED_C: f64 = 29.0;
/// Gas transfer velocity through the surface on a still night, m/h: about 2 m/s of wind by the relation
/// of Wanninkhof (1992; from memory).
const AIR_M_H: f64 = 0.014;
/// Respiration doubles for each 10 °C. (From memory.)
const Q10: f64 = 2.0;
/// Share of the night's respiration that light leaves uncovered in the hour after sunrise. (Common
/// practice, no source.)
pub const AFTER_SUNRISE: f64 = 0.5;
/// Oxygen at which respiration is down to half, mg/L. (From memory.)
const HALF_MG_L: f64 = 0.4;
/// The water is looked at this often.
pub const EVERY: Span = Span::from_minutes(15);
/// A look back further than this says nothing of one stretch.
pub(crate) const LONGEST_STRETCH: Span = Span::from_minutes(50);
/// Nights remembered.
const NIGHTS: usize = 10;
/// Hours after sunset that are told apart.
pub const HOURS: usize = 16;
/// Switchings remembered: more in an hour is a loose contact.
const SWITCHES: usize = 32;
/// The pond's own nights weigh as much as so many hours of tonight.
const MEMORY_HOURS: f64 = 2.0;
/// Respiration of a usual pond at 28 °C, mg/L per hour: 0.3 at 7 mg/L, the upper end of semi-intensive earthen
/// ponds (Dalla Santa & Vinatea 2007, Aquacult. Eng., sediment and water respiration, worked out for 1 m of
/// water with shrimp).
const USUAL_MG_L_H: f64 = 0.3;
/// At dusk it is believed like an hour of a pond's first evening, whose first hours fall faster than the rest of
/// the night; after so many hours of its own not at all any more. (Our own choice.)
const USUAL_UNTIL_H: f64 = 4.0;
/// Relative error of one night's respiration against the memory of others before any was compared.
/// (Common practice, no source.)
const FIRST_ERROR: f64 = 0.25;
/// Relative error below which nothing is believed. (Common practice, no source.)
const LEAST_ERROR: f64 = 0.08;

/// A pond's water as the balance sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tank {
    /// Volume, m3.
    pub volume_m3: f64,
    /// Mean depth, m.
    pub depth_m: f64,
    /// Temperature, °C.
    pub temperature_c: f64,
    /// Oxygen at saturation here and now, mg/L.
    pub saturation_mg_l: f64,
}

impl Tank {
    /// `None` where the formulas do not reach, or the pond has no volume.
    pub fn new(area_m2: f64, depth_m: f64, water: &Water) -> Option<Self> {
        let temperature_c = water.temperature_c.map_or(ASSUMED_C, |seen| seen.value);
        let saturation_mg_l = saturation_mg_l(
            Celsius::new(temperature_c).ok()?,
            Salinity::new(water.salinity_psu).ok()?,
            Hectopascal::new(water.pressure_hpa).ok()?,
        );
        let volume_m3 = area_m2 * depth_m;
        let is_real = volume_m3.is_finite() && volume_m3 > 0.0 && depth_m > 0.0 && saturation_mg_l > 0.0;
        is_real.then_some(Self { volume_m3, depth_m, temperature_c, saturation_mg_l })
    }

    /// How fast air, and how fast aerators, pull oxygen toward saturation, 1/h.
    fn renewals_per_h(&self, sotr_kg_h: f64) -> (f64, f64) {
        let aerators =
            sotr_kg_h.max(0.0) * ALPHA * libm::pow(USUAL_THETA, self.temperature_c - 20.0) * 1_000.0
                / (STANDARD_SATURATION_MG_L * self.volume_m3);
        (AIR_M_H / self.depth_m, aerators)
    }

    fn renewal_per_h(&self, sotr_kg_h: f64) -> f64 {
        let (air, aerators) = self.renewals_per_h(sotr_kg_h);
        air + aerators
    }

    fn warmth(&self) -> f64 {
        libm::pow(Q10, (self.temperature_c - 28.0) / 10.0)
    }

    /// Oxygen that air, and that aerators, bring in, mg/L per hour; negative above saturation.
    pub(crate) fn gains_mg_l_h(&self, do_mg_l: f64, sotr_kg_h: f64) -> (f64, f64) {
        let (air, aerators) = self.renewals_per_h(sotr_kg_h);
        let lack = BETA * self.saturation_mg_l - do_mg_l;
        (air * lack, aerators * lack)
    }

    /// Respiration here for one of 1 at 28 °C with ample oxygen.
    pub(crate) fn demand(&self, do_mg_l: f64) -> f64 {
        self.warmth() * do_mg_l.max(0.0) / (do_mg_l.max(0.0) + HALF_MG_L)
    }

    /// Oxygen after `hours` of a steady respiration `rate_mg_l_h` (in this water) and aeration. The
    /// linear balance is solved exactly; respiration fades where little oxygen is left.
    pub fn after(&self, do_mg_l: f64, rate_mg_l_h: f64, sotr_kg_h: f64, hours: f64) -> f64 {
        let renewal = self.renewal_per_h(sotr_kg_h);
        let supply = do_mg_l.max(0.0) / (do_mg_l.max(0.0) + HALF_MG_L);
        let level = BETA * self.saturation_mg_l - rate_mg_l_h * supply / renewal;
        (level + (do_mg_l - level) * libm::exp(-renewal * hours)).max(0.0)
    }

    /// The respiration that explains a change over `hours`, mg/L per hour in this water.
    fn explains(&self, before_mg_l: f64, after_mg_l: f64, sotr_kg_h: f64, hours: f64) -> Option<f64> {
        let renewal = self.renewal_per_h(sotr_kg_h);
        let kept = libm::exp(-renewal * hours);
        let level = (after_mg_l - before_mg_l * kept) / (1.0 - kept);
        let mean = (before_mg_l + after_mg_l).max(0.0) / 2.0;
        let supply = mean / (mean + HALF_MG_L);
        let rate = renewal * (BETA * self.saturation_mg_l - level) / supply;
        (rate.is_finite() && supply > 0.3).then_some(rate)
    }
}

/// Respiration expected at some hour, in this water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// mg/L per hour.
    pub mg_l_h: f64,
    /// One standard deviation, as a share of it.
    pub error: f64,
}

/// Respiration expected of the hours after a sunset, at 28 °C.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ahead {
    sunset: Timestamp,
    rates: [Option<f64>; HOURS],
    error: f64,
}

impl Ahead {
    /// At a time, in water as warm as this.
    pub fn at(&self, at: Timestamp, tank: &Tank) -> Option<Rate> {
        let hour = hour_after(self.sunset, at.max(self.sunset)).unwrap_or(HOURS - 1);
        let mg_l_h = self.rates.get(hour).copied().flatten()? * tank.warmth();
        mg_l_h.is_finite().then_some(Rate { mg_l_h, error: self.error.max(LEAST_ERROR) })
    }
}

/// Estimates of one hour.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Hour {
    sum: f64,
    count: u32,
}

impl Hour {
    fn mean(self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / f64::from(self.count))
    }
}

/// What is known of a pond's respiration by night, at 28 °C.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Respiration {
    sunset: Option<Timestamp>,
    tonight: Vec<Hour>,
    past: VecDeque<Vec<Option<f64>>>,
    /// Log of tonight's respiration over what memory said, one a night, newest last.
    surprises: VecDeque<f64>,
    last: Option<(Timestamp, f64)>,
    /// Running SOTR, kg/h, from each time on.
    switches: VecDeque<(Timestamp, f64)>,
}

impl Respiration {
    /// Notes what runs from now on: the sum of the standard rates, kg/h.
    pub fn run(&mut self, now: Timestamp, sotr_kg_h: f64) {
        match self.switches.back_mut() {
            Some((_, same)) if *same == sotr_kg_h => return,
            Some((at, rate)) if *at == now => *rate = sotr_kg_h,
            _ => self.switches.push_back((now, sotr_kg_h)),
        }
        while self.switches.len() > SWITCHES {
            self.switches.pop_front();
        }
    }

    /// Mean running SOTR between two times; `None` where it is not remembered so far back.
    pub(crate) fn mean_sotr(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        let whole = (to - from).as_millis();
        if whole <= 0 || self.switches.front().is_none_or(|&(first, _)| first > from) {
            return None;
        }
        let mut sum = 0.0;
        let mut end = to;
        for &(at, rate) in self.switches.iter().rev() {
            let begin = at.max(from);
            if begin < end {
                sum += rate * (end - begin).as_millis() as f64;
                end = begin;
            }
        }
        Some(sum / whole as f64)
    }

    /// Looks at the water at `now`, `oxygen` being the mean of the last quarter of an hour. Past sunset
    /// it learns from the change since the last look. A new sunset closes the night before.
    pub fn look(&mut self, now: Timestamp, sunset: Timestamp, oxygen: Option<f64>, tank: Option<&Tank>) {
        if self.sunset != Some(sunset) {
            self.close_night();
            self.sunset = Some(sunset);
            self.last = None;
        }
        let Some(oxygen) = oxygen.filter(|value| value.is_finite()) else {
            self.last = None;
            return;
        };
        let before = self.last.replace((now, oxygen));
        let (Some((then, was)), Some(tank)) = (before, tank) else { return };
        let hours = (now - then).as_hours();
        if then < sunset || hours <= 0.0 || now - then > LONGEST_STRETCH {
            return;
        }
        // The means stand for the middle of their quarter hours.
        let half = Span::from_millis(EVERY.as_millis() / 2);
        let Some(sotr) = self.mean_sotr(then - half, now - half) else { return };
        let Some(rate) = tank.explains(was, oxygen, sotr, hours) else { return };
        let Some(hour) = hour_after(sunset, then) else { return };
        if self.tonight.is_empty() {
            self.tonight = alloc::vec![Hour::default(); HOURS];
        }
        if let Some(slot) = self.tonight.get_mut(hour) {
            slot.sum += rate / tank.warmth();
            slot.count = slot.count.saturating_add(1);
        }
    }

    fn close_night(&mut self) {
        let hours: Vec<Option<f64>> = self.tonight.iter().map(|hour| hour.mean()).collect();
        self.tonight.clear();
        if hours.iter().flatten().count() < 3 {
            return;
        }
        if let Some((observed, remembered)) = compare(hours.iter().copied(), &self.usuals())
            && observed > 0.0
            && remembered > 0.0
        {
            self.surprises.push_back(libm::log(observed / remembered).clamp(-1.0, 1.0));
        }
        self.past.push_back(hours);
        while self.past.len() > NIGHTS {
            self.past.pop_front();
        }
        while self.surprises.len() > NIGHTS {
            self.surprises.pop_front();
        }
    }

    fn usuals(&self) -> [Option<f64>; HOURS] {
        core::array::from_fn(|hour| self.usual(hour))
    }

    /// Usual respiration at an hour: nights weigh less the older they are, and an hour that no night
    /// has is taken from the nearest that one has.
    fn usual(&self, hour: usize) -> Option<f64> {
        let at = |hour: usize| {
            let (mut sum, mut weight, mut share) = (0.0, 0.0, 1.0);
            for night in self.past.iter().rev() {
                if let Some(rate) = night.get(hour).copied().flatten() {
                    sum += share * rate;
                    weight += share;
                }
                share *= 0.7;
            }
            (weight > 0.0).then(|| sum / weight)
        };
        (0..HOURS).find_map(|away| {
            let earlier = hour.checked_sub(away).and_then(at);
            earlier.or_else(|| at(hour.saturating_add(away)).filter(|_| hour.saturating_add(away) < HOURS))
        })
    }

    /// Spread of whole nights against memory.
    fn night_error(&self) -> f64 {
        let known = self.surprises.len() as f64;
        let sum: f64 = self.surprises.iter().map(|surprise| surprise * surprise).sum();
        // The stated first error weighs as much as two nights.
        libm::sqrt((sum + 2.0 * FIRST_ERROR * FIRST_ERROR) / (known + 2.0)).clamp(LEAST_ERROR, 0.6)
    }

    /// Respiration expected at `at`, in water as warm as this. `None` before anything was learnt.
    pub fn expected(&self, at: Timestamp, tank: &Tank) -> Option<Rate> {
        self.ahead()?.at(at, tank)
    }

    /// What is expected of the hours to come; worked out once where many are asked for.
    pub fn ahead(&self) -> Option<Ahead> {
        let sunset = self.sunset?;
        let usual = self.usuals();
        let hours = self.tonight.iter().map(|hour| f64::from(hour.count.min(4)) / 4.0).sum::<f64>();
        if usual.iter().any(Option::is_some) {
            let tonight = self.tonight.iter().map(|hour| hour.mean());
            let scale = match compare(tonight, &usual) {
                Some((observed, remembered)) if remembered > 0.0 => {
                    let ratio = (observed / remembered).clamp(0.3, 3.0);
                    (hours * ratio + MEMORY_HOURS) / (hours + MEMORY_HOURS)
                }
                _ => 1.0,
            };
            let error = self.night_error() * libm::sqrt(MEMORY_HOURS / (hours + MEMORY_HOURS));
            return Some(Ahead { sunset, rates: usual.map(|rate| Some(rate? * scale)), error });
        }
        // A first night: as it has been over the last hours, drawn towards the usual.
        let seen: Vec<f64> = self.tonight.iter().filter_map(|hour| hour.mean()).collect();
        let recent = seen.get(seen.len().saturating_sub(3)..).filter(|recent| !recent.is_empty())?;
        let mean = recent.iter().sum::<f64>() / recent.len() as f64;
        let usual_h = (1.0 - hours / USUAL_UNTIL_H).max(0.0);
        let mean = (hours * mean + usual_h * USUAL_MG_L_H) / (hours + usual_h).max(f64::MIN_POSITIVE);
        let error = FIRST_ERROR * libm::sqrt(MEMORY_HOURS / (hours + 1.0)).min(1.6);
        Some(Ahead { sunset, rates: [Some(mean); HOURS], error })
    }

    /// Nights it rests on.
    pub fn nights(&self) -> usize {
        self.past.len()
    }
}

/// Sum over the hours that both have of tonight's and of the remembered respiration.
fn compare(tonight: impl Iterator<Item = Option<f64>>, usual: &[Option<f64>; HOURS]) -> Option<(f64, f64)> {
    let both = tonight.zip(usual).filter_map(|(rate, usual)| rate.zip(*usual));
    both.fold(None, |sums, (rate, usual)| {
        let (observed, remembered) = sums.unwrap_or((0.0, 0.0));
        Some((observed + rate, remembered + usual))
    })
}

/// Whole hours from sunset; `None` before it or past the last hour told apart.
fn hour_after(sunset: Timestamp, at: Timestamp) -> Option<usize> {
    usize::try_from((at - sunset).as_millis().div_euclid(3_600_000)).ok().filter(|&hour| hour < HOURS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::effect::Flag;
    use crate::quality::Seen;

    fn at(minutes: i64) -> Timestamp {
        Timestamp(0) + Span::from_minutes(minutes)
    }

    fn tank() -> Tank {
        let water = Water {
            temperature_c: Some(Seen { value: 29.0, at: at(0), flag: Flag::Pass }),
            salinity_psu: 18.0,
            salinity_flag: Flag::NotEvaluated,
            pressure_hpa: 1013.25,
            pressure_flag: Flag::NotEvaluated,
        };
        Tank::new(5_000.0, 1.5, &water).unwrap()
    }

    /// Rated 5.4 kg/h (4.5 kW at 1.2) in 7500 m3 at 29 °C, 18 PSU, 4 mg/L. Saturation is 6.93 mg/L; field
    /// share 0.9 x (0.98 x 6.93 - 4) / 9.09 x 1.024^9 = 0.343, so 1.85 kg/h, which is 0.247 mg/L in an hour
    /// (worked out by hand; a little less as oxygen rises).
    #[test]
    fn an_aerator_lifts_the_pond_by_its_field_rate() {
        let tank = tank();
        let risen = tank.after(4.0, 0.0, 5.4, 0.25) - tank.after(4.0, 0.0, 0.0, 0.25);
        assert!((risen * 4.0 - 0.247).abs() < 0.01, "{} mg/L per h", risen * 4.0);
        assert!(tank.after(9.0, 0.0, 5.4, 1.0) < tank.after(9.0, 0.0, 0.0, 1.0), "above saturation");
        assert!(tank.after(0.3, 2.0, 0.0, 5.0) >= 0.0);
    }

    /// The same respiration is found whether aerators run or not; in the first hours, drawn towards the usual: after two
    /// by half an hour of it.
    #[test]
    fn respiration_is_told_apart_from_aeration() {
        let tank = tank();
        for sotr in [0.0, 5.4, 12.0] {
            let mut known = Respiration::default();
            known.run(at(-60), sotr);
            let mut oxygen = 7.0;
            for step in 0..=16 {
                if step == 9 {
                    let drawn = (2.0 * 0.5 + 0.5 * 0.3 * tank.warmth()) / 2.5;
                    let found = known.expected(at(300), &tank).unwrap();
                    assert!((found.mg_l_h - drawn).abs() < 0.01, "{found:?} with {sotr} kg/h");
                }
                known.look(at(15 * step), at(0), Some(oxygen), Some(&tank));
                oxygen = tank.after(oxygen, 0.5, sotr, 0.25);
            }
            let found = known.expected(at(300), &tank).unwrap();
            assert!((found.mg_l_h - 0.5).abs() < 0.01, "{found:?} with {sotr} kg/h");
        }
    }

    /// After nights that slow down toward morning, an evening is not taken for the whole night.
    #[test]
    fn nights_teach_the_shape_of_the_night() {
        let tank = tank();
        let mut known = Respiration::default();
        known.run(at(-60), 0.0);
        let day = 24 * 60;
        for night in 0..4 {
            let mut oxygen = 8.0;
            for step in 0..=40 {
                known.look(at(night * day + 15 * step), at(night * day), Some(oxygen), Some(&tank));
                let rate = if step < 12 { 0.6 } else { 0.3 };
                oxygen = tank.after(oxygen, rate, 0.0, 0.25);
            }
        }
        // Fifth night, two hours in, as usual.
        let sunset = 4 * day;
        let mut oxygen = 8.0;
        for step in 0..=8 {
            known.look(at(sunset + 15 * step), at(sunset), Some(oxygen), Some(&tank));
            oxygen = tank.after(oxygen, 0.6, 0.0, 0.25);
        }
        let late = known.expected(at(sunset + 480), &tank).unwrap();
        assert!((late.mg_l_h - 0.3).abs() < 0.02, "{late:?}");
        assert!(late.error < 0.2, "{late:?}");
        assert_eq!(known.nights(), 4);
    }

    #[test]
    fn a_stretch_whose_aerators_are_not_known_teaches_nothing() {
        let tank = tank();
        let mut known = Respiration::default();
        for step in 0..=8 {
            known.look(at(15 * step), at(0), Some(8.0 - 0.1 * f64::from(step as i32)), Some(&tank));
        }
        assert_eq!(known.expected(at(200), &tank), None);
    }
}
