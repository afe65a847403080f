//! Where the night's oxygen is heading.
//!
//! The forecast is made from sunset to sunrise, each quarter of an hour: last night's low, corrected by
//! how tonight compares with the pond's own recent nights, by rules that each morning amends. Evening
//! lines alone fail because the fall flattens after dusk; most skill is memory.

use alloc::collections::VecDeque;
use alloc::vec::Vec;

use crate::effect::{Crossing, Forecast};
use crate::quality::Seen;
use crate::regression::{Regression, Terms};
use crate::said::{Said, length, said};
use crate::site::{Limits, PondIndex};
use crate::sunlight::{LOW_UNTIL, Night};
use crate::time::{Span, Timestamp};
use crate::window::{Window, theil_sen};

mod aerated;
mod basis;
mod course;
mod fan;
pub(crate) mod farm;
mod kept;
mod look_back;
mod past;
mod score;
mod witness;

pub use aerated::Aeration;
use aerated::DOUBT;
pub use fan::CoursePoint;
use kept::Kept;
pub use look_back::{EarlyForecastView, PastNightView};
pub use score::ForecastScore;
use score::{Early, LATE, Scored, interval_80, low_tenth};

use basis::basis;
use course::{HALF_HOUR, below_chance, crossing, enough, lasting_low, lately};
use past::{PastNight, day_mg_l};
use witness::{USUAL_SHARE_PER_HOUR, Witnesses, shipped_error};

/// The forecast is made anew this often.
pub const EVERY: Span = Span::from_minutes(15);

/// After an aerator was switched the old slope says nothing and the new one is not known yet.
const AFTER_SWITCHING: Span = Span::from_minutes(45);

/// Nights remembered.
const NIGHTS: usize = 14;

/// Hours after sunset for which a past night's course is kept.
const COURSE_HOURS: usize = 16;

/// Readings are averaged over this before a line is put through them.
const BLOCK: Span = Span::from_minutes(15);

/// One standard deviation of a normal distribution times this is half of its 80 % interval.
const Z_80: f64 = 1.281_551_565_544_6;

/// What the forecast is made from.
#[derive(Debug, Clone, Copy)]
pub struct Evening<'a> {
    /// The pond.
    pub pond: PondIndex,
    /// Now.
    pub now: Timestamp,
    /// Present oxygen.
    pub oxygen: Option<Seen>,
    /// Whether a hand meter said that its probe is wrong, and nothing since said otherwise.
    pub is_contradicted: bool,
    /// Its readings.
    pub window: Option<&'a Window>,
    /// Present saturation.
    pub saturation_mg_l: Option<f64>,
    /// When an aerator was last switched.
    pub aerators_changed_at: Option<Timestamp>,
    /// What runs; `None` where the pond has no aerators, or nothing is known of them.
    pub aeration: Option<Aeration<'a>>,
    /// Limits to say something about.
    pub limits: &'a Limits,
}

/// Tonight, and what is remembered of other nights.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct NightState {
    between: Option<(Timestamp, Timestamp)>,
    due: Option<Timestamp>,
    forecast: Option<Forecast>,
    refusal: Option<Said>,
    /// The last forecast of tonight that rested on usable readings.
    kept: Option<Kept>,
    /// Tonight's forecast as it is scored in the morning.
    early: Option<Early>,
    /// Later forecasts of tonight that wait for the morning.
    late: [Option<Early>; LATE],
    /// What the intervals of the last nights needed, for the forecast that is scored and each later one; newest last.
    needs: [VecDeque<f64>; LATE + 1],
    /// The last nights' scores, newest last.
    scores: VecDeque<Scored>,
    past: VecDeque<PastNight>,
    /// One rule per full hour after sunset; empty until the second night is over.
    rules: Vec<Regression>,
    /// Weights that the farm's other ponds suggest, per full hour; empty while they know nothing.
    prior: Vec<Terms>,
    /// A night was learnt from that the other ponds have not heard of.
    has_learnt: bool,
    /// What tonight's forecasts were made from at each full hour.
    tonight: Vec<Made>,
    /// What the water could hold at each full hour of tonight.
    saturation_mg_l: [Option<f64>; COURSE_HOURS],
    /// What ran in each quarter hour of the last night that is remembered, kg/h.
    ran_kg_h: Vec<Option<f64>>,
    /// Mean oxygen of the day before tonight, once it was looked at.
    day_mg_l: Option<f64>,
}

/// What a forecast at a full hour was made from, until the morning says what came.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Made {
    /// Full hours after sunset.
    phase: usize,
    terms: Terms,
    /// What the terms corrected.
    base_mg_l: f64,
    /// Mean of what was assumed to run until sunrise, kg/h.
    assumed_kg_h: Option<f64>,
    do_min_mg_l: f64,
    /// How much less sure than usual it was held to be.
    doubt: f64,
    shipped_error: f64,
}

impl NightState {
    /// Takes up the farm's night; a new one starts its own schedule.
    pub fn follow(&mut self, night: Night, now: Timestamp) {
        let between = match night {
            Night::Between { sunset, sunrise } => Some((sunset, sunrise)),
            Night::Never { .. } | Night::Always { .. } => None,
        };
        if between == self.between {
            return;
        }
        self.between = between;
        self.forecast = None;
        self.refusal = None;
        self.kept = None;
        self.early = None;
        self.late = Default::default();
        self.tonight.clear();
        self.saturation_mg_l = Default::default();
        self.day_mg_l = None;
        self.due = between.map(|(sunset, sunrise)| {
            let passed = (now - sunset).as_millis();
            if passed <= 0 {
                sunset
            } else if now < sunrise {
                let steps = passed.div_euclid(EVERY.as_millis()).saturating_add(1);
                sunset + Span::from_millis(steps.saturating_mul(EVERY.as_millis()))
            } else {
                sunrise + LOW_UNTIL
            }
        });
    }

    /// Forgets the forecast, since an aerator was switched.
    pub fn invalidate(&mut self) {
        self.kept = None;
        if self.forecast.take().is_some() {
            self.refusal = Some(said!(
                "no-forecast-switched",
                "an aerator was switched, and the new slope is not known yet"
            ));
        }
    }

    /// The pond has another position now.
    pub fn moved(&mut self, index: PondIndex) {
        if let Some(forecast) = &mut self.forecast {
            forecast.pond = index;
        }
        self.kept = None;
    }

    /// When it next wants to run.
    pub fn due(&self) -> Option<Timestamp> {
        self.due
    }

    /// Whether it wants to run at `now`.
    pub fn is_due(&self, now: Timestamp) -> bool {
        self.due.is_some_and(|due| due <= now)
    }

    /// Whether `now` lies between sunset and an hour after sunrise.
    pub fn is_on(&self, now: Timestamp) -> bool {
        self.between.is_some_and(|(sunset, sunrise)| now >= sunset && now < sunrise + LOW_UNTIL)
    }

    /// The forecast that stands.
    pub fn forecast(&self) -> Option<&Forecast> {
        self.forecast.as_ref()
    }

    /// Why there is none.
    pub fn refusal(&self) -> Option<&Said> {
        self.refusal.as_ref()
    }

    /// How many of the pond's own nights are remembered.
    pub fn nights(&self) -> usize {
        self.past.len()
    }

    /// Sunset of the night that is on or comes next.
    pub fn sunset(&self) -> Option<Timestamp> {
        self.between.map(|(sunset, _)| sunset)
    }

    /// Sunrise of the night that is on or comes next.
    pub fn sunrise(&self) -> Option<Timestamp> {
        self.between.map(|(_, sunrise)| sunrise)
    }

    /// Does what is due: a forecast, or in the morning remembers the night.
    pub fn run(&mut self, evening: &Evening<'_>) -> Option<Forecast> {
        let (sunset, sunrise) = self.between?;
        let now = evening.now;
        if now >= sunrise + LOW_UNTIL {
            self.due = None;
            self.forecast = None;
            self.refusal = None;
            self.remember(evening, sunset, sunrise);
            return None;
        }
        // Counted from sunset, so that a late look does not shift the full hours from which nights learn.
        let steps = (now - sunset).as_millis().max(0).div_euclid(EVERY.as_millis()).saturating_add(1);
        let next = sunset + Span::from_millis(steps.saturating_mul(EVERY.as_millis()));
        self.due = Some(if next < sunrise {
            next
        } else if now < sunrise {
            sunrise
        } else {
            sunrise + LOW_UNTIL
        });
        match self.forecast_now(evening, sunset, sunrise) {
            Ok(forecast) => {
                self.refusal = None;
                self.forecast = Some(forecast.clone());
                Some(forecast)
            }
            Err(refusal) => {
                self.forecast = self.kept_on(evening, &refusal);
                self.refusal = self.forecast.is_none().then_some(refusal);
                self.forecast.clone()
            }
        }
    }
}

impl NightState {
    fn witnesses(
        &self,
        evening: &Evening<'_>,
        sunset: Timestamp,
        sunrise: Timestamp,
    ) -> Result<Witnesses, Said> {
        let now = evening.now;
        let oxygen =
            evening.oxygen.ok_or_else(|| said!("no-forecast-oxygen", "there is no usable oxygen reading"))?;
        if !oxygen.flag.is_usable() && evening.is_contradicted {
            return Err(said!(
                "no-forecast-contradicted",
                "a hand meter contradicts the oxygen probe: measure beside it again, or clean and check it and record the service"
            ));
        }
        if !oxygen.flag.is_usable() {
            return Err(said!(
                "no-forecast-suspect",
                "the oxygen reading is suspect, check with a hand meter"
            ));
        }
        if let Some(changed) = evening.aerators_changed_at
            && now - changed < AFTER_SWITCHING
        {
            let left = length(changed + AFTER_SWITCHING - now);
            return Err(said!(
                "no-forecast-switched-until",
                "an aerator was switched, and the new slope is known only in {left}",
                left = left
            ));
        }
        let window =
            evening.window.ok_or_else(|| said!("no-forecast-probe", "no oxygen probe has reported yet"))?;
        enough(window, now)?;
        let oxygen_mg_l = window.mean(now - Span::from_minutes(10), now).unwrap_or(oxygen.value);
        let hours_left = (sunrise - now).as_hours().max(0.0);
        let fit_from = evening.aerators_changed_at.map_or(sunset, |changed| sunset.max(changed + BLOCK));
        // Late at night half hours are enough points for a line, and cost a quarter.
        let every = if now - fit_from > Span::from_hours(4) { HALF_HOUR } else { BLOCK };
        let points = window.blocks(fit_from, now + Span::from_millis(1), every);
        let usual_mg_l = oxygen_mg_l * libm::exp(-USUAL_SHARE_PER_HOUR * hours_left);
        let (mut line_mg_l, mut exponential_mg_l) = (None, None);
        if points.len() >= 4 {
            let lately = points.last().map_or(0.0, |(hour, _)| hour - 2.0);
            let late = points.partition_point(|&(hour, _)| hour < lately);
            line_mg_l = points
                .get(late..)
                .filter(|late| late.len() >= 4)
                .and_then(theil_sen)
                .map(|(slope, _)| (oxygen_mg_l + slope * hours_left).clamp(0.0, oxygen_mg_l));
            let logarithms: Vec<(f64, f64)> =
                points.iter().map(|&(hour, value)| (hour, libm::log(value.max(0.1)))).collect();
            exponential_mg_l =
                theil_sen(&logarithms).map(|(rate, _)| oxygen_mg_l * libm::exp(rate.min(0.0) * hours_left));
        }
        Ok(Witnesses {
            oxygen_mg_l,
            half_hour_mg_l: lately(window, now).unwrap_or(oxygen_mg_l),
            hours_seen: (now - sunset).as_hours(),
            hours_left,
            line_mg_l,
            exponential_mg_l,
            balance_mg_l: evening
                .aeration
                .filter(|_| self.past.is_empty())
                .and_then(|aeration| aeration.as_it_runs_mg_l(now, oxygen_mg_l, sunrise)),
            has_timers: evening.aeration.is_some_and(|aeration| aeration.has_timers()),
            usual_mg_l,
            day_mg_l: self.day_mg_l,
            saturation_mg_l: evening.saturation_mg_l,
            memory: self.memory(sunset, (now - sunset).as_hours()),
        })
    }

    fn forecast_now(
        &mut self,
        evening: &Evening<'_>,
        sunset: Timestamp,
        sunrise: Timestamp,
    ) -> Result<Forecast, Said> {
        let now = evening.now;
        if self.day_mg_l.is_none() {
            self.day_mg_l = evening.window.and_then(|window| day_mg_l(window, sunset));
        }
        let hours = (now - sunset).as_hours();
        let phase = (libm::round(hours).max(0.0) as usize).min(COURSE_HOURS - 1);
        let at_full_hour = libm::fabs(hours - phase as f64) < 0.05;
        if at_full_hour && let Some(saturation) = self.saturation_mg_l.get_mut(phase) {
            *saturation = evening.saturation_mg_l;
        }
        let witnesses = self.witnesses(evening, sunset, sunrise)?;
        let (base_mg_l, terms) = (witnesses.base_mg_l(), witnesses.terms());
        let shipped_error = shipped_error(witnesses.hours_left);
        let rule = self.rules.get(phase);
        let weights = self.weights(phase);
        let correction = weights.iter().zip(&terms).map(|(weight, term)| weight * term).sum::<f64>();
        let usual_error = rule.map_or(shipped_error, |rule| rule.standard_error(shipped_error));
        let oxygen_mg_l = witnesses.oxygen_mg_l;
        let already = evening.window.and_then(|window| lasting_low(window, sunset, now));
        let shift = evening
            .aeration
            .and_then(|aeration| self.shift(&aeration, now, oxygen_mg_l, sunset, sunrise))
            .filter(|_| witnesses.memory.is_some());
        let shifted_mg_l = shift.map_or(0.0, |shift| shift.low_mg_l);
        let assumed_kg_h = shift.map(|shift| shift.assumed_kg_h);
        let base_mg_l = base_mg_l + shifted_mg_l;
        // A dip of the moment is no low: as the tide turns oxygen may rise again, and only what has lasted is certain.
        let highest = already.unwrap_or(oxygen_mg_l).max(0.0);
        let highest_told = highest.min(oxygen_mg_l.max(0.0));
        let do_min_mg_l = (base_mg_l + correction).clamp(0.0, highest_told);
        let doubt = rule.map_or(1.0, |rule| rule.doubt(do_min_mg_l - base_mg_l, shipped_error));
        let error = doubt * usual_error;
        if at_full_hour && witnesses.memory.is_some() {
            self.tonight.push(Made {
                phase,
                terms,
                base_mg_l,
                assumed_kg_h,
                do_min_mg_l,
                doubt,
                shipped_error,
            });
        }
        // While there is little memory, what the evening and a usual fall disagree by is doubt as well.
        let nights = witnesses.memory.map_or(0, |memory| memory.nights);
        let spread = witnesses.exponential_mg_l.map_or(0.0, |exponential| exponential - witnesses.usual_mg_l)
            / (1.0 + nights as f64);
        let unscaled =
            libm::sqrt(error * error + 0.25 * spread * spread + DOUBT * DOUBT * shifted_mg_l * shifted_mg_l);
        let error = unscaled * self.interval_scale(hours);
        let (low_80, high_80) = interval_80(do_min_mg_l, error, highest);
        let end = sunrise + LOW_UNTIL;
        let usual_at = self.usual_low_after().map_or(sunrise, |after| sunset + after);
        // Oxygen that still has to fall does so until light stops it, though it is later than usual.
        let falls_on = usual_at <= now && do_min_mg_l < highest_told;
        let do_min_at = if falls_on { sunrise } else { usual_at }.clamp(now.min(end), end);
        let rise = self.usual_rise_to_sunrise();
        let do_sunrise_mg_l = (do_min_mg_l + rise).min(oxygen_mg_l).max(do_min_mg_l);
        let slope_from = (now - Span::from_hours(2)).max(sunset - Span::from_hours(1));
        let slope_from =
            evening.aerators_changed_at.map_or(slope_from, |changed| slope_from.max(changed + BLOCK));
        let slope = evening
            .window
            .and_then(|window| theil_sen(&window.blocks(slope_from, now + Span::from_millis(1), BLOCK)))
            .map_or((do_min_mg_l - oxygen_mg_l) / witnesses.hours_left.max(1.0), |(slope, _)| slope);
        let mut limits: Vec<f64> = evening
            .limits
            .do_low_mg_l
            .iter()
            .map(|threshold| threshold.limit)
            .chain(evening.limits.do_forecast_mg_l)
            .filter(|limit| limit.is_finite())
            .collect();
        limits.sort_unstable_by(|a, b| b.total_cmp(a));
        limits.dedup();
        let below = limits
            .into_iter()
            .map(|limit_mg_l| Crossing {
                limit_mg_l,
                at: crossing(now, oxygen_mg_l, do_min_at, do_min_mg_l, limit_mg_l),
                probability: if highest_told < limit_mg_l {
                    1.0
                } else {
                    below_chance(limit_mg_l, do_min_mg_l, error)
                },
            })
            .collect();
        let forecast = Forecast {
            pond: evening.pond,
            at: now,
            oxygen_at: now,
            oxygen_mg_l,
            sunset,
            sunrise,
            do_min_mg_l,
            do_min_at,
            low_80,
            high_80,
            low_tenth_mg_l: low_tenth(do_min_mg_l, error),
            do_sunrise_mg_l,
            night_slope_mg_l_h: slope,
            slope_if_aerators_stop_mg_l_h: evening
                .aeration
                .filter(|aeration| aeration.sotr_kg_h > 0.0)
                .map(|aeration| slope - aeration.tank.gains_mg_l_h(oxygen_mg_l, aeration.sotr_kg_h).1),
            below,
            basis: basis(&witnesses, &weights, shifted_mg_l, do_min_mg_l, self.has_farm()),
        };
        let made = Early { at: now, do_min_mg_l, error: unscaled, low_80, high_80, highest, assumed_kg_h };
        self.keep_for_score(hours, made);
        self.kept = Some(Kept::new(&forecast, error, highest));
        Ok(forecast)
    }
}
