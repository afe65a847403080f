//! What a scan of a line of text found, for a person and for scripts.

use pondreeve_protocol::sdi12::Command;
use serde_json::{Value, json};

use super::super::report::{by_reason, push, ranges_of, seen_line};
use super::super::{Seen, Setting};
use super::fragment::{further_words, measured_words};
use super::{Guess, Heard, Measured, Outcome, Plan, Promised, Sensor, letters, shown};
use crate::config::farm::LineKind;

/// For a person, in lines of at most 80 columns. `written` is the file of the fragment.
pub fn text(plan: &Plan, outcome: &Outcome, written: Option<&str>) -> String {
    let mut lines = Vec::new();
    let found = match (plan.kind, outcome.sensors.len(), outcome.heard.is_empty()) {
        (LineKind::Text, _, true) => "nothing readable came".to_owned(),
        (LineKind::Text, ..) => "lines came".to_owned(),
        (_, 0, _) => "nothing answers".to_owned(),
        (_, 1, _) => "1 sensor answers".to_owned(),
        (_, count, _) => format!("{count} sensors answer"),
    };
    let line = outcome.line.as_ref().map(|line| format!(" (line {line})")).unwrap_or_default();
    push(&mut lines, "", &format!("{}{line}: {found}", plan.device.display()));
    for sensor in &outcome.sensors {
        lines.push(String::new());
        sensor_lines(&mut lines, sensor);
    }
    for heard in &outcome.heard {
        lines.push(String::new());
        heard_lines(&mut lines, heard, outcome);
    }
    for garbled in &outcome.garbled {
        lines.push(String::new());
        let told = format!(
            "address {} at {}: {} bytes came, but no valid answer: two sensors with this address, noise, or a bad \
             cable",
            char::from(garbled.address),
            garbled.setting,
            garbled.bytes
        );
        push(&mut lines, "", &told);
    }
    lines.push(String::new());
    for tried in &outcome.tried {
        let asked = plan.addresses.get(..tried.addresses).unwrap_or_default();
        let addresses = if plan.kind == LineKind::Sdi12 {
            format!(": addresses {}", ranges(asked))
        } else {
            String::new()
        };
        let noise = match tried.unasked_bytes {
            0 => String::new(),
            bytes => format!("; {bytes} bytes came that are no text: another speed, or noise"),
        };
        push(&mut lines, "", &format!("Tried {}{addresses}{noise}", tried.setting));
    }
    push(&mut lines, "", &format!("Took {:.1} s.", outcome.took.as_secs_f64()));
    if let Some(why) = &outcome.stopped {
        push(&mut lines, "", &format!("STOPPED EARLY: {why}."));
    }
    push(&mut lines, "", &format!("Not tried: {}.", not_tried(plan, outcome)));
    push(&mut lines, "", &format!("Next: {}", next_step(plan, outcome, written)));
    lines.join("\n") + "\n"
}

fn sensor_lines(lines: &mut Vec<String>, sensor: &Sensor) {
    let known = match sensor.known_as.as_slice() {
        [] => String::new(),
        ids => format!(", configured as {}", ids.join(", ")),
    };
    push(lines, "", &format!("address {} at {}{known}", char::from(sensor.address), sensor.setting));
    match &sensor.identity {
        Ok(identity) => {
            let (version, minor) = (identity.version / 10, identity.version % 10);
            push(lines, "  ", &format!("calls itself: {identity} (SDI-12 {version}.{minor})"));
        }
        Err(why) => push(lines, "  ", &format!("does not say what it is: {why}")),
    }
    for measured in &sensor.measured {
        match measured {
            // A sensor that has no such further measurement says that no values will come, or says nothing.
            Ok(own) if own.number() > 0 && own.announced == 0 => {}
            Err((command, _)) if command.measurement() > Some(0) => {}
            Ok(measured) => push(lines, "  ", &measured_words(measured)),
            Err((command, why)) => push(lines, "  ", &format!("a{}!: {why}", letters(*command))),
        }
    }
    let without: Vec<String> =
        sensor.measured.iter().filter_map(without_values).map(|own| format!("a{own}!")).collect();
    if !without.is_empty() {
        push(lines, "  ", &format!("no values for {}", without.join(", ")));
    }
    if let Some(more) = further_words(sensor) {
        push(lines, "  ", &more);
    }
    guess_lines(lines, &sensor.guesses, &sensor.others);
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

fn heard_lines(lines: &mut Vec<String>, heard: &Heard, outcome: &Outcome) {
    let known = match outcome.known_as.as_slice() {
        [] => String::new(),
        ids => format!("; configured with {}", ids.join(", ")),
    };
    let how = match &heard.asked {
        Some(ask) => format!("asked with \"{}\", it answers", shown(ask)),
        None => "sends by itself".to_owned(),
    };
    push(lines, "", &format!("at {}: {how}{known}", heard.setting));
    for line in &heard.lines {
        // As it came: a wrapped line would look like two.
        let shown: String = shown(line).chars().take(76).collect();
        lines.push(format!("  < {shown}"));
    }
    push(lines, "  ", &format!("lines end in \"{}\"", shown(&heard.end)));
    guess_lines(lines, &heard.guesses, &heard.others);
}

fn guess_lines(lines: &mut Vec<String>, guesses: &[Guess], others: &[(String, String)]) {
    for guess in guesses {
        let doubt = match guess {
            Guess { in_doubt: true, .. } => " (another profile fits as well)",
            Guess { is_exact: false, .. } => " (more values come than it knows: no evidence)",
            guess if !guess.is_evident() => " (zeros or unusual values only: no evidence)",
            _ => "",
        };
        push(lines, "  ", &format!("fits {}{doubt}", guess.profile.id()));
        lines.extend(guess.seen.iter().map(seen_line));
    }
    if guesses.is_empty() {
        push(lines, "  ", "no profile that was tried fits:");
        for (profiles, why) in by_reason(others) {
            push(lines, "    ", &format!("{}: {why}", profiles.join(", ")));
        }
    }
}

fn not_tried(plan: &Plan, outcome: &Outcome) -> String {
    let mut left = Vec::new();
    for tried in &outcome.tried {
        let rest = plan.addresses.get(tried.addresses..).unwrap_or_default();
        if plan.kind == LineKind::Sdi12 && !rest.is_empty() {
            left.push(format!("addresses {} at {}", ranges(rest), tried.setting));
        }
    }
    if !outcome.left.is_empty() {
        let settings: Vec<String> = outcome.left.iter().map(ToString::to_string).collect();
        left.push(settings.join(", "));
    }
    match plan.kind {
        LineKind::Sdi12 => {
            if plan.addresses.len() < 62 {
                left.push("addresses outside the list".to_owned());
            }
            if !plan.further {
                left.push("further measurements, aM1! to aM9! (--further)".to_owned());
            }
            left.push("Modbus and lines of text (--kind)".to_owned());
        }
        LineKind::Text => {
            left.push("questions that no known profile asks; Modbus and SDI-12 (--kind)".to_owned());
        }
    }
    left.join("; ")
}

fn next_step(plan: &Plan, outcome: &Outcome, written: Option<&str>) -> String {
    let (device, kind) = (plan.device.display(), kind_word(plan.kind));
    let is_known = match plan.kind {
        LineKind::Sdi12 => outcome.sensors.iter().all(|sensor| !sensor.known_as.is_empty()),
        LineKind::Text => !outcome.known_as.is_empty(),
    };
    if !outcome.is_found() {
        if outcome.stopped.is_some() {
            return "mend that and scan again.".to_owned();
        }
        if !outcome.garbled.is_empty() {
            return "unplug all sensors but one and scan again: two with one address answer at once."
                .to_owned();
        }
        return match plan.kind {
            LineKind::Sdi12 => {
                "check the sensors' 12 V, data and ground wires and scan again; `--wake adapter` where \
                                the adapter wakes them itself."
                    .to_owned()
            }
            LineKind::Text => {
                "check power, the receive and transmit wires and ground; a longer `--listen`, or \
                               `--profile FILE` with what the probe is asked."
                    .to_owned()
            }
        };
    }
    if is_known {
        return "nothing new is on this line; the daemon reads what is configured.".to_owned();
    }
    match written {
        Some(file) => format!(
            "hold {file} against the probes' labels and manuals, say which pond each stands in, put it into the \
             farm's configuration, and `pondreeve check --config FILE`."
        ),
        None => {
            format!(
                "`pondreeve scan --line {device} --kind {kind} --write found.toml` writes this as configuration."
            )
        }
    }
}

const fn kind_word(kind: LineKind) -> &'static str {
    match kind {
        LineKind::Sdi12 => "sdi12",
        LineKind::Text => "text",
    }
}

/// `0-3,a`.
fn ranges(addresses: &[u8]) -> String {
    ranges_of(addresses, |address| char::from(address).to_string())
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
    let measured = |measured: &Result<Measured, (_, String)>| match measured {
        Ok(own) => json!({
            "command": letters(own.command), "announced": own.announced, "ready_after_s": own.ready_after_s,
            "looks": own.looks,
        }),
        Err((command, why)) => json!({ "command": letters(*command), "why_not": why }),
    };
    let promised = |own: &Promised| json!({ "command": format!("M{}", own.number), "announced": own.values });
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
        json!({ "setting": setting(&tried.setting), "addresses": ranges(asked), "unasked_bytes": noise })
    };
    let end = json!({
        "kind": "scan",
        "device": plan.device.display().to_string(),
        "speaks": kind_word(plan.kind),
        "line": outcome.line,
        "sensors": outcome.sensors.len(),
        "took_s": (outcome.took.as_secs_f64() * 1_000.0).round() / 1_000.0,
        "tried": outcome.tried.iter().map(tried).collect::<Vec<_>>(),
        "not_tried": not_tried(plan, outcome),
        "stopped": outcome.stopped,
        "written": written,
    });
    sensors.chain(heard).chain(garbled).chain([end]).collect()
}
