//! Hand-made nights through the real `pondreeve replay`, against alarm lists reasoned by hand.
//!
//! `golden/make.py` writes the recordings from plain arithmetic; each `golden/CASE.expected` says in its
//! comments why each alarm must come when it does. Nothing here writes an expectation.

use std::path::{Path, PathBuf};
use std::process::Command;

use pondreeve_tests::program;
use serde_json::Value;

/// One line of an expected file: `time id state`, then words that the message must contain.
#[derive(Debug)]
struct Expected {
    change: String,
    says: String,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("replay/golden")
}

fn expected(case: &str) -> Vec<Expected> {
    let path = folder().join(format!("{case}.expected"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut lines: Vec<Expected> = text
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| {
            let mut parts = line.splitn(4, ' ');
            let mut part = || parts.next().unwrap_or_default();
            Expected { change: format!("{} {} {}", part(), part(), part()), says: part().to_owned() }
        })
        .collect();
    assert!(!lines.is_empty(), "{} expects nothing", path.display());
    lines.sort_by(|a, b| a.change.cmp(&b.change));
    lines
}

/// What the program says, one value a line.
fn replayed(case: &str, only: &str) -> Vec<Value> {
    let out = Command::new(program("pondreeve"))
        .arg("replay")
        .arg("--config")
        .arg(folder().join("farm.toml"))
        .args(["--pond", "p1", "--only", only])
        .arg(folder().join(format!("{case}.csv")))
        .output()
        .expect("replay runs");
    let complaints = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{case}: {complaints}");
    String::from_utf8(out.stdout)
        .expect("UTF-8")
        .lines()
        .map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{line}: {e}")))
        .collect()
}

fn text<'v>(value: &'v Value, key: &str) -> &'v str {
    value[key].as_str().unwrap_or_else(|| panic!("no text '{key}' in {value}"))
}

/// Replays a case and compares every alarm but the forecast's (README.md beside this file says why).
fn compare(case: &str) {
    let mut alarms: Vec<(String, String)> = replayed(case, "alarm")
        .iter()
        .filter(|line| !text(line, "id").contains("do-forecast"))
        .map(|line| {
            let change = format!("{} {} {}", text(line, "at"), text(line, "id"), text(line, "state"));
            (change, text(line, "message").to_owned())
        })
        .collect();
    alarms.sort();
    let expected = expected(case);
    let got: Vec<&str> = alarms.iter().map(|(change, _)| change.as_str()).collect();
    let wanted: Vec<&str> = expected.iter().map(|line| line.change.as_str()).collect();
    assert_eq!(got, wanted, "{case}: left is what came, right what {case}.expected reasons");
    for (line, (_, message)) in expected.iter().zip(&alarms) {
        assert!(
            message.contains(&line.says),
            "{case}: {}: {message:?} does not say {:?}",
            line.change,
            line.says
        );
    }
}

#[test]
fn a_steady_fall_and_the_recovery_after_dawn() {
    compare("steady_fall");
}

#[test]
fn a_short_dip_is_no_alarm_and_chatter_is_one() {
    compare("dip_and_chatter");
}

#[test]
fn silence_is_a_probe_fault_by_day_and_blindness_as_well_by_night() {
    compare("silence");
}

/// Oxygen is stale 3 min and missing 10 min after its last reading: said by readings without a value,
/// flag 3 (suspect) and flag 9 (missing) of the QARTOD scheme.
#[test]
fn silence_is_marked_stale_and_then_missing() {
    let silent: Vec<String> = replayed("silence", "reading")
        .iter()
        .filter(|line| line["quantity"] == "do_mg_l" && line["value"].is_null())
        .map(|line| format!("{} {}", text(line, "at"), line["flag"]))
        .collect();
    let wanted = [
        "2026-03-20T15:02:00Z 3",
        "2026-03-20T15:09:00Z 9",
        "2026-03-20T22:03:00Z 3",
        "2026-03-20T22:10:00Z 9",
    ];
    assert_eq!(silent, wanted);
}

#[test]
fn a_tripped_aerator_shows_as_oxygen_falling_fast() {
    compare("aerator_trip");
}

#[test]
fn un_ionised_ammonia_follows_the_kit_and_the_days_ph() {
    compare("ammonia");
}

#[test]
fn suspect_low_oxygen_alarms_as_suspect_and_failed_readings_do_not_alarm_as_water() {
    compare("doubtful");
}
