//! What is said of low, falling and unseen oxygen, of its forecast, and of aerators that stopped.

use alloc::vec::Vec;

use super::{in_doubt, now_at};
use crate::alarm_set::{Facts, RISING_MG_L_H};
use crate::effect::Flag;
use crate::quality::Seen;
use crate::said::{self, Said, fixed, said, tenth};
use crate::site::{Limits, Pond};
use crate::time::Span;
use crate::verdict::{Leaning, Verdict};

/// Oxygen below a level's limit.
pub(super) fn low(
    place: &str,
    level: usize,
    limit: f64,
    pond: &Pond,
    limits: &Limits,
    facts: &Facts<'_>,
) -> Said {
    let Some(seen) = facts.oxygen else {
        return said!(
            "said-do-low-unseen",
            "{place}: oxygen was below {limit} mg/L when last seen, and is not observed now. Start aerators and look; check with a hand meter.",
            place = place,
            limit = tenth(limit)
        );
    };
    if let Some((check, left)) = facts.hand_counts {
        return said!(
            "said-do-low-hand",
            "{place}: a probe reads oxygen {probe} mg/L, a hand meter read {hand}: a fault of the probe. The hand meter counts for another {left}, then the probe again: measure once more by hand before that. {doubt}",
            place = place,
            probe = tenth(check.probe),
            hand = tenth(check.hand),
            left = said::length(left),
            doubt = in_doubt()
        );
    }
    let what = match level {
        0 => said!("said-low-0", "oxygen low"),
        1 => said!("said-low-1", "oxygen critically low"),
        _ => said!("said-low-2", "EMERGENCY, oxygen"),
    };
    said!(
        "said-do-low",
        "{place}: {what}, {value} mg/L (limit {limit}){trend}.{doubt} {todo}",
        place = place,
        what = what,
        value = said::below(seen.value, limit),
        limit = tenth(limit),
        trend = trend(limits, facts, seen),
        doubt = oxygen_doubt(seen, facts.verdict),
        todo = what_to_do_low(limits, level, seen, all_run(pond, facts))
    )
}

/// Oxygen that falls fast.
pub(super) fn falls(place: &str, limits: &Limits, facts: &Facts<'_>) -> Said {
    let (fall, now) = (facts.fall_30min.unwrap_or_default(), facts.oxygen);
    let value = now.map(|seen| now_at(seen.value, " mg/L")).unwrap_or_default();
    let doubt = now.map(|seen| oxygen_doubt(seen, facts.verdict)).unwrap_or_default();
    said!(
        "said-do-falling",
        "{place}: oxygen fell {fall} mg/L in 30 min{value} (limit {limit} in 30 min).{doubt} Look for stopped aerators. {in_doubt}",
        place = place,
        fall = tenth(fall),
        value = value,
        limit = tenth(limits.do_fall_30min_mg_l),
        doubt = doubt,
        in_doubt = in_doubt()
    )
}

/// Oxygen that is forecast to fall below a level's limit.
pub(super) fn forecast(place: &str, level: usize, pond: &Pond, limits: &Limits, facts: &Facts<'_>) -> Said {
    let limit = limits.do_forecast_mg_l.get(level).copied().unwrap_or_default();
    let Some(forecast) = facts.forecast else {
        return said!(
            "said-do-forecast-none",
            "{place}: oxygen was forecast to fall below {limit} mg/L; no forecast now. {in_doubt}",
            place = place,
            limit = tenth(limit),
            in_doubt = in_doubt()
        );
    };
    if facts.oxygen.is_some_and(|seen| seen.value < limit) {
        return said!(
            "said-do-forecast-below",
            "{place}: oxygen is below {limit} mg/L already; lowest expected {lowest} (80 % between {low} and {high}) in {left}. Aerate now.",
            place = place,
            limit = tenth(limit),
            lowest = tenth(forecast.do_min_mg_l),
            low = tenth(forecast.low_80),
            high = tenth(forecast.high_80),
            left = said::length(forecast.do_min_at - facts.now)
        );
    }
    let crossing = forecast.below.iter().find(|crossing| crossing.limit_mg_l == limit);
    let chance = crossing.map_or(0.0, |crossing| crossing.probability * 100.0);
    let when = crossing
        .and_then(|crossing| crossing.at)
        .map(|at| at - facts.now)
        .map(|left| {
            if left.as_millis() < 60_000 {
                said!("when-now", " now")
            } else {
                said!("when-in", " in about {left}", left = said::length(left))
            }
        })
        .unwrap_or_default();
    let likely = if chance >= 50.0 { said!("fall-likely", "likely to") } else { said!("fall-may", "may") };
    said!(
        "said-do-forecast",
        "{place}: oxygen {likely} fall below {limit} mg/L{when}, chance {chance} %; lowest expected {lowest} (80 % between {low} and {high}) in {left}. {todo}",
        place = place,
        likely = likely,
        limit = tenth(limit),
        when = when,
        chance = fixed(chance, 0),
        lowest = tenth(forecast.do_min_mg_l),
        low = tenth(forecast.low_80),
        high = tenth(forecast.high_80),
        left = said::length(forecast.do_min_at - facts.now),
        todo = if all_run(pond, facts) {
            said!("forecast-do-all-run", "Every aerator runs: do not feed, have further aeration ready.")
        } else {
            said!("forecast-do-plan", "Plan aeration now.")
        }
    )
}

/// Oxygen that nobody sees at night.
pub(super) fn unseen(place: &str, facts: &Facts<'_>) -> Said {
    let since = facts.oxygen_unseen_since.map(|since| said::length(facts.now - since));
    said!(
        "said-do-blind",
        "{place}: no usable oxygen reading for {since}, at night. The water is not being watched: measure with a hand meter. {in_doubt}",
        place = place,
        since = since.unwrap_or_default(),
        in_doubt = in_doubt()
    )
}

/// Aerators that stopped at night.
pub(super) fn aerators_stopped(place: &str, pond: &Pond, limits: &Limits, facts: &Facts<'_>) -> Said {
    let stopped = groups(pond, |group| facts.stopped & (1 << group) != 0);
    let stopped = if facts.stopped.count_ones() == 1 {
        said!("stopped-one", "aerator {groups} has stopped", groups = stopped)
    } else {
        said!("stopped-some", "aerators {groups} have stopped", groups = stopped)
    };
    let others = groups(pond, |group| facts.startable & (1 << group) != 0);
    let oxygen = facts.oxygen.map_or_else(
        || said!("stopped-oxygen-unseen", "oxygen is not observed"),
        |seen| {
            let value = tenth(seen.value);
            if seen.flag == Flag::Suspect {
                said!(
                    "stopped-oxygen-suspect",
                    "oxygen {value} mg/L (suspect: check with a hand meter)",
                    value = value
                )
            } else {
                said!("stopped-oxygen", "oxygen {value} mg/L", value = value)
            }
        },
    );
    let critical = limits.do_low_mg_l.get(1).map_or(0.0, |threshold| threshold.limit);
    let left = match facts.left_without {
        Some(Some(left)) if left.as_millis() > 0 => said!(
            "stopped-left",
            ", {critical} mg/L in about {left} if none runs",
            critical = tenth(critical),
            left = said::length(left)
        ),
        Some(None) => said!(
            "stopped-not-below",
            ", not below {critical} before sunrise even if none runs",
            critical = tenth(critical)
        ),
        _ => Said::default(),
    };
    let start = if others.is_empty() {
        said!("stopped-nothing-left", "Nothing else is left to start: look at the trip.")
    } else {
        said!("stopped-start", "Start {others} now, then look at the trip.", others = others)
    };
    said!(
        "said-stopped",
        "{place}: {stopped}; {oxygen}{left}. {start} Do not reset a breaker again and again; call an electrician; stay out of the water.",
        place = place,
        stopped = stopped,
        oxygen = oxygen,
        left = left,
        start = start
    )
}

/// The doubt about the pond's oxygen, with what speaks for the probe or for the water where that can be
/// told. A probe that nothing doubts but the clues is suspect all the same.
fn oxygen_doubt(seen: Seen, verdict: Option<&Verdict>) -> Said {
    let leaning = verdict.map(Verdict::leaning);
    let by = verdict
        .filter(|_| leaning != Some(Leaning::Unsure))
        .map(|verdict| said!("doubt-by", ", {line}", line = verdict.line()))
        .unwrap_or_default();
    if seen.flag == Flag::Suspect || leaning == Some(Leaning::Probe) {
        said!("doubt-oxygen", " Oxygen reading suspect{by}: check with a hand meter.", by = by)
    } else {
        Said::default()
    }
}

/// Ids of some aerator groups, as a person says them.
fn groups(pond: &Pond, wanted: impl Fn(usize) -> bool) -> Said {
    let ids: Vec<Said> = pond
        .aerators
        .iter()
        .take(64)
        .enumerate()
        .filter(|(position, _)| wanted(*position))
        .map(|(_, group)| Said::plain(group.id.as_str()))
        .collect();
    Said::joined(ids, " and ")
}

/// How oxygen moves, and how long until the next graver limit.
fn trend(limits: &Limits, facts: &Facts<'_>, seen: Seen) -> Said {
    let Some(slope) = facts.slope_mg_l_h else { return Said::default() };
    if slope > RISING_MG_L_H {
        return said!("trend-rising", ", rising {slope} mg/L per hour", slope = tenth(slope));
    }
    if slope > -0.05 {
        return said!("trend-steady", ", steady");
    }
    let next = limits.do_low_mg_l.iter().map(|threshold| threshold.limit).find(|&limit| limit < seen.value);
    let left = next
        .map(|limit| {
            let hours = (seen.value - limit) / -slope;
            let left = Span::from_millis((hours.min(100.0) * 3_600_000.0) as i64);
            said!("trend-left", ", {limit} in about {left}", limit = tenth(limit), left = said::length(left))
        })
        .unwrap_or_default();
    said!("trend-falling", ", falling {slope} mg/L per hour{left}", slope = tenth(-slope), left = left)
}

/// Whether there is nothing left to start.
fn all_run(pond: &Pond, facts: &Facts<'_>) -> bool {
    !pond.aerators.is_empty() && facts.startable == 0 && facts.stopped == 0
}

fn what_to_do_low(limits: &Limits, level: usize, seen: Seen, all_run: bool) -> Said {
    // Past the limit of a graver level is not past the milder ones.
    let [warn, ..] = limits.do_low_mg_l;
    let is_back = seen.value >= warn.limit;
    match (level, seen.flag) {
        (_, Flag::Suspect) => in_doubt(),
        _ if is_back => {
            said!("low-do-back", "It is back above the limit, but only just: leave what runs running.")
        }
        (0 | 1, _) if all_run => said!(
            "low-do-all-run",
            "Every aerator is said to run: look whether they turn; stop feeding, bring further aeration."
        ),
        (0, _) => said!("low-do-0", "Start aerators and look."),
        (1, _) => said!("low-do-1", "Start all aerators now and look; stop feeding."),
        _ => said!(
            "low-do-2",
            "Start everything now, stop feeding, call for help. Walk, do not run; stay out of the water."
        ),
    }
}
