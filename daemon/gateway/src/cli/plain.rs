//! The farm in plain lines of at most 80 columns, for dumb terminals, serial consoles and mail.
//!
//! The words are the console's own, so that a thing is called the same wherever it is read. No colour:
//! what matters is said in words.

use std::fmt::Write as _;

use crate::console::ammonia::with_band;
use crate::console::text::{self, FarmClock, NO_VALUE, age_words, number, quality, signed};
use crate::console::words::{
    act_within, alarm_name, called_words, day_words, held_alarm_words, held_words, horn_test_words, mark,
    priority_name, probe_notes, quantity_name, state_name,
};
use crate::local::protocol::{
    AdviceStatus, AlarmStatus, FarmStatus, FaultStatus, ForecastStatus, PondStatus, ReadingStatus,
};
use crate::local::{diary::DiaryStatus, machine::MachineStatus, said::SaidStatus};
use crate::texts::{Words, recognised, said::told, say};

/// Columns of a serial console.
pub(super) const COLUMNS: usize = 80;

/// Rows a paragraph may take; no message comes near it.
const PARAGRAPH_ROWS: usize = 40;

/// Advice older than this says its age: the numbers in it are no longer those above it.
const ADVICE_DATED_AFTER_S: i64 = 600;

/// The whole farm.
pub(super) fn status(farm: &FarmStatus, words: Words) -> String {
    let clock = clock(farm).read_in(words);
    let mut out = String::new();
    heading(farm, clock, &mut out);
    alarm_lines(farm, clock, &mut out);
    held_lines(farm, clock, &mut out);
    fault_lines(farm, clock, &mut out);
    if let Some(test) = &farm.horn_test {
        let label = format!("{} ", say!(words, "plain-horn"));
        paragraph(&mut out, &label, "  ", &horn_test_words(test, clock));
    }
    probe_lines(farm, clock, &mut out);
    for pond in &farm.ponds {
        out.push('\n');
        pond_lines(pond, clock, &mut out);
    }
    out.push('\n');
    if farm.alarms.iter().any(|alarm| alarm.priority <= 2 && !alarm.is_held()) {
        paragraph(&mut out, "", "", &say!(words, "caution"));
    } else {
        let advice = format!("{} {}", say!(words, "plain-advice-only"), say!(words, "in-doubt"));
        paragraph(&mut out, "", "", &advice);
    }
    out
}

/// The alarms alone.
pub(super) fn alarms(farm: &FarmStatus, words: Words) -> String {
    let clock = clock(farm).read_in(words);
    let mut out = String::new();
    heading(farm, clock, &mut out);
    alarm_lines(farm, clock, &mut out);
    held_lines(farm, clock, &mut out);
    fault_lines(farm, clock, &mut out);
    if let Some(alarm) = farm.alarms.iter().find(|alarm| can_be_acknowledged(alarm)) {
        let _ = write!(out, "\n{}\n", say!(words, "plain-acknowledge", id = &alarm.id));
    }
    if farm.alarms.iter().any(|alarm| alarm.priority <= 2 && !alarm.is_held()) {
        paragraph(&mut out, "", "", &say!(words, "caution"));
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
    let words = clock.words();
    let mut alarms = match (loud, open) {
        (0, _) => say!(words, "header-none"),
        (1, 0) => say!(words, "header-one-seen"),
        (all, 0) => say!(words, "header-all-seen", all = all),
        (1, _) => say!(words, "plain-one-new"),
        (all, open) => say!(words, "plain-some-new", all = all, new = open),
    };
    alarms.push_str(&held_words(clock.words(), farm));
    let mut line = format!("{}, {}, {alarms}", farm.farm, clock.date_and_time());
    if farm.horn {
        line.push_str(&format!(", {}", say!(words, "header-horn")));
    }
    if farm.flood_since.is_some() {
        line.push_str(&format!(", {}", say!(words, "plain-flood")));
    }
    paragraph(out, "", "  ", &line);
}

/// Probes out of service and overdue for it: a reminder, not an alarm.
fn probe_lines(farm: &FarmStatus, clock: FarmClock, out: &mut String) {
    for line in probe_notes(farm, None, clock) {
        paragraph(out, &format!("{} ", say!(clock.words(), "plain-probe")), "  ", &line);
    }
}

fn alarm_lines(farm: &FarmStatus, clock: FarmClock, out: &mut String) {
    let words = clock.words();
    for alarm in &farm.alarms {
        let since = clock.time_and_day(&alarm.raised_at);
        if alarm.is_held() {
            continue;
        }
        let state = match (alarm.state.as_str(), &alarm.acknowledged_by) {
            ("unacknowledged", _) => {
                say!(words, "plain-not-acknowledged", within = act_within(words, alarm.priority))
            }
            ("acknowledged", Some(by)) => say!(words, "plain-acknowledged-by", by = by),
            ("returned-unacknowledged", _) => {
                say!(words, "plain-over", over = clock.time_and_day(&alarm.changed_at))
            }
            ("latched-unacknowledged", _) => {
                say!(words, "plain-over-latched", over = clock.time_and_day(&alarm.changed_at))
            }
            ("latched-acknowledged", _) => {
                let over = clock.time_and_day(&alarm.changed_at);
                say!(words, "plain-over-reset", over = over, id = &alarm.id)
            }
            (state, _) => state_name(words, state),
        };
        out.push('\n');
        let head = format!("{} {}", priority_name(words, alarm.priority), alarm_name(words, alarm));
        paragraph(out, &format!("{} ", mark(clock.words(), alarm.priority)), "     ", &head);
        paragraph(out, "     ", "     ", &format!("{}, {state}", say!(words, "since", at = since)));
        paragraph(out, "     ", "     ", &told(words, &alarm.message, alarm.said.as_deref()));
        if let Some(called) = called_words(alarm, clock) {
            paragraph(out, &format!("     {} ", say!(words, "plain-called")), "     ", &called);
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
        paragraph(out, &format!("{} ", mark(clock.words(), alarm.priority)), "     ", &words);
    }
}

fn fault_lines(farm: &FarmStatus, clock: FarmClock, out: &mut String) {
    let words = clock.words();
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
        let since = clock.time_and_day(since);
        let (part, detail) = (recognised::part(words, part), recognised::recognised(words, detail));
        let told = say!(words, "plain-fault", part = part, since = since, detail = detail);
        paragraph(out, "  ", "    ", &told);
    }
    if farm.waiting_to_forward > 0 {
        let waiting = farm.waiting_to_forward.to_string();
        let _ = writeln!(out, "  {}", say!(clock.words(), "plain-waiting", waiting = waiting));
    }
    if let Some(machine) = farm.machine.as_ref().map(MachineStatus::said).filter(|said| !said.is_empty()) {
        let machine = told(clock.words(), machine.english(), SaidStatus::of(&machine).as_deref());
        out.push('\n');
        paragraph(out, &format!("{}: ", say!(clock.words(), "place-gateway")), "  ", &machine);
    }
}

fn pond_lines(pond: &PondStatus, clock: FarmClock, out: &mut String) {
    let words = clock.words();
    let part = |out: &mut String, label: &str, told: &str| {
        paragraph(out, &format!("  {}: ", words.get(label)), "    ", told);
    };
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
        reading_line(clock.words(), pond, reading, out);
    }
    let running: Vec<String> = pond
        .aerators
        .iter()
        .map(|group| {
            let state = match group.on {
                Some(true) => say!(words, "plain-running"),
                Some(false) => say!(words, "plain-off"),
                None => say!(words, "plain-not-known"),
            };
            format!("{} {state}", group.id)
        })
        .collect();
    if !running.is_empty() {
        part(out, "plain-aerators", &running.join(", "));
    }
    match (&pond.forecast, &pond.no_forecast) {
        (Some(forecast), _) => forecast_lines(forecast, pond, clock, out),
        (None, Some(why)) => {
            let why = told(words, why, pond.no_forecast_said.as_deref());
            part(out, "plain-tonight", &say!(words, "plain-no-forecast", why = why));
        }
        (None, None) => {}
    }
    if let Some(score) = &pond.forecast_score {
        let line = say!(
            words,
            "plain-score",
            off = number(score.mean_error_mg_l, 2),
            nights = score.nights,
            inside = score.inside_80,
        );
        part(out, "plain-forecasts", &line);
    }
    if let Some(line) = &pond.probe_or_water {
        let line = told(words, line, pond.probe_or_water_said.as_deref());
        part(out, "plain-oxygen", &line);
    }
    if let Some(advice) = &pond.advice {
        part(out, "plain-advice", &advice_words(advice, pond, clock));
    }
    if let Some(day) = pond.metabolism.as_ref().and_then(|day| day_words(words, day)) {
        part(out, "plain-day", &say!(words, "plain-day-oxygen", day = day));
    } else if let Some((day, why)) =
        pond.metabolism.as_ref().and_then(|day| Some((day, day.unknown.as_ref()?)))
    {
        let why = told(words, why, day.unknown_said.as_deref());
        part(out, "plain-day", &say!(words, "plain-day-unknown", why = why));
    }
    if let Some(crop) = pond.diary.as_ref().and_then(|diary| crop_words(diary, clock)) {
        part(out, "plain-diary", &crop);
    }
    if let Some(night) = pond.aeration_nights.last().filter(|_| !pond.aerators.is_empty()) {
        let day = clock.time_and_day(&night.sunset);
        let asked = match night.asked {
            0 => String::new(),
            asked => format!(" {}", say!(words, "plain-starts", asked = asked, followed = night.followed)),
        };
        let told = say!(
            words,
            "plain-energy",
            kwh = number(night.kwh, 0),
            day = day,
            habit = number(night.habit_kwh, 0),
        );
        part(out, "plain-aeration", &format!("{told}{asked}"));
    }
}

/// The crop, the day's feed and the last dose; `None` where nobody has recorded any.
fn crop_words(diary: &DiaryStatus, clock: FarmClock) -> Option<String> {
    let words = clock.words();
    let mut parts = Vec::new();
    if let Some(crop) = &diary.crop {
        let mut told = vec![say!(words, "crop-day", day = crop.day_of_culture.to_string())];
        if let Some(abw) = crop.abw_g {
            told.push(say!(words, "crop-each", grams = number(abw, 2)));
        }
        if let (Some(guess), Some(most)) = (crop.biomass_guess_kg, crop.biomass_at_most_kg) {
            told.push(say!(words, "crop-biomass", guess = number(guess, 0), most = number(most, 0)));
        }
        parts.push(told.join(", "));
    }
    if diary.meals_today > 0 {
        parts.push(say!(words, "crop-fed", kg = number(diary.feed_today_kg, 1), meals = diary.meals_today,));
    }
    if let Some(at) = &diary.last_dose_at {
        let mut told = vec![say!(words, "crop-dose", date = clock.date(at))];
        told.extend(
            diary.last_dose_mg_l.map(|mg_l| say!(words, "crop-strength", strength = number(mg_l, 1))),
        );
        parts.push(told.join(", "));
    }
    (!parts.is_empty()).then(|| format!("{}.", parts.join("; ")))
}

fn reading_line(words: Words, pond: &PondStatus, reading: &ReadingStatus, out: &mut String) {
    let name = quantity_name(words, &reading.quantity);
    let banded = with_band(pond, reading);
    let value = match (&banded, reading.value) {
        (Some((value, _)), _) => value.clone(),
        (None, Some(value)) => number(value, reading.decimals),
        (None, None) => NO_VALUE.to_owned(),
    };
    let trend = match (&banded, reading.per_hour) {
        // How far off it may be takes the place of a trend, which what is derived has none of.
        (Some((_, half)), _) => format!("±{half}"),
        (None, Some(slope)) => format!("{}/h", signed(slope, reading.decimals.max(1))),
        (None, None) => String::new(),
    };
    let quality = match (reading.value, reading.flag) {
        // Not evaluated, for want of anything to evaluate.
        (None, 2) => say!(words, "plain-nothing-yet"),
        _ => {
            let age = age_words(words, reading.age_s);
            say!(words, "plain-age", quality = quality(words, reading.flag), age = age)
        }
    };
    let unit = &reading.unit;
    let whose = reading.probe.as_ref().map_or_else(String::new, |probe| format!(", {probe}"));
    let line = format!("  {name:<18} {value:>8} {unit:<9} {trend:<10} {quality}{whose}");
    let _ = writeln!(out, "{}", line.trim_end());
}

fn forecast_lines(forecast: &ForecastStatus, pond: &PondStatus, clock: FarmClock, out: &mut String) {
    let words = clock.words();
    let is_past = |at: &str| clock.seconds_since(at).is_some_and(|since| since >= 60);
    let (lowest, low) = (number(forecast.do_min_mg_l, 1), number(forecast.low_80, 1));
    let (high, at) = (number(forecast.high_80, 1), clock.time(&forecast.do_min_at));
    let mut parts = vec![if is_past(&forecast.do_min_at) {
        say!(words, "plain-lowest-was", lowest = lowest, at = at, low = low, high = high)
    } else {
        say!(words, "plain-lowest", lowest = lowest, at = at, low = low, high = high)
    }];
    let oxygen = pond.readings.iter().find(|reading| reading.quantity == "do_mg_l");
    let oxygen = oxygen.and_then(|reading| reading.value);
    for (limit, at, probability) in &forecast.below {
        let percent = number(probability * 100.0, 0);
        let is_below = oxygen.is_some_and(|value| value < *limit);
        let limit = number(*limit, 1);
        parts.push(match at {
            _ if is_below => say!(words, "plain-below-now", limit = limit),
            // The time came and the oxygen is above it still.
            Some(at) if is_past(at) => continue,
            Some(at) => {
                say!(words, "plain-below-at", limit = limit, at = clock.time(at), percent = percent)
            }
            None => say!(words, "plain-below", limit = limit, percent = percent),
        });
    }
    if let Some(sunrise) = &pond.sunrise {
        parts.push(say!(words, "plain-sunrise", at = clock.time(sunrise)));
    }
    if forecast.night_slope_mg_l_h.is_finite() {
        let now = signed(forecast.night_slope_mg_l_h, 2);
        parts.push(match forecast.slope_if_aerators_stop_mg_l_h {
            Some(slope) => say!(words, "plain-slope-stopped", now = now, stopped = signed(slope, 2)),
            None => say!(words, "plain-slope", now = now),
        });
    }
    paragraph(out, &format!("  {}: ", say!(words, "plain-tonight")), "    ", &parts.join(" "));
    let basis = told(words, &forecast.basis, forecast.basis_said.as_deref());
    let (at, basis) = (clock.time(&forecast.at), basis.trim_end_matches('.'));
    paragraph(out, "    ", "    ", &say!(words, "plain-made", at = at, basis = basis));
}

fn advice_words(advice: &AdviceStatus, pond: &PondStatus, clock: FarmClock) -> String {
    let groups = match advice.aerators.as_slice() {
        [] => String::new(),
        groups => format!(" {}", groups.join(", ")),
    };
    let words = clock.words();
    let mut text = match (advice.action.as_str(), &advice.start) {
        ("start-now", _) if pond.advises_what_stopped(advice) => {
            say!(words, "plain-why-stopped", groups = groups)
        }
        ("start-now", _) => say!(words, "plain-start-now", groups = groups),
        ("start-at", Some(start)) => {
            say!(words, "plain-start-at", groups = groups, at = clock.time_and_day(start))
        }
        ("rest", _) => say!(words, "plain-rest"),
        ("keep-on", _) => say!(words, "plain-keep-on", groups = groups),
        ("unknown", _) => say!(words, "plain-none"),
        (other, _) => other.to_owned(),
    };
    if let Some(stop) = &advice.stop {
        let _ = write!(text, ", {}", say!(words, "plain-until", at = clock.time_and_day(stop)));
    }
    // What rests takes nothing now; what it takes later is said when it is to start.
    if advice.kwh > 0.0 && advice.action != "rest" {
        let _ = write!(text, " ({} kWh)", number(advice.kwh, 1));
    }
    let _ = write!(text, ". {}", told(words, &advice.reason, advice.said.as_deref()));
    if clock.seconds_since(&advice.at).is_some_and(|age| age >= ADVICE_DATED_AFTER_S) {
        let _ = write!(text, " {}", say!(words, "plain-said-at", at = clock.time_and_day(&advice.at)));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::fits;
    use crate::console::sample;
    use crate::texts::{Choice, chosen, english};

    #[test]
    fn a_quiet_night() {
        insta::assert_snapshot!(fits(&status(&sample::normal_night(), english())));
    }

    #[test]
    fn a_critical_alarm_comes_first() {
        let farm = sample::critical_alarm();
        insta::assert_snapshot!("critical_status", fits(&status(&farm, english())));
        insta::assert_snapshot!("critical_alarms", fits(&alarms(&farm, english())));
    }

    #[test]
    fn who_was_called_stands_below_the_alarm() {
        insta::assert_snapshot!(fits(&alarms(&sample::people_called(), english())));
    }

    #[test]
    fn a_pond_whose_oxygen_is_not_seen() {
        insta::assert_snapshot!(fits(&status(&sample::blind_pond(), english())));
    }

    #[test]
    fn a_fault_that_is_an_alarm_is_said_once_and_nothing_yet_is_not_called_unchecked() {
        let mut farm = sample::blind_pond();
        farm.alarms[0].id = "gateway.bus.rs485-1".to_owned();
        farm.ponds[0].readings[0].value = None;
        farm.ponds[0].readings[0].flag = 2;
        farm.waiting_to_forward = 3;
        let shown = status(&farm, english());
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
        let shown = status(&farm, english());
        assert!(shown.contains("Said at 17:40."), "{shown}");
        assert_eq!(shown.matches("Said at").count(), 1);
        assert!(shown.contains("Aerators: a running, b off") && !shown.contains("Aerator power"), "{shown}");
    }

    #[test]
    fn no_alarms_is_said() {
        assert_eq!(
            alarms(&sample::normal_night(), english()),
            "Tidewick Ponds, Wed 25 Nov 02:14, no alarms\n"
        );
    }

    /// The same lines in Spanish: as narrow, and nothing left untold.
    #[test]
    fn the_plain_lines_in_spanish() {
        let words = chosen(&Choice { language: Some("es".to_owned()), ..Choice::default() }).unwrap();
        insta::assert_snapshot!("status_in_spanish", fits(&status(&sample::critical_alarm(), words)));
        insta::assert_snapshot!("alarms_in_spanish", fits(&alarms(&sample::people_called(), words)));
        for farm in [sample::normal_night(), sample::blind_pond(), sample::suspect_probe()] {
            assert!(!fits(&status(&farm, words)).contains('⟨'));
        }
    }
}
