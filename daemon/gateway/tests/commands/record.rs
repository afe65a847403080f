//! What people did to a pond, recorded with a running daemon, killed, listed and exported.

use serde_json::Value;

use super::daemon::Daemon;
use super::{json_lines, text, told};

fn recorded(daemon: &Daemon, arguments: &[&str]) -> Value {
    let output = daemon.ask(&[&["record", "--pond", "p1", "--json"], arguments].concat());
    assert_eq!(told(&output), (0, String::new()), "{arguments:?}");
    json_lines(&output).remove(0)
}

fn refused(daemon: &Daemon, arguments: &[&str]) -> String {
    let output = daemon.ask(&[&["record", "--pond", "p1"], arguments].concat());
    let (status, message) = told(&output);
    assert_eq!((status, text(&output.stdout)), (2, String::new()), "{arguments:?}: {message}");
    message
}

/// 5,000 m2 by 1.5 m are 7,500 m3: 30 kg of slurry are 4 mg/L and, at 1.53 kg/L, 19.6 L; 0.2 m of water are 1,000
/// m3 of 7,500, 13.3 %; 712 g in 80 shrimp are 8.9 g.
#[test]
fn a_pond_has_a_diary() {
    let daemon = Daemon::start();
    let lot = ["--lot", "M-17", "--solids-percent", "60", "--slurry-density-kg-l", "1.53"];
    let dose =
        [&["dose", "--slurry-kg", "30", "--containers", "1.2", "--container-kg", "25"], &lot[..]].concat();
    let first = recorded(&daemon, &dose);
    let values = &first["entry"]["values"];
    assert_eq!(first["entry"]["number"], 1);
    let near = |name: &str, wanted: f64| (values[name].as_f64().unwrap() - wanted).abs() < 0.05;
    assert!(near("slurry_l", 19.6) && near("slurry_mg_l", 4.0) && near("solids_mg_l", 2.4), "{values}");
    let said = text(
        &daemon
            .ask(&["record", "--pond", "p1", "exchange", "--level-before", "1.5", "--level-after", "1.3"])
            .stdout,
    );
    assert!(said.contains("1000 m3 exchanged, 13.3 % of 7500 m3, level 1.50 to 1.30 m"), "{said}");
    assert!(said.contains("NOT within 48 h of a dose") && said.contains("(entry 1)"), "{said}");
    assert!(said.lines().all(|line| line.chars().count() <= 80), "{said}");
    recorded(&daemon, &["stocking", "--count", "600000", "--size", "PL10", "--at", "2026-01-02 07:00"]);
    let sample = recorded(&daemon, &["sampling", "--count", "80", "--grams", "712"]);
    assert!((sample["entry"]["values"]["abw_g"].as_f64().unwrap() - 8.9).abs() < 1e-9);
    assert!(sample["told"].to_string().contains("a guess"), "{sample}");
    recorded(&daemon, &["feed", "--kg", "380", "--tray-left", "5"]);
    let mended = recorded(&daemon, &["feed", "--kg", "38", "--correct", "5"]);
    assert_eq!(mended["entry"]["corrects"], 5);
    recorded(&daemon, &["note", "called", "the", "adviser"]);
    recorded(&daemon, &["withdraw", "7", "--reason", "other pond"]);

    let again = daemon.killed_and_started_again();
    let list = json_lines(&again.ask(&["record", "--pond", "p1", "list", "--json"]));
    let of = |number: u64| list.iter().find(|own| own["number"] == number).unwrap();
    assert_eq!((of(5)["superseded_by"].clone(), of(6)["superseded_by"].clone()), (6.into(), Value::Null));
    assert_eq!(of(5)["at"], of(6)["at"], "a correction keeps the time");
    assert_eq!(of(7)["withdrawn"], "other pond");
    let shown = text(&again.ask(&["record", "--pond", "p1", "list"]).stdout);
    assert!(shown.lines().all(|line| line.chars().count() <= 80), "{shown}");
    let shown = shown.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(shown.contains("SUPERSEDED by entry 6") && shown.contains("WITHDRAWN: other pond"), "{shown}");
    let csv = text(&again.ask(&["export", "--diary"]).stdout);
    assert!(csv.starts_with("at_utc,stop_utc,recorded_utc,pond,number,kind,by,"), "{csv}");
    assert_eq!(csv.lines().filter(|line| line.contains(",p1,")).count(), 8, "{csv}");
    let status = json_lines(&again.ask(&["status", "--json"])).remove(0);
    let diary = &status["ponds"][0]["diary"];
    assert_eq!((diary["feed_today_kg"].as_f64(), diary["crop"]["stocked"].as_f64()), (Some(38.0), Some(6e5)));
    assert_eq!(recorded(&again, &["weather", "overcast"])["entry"]["number"], 9);
}

#[test]
fn what_cannot_be_is_status_2_and_says_what_can() {
    let daemon = Daemon::start();
    let twice = ["dose", "--slurry-kg", "38.4", "--containers", "4.8", "--container-kg", "25"];
    let message = refused(&daemon, &twice);
    assert!(message.contains("38.4 kg weighed") && message.contains("--confirm-mismatch"), "{message}");
    let confirmed = recorded(&daemon, &[&twice[..], &["--confirm-mismatch"]].concat());
    assert_eq!(confirmed["entry"]["number"], 1);
    for (arguments, why) in [
        (&["feed", "--kg", "-3"] as &[&str], "-3"),
        (&["feed", "--kg", "30kg"], "30kg"),
        (&["drain", "--level-before", "1.3", "--level-after", "1.5"], "the level rose"),
        (&["drain", "--m3", "10", "--level-before", "1.5", "--level-after", "1.2"], "levels and a volume"),
        (&["harvest", "--kg", "5", "--at", "2090-01-01T00:00:00Z"], "lies ahead"),
        (&["mortality"], "--count"),
        (&["feed", "--kg", "3", "--correct", "99"], "entry 99, which is none of this pond"),
        (&["frobnicate"], "frobnicate"),
    ] {
        let message = refused(&daemon, arguments);
        assert!(message.contains(why), "{arguments:?}: {message}");
    }
    let (status, message) = told(&daemon.ask(&["record", "feed", "--kg", "3"]));
    assert!(status == 2 && message.contains("which pond is not said"), "{message}");
    let (status, message) = told(&daemon.ask(&["record", "--pond", "p7", "feed", "--kg", "3"]));
    assert!(status == 2 && message.contains("accepted is p1"), "{message}");
    assert_eq!(recorded(&daemon, &["feed", "--kg", "3"])["entry"]["number"], 2, "nothing half-written");
}
