//! What can be advised from a forecast alone, where the pond's respiration is not known yet: the
//! expected fall is taken as a straight line, and what is missing at its end must be added.

use alloc::vec::Vec;

use super::tonight::start_when;
use super::{Situation, WORTH_TELLING, idle_groups, names, power_kw, transfer_share};
use crate::alarm_set::{FORECAST_ALARM, FORECAST_CLEAR};
use crate::effect::{Advice, AdviceAction, Forecast};
use crate::said::{Said, fixed, said, tenth};
use crate::site::{AeratorGroup, Pond};
use crate::sunlight::LOW_UNTIL;
use crate::time::{Span, Timestamp};

/// More groups than this are not searched for the best set; the first of them are.
const MAX_GROUPS: usize = 10;

/// The expected course of oxygen taken as a straight line from now to its pessimistic minimum, below which
/// about one night in ten falls.
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

pub(super) fn for_the_night(
    situation: &Situation<'_>,
    forecast: &Forecast,
    blank: &dyn Fn(AdviceAction, Said) -> Advice,
) -> Advice {
    let Situation { facts, pond, .. } = *situation;
    let [hold, _] = pond.limits.do_forecast_mg_l;
    let now = facts.now;
    let chance = forecast
        .below
        .iter()
        .find(|crossing| crossing.limit_mg_l == hold)
        .map_or(0.0, |crossing| crossing.probability);
    let lowest = said!(
        "advice-lowest",
        "Lowest oxygen expected {lowest} mg/L (80 % between {low} and {high}), chance of falling below {limit}: {chance} %",
        lowest = tenth(forecast.do_min_mg_l),
        low = tenth(forecast.low_80),
        high = tenth(forecast.high_80),
        limit = tenth(hold),
        chance = fixed(100.0 * chance, 0)
    );
    // Advice to start is not taken back for a chance that merely wavers.
    let enough = match situation.was {
        Some(AdviceAction::StartAt | AdviceAction::StartNow) => FORECAST_CLEAR,
        _ => FORECAST_ALARM,
    };
    if chance < enough {
        // The forecast is of the night as it goes now, with these running.
        let running = super::running_groups(situation);
        if !running.is_empty() {
            let groups = names(pond, &running);
            let reason =
                said!("advice-keep-on", "{lowest}. Keep {groups} running.", lowest = lowest, groups = groups);
            return Advice { aerators: running, ..blank(AdviceAction::KeepOn, reason) };
        }
        return blank(
            AdviceAction::Rest,
            said!("advice-rest", "{lowest}. No further aeration needed for now.", lowest = lowest),
        );
    }
    let stop = forecast.sunrise + LOW_UNTIL;
    let oxygen = facts.oxygen.map_or(hold, |seen| seen.value);
    let course = Course {
        from: now,
        from_mg_l: oxygen,
        until: forecast.do_min_at.max(now),
        until_mg_l: forecast.low_tenth_mg_l.min(hold),
    };
    let idle = idle_groups(situation);
    if idle.is_empty() {
        let crossing = course.reaches(hold);
        let reason = if pond.aerators.is_empty() {
            said!(
                "advice-none-known",
                "{lowest}. No aerators are configured for this pond: start what there is before then, and look.",
                lowest = lowest
            )
        } else {
            said!(
                "advice-not-enough",
                "{lowest}, with every aerator running. They will not be enough: stop feeding, bring further aeration, call the adviser.",
                lowest = lowest
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
            let when = start_when((action == AdviceAction::StartAt).then(|| plan.start - now));
            Advice {
                aerators: plan.groups,
                start: Some(plan.start.max(now)),
                stop: Some(stop),
                kwh: plan.kwh,
                ..blank(
                    action,
                    said!(
                        "advice-add",
                        "{lowest}. {lift} kg of oxygen must be added to hold {limit} mg/L: start {groups} ({power} kW) {when}, until 1 h after sunrise, {energy} kWh.",
                        lowest = lowest,
                        lift = tenth(lift_kg),
                        limit = tenth(hold),
                        groups = names,
                        power = tenth(plan.power_kw),
                        when = when,
                        energy = fixed(plan.kwh, 0)
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
                    said!(
                        "advice-add-all",
                        "{lowest}. {lift} kg of oxygen must be added to hold {limit} mg/L, more than all idle aerators ({power} kW) can do: start all of them now, stop feeding, be ready to call for help.",
                        lowest = lowest,
                        lift = tenth(lift_kg),
                        limit = tenth(hold),
                        power = tenth(power_kw)
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

#[cfg(test)]
mod tests {
    use alloc::string::String;

    use super::*;

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
                    must_run: false,
                    timer: None,
                })
                .collect(),
            limits: crate::site::Limits::grow_out(),
            aeration_risk: 0.1,
            dose_every: None,
            like: None,
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
