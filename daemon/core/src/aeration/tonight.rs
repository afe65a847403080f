//! The night's plan as advice: what to start, when, what may rest, and why, with the numbers.

use alloc::vec::Vec;

use super::{Situation, WORTH_TELLING, energy, may_rest, names, power_kw};
use crate::alarm_set::ample_mg_l;
use crate::derived;
use crate::effect::{Advice, AdviceAction};
use crate::quality::Seen;
use crate::said::{Said, fixed, length, said, tenth};
use crate::schedule::Plan;
use crate::site::Pond;
use crate::time::{Span, Timestamp};

/// A group that runs is said to be able to rest only if it can for this long: a motor that has just
/// been stopped should not be started again at once. (Common practice, no source.)
const WORTH_RESTING: Span = Span::from_minutes(90);

/// Advice to start now is not put off again by less than this.
const WORTH_WAITING: Span = Span::from_minutes(30);

/// A running group counts as resting from this margin over the limit on: the same as what is left
/// running at night whatever a plan says. (Common practice, no source.)
pub(super) fn advise(
    situation: &Situation<'_>,
    plan: &Plan,
    oxygen: Seen,
    blank: &dyn Fn(AdviceAction, Said) -> Advice,
) -> Advice {
    let Situation { facts, pond, .. } = *situation;
    let now = facts.now;
    let [hold, _] = pond.limits.do_forecast_mg_l;
    let runs = |group: u16| situation.aerators_on.get(usize::from(group)).copied().flatten() == Some(true);
    let outlook = outlook(plan, hold, pond.aeration_risk, now_to(plan, situation));
    if !plan.is_enough {
        return not_enough(situation, plan, oxygen, &outlook, blank);
    }
    let by_hand = |group: u16| !plan.by_timer.contains(&group);
    let idle: Vec<_> =
        plan.starts.iter().copied().filter(|&(group, _)| !runs(group) && by_hand(group)).collect();
    let Some(&(_, first)) = idle.first() else {
        let resting = if oxygen.value >= ample_mg_l(&pond.limits) {
            let mut groups = may_rest(situation);
            groups.retain(|&group| {
                let start = plan.starts.iter().find(|&&(planned, _)| planned == group);
                start.is_none_or(|&(_, start)| start - now >= WORTH_RESTING)
            });
            groups
        } else {
            Vec::new()
        };
        let keep: Vec<u16> = situation
            .pond
            .aerators
            .iter()
            .enumerate()
            .filter_map(|(group, _)| u16::try_from(group).ok())
            .filter(|group| runs(*group) && !resting.contains(group))
            .collect();
        let kept = if keep.is_empty() {
            said!("advice-none-needed", " No aeration needed for now.")
        } else {
            said!("advice-keep", " Keep {groups} running.", groups = names(pond, &keep))
        };
        let again = resting
            .iter()
            .filter_map(|group| plan.starts.iter().find(|(planned, _)| planned == group))
            .map(|&(_, start)| start)
            .min()
            .map(|start| {
                said!("advice-again", " They are needed again in about {left}.", left = length(start - now))
            })
            .unwrap_or_default();
        let reason = with_resting(Said::joined(alloc::vec![outlook, kept], ""), pond, &resting);
        let reason = Said::joined(alloc::vec![reason, again], "");
        let reason = with_timers(reason, plan, pond, now);
        let reason = with_saturation(reason, situation, oxygen);
        if resting.is_empty() && !keep.is_empty() {
            return Advice { aerators: keep, kwh: plan.kwh, ..blank(AdviceAction::KeepOn, reason) };
        }
        return Advice { aerators: resting, kwh: plan.kwh, ..blank(AdviceAction::Rest, reason) };
    };
    let wait = first - now;
    let is_now =
        wait <= WORTH_TELLING || (situation.was == Some(AdviceAction::StartNow) && wait < WORTH_WAITING);
    let (together, later): (Vec<_>, Vec<_>) =
        idle.iter().copied().partition(|&(_, start)| start - first <= WORTH_TELLING);
    let groups: Vec<u16> = together.iter().map(|&(group, _)| group).collect();
    let when = start_when((!is_now).then_some(wait));
    let then: Vec<Said> = later
        .iter()
        .map(|&(group, start)| {
            let (groups, left) = (names(pond, &[group]), length(start - now));
            said!("advice-then-one", "{groups} in {left}", groups = groups, left = left)
        })
        .collect();
    let then = if then.is_empty() {
        Said::default()
    } else {
        said!("advice-then", ", then {groups}", groups = Said::joined(then, ", "))
    };
    let reason = said!(
        "advice-plan",
        "{outlook} Start {groups} ({power} kW) {when}{then}, until 1 h after sunrise: {energy} in all.",
        outlook = outlook,
        groups = names(pond, &groups),
        power = tenth(power_kw(pond, &groups)),
        when = when,
        then = then,
        energy = energy(plan.kwh, situation.price)
    );
    let action = if is_now { AdviceAction::StartNow } else { AdviceAction::StartAt };
    Advice {
        aerators: groups,
        start: Some(if is_now { now } else { first }),
        stop: Some(plan.stop),
        kwh: plan.kwh,
        ..blank(action, with_saturation(with_timers(reason, plan, pond, now), situation, oxygen))
    }
}

/// Adds what timers will start by themselves.
fn with_timers(reason: Said, plan: &Plan, pond: &Pond, now: Timestamp) -> Said {
    let coming: Vec<(u16, Timestamp)> = plan
        .starts
        .iter()
        .copied()
        .filter(|(group, at)| plan.by_timer.contains(group) && *at > now)
        .collect();
    let Some(&(_, first)) = coming.first() else { return reason };
    let groups: Vec<u16> = coming.iter().map(|&(group, _)| group).collect();
    said!(
        "advice-timers",
        "{reason} By timer, the first in {left}: {groups}. Look whether it comes.",
        reason = reason,
        left = length(first - now),
        groups = names(pond, &groups)
    )
}

/// `now`, or how long until then.
pub(super) fn start_when(left: Option<Span>) -> Said {
    match left {
        Some(left) => said!("advice-in", "in {left}", left = length(left)),
        None => said!("advice-now", "now"),
    }
}

fn now_to(plan: &Plan, situation: &Situation<'_>) -> Span {
    plan.low_unaided.1 - situation.facts.now
}

fn outlook(plan: &Plan, hold_mg_l: f64, risk: f64, until_low: Span) -> Said {
    let (unaided, _) = plan.low_unaided;
    let (worst, risk) = (tenth(plan.low_at_risk_mg_l), fixed(100.0 * risk, 0));
    let aided = if plan.starts.is_empty() {
        said!("outlook-worst", "at worst {worst} with a risk of {risk} %", worst = worst, risk = risk)
    } else {
        said!(
            "outlook-plan",
            "with this plan {low}, at worst {worst} with a risk of {risk} %",
            low = tenth(plan.low_mg_l),
            worst = worst,
            risk = risk
        )
    };
    said!(
        "outlook",
        "Without aeration oxygen would fall to about {low} mg/L in {left} (limit {limit}); {aided}.",
        low = tenth(unaided),
        left = length(until_low),
        limit = tenth(hold_mg_l),
        aided = aided
    )
}

fn not_enough(
    situation: &Situation<'_>,
    plan: &Plan,
    oxygen: Seen,
    outlook: &Said,
    blank: &dyn Fn(AdviceAction, Said) -> Advice,
) -> Advice {
    let pond = situation.pond;
    let now = situation.facts.now;
    let (mut idle, stopped) = super::to_start(situation);
    // What timers start in time is not asked for, unless there is nothing else.
    if idle.iter().any(|group| !plan.by_timer.contains(group)) {
        idle.retain(|group| !plan.by_timer.contains(group));
    }
    let planned = plan.starts.iter().filter(|(group, _)| idle.contains(group)).map(|&(_, start)| start).min();
    let wait = planned.map_or(Span::ZERO, |start| start - now);
    let is_now =
        wait <= WORTH_TELLING || (situation.was == Some(AdviceAction::StartNow) && wait < WORTH_WAITING);
    let what = if !stopped.is_empty() && stopped == idle {
        said!(
            "enough-start-again",
            "Even all aerators are not enough, and tonight {groups} stopped: find out why, then start again; do not reset a breaker again and again. Stop feeding, be ready to call for help.",
            groups = names(pond, &stopped)
        )
    } else if idle.is_empty() && pond.aerators.is_empty() {
        said!("enough-none-known", "No aerators are configured for this pond: start what there is, and look.")
    } else if idle.is_empty() {
        said!(
            "enough-all-run",
            "Every aerator runs and that will not be enough: stop feeding, bring further aeration, call the adviser."
        )
    } else {
        said!(
            "enough-not",
            "Even all aerators are not enough: start {groups} ({power} kW) {when}, stop feeding, be ready to call for help.{stopped}",
            groups = names(pond, &idle),
            power = tenth(power_kw(pond, &idle)),
            when = start_when((!is_now).then_some(wait)),
            stopped = super::about_stopped(pond, &stopped)
        )
    };
    let action = if is_now { AdviceAction::StartNow } else { AdviceAction::StartAt };
    // What to do first: a narrow screen may have no room for all of it.
    let reason = Said::joined(alloc::vec![what, outlook.clone()], " ");
    Advice {
        start: Some(if is_now { now } else { now + wait }),
        stop: Some(plan.stop),
        kwh: plan.kwh,
        aerators: idle,
        ..blank(action, with_saturation(with_timers(reason, plan, pond, now), situation, oxygen))
    }
}

/// Adds which running groups may rest.
pub(super) fn with_resting(reason: Said, pond: &Pond, resting: &[u16]) -> Said {
    if resting.is_empty() {
        return reason;
    }
    said!(
        "advice-needless",
        "{reason} Running now without need: {groups} ({power} kW).",
        reason = reason,
        groups = names(pond, resting),
        power = tenth(power_kw(pond, resting))
    )
}

/// Above saturation an aerator does harm.
fn with_saturation(reason: Said, situation: &Situation<'_>, oxygen: Seen) -> Said {
    let percent = derived::oxygen_saturation(&situation.water).map(|(value, _)| 100.0 * oxygen.value / value);
    match percent.filter(|percent| *percent > 102.0) {
        Some(percent) => {
            said!(
                "advice-removes",
                "{reason} Running aerators now removes oxygen: {percent} % of saturation.",
                reason = reason,
                percent = fixed(percent, 0)
            )
        }
        None => reason,
    }
}
