//! What a scan found, for a person and for scripts.

use pondreeve_protocol::modbus::Framing;
use pondreeve_protocol::register_map::Table;
use serde_json::{Value, json};

use super::{Fit, Outcome, Plan, Seen, Setting, Unit};
use crate::console::text::wrap;

const COLUMNS: usize = 80;
/// Lines of one paragraph.
const LINES_MAX: usize = 40;

/// For a person, in lines of at most 80 columns. `written` is the file of the fragment.
pub fn text(plan: &Plan, outcome: &Outcome, written: Option<&str>) -> String {
    let mut lines = Vec::new();
    let found = match outcome.units.len() {
        0 => "nothing answers".to_owned(),
        1 => "1 unit answers".to_owned(),
        count => format!("{count} units answer"),
    };
    let bus = outcome.bus.as_ref().map(|bus| format!(" (bus {bus})")).unwrap_or_default();
    push(&mut lines, "", &format!("{}{bus}: {found}", plan.device.display()));
    for unit in &outcome.units {
        lines.push(String::new());
        lines.extend(unit_lines(unit));
    }
    for garbled in &outcome.garbled {
        lines.push(String::new());
        let told = format!(
            "address {} at {}: {} bytes came, but no valid answer: two probes with this address, noise, or a bad \
             cable or terminator",
            garbled.address, garbled.setting, garbled.bytes
        );
        push(&mut lines, "", &told);
    }
    lines.push(String::new());
    for tried in &outcome.tried {
        let asked = plan.addresses.get(..tried.addresses).unwrap_or_default();
        let noise = match tried.unasked_bytes {
            0 => String::new(),
            bytes => format!("; {bytes} bytes of noise came before anything was asked"),
        };
        let told = format!("Tried {}: addresses {}{noise}", tried.setting, ranges(asked));
        push(&mut lines, "", &told);
    }
    let patience = plan.patience.as_millis();
    let took = outcome.took.as_secs_f64();
    push(&mut lines, "", &format!("Took {took:.1} s, waiting {patience} ms for each answer."));
    if let Some(why) = &outcome.stopped {
        push(&mut lines, "", &format!("STOPPED EARLY: {why}."));
    }
    let left = not_tried(plan, outcome);
    push(&mut lines, "", &format!("Not tried: {left}."));
    push(&mut lines, "", &format!("Next: {}", next_step(plan, outcome, written)));
    lines.join("\n") + "\n"
}

/// Adds a paragraph, wrapped.
pub(super) fn push(lines: &mut Vec<String>, indent: &str, text: &str) {
    let width = COLUMNS - indent.len();
    for (place, line) in wrap(text, width.saturating_sub(2), LINES_MAX).into_iter().enumerate() {
        lines.push(format!("{indent}{}{line}", if place == 0 { "" } else { "  " }));
    }
}

fn unit_lines(unit: &Unit) -> Vec<String> {
    let mut lines = Vec::new();
    let known = if unit.known_as.is_empty() {
        String::new()
    } else {
        format!(", configured as {}", unit.known_as.join(", "))
    };
    let head = format!(
        "address {} at {}, answers in {} ms{known}",
        unit.address,
        unit.setting,
        unit.answers_in.as_millis()
    );
    push(&mut lines, "", &head);
    if let Some(identity) = &unit.identity {
        push(&mut lines, "  ", &format!("calls itself: {identity}"));
    }
    for fit in &unit.fits {
        let doubt = match fit {
            Fit { in_doubt: true, .. } => " (another map fits these registers as well)",
            fit if !fit.is_evident() => " (zeros or unusual values only: no evidence)",
            _ => "",
        };
        push(&mut lines, "  ", &format!("fits {}{doubt}", fit.map.id));
        lines.extend(fit.seen.iter().map(seen_line));
    }
    if unit.fits.is_empty() {
        push(&mut lines, "  ", "no register map that was tried fits:");
        for (maps, why) in by_reason(&unit.others) {
            push(&mut lines, "    ", &format!("{}: {why}", maps.join(", ")));
        }
        for (table, words) in &unit.registers {
            let name = if *table == Table::Holding { "holding" } else { "input" };
            let shown: Vec<String> = words.iter().map(ToString::to_string).collect();
            push(&mut lines, "    ", &format!("{name} registers from 0: {}", shown.join(" ")));
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

/// What one channel read as.
pub(super) fn seen_line(seen: &Seen) -> String {
    let values: Vec<String> = seen
        .values
        .iter()
        .map(|value| value.map_or_else(|| "none".to_owned(), |value| format!("{value:.*}", seen.decimals)))
        .collect();
    format!("    {:<20} {:<24} {:<10} {}", seen.channel, values.join("  "), seen.unit, seen.verdict.words())
}

/// What was left out, in words.
fn not_tried(plan: &Plan, outcome: &Outcome) -> String {
    let mut left: Vec<String> = Vec::new();
    for tried in &outcome.tried {
        let rest = plan.addresses.get(tried.addresses..).unwrap_or_default();
        if !rest.is_empty() {
            left.push(format!("addresses {} at {}", ranges(rest), tried.setting));
        }
    }
    let begun = |setting: &&Setting| !outcome.tried.iter().any(|tried| tried.setting == **setting);
    let settings: Vec<String> = outcome.left.iter().filter(begun).map(ToString::to_string).collect();
    if !settings.is_empty() {
        let why = if outcome.stopped.is_none() { " (probes of one line share one setting)" } else { "" };
        left.push(format!("{}{why}", settings.join(", ")));
    }
    if plan.addresses.len() < 247 {
        left.push("addresses outside the list".to_owned());
    }
    let has = |framing| plan.settings.iter().any(|setting| setting.framing == framing);
    left.push(
        match (has(Framing::Rtu), has(Framing::Ascii)) {
            (true, false) => "Modbus ASCII (--kind ascii); SDI-12 and lines of text (--kind)",
            (false, true) => "Modbus RTU (--kind modbus); SDI-12 and lines of text (--kind)",
            _ => "SDI-12 and lines of text (--kind)",
        }
        .to_owned(),
    );
    left.join("; ")
}

fn next_step(plan: &Plan, outcome: &Outcome, written: Option<&str>) -> String {
    let device = plan.device.display();
    let new = outcome.units.iter().filter(|unit| unit.known_as.is_empty()).count();
    if outcome.units.is_empty() && outcome.garbled.is_empty() {
        if outcome.stopped.is_some() {
            return "mend that and scan again.".to_owned();
        }
        return "check the probes' power, swap the two wires A and B, and scan again; then `--timeout 400ms` for \
                slow probes."
            .to_owned();
    }
    if outcome.units.is_empty() || (!outcome.garbled.is_empty() && new == 0) {
        return "unplug all probes but one and scan again: two with one address answer at once.".to_owned();
    }
    if new == 0 {
        return "nothing new is on this line; the daemon reads what is configured.".to_owned();
    }
    match written {
        Some(file) => format!(
            "hold {file} against the probes' labels, say which pond each stands in, put it into the farm's \
             configuration, and `pondreeve check --config FILE`."
        ),
        None => format!(
            "`pondreeve scan --line {device} --addresses {} --write found.toml` writes this as configuration.",
            ranges(&outcome.units.iter().map(|unit| unit.address).collect::<Vec<_>>())
        ),
    }
}

/// `1-3,51`.
fn ranges(addresses: &[u8]) -> String {
    ranges_of(addresses, |address| address.to_string())
}

/// Addresses in ranges, each shown as people write it.
pub(super) fn ranges_of(addresses: &[u8], shown: impl Fn(u8) -> String) -> String {
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
    if ranges.is_empty() { "none".to_owned() } else { ranges.join(",") }
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
        json!({ "kind": "garbled", "address": garbled.address, "setting": at, "bytes": garbled.bytes })
    });
    let tried: Vec<Value> = outcome
        .tried
        .iter()
        .map(|tried| {
            let asked = plan.addresses.get(..tried.addresses).unwrap_or_default();
            let noise = tried.unasked_bytes;
            json!({ "setting": setting(&tried.setting), "addresses": ranges(asked), "unasked_bytes": noise })
        })
        .collect();
    let end = json!({
        "kind": "scan",
        "device": plan.device.display().to_string(),
        "bus": outcome.bus,
        "units": outcome.units.len(),
        "took_s": (outcome.took.as_secs_f64() * 1_000.0).round() / 1_000.0,
        "timeout_ms": u64::try_from(plan.patience.as_millis()).unwrap_or(u64::MAX),
        "tried": tried,
        "not_tried": not_tried(plan, outcome),
        "stopped": outcome.stopped,
        "written": written,
    });
    units.chain(garbled).chain([end]).collect()
}
