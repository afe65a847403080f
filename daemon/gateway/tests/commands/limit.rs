//! Limits changed while a daemon runs: in force at once, across a kill, in the audit trail, and loud where they
//! are dangerous.

use super::daemon::Daemon;
use super::{json_lines, text, told};

fn change(daemon: &Daemon, arguments: &[&str]) -> (i32, String, String) {
    let output = daemon.ask(&[&["limit", "--pond", "p1"], arguments].concat());
    let (status, message) = told(&output);
    (status, text(&output.stdout), message)
}

fn of(daemon: &Daemon, key: &str) -> serde_json::Value {
    let list = json_lines(&daemon.ask(&["limit", "--pond", "p1", "--json"]));
    list.into_iter().find(|own| own["key"] == key).unwrap()
}

#[test]
fn a_limit_is_changed_with_a_reason_and_stays_so() {
    let daemon = Daemon::start();
    assert_eq!(of(&daemon, "ph_high.warn")["value"], 8.8);
    let (status, out, message) =
        change(&daemon, &["ph_high.warn=8.6", "--reason", "adviser, after the dose"]);
    assert_eq!((status, message.as_str()), (0, ""), "{out}");
    assert!(out.contains("ph_high.warn") && out.contains("CHANGED from 8.8 by"), "{out}");
    assert!(out.lines().all(|line| line.chars().count() <= 80), "{out}");

    let daemon = daemon.killed_and_started_again();
    let now = of(&daemon, "ph_high.warn");
    assert_eq!((now["value"].as_f64(), now["changed"]["configured"].as_f64()), (Some(8.6), Some(8.8)));
    assert_eq!(now["changed"]["reason"], "adviser, after the dose");
    let why = text(&daemon.ask(&["why", "p1.ph-high-warn"]).stdout);
    let why = why.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(why.contains("above 8.6 for") && why.contains("CHANGED to 8.6 by"), "{why}");
    assert!(why.contains("configured from:"), "{why}");
    let status = json_lines(&daemon.ask(&["status", "--json"]));
    assert!(serde_json::to_string(&status).unwrap().contains("\"ph_high.warn\""), "{status:?}");

    let (status, ..) = change(&daemon, &["--back", "ph_high.warn", "--reason", "pH is down again"]);
    assert_eq!(status, 0);
    assert_eq!(of(&daemon, "ph_high.warn")["changed"], serde_json::Value::Null);
    let trail = text(&daemon.ask(&["export", "--audit"]).stdout);
    let kept: Vec<&str> = trail.lines().filter(|line| line.contains("p1/ph_high.warn")).collect();
    assert!(kept[0].contains("\"limit\",\"p1/ph_high.warn\",\"8.8\",\"8.6\",\"adviser, after the dose\""));
    assert!(kept[1].contains("\"8.6\",\"8.8 as configured\",\"pH is down again\""), "{kept:?}");
    let done = text(&daemon.ask(&["record", "list", "--all"]).stdout);
    assert!(done.contains("limit ph_high.warn set to 8.6"), "{done}");
}

#[test]
fn low_oxygen_is_never_switched_off_and_never_lax_silently() {
    let daemon = Daemon::start();
    for (arguments, part) in [
        (
            &["do_low_mg_l.emergency=0.5", "--reason", "quiet"] as &[&str],
            "switch the alarm of low oxygen off",
        ),
        (&["do_low_mg_l.warn=2.5", "--reason", "quiet"], "each below the one before"),
        (&["do_low_mg_l.warn=3.5"], "say why with --reason"),
        (&["do_low.warn=3.5", "--reason", "x"], "accepted are do_low_mg_l.warn"),
        (&["do_low_mg_l.warn"], "write NAME=VALUE"),
        (&["--back", "do_low_mg_l.warn", "--reason", "x"], "as configured"),
    ] {
        let (status, out, message) = change(&daemon, arguments);
        assert!(status == 2 && message.contains(part), "{arguments:?}: {status} {out} {message}");
    }
    // 1.6 mg/L is below the 2.0 that is safe.
    assert_eq!(change(&daemon, &["do_low_mg_l.emergency=1.2", "--reason", "trial"]).0, 0);
    assert_eq!(change(&daemon, &["do_low_mg_l.critical=1.6", "--reason", "trial"]).0, 0);
    let daemon = daemon.killed_and_started_again();
    let alarms = json_lines(&daemon.ask(&["alarms", "--json"]));
    let lax = alarms.iter().find(|alarm| alarm["id"] == "p1.do-limits-lax").unwrap();
    assert_eq!((lax["priority"].as_u64(), lax["state"].as_str()), (Some(2), Some("unacknowledged")));
    assert!(lax["message"].as_str().unwrap().contains("critical at 1.6 mg/L (not below 2.0)"), "{lax}");
    let why = text(&daemon.ask(&["why", "p1.do-limits-lax"]).stdout);
    assert!(why.contains("Kramer 1975"), "{why}");
    assert_eq!(change(&daemon, &["--back", "do_low_mg_l.critical", "--reason", "enough"]).0, 0);
    let alarms = json_lines(&daemon.ask(&["alarms", "--json"]));
    let lax = alarms.iter().find(|alarm| alarm["id"] == "p1.do-limits-lax").unwrap();
    assert_eq!(lax["state"], "returned-unacknowledged");
}
