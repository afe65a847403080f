//! Bad configurations and what a person reads about them; files of the repository that must load.

use std::path::{Path, PathBuf};
use std::time::Duration;

use pondreeve_core::Span;
use pondreeve_core::site::Limits;
use proptest::prelude::*;

use super::reader::FromTable;
use super::{Loaded, Style, from_text, raw};

mod annunciation;
mod lines;
mod metrics;
mod nesting;
mod texts;

fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// The smallest farm that has everything once.
const SMALL: &str = r#"
[farm]
name = "Test"
gateway = "test"
time_zone = "-05:00"
latitude = -3.0
longitude = -80.0

[store]
path = "store"

[local]
socket = "pondreeve.sock"

[[pond]]
id = "p1"
name = "One"
species = "vannamei"
stage = "grow-out"
area_m2 = 5000
depth_m = 1.5
salinity_psu = 18
aerator = [{ id = "a", power_kw = 4.5, sae_kg_kwh = 1.2 }]

[[bus]]
id = "line"
device = "/dev/ttyS1"

[[bus.probe]]
id = "p1-oxygen"
pond = "p1"
address = 11
profile = "optical-oxygen"
poll_every = "1m"

[[broker]]
id = "here"
host = "localhost"
port = 1883

[[broker.probe]]
id = "p1-node"
pond = "p1"
topic = "farm/p1"
sends_every = "5m"
value = [{ quantity = "ph", json = "/ph" }]
"#;

/// The small farm with some of its text changed; each change must hit.
fn changed(changes: &[(&str, &str)]) -> String {
    let mut text = SMALL.to_owned();
    for (old, new) in changes {
        assert!(text.contains(old), "{old}");
        text = text.replacen(old, new, 1);
    }
    text
}

/// What a person reads about a configuration in a folder that has nothing beside it.
fn told(text: &str) -> String {
    match from_text(Path::new("/nowhere/farm.toml"), text) {
        Ok(loaded) => format!("sound\n{}", loaded.warnings.render(Style::Plain)),
        Err(error) => error.render(Style::Plain),
    }
}

/// Compares with the text kept in `snapshots/`.
fn snapshot(name: &str, told: &str) {
    insta::with_settings!({ omit_expression => true, prepend_module_to_snapshot => false }, {
        insta::assert_snapshot!(name, told);
    });
}

/// One snapshot: the changed lines, then what is told.
macro_rules! tells {
    ($name:ident: $($old:expr => $new:expr),* $(,)?) => {
        #[test]
        fn $name() {
            snapshot(stringify!($name), &told(&changed(&[$(($old, $new)),*])));
        }
    };
}

#[test]
fn the_small_farm_is_sound() {
    assert_eq!(told(SMALL), "sound\n");
}

/// What a farm is that says no more than it must.
#[test]
fn defaults_are_the_documented_ones() {
    let farm = from_text(Path::new("/etc/p/farm.toml"), SMALL).expect("sound").farm;
    assert_eq!(farm.store.path, Path::new("/etc/p/store"));
    assert_eq!(farm.store.durable_within, Duration::from_secs(5));
    assert_eq!((farm.local.mode, farm.local.group), (0o660, None));
    assert_eq!(farm.site.summary_every, Span::from_minutes(15));
    assert_eq!(farm.site.pressure_hpa, 1013.25);
    assert_eq!(farm.site.ponds[0].limits, Limits::grow_out());
    let bus = &farm.buses[0];
    assert_eq!(
        (bus.baud, bus.data_bits, bus.parity, bus.stop_bits),
        (9_600, 8, super::farm::Parity::None, 1)
    );
    let probe = &bus.probes[0];
    assert_eq!((probe.unit, probe.timeout, probe.retries), (11, Duration::from_millis(500), 2));
    assert_eq!(probe.poll_every, Span::from_minutes(1));
    let broker = &farm.brokers[0];
    assert_eq!(broker.address.client_id, "pondreeve-test-here-in");
    assert_eq!((broker.max_payload_bytes, broker.address.keep_alive), (16_384, Duration::from_secs(30)));
    let subscription = &broker.subscriptions[0];
    assert_eq!((subscription.qos, subscription.max_ahead), (1, Duration::from_secs(300)));
    // A probe that sends each 5 minutes is not stale after the 10 minutes of one that is polled each minute,
    // nor missing between two messages.
    let quality = farm.site.probes[1].channels[0].quality;
    assert!(quality.stale_after > Span::from_minutes(5) && quality.missing_after > quality.stale_after);
}

/// 212 °F is 100 °C and 32 °F is 0 °C; a level of 121 cm is 1.21 m.
#[test]
fn units_are_converted_after_the_scale() {
    let text = changed(&[(
        "{ quantity = \"ph\", json = \"/ph\" }",
        "{ quantity = \"temperature_c\", json = \"/t\", unit = \"degF\", scale = 0.1, offset = 1 }, \
         { quantity = \"depth_m\", json = \"/l\", unit = \"cm\" }",
    )]);
    let farm = from_text(Path::new("/nowhere/farm.toml"), text).expect("sound").farm;
    let picks = &farm.brokers[0].subscriptions[0].picks;
    for (pick, number, value) in [(0, 2_110.0, 100.0), (0, 310.0, 0.0), (1, 121.0, 1.21)] {
        let found = number * picks[pick].scale + picks[pick].offset;
        assert!((found - value).abs() < 1e-9, "{number}: {found}");
    }
}

tells! { compensation_where_there_is_none:
    "pond = \"p1\"\naddress" => "address",
    "profile = \"optical-oxygen\"\n" => "profile = \"optical-oxygen\"\ncalibration.do_mg_l = { probe_salinity_psu = 0 }\ncalibration.temperature_c = { probe_pressure_hpa = 1013 }\n",
}
tells! { salt_that_nobody_measures:
    "profile = \"optical-oxygen\"\n" => "profile = \"optical-oxygen\"\ncalibration.do_mg_l = { probe_salinity_psu = 0 }\n"
}
tells!(malformed_lines: "latitude = -3.0" => "latitude = = -3.0\n[unclosed");
tells!(unknown_keys_get_a_guess: "latitude" => "lattitude", "[store]" => "[stores]", "depth_m" => "depth");
tells!(wrong_types: "name = \"Test\"" => "name = 7", "area_m2 = 5000" => "area_m2 = \"5000\"",
    "poll_every = \"1m\"" => "poll_every = 60", "[store]\npath" => "[[store]]\npath", "[[pond]]" => "[pond]");
tells!(out_of_range: "latitude = -3.0" => "latitude = 91", "depth_m = 1.5" => "depth_m = nan", "address = 11" => "address = 248",
    "path = \"store\"" => "path = \"store\"\ndurable_within = \"10ms\"", "salinity_psu = 18" => "salinity_psu = -inf",
    "area_m2 = 5000" => "area_m2 = 1e999");
tells!(several_kinds_at_once: "gateway = \"test\"" => "gateway = \"Test Farm\"", "pond = \"p1\"\naddress" => "pond = \"p2\"\naddress",
    "profile = \"optical-oxygen\"" => "profile = \"optical-oxigen\"", "topic = \"farm/p1\"" => "topic = \"farm/#/p1\"",
    "stage = \"grow-out\"" => "stage = \"growout\"", "json = \"/ph\"" => "json = \"ph\"");
tells!(missing_keys: "name = \"One\"\n" => "", "[local]\nsocket = \"pondreeve.sock\"\n" => "", "poll_every = \"1m\"\n" => "");
tells!(an_empty_farm: "[[pond]]\nid = \"p1\"\nname = \"One\"\nspecies = \"vannamei\"\nstage = \"grow-out\"\narea_m2 = 5000\ndepth_m = 1.5\nsalinity_psu = 18\naerator = [{ id = \"a\", power_kw = 4.5, sae_kg_kwh = 1.2 }]" => "",
    "\n[farm]" => "pond = []\n[farm]");
tells!(a_longitude_with_the_wrong_sign: "longitude = -80.0" => "longitude = 80.0");
tells!(an_unknown_time_zone: "time_zone = \"-05:00\"" => "time_zone = \"Mars/Olympus\"");
tells!(a_password_in_the_file: "port = 1883" => "port = 1883\nusername = \"u\"\npassword = \"hunter2\"");
tells!(credentials_by_halves: "port = 1883" => "port = 1883\npassword_file = \"secret\"\nclient_key_file = \"key.pem\"");
tells!(one_address_twice: "poll_every = \"1m\"" => "poll_every = \"1m\"\n[[bus.probe]]\nid = \"p1-other\"\npond = \"p1\"\naddress = 11\nprofile = \"optical-oxygen\"\npoll_every = \"1m\"");
tells!(ids_used_twice: "[[bus]]" => "[[pond]]\nid = \"p1\"\nname = \"One\"\nspecies = \"monodon\"\nstage = \"grow-out\"\narea_m2 = 1\ndepth_m = 1\nsalinity_psu = 1\n[[bus]]",
    "id = \"p1-node\"" => "id = \"p1-oxygen\"", "aerator = [" => "aerator = [{ id = \"a\", power_kw = 1, sae_kg_kwh = 1 }, ");
tells!(limits_out_of_order: "[[bus]]" => "[pond.limits]\ndo_low_mg_l.critical.limit = 4.5\nph_high.warn.limit = 9.5\ndo_blind.critical_after = \"5m\"\n[[bus]]");
tells!(oxygen_limits_cannot_be_switched_off: "[[bus]]" => "[pond.limits.do_low_mg_l]\nenabled = false\nemergency.limit = 0\n[[bus]]");
tells!(laxer_oxygen_limits_are_never_silent: "[[bus]]" => "[pond.limits.do_low_mg_l]\nwarn.limit = 3.5\nemergency.on_delay = \"10m\"\n[[bus]]");
tells!(a_poll_shorter_than_its_timeouts: "poll_every = \"1m\"" => "poll_every = \"3s\"\ntimeout = \"2s\"\nretries = 2");
#[test]
fn more_polls_than_the_line_carries() {
    let probes: String = (21..26)
        .map(|address| {
            format!(
                "\n[[bus.probe]]\nid = \"ph-{address}\"\npond = \"p1\"\naddress = {address}\nprofile = \"glass-ph\"\n\
                 poll_every = \"1s\"\ntimeout = \"50ms\"\nretries = 1\n"
            )
        })
        .collect();
    let with = |baud: &str| {
        let device = "device = \"/dev/ttyS1\"";
        let probes = format!("{probes}\n[[broker]]");
        told(&changed(&[(device, &format!("{device}\nbaud = {baud}")), ("\n[[broker]]", &probes)]))
    };
    snapshot("more_polls_than_the_line_carries", &[with("1200"), with("1800"), with("9600")].join("\n"));
}

tells!(oxygen_reported_too_seldom: "poll_every = \"1m\"" => "poll_every = \"15m\"");
tells!(oxygen_that_may_not_miss_once: "poll_every = \"1m\"" => "poll_every = \"6m\"");
tells!(one_number_read_into_two_ponds: "[[bus]]" => "[[pond]]\nid = \"p2\"\nname = \"Two\"\nspecies = \"monodon\"\nstage = \"grow-out\"\narea_m2 = 1\ndepth_m = 1\nsalinity_psu = 1\n[[bus]]",
    "[[broker.probe]]" => "[[broker.probe]]\nid = \"p2-node\"\npond = \"p2\"\ntopic = \"farm/p1\"\nsends_every = \"5m\"\nvalue = [{ quantity = \"ph\", json = \"/ph\" }]\n[[broker.probe]]");
tells!(aerators_that_do_not_fit: "poll_every = \"1m\"" => "poll_every = \"1m\"\naerator = \"a\"\n[[bus.probe]]\nid = \"motor\"\npond = \"p1\"\naddress = 51\nprofile = \"motor-1\"\naerator = \"b\"\npoll_every = \"1m\"\n[[bus.probe]]\nid = \"motor-2\"\npond = \"p1\"\naddress = 52\nprofile = \"motor-1\"\npoll_every = \"1m\"");
tells!(timers_that_are_none: "aerator = [{ id = \"a\", power_kw = 4.5, sae_kg_kwh = 1.2 }]" => "aerator = [{ id = \"a\", power_kw = 4.5, sae_kg_kwh = 1.2, timer = \"21:30\" }, { id = \"b\", power_kw = 1, sae_kg_kwh = 1, timer = \"06:00-06:00\" }, { id = \"c\", power_kw = 1, sae_kg_kwh = 1, timer = \"21:30-25:00\" }]");
tells!(quantities_and_units: "value = [{ quantity = \"ph\", json = \"/ph\" }]" => "value = [{ quantity = \"do\", json = \"/do\" }, { quantity = \"nh3_n_mg_l\" }, { quantity = \"temperature_c\", json = \"/t\", unit = \"mg/L\" }, { quantity = \"ph\", json = \"/a\", senml = \"b\", scale = 0 }]",
    "poll_every = \"1m\"" => "poll_every = \"1m\"\ncalibration.ph = { slope = 1.1 }\nquality.do_mg_l = { fail = [5, 1], stale_after = \"10s\" }");
tells!(lots_that_cannot_be: "[[bus]]" => "[[product]]\nlot = \"A\"\nbasis = \"slurry\"\nsolids_percent = 60\nslurry_density_kg_l = 15.3\n[[product]]\nlot = \"B\"\nbasis = \"solids_mass\"\nsolids_percent = 60\nslurry_density_kg_l = 1.2\n[[product]]\nlot = \"B\"\nbasis = \"slurry_mass\"\nsolids_percent = 60\n[[bus]]");

#[test]
fn a_timer_is_kept_in_universal_time() {
    let with = SMALL.replace("sae_kg_kwh = 1.2 }", "sae_kg_kwh = 1.2, timer = \"21:30-07:45\" }");
    let loaded = from_text(Path::new("farm.toml"), with).unwrap();
    let timer = loaded.farm.site.ponds[0].aerators[0].timer.unwrap();
    // Five hours behind: 02:30 and 12:45.
    assert_eq!((timer.on, timer.off), (Span::from_minutes(150), Span::from_minutes(765)));
}

tells!(a_socket_path_too_long: "socket = \"pondreeve.sock\"" => "socket = \"a-very-long-folder-name-that-nobody-would-type/and-another-one-that-is-also-long/and-yet-one-more-of-them/s\"");
tells!(modes_of_the_socket: "socket = \"pondreeve.sock\"" => "socket = \"pondreeve.sock\"\nmode = \"rw-rw----\"");
tells!(one_client_id_twice: "[[broker.probe]]" => "client_id = \"same\"\n[[broker.probe]]",
    "value = [{ quantity = \"ph\", json = \"/ph\" }]" => "value = [{ quantity = \"ph\", json = \"/ph\" }]\n[[destination]]\nid = \"out\"\nhost = \"localhost\"\nport = 1883\nclient_id = \"same\"");
tells!(credentials_without_a_name: "port = 1883" => "port = 1883\nusername = \"u\"\npassword_file = \"credential:../shadow\"");
tells!(hosts_with_more_than_a_host: "host = \"localhost\"" => "host = \"mqtt://localhost:1883\"");
tells!(warnings_do_not_stop: "host = \"localhost\"" => "host = \"broker.example\"\nusername = \"u\"\npassword_file = \"missing\"",
    "topic = \"farm/p1\"" => "topic = \"farm/+\"", "profile = \"optical-oxygen\"" => "profile = \"glass-ph\"",
    "depth_m = 1.5" => "depth_m = 1.5\ndose_ppm = 8",
    "quantity = \"ph\", json = \"/ph\"" => "quantity = \"salinity_psu\"");
tells!(odd_keys_and_numbers_are_cut_and_quoted: "depth_m = 1.5" => "depth_m = 1.5\n\"\\u001b[2J\" = 1", "area_m2 = 5000" => "area_m2 = 111111111111111111111111111111111111111111111111111111111111111111111111111111111111111111111111");
tells!(control_characters_are_shown_not_sent: "id = \"p1\"" => "id = \"p1\\u001b[2J\"");

#[test]
fn files_that_cannot_be_read_at_all() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let tell = |path: &Path| {
        let told = super::load_with_warnings(path).expect_err("unreadable").render(Style::Plain);
        told.replace(&folder.path().display().to_string(), "FOLDER")
    };
    let latin = folder.path().join("latin.toml");
    std::fs::write(&latin, b"[farm]\nname = \"R\xedo\"\n").expect("written");
    let huge = folder.path().join("huge.toml");
    std::fs::write(&huge, vec![b'#'; super::files::LARGEST_BYTES as usize + 1]).expect("written");
    let all = [tell(&folder.path().join("missing.toml")), tell(folder.path()), tell(&latin), tell(&huge)]
        .join("\n");
    snapshot("files_that_cannot_be_read_at_all", &all);
}

#[test]
fn files_beside_the_configuration_come_before_built_in_ones() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let path = folder.path().join("farm.toml");
    std::fs::create_dir(folder.path().join("limits")).expect("folder");
    std::fs::create_dir(folder.path().join("probes")).expect("folder");
    let own = super::builtin::limits("vannamei-grow-out").expect("built in").replacen(
        "limit = 4.0",
        "limit = 5.0",
        1,
    );
    std::fs::write(folder.path().join("limits/vannamei-grow-out.toml"), own).expect("written");
    let loaded = from_text(&path, SMALL).expect("sound");
    assert_eq!(loaded.farm.site.ponds[0].limits.do_low_mg_l[0].limit, 5.0);
    assert_eq!(loaded.farm.store.path, folder.path().join("store"));

    // Problems of files beside it are told together with its own.
    std::fs::write(
        folder.path().join("probes/optical-oxygen.toml"),
        "id = \"optical-oxygen\"\ndescription = 5\n",
    )
    .expect("written");
    let wrong = super::builtin::limits("vannamei-grow-out")
        .expect("built in")
        .replacen("limit = 4.0", "limit = \"4\"", 1)
        .replacen("source = ", "# ", 2);
    std::fs::write(folder.path().join("limits/vannamei-grow-out.toml"), wrong).expect("written");
    let told = from_text(&path, changed(&[("depth_m = 1.5", "depth_m = 0")]))
        .expect_err("problems")
        .render(Style::Plain);
    snapshot("files_beside_the_configuration", &told.replace(&folder.path().display().to_string(), "FOLDER"));
}

/// The defaults of the program and the files of limits must not drift apart.
#[test]
fn files_of_limits_say_what_the_core_says() {
    for (name, text) in super::builtin::LIMITS.iter() {
        let file = repository().join("config/limits").join(format!("{name}.toml"));
        let (limits, problems) = super::resolve::limits_file(&file, text, name.split_once('-'));
        assert!(problems.is_empty(), "{}", super::Report::new(problems).render(Style::Plain));
        let is_larva = name.ends_with("post-larva");
        let mut core = if is_larva { Limits::post_larvae() } else { Limits::grow_out() };
        if name.starts_with("monodon") {
            core.water = core.water.for_monodon(is_larva);
        }
        let (limits, sources) = limits.expect("limits");
        assert_eq!(limits, core, "{name}");
        for (condition, ..) in pondreeve_core::alarm_set::CONDITIONS {
            if let Some(key) = condition.limit_key() {
                assert!(sources.contains_key(key), "{name}: {key} names no source");
            }
        }
    }
}

#[test]
fn every_file_of_the_repository_is_built_in() {
    for (folder, built_in) in [("limits", &super::builtin::LIMITS), ("probes", &super::builtin::PROFILES)] {
        let mut files = super::files::names_in(&repository().join("config").join(folder));
        files.sort();
        let names: Vec<&str> = built_in.iter().map(|(name, _)| *name).collect();
        assert_eq!(files, names, "config/{folder}");
    }
}

#[test]
fn the_demo_farm_loads_without_a_warning() {
    let loaded = load(&repository().join("config/demo/farm.toml"));
    assert!(loaded.warnings.problems().is_empty(), "{}", loaded.warnings.render(Style::Plain));
    let site = &loaded.farm.site;
    assert_eq!(
        site.ponds.iter().map(|pond| pond.name.as_str()).collect::<Vec<_>>(),
        ["Heron", "Ibis", "Curlew", "Avocet"]
    );
    let units: Vec<u8> =
        loaded.farm.buses.iter().flat_map(|bus| &bus.probes).map(|probe| probe.unit).collect();
    assert_eq!(units, [11, 12, 13, 21, 22, 23, 40, 51, 51, 51, 52, 52, 52, 53, 53, 54, 54]);
}

/// The example's only warnings are about this machine: its files of secrets, its group.
#[test]
fn the_example_loads_and_names_every_key() {
    let loaded = load(&repository().join("config/farm.example.toml"));
    for warning in loaded.warnings.problems() {
        let of_this_machine = warning.path.ends_with("_file")
            || warning.path.ends_with(".program")
            || warning.path == "local.group"
            || warning.path.starts_with("local.limits_by");
        assert!(of_this_machine, "{}", loaded.warnings.render(Style::Plain));
    }
    for key in schema_keys(&super::schema()) {
        assert!(super::builtin::EXAMPLE.contains(&key), "the example does not show `{key}`");
    }
}

/// Written anew where `PONDREEVE_WRITE_SCHEMA` is set.
#[test]
fn the_schema_in_the_repository_is_up_to_date() {
    let path = repository().join("config/farm.schema.json");
    let made = format!("{:#}\n", super::schema());
    if std::env::var_os("PONDREEVE_WRITE_SCHEMA").is_some() {
        std::fs::write(&path, &made).expect("config/farm.schema.json");
    }
    let kept = std::fs::read_to_string(&path).expect("config/farm.schema.json");
    assert!(
        kept == made,
        "write it anew: PONDREEVE_WRITE_SCHEMA=1 cargo test -p pondreeve --lib schema_in_the"
    );
}

#[test]
fn texts_inside_the_program_are_those_of_the_repository() {
    let read = |files: &[&str]| {
        let texts =
            files.iter().map(|file| std::fs::read_to_string(repository().join(file)).expect("a text"));
        texts.collect::<Vec<_>>().join("\n")
    };
    assert!(*super::builtin::SCHEMA == read(&["config/farm.schema.json"]));
    assert!(*super::builtin::EXAMPLE == read(&["config/farm.example.toml"]));
    let texts = "daemon/gateway/src/console/texts";
    let english = ["en", "commands-en", "said-en"].map(|name| format!("{texts}/{name}.ftl"));
    assert!(*crate::texts::ENGLISH == read(&english.each_ref().map(String::as_str)));
}

/// Both come from one declaration; this proves that the declaration reaches both.
#[test]
fn the_schema_and_the_reader_know_the_same_keys() {
    let schema = super::schema();
    let mut compared = 0;
    macro_rules! same {
        ($($table:ident),+) => { $(
            let name = stringify!($table).trim_start_matches("Raw");
            let properties = if name == "Farm" { &schema["properties"] } else { &schema["$defs"][name]["properties"] };
            let mut keys: Vec<&str> = properties.as_object().expect(name).keys().map(String::as_str).collect();
            let mut known = raw::$table::KEYS.to_vec();
            keys.sort_unstable();
            known.sort_unstable();
            assert_eq!(keys, known, "{name}");
            compared += 1;
        )+ };
    }
    same!(
        RawFarm,
        RawAnnunciation,
        RawOutput,
        RawRelay,
        RawGpio,
        RawCommand,
        RawCalls,
        RawCallStep,
        RawFarmTable,
        RawStore,
        RawLocal,
        RawPond,
        RawAerator,
        RawBus,
        RawBusProbe,
        RawLine,
        RawLineProbe,
        RawCalibration,
        RawQuality,
        RawBroker,
        RawTopicProbe,
        RawNode,
        RawTopicValue,
        RawDestination,
        RawCommands,
        RawPerson,
        RawProduct,
        RawOxygenLimit,
        RawPhLimit,
        RawAmmoniaLimit,
        RawOxygenLimits,
        RawPhLimits,
        RawAmmoniaLimits,
        RawForecastLimits,
        RawFallLimit,
        RawBlindLimits,
        RawOxygenHighLimit,
        RawOxygenHighLimits,
        RawPercentLimit,
        RawPercentLimits,
        RawSwingLimit,
        RawSwingLimits,
        RawTemperatureLimit,
        RawTemperatureLimits,
        RawTemperatureChange,
        RawTemperatureChanges,
        RawSalinityLimit,
        RawSalinityLimits,
        RawSalinityChanges,
        RawKitLimit,
        RawKitLimitAlone,
        RawKitLimits,
        RawDiscLimit,
        RawDiscLimits,
        RawSludgePhLimits,
        RawSafe,
        RawMachine,
        RawMetrics,
        RawOutbox,
        RawLimits
    );
    assert_eq!(compared, 1 + schema["$defs"].as_object().expect("definitions").len());
}

fn load(path: &Path) -> Loaded {
    super::load_with_warnings(path).unwrap_or_else(|error| panic!("{}", error.render(Style::Plain)))
}

/// Every property name anywhere in a schema, except the quantity ids.
fn schema_keys(schema: &serde_json::Value) -> Vec<String> {
    let mut keys = Vec::new();
    match schema {
        serde_json::Value::Object(map) => {
            if let Some(serde_json::Value::Object(properties)) = map.get("properties") {
                keys.extend(properties.keys().filter(|key| super::rules::measurable(key).is_none()).cloned());
            }
            keys.extend(map.values().flat_map(schema_keys));
        }
        serde_json::Value::Array(list) => keys.extend(list.iter().flat_map(schema_keys)),
        _ => {}
    }
    keys
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, ..ProptestConfig::default() })]

    #[test]
    fn no_text_makes_the_loader_panic(text in any::<String>()) {
        let _told = told(&text);
    }

    /// Near misses reach deeper than noise: a sound file with a few bytes cut, doubled or replaced.
    #[test]
    fn no_damage_makes_the_loader_panic(
        edits in prop::collection::vec((any::<prop::sample::Index>(), 0usize..40, "[\\[\\]{}=\"',.0-9a-z_\\-\n #\u{0}-\u{1f}é]{0,6}"), 1..4)
    ) {
        let mut text = super::builtin::EXAMPLE.to_owned();
        for (at, length, put) in &edits {
            let mut start = at.index(text.len());
            while !text.is_char_boundary(start) { start -= 1; }
            let mut end = (start + length).min(text.len());
            while !text.is_char_boundary(end) { end += 1; }
            text.replace_range(start..end, put);
        }
        let result = from_text(Path::new("/nowhere/farm.toml"), text);
        // Whatever was found can be told, both ways.
        if let Err(error) = result {
            prop_assert!(!error.report.problems().is_empty());
            prop_assert!(!error.render(Style::Plain).is_empty());
            prop_assert!(!error.render(Style::Drawn).is_empty());
        }
    }

    #[test]
    fn no_bytes_make_the_reading_of_files_panic(bytes in prop::collection::vec(any::<u8>(), 0..512)) {
        let file = tempfile::NamedTempFile::new().expect("temporary file");
        std::fs::write(file.path(), &bytes).expect("written");
        let _told = super::load_with_warnings(file.path()).map_err(|error| error.render(Style::Plain));
    }
}
