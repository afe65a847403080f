//! What a scan found, for a person and for scripts.

use pondreeve_protocol::modbus::Framing;
use pondreeve_protocol::register_map::Table;
use serde_json::{Value, json};

use super::{Fit, Outcome, Place, Plan, Seen, Setting, Unit, watch};
use crate::console::text::wrap;
use crate::texts::recognised::recognised;
use crate::texts::{Words, english, say};

const COLUMNS: usize = 80;
/// Lines of one paragraph.
const LINES_MAX: usize = 40;

/// For a person, in lines of at most 80 columns. `written` is the file of the fragment.
pub fn text(plan: &Plan, outcome: &Outcome, written: Option<&str>, words: Words) -> String {
    let mut lines = Vec::new();
    let found = match outcome.units.len() {
        0 => say!(words, "scan-none"),
        1 => say!(words, "scan-one-unit"),
        count => say!(words, "scan-units", count = count.to_string()),
    };
    let bus = outcome.bus.as_ref().map(|bus| format!(" (bus {bus})")).unwrap_or_default();
    push(&mut lines, "", &format!("{}{bus}: {found}", plan.place));
    for unit in &outcome.units {
        lines.push(String::new());
        lines.extend(unit_lines(unit, words));
    }
    watch::lines(&mut lines, &outcome.watched, words);
    for garbled in &outcome.garbled {
        lines.push(String::new());
        let (address, setting) = (garbled.address.to_string(), garbled.setting.to_string());
        let told = if garbled.twice {
            say!(words, "scan-twice", address = address, setting = setting)
        } else if garbled.setting.by_server {
            let bytes = garbled.bytes.to_string();
            say!(words, "scan-garbled-by", address = address, setting = setting, bytes = bytes)
        } else {
            let bytes = garbled.bytes.to_string();
            say!(words, "scan-garbled", address = address, setting = setting, bytes = bytes)
        };
        push(&mut lines, "", &told);
    }
    lines.push(String::new());
    for tried in &outcome.tried {
        let asked = plan.addresses.get(..tried.addresses).unwrap_or_default();
        let noise = match tried.unasked_bytes {
            0 => String::new(),
            bytes => say!(words, "scan-noise", bytes = bytes.to_string()),
        };
        let absent = match tried.absent {
            0 => String::new(),
            count => say!(words, "scan-absent", count = count.to_string()),
        };
        let noise = absent + &noise;
        let setting = tried.setting.to_string();
        let told =
            say!(words, "scan-tried", setting = setting, addresses = ranges(asked, words), noise = noise);
        push(&mut lines, "", &told);
    }
    let patience = plan.patience.as_millis().to_string();
    let took = format!("{:.1}", outcome.took.as_secs_f64());
    push(&mut lines, "", &say!(words, "scan-took", seconds = took, patience = patience));
    if let Some(why) = &outcome.stopped {
        push(&mut lines, "", &say!(words, "scan-stopped", why = recognised(words, why)));
    }
    let left = not_tried(plan, outcome, words);
    push(&mut lines, "", &say!(words, "scan-not-tried", left = left));
    push(&mut lines, "", &say!(words, "scan-next", step = next_step(plan, outcome, written, words)));
    lines.join("\n") + "\n"
}

/// Adds a paragraph, wrapped.
pub(super) fn push(lines: &mut Vec<String>, indent: &str, text: &str) {
    let width = COLUMNS - indent.len();
    for (place, line) in wrap(text, width.saturating_sub(2), LINES_MAX).into_iter().enumerate() {
        lines.push(format!("{indent}{}{line}", if place == 0 { "" } else { "  " }));
    }
}

fn unit_lines(unit: &Unit, words: Words) -> Vec<String> {
    let mut lines = Vec::new();
    let known = if unit.known_as.is_empty() {
        String::new()
    } else {
        say!(words, "scan-known-as", ids = unit.known_as.join(", "))
    };
    let (address, setting) = (unit.address.to_string(), unit.setting.to_string());
    let ms = unit.answers_in.as_millis().to_string();
    let head = match unit.setting.by_server {
        false => say!(words, "scan-unit", address = address, setting = setting, ms = ms, known = known),
        true => say!(words, "scan-unit-by", address = address, setting = setting, ms = ms, known = known),
    };
    push(&mut lines, "", &head);
    if let Some(identity) = &unit.identity {
        push(&mut lines, "  ", &say!(words, "scan-calls-itself", name = identity.to_string()));
    }
    for fit in &unit.fits {
        let doubt = match fit {
            Fit { in_doubt: true, .. } => say!(words, "scan-another-map"),
            fit if !fit.is_evident() => say!(words, "scan-no-evidence"),
            _ => String::new(),
        };
        push(&mut lines, "  ", &say!(words, "scan-fits", profile = &fit.map.id, doubt = doubt));
        lines.extend(fit.seen.iter().map(|seen| seen_line(seen, words)));
    }
    if unit.fits.is_empty() {
        push(&mut lines, "  ", &say!(words, "scan-no-map"));
        for (maps, why) in by_reason(&unit.others) {
            push(&mut lines, "    ", &format!("{}: {}", maps.join(", "), recognised(words, why)));
        }
        for (table, values) in &unit.registers {
            let shown: Vec<String> = values.iter().map(ToString::to_string).collect();
            let shown = shown.join(" ");
            let told = match table {
                Table::Holding => say!(words, "scan-holding", values = shown),
                Table::Input => say!(words, "scan-input", values = shown),
            };
            push(&mut lines, "    ", &told);
        }
    }
    lines
}

/// Profiles that do not fit, those with one reason together.
pub(super) fn by_reason(others: &[(String, String)]) -> Vec<(Vec<&str>, &str)> {
    let mut grouped: Vec<(Vec<&str>, &str)> = Vec::new();
    for (map, why) in others {
        match grouped.iter_mut().find(|(_, known)| known == why) {
            Some((maps, _)) => maps.push(map),
            None => grouped.push((vec![map], why)),
        }
    }
    grouped
}

/// A table as people write it.
pub(super) const fn table_word(table: Table) -> &'static str {
    match table {
        Table::Holding => "holding",
        Table::Input => "input",
    }
}

/// What one channel read as.
pub(super) fn seen_line(seen: &Seen, words: Words) -> String {
    let values: Vec<String> = seen
        .values
        .iter()
        .map(|value| {
            value.map_or_else(|| say!(words, "scan-no-value"), |value| format!("{value:.*}", seen.decimals))
        })
        .collect();
    format!(
        "    {:<20} {:<24} {:<10} {}",
        seen.channel,
        values.join("  "),
        seen.unit,
        words.get(seen.verdict.key())
    )
}

/// What was left out, in words.
fn not_tried(plan: &Plan, outcome: &Outcome, words: Words) -> String {
    let mut left: Vec<String> = Vec::new();
    for tried in &outcome.tried {
        let rest = plan.addresses.get(tried.addresses..).unwrap_or_default();
        if !rest.is_empty() {
            let (addresses, setting) = (ranges(rest, words), tried.setting.to_string());
            left.push(match tried.setting.by_server {
                false => say!(words, "scan-left-addresses", addresses = addresses, setting = setting),
                true => say!(words, "scan-left-addresses-by", addresses = addresses, setting = setting),
            });
        }
    }
    let begun = |setting: &&Setting| !outcome.tried.iter().any(|tried| tried.setting == **setting);
    let settings: Vec<String> = outcome.left.iter().filter(begun).map(ToString::to_string).collect();
    if !settings.is_empty() {
        let settings = settings.join(", ");
        left.push(match outcome.stopped {
            None if plan.place.device().is_none() => settings,
            None => say!(words, "scan-left-settings", settings = settings),
            Some(_) => settings,
        });
    }
    if plan.addresses.len() < 247 {
        left.push(say!(words, "scan-outside-list"));
    }
    if plan.place.device().is_none() {
        left.push(say!(words, "scan-left-server"));
        return left.join("; ");
    }
    let has = |framing| plan.settings.iter().any(|setting| setting.framing == framing);
    left.push(match (has(Framing::Rtu), has(Framing::Ascii)) {
        (true, false) => say!(words, "scan-left-ascii"),
        (false, true) => say!(words, "scan-left-rtu"),
        _ => say!(words, "scan-left-text"),
    });
    left.join("; ")
}

fn next_step(plan: &Plan, outcome: &Outcome, written: Option<&str>, words: Words) -> String {
    let new = outcome.units.iter().filter(|unit| unit.known_as.is_empty()).count();
    if outcome.units.is_empty() && outcome.garbled.is_empty() {
        if outcome.stopped.is_some() {
            return say!(words, "scan-mend");
        }
        return match (plan.place.device(), outcome.tried.iter().any(|tried| tried.absent > 0)) {
            (Some(_), _) => say!(words, "scan-check-power"),
            (None, false) => say!(words, "scan-check-server"),
            (None, true) => say!(words, "scan-check-behind"),
        };
    }
    if outcome.units.is_empty() || (!outcome.garbled.is_empty() && new == 0) {
        return say!(words, "scan-unplug");
    }
    if new == 0 {
        return say!(words, "scan-nothing-new");
    }
    match written {
        Some(file) => say!(words, "scan-put-it-in", file = file),
        None => {
            let addresses: Vec<u8> = outcome.units.iter().map(|unit| unit.address).collect();
            let line = match (&plan.place, outcome.units.first()) {
                (server @ Place::Server(..), Some(unit)) => {
                    format!("--server {server} --framing {}", unit.setting.framing_word())
                }
                (place, _) => format!("--line {place}"),
            };
            say!(words, "scan-write-it", line = line, addresses = ranges(&addresses, words))
        }
    }
}

/// `1-3,51`.
fn ranges(addresses: &[u8], words: Words) -> String {
    ranges_of(addresses, |address| address.to_string(), words)
}

/// Addresses in ranges, each shown as people write it.
pub(super) fn ranges_of(addresses: &[u8], shown: impl Fn(u8) -> String, words: Words) -> String {
    let mut parts: Vec<(u8, u8)> = Vec::new();
    for &address in addresses {
        match parts.last_mut() {
            Some((_, last)) if last.checked_add(1) == Some(address) => *last = address,
            _ => parts.push((address, address)),
        }
    }
    let range = |(first, last): &(u8, u8)| match first == last {
        true => shown(*first),
        false => format!("{}-{}", shown(*first), shown(*last)),
    };
    let ranges: Vec<String> = parts.iter().map(range).collect();
    if ranges.is_empty() { say!(words, "scan-no-value") } else { ranges.join(",") }
}

/// For scripts: one object for each unit, each garbled address, and the scan.
pub fn json(plan: &Plan, outcome: &Outcome, written: Option<&str>) -> Vec<Value> {
    let setting = |setting: &Setting| setting.to_string();
    let fit = |fit: &Fit| {
        let seen = |seen: &Seen| json!({ "channel": seen.channel, "unit": seen.unit, "values": seen.values, "plausible": seen.verdict.id() });
        json!({
            "profile": fit.map.id,
            "evident": fit.is_evident(),
            "in_doubt": fit.in_doubt,
            "registers": fit.seen.iter().map(seen).collect::<Vec<_>>(),
        })
    };
    let table = |(table, words): &(Table, Vec<u16>)| json!({ "table": if *table == Table::Holding { "holding" } else { "input" }, "address": 0, "words": words });
    let units = outcome.units.iter().map(|unit| {
        let others: Vec<Value> =
            unit.others.iter().map(|(map, why)| json!({ "profile": map, "why_not": why })).collect();
        json!({
            "kind": "unit",
            "address": unit.address,
            "setting": setting(&unit.setting),
            "answers_in_ms": u64::try_from(unit.answers_in.as_millis()).unwrap_or(u64::MAX),
            "identity": unit.identity,
            "configured_as": unit.known_as,
            "fits": unit.fits.iter().map(fit).collect::<Vec<_>>(),
            "others": others,
            "registers": unit.registers.iter().map(table).collect::<Vec<_>>(),
        })
    });
    let garbled = outcome.garbled.iter().map(|garbled| {
        let at = setting(&garbled.setting);
        json!({
            "kind": "garbled", "address": garbled.address, "setting": at, "bytes": garbled.bytes, "twice": garbled.twice,
        })
    });
    let tried: Vec<Value> = outcome
        .tried
        .iter()
        .map(|tried| {
            let asked = plan.addresses.get(..tried.addresses).unwrap_or_default();
            let noise = tried.unasked_bytes;
            json!({ "setting": setting(&tried.setting), "addresses": ranges(asked, english()), "unasked_bytes": noise, "absent": tried.absent })
        })
        .collect();
    let end = json!({
        "kind": "scan",
        "device": plan.place.device().map(|device| device.display().to_string()),
        "server": plan.place.device().is_none().then(|| plan.place.to_string()),
        "bus": outcome.bus,
        "units": outcome.units.len(),
        "took_s": (outcome.took.as_secs_f64() * 1_000.0).round() / 1_000.0,
        "timeout_ms": u64::try_from(plan.patience.as_millis()).unwrap_or(u64::MAX),
        "tried": tried,
        "not_tried": not_tried(plan, outcome, english()),
        "stopped": outcome.stopped,
        "written": written,
    });
    units.chain(garbled).chain(watch::json_of(&outcome.watched)).chain([end]).collect()
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::super::{Garbled, Tried};
    use super::*;
    use crate::cli::{english_in, spanish};

    /// What a person is told of everything that a scan may find, and of nothing.
    #[test]
    fn what_was_found_is_told_in_spanish_and_scripts_read_english() {
        let settings = Setting::usual();
        let at = settings.first().copied().expect("a usual setting");
        let plan = Plan {
            place: Place::Device("/dev/ttyUSB0".into()),
            settings: settings.clone(),
            every_setting: false,
            addresses: vec![1, 2, 3, 51],
            patience: Duration::from_millis(90),
            profiles: Vec::new(),
            watch: None,
        };
        let unit = Unit {
            address: 2,
            setting: at,
            answers_in: Duration::from_millis(12),
            identity: Some("X-1".to_owned()),
            fits: Vec::new(),
            others: Vec::new(),
            registers: vec![(Table::Holding, vec![1, 2]), (Table::Input, vec![3])],
            known_as: Vec::new(),
        };
        let known = Unit { address: 3, known_as: vec!["p1-ph".to_owned()], ..unit.clone() };
        let tried = Tried { setting: at, addresses: 2, unasked_bytes: 7, absent: 0 };
        let garbled = Garbled { address: 1, setting: at, bytes: 9, twice: true };
        let nothing = Outcome { tried: vec![tried.clone()], left: settings, ..Outcome::default() };
        let outcomes = [
            nothing.clone(),
            Outcome { garbled: vec![garbled.clone()], ..nothing.clone() },
            Outcome { units: vec![known.clone()], bus: Some("east".to_owned()), ..nothing.clone() },
            Outcome { units: vec![unit, known], garbled: vec![garbled], ..nothing.clone() },
        ];
        for outcome in &outcomes {
            check(&plan, outcome, "addresses 3,51 at ", "lines of text (--kind)");
        }
        let by_server = Setting::of_servers();
        let at = by_server.first().copied().expect("Modbus TCP");
        let server = Place::Server("::1".to_owned(), 502);
        let plan = Plan { place: server, settings: by_server.clone(), ..plan };
        for outcome in outcomes {
            let own = |unit: Unit| Unit { setting: at, ..unit };
            let outcome = Outcome {
                units: outcome.units.into_iter().map(own).collect(),
                garbled: outcome
                    .garbled
                    .into_iter()
                    .map(|own| Garbled { setting: at, twice: false, ..own })
                    .collect(),
                tried: vec![Tried { setting: at, absent: 2, ..tried.clone() }],
                left: by_server.iter().skip(1).copied().collect(),
                ..outcome
            };
            check(
                &plan,
                &outcome,
                "addresses 3,51 by Modbus TCP; Modbus RTU / TCP,",
                "set on the serial server itself",
            );
        }
    }

    /// Told in Spanish to a person, and in English to scripts, with what was not tried.
    fn check(plan: &Plan, outcome: &Outcome, left_first: &str, left_last: &str) {
        for written in [None, Some("found.toml")] {
            let told = text(plan, outcome, written, spanish());
            assert!(told.lines().all(|line| line.chars().count() <= COLUMNS), "{told}");
            // Options and what is typed keep their names.
            let told = told.replace("--pond", "").replace("--server", "").replace('`', " ");
            assert_eq!(english_in(&told), Vec::<String>::new(), "{told}");
            assert!(!told.contains('⟨'), "{told}");
            let scripts = json(plan, outcome, written);
            let end = scripts.last().expect("the scan itself");
            let left = end["not_tried"].as_str().expect("text");
            assert!(left.contains(left_first) && left.contains(left_last), "{left}");
        }
    }
}
