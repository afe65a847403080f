//! The fleet generator of the simulator: what it publishes fits the schemas, and no number is missing after a kill.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::{BufRead, BufReader, Write as _};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use pondreeve_tests::{Mosquitto, Running, Scratch, program, python, wait_for};
use serde_json::Value;

const SOON: Duration = Duration::from_secs(60);

fn fleet(scratch: &Scratch, port: u16, more: &[&str]) -> Command {
    let mut command = Command::new(program("sim"));
    let state = scratch.path("fleet.json");
    command.args(["fleet", "--gateways", "6", "--ponds", "2", "--speed", "3000", "--outages-percent", "20"]);
    command.args(["--port", &port.to_string(), "--state"]).arg(state).args(more);
    command
}

/// The messages of the record, held against the schemas; by gateway, the numbers.
fn numbers(scratch: &Scratch) -> BTreeMap<String, BTreeSet<u64>> {
    let mut check = Command::new(python())
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/e2e/check_payloads.py"))
        .args(["json", concat!(env!("CARGO_MANIFEST_DIR"), "/../deploy/schema")])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python");
    let record = fs::read(scratch.path("record.lines")).expect("a record");
    let mut input = check.stdin.take().expect("piped");
    let feeding = std::thread::spawn(move || input.write_all(&record));
    let output = check.wait_with_output().expect("ended");
    feeding.join().expect("no panic").expect("fed");
    assert!(output.status.success(), "a payload does not fit");
    let mut found: BTreeMap<String, BTreeSet<u64>> = BTreeMap::new();
    for line in String::from_utf8(output.stdout).expect("UTF-8").lines() {
        let said: Value = serde_json::from_str(line).expect("JSON");
        let own = match said["kind"].as_str() {
            Some("summary") => &said["plain"][0]["v"],
            Some("alarm") => &said["plain"]["sequence"],
            _ => continue,
        };
        let gateway = said["topic"].as_str().expect("a topic").split('/').nth(1).expect("a gateway");
        found.entry(gateway.to_owned()).or_default().insert(own.as_f64().expect("a number") as u64);
    }
    found
}

#[test]
fn a_fleet_publishes_what_the_schemas_allow_and_goes_on_after_a_kill() {
    let scratch = Scratch::new();
    let broker = Mosquitto::start_with(scratch.folder.path(), "max_queued_messages 0");
    let mut consumer = Command::new(python())
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/e2e/consumer.py"))
        .arg(scratch.path("record.lines"))
        .args(["127.0.0.1", &broker.port.to_string(), "reader"])
        .stdout(Stdio::piped())
        .spawn()
        .expect("python");
    let mut line = String::new();
    BufReader::new(consumer.stdout.take().expect("piped")).read_line(&mut line).expect("UTF-8");
    assert_eq!(line, "ready\n");
    let _consumer = Running(consumer);

    let kept = |scratch: &Scratch| -> Option<Value> {
        serde_json::from_str(&fs::read_to_string(scratch.path("fleet.json")).ok()?).ok()
    };
    let total = |state: &Value| {
        state["confirmed"].as_array().map(|all| all.iter().filter_map(Value::as_u64).sum::<u64>())
    };
    let mut first = Running::start(&mut fleet(&scratch, broker.port, &[]), &scratch.path("first.log"));
    wait_for("some messages", SOON, || total(&kept(&scratch)?).filter(|sum| *sum > 100));
    first.kill_hard();
    let before = total(&kept(&scratch).expect("a state")).expect("numbers");
    let again = fleet(&scratch, broker.port, &["--seconds", "8"]).output().expect("it runs");
    let said = String::from_utf8_lossy(&again.stdout).into_owned();
    assert!(again.status.success() && said.contains("confirmed within ms: p50"), "{again:?}");
    let state = kept(&scratch).expect("a state");
    assert!(total(&state) > Some(before), "it went on: {said}");

    let found = wait_for("the consumer to have it all", SOON, || {
        let found = numbers(&scratch);
        (found.values().map(BTreeSet::len).sum::<usize>() as u64 >= total(&state)?).then_some(found)
    });
    assert!(found.len() == 6, "every gateway had a link at some time: {found:?}");
    let begins = state["begins_ms"].as_u64().expect("a time");
    for (gateway, confirmed) in (0..).zip(state["confirmed"].as_array().expect("numbers")) {
        let numbers = &found[&format!("fleet-{gateway:05}")];
        let wanted: BTreeSet<u64> = (begins..begins + confirmed.as_u64().expect("a number")).collect();
        assert!(
            numbers.is_superset(&wanted),
            "gateway {gateway}: of {} {} came",
            wanted.len(),
            numbers.len()
        );
    }

    let other = fleet(&scratch, broker.port, &["--seed", "2", "--seconds", "1"]).output().expect("it runs");
    assert!(!other.status.success(), "a state is not taken for that of another run");
    assert!(String::from_utf8_lossy(&other.stderr).contains("is of another run"), "{other:?}");
}

/// The configuration of a node as the folder has it, but for where its certificates lie: nats-server reads it and the
/// certificates, and ends.
#[test]
fn a_node_takes_the_configuration_as_it_is_shipped() {
    let scratch = Scratch::new();
    let made = Command::new("openssl")
        .current_dir(scratch.folder.path())
        .args([
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:prime256v1",
            "-nodes",
            "-days",
            "2",
        ])
        .args(["-subj", "/CN=node-one", "-keyout", "node.key", "-out", "node.pem"])
        .output()
        .expect("openssl");
    assert!(made.status.success(), "{made:?}");
    fs::copy(scratch.path("node.pem"), scratch.path("ca.pem")).expect("copied");
    for (shipped, name) in [
        ("nats-server.conf", "nats-server.conf"),
        ("site.conf.example", "site.conf"),
        ("tls.conf.example", "tls.conf"),
    ] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/fleet").join(shipped);
        let text = fs::read_to_string(path).expect("shipped");
        scratch.write(name, &text.replace("/etc/nats", &scratch.folder.path().display().to_string()));
    }
    // The environment of the service.
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/fleet/nats-server.service.conf");
    let service = fs::read_to_string(path).expect("shipped");
    let variables = service.lines().filter_map(|line| line.strip_prefix("Environment="));
    let variables = variables.flat_map(|line| line.split(' ')).filter_map(|pair| pair.split_once('='));
    let checked = Command::new("nats-server")
        .args(["-t", "-c"])
        .arg(scratch.path("nats-server.conf"))
        .env_clear()
        .env("PATH", format!("{}:/usr/sbin", std::env::var("PATH").unwrap_or_default()))
        .envs(variables)
        .output()
        .expect("nats-server");
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stderr));
}
