//! `pondreeve check`: is a configuration sound, and what does it come to.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use pondreeve_core::Quantity;
use pondreeve_core::site::{PondIndex, Probe};
use pondreeve_protocol::modbus::Framing;

use super::spoken;
use crate::config::annunciation::{DrivenBy, Output};
use crate::config::farm::{BrokerAddress, Bus, LineKind, Parity};
use crate::config::{self, ConfigError, Farm, Loaded, Problem, Style, bus_load};
use crate::exit_code::{DONE, Failure, Outcome, USAGE};
use crate::texts::recognised::recognised;
use crate::texts::{Words, say};

const AFTER: &str = "\
Every problem is told with file, line, column, what was found and what is
accepted; exit status 2 if there is any. A warning is not a problem: something a
person should look at, such as a device that is not plugged in.

Examples:
  pondreeve check --config farm.toml
  pondreeve check --example > farm.toml
  pondreeve check --example-profile optical-oxygen > probes/my-probe.toml
  pondreeve check --schema > farm.schema.json
  pondreeve check --example-texts > texts/qu.ftl";

/// Arguments of `check`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// The farm's configuration
    #[arg(long, value_name = "FILE", required_unless_present_any = ["example", "example_profile", "example_texts", "schema"])]
    pub config: Option<PathBuf>,
    /// Print one JSON object a line: each problem and warning, then the farm if it is sound
    #[arg(long)]
    pub json: bool,
    /// Print a commented configuration with every key, to start from
    #[arg(long, conflicts_with_all = ["config", "json", "schema"])]
    pub example: bool,
    /// Print a built-in profile of a probe, to write one of your own from: optical-oxygen says what each key
    /// means, sdi12-oxygen and text-oxygen what SDI-12 and lines of text have besides
    #[arg(long, value_name = "NAME", conflicts_with_all = ["config", "json", "schema", "example"])]
    pub example_profile: Option<String>,
    /// Print the JSON Schema of the configuration, for editors
    #[arg(long, conflicts_with_all = ["config", "json"])]
    pub schema: bool,
    /// Print the console's English texts, to translate into the farm's own language
    #[arg(long, conflicts_with_all = ["config", "json", "schema", "example", "example_profile"])]
    pub example_texts: bool,
}

/// Checks a configuration, or prints what helps to write one.
///
/// # Errors
/// All problems of the configuration in one message, with status 2.
pub fn run(arguments: &Arguments) -> Outcome {
    if arguments.example {
        return super::print(&config::builtin::EXAMPLE);
    }
    if let Some(name) = &arguments.example_profile {
        let known = || config::builtin::profile_names().join(", ");
        let text = config::builtin::profile(name).ok_or_else(|| {
            Failure::usage(say!(spoken(), "check-no-profile", name = name, known = known()))
        })?;
        return super::print(text);
    }
    if arguments.schema {
        return super::print(&config::builtin::SCHEMA);
    }
    if arguments.example_texts {
        return super::print(&crate::texts::ENGLISH);
    }
    let Some(path) = &arguments.config else {
        return Err(Failure::usage(say!(spoken(), "check-no-configuration")));
    };
    let checked = config::load_with_warnings(path);
    if arguments.json {
        return json(path, &checked);
    }
    match checked {
        Ok(loaded) => {
            let warnings = loaded.warnings.render(Style::for_stderr());
            if !warnings.is_empty() {
                eprint!("{warnings}");
            }
            super::print(&summary(path, &loaded, spoken()))
        }
        Err(error) => Err(Failure::usage(error.to_string())),
    }
}

fn json(path: &Path, checked: &Result<Loaded, ConfigError>) -> Outcome {
    let (report, farm) = match checked {
        Ok(loaded) => (&loaded.warnings, Some(&loaded.farm)),
        Err(error) => (&error.report, None),
    };
    let mut text = String::new();
    for problem in report.problems() {
        let _infallible = writeln!(text, "{}", problem_json(problem));
    }
    if let Some(farm) = farm {
        let _infallible = writeln!(text, "{}", farm_json(farm));
    }
    super::print(&text)?;
    match checked {
        Ok(_) => Ok(DONE),
        Err(error) => {
            Err(Failure { status: USAGE, message: format!("{}: {}", path.display(), error.count()) })
        }
    }
}

fn problem_json(problem: &Problem) -> serde_json::Value {
    serde_json::json!({
        "kind": match problem.severity {
            config::problem::Severity::Error => "problem",
            config::problem::Severity::Warning => "warning",
        },
        "file": problem.file.display().to_string(),
        "line": (problem.line > 0).then_some(problem.line),
        "column": (problem.line > 0).then_some(problem.column),
        "key": problem.path,
        "found": problem.found,
        "accepted": problem.accepted,
        "mend": problem.hint,
    })
}

fn farm_json(farm: &Farm) -> serde_json::Value {
    let ponds: Vec<serde_json::Value> = farm
        .site
        .ponds
        .iter()
        .enumerate()
        .map(|(index, pond)| {
            serde_json::json!({
                "id": pond.id,
                "name": pond.name,
                "area_m2": pond.area_m2,
                "depth_m": pond.depth_m,
                "aerators": pond.aerators.iter().map(|group| group.id.as_str()).collect::<Vec<_>>(),
                "aerators_kw": tenths(pond.aerators.iter().map(|group| group.power_kw).sum()),
                "do_low_mg_l": pond.limits.do_low_mg_l.map(|threshold| threshold.limit),
                "probes": probes_of(farm, Some(index)).map(|probe| probe.id.as_str()).collect::<Vec<_>>(),
            })
        })
        .collect();
    let buses: Vec<serde_json::Value> = farm
        .buses
        .iter()
        .map(|bus| {
            serde_json::json!({
                "id": bus.id,
                "device": bus.place(),
                "baud": bus.baud,
                "probes": bus.probes.len(),
                "load_percent": tenths(bus_load::share(bus) * 100.0),
            })
        })
        .collect();
    let connection = |id: &str, address: &BrokerAddress| serde_json::json!({ "id": id, "host": address.host, "port": address.port, "client_id": address.client_id, "tls": address.tls.is_some() });
    serde_json::json!({
        "kind": "farm",
        "name": farm.name,
        "gateway": farm.site.gateway,
        "ponds": ponds,
        "buses": buses,
        "lines": farm
            .lines
            .iter()
            .map(|line| serde_json::json!({ "id": line.id, "device": line.place(), "probes": line.probes.len() }))
            .collect::<Vec<_>>(),
        "brokers": farm.brokers.iter().map(|broker| connection(&broker.id, &broker.address)).collect::<Vec<_>>(),
        "destinations": farm.destinations.iter().map(|to| connection(&to.id, &to.address)).collect::<Vec<_>>(),
    })
}

fn tenths(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

/// The probes of a pond, or those that serve all ponds, in the order of the configuration.
fn probes_of(farm: &Farm, pond: Option<usize>) -> impl Iterator<Item = &Probe> {
    farm.site.probes.iter().filter(move |probe| probe.pond.map(|PondIndex(index)| usize::from(index)) == pond)
}

/// The farm in lines of at most 80 columns.
fn summary(path: &Path, loaded: &Loaded, words: Words) -> String {
    let farm = &loaded.farm;
    let file = path.display().to_string();
    let mut lines = vec![match loaded.warnings.problems().len() {
        0 => say!(words, "check-sound", file = file),
        1 => say!(words, "check-sound-but-one", file = file),
        count => say!(words, "check-sound-but", file = file, warnings = count.to_string()),
    }];
    lines.push(say!(
        words,
        "check-farm",
        farm = &farm.name,
        gateway = farm.site.gateway.as_str(),
        ponds = farm.site.ponds.len().to_string(),
        probes = farm.site.probes.len().to_string(),
    ));
    for (index, pond) in farm.site.ponds.iter().enumerate() {
        lines.push(String::new());
        lines.push(say!(words, "check-pond", id = &pond.id, name = &pond.name));
        lines.push(say!(
            words,
            "check-size",
            area = pond.area_m2.to_string(),
            depth = pond.depth_m.to_string(),
            volume = (pond.area_m2 * pond.depth_m).round().to_string(),
        ));
        let kw: f64 = pond.aerators.iter().map(|group| group.power_kw).sum();
        let groups: Vec<&str> = pond.aerators.iter().map(|group| group.id.as_str()).collect();
        match groups.as_slice() {
            [] => lines.push(say!(words, "check-no-aerators")),
            _ => lines.push(say!(
                words,
                "check-aerators",
                groups = groups.join(" "),
                kw = tenths(kw).to_string(),
            )),
        }
        let [warn, critical, emergency] = pond.limits.do_low_mg_l.map(|threshold| threshold.limit);
        let [warn, critical, emergency] = [warn, critical, emergency].map(|limit| limit.to_string());
        lines.push(say!(words, "check-limits", warn = warn, critical = critical, emergency = emergency));
        let head = format!("  {} ", say!(words, "check-probes"));
        wrapped(&mut lines, &head, &described(probes_of(farm, Some(index))), words);
        lines.extend(shared_quantities(farm, index, words));
    }
    let shared = described(probes_of(farm, None));
    if !shared.is_empty() {
        lines.push(String::new());
        wrapped(&mut lines, &format!("{} ", say!(words, "check-for-all")), &shared, words);
    }
    lines.push(String::new());
    for bus in &farm.buses {
        lines.push(say!(words, "check-bus", id = &bus.id, place = bus.place()));
        lines.push(say!(
            words,
            "check-bus-load",
            setting = line_settings(bus, words),
            probes = bus.probes.len().to_string(),
            percent = format!("{:.0}", bus_load::share(bus) * 100.0),
        ));
    }
    for line in &farm.lines {
        let kind = match line.kind {
            LineKind::Sdi12 => "SDI-12".to_owned(),
            LineKind::Text => say!(words, "check-text"),
        };
        let parity = match line.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        let setting = format!("{} {}{parity}{}", line.baud, line.data_bits, line.stop_bits);
        lines.push(say!(words, "check-line", id = &line.id, place = line.place()));
        let probes = line.probes.len().to_string();
        lines.push(say!(words, "check-line-probes", kind = kind, setting = setting, probes = probes));
    }
    for broker in &farm.brokers {
        lines.push(say!(
            words,
            "check-broker",
            id = &broker.id,
            place = reached(&broker.address, words),
            probes = broker.subscriptions.len().to_string(),
        ));
    }
    for destination in &farm.destinations {
        let place = reached(&destination.address, words);
        lines.push(say!(words, "check-destination", id = &destination.id, place = place));
    }
    if let Some(own) = &farm.commands {
        let people: Vec<&str> = own.people.iter().map(|person| person.id.as_str()).collect();
        lines.push(say!(words, "check-commands", people = people.join(", "), by = &own.from.id));
    }
    lines.extend(announced(farm, words));
    lines.join("\n") + "\n"
}

/// How an alarm is heard and seen, and who is called.
fn announced(farm: &Farm, words: Words) -> Vec<String> {
    let mut lines = vec![String::new()];
    let annunciation = &farm.annunciation;
    let outputs = [
        (say!(words, "check-horn"), &annunciation.horn, annunciation.horn_test),
        (say!(words, "check-lamp"), &annunciation.lamp, None),
    ];
    for (name, output, test) in outputs {
        let Some(Output { label, by }) = output else { continue };
        let by = match by {
            DrivenBy::Relay(relay) => {
                let inverted = if relay.inverted { say!(words, "check-inverted") } else { String::new() };
                let (coil, relay_at) = (relay.coil.to_string(), relay.unit.to_string());
                let told = say!(words, "check-coil", coil = coil, relay = relay_at, bus = &relay.bus_id);
                format!("{told}{inverted}")
            }
            DrivenBy::Gpio(gpio) => {
                let low = if gpio.active_low { say!(words, "check-active-low") } else { String::new() };
                let (line, chip) = (gpio.line.to_string(), gpio.chip.display().to_string());
                format!("{}{low}", say!(words, "check-gpio", line = line, chip = chip))
            }
            DrivenBy::Command(command) => command.program.display().to_string(),
        };
        let mut items = vec![label.clone(), by];
        if let Some(test) = test {
            let (at, sound) = (test.at.strftime("%H:%M"), humantime::format_duration(test.sound));
            items.push(say!(words, "check-horn-test", at = at.to_string(), sound = sound.to_string()));
        }
        wrapped(&mut lines, &format!("{name}  "), &items, words);
    }
    if annunciation.horn.is_none() {
        lines.push(say!(words, "check-no-horn"));
    }
    let length = |span| recognised(words, &pondreeve_core::message::length(span));
    let steps = farm.site.calls.steps.iter().map(|step| match step.after.as_millis() {
        0 => say!(words, "check-at-once", name = &step.name),
        _ => say!(words, "check-after", name = &step.name, length = length(step.after)),
    });
    let mut steps: Vec<String> = steps.collect();
    if steps.is_empty() {
        lines.push(say!(words, "check-nobody-called"));
    } else {
        if let Some(every) = farm.site.calls.repeat_every {
            steps.push(say!(words, "check-then-each", length = length(every)));
        }
        wrapped(&mut lines, &format!("{}  ", say!(words, "check-called")), &steps, words);
    }
    lines
}

fn described<'a>(probes: impl Iterator<Item = &'a Probe>) -> Vec<String> {
    probes
        .map(|probe| {
            let quantities: Vec<&str> = probe.channels.iter().map(|channel| channel.quantity.id()).collect();
            format!("{} ({})", probe.id, quantities.join(", "))
        })
        .collect()
}

/// Which probe counts where several report one quantity.
fn shared_quantities(farm: &Farm, pond: usize, words: Words) -> Vec<String> {
    let mut lines = Vec::new();
    for &quantity in Quantity::ALL {
        // Each aerator group has a meter of its own; those are not alternatives.
        if matches!(quantity, Quantity::AeratorOn | Quantity::AeratorKw) {
            continue;
        }
        let reporting: Vec<&str> = probes_of(farm, Some(pond))
            .filter(|probe| probe.channels.iter().any(|channel| channel.quantity == quantity))
            .map(|probe| probe.id.as_str())
            .collect();
        if let [first, rest @ ..] = reporting.as_slice()
            && !rest.is_empty()
        {
            // As the core does it for alarms, advice and what is shown.
            let (id, all) = (quantity.id(), reporting.join(", "));
            let items = if quantity == Quantity::DoMgL {
                vec![say!(words, "check-lowest-of", id = id, all = all)]
            } else {
                vec![
                    say!(words, "check-from", id = id, first = *first),
                    say!(words, "check-stand-in", rest = rest.join(", ")),
                ]
            };
            wrapped(&mut lines, &format!("  {} ", say!(words, "check-several")), &items, words);
        }
    }
    lines
}

/// Adds items to `lines`, none wider than 80 columns unless one item alone is.
fn wrapped(lines: &mut Vec<String>, head: &str, items: &[String], words: Words) {
    let indent = " ".repeat(head.chars().count().min(10));
    let mut line = head.to_owned();
    for (index, item) in items.iter().enumerate() {
        let item = if index + 1 < items.len() { format!("{item}, ") } else { item.clone() };
        if index > 0 && line.chars().count() + item.trim_end().chars().count() > 80 {
            lines.push(line.trim_end().to_owned());
            line.clone_from(&indent);
        }
        line.push_str(&item);
    }
    if items.is_empty() {
        line.push_str(&say!(words, "check-none"));
    }
    lines.push(line);
}

fn line_settings(bus: &Bus, words: Words) -> String {
    let parity = match bus.parity {
        Parity::None => 'N',
        Parity::Even => 'E',
        Parity::Odd => 'O',
    };
    let own = format!("{} bits/s {}{parity}{}", bus.baud, bus.data_bits, bus.stop_bits);
    let behind = |framing: &str| say!(words, "check-behind", framing = framing, baud = bus.baud.to_string());
    match (bus.framing, &bus.server) {
        (Framing::Tcp, _) => behind("TCP"),
        (Framing::Rtu, Some(_)) => behind("RTU"),
        (Framing::Ascii, Some(_)) => behind("ASCII"),
        (Framing::Ascii, None) => format!("{own} Modbus ASCII"),
        (Framing::Rtu, None) => own,
    }
}

fn reached(address: &BrokerAddress, words: Words) -> String {
    let place = format!("{}:{}", address.host, address.port);
    if address.tls.is_some() { say!(words, "check-tls", place = place) } else { place }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::spanish_tests::{english_in, spanish};
    use super::{farm_json, problem_json, summary};
    use crate::config;
    use crate::texts::english;

    fn demo() -> config::Loaded {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/demo/farm.toml");
        config::load_with_warnings(&path).expect("the demo farm is sound")
    }

    #[test]
    fn the_summary_fits_a_terminal_of_80_columns() {
        let text = summary(Path::new("farm.toml"), &demo(), english());
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        insta::assert_snapshot!(text);
    }

    #[test]
    fn the_summary_is_told_in_spanish() {
        let mut demo = demo();
        // What a farm calls its own is told as it is.
        let sounds = &mut demo.farm.annunciation;
        for output in [&mut sounds.horn, &mut sounds.lamp].into_iter().flatten() {
            output.label = "patio".to_owned();
        }
        let text = summary(Path::new("farm.toml"), &demo, spanish());
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert_eq!(english_in(&text), Vec::<String>::new(), "{text}");
        insta::assert_snapshot!(text);
    }

    #[test]
    fn scripts_read_the_same_farm() {
        let json = farm_json(&demo().farm);
        let ids: Vec<&str> =
            json["ponds"].as_array().expect("ponds").iter().filter_map(|pond| pond["id"].as_str()).collect();
        assert_eq!(ids, ["p1", "p2", "p3", "p4"]);
        assert_eq!(json["ponds"][0]["aerators_kw"], 11.2);
        assert_eq!(json["buses"][0]["probes"], 17);
    }

    #[test]
    fn scripts_read_problems_with_their_places() {
        let error = config::from_text(Path::new("/nowhere/farm.toml"), "[farm]\nlatitude = 99\n")
            .expect_err("problems");
        let latitude =
            error.report.problems().iter().find(|problem| problem.path == "farm.latitude").expect("told");
        assert_eq!(
            problem_json(latitude),
            serde_json::json!({
                "kind": "problem", "file": "/nowhere/farm.toml", "line": 2, "column": 12, "key": "farm.latitude",
                "found": "the whole number 99", "accepted": "a number from -90 to 90 degrees", "mend": null
            })
        );
    }
}
