//! The piece of configuration that follows from a scan.

use std::fmt::Write as _;
use std::path::Path;

use pondreeve_protocol::modbus::Framing;

use super::{Fit, Outcome, Place, Plan, Setting, Unit};

/// The time-out that a probe gets where the configuration says nothing, ms.
const USUAL_TIMEOUT_MS: u128 = 500;

/// TOML for a farm's configuration: what is certain as tables, the rest as remarks. `pond` is where the probes of
/// water stand, `now` when it was found.
pub fn fragment(plan: &Plan, outcome: &Outcome, pond: Option<&str>, now: &str) -> String {
    let mut text = String::new();
    let mut line = |words: &str| {
        text.push_str(words);
        text.push('\n');
    };
    line(&format!("# Found by `pondreeve scan` on {} at {now}.", plan.place));
    line(
        "# Registers do not say what they mean: hold each probe against its label and its manual before you rely",
    );
    line("# on it. Then `pondreeve check --config FILE`, and start the daemon anew.");
    let Some(setting) = main_setting(&outcome.units) else {
        line("# Nothing answered.");
        return text;
    };
    line("");
    match &outcome.bus {
        Some(bus) => {
            line(&format!(
                "# The bus `{bus}` stands in the configuration: put these below its other probes, before"
            ));
            line("# any further [[bus]].");
        }
        None => {
            let certain =
                outcome.units.iter().any(|unit| unit.setting == setting && wanted(unit).next().is_some());
            // A bus without probes is refused.
            let mark = if certain { "" } else { "# " };
            line(&bus_table(plan, outcome, setting, mark));
        }
    }
    for unit in &outcome.units {
        let at = unit.address;
        line("");
        if unit.setting != setting {
            line(&format!(
                "# Address {at} answers at {}: set it to {setting} first, then scan again.",
                unit.setting
            ));
            continue;
        }
        if let Some(identity) = &unit.identity {
            line(&format!("# Address {at} calls itself: {identity}"));
        }
        if !unit.known_as.is_empty() {
            line(&format!("# Address {at} is known already as {}.", unit.known_as.join(", ")));
            continue;
        }
        if unit.fits.is_empty() {
            line(&format!(
                "# Address {at} answers, but no register map that was tried fits: copy one of the folder"
            ));
            line("# `probes`, put the addresses of its manual in, and scan again with --profile FILE.");
            continue;
        }
        for (place, fit) in unit.fits.iter().enumerate() {
            if place > 0 {
                line("");
            }
            line(&probe_table(unit, fit, pond));
        }
    }
    text
}

/// The setting at which most answer.
fn main_setting(units: &[Unit]) -> Option<Setting> {
    let count = |setting: Setting| units.iter().filter(|unit| unit.setting == setting).count();
    let mut best: Option<Setting> = None;
    for unit in units {
        if best.is_none_or(|best| count(unit.setting) > count(best)) {
            best = Some(unit.setting);
        }
    }
    best
}

/// The fits of a unit that are written as tables.
fn wanted(unit: &Unit) -> impl Iterator<Item = &Fit> {
    unit.fits.iter().filter(|fit| unit.known_as.is_empty() && fit.is_evident() && !fit.is_of_aerator())
}

/// An id for a line, from the name of its device.
pub(super) fn line_id(device: &Path) -> String {
    let id: String = device
        .file_name()
        .map(|name| name.to_string_lossy().to_lowercase())
        .unwrap_or_default()
        .chars()
        .map(|c| if c.is_ascii_lowercase() || c.is_ascii_digit() { c } else { '-' })
        .collect();
    let id = id.trim_matches('-');
    let id = if id.is_empty() { "line" } else { id };
    id.get(..id.len().min(32)).unwrap_or(id).to_owned()
}

fn bus_table(plan: &Plan, outcome: &Outcome, setting: Setting, mark: &str) -> String {
    // Quoted by TOML's own writer: a path may hold anything.
    let quoted = |text: String| toml::Value::String(text);
    let mut lines = vec!["[[bus]]".to_owned()];
    match &plan.place {
        Place::Device(device) => {
            let device = outcome.stable_device.as_deref().unwrap_or(device);
            lines.push(format!("id = \"{}\"", line_id(device)));
            lines.push(format!("device = {}", quoted(device.display().to_string())));
            if setting.framing == Framing::Ascii {
                lines.push("framing = \"ascii\"".to_owned());
                lines.push(format!("data_bits = {}", setting.data_bits));
            }
            lines.push(format!("baud = {}", setting.baud));
            lines.push(format!("parity = \"{}\"", setting.parity_word()));
            lines.push(format!("stop_bits = {}", setting.stop_bits));
        }
        server @ Place::Server(..) => {
            lines.push(format!("id = \"{}\"", line_id(Path::new(&format!("server-{server}")))));
            lines.push(format!("server = {}", quoted(server.to_string())));
            lines.push(format!("framing = \"{}\"", setting.framing_word()));
        }
    }
    lines.iter().map(|line| format!("{mark}{line}")).collect::<Vec<_>>().join("\n")
}

fn probe_table(unit: &Unit, fit: &Fit, pond: Option<&str>) -> String {
    let mut text = String::new();
    let values: Vec<String> = fit.seen.iter().map(value).collect();
    let _ = writeln!(text, "# Address {}: {}", unit.address, fit.map.description);
    let _ = writeln!(text, "# read in the scan: {}", values.join(", "));
    let mut mark = "";
    if fit.is_of_aerator() {
        mark = "# ";
        text.push_str("# Say which pond and which of its aerator groups it measures. Power below zero: turn the clamp.\n");
    } else if fit.in_doubt {
        mark = "# ";
        text.push_str("# Another map fits these registers as well: take the one its manual names.\n");
    } else if !fit.is_evident() {
        mark = "# ";
        text.push_str("# Nothing but zeros or unusual values: is the sensor connected, and in water?\n");
    }
    let _ = writeln!(text, "{mark}[[bus.probe]]");
    let _ = writeln!(text, "{mark}id = \"{}-{}\"", fit.map.id, unit.address);
    match pond {
        Some(pond) if !fit.is_of_weather() => {
            let _ = writeln!(text, "{mark}pond = \"{pond}\"");
        }
        None if !fit.is_of_weather() => {
            text.push_str(
                "# pond = \"p1\"  # SAY WHICH POND: without this line it counts for none in particular\n",
            );
        }
        _ => {}
    }
    let _ = writeln!(text, "{mark}address = {}", unit.address);
    let _ = writeln!(text, "{mark}profile = \"{}\"", fit.map.id);
    if fit.is_of_aerator() {
        let _ = writeln!(text, "{mark}aerator = \"a\"");
    }
    text.push_str(mark);
    text.push_str("poll_every = \"1m\"");
    let slow = unit.answers_in.as_millis() * 3;
    if slow > USUAL_TIMEOUT_MS {
        let _ = write!(text, "\n{mark}timeout = \"{slow}ms\"  # it took {} ms", unit.answers_in.as_millis());
    }
    text
}

/// The newest value of a channel, with its unit.
pub(super) fn value(seen: &super::Seen) -> String {
    let newest = seen.values.last().copied().flatten();
    let shown = newest.map_or_else(|| "no value".to_owned(), |value| format!("{value:.*}", seen.decimals));
    let unit = if seen.unit.is_empty() { String::new() } else { format!(" {}", seen.unit) };
    format!("{} {shown}{unit}", seen.channel)
}
