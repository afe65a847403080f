//! When to start which aerators, and when they can rest. Advice only: a person switches.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use pondreeve_chemistry::aeration::{Correction, USUAL_THETA, otr_over_sotr};
use pondreeve_chemistry::units::{Celsius, DissolvedOxygen, Hectopascal, Salinity};

use crate::alarm_set::{FORECAST_ALARM, FORECAST_CLEAR, Facts, ample_mg_l};
use crate::derived::{self, Water};
use crate::effect::{Advice, AdviceAction, Flag, Forecast};
use crate::message::{self, length};
use crate::quality::Seen;
use crate::site::{AeratorGroup, Pond, PondIndex};
use crate::sunlight::LOW_UNTIL;
use crate::time::{Span, Timestamp};

/// Transfer in pond water against clean water. (0.85 to 0.95, from memory.)
const ALPHA: f64 = 0.9;
/// Saturation of pond water against clean water of the same salinity. (0.95 to 1.0, from memory.)
const BETA: f64 = 0.98;
/// Temperature assumed where no probe tells: the middle of what shrimp are grown in.
const ASSUMED_C: f64 = 29.0;
/// More groups than this are not searched for the best set; the first of them are.
const MAX_GROUPS: usize = 10;
/// Advice is repeated only when a clock time in it has moved by this much.
const WORTH_TELLING: Span = Span::from_minutes(10);

/// A later time can wait longer to be told than an earlier one.
const WORTH_PUTTING_OFF: Span = Span::from_minutes(30);

/// The numbers in the reason to start something are renewed after this long: a person acts on them.
const REASON_GOOD_FOR: Span = Span::from_minutes(30);

/// What the advice is made from.
#[derive(Debug, Clone, Copy)]
pub struct Situation<'a> {
    /// As the alarms see it.
    pub facts: &'a Facts<'a>,
    /// For saturation.
    pub water: Water,
    /// The pond.
    pub pond: &'a Pond,
    /// Its position.
    pub index: PondIndex,
    /// Per group.
    pub aerators_on: &'a [Option<bool>],
    /// End of the night that is on.
    pub sunrise: Option<Timestamp>,
    /// Why there is no forecast, if it is night and there is none.
    pub no_forecast: Option<&'a str>,
    /// What was advised until now.
    pub was: Option<AdviceAction>,
}

/// Share of its standard rate at which an aerator transfers oxygen into this water. Negative above
/// saturation: it then drives oxygen out. `None` where the formula does not reach.
fn transfer_share(water: &Water, do_mg_l: f64) -> Option<f64> {
    let correction = Correction::new(ALPHA, BETA, USUAL_THETA).ok()?;
    let temperature_c = water.temperature_c.map_or(ASSUMED_C, |seen| seen.value);
    Some(otr_over_sotr(
        &correction,
        Celsius::new(temperature_c).ok()?,
        Salinity::new(water.salinity_psu).ok()?,
        Hectopascal::new(water.pressure_hpa).ok()?,
        DissolvedOxygen::new(do_mg_l).ok()?,
    ))
}

/// New advice, if it differs from the old one in what a person would do.
pub fn renew(old: Option<&Advice>, situation: &Situation<'_>) -> Option<Advice> {
    let facts = situation.facts;
    let waits = facts
        .oxygen_unseen_since
        .is_some_and(|since| facts.now < since + facts.blind_after.first().copied().unwrap_or_default());
    if facts.oxygen.is_none() && waits {
        // The probe has not had its time to report yet.
        return None;
    }
    let new = advise(situation);
    let differs = old.is_none_or(|old| {
        let moved = |was: Option<Timestamp>, is: Option<Timestamp>| match (was, is) {
            (Some(was), Some(is)) => was - is >= WORTH_TELLING || is - was >= WORTH_PUTTING_OFF,
            (was, is) => was.is_some() != is.is_some(),
        };
        let is_start = matches!(new.action, AdviceAction::StartNow | AdviceAction::StartAt);
        old.action != new.action
            || (is_start && old.reason != new.reason && facts.now - old.at >= REASON_GOOD_FOR)
            || old.aerators != new.aerators
            || (new.action == AdviceAction::StartAt && moved(old.start, new.start))
            || moved(old.stop, new.stop)
    });
    differs.then_some(new)
}

fn advise(situation: &Situation<'_>) -> Advice {
    let Situation { facts, pond, .. } = *situation;
    let blank = |action, reason: String| Advice {
        pond: situation.index,
        at: facts.now,
        action,
        aerators: Vec::new(),
        start: None,
        stop: None,
        kwh: 0.0,
        reason,
    };
    let Some(oxygen) = facts.oxygen else {
        return blank(
            AdviceAction::Unknown,
            format!("No usable oxygen reading. Measure with a hand meter. {}", message::IN_DOUBT),
        );
    };
    let [warn, ..] = pond.limits.do_low_mg_l;
    if oxygen.value < warn.limit {
        return start_all_now(situation, oxygen, warn.limit, &blank);
    }
    if facts.stopped != 0 && facts.startable != 0 && oxygen.value < ample_mg_l(&pond.limits) {
        return replace_stopped(situation, oxygen, &blank);
    }
    if let Some(forecast) = facts.forecast.filter(|_| !facts.forecast_over) {
        return for_the_night(situation, forecast, &blank);
    }
    if let Some(refusal) = situation.no_forecast.filter(|_| !facts.forecast_over) {
        return blank(
            AdviceAction::Unknown,
            format!("Oxygen is {:.1} mg/L now. No forecast: {refusal}. {}", oxygen.value, message::IN_DOUBT),
        );
    }
    let saturation =
        derived::oxygen_saturation(&situation.water).map(|(value, _)| 100.0 * oxygen.value / value);
    let reason = match saturation {
        Some(percent) if percent > 100.0 => format!(
            "Oxygen is {:.1} mg/L, {percent:.0} % of saturation: aerators would drive oxygen out. Run them only to mix.",
            oxygen.value
        ),
        _ => format!("Oxygen is {:.1} mg/L and it is day.", oxygen.value),
    };
    blank(AdviceAction::Rest, reason)
}

/// Oxygen is below its limit: everything that does not run yet is started.
fn start_all_now(
    situation: &Situation<'_>,
    oxygen: Seen,
    limit_mg_l: f64,
    blank: &dyn Fn(AdviceAction, String) -> Advice,
) -> Advice {
    let Situation { facts, pond, .. } = *situation;
    let idle = idle_groups(situation);
    let doubt =
        if oxygen.flag == Flag::Suspect { " The reading is suspect: check with a hand meter." } else { "" };
    let now = format!("Oxygen is {:.1} mg/L, below {limit_mg_l:.1}.{doubt}", oxygen.value);
    // By night until the sun has worked for an hour; by day until a person has looked.
    let stop = situation.sunrise.filter(|_| !facts.forecast_over).map(|sunrise| sunrise + LOW_UNTIL);
    let power_kw = power_kw(pond, &idle);
    let reason = if !idle.is_empty() {
        format!("{now} Start {} ({power_kw:.1} kW) and look. Stop feeding.", names(pond, &idle))
    } else if pond.aerators.is_empty() {
        format!("{now} Start aerators and look. Stop feeding.")
    } else {
        format!(
            "{now} Every aerator is said to run: look whether they turn. Stop feeding, bring further aeration, call the adviser."
        )
    };
    Advice {
        kwh: stop.map_or(0.0, |stop| power_kw * (stop - facts.now).as_hours().max(0.0)),
        aerators: idle,
        start: Some(facts.now),
        stop,
        ..blank(AdviceAction::StartNow, reason)
    }
}

/// Aerators have stopped by night and there is little oxygen to spare: what else there is takes over at
/// once, without waiting for a forecast.
fn replace_stopped(
    situation: &Situation<'_>,
    oxygen: Seen,
    blank: &dyn Fn(AdviceAction, String) -> Advice,
) -> Advice {
    let Situation { facts, pond, .. } = *situation;
    let mut groups = idle_groups(situation);
    groups.retain(|group| *group < 64 && facts.startable & (1 << group) != 0);
    let stop = situation.sunrise.map(|sunrise| sunrise + LOW_UNTIL);
    let power_kw = power_kw(pond, &groups);
    let reason = format!(
        "Oxygen is {:.1} mg/L and aerators have stopped. Start {} ({power_kw:.1} kW) now, then look at the trip.",
        oxygen.value,
        names(pond, &groups)
    );
    Advice {
        kwh: stop.map_or(0.0, |stop| power_kw * (stop - facts.now).as_hours().max(0.0)),
        aerators: groups,
        start: Some(facts.now),
        stop,
        ..blank(AdviceAction::StartNow, reason)
    }
}

fn power_kw(pond: &Pond, groups: &[u16]) -> f64 {
    groups.iter().filter_map(|&group| pond.aerators.get(usize::from(group))).map(|group| group.power_kw).sum()
}

fn idle_groups(situation: &Situation<'_>) -> Vec<u16> {
    (0..situation.pond.aerators.len())
        .filter(|&group| situation.aerators_on.get(group).copied().flatten() != Some(true))
        .filter_map(|group| u16::try_from(group).ok())
        .collect()
}

/// The expected course of oxygen taken as a straight line from now to its pessimistic minimum: the
/// lower end of the 80 % interval, so that about one night in ten falls lower.
#[derive(Debug, Clone, Copy)]
struct Course {
    from: Timestamp,
    from_mg_l: f64,
    until: Timestamp,
    until_mg_l: f64,
}

impl Course {
    fn reaches(&self, limit_mg_l: f64) -> Timestamp {
        let fall = self.from_mg_l - self.until_mg_l;
        let share = if fall > 0.0 { ((self.from_mg_l - limit_mg_l) / fall).clamp(0.0, 1.0) } else { 1.0 };
        self.from + Span::from_millis((share * (self.until - self.from).as_millis() as f64) as i64)
    }
}

/// A set of groups and when it must start.
#[derive(Debug, Clone)]
struct Plan {
    groups: Vec<u16>,
    power_kw: f64,
    start: Timestamp,
    kwh: f64,
}

fn for_the_night(
    situation: &Situation<'_>,
    forecast: &Forecast,
    blank: &dyn Fn(AdviceAction, String) -> Advice,
) -> Advice {
    let Situation { facts, pond, .. } = *situation;
    let [hold, _] = pond.limits.do_forecast_mg_l;
    let now = facts.now;
    let chance = forecast
        .below
        .iter()
        .find(|crossing| crossing.limit_mg_l == hold)
        .map_or(0.0, |crossing| crossing.probability);
    let lowest = format!(
        "Lowest oxygen expected {:.1} mg/L (80 % between {:.1} and {:.1}), chance of falling below {hold:.1}: {:.0} %",
        forecast.do_min_mg_l,
        forecast.low_80,
        forecast.high_80,
        100.0 * chance,
    );
    // Advice to start is not taken back for a chance that merely wavers.
    let enough = match situation.was {
        Some(AdviceAction::StartAt | AdviceAction::StartNow) => FORECAST_CLEAR,
        _ => FORECAST_ALARM,
    };
    if chance < enough {
        return blank(AdviceAction::Rest, format!("{lowest}. No further aeration needed for now."));
    }
    let stop = forecast.sunrise + LOW_UNTIL;
    let oxygen = facts.oxygen.map_or(hold, |seen| seen.value);
    let course = Course {
        from: now,
        from_mg_l: oxygen,
        until: forecast.do_min_at.max(now),
        until_mg_l: forecast.low_80.min(hold),
    };
    let idle = idle_groups(situation);
    if idle.is_empty() {
        let crossing = course.reaches(hold);
        let reason = if pond.aerators.is_empty() {
            format!(
                "{lowest}. No aerators are configured for this pond: start what there is before then, and look."
            )
        } else {
            format!(
                "{lowest}, with every aerator running. They will not be enough: stop feeding, bring further aeration, call the adviser."
            )
        };
        let action = if pond.aerators.is_empty() && crossing - now > WORTH_TELLING {
            AdviceAction::StartAt
        } else {
            AdviceAction::StartNow
        };
        return Advice { start: Some(crossing), stop: Some(stop), ..blank(action, reason) };
    }
    let water = &situation.water;
    let share = transfer_share(water, hold).unwrap_or_default();
    let lift_kg = (hold - course.until_mg_l).max(0.0) * pond.area_m2 * pond.depth_m / 1_000.0;
    match cheapest(pond, &idle, share, lift_kg, course, hold, stop) {
        Some(plan) => {
            let names = names(pond, &plan.groups);
            let action =
                if plan.start - now > WORTH_TELLING { AdviceAction::StartAt } else { AdviceAction::StartNow };
            let when = match action {
                AdviceAction::StartAt => format!("in {}", length(plan.start - now)),
                _ => String::from("now"),
            };
            Advice {
                aerators: plan.groups,
                start: Some(plan.start.max(now)),
                stop: Some(stop),
                kwh: plan.kwh,
                ..blank(
                    action,
                    format!(
                        "{lowest}. {:.1} kg of oxygen must be added to hold {hold:.1} mg/L: start {names} ({:.1} kW) {when}, until 1 h after sunrise, {:.0} kWh.",
                        lift_kg, plan.power_kw, plan.kwh,
                    ),
                )
            }
        }
        None => {
            let power_kw = power_kw(pond, &idle);
            Advice {
                aerators: idle,
                start: Some(now),
                stop: Some(stop),
                kwh: power_kw * (stop - now).as_hours().max(0.0),
                ..blank(
                    AdviceAction::StartNow,
                    format!(
                        "{lowest}. {lift_kg:.1} kg of oxygen must be added to hold {hold:.1} mg/L, more than all idle aerators ({power_kw:.1} kW) can do: start all of them now, stop feeding, be ready to call for help."
                    ),
                )
            }
        }
    }
}

/// The set of idle groups that holds the limit with the least energy, found by trying every set.
fn cheapest(
    pond: &Pond,
    idle: &[u16],
    share: f64,
    lift_kg: f64,
    course: Course,
    hold_mg_l: f64,
    stop: Timestamp,
) -> Option<Plan> {
    let groups: Vec<(u16, &AeratorGroup)> = idle
        .iter()
        .take(MAX_GROUPS)
        .filter_map(|&index| Some((index, pond.aerators.get(usize::from(index))?)))
        .collect();
    let crossing = course.reaches(hold_mg_l);
    let mut best: Option<Plan> = None;
    for set in 1_u32..(1 << groups.len()) {
        let chosen = || {
            groups.iter().enumerate().filter(move |(bit, _)| set & (1 << bit) != 0).map(|(_, group)| group)
        };
        let power_kw: f64 = chosen().map(|(_, group)| group.power_kw).sum();
        let kg_h = share * chosen().map(|(_, group)| group.power_kw * group.sae_kg_kwh).sum::<f64>();
        if kg_h <= 0.0 || !kg_h.is_finite() {
            continue;
        }
        let needed_ms = lift_kg / kg_h * 3_600_000.0;
        if needed_ms > (course.until - course.from).as_millis() as f64 {
            continue;
        }
        let start = crossing.min(course.until - Span::from_millis(needed_ms as i64));
        let kwh = power_kw * (stop - start).as_hours().max(0.0);
        if best.as_ref().is_none_or(|best| kwh < best.kwh) {
            best = Some(Plan { groups: chosen().map(|&(index, _)| index).collect(), power_kw, start, kwh });
        }
    }
    best
}

fn names(pond: &Pond, groups: &[u16]) -> String {
    let ids: Vec<&str> = groups
        .iter()
        .filter_map(|&group| pond.aerators.get(usize::from(group)))
        .map(|group| group.id.as_str())
        .collect();
    format!("{} {}", if ids.len() == 1 { "group" } else { "groups" }, ids.join(" and "))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked figures for SAE 1.2, 29 °C, 18 PSU, α 0.9: 0.51 kg/kWh at 3.5 mg/L, 0.44 at 4, 0.29 at 5
    /// (worked out by hand, with β 1 and 9.09 mg/L).
    #[test]
    fn the_field_rate_falls_as_oxygen_rises() {
        let seen = Seen { value: 29.0, at: Timestamp(0), flag: Flag::Pass };
        let water = Water {
            temperature_c: Some(seen),
            salinity_psu: 18.0,
            salinity_flag: Flag::NotEvaluated,
            pressure_hpa: 1013.25,
            pressure_flag: Flag::NotEvaluated,
        };
        for (do_mg_l, kg_kwh) in [(3.5, 0.51), (4.0, 0.44), (5.0, 0.29)] {
            let found = 1.2 * transfer_share(&water, do_mg_l).unwrap();
            assert!((found - kg_kwh).abs() < 0.03, "{found} at {do_mg_l}");
        }
        assert!(transfer_share(&water, 8.0).unwrap() < 0.0, "above saturation it drives oxygen out");
    }

    fn pond(groups: &[(f64, f64)]) -> Pond {
        Pond {
            id: String::from("p1"),
            name: String::from("Heron"),
            area_m2: 5_000.0,
            depth_m: 1.5,
            salinity_psu: 18.0,
            aerators: groups
                .iter()
                .zip(["a", "b", "c"])
                .map(|(&(power_kw, sae_kg_kwh), id)| AeratorGroup {
                    id: String::from(id),
                    power_kw,
                    sae_kg_kwh,
                })
                .collect(),
            limits: crate::site::Limits::grow_out(),
        }
    }

    fn at(hour: i64) -> Timestamp {
        Timestamp(0) + Span::from_hours(hour)
    }

    /// 7500 m3 to be lifted by 1.7 mg/L is 12.75 kg; at 0.44 kg/kWh from 4.8 kW that is 6.04 hours
    /// (worked out by hand), so the start is 6.04 hours before the minimum at 06:00.
    #[test]
    fn the_start_leaves_just_enough_time_to_add_what_is_missing() {
        let pond = pond(&[(4.8, 1.0)]);
        let course = Course { from: at(-4), from_mg_l: 8.0, until: at(6), until_mg_l: 2.3 };
        let plan = cheapest(&pond, &[0], 0.44, 12.75, course, 4.0, at(7)).unwrap();
        let hours = (at(6) - plan.start).as_hours();
        assert!((hours - 6.04).abs() < 0.01, "{hours}");
        assert!((plan.kwh - 4.8 * 7.04).abs() < 0.1, "until an hour after sunrise: {}", plan.kwh);
    }

    #[test]
    fn the_efficient_group_is_chosen_if_it_is_enough_alone() {
        let pond = pond(&[(4.5, 1.0), (4.5, 2.0)]);
        let course = Course { from: at(-4), from_mg_l: 8.0, until: at(6), until_mg_l: 3.0 };
        let plan = cheapest(&pond, &[0, 1], 0.4, 7.5, course, 4.0, at(7)).unwrap();
        assert_eq!(plan.groups, [1]);
    }

    #[test]
    fn aerators_start_before_the_limit_is_reached_however_strong_they_are() {
        let pond = pond(&[(100.0, 2.0)]);
        // From 8 at 20:00 to 3 at 06:00: 4 is reached after 8 of 10 hours, at 04:00.
        let course = Course { from: at(-4), from_mg_l: 8.0, until: at(6), until_mg_l: 3.0 };
        let plan = cheapest(&pond, &[0], 0.4, 7.5, course, 4.0, at(7)).unwrap();
        assert_eq!(plan.start, at(4));
    }

    #[test]
    fn too_little_power_is_no_plan() {
        let pond = pond(&[(0.5, 1.0)]);
        let course = Course { from: at(-4), from_mg_l: 8.0, until: at(6), until_mg_l: 0.0 };
        assert!(cheapest(&pond, &[0], 0.4, 30.0, course, 4.0, at(7)).is_none());
        assert!(cheapest(&pond, &[0], -0.1, 30.0, course, 4.0, at(7)).is_none(), "above saturation");
    }
}
