//! What a pond's conditions rest on, what raises and clears them, how they stand.

use alloc::format;
use alloc::string::String;

use super::{dosing, water};
use crate::alarm_set::{Condition, FORECAST_ALARM, FORECAST_CLEAR, Facts, forecast_alarm};
use crate::ammonia_band;
use crate::message::{self, spoken};
use crate::quality::Seen;
use crate::quantity::Quantity;
use crate::said::{Said, fixed, length, said, tenth};
use crate::site::{Pond, Threshold};
use crate::time::Span;

impl Condition {
    /// Key of its limit in the pond's table `limits`.
    pub const fn limit_key(self) -> Option<&'static str> {
        Some(match self {
            Self::DoLow(0) => "do_low_mg_l.warn",
            Self::DoLow(1) => "do_low_mg_l.critical",
            Self::DoLow(_) => "do_low_mg_l.emergency",
            Self::DoFalling => "do_fall_30min_mg_l",
            Self::DoForecast(_) => "do_forecast",
            Self::DoBlind(_) => "do_blind",
            Self::AeratorStopped(_)
            | Self::PlanktonCrash
            | Self::PlanktonBloom
            | Self::LaxLimits
            | Self::DoseDue
            | Self::PhCheck(_)
            | Self::DoseCount => return None,
            Self::PhLow(0) => "ph_low.warn",
            Self::PhLow(_) => "ph_low.critical",
            Self::PhHigh(0) => "ph_high.warn",
            Self::PhHigh(_) => "ph_high.critical",
            Self::Nh3Mean(0) => "nh3_mean_mg_l.warn",
            Self::Nh3Mean(_) => "nh3_mean_mg_l.critical",
            Self::Nh3Peak(0) => "nh3_peak_mg_l.warn",
            Self::Nh3Peak(_) => "nh3_peak_mg_l.critical",
            Self::Water(water) => water.key(),
        })
    }

    /// What it rests on.
    pub(super) const fn quantities(self) -> &'static [Quantity] {
        use Quantity as Q;
        match self {
            Self::DoLow(_) | Self::DoFalling | Self::DoBlind(_) | Self::LaxLimits => &[Q::DoMgL],
            Self::DoForecast(_) => &[Q::DoMgL, Q::TemperatureC],
            Self::AeratorStopped(_) => &[Q::AeratorOn, Q::AeratorKw, Q::DoMgL],
            Self::PhLow(_) | Self::PhHigh(_) | Self::PhCheck(_) | Self::DoseDue => &[Q::Ph],
            Self::DoseCount => &[],
            Self::Nh3Mean(_) | Self::Nh3Peak(_) => &[Q::TanMgL, Q::Ph, Q::TemperatureC, Q::SalinityPsu],
            Self::PlanktonCrash | Self::PlanktonBloom => {
                &[Q::DoMgL, Q::Ph, Q::TemperatureC, Q::ParUmolM2S, Q::AeratorOn, Q::AeratorKw]
            }
            Self::Water(water) => water.quantities(),
        }
    }

    /// What it is about and in which unit.
    fn subject(self) -> (Said, Said) {
        let as_n = || said!("unit-as-n", " mg/L as N");
        match self {
            Self::PhLow(_) | Self::PhHigh(_) => (spoken(Quantity::Ph), Said::default()),
            Self::Nh3Mean(_) => {
                (said!("subject-nh3-mean", "un-ionised ammonia, mean of the last 24 h,"), as_n())
            }
            Self::Nh3Peak(_) => {
                (said!("subject-nh3-peak", "un-ionised ammonia, peak of the last 24 h,"), as_n())
            }
            Self::PlanktonCrash | Self::PlanktonBloom => {
                (said!("subject-production", "the day's oxygen production"), Said::plain(" mg/L"))
            }
            Self::Water(water) => (water.about(), water.unit()),
            _ => (spoken(Quantity::DoMgL), Said::plain(" mg/L")),
        }
    }

    /// What raises it and what clears it.
    pub(super) fn rules(self, pond: &Pond, facts: &Facts<'_>) -> (Said, Said) {
        let limits = &pond.limits;
        if let Some(rules) = dosing::rules(self, pond) {
            return rules;
        }
        if let Some((threshold, is_below)) = self.threshold_now(limits, facts) {
            let decimals = match self {
                Self::Nh3Mean(_) | Self::Nh3Peak(_) => ammonia_band::decimals(threshold.limit),
                _ => 1,
            };
            return limit_rules(self.subject(), decimals, (threshold, is_below), Said::default());
        }
        match self {
            Self::Water(own) => water::rules(own, &limits.water, facts.marks),
            Self::DoFalling => (
                said!(
                    "when-falling",
                    "oxygen more than {fall} mg/L below the second highest minute of the last 30 min, for 15 min",
                    fall = tenth(limits.do_fall_30min_mg_l)
                ),
                said!(
                    "until-falling",
                    "a fall of at most {fall} mg/L in 30 min, for 30 min",
                    fall = fixed(limits.do_fall_30min_mg_l / 2.0, 2)
                ),
            ),
            Self::DoForecast(level) => {
                let limit = limits.do_forecast_mg_l.get(level).copied().unwrap_or_default();
                let chance = facts.forecast.map_or(FORECAST_ALARM, |forecast| {
                    forecast_alarm(forecast, level, facts.forecast_nights)
                });
                (
                    said!(
                        "when-forecast",
                        "a chance of {chance} % or more that oxygen falls below {limit} mg/L before an hour after sunrise, for 15 min",
                        chance = fixed(chance * 100.0, 0),
                        limit = tenth(limit)
                    ),
                    said!(
                        "until-forecast",
                        "a chance below {chance} % for 30 min, or the end of the night",
                        chance = fixed(FORECAST_CLEAR * 100.0, 0)
                    ),
                )
            }
            Self::DoBlind(level) => {
                let after = facts.blind_after.get(level).copied().unwrap_or_default();
                (
                    said!(
                        "when-blind",
                        "no oxygen reading that may warn for {after} between sunset and sunrise",
                        after = length(after)
                    ),
                    said!(
                        "until-blind",
                        "readings that may warn for 5 min, a hand reading entered, or daylight"
                    ),
                )
            }
            Self::PlanktonCrash => (
                said!(
                    "when-crash",
                    "at sunset or sunrise: the day's oxygen production below half the median of the last 7 known days (0.6 of it after a bright day) and below 0.6 of what the other ponds made of theirs, pH rising less by day, and a night respiration of 1.15 times the usual or a bright day; where the disc vanishes much deeper than the day before, below 0.7 of that median and 0.75 of what the others made of theirs"
                ),
                said!("until-crash", "a day's production of 70 % of that median, or 7 days"),
            ),
            Self::PlanktonBloom => (
                said!(
                    "when-bloom",
                    "at sunset: production 1.4 times and the swing of oxygen 1.25 times those of the days before on each of 3 days no brighter than those, 7 known days at least, with oxygen of 12 mg/L or high pH by day and a low night"
                ),
                said!(
                    "until-bloom",
                    "a day's production below 1.15 times that of the days before, or 7 days"
                ),
            ),
            Self::LaxLimits => (
                said!(
                    "when-lax",
                    "a limit of low oxygen below 3.0 (warn), 2.0 (critical) or 1.0 mg/L (emergency): a daily minimum above 3 for feed and growth (Boyd), above 2 (Kramer 1975), and below 1 for hours kills (Boyd)"
                ),
                said!("until-lax", "limits at or above these"),
            ),
            _ => (
                said!("when-stopped", "a group of aerators that ran since sunset stands still for a minute"),
                said!("until-stopped", "the group runs again for 5 min, or the night is over"),
            ),
        }
    }

    /// How it stands now, where it is not in alarm.
    pub(super) fn stands(self, facts: &Facts<'_>) -> Said {
        let value = |seen: Option<Seen>, decimals: usize| match seen {
            Some(seen) => stands_at(self.subject(), fixed(seen.value, decimals)),
            None => said!("stands-unseen", "{what} is not observed", what = self.subject().0),
        };
        let ammonia = |value: Option<f64>| match value {
            Some(value) => {
                let half = ammonia_band::half_band_mg_l(value, None, None, 0.0);
                stands_at(self.subject(), ammonia_band::told_together(value, half))
            }
            None => said!("stands-no-tan", "no TAN of the last two days is known"),
        };
        match self {
            Self::DoLow(_) | Self::DoBlind(_) => value(facts.oxygen, 1),
            Self::PhLow(_) | Self::PhHigh(_) => value(facts.ph, 2),
            Self::DoFalling => facts.fall_30min.map_or_else(
                || said!("stands-few", "there are too few readings of the last 30 min"),
                |fall| {
                    said!(
                        "stands-moved",
                        "oxygen moved by {by} mg/L in 30 min",
                        by = format!("{:+.1}", -fall)
                    )
                },
            ),
            Self::DoForecast(_) if facts.forecast_over => said!("stands-day", "it is day"),
            Self::DoForecast(_) => facts.forecast.map_or_else(
                || said!("stands-no-forecast", "there is no forecast"),
                |forecast| {
                    said!(
                        "stands-lowest",
                        "lowest expected is {lowest} mg/L",
                        lowest = tenth(forecast.do_min_mg_l)
                    )
                },
            ),
            Self::AeratorStopped(_) => {
                said!("stands-none-stopped", "no group has stopped since sunset")
            }
            Self::Nh3Mean(_) => ammonia(facts.ammonia.map(|day| day.mean_mg_l)),
            Self::Nh3Peak(_) => ammonia(facts.ammonia.map(|day| day.peak_mg_l)),
            Self::PlanktonCrash => {
                said!("stands-no-crash", "the day's oxygen production has not collapsed")
            }
            Self::PlanktonBloom => {
                said!("stands-no-bloom", "the day's oxygen production has not risen for days")
            }
            Self::LaxLimits => {
                said!("stands-not-lax", "no limit of low oxygen is below what is safe")
            }
            Self::Water(own) => water::stands(own, facts.marks),
            Self::DoseDue | Self::PhCheck(_) | Self::DoseCount => message::dosing::stands(self, facts),
        }
    }
}

/// A value as it stands: what, value and unit.
pub(super) fn stands_at((what, unit): (Said, Said), value: String) -> Said {
    said!("stands-at", "{what} {value}{unit}", what = what, value = value, unit = unit)
}

/// Beyond a limit for a while, and back for a while. `more` is what else is to be said of the limit.
pub(super) fn limit_rules(
    (what, unit): (Said, Said),
    decimals: usize,
    (threshold, is_below): (Threshold, bool),
    more: Said,
) -> (Said, Said) {
    let after = |span: Span| {
        if span.as_millis() == 0 {
            Said::default()
        } else {
            said!("when-for", " for {span}", span = length(span))
        }
    };
    let limit = fixed(threshold.limit, decimals);
    let (on, off) = (after(threshold.on_delay), after(threshold.off_delay));
    if is_below {
        let edge = fixed(threshold.limit + threshold.deadband, decimals);
        (
            said!(
                "when-below",
                "{what} below {limit}{unit}{after}{more}",
                what = &what,
                limit = limit,
                unit = &unit,
                after = on,
                more = more
            ),
            said!(
                "until-at-least",
                "{what} at or above {limit}{unit}{after}",
                what = what,
                limit = edge,
                unit = unit,
                after = off
            ),
        )
    } else {
        let edge = fixed(threshold.limit - threshold.deadband, decimals);
        (
            said!(
                "when-above",
                "{what} above {limit}{unit}{after}{more}",
                what = &what,
                limit = limit,
                unit = &unit,
                after = on,
                more = more
            ),
            said!(
                "until-at-most",
                "{what} at or below {limit}{unit}{after}",
                what = what,
                limit = edge,
                unit = unit,
                after = off
            ),
        )
    }
}
