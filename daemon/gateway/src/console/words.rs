//! Names of quantities, states and priorities as a person says them.

use super::text::{FarmClock, age_words, number, signed};
use crate::local::protocol::{AlarmStatus, FarmStatus, HornTestStatus, MetabolismStatus};

/// A quantity's name in at most 18 columns. One that is not known here is shown by its id.
pub(crate) fn quantity_name(id: &str) -> &str {
    match id {
        "do_mg_l" => "Oxygen",
        "temperature_c" => "Temperature",
        "ph" => "pH",
        "salinity_psu" => "Salinity",
        "conductivity_ms_cm" => "Conductivity",
        "pressure_hpa" => "Air pressure",
        "depth_m" => "Depth",
        "turbidity_ntu" => "Turbidity",
        "orp_mv" => "Redox (ORP)",
        "par_umol_m2_s" => "Light (PAR)",
        "sludge_ph" => "Sludge pH",
        "sludge_orp_mv" => "Sludge redox",
        "tan_mg_l" => "TAN (as N)",
        "nitrite_mg_l" => "Nitrite (as N)",
        "nitrate_mg_l" => "Nitrate (as N)",
        "phosphate_mg_l" => "Phosphate (as P)",
        "alkalinity_mg_l" => "Alkalinity CaCO3",
        "hardness_mg_l" => "Hardness CaCO3",
        "calcium_mg_l" => "Calcium",
        "magnesium_mg_l" => "Magnesium",
        "iron_mg_l" => "Iron",
        "sulfide_mg_l" => "Sulfide (as S)",
        "secchi_cm" => "Secchi depth",
        "aerator_on" => "Aerator on",
        "aerator_kw" => "Aerator power",
        "do_saturation_mg_l" => "Full saturation",
        "do_saturation_percent" => "Oxygen saturation",
        "nh3_n_mg_l" => "NH3-N (un-ionised)",
        "h2s_s_mg_l" => "H2S-S (un-ionised)",
        "co2_mg_l" => "CO2 dissolved",
        "ph_swing" => "pH swing, 24 h",
        "night_slope_mg_l_h" => "Oxygen slope",
        "dawn_do_mg_l" => "Lowest by dawn",
        other => other,
    }
}

/// A priority in one word.
pub(crate) fn priority_name(priority: u8) -> &'static str {
    match priority {
        1 => "CRITICAL",
        2 => "HIGH",
        _ => "MEDIUM",
    }
}

/// How soon a person must act on it.
pub(crate) fn act_within(priority: u8) -> &'static str {
    match priority {
        1 => "act within 15 min",
        2 => "act within the hour",
        _ => "act today",
    }
}

/// Shape, number and letter of a priority: a diamond, a triangle, a square, drawn with ASCII since the
/// black diamond is missing from 342 of the 456 console fonts of Debian 12 (console-setup 1.221), and
/// a serial line may pass ASCII only.
pub(crate) fn mark(priority: u8) -> &'static str {
    match priority {
        1 => "<1C>",
        2 => "/2H\\",
        _ => "[3M]",
    }
}

/// An alarm's state in words, in at most 14 columns.
pub(crate) fn state_name(state: &str) -> &str {
    match state {
        "unacknowledged" => "UNACKNOWLEDGED",
        "acknowledged" => "acknowledged",
        "returned-unacknowledged" => "OVER, NOT ACK.",
        "normal" => "normal",
        "latched-unacknowledged" => "OVER, NOT ACK.",
        "latched-acknowledged" => "over, reset it",
        "suppressed-by-design" => "counted inside",
        "out-of-service" => "out of service",
        other => other,
    }
}

/// How many alarms announce nothing, with a comma before: `, 2 shelved, 7 inside others`.
pub(crate) fn held_words(farm: &FarmStatus) -> String {
    let count = |state: &str| farm.alarms.iter().filter(|alarm| alarm.state == state).count();
    let mut words = String::new();
    for (state, what) in [("shelved", "shelved"), ("suppressed-by-design", "counted in others")] {
        match count(state) {
            0 => {}
            some => words.push_str(&format!(", {some} {what}")),
        }
    }
    words
}

/// An alarm that announces nothing, and why.
pub(crate) fn held_alarm_words(alarm: &AlarmStatus, clock: FarmClock) -> String {
    match (&alarm.shelf, &alarm.root) {
        (Some(shelf), _) => format!(
            "{} ({}) is shelved until {} by {}: {}",
            alarm.name,
            alarm.id,
            clock.time_and_day(&shelf.until),
            shelf.by,
            shelf.reason
        ),
        (None, Some(root)) => format!("{} ({}) is counted in {root}", alarm.name, alarm.id),
        (None, None) => format!("{} ({}) is {}", alarm.name, alarm.id, state_name(&alarm.state)),
    }
}

/// Probes out of service and overdue for it, a line each; of one pond, or of the whole farm.
pub(crate) fn probe_notes(farm: &FarmStatus, pond: Option<&str>, clock: FarmClock) -> Vec<String> {
    let mut notes = Vec::new();
    for probe in farm.probes.iter().filter(|probe| pond.is_none() || probe.pond.as_deref() == pond) {
        if let Some(out) = &probe.out_of_service {
            notes.push(format!(
                "{} is out of service until {} ({})",
                probe.id,
                clock.time_and_day(&out.until),
                out.by
            ));
            continue;
        }
        let overdue: Vec<String> = probe
            .channels
            .iter()
            .filter_map(|channel| {
                let late = channel.overdue_s?;
                Some(format!("{} by {}", quantity_name(&channel.quantity), age_words(late)))
            })
            .collect();
        if !overdue.is_empty() {
            notes.push(format!("{} is overdue for service: {}", probe.id, overdue.join(", ")));
        }
    }
    notes
}

/// What the pond made and used up in its last farm day, in one row of a serial console; nothing where it
/// is not known.
pub(crate) fn day_words(day: &MetabolismStatus) -> Option<String> {
    let balance = day.balance?;
    let trend = day
        .production_per_week_mg_l
        .map(|slope| format!(" ({} a week)", signed(slope, 1)))
        .unwrap_or_default();
    Some(format!(
        "made {}{trend}, used {}, net {} mg/L",
        number(balance.production_mg_l, 1),
        number(balance.respiration_mg_l, 1),
        signed(balance.net_mg_l, 1),
    ))
}

/// "technician on shift 02:11, second person 02:14; next adviser 02:19": who was called for an alarm and
/// who is next; `None` where nobody is.
pub(crate) fn called_words(alarm: &AlarmStatus, clock: FarmClock) -> Option<String> {
    let called: Vec<String> = alarm
        .called
        .iter()
        .map(|called| {
            let times = if called.times > 1 { format!(", {} times", called.times) } else { String::new() };
            let outcome = match (called.outcome.as_deref(), &called.why) {
                (Some("failed"), Some(why)) => format!(" NOT REACHED: {why}"),
                (Some("failed"), None) => " NOT REACHED".to_owned(),
                (None, _) => " (under way)".to_owned(),
                _ => String::new(),
            };
            format!("{} {}{times}{outcome}", called.name, clock.time_and_day(&called.at))
        })
        .collect();
    let next =
        alarm.next_call.as_ref().map(|next| format!("next {} {}", next.name, clock.time_and_day(&next.at)));
    match (called.is_empty(), next) {
        (true, None) => None,
        (true, Some(next)) => Some(format!("nobody yet; {next}")),
        (false, None) => Some(called.join(", ")),
        (false, Some(next)) => Some(format!("{}; {next}", called.join(", "))),
    }
}

/// What came of the horn's newest test.
pub(crate) fn horn_test_words(test: &HornTestStatus, clock: FarmClock) -> String {
    let at = clock.time_and_day(&test.at);
    let why = test.why.as_deref().unwrap_or("no reason is known");
    match test.outcome.as_str() {
        "done" => format!("test {at}: it answered"),
        "left-out" => format!("test {at} left out: {why}"),
        _ => format!("TEST {at} FAILED: {why}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use pondreeve_core::Quantity;

    #[test]
    fn every_quantity_has_a_name_that_fits() {
        for quantity in Quantity::ALL {
            let name = quantity_name(quantity.id());
            assert_ne!(name, quantity.id(), "no name for it");
            assert!(name.len() <= 18, "{name}");
        }
    }
}
