//! Which alarms a pond has, and what makes each of them true.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::{Alarm, Delays, Sight};
use crate::dosing::follow_up::FollowUp;
use crate::effect::{Forecast, Priority};
use crate::limit_change;
use crate::metabolism::{Bloom, Crash};
use crate::quality::{HandCheck, Seen};
use crate::site::{Limits, Pond, PondIndex, Threshold};
use crate::time::{Span, Timestamp};
use crate::verdict::Verdict;
use crate::water_limits::{self, Water};

mod ammonia;
mod dosing;
mod forecast;
pub mod marks;

pub use ammonia::SHORT_OF_OXYGEN_MG_L;
pub use forecast::{FORECAST_ALARM, FORECAST_CLEAR, forecast_alarm};
use marks::Marks;

/// A condition of a pond that a person must act on. Within one group, later is graver.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Condition {
    /// Oxygen below warn, critical, emergency.
    DoLow(usize),
    /// Oxygen falling fast.
    DoFalling,
    /// Oxygen forecast below warn, critical before an hour after sunrise.
    DoForecast(usize),
    /// No usable oxygen reading at night, for the first and for the second time limit.
    DoBlind(usize),
    /// An aerator group that ran this night has stopped; several have.
    AeratorStopped(usize),
    /// pH below warn, critical.
    PhLow(usize),
    /// pH above warn, critical.
    PhHigh(usize),
    /// Un-ionised ammonia, mean of the day, above warn, critical.
    Nh3Mean(usize),
    /// Un-ionised ammonia, peak of the day, above warn, critical.
    Nh3Peak(usize),
    /// The day's production has collapsed. Advice, no danger of its own.
    PlanktonCrash,
    /// Production and the swing of oxygen have risen for days. Advice, no danger of its own.
    PlanktonBloom,
    /// A limit of low oxygen is below what is safe: whoever set it, nobody forgets it.
    LaxLimits,
    /// The pond's programme asks for a dose. A reminder.
    DoseDue,
    /// The pH is to be read an hour, four hours, a day after a dose. A reminder.
    PhCheck(usize),
    /// What was counted of containers does not fit what was recorded of doses.
    DoseCount,
    /// Something else of the water is beyond its limit.
    Water(Water),
}

/// Every condition with the last part of its id, its name and its priority. Priorities: oxygen below
/// 3 or unobserved for 20 min, several aerators off: act within 15 min; oxygen below 4 or forecast below 3, pH beyond its
/// critical limits: within the hour; the rest the same day. (Common practice, no source.)
pub const CONDITIONS: [Entry; OWN + water_limits::COUNT] = joined();

/// One of [`CONDITIONS`].
pub type Entry = (Condition, &'static str, &'static str, Priority);

const OWN: usize = OXYGEN_AND_PH.len();

const OXYGEN_AND_PH: [Entry; 26] = [
    (Condition::DoLow(0), "do-low-warn", "Oxygen low", Priority::High),
    (Condition::DoLow(1), "do-low-critical", "Oxygen critically low", Priority::Critical),
    (Condition::DoLow(2), "do-low-emergency", "Oxygen emergency", Priority::Critical),
    (Condition::DoFalling, "do-falling", "Oxygen falling fast", Priority::High),
    (Condition::DoForecast(0), "do-forecast-warn", "Oxygen forecast low", Priority::Medium),
    (Condition::DoForecast(1), "do-forecast-critical", "Oxygen forecast critically low", Priority::High),
    (Condition::DoBlind(0), "do-blind-high", "Oxygen not observed at night", Priority::High),
    (Condition::DoBlind(1), "do-blind-critical", "Oxygen not observed at night for long", Priority::Critical),
    (Condition::AeratorStopped(0), "aerator-stopped", "Aerator stopped at night", Priority::High),
    (
        Condition::AeratorStopped(1),
        "aerators-stopped",
        "Several aerators stopped at night",
        Priority::Critical,
    ),
    (Condition::PhLow(0), "ph-low-warn", "pH low", Priority::Medium),
    (Condition::PhLow(1), "ph-low-critical", "pH critically low", Priority::High),
    (Condition::PhHigh(0), "ph-high-warn", "pH high", Priority::Medium),
    (Condition::PhHigh(1), "ph-high-critical", "pH critically high", Priority::High),
    (Condition::Nh3Mean(0), "nh3-mean-warn", "Un-ionised ammonia high all day", Priority::Medium),
    (Condition::Nh3Mean(1), "nh3-mean-critical", "Un-ionised ammonia critical all day", Priority::High),
    (Condition::Nh3Peak(0), "nh3-peak-warn", "Un-ionised ammonia peak high", Priority::Medium),
    (Condition::Nh3Peak(1), "nh3-peak-critical", "Un-ionised ammonia peak critical", Priority::High),
    (Condition::PlanktonCrash, "plankton-crash", "Plankton may have crashed", Priority::Medium),
    (Condition::PlanktonBloom, "plankton-bloom", "Plankton blooms", Priority::Medium),
    (Condition::LaxLimits, "do-limits-lax", "Oxygen limits set dangerously low", Priority::High),
    (Condition::DoseDue, "dose-due", "Dose due", Priority::Medium),
    (Condition::PhCheck(0), "ph-check-1h", "pH to be read 1 h after a dose", Priority::Medium),
    (Condition::PhCheck(1), "ph-check-4h", "pH to be read 4 h after a dose", Priority::Medium),
    (Condition::PhCheck(2), "ph-check-24h", "pH to be read 24 h after a dose", Priority::Medium),
    (Condition::DoseCount, "dose-count", "Dose and containers disagree", Priority::Medium),
];

#[expect(clippy::indexing_slicing, reason = "worked out when the program is built")]
const fn joined() -> [Entry; OWN + water_limits::COUNT] {
    let mut all = [OXYGEN_AND_PH[0]; OWN + water_limits::COUNT];
    let mut place = 0;
    while place < all.len() {
        all[place] = if place < OWN {
            OXYGEN_AND_PH[place]
        } else {
            let water = Water::ALL[place - OWN];
            (Condition::Water(water), water.suffix(), water.name(), water.priority())
        };
        place += 1;
    }
    all
}

/// A farm day is judged once, and what is found of it needs no further delay.
const DAY_DELAYS: Delays = Delays::minutes(0, 0);

/// Falling and forecast oxygen: delays of 15 and 30 minutes. (Common practice, no source.)
const TREND_DELAYS: Delays = Delays::minutes(15, 30);

/// Data that has come back must stay for five minutes. (Common practice, no source.)
const BLIND_DELAYS: Delays = Delays::minutes(0, 5);

/// A stopped aerator is announced after a minute, so that a change of speed is no stop; one that turns
/// again must do so for five. (Common practice, no source.)
const STOPPED_DELAYS: Delays = Delays::minutes(1, 5);

/// Un-ionised ammonia over the last day, from a test-kit value and the day's pH and temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct AmmoniaDay {
    /// Mean, mg/L as N.
    pub mean_mg_l: f64,
    /// Highest, mg/L as N.
    pub peak_mg_l: f64,
    /// The test-kit value behind it, mg/L as N.
    pub tan_mg_l: f64,
    /// Whether any part of it was suspect.
    pub suspect: bool,
}

/// What a pond's alarms are judged by.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Facts<'a> {
    /// The lowest of the present oxygen values, suspect ones included.
    pub oxygen: Option<Seen>,
    /// Fall of oxygen over the last half hour, mg/L.
    pub fall_30min: Option<f64>,
    /// Since when no value of oxygen may warn; `None` where none is expected.
    pub oxygen_unseen_since: Option<Timestamp>,
    /// Longer limits than the pond's where its probe reports too seldom for them.
    pub blind_after: [Span; 2],
    /// Whether blindness counts: night.
    pub is_watch: bool,
    /// Tonight's forecast, if it stands.
    pub forecast: Option<&'a Forecast>,
    /// How many nights of this pond it rests on.
    pub forecast_nights: usize,
    /// Whether there is nothing to forecast: day.
    pub forecast_over: bool,
    /// Aerator groups that ran this night and have stopped: one bit per group.
    pub stopped: u64,
    /// Aerator groups that are not known to run and have not stopped tonight: what is left to start.
    pub startable: u64,
    /// Where aerators have stopped: how long until oxygen is critical if none runs. `None` where that is
    /// not known, `Some(None)` where it does not fall so low before sunrise.
    pub left_without: Option<Option<Span>>,
    /// Present pH.
    pub ph: Option<Seen>,
    /// Ammonia over the last day.
    pub ammonia: Option<AmmoniaDay>,
    /// Slope of oxygen over the last hour, mg/L per hour.
    pub slope_mg_l_h: Option<f64>,
    /// A hand meter speaks for a doubted oxygen probe: what both read, and for how much longer.
    pub hand_counts: Option<(HandCheck, Span)>,
    /// The production that collapsed, if it did.
    pub crash: Option<Crash>,
    /// The production that rose for days, if it did.
    pub bloom: Option<Bloom>,
    /// Everything else of the water.
    pub marks: Option<&'a Marks>,
    /// What the pond's doses ask for.
    pub doses: Option<&'a FollowUp>,
    /// Sensor or water, where oxygen is in doubt, low or falling.
    pub verdict: Option<&'a Verdict>,
    /// Present time.
    pub now: Timestamp,
}

/// Oxygen from which on a stopped aerator is no cause for haste, mg/L: 1 mg/L above the warning limit
/// (common practice, no source).
pub fn ample_mg_l(limits: &Limits) -> f64 {
    let [warn, ..] = limits.do_low_mg_l;
    warn.limit + 1.0
}

/// Oxygen that gains more than this rises, mg/L per hour. (Common practice, no source.)
pub const RISING_MG_L_H: f64 = 0.1;

/// Rising oxygen that is back within its limit so soon keeps an acknowledged alarm silent. (Common practice,
/// no source.)
const RECOVERS_WITHIN: Span = Span::from_hours(4);

impl Condition {
    /// The condition of the same kind that is one level graver, if there is one.
    pub const fn graver(self) -> Option<Self> {
        match self {
            Self::DoLow(level) if level < 2 => Some(Self::DoLow(level + 1)),
            Self::DoForecast(0) => Some(Self::DoForecast(1)),
            Self::DoBlind(0) => Some(Self::DoBlind(1)),
            Self::AeratorStopped(0) => Some(Self::AeratorStopped(1)),
            Self::PhLow(0) => Some(Self::PhLow(1)),
            Self::PhHigh(0) => Some(Self::PhHigh(1)),
            Self::Nh3Mean(0) => Some(Self::Nh3Mean(1)),
            Self::Nh3Peak(0) => Some(Self::Nh3Peak(1)),
            Self::Water(water) => match water.graver() {
                Some(graver) => Some(Self::Water(graver)),
                None => None,
            },
            _ => None,
        }
    }

    /// The threshold of a simple limit, and whether the danger lies below it.
    pub fn threshold(self, limits: &Limits) -> Option<(Threshold, bool)> {
        let pick =
            |thresholds: &[Threshold], level: usize, below: bool| thresholds.get(level).map(|&t| (t, below));
        match self {
            Self::DoLow(level) => pick(&limits.do_low_mg_l, level, true),
            Self::PhLow(level) => pick(&limits.ph_low, level, true),
            Self::PhHigh(level) => pick(&limits.ph_high, level, false),
            Self::Nh3Mean(level) => pick(&limits.nh3_mean_mg_l, level, false),
            Self::Nh3Peak(level) => pick(&limits.nh3_peak_mg_l, level, false),
            Self::DoFalling
            | Self::DoForecast(_)
            | Self::DoBlind(_)
            | Self::AeratorStopped(_)
            | Self::PlanktonCrash
            | Self::PlanktonBloom
            | Self::LaxLimits
            | Self::DoseDue
            | Self::PhCheck(_)
            | Self::DoseCount
            | Self::Water(_) => None,
        }
    }

    /// The threshold that counts now, and whether the danger lies below it.
    pub fn threshold_now(self, limits: &Limits, facts: &Facts<'_>) -> Option<(Threshold, bool)> {
        let (threshold, below) = self.threshold(limits)?;
        let now = match self {
            Self::Nh3Mean(_) | Self::Nh3Peak(_) if ammonia::is_short(facts.oxygen) => {
                ammonia::halved(threshold)
            }
            _ => threshold,
        };
        Some((now, below))
    }

    /// Whether an acknowledged alarm need not sound again.
    ///
    /// Aerators are off, but either everything else runs, and low oxygen has alarms of its own, or there is
    /// oxygen enough, so that whoever acknowledged has probably switched them. Oxygen is low, but what was
    /// done about it helps: it rises, and fast enough to be out of danger soon. A doubtful probe's rise is no
    /// such comfort.
    pub fn is_calm(self, limits: &Limits, facts: &Facts<'_>) -> bool {
        match self {
            Self::AeratorStopped(_) => {
                let is_ample = facts.oxygen.is_some_and(|seen| seen.value >= ample_mg_l(limits));
                is_ample || facts.startable == 0
            }
            Self::DoLow(_) => {
                let (Some((threshold, _)), Some(seen)) = (self.threshold(limits), facts.oxygen) else {
                    return false;
                };
                let slope =
                    facts.slope_mg_l_h.filter(|&slope| slope > RISING_MG_L_H && seen.flag.is_usable());
                let missing = threshold.limit + threshold.deadband - seen.value;
                slope.is_some_and(|slope| missing / slope <= RECOVERS_WITHIN.as_hours())
            }
            _ => false,
        }
    }

    /// Whether a loss of the farm's power by itself makes it true. Never so for oxygen: that is what is
    /// at stake then.
    pub const fn is_by_power(self) -> bool {
        matches!(self, Self::AeratorStopped(_))
    }

    /// Whether fresh water on top by itself makes it true: rain changes salt and warmth. What that does to
    /// oxygen and pH is never hidden behind it.
    pub const fn is_by_layers(self) -> bool {
        matches!(
            self,
            Self::Water(
                Water::SalinityChangeWarn
                    | Water::SalinityChangeCritical
                    | Water::TemperatureChangeHour
                    | Water::TemperatureChangeHalfDay
            )
        )
    }

    /// Whether it is a reminder that is silent while the reminder of the pond's next dose is put aside.
    pub const fn is_by_dosing(self) -> bool {
        matches!(self, Self::PhCheck(_))
    }

    fn measured(self, facts: &Facts<'_>) -> Option<f64> {
        match self {
            Self::DoLow(_) => facts.oxygen.map(|seen| seen.value),
            Self::PhLow(_) | Self::PhHigh(_) => facts.ph.map(|seen| seen.value),
            Self::Nh3Mean(_) => facts.ammonia.map(|day| day.mean_mg_l),
            Self::Nh3Peak(_) => facts.ammonia.map(|day| day.peak_mg_l),
            Self::DoFalling
            | Self::DoForecast(_)
            | Self::DoBlind(_)
            | Self::AeratorStopped(_)
            | Self::PlanktonCrash
            | Self::PlanktonBloom
            | Self::LaxLimits
            | Self::DoseDue
            | Self::PhCheck(_)
            | Self::DoseCount
            | Self::Water(_) => None,
        }
    }

    /// What is seen of the condition now, and the delays that apply.
    pub fn sight(self, limits: &Limits, facts: &Facts<'_>) -> (Sight, Delays) {
        if let Self::Water(water) = self {
            return water.sight(&limits.water, facts.marks);
        }
        if let Some((threshold, below)) = self.threshold(limits) {
            let delays = Delays { on: threshold.on_delay, off: threshold.off_delay };
            let seen = |value| match self {
                Self::Nh3Mean(_) | Self::Nh3Peak(_) => ammonia::sight(threshold, value, facts.oxygen),
                _ => side(threshold, below, value),
            };
            return (self.measured(facts).map_or(Sight::Unseen, seen), delays);
        }
        match self {
            Self::DoFalling => {
                let sight = facts.fall_30min.map_or(Sight::Unseen, |fall| {
                    if fall > limits.do_fall_30min_mg_l {
                        Sight::Beyond
                    } else if fall > limits.do_fall_30min_mg_l / 2.0 {
                        Sight::Deadband
                    } else {
                        Sight::Clear
                    }
                });
                (sight, TREND_DELAYS)
            }
            Self::DoForecast(level) => (forecast::sight(limits, facts, level), forecast::DELAYS),
            Self::DoBlind(level) => {
                let sight = match (facts.oxygen_unseen_since, facts.blind_after.get(level)) {
                    (Some(since), Some(&after)) if facts.is_watch => {
                        if facts.now >= since + after {
                            Sight::Beyond
                        } else {
                            Sight::Clear
                        }
                    }
                    _ => Sight::Clear,
                };
                (sight, BLIND_DELAYS)
            }
            Self::AeratorStopped(level) => {
                // Several that stop together are one event: the milder alarm keeps standing if it does,
                // but is not raised beside the graver one.
                let sight = match (facts.stopped.count_ones(), level) {
                    (0, _) | (1, 1..) => Sight::Clear,
                    (1, 0) | (2.., 1..) => Sight::Beyond,
                    (2.., 0) => Sight::Deadband,
                };
                (sight, STOPPED_DELAYS)
            }
            Self::PlanktonCrash => (found(facts.crash.is_some()), DAY_DELAYS),
            Self::PlanktonBloom => (found(facts.bloom.is_some()), DAY_DELAYS),
            Self::LaxLimits => (found(limit_change::below_floor(limits).next().is_some()), DAY_DELAYS),
            _ => dosing::sight(self, facts).unwrap_or((Sight::Unseen, TREND_DELAYS)),
        }
    }

    /// When the condition becomes true by the passing of time alone.
    pub fn deadline(self, facts: &Facts<'_>) -> Option<Timestamp> {
        match self {
            Self::DoBlind(level) if facts.is_watch => {
                Some(facts.oxygen_unseen_since? + facts.blind_after.get(level).copied()?)
            }
            _ => dosing::deadline(self, facts),
        }
    }
}

fn found(is_found: bool) -> Sight {
    if is_found { Sight::Beyond } else { Sight::Clear }
}

fn side(threshold: Threshold, below: bool, value: f64) -> Sight {
    let (beyond, back) = if below {
        (value < threshold.limit, value >= threshold.limit + threshold.deadband)
    } else {
        (value > threshold.limit, value <= threshold.limit - threshold.deadband)
    };
    match (beyond, back) {
        (true, _) => Sight::Beyond,
        (_, true) => Sight::Clear,
        _ => Sight::Deadband,
    }
}

/// A pond's alarms in the normal state, in the order of [`CONDITIONS`].
pub fn alarms(index: PondIndex, pond: &Pond) -> Vec<Alarm> {
    CONDITIONS
        .iter()
        .map(|&(_, suffix, name, priority)| {
            Alarm::new(format!("{}.{suffix}", pond.id), String::from(name), Some(index), priority)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::effect::Flag;

    fn oxygen(value: f64) -> Facts<'static> {
        Facts { oxygen: Some(Seen { value, at: Timestamp(0), flag: Flag::Pass }), ..Facts::default() }
    }

    /// Limits 4, 3 and 2 mg/L, each with a deadband of 0.4.
    #[test]
    fn low_oxygen_is_judged_at_its_three_levels() {
        let limits = Limits::grow_out();
        let table = [
            (4.4, [Sight::Clear, Sight::Clear, Sight::Clear]),
            (4.39, [Sight::Deadband, Sight::Clear, Sight::Clear]),
            (4.0, [Sight::Deadband, Sight::Clear, Sight::Clear]),
            (3.99, [Sight::Beyond, Sight::Clear, Sight::Clear]),
            (3.2, [Sight::Beyond, Sight::Deadband, Sight::Clear]),
            (2.99, [Sight::Beyond, Sight::Beyond, Sight::Clear]),
            (1.0, [Sight::Beyond, Sight::Beyond, Sight::Beyond]),
        ];
        for (value, expected) in table {
            let seen = [0, 1, 2].map(|level| Condition::DoLow(level).sight(&limits, &oxygen(value)).0);
            assert_eq!(seen, expected, "at {value} mg/L");
        }
    }

    #[test]
    fn blindness_is_judged_at_night_only() {
        let limits = Limits::grow_out();
        let since = Timestamp(0);
        for (minutes, is_watch, expected) in [
            (9, true, [Sight::Clear, Sight::Clear]),
            (10, true, [Sight::Beyond, Sight::Clear]),
            (20, true, [Sight::Beyond, Sight::Beyond]),
            (20, false, [Sight::Clear, Sight::Clear]),
        ] {
            let facts = Facts {
                oxygen_unseen_since: Some(since),
                blind_after: limits.do_blind_after,
                is_watch,
                now: since + Span::from_minutes(minutes),
                ..Facts::default()
            };
            let seen = [0, 1].map(|level| Condition::DoBlind(level).sight(&limits, &facts).0);
            assert_eq!(seen, expected, "after {minutes} min");
        }
    }

    /// 2.5 mg/L has 0.9 to go until it is past the deadband of the critical limit.
    #[test]
    fn low_oxygen_is_let_be_only_while_it_rises_fast_enough() {
        let limits = Limits::grow_out();
        let calm = |slope: Option<f64>, flag| {
            let oxygen = Some(Seen { value: 2.5, at: Timestamp(0), flag });
            Condition::DoLow(1).is_calm(&limits, &Facts { oxygen, slope_mg_l_h: slope, ..Facts::default() })
        };
        assert!(calm(Some(0.3), Flag::Pass), "back in three hours");
        assert!(!calm(Some(0.2), Flag::Pass), "in four and a half");
        assert!(!calm(Some(0.0), Flag::Pass) && !calm(Some(-0.3), Flag::Pass) && !calm(None, Flag::Pass));
        assert!(!calm(Some(0.3), Flag::Suspect), "a doubtful probe's rise is no comfort");
        let unseen = Facts { slope_mg_l_h: Some(0.3), ..Facts::default() };
        assert!(!Condition::DoLow(1).is_calm(&limits, &unseen));
    }

    #[test]
    fn every_alarm_has_an_id_of_its_own() {
        for (index, (condition, suffix, ..)) in CONDITIONS.iter().enumerate() {
            for (other, other_suffix, ..) in CONDITIONS.iter().skip(index + 1) {
                assert_ne!(suffix, other_suffix);
                assert_ne!(condition, other);
            }
        }
    }
}
