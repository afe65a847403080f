//! Where the night's oxygen is heading.
//!
//! The forecast is made from sunset to sunrise, each quarter of an hour, from three witnesses: a
//! straight line and an exponential course through this evening's readings, and the pond's own
//! recent nights. Evening lines alone fail because the fall flattens after dusk; most skill is memory.

use alloc::collections::VecDeque;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::effect::{Crossing, Forecast};
use crate::message::length;
use crate::quality::Seen;
use crate::regression::{Regression, Terms};
use crate::site::{Limits, PondIndex};
use crate::sunlight::{LOW_UNTIL, Night};
use crate::time::{Span, Timestamp};
use crate::window::{Window, median, theil_sen};

mod course;
mod fan;
mod kept;
mod past;
mod score;
mod witness;

pub use fan::CoursePoint;
use kept::Kept;
pub use past::{EarlyForecastView, PastNightView};
pub use score::ForecastScore;
use score::{Early, SCORED_AFTER_H, Scored};

use course::{HALF_HOUR, below_chance, crossing, lasting_low};
use witness::{Memory, USUAL_SHARE_PER_HOUR, Witnesses, basis, shipped, shipped_error};

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

/// A night that is over.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct PastNight {
    sunset: Timestamp,
    sunrise: Timestamp,
    /// Its forecast as it was scored; `None` where none could be made.
    early: Option<Early>,
    low_mg_l: f64,
    /// How long after sunset.
    low_after: Span,
    /// Oxygen each hour after sunset.
    course_mg_l: [Option<f64>; COURSE_HOURS],
    sunrise_mg_l: Option<f64>,
}

/// What the forecast is made from.
#[derive(Debug, Clone, Copy)]
pub struct Evening<'a> {
    /// The pond.
    pub pond: PondIndex,
    /// Now.
    pub now: Timestamp,
    /// Present oxygen.
    pub oxygen: Option<Seen>,
    /// Its readings.
    pub window: Option<&'a Window>,
    /// Present saturation.
    pub saturation_mg_l: Option<f64>,
    /// When an aerator was last switched.
    pub aerators_changed_at: Option<Timestamp>,
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
    refusal: Option<String>,
    /// The last forecast of tonight that rested on usable readings.
    kept: Option<Kept>,
    /// Tonight's forecast as it is scored in the morning.
    early: Option<Early>,
    /// The last nights' scores, newest last.
    scores: VecDeque<Scored>,
    past: VecDeque<PastNight>,
    /// One rule per full hour after sunset; empty until the first night is over.
    rules: Vec<Regression>,
    /// What tonight's forecasts were made from at each full hour: hour, terms, oxygen, shipped error.
    tonight: Vec<(usize, Terms, f64, f64)>,
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
        self.tonight.clear();
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
            self.refusal = Some(String::from("an aerator was switched, and the new slope is not known yet"));
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
    pub fn refusal(&self) -> Option<&str> {
        self.refusal.as_deref()
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
    ) -> Result<Witnesses, String> {
        let now = evening.now;
        let oxygen = evening.oxygen.ok_or_else(|| String::from("there is no usable oxygen reading"))?;
        if !oxygen.flag.is_usable() {
            return Err(String::from("the oxygen reading is suspect, check with a hand meter"));
        }
        if let Some(changed) = evening.aerators_changed_at
            && now - changed < AFTER_SWITCHING
        {
            let left = length(changed + AFTER_SWITCHING - now);
            return Err(format!("an aerator was switched, and the new slope is known only in {left}"));
        }
        let window = evening.window.ok_or_else(|| String::from("no oxygen probe has reported yet"))?;
        let recent = window.between(now - Span::from_minutes(90), now).count();
        if recent < 3 {
            return Err(format!(
                "there are {recent} usable oxygen readings of the last 90 min, and 3 are needed"
            ));
        }
        let oxygen_mg_l = window.mean(now - Span::from_minutes(10), now).unwrap_or(oxygen.value);
        let hours_left = (sunrise - now).as_hours().max(0.0);
        let fit_from = evening.aerators_changed_at.map_or(sunset, |changed| sunset.max(changed + BLOCK));
        // Late at night half hours are enough points for a line, and cost a quarter.
        let every = if now - fit_from > Span::from_hours(4) { HALF_HOUR } else { BLOCK };
        let points = window.blocks(fit_from, now + Span::from_millis(1), every);
        let usual = oxygen_mg_l * (1.0 - libm::exp(-USUAL_SHARE_PER_HOUR * hours_left));
        let (mut line, mut exponential) = (usual, usual);
        if points.len() >= 4 {
            if let Some((slope, _)) = theil_sen(&points) {
                line = (-slope * hours_left).clamp(0.0, oxygen_mg_l);
            }
            let logarithms: Vec<(f64, f64)> =
                points.iter().map(|&(hour, value)| (hour, libm::log(value.max(0.1)))).collect();
            if let Some((rate, _)) = theil_sen(&logarithms) {
                exponential = oxygen_mg_l * (1.0 - libm::exp(rate.min(0.0) * hours_left));
            }
        }
        Ok(Witnesses {
            oxygen_mg_l,
            hours_left,
            line,
            exponential,
            usual,
            memory: self.memory((now - sunset).as_hours()),
            deficit: evening.saturation_mg_l.map_or(0.0, |saturation| saturation - oxygen_mg_l),
        })
    }

    /// What recent nights say, `hours` after their sunset.
    fn memory(&self, hours: f64) -> Option<Memory> {
        let (mut falls, mut lows, mut nights) = (0.0, 0.0, 0.0);
        let mut last = None;
        for night in &self.past {
            let Some(oxygen) = night.at(hours) else { continue };
            let fall = (oxygen - night.low_mg_l).max(0.0);
            falls += fall;
            lows += night.low_mg_l;
            nights += 1.0;
            last = Some((fall, night.low_mg_l));
        }
        let (last_fall, last_low) = last?;
        Some(Memory {
            mean_fall: falls / nights,
            last_fall,
            mean_low: lows / nights,
            last_low,
            nights: nights as usize,
        })
    }

    fn forecast_now(
        &mut self,
        evening: &Evening<'_>,
        sunset: Timestamp,
        sunrise: Timestamp,
    ) -> Result<Forecast, String> {
        let now = evening.now;
        let witnesses = self.witnesses(evening, sunset, sunrise)?;
        let terms = witnesses.terms();
        let hours = (now - sunset).as_hours();
        let phase = (libm::round(hours).max(0.0) as usize).min(COURSE_HOURS - 1);
        let shipped_error = shipped_error(witnesses.hours_left);
        let rule = self.rules.get(phase);
        let fall = rule
            .map_or_else(|| Regression::new(&shipped(phase)).estimate(&terms), |rule| rule.estimate(&terms));
        let error = rule.map_or(shipped_error, |rule| rule.standard_error(shipped_error));
        if libm::fabs(hours - phase as f64) < 0.05 {
            self.tonight.push((phase, terms, witnesses.oxygen_mg_l, shipped_error));
        }
        let oxygen_mg_l = witnesses.oxygen_mg_l;
        let already = evening.window.and_then(|window| lasting_low(window, sunset, now));
        let highest = already.unwrap_or(oxygen_mg_l).min(oxygen_mg_l);
        let do_min_mg_l = (oxygen_mg_l - fall.max(0.0)).clamp(0.0, highest);
        // While there is little memory, what the two evening courses disagree by is doubt as well.
        let nights = witnesses.memory.map_or(0, |memory| memory.nights);
        let spread = (witnesses.line - witnesses.exponential) / (1.0 + nights as f64);
        let unscaled = libm::sqrt(error * error + 0.25 * spread * spread);
        let error = unscaled * self.interval_scale();
        let (low_80, high_80) = (
            (do_min_mg_l - Z_80 * error).max(0.0),
            (do_min_mg_l + Z_80 * error).min(highest).max(do_min_mg_l),
        );
        let end = sunrise + LOW_UNTIL;
        let do_min_at =
            self.usual_low_after().map_or(sunrise, |after| sunset + after).clamp(now.min(end), end);
        let rise = self.usual_rise_to_sunrise();
        let do_sunrise_mg_l = (do_min_mg_l + rise).min(oxygen_mg_l).max(do_min_mg_l);
        let slope_from = (now - Span::from_hours(2)).max(sunset - Span::from_hours(1));
        let slope_from =
            evening.aerators_changed_at.map_or(slope_from, |changed| slope_from.max(changed + BLOCK));
        let slope = evening
            .window
            .and_then(|window| theil_sen(&window.blocks(slope_from, now + Span::from_millis(1), BLOCK)))
            .map_or(-fall / witnesses.hours_left.max(1.0), |(slope, _)| slope);
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
                probability: if highest < limit_mg_l {
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
            do_sunrise_mg_l,
            night_slope_mg_l_h: slope,
            below,
            basis: basis(&witnesses),
        };
        if hours >= SCORED_AFTER_H && self.early.is_none() {
            self.early = Some(Early { at: now, do_min_mg_l, error: unscaled, low_80, high_80 });
        }
        self.kept = Some(Kept::new(&forecast, error, highest));
        Ok(forecast)
    }

    fn usual_low_after(&self) -> Option<Span> {
        let mut after: Vec<f64> = self.past.iter().map(|night| night.low_after.as_hours()).collect();
        median(&mut after).map(|hours| Span::from_millis((hours * 3_600_000.0) as i64))
    }

    fn usual_rise_to_sunrise(&self) -> f64 {
        let mut rises: Vec<f64> = self
            .past
            .iter()
            .filter_map(|night| Some((night.sunrise_mg_l? - night.low_mg_l).max(0.0)))
            .collect();
        median(&mut rises).unwrap_or(0.0)
    }

    /// Keeps the night that is over, and learns from it. A night of which less than seven tenths was
    /// seen teaches nothing.
    fn remember(&mut self, evening: &Evening<'_>, sunset: Timestamp, sunrise: Timestamp) {
        let tonight = core::mem::take(&mut self.tonight);
        let Some(window) = evening.window else { return };
        let end = sunrise + LOW_UNTIL;
        let seen = window.blocks(sunset, end, HALF_HOUR).len() as f64;
        if seen < 0.7 * (end - sunset).as_hours() * 2.0 {
            return;
        }
        let Some(low_mg_l) = lasting_low(window, sunset, end) else { return };
        let early = self.early;
        self.score(low_mg_l);
        if self.rules.is_empty() {
            self.rules = (0..COURSE_HOURS).map(|phase| Regression::new(&shipped(phase))).collect();
        }
        for (phase, terms, oxygen_mg_l, error) in tonight {
            if let Some(rule) = self.rules.get_mut(phase) {
                rule.learn(&shipped(phase), &terms, (oxygen_mg_l - low_mg_l).max(0.0), error);
            }
        }
        let around = |at: Timestamp| window.mean(at - BLOCK, at + BLOCK);
        let low_hours = window
            .blocks(sunset, end, HALF_HOUR)
            .into_iter()
            .min_by(|(_, a), (_, b)| a.total_cmp(b))
            .map_or(0.0, |(hour, _)| hour);
        if self.past.len() >= NIGHTS {
            self.past.pop_front();
        }
        self.past.push_back(PastNight {
            sunset,
            sunrise,
            early,
            low_mg_l,
            low_after: Span::from_millis((low_hours * 3_600_000.0) as i64),
            course_mg_l: core::array::from_fn(|hour| {
                around(sunset + Span::from_hours(hour as i64))
                    .filter(|_| sunset + Span::from_hours(hour as i64) <= end)
            }),
            sunrise_mg_l: around(sunrise),
        });
    }
}

impl PastNight {
    /// Oxygen so many hours after sunset, between the full hours.
    fn at(&self, hours: f64) -> Option<f64> {
        let whole = libm::floor(hours.max(0.0));
        let before = self.course_mg_l.get(whole as usize).copied().flatten()?;
        let after = self.course_mg_l.get(whole as usize + 1).copied().flatten().unwrap_or(before);
        Some(before + (hours.max(0.0) - whole) * (after - before))
    }
}
