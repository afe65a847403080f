//! The piece of configuration that follows from a scan of a line of text.

use std::fmt::Write as _;

use pondreeve_protocol::sdi12::Parameter;

use super::super::fragment::{line_id, value};
use super::{Guess, Heard, Measured, Outcome, Plan, Sensor, draft, letters, meaning, shown};
use crate::config::farm::{LineKind, Wake};
use crate::config::profile::Profile;
use crate::texts::{Words, english, say};

/// TOML for a farm's configuration: what is certain as tables, the rest as remarks. `pond` is where the probes stand,
/// `now` when it was found.
pub fn fragment(plan: &Plan, outcome: &Outcome, pond: Option<&str>, now: &str) -> String {
    let mut text = format!(
        "# Found by `pondreeve scan` on {} at {now}.\n\
         # A line of text does not say what a number means: hold each probe against its label and its manual before\n\
         # you rely on it. Then `pondreeve check --config FILE`, and start the daemon anew.\n",
        plan.device.display()
    );
    let probes: Vec<(String, bool)> = match plan.kind {
        LineKind::Sdi12 => outcome.sensors.iter().map(|sensor| of_sensor(sensor, pond)).collect(),
        LineKind::Text => outcome.heard.iter().map(|heard| of_heard(heard, outcome, pond)).collect(),
    };
    if probes.is_empty() {
        return text + "# Nothing answered.\n";
    }
    match &outcome.line {
        Some(line) => {
            let _ = write!(
                text,
                "\n# The line `{line}` stands in the configuration: put these below its other probes, before any\n\
                 # further [[line]].\n"
            );
        }
        None => {
            // A line without probes is refused.
            let is_certain = probes.iter().any(|(_, is_certain)| *is_certain);
            text.push('\n');
            text.push_str(&marked(&line_table(plan, outcome), if is_certain { "" } else { "# " }));
        }
    }
    for (probe, _) in probes {
        text.push('\n');
        text.push_str(&probe);
    }
    text
}

/// Each line with a mark in front.
fn marked(text: &str, mark: &str) -> String {
    text.lines().fold(String::new(), |mut all, line| {
        all.push_str(format!("{mark}{line}").trim_end());
        all.push('\n');
        all
    })
}

fn line_table(plan: &Plan, outcome: &Outcome) -> String {
    let device = outcome.stable_device.as_deref().unwrap_or(&plan.device);
    let setting = outcome
        .sensors
        .first()
        .map(|sensor| sensor.setting)
        .or_else(|| outcome.heard.first().map(|heard| heard.setting));
    // Quoted by TOML's own writer: a path may hold anything.
    let quoted = toml::Value::String(device.display().to_string());
    let kind = if plan.kind == LineKind::Sdi12 { "sdi12" } else { "text" };
    let mut text = format!("[[line]]\nid = \"{}\"\nkind = \"{kind}\"\ndevice = {quoted}\n", line_id(device));
    if let Some(setting) = setting {
        let _ = write!(
            text,
            "baud = {}\ndata_bits = {}\nparity = \"{}\"\nstop_bits = {}\n",
            setting.baud,
            setting.data_bits,
            setting.parity_word(),
            setting.stop_bits
        );
    }
    if plan.kind == LineKind::Sdi12 && plan.wake == Wake::Adapter {
        text.push_str("wake = \"adapter\"\n");
    }
    text
}

/// An id for what stands at an address: ids have no capital letters.
fn suffix(address: u8) -> String {
    let letter = char::from(address);
    if address.is_ascii_uppercase() {
        format!("cap-{}", letter.to_ascii_lowercase())
    } else {
        letter.to_string()
    }
}

fn of_sensor(sensor: &Sensor, pond: Option<&str>) -> (String, bool) {
    let at = char::from(sensor.address);
    let mut text = match &sensor.identity {
        Ok(identity) => format!("# Address {at} calls itself: {identity}\n"),
        Err(why) => format!("# Address {at} does not say what it is: {why}\n"),
    };
    if !sensor.known_as.is_empty() {
        let _ = writeln!(text, "# Address {at} is known already as {}.", sensor.known_as.join(", "));
        return (text, false);
    }
    let read = sensor.richest();
    for measured in &read {
        let _ = writeln!(text, "# {}", measured_words(measured, english()));
        for told in told_words(measured, english()) {
            let _ = writeln!(text, "#   {told}");
        }
    }
    if let Some(more) = further_words(sensor, english()) {
        let _ = writeln!(text, "# {more}");
    }
    if read.is_empty() {
        text.push_str("# It gave no values: is it ready, and in water?\n");
        return (text, false);
    }
    let address = format!("address = \"{at}\"\n");
    let suffix = suffix(sensor.address);
    let description =
        sensor.identity.as_ref().map_or_else(|_| format!("sensor at address {at}"), ToString::to_string);
    let mut is_certain = false;
    for measured in read {
        let of_it = |guess: &&Guess| match &guess.profile {
            Profile::Sensor(map) => map.number() == measured.number(),
            Profile::Registers(_) | Profile::Text(_) => false,
        };
        let guesses: Vec<&Guess> = sensor.guesses.iter().filter(of_it).collect();
        is_certain |= with_guesses(&mut text, &guesses, &suffix, &address, pond);
        if guesses.iter().any(|guess| guess.is_exact) {
            continue;
        }
        let (id, description) = match measured.number() {
            0 => (format!("sensor-{suffix}"), description.clone()),
            number => {
                (format!("sensor-{suffix}-m{number}"), format!("{description}, further measurement {number}"))
            }
        };
        let draft = draft::of_sensor(&id, &description, measured);
        text.push_str(&with_draft(&draft, &id, &address, pond));
    }
    (text, is_certain)
}

/// Further measurements that were not made, in words.
pub(super) fn further_words(sensor: &Sensor, words: Words) -> Option<String> {
    let list = sensor.promised.as_ref().filter(|list| !list.is_empty())?;
    let each: Vec<String> = list
        .iter()
        .map(|own| {
            let (number, values) = (own.number.to_string(), own.values.to_string());
            let count = match own.values {
                1 => say!(words, "scan-promised-one", number = number),
                _ => say!(words, "scan-promised-some", number = number, values = values),
            };
            let told: Vec<String> = own.told.iter().map(meaning::words).collect();
            if told.is_empty() { count } else { format!("{count} ({})", told.join("; ")) }
        })
        .collect();
    Some(say!(words, "scan-promises", each = each.join(", ")))
}

/// What the sensor says of the values of a measurement, a line for each.
pub(super) fn told_words(measured: &Measured, words: Words) -> Vec<String> {
    let line = |(place, own): (usize, &Parameter)| {
        let (position, told) = ((place + 1).to_string(), meaning::words(own));
        match meaning::quantity(own) {
            Some(quantity) => {
                say!(words, "scan-told-known", position = position, told = told, quantity = quantity.id())
            }
            None => say!(words, "scan-told", position = position, told = told),
        }
    };
    measured.told.iter().enumerate().map(line).collect()
}

/// What a measurement gave, in words.
pub(super) fn measured_words(measured: &Measured, words: Words) -> String {
    let values = |look: &Vec<f64>| look.iter().map(ToString::to_string).collect::<Vec<_>>().join("  ");
    let looks: Vec<String> = measured.looks.iter().map(values).collect();
    let (count, seconds) = (measured.announced.to_string(), measured.ready_after_s.to_string());
    let command = letters(measured.command);
    let checked = match command.get(1..2) == Some("C") {
        true => say!(words, "scan-with-checksums"),
        false => say!(words, "scan-without-checksums"),
    };
    let read = if looks.is_empty() { String::new() } else { format!(": {}", looks.join(" | ")) };
    let told = match measured.announced {
        1 => say!(words, "scan-announces-one", command = command, checked = checked, seconds = seconds),
        _ => say!(
            words,
            "scan-announces",
            command = command,
            checked = checked,
            values = count,
            seconds = seconds,
        ),
    };
    format!("{told}{read}")
}

fn of_heard(heard: &Heard, outcome: &Outcome, pond: Option<&str>) -> (String, bool) {
    let mut text = match &heard.asked {
        Some(ask) => format!("# Asked with \"{}\", it answered:\n", shown(ask)),
        None => "# It sends by itself:\n".to_owned(),
    };
    for line in heard.lines.iter().rev().take(3).rev() {
        let _ = writeln!(text, "#   {}", shown(line));
    }
    if !outcome.known_as.is_empty() {
        let _ = writeln!(text, "# Its line is known already, with {}.", outcome.known_as.join(", "));
        return (text, false);
    }
    if !heard.guesses.is_empty() {
        let guesses: Vec<&Guess> = heard.guesses.iter().collect();
        let is_certain = with_guesses(&mut text, &guesses, "1", "", pond);
        return (text, is_certain);
    }
    match draft::of_lines("lines-1", heard) {
        Some(draft) => (text + &with_draft(&draft, "lines-1", "", pond), false),
        None => (text + "# There is no number in it.\n", false),
    }
}

/// The profiles that fit, as tables where they are evident; whether one is.
fn with_guesses(
    text: &mut String,
    guesses: &[&Guess],
    suffix: &str,
    address: &str,
    pond: Option<&str>,
) -> bool {
    let mut is_certain = false;
    for guess in guesses {
        let values: Vec<String> = guess.seen.iter().map(value).collect();
        let _ = writeln!(text, "# {}; read in the scan: {}", guess.profile.description(), values.join(", "));
        let mark = if guess.is_evident() {
            is_certain = true;
            ""
        } else {
            text.push_str(if guess.in_doubt {
                "# Another profile fits as well: take the one its manual names.\n"
            } else if guess.is_exact {
                "# Nothing but zeros or unusual values: is the sensor connected, and in water?\n"
            } else {
                "# It gives more values than this profile knows: say by its manual which they are.\n"
            });
            "# "
        };
        let profile = guess.profile.id();
        text.push_str(&probe_table(&format!("{profile}-{suffix}"), address, profile, pond, mark));
    }
    is_certain
}

fn with_draft(draft: &str, id: &str, address: &str, pond: Option<&str>) -> String {
    let say = if draft::is_whole(draft) {
        "# marks in front. What its values are it says itself: hold that against the manual; leave out what nobody needs:\n"
    } else {
        "# marks in front, and say by the manual which quantity each value is (`do_mg_l`, `temperature_c`, …), in\n\
         # which unit; leave out what nobody needs:\n"
    };
    format!(
        "# No known profile knows all of it. Put this into the file `probes/{id}.toml` beside the configuration, without the\n\
         {say}{}# Then, in the configuration:\n{}",
        marked(draft, "#   "),
        probe_table(id, address, id, pond, "# ")
    )
}

fn probe_table(id: &str, address: &str, profile: &str, pond: Option<&str>, mark: &str) -> String {
    let pond = match pond {
        Some(pond) => format!("pond = \"{pond}\"\n"),
        None => "# pond = \"p1\"  # SAY WHICH POND: without this line it counts for none in particular\n"
            .to_owned(),
    };
    let table = format!(
        "[[line.probe]]\nid = \"{id}\"\n{pond}{address}profile = \"{profile}\"\npoll_every = \"1m\"\n"
    );
    marked(&table, mark)
}
