//! `pondreeve scan` on lines on which text is spoken, as the simulator serves them: alone, and on loan from the daemon.

use std::fs;
use std::path::Path;
use std::process::Output;
use std::time::Duration;

use pondreeve::config::profile::Profile;
use pondreeve_tests::{Scratch, one_pond, wait_for};
use serde_json::{Value, json};
use sim::pty::Line;
use sim::spoken::Sensor;

use super::bench::project;
use super::scan::{lent, objects, oxygen_at};
use super::spoken::{asked_oxygen, built_in, level_by, listened_weather, sensors};

const SOON: Duration = Duration::from_secs(60);

fn scan(scratch: &Scratch, line: &Path, arguments: &[&str]) -> Output {
    let line = line.to_str().expect("UTF-8");
    scratch.pondreeve(&[&["scan", "--line", line], arguments].concat())
}

fn told(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// A fragment as part of a farm must be sound configuration; what `check` says of its lines.
fn check(scratch: &Scratch, fragment: &str) -> Value {
    let config = scratch.write("with.toml", &one_pond(scratch.folder.path(), "1s", "", fragment));
    let checked = scratch.pondreeve(&["check", "--json", "--config", config.to_str().expect("UTF-8")]);
    let said = told(&checked);
    assert_eq!(checked.status.code(), Some(0), "{said}\n{fragment}");
    let all = objects(&checked);
    all.into_iter().find(|own| own["kind"] == "farm").expect("a farm")
}

#[test]
fn sensors_are_found_measured_and_written_down() {
    let scratch = Scratch::new();
    let device = scratch.path("sdi12");
    let far = Line::open(&device).expect("a pty");
    let _server = sensors(&far, std::sync::Arc::default());
    let found = scratch.path("found.toml");
    let file = found.to_str().expect("UTF-8");
    let output = scan(
        &scratch,
        &device,
        &["--kind", "sdi12", "--addresses", "0-3a", "--pond", "p1", "--write", file, "--json"],
    );
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert!(String::from_utf8_lossy(&output.stderr).contains("address 2 answers"), "{}", told(&output));
    let all = objects(&output);
    let sensors: Vec<&Value> = all.iter().filter(|own| own["kind"] == "sensor").collect();
    assert_eq!(sensors.len(), 2, "{all:#?}");
    let (oxygen, level) = (sensors[0], sensors[1]);
    assert_eq!((&oxygen["address"], &level["address"]), (&json!("1"), &json!("2")));
    assert_eq!(oxygen["identity"], "SIMULATD SENSOR 100");
    // As many values as it announced, three times, in the order in which it has them.
    let first = &oxygen["measurements"][0];
    assert_eq!((&first["command"], &first["announced"]), (&json!("MC"), &json!(2)));
    assert_eq!(first["looks"], json!([[6.42, 28.9], [6.42, 28.9], [6.42, 28.9]]));
    let fits = |sensor: &Value| -> Vec<(String, bool)> {
        let fits = sensor["fits"].as_array().expect("fits").clone();
        let one = |fit: &Value| (fit["profile"].as_str().unwrap().to_owned(), fit["evident"] == true);
        fits.iter().map(one).collect()
    };
    assert!(fits(oxygen).contains(&("sdi12-oxygen".to_owned(), true)), "{oxygen:#}");
    // Of version 1.4: it says itself what its values are.
    assert_eq!(
        first["told"],
        json!([
            { "code": "WO", "unit": "mg/L", "more": ["dissolved oxygen"], "quantity": "do_mg_l" },
            { "code": "TW", "unit": "degrees C", "more": ["water temperature"], "quantity": "temperature_c" },
        ])
    );
    assert_eq!(fits(level), [("sdi12-level".to_owned(), true)], "{level:#}");
    let depth = &level["fits"][0]["values"][0];
    assert_eq!((&depth["channel"], &depth["values"][0]), (&json!("depth_m"), &json!(1.25)));

    let fragment = fs::read_to_string(&found).expect("written");
    let farm = check(&scratch, &fragment);
    assert_eq!(farm["lines"][0]["probes"], 2, "{farm:#}\n{fragment}");
    // Without a profile that fits, nothing is guessed: a draft with the values, for a person.
    let shipped = fs::read_to_string(project("config/probes/sdi12-level.toml")).expect("shipped");
    let far_off = scratch.write("far-off.toml", &shipped.replace("position = 1", "position = 5"));
    let draft = scratch.path("draft.toml");
    let output = scan(
        &scratch,
        &device,
        &[
            "--kind",
            "sdi12",
            "--addresses",
            "1",
            "--profile",
            far_off.to_str().expect("UTF-8"),
            "--write",
            draft.to_str().expect("UTF-8"),
        ],
    );
    let said = told(&output);
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(said.contains("aMC! (with checksums) announces 2 values after 0 s"), "{said}");
    let lines = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(lines.lines().all(|line| line.chars().count() <= 80), "{lines}");
    let draft = fs::read_to_string(&draft).expect("written");
    assert!(
        draft.contains("value 2 read 28.9; the sensor calls it TW, degrees C, water temperature"),
        "{draft}"
    );
    assert!(said.contains("value 1 is WO, mg/L, dissolved oxygen: do_mg_l"), "{said}");
    // Nothing is left to be said, so it is a profile as it stands.
    let own = scratch.write("own.toml", &filled_in(&draft, "sensor-1", &[]));
    let own = own.to_str().expect("UTF-8");
    let asked = ["--kind", "sdi12", "--addresses", "1", "--json", "--profile"];
    let output = scan(&scratch, &device, &[&asked[..], &[own]].concat());
    assert_eq!(objects(&output)[0]["fits"][0]["evident"], true, "{draft}\n{}", told(&output));
    // A profile that takes the values the other way round is told so, although both numbers could be either.
    let shipped = fs::read_to_string(project("config/probes/sdi12-oxygen.toml")).expect("shipped");
    let turned = shipped.replace("position = 1", "position = 0").replace("position = 2", "position = 1");
    let turned = scratch.write("turned.toml", &turned.replace("position = 0", "position = 2"));
    let output = scan(&scratch, &device, &[&asked[..], &[turned.to_str().expect("UTF-8")]].concat());
    let found = objects(&output).swap_remove(0);
    let why = found["others"][0]["why_not"].as_str().unwrap_or_default();
    assert!(why.contains("value 2 is TW, degrees C, water temperature, not do_mg_l"), "{found:#}");
    assert!(draft.lines().all(|line| line.is_empty() || line.starts_with('#')), "all in remarks: {draft}");
    check(&scratch, &draft);
}

/// A draft in a fragment, without its marks and with what only a person knows filled in, under a file name of its own.
fn filled_in(fragment: &str, id: &str, quantities: &[(&str, &str)]) -> String {
    let draft = fragment.lines().filter_map(|line| line.strip_prefix("#   "));
    let from = draft.skip_while(|line| *line != format!("id = \"{id}\""));
    let own = from.enumerate().take_while(|(place, line)| *place == 0 || !line.starts_with("id = "));
    let text = own.fold(String::new(), |all, (_, line)| all + line + "\n");
    quantities.iter().fold(text, |text, (channel, unit)| {
        text.replacen("SAY-WHICH-QUANTITY", channel, 1).replacen("SAY-WHICH-UNIT", unit, 1)
    })
}

/// A sensor whose values are spread over several measurements: oxygen and temperature by `aM!`, depth by `aM1!`, and more
/// than `aM3!` can announce, so that the eleven of them come by `aC3!`.
#[test]
fn a_sensor_with_further_measurements_is_shown_whole() {
    let scratch = Scratch::new();
    let device = scratch.path("sdi12");
    let far = Line::open(&device).expect("a pty");
    let built_in = |name| match built_in(name) {
        Profile::Sensor(map) => map,
        other => panic!("{other:?}"),
    };
    let (oxygen, depth) = (built_in("sdi12-oxygen"), level_by("measurement = \"M\"\nnumber = 1"));
    let mut many = (*level_by("measurement = \"M\"\nnumber = 3")).clone();
    let (_, plain) = many.values.remove(0);
    many.values = (1..=11).map(|position| (position, plain.clone())).collect();
    let many = std::sync::Arc::new(many);
    let _server = sim::spoken::sdi12(&far, move |address| {
        let metres = (1..=11).map(f64::from).collect();
        let further = vec![(depth.clone(), vec![1.25]), (many.clone(), metres)];
        let sensor =
            Sensor { map: oxygen.clone(), values: vec![6.42, 28.9], further, takes_s: 0, fault: None };
        (address == b'4').then_some(sensor)
    })
    .expect("a line");
    let asked = ["--kind", "sdi12", "--addresses", "3-5", "--json"];
    // By itself only what it says it has: some sensors take such a command for a calibration.
    let output = scan(&scratch, &device, &asked);
    let all = objects(&output);
    let not_made = all[0]["not_made"].as_array().expect("a list");
    let each: Vec<_> =
        not_made.iter().map(|own| (own["command"].as_str(), own["announced"].as_u64())).collect();
    assert_eq!(each, [(Some("M1"), Some(1)), (Some("M3"), Some(9))]);
    // What they would give is told without making them.
    assert_eq!(
        not_made[0]["told"],
        json!([{ "code": "HG", "unit": "CM", "more": ["depth of water"], "quantity": null }])
    );
    let commands = |sensor: &Value| -> Vec<(String, Value)> {
        let all = sensor["measurements"].as_array().expect("measurements").iter();
        all.map(|own| (own["command"].as_str().expect("a command").to_owned(), own["looks"][0].clone()))
            .collect()
    };
    assert!(commands(&all[0]).iter().all(|(command, _)| !command.contains(|own: char| own.is_ascii_digit())));

    let found = scratch.path("found.toml");
    let more = ["--further", "--pond", "p1", "--write", found.to_str().expect("UTF-8")];
    let output = scan(&scratch, &device, &[&asked[..], &more[..]].concat());
    let all = objects(&output);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let read = commands(&all[0]);
    let of = |command: &str| read.iter().find(|(own, _)| own == command).map(|(_, first)| first.clone());
    assert_eq!(of("MC"), Some(json!([6.42, 28.9])), "{read:?}");
    assert_eq!(of("MC1"), Some(json!([125.0])));
    assert_eq!(of("CC3"), Some(json!((1..=11).map(|own| f64::from(own) * 100.0).collect::<Vec<_>>())));
    assert_eq!(all[0]["fits"][0]["profile"], "sdi12-oxygen", "{:#}", all[0]["fits"]);
    let output = scan(&scratch, &device, &["--kind", "sdi12", "--addresses", "4", "--further"]);
    let said = told(&output);
    assert!(said.contains("aMC1! (with checksums) announces 1 value after 0 s: 125"), "{said}");
    let lines = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(lines.lines().all(|line| line.chars().count() <= 80), "{lines}");

    // What is evident stands there, the rest as drafts; once a person has said what it is, the daemon reads all of it.
    let fragment = fs::read_to_string(&found).expect("written");
    check(&scratch, &fragment);
    fs::create_dir_all(scratch.path("probes")).expect("a folder");
    let m1 = filled_in(&fragment, "sensor-4-m1", &[("depth_m", "cm")]);
    assert!(m1.contains("measurement = \"M\"\nnumber = 1\n"), "{m1}\n{fragment}");
    scratch.write("probes/sensor-4-m1.toml", &m1);
    let m3 = filled_in(&fragment, "sensor-4-m3", &[]);
    assert!(m3.contains("measurement = \"C\"\nnumber = 3\n") && m3.contains("position = 11"), "{m3}");
    let probe = "\n[[line.probe]]\nid = \"depth\"\npond = \"p1\"\naddress = \"4\"\nprofile = \"sensor-4-m1\"\n\
                 poll_every = \"1s\"\ntimeout = \"300ms\"\n";
    let whole = fragment.replace("poll_every = \"1m\"", "poll_every = \"2s\"") + probe;
    scratch.write("farm.toml", &one_pond(scratch.folder.path(), "1s", "", &whole));
    let _daemon = scratch.run_daemon();
    let reading = |quantity: &str| -> Option<f64> {
        let status = scratch.json(&["status"]);
        let readings = status.first()?["ponds"][0]["readings"].as_array()?.clone();
        readings.iter().find(|own| own["quantity"] == quantity)?["value"].as_f64()
    };
    wait_for("both measurements", SOON, || (reading("do_mg_l")?, reading("depth_m")?).into());
    assert_eq!((reading("do_mg_l"), reading("depth_m")), (Some(6.42), Some(1.25)));
    for wrong in [&["--kind", "text", "--further"][..], &["--kind", "modbus", "--further"]] {
        let output = scan(&scratch, &device, wrong);
        assert_eq!(output.status.code(), Some(2), "{wrong:?}: {}", told(&output));
    }
}

#[test]
fn lines_of_text_are_shown_and_known_by_their_pattern() {
    let scratch = Scratch::new();
    let (asked, listened) = (scratch.path("asked"), scratch.path("listened"));
    let far = (Line::open(&asked).expect("a pty"), Line::open(&listened).expect("a pty"));
    let _servers = (asked_oxygen(&far.0, || None), listened_weather(&far.1));
    let text = |line: &Path, more: &[&str]| {
        scan(&scratch, line, &[&["--kind", "text", "--listen", "2s"], more].concat())
    };
    let output = text(&listened, &["--json"]);
    let all = objects(&output);
    assert_eq!((&all[0]["kind"], &all[0]["asked"]), (&json!("lines"), &Value::Null), "{}", told(&output));
    assert_eq!(all[0]["end"], "\\r\\n");
    let line = all[0]["lines"][0].as_str().expect("a line");
    assert!(line.starts_with("$WX,1011.3,1450*"), "{line}");
    assert!(String::from_utf8_lossy(&output.stderr).contains(&format!("< {line}")), "{}", told(&output));
    assert_eq!(
        (&all[0]["fits"][0]["profile"], &all[0]["fits"][0]["evident"]),
        (&json!("text-weather"), &json!(true))
    );

    let found = scratch.path("found.toml");
    let output = text(&asked, &["--pond", "p1", "--write", found.to_str().expect("UTF-8"), "--json"]);
    let all = objects(&output);
    assert_eq!(
        (&all[0]["asked"], &all[0]["lines"][0]),
        (&json!("R\\r"), &json!("OX 6.42 mg/L 28.9 C")),
        "{all:#?}"
    );
    let fragment = fs::read_to_string(&found).expect("written");
    assert_eq!(check(&scratch, &fragment)["lines"][0]["probes"], 1, "{fragment}");

    // A line that no profile knows: a draft that reads it, once a person has said what the numbers are.
    let draft = scratch.path("draft.toml");
    let output = text(&listened, &["--profile", "text-oxygen", "--write", draft.to_str().expect("UTF-8")]);
    let said = told(&output);
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(
        said.contains("  < $WX,1011.3,1450*") && said.contains("no profile that was tried fits"),
        "{said}"
    );
    let draft = fs::read_to_string(&draft).expect("written");
    let profile: String = draft
        .lines()
        .filter_map(|line| line.strip_prefix("#   "))
        .filter(|line| !line.starts_with('$'))
        .fold(String::new(), |all, line| all + line + "\n");
    let filled = profile
        .replacen("SAY-WHICH-QUANTITY", "pressure_hpa", 1)
        .replacen("SAY-WHICH-UNIT", "hPa", 1)
        .replacen("SAY-WHICH-QUANTITY", "par_umol_m2_s", 1)
        .replacen("SAY-WHICH-UNIT", "umol/m2/s", 1);
    let own = scratch.write("own.toml", &filled);
    let output = text(&listened, &["--profile", own.to_str().expect("UTF-8"), "--json"]);
    let all = objects(&output);
    assert_eq!(all[0]["fits"][0]["values"][0]["values"][0], json!(1_011.3), "{filled}\n{}", told(&output));

    // Nobody speaks and nobody is asked.
    let output = text(&asked, &["--profile", "text-weather", "--speeds", "9600"]);
    assert_eq!(output.status.code(), Some(1), "{}", told(&output));
    for wrong in [
        &["--kind", "text", "--addresses", "1"][..],
        &["--kind", "text", "--profile", "optical-oxygen"],
        &["--kind", "sdi12", "--addresses", "0-"],
        &["--kind", "sdi12", "--profile", "text-oxygen"],
        &["--kind", "modbus", "--profile", "sdi12-oxygen"],
    ] {
        let output = scan(&scratch, &asked, wrong);
        assert_eq!(output.status.code(), Some(2), "{wrong:?}: {}", told(&output));
    }
}

#[test]
fn the_daemon_lends_lines_of_text_too() {
    let scratch = Scratch::new();
    let (sdi12, listened) = (scratch.path("near"), scratch.path("listened"));
    let far = (Line::open(&sdi12).expect("a pty"), Line::open(&listened).expect("a pty"));
    let _servers = (sensors(&far.0, std::sync::Arc::default()), listened_weather(&far.1));
    let lines = format!(
        "[[line]]\nid = \"line\"\nkind = \"sdi12\"\ndevice = \"{}\"\n[[line.probe]]\nid = \"p1-oxygen\"\npond = \"p1\"\n\
         address = \"1\"\nprofile = \"sdi12-oxygen\"\npoll_every = \"2s\"\ntimeout = \"200ms\"\n\
         [[line]]\nid = \"mast\"\nkind = \"text\"\ndevice = \"{}\"\n[[line.probe]]\nid = \"mast\"\n\
         profile = \"text-weather\"\npoll_every = \"2m\"\n",
        sdi12.display(),
        listened.display()
    );
    scratch.write("farm.toml", &one_pond(scratch.folder.path(), "1s", "", &lines));
    let _daemon = scratch.run_daemon();
    wait_for("the first reading", SOON, || oxygen_at(&scratch));
    let before = oxygen_at(&scratch);
    // What is spoken on it is known from the configuration.
    let found = scratch.path("found.toml");
    let output =
        scan(&scratch, &sdi12, &["--addresses", "1-2", "--write", found.to_str().expect("UTF-8"), "--json"]);
    let all = objects(&output);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert_eq!((&all[0]["configured_as"][0], &all[1]["address"]), (&json!("p1-oxygen"), &json!("2")));
    assert_eq!(all.last().expect("an end")["line"], "line");
    let fragment = fs::read_to_string(&found).expect("written");
    assert!(!fragment.contains("[[line]]\n") && fragment.contains("address = \"2\""), "{fragment}");
    wait_for("the daemon to poll again", SOON, || {
        (oxygen_at(&scratch) > before && !lent(&scratch)).then_some(())
    });
    // A mast that is listened to for minutes is lent at once all the same.
    let began = std::time::Instant::now();
    let output = scan(&scratch, &listened, &["--json"]);
    let all = objects(&output);
    assert_eq!(all[0]["configured_as"][0], "mast", "{}", told(&output));
    assert!(began.elapsed() < Duration::from_secs(20), "{:?}", began.elapsed());
    let other = scan(&scratch, &listened, &["--kind", "modbus"]);
    assert_eq!(other.status.code(), Some(2), "{}", told(&other));
}
