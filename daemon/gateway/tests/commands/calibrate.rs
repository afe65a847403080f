//! A probe's service from the command line, across a kill of the daemon.

use std::io::Write as _;
use std::process::Stdio;

use super::daemon::Daemon;
use super::{json_lines, pondreeve, text, told};

fn step(daemon: &Daemon, arguments: &[&str]) -> (i32, String, String) {
    let output = daemon.ask(&[&["calibrate", "--probe", "p1-oxygen"], arguments].concat());
    let (status, message) = told(&output);
    (status, text(&output.stdout), message)
}

/// Fouling of 1.0 mg/L, drift of 0.36: 7.56 mg/L read as 7.20.
#[test]
fn a_service_goes_on_after_a_kill_and_says_what_it_found() {
    let daemon = Daemon::start();
    let (status, out, _) = step(&daemon, &["begin", "--for", "45m"]);
    assert_eq!(status, 0);
    assert!(out.contains("p1-oxygen is out of service since") && out.contains("Next: before"), "{out}");
    assert_eq!(step(&daemon, &["before", "do_mg_l=5.3", "--reading", "4.2"]).0, 0);
    let (status, _, message) = step(&daemon, &["standard", "do_mg_l=7.56", "--reading", "7.2"]);
    assert_eq!(status, 2);
    assert!(message.contains("a dirty probe is not calibrated"), "{message}");

    let daemon = daemon.killed_and_started_again();
    assert_eq!(step(&daemon, &["cleaned"]).0, 0, "the service is still on");
    assert_eq!(step(&daemon, &["after", "do_mg_l=5.3", "--reading", "5.2"]).0, 0);
    let (status, out, _) = step(&daemon, &["standard", "do_mg_l=7.56", "--reading", "7.2"]);
    assert_eq!(status, 0);
    assert!(out.contains("fouling +1.00, drift +0.36"), "{out}");
    let unbroken = out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(unbroken.contains("adopting would make it times 1.050, 0.000 added"), "{out}");
    assert!(out.lines().all(|line| line.chars().count() <= 80), "{out}");
    assert_eq!(step(&daemon, &["adopt"]).0, 0);
    let json = json_lines(&daemon.ask(&["calibrate", "--probe", "p1-oxygen", "show", "--json"]));
    assert_eq!(json[0]["out_of_service"]["adopted"], true);
    let (_, out, _) = step(&daemon, &["end"]);
    assert!(out.contains("p1-oxygen is in service.") && out.contains("adopted: times 1.050"), "{out}");

    let daemon = daemon.killed_and_started_again();
    let json = json_lines(&daemon.ask(&["calibrate", "--probe", "p1-oxygen", "show", "--json"]));
    let channel = &json[0]["channels"][0];
    let near = |value: &serde_json::Value, wanted: f64| (value.as_f64().unwrap() - wanted).abs() < 1e-9;
    assert!(near(&channel["gain"], 1.05) && near(&channel["services"][0]["fouling"], 1.0), "{channel}");
    let status = json_lines(&daemon.ask(&["status", "--json"]));
    assert!(!status.is_empty());
}

#[test]
fn what_cannot_be_done_is_said_with_what_can() {
    let daemon = Daemon::start();
    for (arguments, part) in [
        (&["cleaned"] as &[&str], "begin the service first"),
        (&["begin", "--for", "3days"], "1 min to 24 h is accepted"),
        (&["end"], "nothing to end"),
    ] {
        let (status, _, message) = step(&daemon, arguments);
        assert!(status == 2 && message.contains(part), "{arguments:?}: {status} {message}");
    }
    let output = daemon.ask(&["calibrate", "--probe", "p9", "begin"]);
    let (status, message) = told(&output);
    assert!(status == 2 && message.contains("known are p1-oxygen"), "{message}");
    step(&daemon, &["begin"]);
    step(&daemon, &["cleaned"]);
    let (status, _, message) = step(&daemon, &["standard", "do_mg_l=buffer7", "--reading", "7"]);
    assert!(status == 2 && message.contains("accepted is a number, `air` or `zero`"), "{message}");
    let (status, _, message) = step(&daemon, &["after", "ph=8", "--reading", "8"]);
    assert!(status == 2 && message.contains("it measures do_mg_l"), "{message}");
    // Out of service shows in the alarms and in the status.
    let alarms = text(&daemon.ask(&["alarms"]).stdout);
    assert!(alarms.contains("p1.probe-fault.p1-oxygen"), "{alarms}");
    let status = text(&daemon.ask(&["status"]).stdout);
    assert!(status.contains("Probe p1-oxygen is out of service until"), "{status}");
}

/// A probe without a salt cell is set to its pond's 18 PSU, in air as well: at 30 C and 1011 hPa it must read
/// 6.77 at 20 PSU and 7.15 at 10 (Benson & Krause 1984), so 6.8 to 6.9 here, and not the 7.5 of fresh water.
#[test]
fn in_air_a_probe_is_held_to_the_salinity_it_is_set_to() {
    let daemon = Daemon::start();
    step(&daemon, &["begin"]);
    step(&daemon, &["cleaned"]);
    let air = ["standard", "do_mg_l=air", "--reading", "6.84", "--temperature", "30"];
    assert_eq!(step(&daemon, &air).0, 0);
    let json = json_lines(&daemon.ask(&["calibrate", "--probe", "p1-oxygen", "show", "--json"]));
    let drift = json[0]["out_of_service"]["previews"][0]["drift"].as_f64().unwrap();
    assert!(drift.abs() < 0.06, "{drift}");
}

#[test]
fn in_turn_needs_a_terminal() {
    let mut child = pondreeve()
        .args(["calibrate", "--probe", "p1-oxygen", "--socket", "/nowhere/p.sock"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // It may have ended already.
    let _ = child.stdin.take().unwrap().write_all(b"y\n");
    let output = child.wait_with_output().unwrap();
    let (status, message) = told(&output);
    assert!(status == 2 && message.contains("needs a terminal"), "{message}");
}
