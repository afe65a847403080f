//! The configuration as keys and values, and what changed of it from one start to the next.
//!
//! Keys name things by their ids rather than by their places, so that a pond put in between changes nothing else:
//! `ponds.p1.limits.do_low.high`. Values are the resolved ones, in force whatever wrote them: a key left out of the
//! file has its default here, and a program that changes a default shows it.

use std::collections::BTreeMap;

use serde_json::Value;

use super::decoding;
use super::row::hash_of;
use crate::config::Farm;
use crate::config::annunciation::{Command, DrivenBy, Gpio, Relay};
use crate::config::farm::BrokerAddress;
use crate::journal::trail::SettingsBefore;
use crate::journal::{Journal, site_text};
use pondreeve_core::said::said;

/// Keys and values.
pub type Settings = BTreeMap<String, String>;

/// One setting that is not what it was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// Its key.
    pub key: String,
    /// What it was; empty where there was none.
    pub old: String,
    /// What it is; empty where there is none any more.
    pub new: String,
    /// It is a limit of low oxygen, the one that lives hang on.
    pub is_low_oxygen: bool,
}

/// What there is to note of a start.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Beginning {
    /// The trail begins with it, and why.
    pub begins: Option<String>,
    /// The version that ran before, where that is known.
    pub version_before: Option<String>,
    /// Settings that changed since the last start.
    pub changes: Vec<Change>,
    /// The store was made from another one, as `salvage` noted it.
    pub salvaged: Option<String>,
    /// The settings now, as they are kept for the next start.
    pub settings: String,
}

impl Beginning {
    /// By what the journal knows of the last start.
    pub fn of(journal: &Journal, farm: &Farm) -> Self {
        let now = of_farm(farm);
        let before = journal.settings_before();
        let (mut changes, reason) = match &before {
            SettingsBefore::None => (Vec::new(), said!("audit-begins", "a new store")),
            SettingsBefore::Site(text) => {
                let of_core = of_site_text(&site_text(&farm.site));
                (
                    changes(&of_site_text(text), &of_core),
                    said!("audit-begins-new", "what was done before this version is in the journal only"),
                )
            }
            SettingsBefore::Noted(text) => (
                from_text(text).map(|before| changes(&before, &now)).unwrap_or_default(),
                said!("audit-begins-again", "its records are gone"),
            ),
        };
        let begins = (journal.trail().records == 0).then(|| reason.into());
        if begins.is_some() {
            let told = |key: &str| changes.iter().any(|change| change.key == key);
            let limits = low_oxygen(&now).into_iter().filter(|limit| !told(&limit.key)).collect::<Vec<_>>();
            changes.splice(0..0, limits);
        }
        Self {
            begins,
            version_before: journal.last_new("start"),
            changes,
            salvaged: journal.salvaged(),
            settings: to_text(&now),
        }
    }
}

/// The settings of a farm.
pub fn of_farm(farm: &Farm) -> Settings {
    let mut settings = of_site_text(&site_text(&farm.site));
    let mut put = |key: &str, value: String| {
        settings.insert(key.to_owned(), value);
    };
    put("name", farm.name.clone());
    put("time_zone", zone(&farm.time_zone));
    put("store.path", farm.store.path.display().to_string());
    put("store.durable_within_s", farm.store.durable_within.as_secs_f64().to_string());
    put("store.raw_days", farm.store.limits.raw_days.to_string());
    put("store.most_bytes", farm.store.limits.most_bytes.to_string());
    put("store.card_life_bytes", shown(farm.store.limits.card_life_bytes.as_ref()));
    put("store.daily_files", shown(farm.store.daily_files.as_ref().map(|path| path.display()).as_ref()));
    put("local.socket", farm.local.socket.display().to_string());
    put("local.mode", format!("{:o}", farm.local.mode));
    put("local.group", farm.local.group.clone().unwrap_or_default());
    for (act, names) in &farm.local.rights.listed {
        put(&format!("local.{}", act.key()), names.join(", "));
    }
    put("metrics", shown(farm.metrics.as_ref()));
    put("machine.temperature_high_c", farm.machine.temperature_high_c.to_string());
    put("machine.room_low_bytes", farm.machine.room_low_bytes.to_string());
    put("outbox.most_bytes", farm.outbox.most_bytes.to_string());
    put("outbox.thin_after_h", (farm.outbox.thin_after.as_millis() / 3_600_000).to_string());
    let probe_of = |index: usize| farm.site.probes.get(index).map_or("?", |probe| probe.id.as_str());
    for bus in &farm.buses {
        let of = |key: &str| format!("buses.{}.{key}", bus.id);
        put(&of("device"), bus.place());
        if bus.framing != pondreeve_protocol::modbus::Framing::Rtu {
            put(&of("framing"), format!("{:?}", bus.framing));
        }
        let (bits, parity, stop) = (bus.data_bits, bus.parity, bus.stop_bits);
        put(&of("line"), format!("{} {bits} {parity:?} {stop}", bus.baud));
        for probe in &bus.probes {
            let of = |key: &str| of(&format!("{}.{key}", probe_of(usize::from(probe.probe.0))));
            put(&of("unit"), probe.unit.to_string());
            put(&of("registers"), decoding::registers(&probe.map));
            put(&of("poll_every_s"), (probe.poll_every.as_millis() as f64 / 1_000.0).to_string());
        }
    }
    for line in &farm.lines {
        let of = |key: &str| format!("lines.{}.{key}", line.id);
        put(&of("device"), line.place());
        put(&of("kind"), format!("{:?}", line.kind));
        let (bits, parity, stop) = (line.data_bits, line.parity, line.stop_bits);
        put(&of("line"), format!("{} {bits} {parity:?} {stop}", line.baud));
        for probe in &line.probes {
            let of = |key: &str| of(&format!("{}.{key}", probe_of(usize::from(probe.probe.0))));
            put(&of("spoken"), decoding::spoken(&probe.spoken));
            put(&of("poll_every_s"), (probe.poll_every.as_millis() as f64 / 1_000.0).to_string());
        }
    }
    for broker in &farm.brokers {
        let of = |key: &str| format!("brokers.{}.{key}", broker.id);
        reached(&of, &broker.address, &mut put);
        put(&of("max_payload_bytes"), broker.max_payload_bytes.to_string());
        for own in &broker.subscriptions {
            let of = |key: &str| of(&format!("{}{key}", probe_of(usize::from(own.probe.0))));
            put(&of(""), decoding::picks(&own.filter, &own.picks));
            put(&of(".qos"), own.qos.to_string());
            put(&of(".max_ahead_s"), own.max_ahead.as_secs().to_string());
            put(&of(".most_per_minute"), own.most_per_minute.to_string());
        }
    }
    for destination in &farm.destinations {
        let of = |key: &str| format!("destinations.{}.{key}", destination.id);
        reached(&of, &destination.address, &mut put);
        let further = destination.further_hosts.iter().map(|(host, port)| format!("{host}:{port}"));
        put(&of("further_hosts"), further.collect::<Vec<_>>().join(", "));
    }
    if let Some(commands) = &farm.commands {
        put("commands.from", commands.from.id.clone());
        put("commands.window_s", commands.window.as_secs().to_string());
        put("commands.most_per_minute", commands.most_per_minute.to_string());
        for person in &commands.people {
            let may: Vec<&str> = person.may.iter().map(|deed| deed.word()).collect();
            put(&format!("commands.{}.may", person.id), may.join(", "));
        }
    }
    for product in &farm.products {
        let of = |key: &str| format!("products.{}.{key}", product.lot);
        put(&of("basis"), format!("{:?}", product.basis));
        put(&of("solids_percent"), product.solids_percent.to_string());
        put(&of("slurry_density_kg_l"), product.slurry_density_kg_l.to_string());
        put(&of("container_kg"), shown(product.container_kg.as_ref()));
    }
    let heard = &farm.annunciation;
    for (name, output) in [("horn", &heard.horn), ("lamp", &heard.lamp)] {
        put(name, output.as_ref().map(|own| driven(&own.label, &own.by)).unwrap_or_default());
    }
    let test = heard.horn_test.map(|test| format!("{} for {} s", test.at, test.sound.as_secs_f64()));
    put("horn_test", test.unwrap_or_default());
    for (place, command) in heard.call_commands.iter().enumerate() {
        put(&format!("calls.{}.command", place + 1), command.as_ref().map(program).unwrap_or_default());
    }
    settings
}

/// Where a broker is, who says so and whether the way there is closed; of secrets only where they lie.
fn reached(of: &dyn Fn(&str) -> String, address: &BrokerAddress, put: &mut dyn FnMut(&str, String)) {
    put(&of("address"), format!("{}:{}", address.host, address.port));
    put(&of("user"), shown(address.credentials.as_ref().map(|own| &own.0)));
    let tls = address.tls.as_ref().map(|own| {
        let client =
            own.client.as_ref().map(|(certificate, _)| format!(", client {}", certificate.display()));
        format!("ca {}{}", own.ca_file.display(), client.unwrap_or_default())
    });
    put(&of("tls"), tls.unwrap_or_else(|| "none".to_owned()));
}

fn zone(zone: &jiff::tz::TimeZone) -> String {
    let fixed = || zone.to_fixed_offset().map_or_else(|_| "?".to_owned(), |offset| offset.to_string());
    zone.iana_name().map_or_else(fixed, str::to_owned)
}

fn driven(label: &str, by: &DrivenBy) -> String {
    let by = match by {
        DrivenBy::Relay(Relay { bus_id, unit, coil, inverted, .. }) => {
            format!("relay {bus_id} unit {unit} coil {coil}{}", if *inverted { " inverted" } else { "" })
        }
        DrivenBy::Gpio(Gpio { chip, line, active_low }) => {
            format!("{} line {line}{}", chip.display(), if *active_low { " active low" } else { "" })
        }
        DrivenBy::Command(command) => program(command),
    };
    format!("{label}: {by}")
}

/// A program with a mark of its arguments: those may hold what is nobody's business, but a change must show.
fn program(command: &Command) -> String {
    let mark = hash_of(&command.arguments.join("\0")).to_string();
    format!("{} (arguments {})", command.program.display(), &mark[..16])
}

fn shown<T: std::fmt::Display>(value: Option<&T>) -> String {
    value.map(ToString::to_string).unwrap_or_default()
}

/// The settings that a farm's record in the journal holds, all of them the core's.
pub fn of_site_text(text: &str) -> Settings {
    let mut settings = Settings::new();
    if let Ok(mut value) = serde_json::from_str::<Value>(text) {
        name_ponds(&mut value);
        flatten("", &value, &mut settings);
    }
    settings
}

/// Puts ids where the record has places of ponds.
fn name_ponds(site: &mut Value) {
    let ids: Vec<Value> = site
        .get("ponds")
        .and_then(Value::as_array)
        .map(|ponds| ponds.iter().map(|pond| pond.get("id").cloned().unwrap_or_default()).collect())
        .unwrap_or_default();
    for (list, field) in [("probes", "pond"), ("ponds", "like")] {
        let items = site.get_mut(list).and_then(Value::as_array_mut);
        for item in items.into_iter().flatten() {
            let place = item.get(field).and_then(Value::as_u64).and_then(|place| usize::try_from(place).ok());
            if let (Some(id), Some(own)) = (place.and_then(|place| ids.get(place)), item.get_mut(field)) {
                *own = id.clone();
            }
        }
    }
}

/// Limits in a row are named as in the configuration, in the order of urgency.
const URGENCIES: [&str; 3] = ["warn", "critical", "emergency"];

/// Lists are keyed by the ids in them; where there are none, by what is measured, or by place.
fn flatten(key: &str, value: &Value, out: &mut Settings) {
    let below = |name: &str| if key.is_empty() { name.to_owned() } else { format!("{key}.{name}") };
    match value {
        Value::Object(fields) => fields.iter().for_each(|(name, value)| flatten(&below(name), value, out)),
        Value::Array(items) if items.iter().any(Value::is_object) => {
            let mut seen = BTreeMap::<String, usize>::new();
            for (place, item) in items.iter().enumerate() {
                let named = ["id", "quantity"].iter().find_map(|name| item.get(name)?.as_str());
                let of_limit = || URGENCIES.get(place).filter(|_| item.get("limit").is_some()).copied();
                let name = named.or_else(of_limit).map_or_else(|| (place + 1).to_string(), str::to_owned);
                let count = seen.entry(name.clone()).or_default();
                *count += 1;
                let name = if *count > 1 { format!("{name}#{count}") } else { name };
                flatten(&below(&name), item, out);
            }
        }
        Value::Null => {}
        Value::String(text) => {
            out.insert(key.to_owned(), text.clone());
        }
        other => {
            out.insert(key.to_owned(), other.to_string());
        }
    }
}

/// What differs, limits of low oxygen first.
pub fn changes(before: &Settings, now: &Settings) -> Vec<Change> {
    let keys = before.keys().chain(now.keys().filter(|key| !before.contains_key(*key)));
    let mut changes: Vec<Change> = keys
        .filter(|key| before.get(*key) != now.get(*key))
        .map(|key| {
            let value = |settings: &Settings| settings.get(key).cloned().unwrap_or_default();
            Change {
                key: key.clone(),
                old: value(before),
                new: value(now),
                is_low_oxygen: is_low_oxygen(key),
            }
        })
        .collect();
    changes.sort_by(|a, b| (!a.is_low_oxygen, &a.key).cmp(&(!b.is_low_oxygen, &b.key)));
    changes
}

/// The limits of low oxygen that are in force, as they are noted where a trail begins.
pub fn low_oxygen(now: &Settings) -> Vec<Change> {
    let limits = now.iter().filter(|(key, _)| is_low_oxygen(key));
    limits
        .map(|(key, value)| Change {
            key: key.clone(),
            old: String::new(),
            new: value.clone(),
            is_low_oxygen: true,
        })
        .collect()
}

fn is_low_oxygen(key: &str) -> bool {
    ["do_low_mg_l", "do_forecast_mg_l", "do_fall_30min_mg_l"].iter().any(|limit| {
        let below = key.split_once(".limits.").map_or("", |(_, below)| below);
        below.strip_prefix(limit).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
    })
}

/// As it is kept in the journal: JSON.
pub(crate) fn to_text(settings: &Settings) -> String {
    serde_json::to_string(settings).unwrap_or_default()
}

/// The same read back.
pub(crate) fn from_text(text: &str) -> Option<Settings> {
    serde_json::from_str(text).ok()
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::time::Duration;

    use super::*;

    /// What a technician reads: limits by the names of the configuration, things by their ids.
    #[test]
    fn settings_are_named_as_in_the_configuration() {
        let mut farm = crate::engine::tests::farm(Path::new("/var/lib/x"));
        let before = of_farm(&farm);
        assert_eq!(before["ponds.pond.limits.do_low_mg_l.critical.limit"], "3.0");
        assert_eq!(before["probes.recorded.pond"], "pond");
        assert_eq!(from_text(&to_text(&before)), Some(before.clone()));
        assert_eq!(changes(&before, &before), []);
        // A pond put in before the other moves nothing but itself.
        let mut pond = farm.site.ponds[0].clone();
        pond.id = "new".to_owned();
        farm.site.ponds.insert(0, pond);
        farm.site.probes[0].pond = Some(pondreeve_core::site::PondIndex(1));
        let found = changes(&before, &of_farm(&farm));
        assert!(found.iter().all(|change| change.key.starts_with("ponds.new.") && change.old.is_empty()));
        assert!(found[0].is_low_oxygen && found.iter().filter(|change| change.is_low_oxygen).count() > 10);
    }

    /// What decides on who may act, whether a way is closed and what a reading comes to, in the farm of the example.
    #[test]
    fn rights_tls_and_factors_are_settings_too() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/farm.example.toml");
        let text = std::fs::read_to_string(&path).unwrap();
        let mut farm = crate::config::from_text(&path, text).unwrap().farm;
        let before = of_farm(&farm);
        let bus = farm.buses.iter_mut().find(|bus| !bus.probes.is_empty()).unwrap();
        std::sync::Arc::make_mut(&mut bus.probes[0].map).registers[0].scale = 0.1;
        let broker = farm.brokers.iter_mut().find(|broker| !broker.subscriptions.is_empty()).unwrap();
        broker.subscriptions[0].picks[0].offset = 0.5;
        farm.destinations.iter_mut().for_each(|destination| destination.address.tls = None);
        farm.local.rights.listed = vec![(crate::local::rights::Act::Limits, vec!["@advisers".to_owned()])];
        let found = changes(&before, &of_farm(&farm));
        let told: Vec<String> =
            found.iter().map(|own| format!("{}: {} -> {}", own.key, own.old, own.new)).collect();
        let here = concat!(env!("CARGO_MANIFEST_DIR"), "/../../");
        insta::assert_snapshot!(told.join("\n").replace(here, ""));
    }

    #[test]
    fn another_offset_of_the_farms_time_is_a_change() {
        let mut farm = crate::engine::tests::farm(Path::new("/var/lib/x"));
        let mut told = |zone: &str| {
            farm.time_zone = match zone {
                "" => jiff::tz::TimeZone::get("America/Lima").unwrap(),
                hours => jiff::tz::TimeZone::fixed(jiff::tz::offset(hours.parse().unwrap())),
            };
            of_farm(&farm)["time_zone"].clone()
        };
        assert_eq!([told("-5"), told("-6"), told("")], ["-05", "-06", "America/Lima"]);
    }

    /// A secret in the arguments of a call is not written down; that it changed is.
    #[test]
    fn arguments_of_a_call_are_marked_and_not_told() {
        let mut farm = crate::engine::tests::farm(Path::new("/var/lib/x"));
        let command = |token: &str| Command {
            program: "/usr/local/bin/call".into(),
            arguments: vec!["--token".to_owned(), token.to_owned()],
            timeout: Duration::from_secs(5),
        };
        farm.annunciation.call_commands = vec![Some(command("swordfish"))];
        let before = of_farm(&farm);
        farm.annunciation.call_commands = vec![Some(command("marlin"))];
        let after = of_farm(&farm);
        let found = changes(&before, &after);
        assert_eq!(found.iter().map(|change| change.key.as_str()).collect::<Vec<_>>(), ["calls.1.command"]);
        assert!(found[0].new.starts_with("/usr/local/bin/call (arguments "));
        assert!(!to_text(&before).contains("swordfish") && !to_text(&after).contains("marlin"));
    }
}
