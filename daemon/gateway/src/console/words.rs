//! Names of quantities, states and priorities as a person says them.

use pondreeve_core::gateway_fault;
use pondreeve_core::input::GatewayPart;

use super::shelving;
use super::text::{FarmClock, age_words, number, signed};
use crate::local::protocol::{AlarmStatus, FarmStatus, HornTestStatus, MetabolismStatus};
use crate::texts::{Words, english, say};

/// A quantity's name in at most 18 columns. One that is not known here is shown by its id.
pub(crate) fn quantity_name(words: Words, id: &str) -> String {
    words.find(&format!("quantity-{id}")).unwrap_or_else(|| id.to_owned())
}

/// The same in at most 13 columns.
pub(crate) fn quantity_short_name(words: Words, id: &str) -> String {
    words.find(&format!("quantity-short-{id}")).unwrap_or_else(|| quantity_name(words, id))
}

/// An alarm's name. It goes with the last part of its id; English is as the daemon says it.
pub(crate) fn alarm_name(words: Words, alarm: &AlarmStatus) -> String {
    alarm_name_by_id(words, &alarm.id, &alarm.name)
}

/// The same by its id, `name` being what the daemon says.
pub(crate) fn alarm_name_by_id(words: Words, id: &str, name: &str) -> String {
    if words == english() {
        return name.to_owned();
    }
    let (key, which) = alarm_key(id);
    if words.has(&key) { say!(words, &key, which = which).trim_end().to_owned() } else { name.to_owned() }
}

/// Key of an alarm's name, and the probe, node or part that is put into it.
pub(crate) fn alarm_key(id: &str) -> (String, &str) {
    let (place, kind) = id.split_once('.').unwrap_or(("", id));
    let (kind, which) = kind.split_once('.').unwrap_or((kind, ""));
    // What hangs on no pond is the gateway's too, such as a probe at the mast.
    let is_part =
        place == "gateway" && GatewayPart::ALL.iter().any(|part| gateway_fault::id(*part, which) == id);
    (format!("alarm-{}{kind}", if is_part { "gateway-" } else { "" }), which)
}

/// What a quality test complains of, by the test's id; `says` is what the daemon says.
pub(crate) fn test_words(words: Words, id: &str, says: &str) -> String {
    if words == english() {
        return says.to_owned();
    }
    words.find(&format!("test-{}", id.replace('_', "-"))).unwrap_or_else(|| says.to_owned())
}

/// A priority in one word.
pub(crate) fn priority_name(words: Words, priority: u8) -> String {
    words.get(match priority {
        1 => "priority-1",
        2 => "priority-2",
        _ => "priority-3",
    })
}

/// How soon a person must act on it.
pub(crate) fn act_within(words: Words, priority: u8) -> String {
    words.get(match priority {
        1 => "act-within-1",
        2 => "act-within-2",
        _ => "act-within-3",
    })
}

/// Shape, number and letter of a priority: a diamond, a triangle, a square, drawn with ASCII since the
/// black diamond is missing from 342 of the 456 console fonts of Debian 12 (console-setup 1.221), and
/// a serial line may pass ASCII only.
pub(crate) fn mark(words: Words, priority: u8) -> String {
    words.get(match priority {
        1 => "mark-1",
        2 => "mark-2",
        _ => "mark-3",
    })
}

/// An alarm's state in words, in at most 14 columns.
pub(crate) fn state_name(words: Words, state: &str) -> String {
    words.find(&format!("state-{state}")).unwrap_or_else(|| state.to_owned())
}

/// How many alarms announce nothing, with a comma before: `, 2 shelved, 7 inside others`.
pub(crate) fn held_words(words: Words, farm: &FarmStatus) -> String {
    let count = |state: &str| farm.alarms.iter().filter(|alarm| alarm.state == state).count();
    let mut told = String::new();
    for (state, key) in [("shelved", "held-shelved"), ("suppressed-by-design", "held-inside")] {
        match count(state) {
            0 => {}
            some => told.push_str(&format!(", {}", say!(words, key, count = some))),
        }
    }
    told
}

/// An alarm that announces nothing, and why.
pub(crate) fn held_alarm_words(alarm: &AlarmStatus, clock: FarmClock) -> String {
    let words = clock.words();
    let (name, id) = (alarm_name(words, alarm), alarm.id.as_str());
    match (&alarm.shelf, &alarm.root) {
        (Some(shelf), _) => say!(
            words,
            "held-alarm-shelved",
            name = name,
            id = id,
            until = clock.time_and_day(&shelf.until),
            by = &shelf.by,
            reason = shelving::reason_words(words, &shelf.reason),
        ),
        (None, Some(root)) => say!(words, "held-alarm-inside", name = name, id = id, root = root),
        (None, None) => {
            say!(words, "held-alarm-state", name = name, id = id, state = state_name(words, &alarm.state))
        }
    }
}

/// Probes out of service and overdue for it, a line each; of one pond, or of the whole farm.
pub(crate) fn probe_notes(farm: &FarmStatus, pond: Option<&str>, clock: FarmClock) -> Vec<String> {
    let words = clock.words();
    let mut notes = Vec::new();
    for probe in farm.probes.iter().filter(|probe| pond.is_none() || probe.pond.as_deref() == pond) {
        if let Some(out) = &probe.out_of_service {
            let until = clock.time_and_day(&out.until);
            notes.push(say!(words, "probe-out", probe = &probe.id, until = until, by = &out.by));
            continue;
        }
        let overdue: Vec<String> = probe
            .channels
            .iter()
            .filter_map(|channel| {
                let late = channel.overdue_s?;
                let what = quantity_name(words, &channel.quantity);
                Some(say!(words, "probe-overdue-by", what = what, late = age_words(words, late)))
            })
            .collect();
        if !overdue.is_empty() {
            notes.push(say!(words, "probe-overdue", probe = &probe.id, what = overdue.join(", ")));
        }
    }
    notes
}

/// What the pond made and used up in its last farm day, in one row of a serial console; nothing where it
/// is not known.
pub(crate) fn day_words(words: Words, day: &MetabolismStatus) -> Option<String> {
    let balance = day.balance?;
    let trend = day
        .production_per_week_mg_l
        .map(|slope| format!(" {}", say!(words, "day-trend", slope = signed(slope, 1))))
        .unwrap_or_default();
    Some(say!(
        words,
        "day-balance",
        made = number(balance.production_mg_l, 1),
        trend = trend,
        used = number(balance.respiration_mg_l, 1),
        net = signed(balance.net_mg_l, 1),
    ))
}

/// "technician on shift 02:11, second person 02:14; next adviser 02:19": who was called for an alarm and
/// who is next; `None` where nobody is.
pub(crate) fn called_words(alarm: &AlarmStatus, clock: FarmClock) -> Option<String> {
    let words = clock.words();
    let called: Vec<String> = alarm
        .called
        .iter()
        .map(|called| {
            let times = match called.times {
                ..=1 => String::new(),
                times => format!(", {}", say!(words, "called-times", times = times)),
            };
            let outcome = match (called.outcome.as_deref(), &called.why) {
                (Some("failed"), Some(why)) => format!(" {}: {why}", say!(words, "called-not-reached")),
                (Some("failed"), None) => format!(" {}", say!(words, "called-not-reached")),
                (None, _) => format!(" ({})", say!(words, "called-under-way")),
                _ => String::new(),
            };
            format!("{} {}{times}{outcome}", called.name, clock.time_and_day(&called.at))
        })
        .collect();
    let next = alarm
        .next_call
        .as_ref()
        .map(|next| say!(words, "called-next", name = &next.name, at = clock.time_and_day(&next.at)));
    match (called.is_empty(), next) {
        (true, None) => None,
        (true, Some(next)) => Some(format!("{}; {next}", say!(words, "called-nobody"))),
        (false, None) => Some(called.join(", ")),
        (false, Some(next)) => Some(format!("{}; {next}", called.join(", "))),
    }
}

/// What came of the horn's newest test.
pub(crate) fn horn_test_words(test: &HornTestStatus, clock: FarmClock) -> String {
    let (words, at) = (clock.words(), clock.time_and_day(&test.at));
    let why = test.why.clone().unwrap_or_else(|| say!(words, "horn-test-no-reason"));
    match test.outcome.as_str() {
        "done" => say!(words, "horn-test-done", at = at),
        "left-out" => say!(words, "horn-test-left-out", at = at, why = why),
        _ => say!(words, "horn-test-failed", at = at, why = why),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use pondreeve_core::Quantity;

    #[test]
    fn every_quantity_has_a_name() {
        for quantity in Quantity::ALL {
            let name = quantity_name(english(), quantity.id());
            assert_ne!(name, quantity.id(), "no name for it");
        }
    }
}
