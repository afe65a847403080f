//! A pond's alarms and its advice explained: readings, formulas with the numbers put in, the forecast.

use alloc::format;
use alloc::vec::Vec;

use pondreeve_chemistry::formulas::{NH3_NBS, OXYGEN_SATURATION, OXYGEN_TRANSFER, THEIL_SEN};

use super::{Why, Witness, Worked, number, witness};
use crate::alarm::Alarm;
use crate::alarm_set::{Condition, Facts};
use crate::ammonia_band;
use crate::derived::{self, Water};
use crate::effect::Flag;
use crate::message::{self, spoken};
use crate::pond::{PondState, Scene};
use crate::quality::Seen;
use crate::quantity::Quantity;
use crate::said::{Said, fixed, length, said, tenth};
use crate::site::Pond;
use crate::water_limits::Water as Own;

/// More groups than a screen shows.
const MOST_GROUPS: usize = 8;

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
            message::condition(condition, pond, &pond.limits, &told)
        } else {
            said!("not-in-alarm", "Not in alarm: {how}.", how = condition.stands(&facts))
        };
        let (raised_when, clears_when) = condition.rules(pond, &facts);
        Why {
            id: alarm.id.clone(),
            pond: Some(self.index()),
            name: Said::plain(alarm.name.as_str()),
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
            || said!("no-advice-yet", "No advice yet: the probes have not had their time to report."),
            |advice| advice.reason.clone(),
        );
        let mut worked = self.worked(scene, pond, Condition::DoLow(0), &facts);
        let share = facts
            .oxygen
            .and_then(|seen| crate::aeration::transfer_share(&self.water(scene, pond), seen.value));
        for group in pond.aerators.iter().take(MOST_GROUPS) {
            let standard = group.power_kw * group.sae_kg_kwh;
            let here = share
                .map(|share| {
                    said!(
                        "worked-aerator-here",
                        " x {share} in this water now = {here}",
                        share = fixed(share, 2),
                        here = tenth(standard * share)
                    )
                })
                .unwrap_or_default();
            worked.push(Worked {
                text: said!(
                    "worked-aerator",
                    "aerator {group}: {power} kW x {sae} kg O2 per kWh = {standard} kg O2 per hour in clean water without oxygen at 20 C{here}",
                    group = &group.id,
                    power = tenth(group.power_kw),
                    sae = fixed(group.sae_kg_kwh, 2),
                    standard = tenth(standard),
                    here = here
                ),
                formula: Some(&OXYGEN_TRANSFER),
                method: None,
            });
        }
        Why {
            id: pond.id.clone(),
            pond: Some(self.index()),
            name: said!("advice-for", "Advice for {place}", place = message::place(pond)),
            alarm: None,
            since: self.advice.as_ref().map(|advice| advice.at),
            says,
            raised_when: said!(
                "when-advice",
                "the cheapest times of running that keep the chance of oxygen below {limit} mg/L under {risk} % tonight",
                limit = tenth(pond.limits.do_forecast_mg_l.last().copied().unwrap_or_default()),
                risk = fixed(pond.aeration_risk * 100.0, 0)
            ),
            clears_when: said!(
                "until-advice",
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
                    let left = next.filter(|_| slope < -0.05).map(|limit| {
                        said!(
                            "worked-left",
                            "; ({value} - {limit}) / {slope} = {hours} h to {limit} mg/L",
                            value = fixed(seen.value, 2),
                            limit = tenth(limit),
                            slope = fixed(-slope, 2),
                            hours = tenth((seen.value - limit) / -slope)
                        )
                    });
                    worked.push(Worked {
                        text: said!(
                            "worked-slope",
                            "slope {slope} mg/L per hour{left}",
                            slope = format!("{slope:+.2}"),
                            left = left.unwrap_or_default()
                        ),
                        formula: Some(&THEIL_SEN),
                        method: Some(said!("method-tenths", "of tenths of the last hour")),
                    });
                }
                worked
            }
            Condition::DoForecast(_) => saturation(&water, facts.oxygen).into_iter().collect(),
            Condition::Nh3Mean(_) | Condition::Nh3Peak(_) => ammonia(&water, facts),
            Condition::Water(Own::DoHighPercent) => {
                let highest = facts.marks.and_then(|marks| marks.oxygen_mg_l);
                let seen = facts.oxygen.zip(highest).map(|(seen, value)| Seen { value, ..seen });
                saturation(&water, seen).into_iter().collect()
            }
            Condition::Water(own) => self.water_worked(scene, pond, own, facts),
            _ => Vec::new(),
        }
    }

    fn forecast_assumed(&self, facts: &Facts<'_>) -> Vec<Said> {
        let Some(forecast) = facts.forecast else {
            return match self.night.refusal() {
                Some(refusal) => {
                    alloc::vec![said!("forecast-none", "No forecast: {refusal}.", refusal = refusal)]
                }
                None => Vec::new(),
            };
        };
        let mut lines = alloc::vec![
            said!(
                "forecast-lowest",
                "lowest {lowest} mg/L expected in {left}, 80 % between {low} and {high}; made {ago} ago",
                lowest = tenth(forecast.do_min_mg_l),
                left = length(forecast.do_min_at - facts.now),
                low = tenth(forecast.low_80),
                high = tenth(forecast.high_80),
                ago = length(facts.now - forecast.at)
            ),
            forecast.basis.clone(),
        ];
        if let Some(score) = self.night.forecast_score() {
            lines.push(said!(
                "forecast-score",
                "its last {nights} nights were off by {off} mg/L on average, {inside} of them inside the 80 %",
                nights = format!("{}", score.nights),
                off = fixed(score.mean_error_mg_l, 2),
                inside = format!("{}", score.inside_80)
            ));
        }
        lines.extend(forecast.below.iter().map(|crossing| {
            let when = crossing.at.map_or_else(
                || said!("forecast-not-expected", "not on the expected course"),
                |at| said!("forecast-in", "in {left}", left = length(at - facts.now)),
            );
            said!(
                "forecast-below",
                "below {limit} mg/L: chance {chance} %, {when}",
                limit = tenth(crossing.limit_mg_l),
                chance = fixed(crossing.probability * 100.0, 0),
                when = when
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
            said!(
                "worked-share",
                "; {value} / {saturation} = {share} %",
                value = fixed(seen.value, 2),
                saturation = fixed(saturation, 2),
                share = fixed(100.0 * seen.value / saturation, 0)
            )
        })
        .unwrap_or_default();
    let doubt = if flag == Flag::Suspect {
        said!("worked-suspect", ", from a suspect reading")
    } else {
        Said::default()
    };
    Some(Worked {
        text: said!(
            "worked-saturation",
            "saturation {saturation} mg/L at {temperature} C, {salinity} PSU, {pressure} hPa{doubt}{share}",
            saturation = fixed(saturation, 2),
            temperature = tenth(temperature.value),
            salinity = tenth(water.salinity_psu),
            pressure = fixed(water.pressure_hpa, 0),
            doubt = doubt,
            share = share
        ),
        formula: Some(&OXYGEN_SATURATION),
        method: None,
    })
}

fn ammonia(water: &Water, facts: &Facts<'_>) -> Vec<Worked> {
    let Some(day) = facts.ammonia else { return Vec::new() };
    // A day has many pH values: the widest band holds for all of them.
    let day_value =
        |value: f64| ammonia_band::told_together(value, ammonia_band::half_band_mg_l(value, None, None, 0.0));
    let mut worked = Vec::new();
    if let (Some(ph), Some(temperature)) = (facts.ph, water.temperature_c)
        && day.tan_mg_l > 0.0
    {
        let tan = Seen { value: day.tan_mg_l, ..ph };
        if let Some((now, _)) = derived::ammonia_now(tan, ph, water) {
            worked.push(Worked {
                text: said!(
                    "worked-ammonia",
                    "now: TAN {tan} mg/L x share {share} at pH {ph}, {temperature} C, {salinity} PSU = {now} mg/L",
                    tan = number(Quantity::TanMgL, day.tan_mg_l),
                    share = fixed(now / day.tan_mg_l, 4),
                    ph = fixed(ph.value, 2),
                    temperature = tenth(temperature.value),
                    salinity = tenth(water.salinity_psu),
                    now = ammonia_band::told_together(
                        now,
                        ammonia_band::half_band_mg_l(
                            now,
                            Some(ph.value),
                            Some(temperature.value),
                            water.salinity_psu
                        )
                    )
                ),
                formula: Some(&NH3_NBS),
                method: None,
            });
        }
    }
    worked.push(Worked {
        text: said!(
            "worked-ammonia-day",
            "last 24 h: mean {mean}, peak {peak} mg/L, the same TAN run through the day's {ph} and temperature",
            mean = day_value(day.mean_mg_l),
            peak = day_value(day.peak_mg_l),
            ph = spoken(Quantity::Ph)
        ),
        formula: None,
        method: Some(said!("method-quarters", "means of quarters of an hour")),
    });
    worked
}
