//! `pondreeve check`: is a configuration sound, and what does it come to.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use pondreeve_core::Quantity;
use pondreeve_core::site::{PondIndex, Probe};
use pondreeve_protocol::modbus::Framing;

use crate::config::annunciation::{DrivenBy, Output};
use crate::config::farm::{BrokerAddress, Bus, LineKind, Parity};
use crate::config::{self, ConfigError, Farm, Loaded, Problem, Style, bus_load};
use crate::exit_code::{DONE, Failure, Outcome, USAGE};

const AFTER: &str = "\
Every problem is told with file, line, column, what was found and what is
accepted; exit status 2 if there is any. A warning is not a problem: something a
person should look at, such as a device that is not plugged in.

Examples:
  pondreeve check --config farm.toml
  pondreeve check --example > farm.toml
  pondreeve check --schema > farm.schema.json
  pondreeve check --example-texts > texts/qu.ftl";

/// Arguments of `check`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// The farm's configuration
    #[arg(long, value_name = "FILE", required_unless_present_any = ["example", "example_texts", "schema"])]
    pub config: Option<PathBuf>,
    /// Print one JSON object a line: each problem and warning, then the farm if it is sound
    #[arg(long)]
    pub json: bool,
    /// Print a commented configuration with every key, to start from
    #[arg(long, conflicts_with_all = ["config", "json", "schema"])]
    pub example: bool,
    /// Print the JSON Schema of the configuration, for editors
    #[arg(long, conflicts_with_all = ["config", "json"])]
    pub schema: bool,
    /// Print the console's English texts, to translate into the farm's own language
    #[arg(long, conflicts_with_all = ["config", "json", "schema", "example"])]
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
    if arguments.schema {
        return super::print(&config::builtin::SCHEMA);
    }
    if arguments.example_texts {
        return super::print(&crate::texts::ENGLISH);
    }
    let Some(path) = &arguments.config else {
        return Err(Failure::usage("no configuration to check: name it with --config FILE"));
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
            super::print(&summary(path, &loaded))
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
fn summary(path: &Path, loaded: &Loaded) -> String {
    let farm = &loaded.farm;
    let mut lines = vec![format!(
        "{} is sound{}.",
        path.display(),
        match loaded.warnings.problems().len() {
            0 => String::new(),
            1 => ", with 1 warning above".to_owned(),
            count => format!(", with {count} warnings above"),
        }
    )];
    lines.push(format!(
        "{} (gateway {}): {} ponds, {} probes",
        farm.name,
        farm.site.gateway,
        farm.site.ponds.len(),
        farm.site.probes.len()
    ));
    for (index, pond) in farm.site.ponds.iter().enumerate() {
        lines.push(String::new());
        lines.push(format!("pond {}  {}", pond.id, pond.name));
        lines.push(format!(
            "  {} m2, {} m deep, {} m3",
            pond.area_m2,
            pond.depth_m,
            (pond.area_m2 * pond.depth_m).round()
        ));
        let kw: f64 = pond.aerators.iter().map(|group| group.power_kw).sum();
        let groups: Vec<&str> = pond.aerators.iter().map(|group| group.id.as_str()).collect();
        match groups.as_slice() {
            [] => lines.push("  no aerators".to_owned()),
            _ => lines.push(format!("  aerators {}: {} kW", groups.join(" "), tenths(kw))),
        }
        let [warn, critical, emergency] = pond.limits.do_low_mg_l.map(|threshold| threshold.limit);
        lines.push(format!("  oxygen limits: warn {warn}, critical {critical}, emergency {emergency} mg/L"));
        wrapped(&mut lines, "  probes: ", &described(probes_of(farm, Some(index))));
        lines.extend(shared_quantities(farm, index));
    }
    let shared = described(probes_of(farm, None));
    if !shared.is_empty() {
        lines.push(String::new());
        wrapped(&mut lines, "for all ponds: ", &shared);
    }
    lines.push(String::new());
    for bus in &farm.buses {
        lines.push(format!("bus {}  {}", bus.id, bus.place()));
        lines.push(format!(
            "  {}, {} probes, {:.0} % of the line's time",
            line_settings(bus),
            bus.probes.len(),
            bus_load::share(bus) * 100.0
        ));
    }
    for line in &farm.lines {
        let kind = match line.kind {
            LineKind::Sdi12 => "SDI-12",
            LineKind::Text => "lines of text",
        };
        let parity = match line.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        let setting = format!("{} {}{parity}{}", line.baud, line.data_bits, line.stop_bits);
        lines.push(format!("line {}  {}", line.id, line.place()));
        lines.push(format!("  {kind}, {setting}, {} probes", line.probes.len()));
    }
    for broker in &farm.brokers {
        lines.push(format!(
            "broker {}  {}, {} probes",
            broker.id,
            reached(&broker.address),
            broker.subscriptions.len()
        ));
    }
    for destination in &farm.destinations {
        lines.push(format!("destination {}  {}", destination.id, reached(&destination.address)));
    }
    if let Some(own) = &farm.commands {
        let people: Vec<&str> = own.people.iter().map(|person| person.id.as_str()).collect();
        lines.push(format!("commands  from {} by {}", people.join(", "), own.destination));
    }
    lines.extend(announced(farm));
    lines.join("\n") + "\n"
}

/// How an alarm is heard and seen, and who is called.
fn announced(farm: &Farm) -> Vec<String> {
    let mut lines = vec![String::new()];
    let annunciation = &farm.annunciation;
    for (name, output) in [("horn", &annunciation.horn), ("lamp", &annunciation.lamp)] {
        let Some(Output { label, by }) = output else { continue };
        let by = match by {
            DrivenBy::Relay(relay) => {
                let inverted = if relay.inverted { ", inverted" } else { "" };
                format!("coil {} of relay {} on bus {}{inverted}", relay.coil, relay.unit, relay.bus_id)
            }
            DrivenBy::Gpio(gpio) => {
                let low = if gpio.active_low { ", active low" } else { "" };
                format!("line {} of {}{low}", gpio.line, gpio.chip.display())
            }
            DrivenBy::Command(command) => command.program.display().to_string(),
        };
        let mut items = vec![label.clone(), by];
        if let Some(test) = annunciation.horn_test.filter(|_| name == "horn") {
            let (at, sound) = (test.at.strftime("%H:%M"), humantime::format_duration(test.sound));
            items.push(format!("tested each day at {at} for {sound}"));
        }
        wrapped(&mut lines, &format!("{name}  "), &items);
    }
    if annunciation.horn.is_none() {
        lines.push("no horn: an alarm makes no sound here".to_owned());
    }
    let steps = farm.site.calls.steps.iter().map(|step| {
        let after = pondreeve_core::message::length(step.after);
        let after = if step.after.as_millis() == 0 { "at once".to_owned() } else { format!("after {after}") };
        format!("{} {after}", step.name)
    });
    let mut steps: Vec<String> = steps.collect();
    if steps.is_empty() {
        lines.push("nobody is called".to_owned());
    } else {
        if let Some(every) = farm.site.calls.repeat_every {
            steps.push(format!("then each {}", pondreeve_core::message::length(every)));
        }
        wrapped(&mut lines, "called  ", &steps);
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
fn shared_quantities(farm: &Farm, pond: usize) -> Vec<String> {
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
                vec![format!("{id} the lowest of {all}")]
            } else {
                vec![format!("{id} from {first}"), format!("stand-in {}", rest.join(", "))]
            };
            wrapped(&mut lines, "  several: ", &items);
        }
    }
    lines
}

/// Adds items to `lines`, none wider than 80 columns unless one item alone is.
fn wrapped(lines: &mut Vec<String>, head: &str, items: &[String]) {
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
        line.push_str("none");
    }
    lines.push(line);
}

fn line_settings(bus: &Bus) -> String {
    let parity = match bus.parity {
        Parity::None => 'N',
        Parity::Even => 'E',
        Parity::Odd => 'O',
    };
    let own = format!("{} bits/s {}{parity}{}", bus.baud, bus.data_bits, bus.stop_bits);
    match (bus.framing, &bus.server) {
        (Framing::Tcp, _) => format!("Modbus TCP, {} bits/s behind it", bus.baud),
        (Framing::Rtu, Some(_)) => format!("Modbus RTU, {} bits/s behind it", bus.baud),
        (Framing::Ascii, Some(_)) => format!("Modbus ASCII, {} bits/s behind it", bus.baud),
        (Framing::Ascii, None) => format!("{own} Modbus ASCII"),
        (Framing::Rtu, None) => own,
    }
}

fn reached(address: &BrokerAddress) -> String {
    let tls = if address.tls.is_some() { " with TLS" } else { "" };
    format!("{}:{}{tls}", address.host, address.port)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::{farm_json, problem_json, summary};
    use crate::config;

    fn demo() -> config::Loaded {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/demo/farm.toml");
        config::load_with_warnings(&path).expect("the demo farm is sound")
    }

    #[test]
    fn the_summary_fits_a_terminal_of_80_columns() {
        let text = summary(Path::new("farm.toml"), &demo());
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
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
