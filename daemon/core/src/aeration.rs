//! When to start which aerators, and when they can rest. Advice only: a person switches.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use pondreeve_chemistry::aeration::{Correction, USUAL_THETA, otr_over_sotr};
use pondreeve_chemistry::units::{Celsius, DissolvedOxygen, Hectopascal, Salinity};

use crate::alarm_set::{Facts, ample_mg_l};
use crate::derived::{self, Water};
use crate::effect::{Advice, AdviceAction, Flag};
use crate::message;
use crate::quality::Seen;
use crate::respiration::{ALPHA, BETA};
use crate::said::{Said, below, fixed, said, tenth};
use crate::schedule::Plan;
use crate::site::{EnergyPrice, Pond, PondIndex};
use crate::sunlight::LOW_UNTIL;
use crate::time::{Span, Timestamp};

mod forecast_only;
mod tonight;

/// Temperature assumed where no probe tells: the middle of what shrimp are grown in.
const ASSUMED_C: f64 = 29.0;
/// Advice is repeated only when a clock time in it has moved by this much.
const WORTH_TELLING: Span = Span::from_minutes(10);

/// A later time can wait longer to be told than an earlier one.
const WORTH_PUTTING_OFF: Span = Span::from_minutes(30);

/// The numbers in the reason to start something are renewed after this long: a person acts on them, and "in 1 h" beside
/// a clock time must not be half an hour old.
const REASON_GOOD_FOR: Span = Span::from_minutes(15);

/// Those to leave things as they are after this long: nobody acts on them, and a number from the morning must not
/// stand beside the afternoon's.
const OTHER_REASON_GOOD_FOR: Span = Span::from_hours(1);

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
    pub no_forecast: Option<&'a Said>,
    /// What was advised until now.
    pub was: Option<AdviceAction>,
    /// What electricity costs.
    pub price: Option<&'a EnergyPrice>,
    /// The cheapest safe plan, where the pond's respiration is known.
    pub plan: Option<&'a Plan>,
}

/// Share of its standard rate at which an aerator transfers oxygen into this water. Negative above
/// saturation: it then drives oxygen out. `None` where the formula does not reach.
pub(crate) fn transfer_share(water: &Water, do_mg_l: f64) -> Option<f64> {
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

/// Whether the probes have not had their time to report yet, so that nothing can be advised.
pub fn waits(facts: &Facts<'_>) -> bool {
    let first = facts.blind_after.first().copied().unwrap_or_default();
    facts.oxygen.is_none() && facts.oxygen_unseen_since.is_some_and(|since| facts.now < since + first)
}

/// New advice, if it differs from the old one in what a person would do.
pub fn renew(old: Option<&Advice>, situation: &Situation<'_>) -> Option<Advice> {
    let facts = situation.facts;
    if waits(facts) {
        return None;
    }
    let new = advise(situation);
    let differs = old.is_none_or(|old| {
        let moved = |was: Option<Timestamp>, is: Option<Timestamp>| match (was, is) {
            (Some(was), Some(is)) => was - is >= WORTH_TELLING || is - was >= WORTH_PUTTING_OFF,
            (was, is) => was.is_some() != is.is_some(),
        };
        let is_start = matches!(new.action, AdviceAction::StartNow | AdviceAction::StartAt);
        let good_for = if is_start { REASON_GOOD_FOR } else { OTHER_REASON_GOOD_FOR };
        old.action != new.action
            || (old.reason != new.reason && facts.now - old.at >= good_for)
            || old.aerators != new.aerators
            || (new.action == AdviceAction::StartAt && moved(old.start, new.start))
            || moved(old.stop, new.stop)
    });
    differs.then_some(new)
}

fn advise(situation: &Situation<'_>) -> Advice {
    let Situation { facts, pond, .. } = *situation;
    let blank = |action, reason: Said| Advice {
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
            said!(
                "advice-no-oxygen",
                "No usable oxygen reading. Measure with a hand meter. {in_doubt}",
                in_doubt = message::in_doubt()
            ),
        );
    };
    let [warn, ..] = pond.limits.do_low_mg_l;
    if oxygen.value < warn.limit {
        return start_all_now(situation, oxygen, warn.limit, &blank);
    }
    if facts.stopped != 0 && facts.startable != 0 && oxygen.value < ample_mg_l(&pond.limits) {
        return replace_stopped(situation, oxygen, &blank);
    }
    if let Some(plan) = situation.plan.filter(|_| !facts.forecast_over) {
        return tonight::advise(situation, plan, oxygen, &blank);
    }
    if let Some(forecast) = facts.forecast.filter(|_| !facts.forecast_over) {
        return forecast_only::for_the_night(situation, forecast, &blank);
    }
    if !facts.forecast_over {
        let soon = said!("no-forecast-soon", "it is made within a quarter of an hour");
        let refusal = situation.no_forecast.unwrap_or(&soon);
        return blank(
            AdviceAction::Unknown,
            said!(
                "advice-no-forecast",
                "Oxygen is {value} mg/L now. No forecast: {refusal}. {in_doubt}",
                value = tenth(oxygen.value),
                refusal = refusal,
                in_doubt = message::in_doubt()
            ),
        );
    }
    let saturation =
        derived::oxygen_saturation(&situation.water).map(|(value, _)| 100.0 * oxygen.value / value);
    let reason = match saturation {
        Some(percent) if percent > 100.0 => said!(
            "advice-saturated",
            "Oxygen is {value} mg/L, {percent} % of saturation: aerators would drive oxygen out. Run them only to mix.",
            value = tenth(oxygen.value),
            percent = fixed(percent, 0)
        ),
        _ => said!("advice-day", "It is day, and oxygen is above {limit} mg/L.", limit = tenth(warn.limit)),
    };
    let aerators = if oxygen.value >= ample_mg_l(&pond.limits) { may_rest(situation) } else { Vec::new() };
    let reason = tonight::with_resting(reason, pond, &aerators);
    Advice { aerators, ..blank(AdviceAction::Rest, reason) }
}

/// Running groups that no rule keeps on.
fn may_rest(situation: &Situation<'_>) -> Vec<u16> {
    let groups = situation.pond.aerators.iter().enumerate();
    groups
        .filter(|&(group, configured)| {
            !configured.must_run && situation.aerators_on.get(group).copied().flatten() == Some(true)
        })
        .filter_map(|(group, _)| u16::try_from(group).ok())
        .collect()
}

/// Oxygen is below its limit: everything that does not run yet is started.
fn start_all_now(
    situation: &Situation<'_>,
    oxygen: Seen,
    limit_mg_l: f64,
    blank: &dyn Fn(AdviceAction, Said) -> Advice,
) -> Advice {
    let Situation { facts, pond, .. } = *situation;
    let (idle, stopped) = to_start(situation);
    let doubt = if oxygen.flag == Flag::Suspect {
        said!("advice-doubt", " The reading is suspect: check with a hand meter.")
    } else {
        Said::default()
    };
    let now = said!(
        "advice-low",
        "Oxygen is {value} mg/L, below {limit}.{doubt}",
        value = below(oxygen.value, limit_mg_l),
        limit = tenth(limit_mg_l),
        doubt = doubt
    );
    // By night until the sun has worked for an hour; by day until a person has looked.
    let stop = situation.sunrise.filter(|_| !facts.forecast_over).map(|sunrise| sunrise + LOW_UNTIL);
    let power_kw = power_kw(pond, &idle);
    let reason = if !stopped.is_empty() && stopped == idle {
        said!(
            "advice-start-again",
            "{now} Tonight {groups} stopped: find out why, then start again; do not reset a breaker again and again. Stop feeding.",
            now = now,
            groups = names(pond, &stopped)
        )
    } else if !idle.is_empty() {
        said!(
            "advice-start-all",
            "{now} Start {groups} ({power} kW) and look.{stopped} Stop feeding.",
            now = now,
            groups = names(pond, &idle),
            power = tenth(power_kw),
            stopped = about_stopped(pond, &stopped)
        )
    } else if pond.aerators.is_empty() {
        said!("advice-start-any", "{now} Start aerators and look. Stop feeding.", now = now)
    } else {
        said!(
            "advice-all-run",
            "{now} Every aerator is said to run: look whether they turn. Stop feeding, bring further aeration, call the adviser.",
            now = now
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
    blank: &dyn Fn(AdviceAction, Said) -> Advice,
) -> Advice {
    let Situation { facts, pond, .. } = *situation;
    let mut groups = idle_groups(situation);
    groups.retain(|group| *group < 64 && facts.startable & (1 << group) != 0);
    let stop = situation.sunrise.map(|sunrise| sunrise + LOW_UNTIL);
    let power_kw = power_kw(pond, &groups);
    let reason = said!(
        "advice-replace",
        "Oxygen is {value} mg/L and aerators have stopped. Start {groups} ({power} kW) now, then look at the trip.",
        value = tenth(oxygen.value),
        groups = names(pond, &groups),
        power = tenth(power_kw)
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
    let groups = groups.iter().filter_map(|&group| pond.aerators.get(usize::from(group)));
    // The sum of nothing would be -0.
    groups.map(|group| group.power_kw).fold(0.0, |sum, own| sum + own)
}

fn idle_groups(situation: &Situation<'_>) -> Vec<u16> {
    (0..situation.pond.aerators.len())
        .filter(|&group| situation.aerators_on.get(group).copied().flatten() != Some(true))
        .filter_map(|group| u16::try_from(group).ok())
        .collect()
}

fn running_groups(situation: &Situation<'_>) -> Vec<u16> {
    let idle = idle_groups(situation);
    let all = (0..situation.pond.aerators.len()).filter_map(|group| u16::try_from(group).ok());
    all.filter(|group| !idle.contains(group)).collect()
}

/// The groups to start, and those that stopped tonight, by a trip or by somebody's hand. These are not among the
/// groups to start as long as there are others: switching them on again blindly may trip them again, and costs the
/// minutes in which the others could be running.
fn to_start(situation: &Situation<'_>) -> (Vec<u16>, Vec<u16>) {
    let idle = idle_groups(situation);
    let (stopped, others): (Vec<u16>, Vec<u16>) =
        idle.iter().copied().partition(|&group| group < 64 && situation.facts.stopped & (1 << group) != 0);
    if others.is_empty() { (idle, stopped) } else { (others, stopped) }
}

/// What to mind of groups that stopped tonight.
fn about_stopped(pond: &Pond, stopped: &[u16]) -> Said {
    if stopped.is_empty() {
        return Said::default();
    }
    said!(
        "advice-stopped",
        " Tonight {groups} stopped: find out why before starting again; do not reset a breaker again and again.",
        groups = names(pond, stopped)
    )
}

/// Energy as a person says it, with what it costs where that is known.
fn energy(kwh: f64, price: Option<&EnergyPrice>) -> String {
    match price {
        Some(price) => {
            format!("{kwh:.0} kWh, {:.2} {}", kwh * price.per_kwh, price.currency).trim_end().into()
        }
        None => format!("{kwh:.0} kWh"),
    }
}

fn names(pond: &Pond, groups: &[u16]) -> Said {
    let ids: Vec<Said> = groups
        .iter()
        .filter_map(|&group| pond.aerators.get(usize::from(group)))
        .map(|group| Said::plain(group.id.as_str()))
        .collect();
    let is_one = ids.len() == 1;
    let ids = Said::joined(ids, " and ");
    if is_one {
        said!("group-one", "group {id}", id = ids)
    } else {
        said!("groups-some", "groups {ids}", ids = ids)
    }
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
}
