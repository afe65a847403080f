//! A pond's conditions explained.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use pondreeve_chemistry::formulas::{NH3_NBS, OXYGEN_SATURATION, OXYGEN_TRANSFER, THEIL_SEN};

use super::{Why, Witness, Worked, dosing, number, water, witness};
use crate::alarm::Alarm;
use crate::alarm_set::{Condition, FORECAST_ALARM, FORECAST_CLEAR, Facts};
use crate::derived::{self, Water};
use crate::effect::Flag;
use crate::message::{self, length, word};
use crate::pond::{PondState, Scene};
use crate::quality::Seen;
use crate::quantity::Quantity;
use crate::site::Pond;

/// More groups than a screen shows.
const MOST_GROUPS: usize = 8;

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
    const fn quantities(self) -> &'static [Quantity] {
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
    const fn subject(self) -> (&'static str, &'static str) {
        match self {
            Self::PhLow(_) | Self::PhHigh(_) => ("pH", ""),
            Self::Nh3Mean(_) => ("un-ionised ammonia, mean of the last 24 h,", " mg/L as N"),
            Self::Nh3Peak(_) => ("un-ionised ammonia, peak of the last 24 h,", " mg/L as N"),
            Self::PlanktonCrash | Self::PlanktonBloom => ("the day's oxygen production", " mg/L"),
            Self::Water(water) => water.subject(),
            _ => ("oxygen", " mg/L"),
        }
    }

    /// What raises it and what clears it.
    fn rules(self, pond: &Pond, facts: &Facts<'_>) -> (String, String) {
        let limits = &pond.limits;
        if let Some(rules) = dosing::rules(self, pond) {
            return rules;
        }
        if let Some((threshold, below)) = self.threshold_now(limits, facts) {
            let (what, unit) = self.subject();
            let decimals = if matches!(self, Self::Nh3Mean(_) | Self::Nh3Peak(_)) { 3 } else { 1 };
            let (beyond, back, edge) = if below {
                ("below", "at or above", threshold.limit + threshold.deadband)
            } else {
                ("above", "at or below", threshold.limit - threshold.deadband)
            };
            let after = |span: crate::time::Span| {
                if span.as_millis() == 0 { String::new() } else { format!(" for {}", length(span)) }
            };
            return (
                format!("{what} {beyond} {:.decimals$}{unit}{}", threshold.limit, after(threshold.on_delay)),
                format!("{what} {back} {edge:.decimals$}{unit}{}", after(threshold.off_delay)),
            );
        }
        match self {
            Self::Water(own) => water::rules(own, &limits.water, facts.marks),
            Self::DoFalling => (
                format!(
                    "oxygen more than {:.1} mg/L below the second highest minute of the last 30 min, for 15 min",
                    limits.do_fall_30min_mg_l
                ),
                format!(
                    "a fall of at most {:.2} mg/L in 30 min, for 30 min",
                    limits.do_fall_30min_mg_l / 2.0
                ),
            ),
            Self::DoForecast(level) => {
                let limit = limits.do_forecast_mg_l.get(level).copied().unwrap_or_default();
                (
                    format!(
                        "a chance of {:.0} % or more that oxygen falls below {limit:.1} mg/L before an hour after sunrise, for 15 min",
                        FORECAST_ALARM * 100.0
                    ),
                    format!(
                        "a chance below {:.0} % for 30 min, or the end of the night",
                        FORECAST_CLEAR * 100.0
                    ),
                )
            }
            Self::DoBlind(level) => {
                let after = facts.blind_after.get(level).copied().unwrap_or_default();
                (
                    format!(
                        "no oxygen reading that may warn for {} between sunset and sunrise",
                        length(after)
                    ),
                    String::from("readings that may warn for 5 min, a hand reading entered, or daylight"),
                )
            }
            Self::PlanktonCrash => (
                String::from(
                    "at sunset or sunrise: the day's oxygen production below half the median of the last 7 known days (0.6 of it after a bright day) and below 0.6 of what the other ponds made of theirs, pH rising less by day, and a night respiration of 1.15 times the usual or a bright day",
                ),
                String::from("a day's production of 70 % of that median, or 7 days"),
            ),
            Self::PlanktonBloom => (
                String::from(
                    "at sunset: production 1.4 times and the swing of oxygen 1.25 times those of the days before on each of 3 days no brighter than those, 7 known days at least, with oxygen of 12 mg/L or high pH by day and a low night",
                ),
                String::from("a day's production below 1.15 times that of the days before, or 7 days"),
            ),
            Self::LaxLimits => (
                String::from(
                    "a limit of low oxygen below 3.0 (warn), 2.0 (critical) or 1.0 mg/L (emergency): a daily minimum above 3 for feed and growth (Boyd), above 2 (Kramer 1975), and below 1 for hours kills (Boyd)",
                ),
                String::from("limits at or above these"),
            ),
            _ => (
                String::from("a group of aerators that ran since sunset stands still for a minute"),
                String::from("the group runs again for 5 min, or the night is over"),
            ),
        }
    }

    /// How it stands now, where it is not in alarm.
    fn stands(self, facts: &Facts<'_>) -> String {
        let (what, unit) = self.subject();
        let value = |seen: Option<Seen>, decimals: usize| {
            seen.map_or_else(
                || format!("{what} is not observed"),
                |seen| format!("{what} {:.decimals$}{unit}", seen.value),
            )
        };
        match self {
            Self::DoLow(_) | Self::DoBlind(_) => value(facts.oxygen, 1),
            Self::PhLow(_) | Self::PhHigh(_) => value(facts.ph, 2),
            Self::DoFalling => facts.fall_30min.map_or_else(
                || String::from("there are too few readings of the last 30 min"),
                |fall| format!("oxygen moved by {:+.1} mg/L in 30 min", -fall),
            ),
            Self::DoForecast(_) if facts.forecast_over => String::from("it is day"),
            Self::DoForecast(_) => facts.forecast.map_or_else(
                || String::from("there is no forecast"),
                |forecast| format!("lowest expected is {:.1} mg/L", forecast.do_min_mg_l),
            ),
            Self::AeratorStopped(_) => String::from("no group has stopped since sunset"),
            Self::Nh3Mean(_) => facts.ammonia.map_or_else(
                || String::from("no TAN of the last two days is known"),
                |day| format!("{what} {:.3}{unit}", day.mean_mg_l),
            ),
            Self::Nh3Peak(_) => facts.ammonia.map_or_else(
                || String::from("no TAN of the last two days is known"),
                |day| format!("{what} {:.3}{unit}", day.peak_mg_l),
            ),
            Self::PlanktonCrash => String::from("the day's oxygen production has not collapsed"),
            Self::PlanktonBloom => String::from("the day's oxygen production has not risen for days"),
            Self::LaxLimits => String::from("no limit of low oxygen is below what is safe"),
            Self::Water(own) => water::stands(own, facts.marks),
            Self::DoseDue | Self::PhCheck(_) | Self::DoseCount => message::dosing::stands(self, facts),
        }
    }
}

impl PondState {
    /// Explains one of the pond's alarms.
    pub(crate) fn why_alarm(
        &self,
        scene: &Scene<'_>,
        pond: &Pond,
        (alarm, condition): (&Alarm, Condition),
    ) -> Why {
        let facts = self.facts(scene, pond);
        let verdict = match condition {
            Condition::DoLow(_) | Condition::DoFalling | Condition::DoBlind(_) => {
                self.verdict_on(scene, Quantity::DoMgL)
            }
            Condition::PhLow(_) | Condition::PhHigh(_) => self.verdict_on(scene, Quantity::Ph),
            _ => None,
        };
        let told = Facts { verdict: verdict.as_ref(), ..facts };
        let stands = alarm.state.is_standing();
        let says = if stands {
            message::condition(condition, pond, &pond.limits, &told).into()
        } else {
            format!("Not in alarm: {}.", condition.stands(&facts))
        };
        let (raised_when, clears_when) = condition.rules(pond, &facts);
        Why {
            id: alarm.id.clone(),
            pond: Some(self.index()),
            name: alarm.name.clone(),
            alarm: Some((alarm.priority, alarm.state)),
            since: stands.then_some(alarm.raised_at),
            says,
            raised_when,
            clears_when,
            limit_key: condition.limit_key(),
            inputs: self.witnesses(scene, condition.quantities()),
            worked: self.worked(scene, pond, condition, &facts),
            forecast: match condition {
                Condition::DoForecast(_) | Condition::DoLow(_) => self.forecast_assumed(&facts),
                _ => Vec::new(),
            },
            verdict,
            at_the_water: true,
        }
    }

    /// Explains the pond's advice.
    pub(crate) fn why_advice(&self, scene: &Scene<'_>, pond: &Pond) -> Why {
        let facts = self.facts(scene, pond);
        let says = self.advice.as_ref().map_or_else(
            || String::from("No advice yet: the probes have not had their time to report."),
            |advice| advice.reason.english().into(),
        );
        let mut worked = self.worked(scene, pond, Condition::DoLow(0), &facts);
        let share = facts
            .oxygen
            .and_then(|seen| crate::aeration::transfer_share(&self.water(scene, pond), seen.value));
        for group in pond.aerators.iter().take(MOST_GROUPS) {
            let standard = group.power_kw * group.sae_kg_kwh;
            let here = share
                .map(|share| format!(" x {share:.2} in this water now = {:.1}", standard * share))
                .unwrap_or_default();
            worked.push(Worked {
                text: format!(
                    "aerator {}: {:.1} kW x {:.2} kg O2 per kWh = {standard:.1} kg O2 per hour in clean water without oxygen at 20 C{here}",
                    group.id, group.power_kw, group.sae_kg_kwh,
                ),
                formula: Some(&OXYGEN_TRANSFER),
                method: None,
            });
        }
        Why {
            id: pond.id.clone(),
            pond: Some(self.index()),
            name: format!("Advice for {}", message::place(pond)),
            alarm: None,
            since: self.advice.as_ref().map(|advice| advice.at),
            says,
            raised_when: format!(
                "the cheapest times of running that keep the chance of oxygen below {:.1} mg/L under {:.0} % tonight",
                pond.limits.do_forecast_mg_l.last().copied().unwrap_or_default(),
                pond.aeration_risk * 100.0
            ),
            clears_when: String::from(
                "thought over every 5 min and whenever a forecast, an aerator or an alarm changes; told anew when what a person would do changes",
            ),
            limit_key: Some("do_forecast"),
            inputs: self.witnesses(
                scene,
                &[
                    Quantity::DoMgL,
                    Quantity::TemperatureC,
                    Quantity::SalinityPsu,
                    Quantity::AeratorOn,
                    Quantity::AeratorKw,
                ],
            ),
            worked,
            forecast: self.forecast_assumed(&facts),
            verdict: None,
            at_the_water: true,
        }
    }

    fn witnesses(&self, scene: &Scene<'_>, quantities: &[Quantity]) -> Vec<Witness> {
        let mut found = Vec::new();
        for &quantity in quantities {
            for (probe, state) in self.reporting(scene, quantity) {
                found.push(witness(probe, quantity, state));
            }
            if let Some(hand) = self.hand.get(&quantity) {
                found.push(Witness {
                    quantity,
                    probe: None,
                    value: Some(hand.value),
                    flag: hand.flag,
                    disliked: Vec::new(),
                    at: Some(hand.at),
                });
            }
        }
        found
    }

    fn worked(&self, scene: &Scene<'_>, pond: &Pond, condition: Condition, facts: &Facts<'_>) -> Vec<Worked> {
        let water = self.water(scene, pond);
        match condition {
            Condition::DoLow(level) => {
                let mut worked: Vec<Worked> = saturation(&water, facts.oxygen).into_iter().collect();
                if let (Some(seen), Some(slope)) = (facts.oxygen, self.slope_now(scene)) {
                    let next = pond.limits.do_low_mg_l.get(level..).unwrap_or_default();
                    let next = next.iter().map(|threshold| threshold.limit).find(|&limit| limit < seen.value);
                    let left = next.filter(|_| slope < -0.05).map_or_else(String::new, |limit| {
                        format!(
                            "; ({:.2} - {limit:.1}) / {:.2} = {:.1} h to {limit:.1} mg/L",
                            seen.value,
                            -slope,
                            (seen.value - limit) / -slope
                        )
                    });
                    worked.push(Worked {
                        text: format!("slope {slope:+.2} mg/L per hour{left}"),
                        formula: Some(&THEIL_SEN),
                        method: Some("of tenths of the last hour"),
                    });
                }
                worked
            }
            Condition::DoForecast(_) => saturation(&water, facts.oxygen).into_iter().collect(),
            Condition::Nh3Mean(_) | Condition::Nh3Peak(_) => ammonia(&water, facts),
            _ => Vec::new(),
        }
    }

    fn forecast_assumed(&self, facts: &Facts<'_>) -> Vec<String> {
        let Some(forecast) = facts.forecast else {
            return match self.night.refusal() {
                Some(refusal) => alloc::vec![format!("No forecast: {refusal}.")],
                None => Vec::new(),
            };
        };
        let mut lines = alloc::vec![
            format!(
                "lowest {:.1} mg/L expected in {}, 80 % between {:.1} and {:.1}; made {} ago",
                forecast.do_min_mg_l,
                length(forecast.do_min_at - facts.now),
                forecast.low_80,
                forecast.high_80,
                length(facts.now - forecast.at),
            ),
            forecast.basis.clone(),
        ];
        if let Some(score) = self.night.forecast_score() {
            lines.push(format!(
                "its last {} nights were off by {:.2} mg/L on average, {} of them inside the 80 %",
                score.nights, score.mean_error_mg_l, score.inside_80
            ));
        }
        lines.extend(forecast.below.iter().map(|crossing| {
            let when = crossing.at.map_or_else(
                || String::from("not on the expected course"),
                |at| format!("in {}", length(at - facts.now)),
            );
            format!(
                "below {:.1} mg/L: chance {:.0} %, {when}",
                crossing.limit_mg_l,
                crossing.probability * 100.0
            )
        }));
        lines
    }
}

fn saturation(water: &Water, oxygen: Option<Seen>) -> Option<Worked> {
    let (saturation, flag) = derived::oxygen_saturation(water)?;
    let temperature = water.temperature_c?;
    let share = oxygen
        .map(|seen| {
            format!("; {:.2} / {saturation:.2} = {:.0} %", seen.value, 100.0 * seen.value / saturation)
        })
        .unwrap_or_default();
    let doubt = if flag == Flag::Suspect { ", from a suspect reading" } else { "" };
    Some(Worked {
        text: format!(
            "saturation {saturation:.2} mg/L at {:.1} C, {:.1} PSU, {:.0} hPa{doubt}{share}",
            temperature.value, water.salinity_psu, water.pressure_hpa
        ),
        formula: Some(&OXYGEN_SATURATION),
        method: None,
    })
}

fn ammonia(water: &Water, facts: &Facts<'_>) -> Vec<Worked> {
    let Some(day) = facts.ammonia else { return Vec::new() };
    let mut worked = Vec::new();
    if let (Some(ph), Some(temperature)) = (facts.ph, water.temperature_c)
        && day.tan_mg_l > 0.0
    {
        let tan = Seen { value: day.tan_mg_l, ..ph };
        if let Some((now, _)) = derived::ammonia_now(tan, ph, water) {
            worked.push(Worked {
                text: format!(
                    "now: TAN {} mg/L x share {:.4} at pH {:.2}, {:.1} C, {:.1} PSU = {:.3} mg/L",
                    number(Quantity::TanMgL, day.tan_mg_l),
                    now / day.tan_mg_l,
                    ph.value,
                    temperature.value,
                    water.salinity_psu,
                    now
                ),
                formula: Some(&NH3_NBS),
                method: None,
            });
        }
    }
    worked.push(Worked {
        text: format!(
            "last 24 h: mean {:.3}, peak {:.3} mg/L, the same TAN run through the day's {} and temperature",
            day.mean_mg_l,
            day.peak_mg_l,
            word(Quantity::Ph)
        ),
        formula: None,
        method: Some("means of quarters of an hour"),
    });
    worked
}
