//! The whole program at a line of simulated probes: the commissioning sheet, the statistics, a captured line read again.

use std::fs;
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use pondreeve::config::profile::Profile;
use pondreeve_tests::{Scratch, one_pond, program, wait_for};
use sim::pty::Line;
use sim::rtu::{Answer, Part, Server};

use super::spoken::{built_in, sensors};

const SOON: Duration = Duration::from_secs(90);

/// A bus with an oxygen probe, an SDI-12 line with another, and a horn; `keys` are the bus's own, `probes` come after
/// its first.
pub(super) fn farm(scratch: &Scratch, keys: &str, probes: &str) -> String {
    let folder = scratch.folder.path().display();
    let rest = format!(
        r#"
[[bus]]
id = "east"
device = "{folder}/east"
{keys}

[[bus.probe]]
id = "p1-oxygen"
pond = "p1"
address = 11
profile = "optical-oxygen"
poll_every = "2s"
timeout = "300ms"

{probes}

[[line]]
id = "west"
kind = "sdi12"
device = "{folder}/west"

[[line.probe]]
id = "p1-deep"
pond = "p1"
address = "1"
profile = "sdi12-oxygen"
poll_every = "2s"
timeout = "200ms"

[annunciation]
horn_test = "never"
horn = {{ label = "siren", command = {{ program = "{folder}/horn.sh" }} }}
"#
    );
    one_pond(scratch.folder.path(), "1s", "", &rest)
}

const DEAD: &str = r#"
[[bus.probe]]
id = "dead"
pond = "p1"
address = 12
profile = "glass-ph"
poll_every = "2s"
timeout = "100ms"
"#;

#[test]
fn an_installation_is_checked_and_its_lines_are_told() {
    let scratch = Scratch::new();
    let (east, west) = (Line::open(&scratch.path("east")), Line::open(&scratch.path("west")));
    let (east, west) = (east.expect("a pty"), west.expect("a pty"));
    let Profile::Registers(map) = built_in("optical-oxygen") else { panic!("registers") };
    let _bus = Server::start(&east, move |unit| {
        let parts = vec![Part { map: Arc::clone(&map), values: vec![6.42, 28.9] }];
        (unit == 11).then_some(Answer { parts, fault: None })
    })
    .expect("a server");
    let _line = sensors(&west, Arc::new(Mutex::new(None)));
    let horn = scratch.write("horn.sh", "#!/bin/sh\necho \"$@\" >> \"$(dirname \"$0\")/horn.log\"\n");
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o755);
    fs::set_permissions(&horn, mode).expect("executable");
    let capture = format!("capture = \"{}/east.txt\"", scratch.folder.path().display());
    let config = scratch.write("farm.toml", &farm(&scratch, &capture, DEAD));

    // No daemon runs: one is started for the check, and is gone afterwards.
    let page = scratch.path("sheet.html");
    let out = Command::new(program("pondreeve"))
        .args(["commission", "--yes", "--wait", "8s", "--config"])
        .arg(&config)
        .arg("--out")
        .arg(&page)
        .output()
        .expect("pondreeve runs");
    let (text, errors) = (String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
    assert_eq!(out.status.code(), Some(1), "one probe is dead: {text}{errors}");
    for wanted in [
        "[in order] p1-oxygen in p1 (Heron), on east",
        "[NOT IN ORDER] dead in p1",
        "[in order] p1-deep in p1",
        "[in order] bus east",
        "[in order] line west",
        "[not checked] horn",
        "[in order] store",
        "Date and signature",
        "nobody in the pond while aerators are live",
    ] {
        assert!(text.contains(wanted), "{wanted}: {text}{errors}");
    }
    assert!(fs::read_to_string(&page).expect("the sheet").contains("p1-oxygen in p1 (Heron), on east"));
    assert!(std::os::unix::net::UnixStream::connect(scratch.path("sock")).is_err(), "the daemon is gone");
    let sounded = fs::read_to_string(scratch.path("horn.log")).unwrap_or_default();
    assert!(!sounded.contains("on"), "nobody asked for it: {sounded}");

    // With a daemon: what each probe did.
    let _daemon = scratch.run_daemon();
    let devices = wait_for("three good polls of both", SOON, || {
        let status = scratch.json(&["status"]).remove(0);
        let devices = status["devices"].as_array().expect("devices").clone();
        let good = |name: &str| {
            devices.iter().any(|own| own["probe"] == name && own["good_polls"].as_u64() >= Some(3))
        };
        (good("p1-oxygen") && good("p1-deep")).then_some(devices)
    });
    let dead = devices.iter().find(|own| own["probe"] == "dead").expect("dead");
    assert!(dead["time_outs"].as_u64() >= Some(3) && dead["good_polls"] == 0, "{dead}");
    let oxygen = devices.iter().find(|own| own["probe"] == "p1-oxygen").expect("oxygen");
    assert!(oxygen["latency_p95_ms"].as_f64().is_some_and(|ms| ms > 0.0 && ms < 300.0), "{oxygen}");
    let table = String::from_utf8(scratch.pondreeve(&["status", "--probes"]).stdout).expect("UTF-8");
    assert!(table.lines().any(|line| line.starts_with("p1-deep ")), "{table}");

    // What went over the bus, read again with the profile.
    let capture = scratch.path("east.txt").display().to_string();
    let reads = scratch.json(&["frames", &capture, "--profile", "optical-oxygen", "--address", "11"]);
    let good = reads.iter().filter(|own| own["why"].is_null());
    let values: Vec<f64> = good.filter_map(|own| own["values"]["do_mg_l"].as_f64()).collect();
    assert!(values.len() >= 3 && values.iter().all(|value| (value - 6.42).abs() < 1e-6), "{values:?}");
    let out = scratch.pondreeve(&["frames", &capture, "--profile", "sdi12-oxygen"]);
    assert_eq!(out.status.code(), Some(2), "{}", String::from_utf8_lossy(&out.stderr));
}
