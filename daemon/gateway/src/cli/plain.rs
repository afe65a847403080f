//! The farm in plain lines of at most 80 columns, for dumb terminals, serial consoles and mail.
//!
//! The words are the console's own, so that a thing is called the same wherever it is read. No colour:
//! what matters is said in words.

use std::fmt::Write as _;

use crate::console::text::{self, FarmClock, NO_VALUE, age_words, number, quality, signed};
use crate::console::words::{
    act_within, called_words, day_words, held_alarm_words, held_words, horn_test_words, mark, priority_name,
    probe_notes, quantity_name,
};
use crate::local::diary::DiaryStatus;
use crate::local::machine::MachineStatus;
use crate::local::protocol::{
    AdviceStatus, AlarmStatus, FarmStatus, FaultStatus, ForecastStatus, PondStatus, ReadingStatus,
};

/// Columns of a serial console.
pub(super) const COLUMNS: usize = 80;

/// Rows a paragraph may take; no message comes near it.
const PARAGRAPH_ROWS: usize = 40;

/// Advice older than this says its age: the numbers in it are no longer those above it.
const ADVICE_DATED_AFTER_S: i64 = 600;

/// Said wherever somebody may walk out to a pond.
pub(crate) const CAUTION: &str = "Walk, do not run. Nobody enters the water while aerators are live. \
     If in doubt, start aerators and look.";

/// The whole farm.
pub(super) fn status(farm: &FarmStatus) -> String {
    let clock = clock(farm);
    let mut out = String::new();
    heading(farm, clock, &mut out);
    alarm_lines(farm, clock, &mut out);
    held_lines(farm, clock, &mut out);
    fault_lines(farm, clock, &mut out);
    if let Some(test) = &farm.horn_test {
        paragraph(&mut out, "Horn ", "  ", &horn_test_words(test, clock));
    }
    probe_lines(farm, clock, &mut out);
    for pond in &farm.ponds {
        out.push('\n');
        pond_lines(pond, clock, &mut out);
    }
    out.push('\n');
    if farm.alarms.iter().any(|alarm| alarm.priority <= 2 && !alarm.is_held()) {
        paragraph(&mut out, "", "", CAUTION);
    } else {
        paragraph(
            &mut out,
            "",
            "",
            "Advice only; nothing is switched. If in doubt, start aerators and look.",
        );
    }
    out
}

/// The alarms alone.
pub(super) fn alarms(farm: &FarmStatus) -> String {
    let clock = clock(farm);
    let mut out = String::new();
    heading(farm, clock, &mut out);
    alarm_lines(farm, clock, &mut out);
    held_lines(farm, clock, &mut out);
    fault_lines(farm, clock, &mut out);
    if let Some(alarm) = farm.alarms.iter().find(|alarm| can_be_acknowledged(alarm)) {
        let _ = write!(out, "\nTo say that you have seen one: pondreeve acknowledge {}\n", alarm.id);
    }
    if farm.alarms.iter().any(|alarm| alarm.priority <= 2 && !alarm.is_held()) {
        paragraph(&mut out, "", "", CAUTION);
    }
    out
}

/// Farm time as the daemon told it.
pub(super) fn clock(farm: &FarmStatus) -> FarmClock {
    FarmClock::new(&farm.at, farm.time_zone_offset_s)
}

/// Whether somebody has yet to say that it was seen.
pub(super) fn can_be_acknowledged(alarm: &AlarmStatus) -> bool {
    alarm.awaits_acknowledgement()
}

/// A text broken at spaces to fit the screen: `first` before the first row, `then` before the others.
pub(super) fn paragraph(out: &mut String, first: &str, then: &str, words: &str) {
    let columns = COLUMNS - text::width(first).max(text::width(then));
    for (index, row) in text::wrap(words, columns, PARAGRAPH_ROWS).iter().enumerate() {
        let _ = writeln!(out, "{}{row}", if index == 0 { first } else { then });
    }
}

fn heading(farm: &FarmStatus, clock: FarmClock, out: &mut String) {
    let open = farm.alarms.iter().filter(|alarm| can_be_acknowledged(alarm)).count();
    let loud = farm.alarms.iter().filter(|alarm| !alarm.is_held()).count();
    let mut alarms = match (loud, open) {
        (0, _) => "no alarms".to_owned(),
        (1, 0) => "1 alarm, acknowledged".to_owned(),
        (all, 0) => format!("{all} alarms, all acknowledged"),
        (1, _) => "1 alarm, NOT ACKNOWLEDGED".to_owned(),
        (all, open) => format!("{all} alarms, {open} NOT ACKNOWLEDGED"),
    };
    alarms.push_str(&held_words(farm));
    let mut line = format!("{}, {}, {alarms}", farm.farm, clock.date_and_time());
    if farm.horn {
        line.push_str(", HORN ON");
    }
    if farm.flood_since.is_some() {
        line.push_str(", FLOOD OF ALARMS: act on the top one");
    }
    paragraph(out, "", "  ", &line);
}

/// Probes out of service and overdue for it: a reminder, not an alarm.
fn probe_lines(farm: &FarmStatus, clock: FarmClock, out: &mut String) {
    for line in probe_notes(farm, None, clock) {
        paragraph(out, "Probe ", "  ", &line);
    }
}

fn alarm_lines(farm: &FarmStatus, clock: FarmClock, out: &mut String) {
    for alarm in &farm.alarms {
        let since = clock.time_and_day(&alarm.raised_at);
        if alarm.is_held() {
            continue;
        }
        let state = match (alarm.state.as_str(), &alarm.acknowledged_by) {
            ("unacknowledged", _) => format!("NOT ACKNOWLEDGED, {}", act_within(alarm.priority)),
            ("acknowledged", Some(by)) => format!("acknowledged by {by}"),
            ("returned-unacknowledged", _) => {
                format!("over since {}, NOT ACKNOWLEDGED", clock.time_and_day(&alarm.changed_at))
            }
            ("latched-unacknowledged", _) => {
                format!(
                    "over since {}, NOT ACKNOWLEDGED, then to be reset",
                    clock.time_and_day(&alarm.changed_at)
                )
            }
            ("latched-acknowledged", _) => {
                let over = clock.time_and_day(&alarm.changed_at);
                format!("over since {over}: look, then say so with pondreeve reset {}", alarm.id)
            }
            (state, _) => state.to_owned(),
        };
        out.push('\n');
        let head = format!("{} {}", priority_name(alarm.priority), alarm.name);
        paragraph(out, &format!("{} ", mark(alarm.priority)), "     ", &head);
        paragraph(out, "     ", "     ", &format!("since {since}, {state}"));
        paragraph(out, "     ", "     ", &alarm.message);
        if let Some(called) = called_words(alarm, clock) {
            paragraph(out, "     called: ", "     ", &called);
        }
        let _ = writeln!(out, "     id: {}", alarm.id);
    }
}

/// Alarms that announce nothing, a line each; those that are counted in another are not told again.
fn held_lines(farm: &FarmStatus, clock: FarmClock, out: &mut String) {
    let mut first = true;
    for alarm in farm.alarms.iter().filter(|alarm| alarm.is_held() && alarm.root.is_none()) {
        if std::mem::take(&mut first) {
            out.push('\n');
        }
        let words = held_alarm_words(alarm, clock);
        paragraph(out, &format!("{} ", mark(alarm.priority)), "     ", &words);
    }
}

fn fault_lines(farm: &FarmStatus, clock: FarmClock, out: &mut String) {
    // Those that stand among the alarms are not said twice.
    let untold: Vec<&FaultStatus> = farm
        .faults
        .iter()
        .filter(|fault| {
            let id = format!("gateway.{}", fault.part.replace(' ', "."));
            !farm.alarms.iter().any(|alarm| alarm.id == id)
        })
        .collect();
    if !untold.is_empty() || farm.waiting_to_forward > 0 {
        out.push('\n');
    }
    for FaultStatus { part, detail, since } in untold {
        let words = format!("gateway, {part}, since {}: {detail}", clock.time_and_day(since));
        paragraph(out, "  ", "    ", &words);
    }
    if farm.waiting_to_forward > 0 {
        let _ = writeln!(out, "  {} messages wait to be forwarded", farm.waiting_to_forward);
    }
    if let Some(machine) = farm.machine.as_ref().map(MachineStatus::words).filter(|words| !words.is_empty()) {
        out.push('\n');
        paragraph(out, "Gateway: ", "  ", &machine);
    }
}

fn pond_lines(pond: &PondStatus, clock: FarmClock, out: &mut String) {
    let _ = writeln!(out, "{} {}", pond.id, pond.name);
    let told_by_forecast = |reading: &&ReadingStatus| {
        !(pond.forecast.is_some()
            && matches!(reading.quantity.as_str(), "night_slope_mg_l_h" | "dawn_do_mg_l"))
    };
    let measured = pond.readings.iter().filter(|reading| {
        // Those of several groups under one name would only confuse; the line of the aerators tells.
        pond.aerators.is_empty() || !matches!(reading.quantity.as_str(), "aerator_on" | "aerator_kw")
    });
    for reading in measured.chain(pond.derived.iter().filter(told_by_forecast)) {
        reading_line(reading, out);
    }
    let running: Vec<String> = pond
        .aerators
        .iter()
        .map(|group| {
            let state = match group.on {
                Some(true) => "running",
                Some(false) => "off",
                None => "not known",
            };
            format!("{} {state}", group.id)
        })
        .collect();
    if !running.is_empty() {
        paragraph(out, "  Aerators: ", "    ", &running.join(", "));
    }
    match (&pond.forecast, &pond.no_forecast) {
        (Some(forecast), _) => forecast_lines(forecast, pond, clock, out),
        (None, Some(why)) => paragraph(out, "  Tonight: ", "    ", &format!("no forecast: {why}")),
        (None, None) => {}
    }
    if let Some(score) = &pond.forecast_score {
        let nights = if score.nights == 1 { "night" } else { "nights" };
        let line = format!(
            "off by {} mg/L on average over {} {nights}, {} of them inside the 80 %",
            number(score.mean_error_mg_l, 2),
            score.nights,
            score.inside_80
        );
        paragraph(out, "  Forecasts of late: ", "    ", &line);
    }
    if let Some(line) = &pond.probe_or_water {
        paragraph(out, "  Oxygen: ", "    ", line);
    }
    if let Some(advice) = &pond.advice {
        paragraph(out, "  Advice: ", "    ", &advice_words(advice, clock));
    }
    if let Some(words) = pond.metabolism.as_ref().and_then(day_words) {
        paragraph(out, "  Last day: ", "    ", &format!("oxygen {words}"));
    } else if let Some(why) = pond.metabolism.as_ref().and_then(|day| day.unknown.as_ref()) {
        paragraph(out, "  Last day: ", "    ", &format!("what was made and used up is not known: {why}"));
    }
    if let Some(words) = pond.diary.as_ref().and_then(|diary| crop_words(diary, clock)) {
        paragraph(out, "  Diary: ", "    ", &words);
    }
    if let Some(night) = pond.aeration_nights.last().filter(|_| !pond.aerators.is_empty()) {
        let day = clock.time_and_day(&night.sunset);
        let asked = match night.asked {
            0 => String::new(),
            asked => format!(" Starts advised {asked}, followed {}.", night.followed),
        };
        let words = format!(
            "{:.0} kWh since sunset ({day}), {:.0} by the habit of all from dusk to dawn.{asked}",
            night.kwh, night.habit_kwh
        );
        paragraph(out, "  Aeration: ", "    ", &words);
    }
}

/// The crop, the day's feed and the last dose; `None` where nobody has recorded any.
fn crop_words(diary: &DiaryStatus, clock: FarmClock) -> Option<String> {
    let mut parts = Vec::new();
    if let Some(crop) = &diary.crop {
        let mut words = format!("day of culture {}", crop.day_of_culture);
        if let Some(abw) = crop.abw_g {
            let _ = write!(words, ", {} g each", number(abw, 2));
        }
        if let (Some(guess), Some(most)) = (crop.biomass_guess_kg, crop.biomass_at_most_kg) {
            let _ = write!(words, ", about {} kg (a guess; {} at most)", number(guess, 0), number(most, 0));
        }
        parts.push(words);
    }
    if diary.meals_today > 0 {
        let meals = if diary.meals_today == 1 { "meal" } else { "meals" };
        parts.push(format!(
            "fed {} kg in {} {meals} today",
            number(diary.feed_today_kg, 1),
            diary.meals_today
        ));
    }
    if let Some(at) = &diary.last_dose_at {
        let strength = diary.last_dose_mg_l.map(|mg_l| format!(", {} mg/L of slurry", number(mg_l, 1)));
        parts.push(format!("last dose {}{}", clock.date(at), strength.unwrap_or_default()));
    }
    (!parts.is_empty()).then(|| format!("{}.", parts.join("; ")))
}

fn reading_line(reading: &ReadingStatus, out: &mut String) {
    let name = quantity_name(&reading.quantity);
    let value = reading.value.map_or_else(|| NO_VALUE.to_owned(), |value| number(value, reading.decimals));
    let trend = match reading.per_hour {
        Some(slope) => format!("{}/h", signed(slope, reading.decimals.max(1))),
        None => String::new(),
    };
    let quality = match (reading.value, reading.flag) {
        // Not evaluated, for want of anything to evaluate.
        (None, 2) => "nothing yet".to_owned(),
        _ => format!("{}, {} old", quality(reading.flag), age_words(reading.age_s)),
    };
    let unit = &reading.unit;
    let line = format!("  {name:<18} {value:>8} {unit:<9} {trend:<10} {quality}");
    let _ = writeln!(out, "{}", line.trim_end());
}

fn forecast_lines(forecast: &ForecastStatus, pond: &PondStatus, clock: FarmClock, out: &mut String) {
    let mut words = format!(
        "lowest {} mg/L at {}, 80% sure of {} to {}.",
        number(forecast.do_min_mg_l, 1),
        clock.time(&forecast.do_min_at),
        number(forecast.low_80, 1),
        number(forecast.high_80, 1),
    );
    for (limit, at, probability) in &forecast.below {
        let percent = number(probability * 100.0, 0);
        let limit = number(*limit, 1);
        match at {
            Some(at) if clock.seconds_since(at).is_some_and(|since| since >= 0) => {
                let _ = write!(words, " Below {limit} now.");
            }
            Some(at) => {
                let _ = write!(words, " Below {limit} at about {} (chance {percent}%).", clock.time(at));
            }
            None => {
                let _ = write!(words, " Below {limit}: chance {percent}%.");
            }
        }
    }
    if let Some(sunrise) = &pond.sunrise {
        let _ = write!(words, " Sunrise {}.", clock.time(sunrise));
    }
    if forecast.night_slope_mg_l_h.is_finite() {
        let _ = write!(words, " Now {} mg/L per hour", signed(forecast.night_slope_mg_l_h, 2));
        if let Some(slope) = forecast.slope_if_aerators_stop_mg_l_h {
            let _ = write!(words, ", {} if the aerators stopped", signed(slope, 2));
        }
        words.push('.');
    }
    paragraph(out, "  Tonight: ", "    ", &words);
    let basis = forecast.basis.trim_end_matches('.');
    paragraph(out, "    ", "    ", &format!("Made at {} from: {basis}.", clock.time(&forecast.at)));
}

fn advice_words(advice: &AdviceStatus, clock: FarmClock) -> String {
    let groups = match advice.aerators.as_slice() {
        [] => String::new(),
        groups => format!(" {}", groups.join(", ")),
    };
    let mut words = match (advice.action.as_str(), &advice.start) {
        ("start-now", _) => format!("START AERATORS{groups} NOW"),
        ("start-at", Some(start)) => format!("start aerators{groups} at {}", clock.time_and_day(start)),
        ("rest", _) => "no aeration needed in the coming hours".to_owned(),
        ("unknown", _) => "none can be given".to_owned(),
        (other, _) => other.to_owned(),
    };
    if let Some(stop) = &advice.stop {
        let _ = write!(words, ", until {}", clock.time_and_day(stop));
    }
    if advice.kwh > 0.0 {
        let _ = write!(words, " ({} kWh)", number(advice.kwh, 1));
    }
    let _ = write!(words, ". {}", advice.reason);
    if clock.seconds_since(&advice.at).is_some_and(|age| age >= ADVICE_DATED_AFTER_S) {
        let _ = write!(words, " Said at {}.", clock.time_and_day(&advice.at));
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::console::sample;

    fn fits(shown: &str) -> &str {
        for line in shown.lines() {
            assert!(text::width(line) <= COLUMNS, "wider than a serial console: {line}");
        }
        shown
    }

    #[test]
    fn a_quiet_night() {
        insta::assert_snapshot!(fits(&status(&sample::normal_night())));
    }

    #[test]
    fn a_critical_alarm_comes_first() {
        let farm = sample::critical_alarm();
        insta::assert_snapshot!("critical_status", fits(&status(&farm)));
        insta::assert_snapshot!("critical_alarms", fits(&alarms(&farm)));
    }

    #[test]
    fn who_was_called_stands_below_the_alarm() {
        insta::assert_snapshot!(fits(&alarms(&sample::people_called())));
    }

    #[test]
    fn a_pond_whose_oxygen_is_not_seen() {
        insta::assert_snapshot!(fits(&status(&sample::blind_pond())));
    }

    #[test]
    fn a_fault_that_is_an_alarm_is_said_once_and_nothing_yet_is_not_called_unchecked() {
        let mut farm = sample::blind_pond();
        farm.alarms[0].id = "gateway.bus.rs485-1".to_owned();
        farm.ponds[0].readings[0].value = None;
        farm.ponds[0].readings[0].flag = 2;
        farm.waiting_to_forward = 3;
        let shown = status(&farm);
        assert!(!shown.contains("/dev/ttyUSB0") && shown.contains("3 messages wait"), "{shown}");
        assert!(
            shown.contains("  Oxygen                   -- mg/L      -0.35/h    nothing yet\n"),
            "{shown}"
        );
    }

    #[test]
    fn old_advice_says_when_it_was_given_and_aerators_are_told_by_group() {
        let mut farm = sample::normal_night();
        let pond = &mut farm.ponds[0];
        if let Some(advice) = &mut pond.advice {
            advice.at = "2026-11-24T22:40:00Z".to_owned();
        }
        let mut power = pond.readings[0].clone();
        power.quantity = "aerator_kw".to_owned();
        pond.readings.push(power);
        let shown = status(&farm);
        assert!(shown.contains("Said at 17:40."), "{shown}");
        assert_eq!(shown.matches("Said at").count(), 1);
        assert!(shown.contains("Aerators: a running, b off") && !shown.contains("Aerator power"), "{shown}");
    }

    #[test]
    fn no_alarms_is_said() {
        assert_eq!(alarms(&sample::normal_night()), "Tidewick Ponds, Wed 25 Nov 02:14, no alarms\n");
    }
}
