//! The Parquet export of a running daemon, read by a library that shares no code with it and held against the CSV of the
//! same stretch.

use std::fs;
use std::process::Command;
use std::time::Duration;

use pondreeve_tests::{Mosquitto, Scratch, one_pond, program, python, wait_for};
use serde_json::Value;

const SOON: Duration = Duration::from_secs(120);

/// More than the rows of one group, with what is computed from them.
const MESSAGES: i64 = 9_000;

fn configuration(scratch: &Scratch, port: u16) -> String {
    let rest = format!(
        r#"
[[broker]]
id = "local"
host = "127.0.0.1"
port = {port}

[[broker.probe]]
id = "node"
pond = "p1"
topic = "nodes/p1"
time = "/time"
sends_every = "1m"
value = [
    {{ quantity = "do_mg_l", json = "/oxygen" }},
    {{ quantity = "temperature_c", json = "/temperature" }},
    {{ quantity = "ph", json = "/ph" }},
    {{ quantity = "salinity_psu", json = "/salinity" }},
    {{ quantity = "turbidity_ntu", json = "/turbidity" }},
    {{ quantity = "orp_mv", json = "/orp" }},
    {{ quantity = "depth_m", json = "/depth" }},
    {{ quantity = "par_umol_m2_s", json = "/light" }},
]

# Serves all ponds: its readings are no pond's.
[[broker.probe]]
id = "mast"
topic = "nodes/mast"
sends_every = "1m"
value = [{{ quantity = "pressure_hpa" }}]
"#
    );
    one_pond(scratch.folder.path(), "1s", "", &rest)
}

/// The export in one form, in a file.
fn exported(scratch: &Scratch, form: &str, more: &[&str]) -> std::path::PathBuf {
    let path = scratch.path(&format!("export.{form}"));
    let status = Command::new(program("pondreeve"))
        .args(["export", "--format", form])
        .args(more)
        .env("PONDREEVE_SOCKET", scratch.path("sock"))
        .stdout(fs::File::create(&path).expect("made"))
        .status()
        .expect("pondreeve runs");
    assert!(status.success(), "{status}");
    path
}

/// What pyarrow says of it, once it has found every field as in the CSV.
fn compared(scratch: &Scratch, more: &[&str]) -> Value {
    let (table, lines) = (exported(scratch, "parquet", more), exported(scratch, "csv", more));
    let output = Command::new(python())
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/e2e/check_parquet.py"))
        .args([table, lines])
        .output()
        .expect("python");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("JSON")
}

fn of_senml((pond, value, flag, probe): (&str, f64, f64, &str)) -> Value {
    serde_json::json!({ "pond": pond, "value": value, "flag": flag, "probe": probe })
}

/// Salinity of the pond and pressure of the farm, the first of each, as a SenML library reads them.
fn senml(scratch: &Scratch, more: &[&str]) -> Vec<Value> {
    let wanted = ["--quantity", "salinity_psu", "--quantity", "pressure_hpa"];
    let output = Command::new(python())
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/e2e/check_senml.py"))
        .arg(exported(scratch, "senml", &[more, &wanted[..]].concat()))
        .output()
        .expect("python");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout)
        .expect("UTF-8")
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect()
}

#[test]
fn a_parquet_export_says_what_the_csv_says() {
    let scratch = Scratch::new();
    let broker = Mosquitto::start_with(scratch.folder.path(), "max_queued_messages 0");
    scratch.write("farm.toml", &configuration(&scratch, broker.port));
    let _daemon = scratch.run_daemon();
    let entered = scratch.pondreeve(&["enter", "--pond", "p1", "tan_mg_l=0.4"]);
    assert!(entered.status.success(), "{entered:?}");
    let health = broker.listen("nodes/p1");
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).expect("after 1970");
    let end_s = i64::try_from(now.as_secs()).expect("fits");
    // Twenty hours of readings as fast as they are taken; now and then a cell out of the water, and one out of range.
    let messages: Vec<String> = (0..MESSAGES)
        .map(|turn| {
            let swing = (turn as f64 / 900.0).sin();
            let oxygen = if turn % 1_000 == 999 { 99.0 } else { 6.0 + 2.0 * swing };
            let at = end_s - (MESSAGES - turn) * 8;
            let (warm, sour) = (29.0 + swing, 8.0 + 0.3 * swing);
            let rest = r#""salinity":18.2,"turbidity":31.5,"orp":210.0,"depth":1.48,"light":640.0"#;
            format!(r#"{{"time":{at},"oxygen":{oxygen:.3},"temperature":{warm:.2},"ph":{sour:.2},{rest}}}"#)
        })
        .collect();
    broker.publish("nodes/mast", "1009.4", 1);
    broker.publish_all("nodes/p1", &messages);
    health.find("the last message at the broker", SOON, |_, payload| payload == messages[messages.len() - 1]);
    let between = [
        format!("--from={}", jiff::Timestamp::from_second(end_s - 80_000).expect("a time")),
        format!("--to={}", jiff::Timestamp::from_second(end_s + 3_600).expect("a time")),
    ];
    let [from, to] = between.each_ref().map(String::as_str);
    wait_for("every reading to be kept", SOON, || {
        let csv = exported(&scratch, "csv", &["--quantity", "ph", from, to]);
        let lines = fs::read_to_string(csv).expect("an export").lines().count();
        (lines as i64 > MESSAGES).then_some(())
    });

    let told = compared(&scratch, &[from, to]);
    let rows = told["rows"].as_u64().expect("rows");
    assert!(rows > 65_536, "more than one group: {told}");
    assert!(told["groups"].as_u64() >= Some(2) && told["largest_group"].as_u64() == Some(65_536), "{told}");
    assert!(told["flags"]["4"].as_u64() >= Some(9), "what failed is there and says so: {told}");
    assert!(told["flags"]["1"].as_u64() >= Some(5_000), "{told}");
    // Entered by hand and computed: no probe; computed: no raw value.
    assert!(told["nulls"]["probe"].as_u64() > Some(0) && told["nulls"]["raw"].as_u64() > Some(0), "{told}");
    assert_eq!(told["nulls"]["corrected"].as_u64(), Some(rows), "no service was recorded: {told}");
    assert_eq!((&told["units"]["do_mg_l"], &told["units"]["temperature_c"]), (&"mg/L".into(), &"Cel".into()));
    assert!(told["written_by"].as_str().is_some_and(|by| by.starts_with("pondreeve version ")), "{told}");

    let rolled = compared(&scratch, &[from, to, "--every", "hour"]);
    assert!(rolled["rows"].as_u64() >= Some(3 * 19), "{rolled}");
    // What no pond has for itself comes out too, without a pond.
    assert_eq!(told["nulls"]["pond"].as_u64(), Some(1), "{told}");
    // Centuries without anything are passed over.
    let centuries =
        ["--from=0001-01-01T00:00:00Z", "--to=9999-01-01T00:00:00Z", "--quantity", "turbidity_ntu"];
    assert_eq!(compared(&scratch, &centuries)["rows"].as_i64(), Some(MESSAGES));
    let rolled = compared(&scratch, &[&centuries[..], &["--every", "quarter", "--pond", "p1"]].concat());
    assert!(rolled["rows"].as_u64() >= Some(75), "{rolled}");
    // A salinity that never moves is a flat line: suspect.
    let first = [("p1", 18.2, 3.0, "node"), ("", 1009.4, 1.0, "mast")].map(of_senml);
    assert_eq!(senml(&scratch, &[from, to]), first);

    // Nothing in the stretch is a table without rows, and no error.
    let none = ["--from=2020-01-01T00:00:00Z", "--to=2020-01-02T00:00:00Z"];
    assert_eq!(compared(&scratch, &none)["rows"].as_u64(), Some(0));
    let refused = scratch.pondreeve(&["export", "--diary", "--format", "parquet"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("accepted is csv or json"), "{refused:?}");
}
