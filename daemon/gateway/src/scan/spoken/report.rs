//! What a scan of a line of text found, for a person and for scripts.

use pondreeve_core::quantity::Quantity;
use pondreeve_protocol::sdi12::{Command, Parameter};
use serde_json::{Value, json};

use super::super::report::{by_reason, push, ranges_of, seen_line};
use super::super::{Seen, Setting, watch};
use super::fragment::{further_words, measured_words, told_words};
use super::{Guess, Heard, Measured, Outcome, Plan, Promised, Sensor, letters, meaning, shown};
use crate::config::farm::LineKind;
use crate::texts::recognised::recognised;
use crate::texts::{Words, english, say};

/// For a person, in lines of at most 80 columns. `written` is the file of the fragment.
pub fn text(plan: &Plan, outcome: &Outcome, written: Option<&str>, words: Words) -> String {
    let mut lines = Vec::new();
    let found = match (plan.kind, outcome.sensors.len(), outcome.heard.is_empty()) {
        (LineKind::Text, _, true) => say!(words, "scan-nothing-readable"),
        (LineKind::Text, ..) => say!(words, "scan-lines-came"),
        (_, 0, _) => say!(words, "scan-none"),
        (_, 1, _) => say!(words, "scan-one-sensor"),
        (_, count, _) => say!(words, "scan-sensors", count = count.to_string()),
    };
    let line = outcome.line.as_ref().map(|line| say!(words, "scan-of-line", line = line)).unwrap_or_default();
    push(&mut lines, "", &format!("{}{line}: {found}", plan.device.display()));
    for sensor in &outcome.sensors {
        lines.push(String::new());
        sensor_lines(&mut lines, sensor, words);
    }
    for heard in &outcome.heard {
        lines.push(String::new());
        heard_lines(&mut lines, heard, outcome, words);
    }
    watch::lines(&mut lines, &outcome.watched, words);
    for garbled in &outcome.garbled {
        lines.push(String::new());
        let told = say!(
            words,
            "scan-garbled-sensor",
            address = char::from(garbled.address).to_string(),
            setting = garbled.setting.to_string(),
            bytes = garbled.bytes.to_string(),
        );
        push(&mut lines, "", &told);
    }
    lines.push(String::new());
    for tried in &outcome.tried {
        let asked = plan.addresses.get(..tried.addresses).unwrap_or_default();
        let noise = match tried.unasked_bytes {
            0 => String::new(),
            bytes => say!(words, "scan-no-text", bytes = bytes.to_string()),
        };
        let setting = tried.setting.to_string();
        let told = if plan.kind == LineKind::Sdi12 {
            let addresses = ranges(asked, words);
            say!(words, "scan-tried", setting = setting, addresses = addresses, noise = noise)
        } else {
            say!(words, "scan-tried-text", setting = setting, noise = noise)
        };
        push(&mut lines, "", &told);
    }
    let took = format!("{:.1}", outcome.took.as_secs_f64());
    push(&mut lines, "", &say!(words, "scan-took-in-all", seconds = took));
    if let Some(why) = &outcome.stopped {
        push(&mut lines, "", &say!(words, "scan-stopped", why = recognised(words, why)));
    }
    push(&mut lines, "", &say!(words, "scan-not-tried", left = not_tried(plan, outcome, words)));
    push(&mut lines, "", &say!(words, "scan-next", step = next_step(plan, outcome, written, words)));
    lines.join("\n") + "\n"
}

fn sensor_lines(lines: &mut Vec<String>, sensor: &Sensor, words: Words) {
    let known = match sensor.known_as.as_slice() {
        [] => String::new(),
        ids => say!(words, "scan-known-as", ids = ids.join(", ")),
    };
    let (address, setting) = (char::from(sensor.address).to_string(), sensor.setting.to_string());
    push(lines, "", &say!(words, "scan-sensor", address = address, setting = setting, known = known));
    match &sensor.identity {
        Ok(identity) => {
            let (version, minor) = (identity.version / 10, identity.version % 10);
            let name = format!("{identity} (SDI-12 {version}.{minor})");
            push(lines, "  ", &say!(words, "scan-calls-itself", name = name));
        }
        Err(why) => push(lines, "  ", &say!(words, "scan-nameless", why = recognised(words, why))),
    }
    let mut told: &[Parameter] = &[];
    for measured in &sensor.measured {
        match measured {
            // A sensor that has no such further measurement says that no values will come, or says nothing.
            Ok(own) if own.number() > 0 && own.announced == 0 => {}
            Err((command, _)) if command.measurement() > Some(0) => {}
            Ok(measured) => {
                push(lines, "  ", &measured_words(measured, words));
                // The same values the other way, `aC!` for `aM!`, are told once.
                if measured.told != told {
                    told_words(measured, words).iter().for_each(|own| push(lines, "    ", own));
                }
                told = &measured.told;
            }
            Err((command, why)) => {
                push(lines, "  ", &format!("a{}!: {}", letters(*command), recognised(words, why)));
            }
        }
    }
    let without: Vec<String> =
        sensor.measured.iter().filter_map(without_values).map(|own| format!("a{own}!")).collect();
    if !without.is_empty() {
        push(lines, "  ", &say!(words, "scan-no-values-for", commands = without.join(", ")));
    }
    if let Some(more) = further_words(sensor, words) {
        push(lines, "  ", &more);
    }
    guess_lines(lines, &sensor.guesses, &sensor.others, words);
}

/// A further measurement that the sensor does not have.
fn without_values(measured: &Result<Measured, (Command, String)>) -> Option<String> {
    let command = match measured {
        Ok(own) if own.announced == 0 => own.command,
        Ok(_) => return None,
        Err((command, _)) => *command,
    };
    (command.measurement() > Some(0)).then(|| letters(command))
}

fn heard_lines(lines: &mut Vec<String>, heard: &Heard, outcome: &Outcome, words: Words) {
    let known = match outcome.known_as.as_slice() {
        [] => String::new(),
        ids => say!(words, "scan-known-with", ids = ids.join(", ")),
    };
    let how = match &heard.asked {
        Some(ask) => say!(words, "scan-asked", ask = shown(ask)),
        None => say!(words, "scan-by-itself"),
    };
    push(
        lines,
        "",
        &say!(words, "scan-heard", setting = heard.setting.to_string(), how = how, known = known),
    );
    for line in &heard.lines {
        // As it came: a wrapped line would look like two.
        let shown: String = shown(line).chars().take(76).collect();
        lines.push(format!("  < {shown}"));
    }
    push(lines, "  ", &say!(words, "scan-ends-in", end = shown(&heard.end)));
    guess_lines(lines, &heard.guesses, &heard.others, words);
}

fn guess_lines(lines: &mut Vec<String>, guesses: &[Guess], others: &[(String, String)], words: Words) {
    for guess in guesses {
        let doubt = match guess {
            Guess { in_doubt: true, .. } => say!(words, "scan-another-profile"),
            Guess { is_exact: false, .. } => say!(words, "scan-more-values"),
            guess if !guess.is_evident() => say!(words, "scan-no-evidence"),
            _ => String::new(),
        };
        push(lines, "  ", &say!(words, "scan-fits", profile = guess.profile.id(), doubt = doubt));
        lines.extend(guess.seen.iter().map(|seen| seen_line(seen, words)));
    }
    if guesses.is_empty() {
        push(lines, "  ", &say!(words, "scan-no-profile"));
        for (profiles, why) in by_reason(others) {
            push(lines, "    ", &format!("{}: {}", profiles.join(", "), recognised(words, why)));
        }
    }
}

fn not_tried(plan: &Plan, outcome: &Outcome, words: Words) -> String {
    let mut left = Vec::new();
    for tried in &outcome.tried {
        let rest = plan.addresses.get(tried.addresses..).unwrap_or_default();
        if plan.kind == LineKind::Sdi12 && !rest.is_empty() {
            let setting = tried.setting.to_string();
            left.push(say!(words, "scan-left-addresses", addresses = ranges(rest, words), setting = setting));
        }
    }
    if !outcome.left.is_empty() {
        let settings: Vec<String> = outcome.left.iter().map(ToString::to_string).collect();
        left.push(settings.join(", "));
    }
    match plan.kind {
        LineKind::Sdi12 => {
            if plan.addresses.len() < 62 {
                left.push(say!(words, "scan-outside-list"));
            }
            if !plan.further {
                left.push(say!(words, "scan-left-further"));
            }
            left.push(say!(words, "scan-left-modbus"));
        }
        LineKind::Text => {
            left.push(say!(words, "scan-left-questions"));
        }
    }
    left.join("; ")
}

fn next_step(plan: &Plan, outcome: &Outcome, written: Option<&str>, words: Words) -> String {
    let (device, kind) = (plan.device.display().to_string(), kind_word(plan.kind));
    let is_known = match plan.kind {
        LineKind::Sdi12 => outcome.sensors.iter().all(|sensor| !sensor.known_as.is_empty()),
        LineKind::Text => !outcome.known_as.is_empty(),
    };
    if !outcome.is_found() {
        if outcome.stopped.is_some() {
            return say!(words, "scan-mend");
        }
        if !outcome.garbled.is_empty() {
            return say!(words, "scan-unplug-sensors");
        }
        return match plan.kind {
            LineKind::Sdi12 => say!(words, "scan-check-sdi12"),
            LineKind::Text => say!(words, "scan-check-text"),
        };
    }
    if is_known {
        return say!(words, "scan-nothing-new");
    }
    match written {
        Some(file) => say!(words, "scan-put-it-in-by-manual", file = file),
        None => say!(words, "scan-write-kind", device = device, kind = kind),
    }
}

const fn kind_word(kind: LineKind) -> &'static str {
    match kind {
        LineKind::Sdi12 => "sdi12",
        LineKind::Text => "text",
    }
}

/// `0-3,a`.
fn ranges(addresses: &[u8], words: Words) -> String {
    ranges_of(addresses, |address| char::from(address).to_string(), words)
}

/// For scripts: one object for each sensor, each setting at which lines came, each garbled address, and the scan.
pub fn json(plan: &Plan, outcome: &Outcome, written: Option<&str>) -> Vec<Value> {
    let setting = |setting: &Setting| setting.to_string();
    let guesses = |guesses: &[Guess]| -> Vec<Value> {
        let seen = |seen: &Seen| json!({ "channel": seen.channel, "unit": seen.unit, "values": seen.values, "plausible": seen.verdict.id() });
        let guess = |guess: &Guess| {
            json!({
                "profile": guess.profile.id(),
                "evident": guess.is_evident(),
                "in_doubt": guess.in_doubt,
                "values": guess.seen.iter().map(seen).collect::<Vec<_>>(),
            })
        };
        guesses.iter().map(guess).collect()
    };
    let others = |others: &[(String, String)]| -> Vec<Value> {
        others.iter().map(|(profile, why)| json!({ "profile": profile, "why_not": why })).collect()
    };
    let told = |list: &[Parameter]| -> Vec<Value> {
        let one = |own: &Parameter| {
            let quantity = meaning::quantity(own).map(Quantity::id);
            json!({ "code": own.code, "unit": own.unit, "more": own.more, "quantity": quantity })
        };
        list.iter().map(one).collect()
    };
    let measured = |measured: &Result<Measured, (_, String)>| match measured {
        Ok(own) => json!({
            "command": letters(own.command), "announced": own.announced, "ready_after_s": own.ready_after_s,
            "looks": own.looks, "told": told(&own.told),
        }),
        Err((command, why)) => json!({ "command": letters(*command), "why_not": why }),
    };
    let promised = |own: &Promised| json!({ "command": format!("M{}", own.number), "announced": own.values, "told": told(&own.told) });
    let sensors = outcome.sensors.iter().map(|sensor| {
        json!({
            "kind": "sensor",
            "address": char::from(sensor.address).to_string(),
            "setting": setting(&sensor.setting),
            "identity": sensor.identity.as_ref().ok().map(ToString::to_string),
            "configured_as": sensor.known_as,
            "measurements": sensor.measured.iter().map(measured).collect::<Vec<_>>(),
            "not_made": sensor.promised.iter().flatten().map(promised).collect::<Vec<_>>(),
            "fits": guesses(&sensor.guesses),
            "others": others(&sensor.others),
        })
    });
    let heard = outcome.heard.iter().map(|heard| {
        json!({
            "kind": "lines",
            "setting": setting(&heard.setting),
            "asked": heard.asked.as_ref().map(|ask| shown(ask)),
            "lines": heard.lines.iter().map(|line| shown(line)).collect::<Vec<_>>(),
            "end": shown(&heard.end),
            "configured_as": outcome.known_as,
            "fits": guesses(&heard.guesses),
            "others": others(&heard.others),
        })
    });
    let garbled = outcome.garbled.iter().map(|garbled| {
        let at = setting(&garbled.setting);
        let address = char::from(garbled.address).to_string();
        json!({ "kind": "garbled", "address": address, "setting": at, "bytes": garbled.bytes })
    });
    let tried = |tried: &super::Tried| {
        let asked = plan.addresses.get(..tried.addresses).unwrap_or_default();
        let noise = tried.unasked_bytes;
        json!({ "setting": setting(&tried.setting), "addresses": ranges(asked, english()), "unasked_bytes": noise })
    };
    let end = json!({
        "kind": "scan",
        "device": plan.device.display().to_string(),
        "speaks": kind_word(plan.kind),
        "line": outcome.line,
        "sensors": outcome.sensors.len(),
        "took_s": (outcome.took.as_secs_f64() * 1_000.0).round() / 1_000.0,
        "tried": outcome.tried.iter().map(tried).collect::<Vec<_>>(),
        "not_tried": not_tried(plan, outcome, english()),
        "stopped": outcome.stopped,
        "written": written,
    });
    let watched = watch::json_of(&outcome.watched);
    sensors.chain(heard).chain(garbled).chain(watched).chain([end]).collect()
}
