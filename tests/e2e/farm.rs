//! The real program against Debian's mosquitto: a low reading comes in, an alarm goes out, a person
//! acknowledges it, and none of that is lost when the power goes.

use std::fs;
use std::time::Duration;

use pondreeve_tests::{Mosquitto, Scratch, one_pond, wait_for};

const SOON: Duration = Duration::from_secs(20);

/// One pond whose oxygen comes over MQTT; alarms without delay, so that the test does not sit through them.
fn configuration(scratch: &Scratch, port: u16) -> String {
    let rest = format!(
        r#"

[pond.limits.do_low_mg_l]
warn = {{ limit = 4.0, on_delay = "0s", off_delay = "0s", source = "test" }}
critical = {{ limit = 3.0, on_delay = "0s", off_delay = "0s", source = "test" }}
emergency = {{ limit = 2.0, on_delay = "0s", off_delay = "0s", source = "test" }}

[[broker]]
id = "local"
host = "127.0.0.1"
port = {port}

[[broker.probe]]
id = "node"
pond = "p1"
topic = "nodes/p1"
qos = 1
sends_every = "1m"
value = [
    {{ quantity = "do_mg_l", json = "/oxygen" }},
    {{ quantity = "temperature_c", json = "/temperature" }},
]

[[destination]]
id = "office"
host = "127.0.0.1"
port = {port}
"#
    );
    one_pond(scratch.folder.path(), "1s", "summary_every = \"1m\"", &rest)
}

fn alarm(scratch: &Scratch, id: &str) -> Option<serde_json::Value> {
    scratch.json(&["alarms"]).into_iter().find(|alarm| alarm["id"] == id)
}

/// Publishes until a reading has come: the broker keeps nothing for a client it has never seen, so what is
/// published before the daemon has subscribed for the first time is lost.
fn first_reading(scratch: &Scratch, broker: &Mosquitto) {
    wait_for("the first reading", SOON, || {
        broker.publish("nodes/p1", r#"{"oxygen": 6.4, "temperature": 29.0}"#, 1);
        scratch.json(&["status"]).iter().any(|line| line.to_string().contains("\"value\":6.4")).then_some(())
    });
}

#[test]
fn a_low_reading_becomes_an_alarm_that_outlives_a_power_cut() {
    let scratch = Scratch::new();
    let broker = Mosquitto::start(scratch.folder.path());
    let config = scratch.write("farm.toml", &configuration(&scratch, broker.port));

    let check = scratch.pondreeve(&["check", "--config", config.to_str().expect("UTF-8 path")]);
    assert!(check.status.success(), "{}", String::from_utf8_lossy(&check.stderr));

    let outside = broker.listen("pondreeve/#");
    let mut daemon = scratch.run_daemon();
    outside.find("the gateway to say it is there", SOON, |topic, payload| {
        topic == "pondreeve/g1/health" && payload.contains("online")
    });

    // Good water: no alarm, and the value is there with its unit and flag.
    first_reading(&scratch, &broker);
    broker.publish("nodes/p1", r#"{"oxygen": 6.2, "temperature": 29.4}"#, 1);
    let status = wait_for("the first reading", SOON, || {
        let status = scratch.json(&["status"]);
        status.iter().any(|line| line.to_string().contains("\"value\":6.2")).then_some(status)
    });
    let text = serde_json::to_string(&status).expect("JSON");
    assert!(text.contains("do_mg_l") && text.contains("do_saturation_percent"), "{text}");
    assert!(alarm(&scratch, "p1.do-low-critical").is_none());

    // Low water: an alarm at once, inside and outside.
    broker.publish("nodes/p1", r#"{"oxygen": 2.7, "temperature": 29.1}"#, 1);
    let raised = wait_for("the alarm", SOON, || alarm(&scratch, "p1.do-low-critical"));
    assert_eq!(raised["state"], "unacknowledged");
    assert_eq!(raised["priority"], 1);
    let message = raised["message"].as_str().expect("text");
    assert!(message.contains("2.7") && message.contains("mg/L"), "{message}");
    let (_, told) = outside.find("the alarm outside", SOON, |topic, payload| {
        topic == "pondreeve/g1/alarm" && payload.contains("p1.do-low-critical")
    });
    assert!(told.contains("unacknowledged"), "{told}");

    // Acknowledging something that is not there is refused, and names what could be.
    let wrong = scratch.pondreeve(&["acknowledge", "p9.do-low"]);
    assert_eq!(wrong.status.code(), Some(2));
    let said = String::from_utf8_lossy(&wrong.stderr);
    assert!(said.contains("p9.do-low") && said.contains("p1.do-low-critical"), "{said}");

    // Acknowledging the real one is recorded with the user behind the socket.
    let done = scratch.pondreeve(&["acknowledge", "p1.do-low-critical"]);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let me = nix::unistd::User::from_uid(nix::unistd::getuid()).expect("lookup").expect("a user").name;
    let acknowledged = alarm(&scratch, "p1.do-low-critical").expect("still standing");
    assert_eq!(acknowledged["state"], "acknowledged");
    assert_eq!(acknowledged["acknowledged_by"], me.as_str());

    // The power goes the moment the acknowledgement was shown.
    daemon.kill_hard();
    outside.find(
        "the broker to tell that the gateway went away",
        Duration::from_secs(60),
        |topic, payload| topic == "pondreeve/g1/health" && payload.contains("offline"),
    );
    let mut daemon = scratch.run_daemon();
    let after = alarm(&scratch, "p1.do-low-critical").expect("the alarm is still there");
    assert_eq!(after["state"], "acknowledged");
    assert_eq!(after["acknowledged_by"], me.as_str());

    // A second daemon on the same store is told what is wrong.
    let second = scratch.pondreeve(&["run", "--config", config.to_str().expect("UTF-8 path")]);
    assert_eq!(second.status.code(), Some(1));
    let said = String::from_utf8_lossy(&second.stderr);
    assert!(said.contains("another pondreeve"), "{said}");

    // A summary of the pond reaches the other side.
    let (topic, summary) = outside.find("a summary", Duration::from_secs(90), |topic, payload| {
        topic == "pondreeve/g1/p1/summary" && payload.contains("do_mg_l")
    });
    assert_eq!(topic, "pondreeve/g1/p1/summary");
    let records: Vec<serde_json::Value> = serde_json::from_str(&summary).expect("SenML is a JSON array");
    assert!(records.iter().any(|record| record["bn"].is_string() || record["n"].is_string()), "{summary}");

    assert!(daemon.stop(SOON).success(), "an orderly stop is a success");
    assert!(!scratch.path("sock").exists(), "the socket file is gone");
}

#[test]
fn a_message_is_not_lost_while_the_daemon_is_away() {
    let scratch = Scratch::new();
    let broker = Mosquitto::start(scratch.folder.path());
    scratch.write("farm.toml", &configuration(&scratch, broker.port));
    let mut daemon = scratch.run_daemon();
    first_reading(&scratch, &broker);
    daemon.kill_hard();
    // The broker holds this one for the persistent session.
    broker.publish("nodes/p1", r#"{"oxygen": 2.6, "temperature": 28.9}"#, 1);
    let _daemon = scratch.run_daemon();
    wait_for("the held message to alarm", SOON, || alarm(&scratch, "p1.do-low-critical"));
}

#[test]
fn a_long_backlog_comes_through_on_one_connection() {
    let scratch = Scratch::new();
    let broker = Mosquitto::start_with(scratch.folder.path(), "max_queued_messages 0\n");
    scratch.write("farm.toml", &configuration(&scratch, broker.port));
    let connections = || {
        let log = fs::read_to_string(scratch.path("mosquitto.log")).expect("the broker's log");
        log.lines()
            .filter(|line| {
                line.contains("New client connected") && line.contains("as pondreeve-g1-local-in ")
            })
            .count()
    };
    let mut daemon = scratch.run_daemon();
    first_reading(&scratch, &broker);
    daemon.kill_hard();
    let before = connections();
    // More than a broker sends ahead and than any queue of ours holds.
    let mut backlog: Vec<String> =
        (0..5_000).map(|i| format!("{{\"oxygen\": 6.{}, \"temperature\": 29.0}}", i % 5)).collect();
    backlog.push(r#"{"oxygen": 5.87, "temperature": 29.0}"#.to_owned());
    broker.publish_all("nodes/p1", &backlog);
    let _daemon = scratch.run_daemon();
    wait_for("the end of the backlog", Duration::from_secs(60), || {
        scratch.json(&["status"]).iter().any(|line| line.to_string().contains("\"value\":5.87")).then_some(())
    });
    let log = fs::read_to_string(scratch.path("mosquitto.log")).expect("the broker's log");
    assert_eq!(connections() - before, 1, "the backlog broke the connection:\n{log}");
}

#[test]
fn nonsense_from_a_node_is_reported_and_harms_nothing() {
    let scratch = Scratch::new();
    let broker = Mosquitto::start(scratch.folder.path());
    scratch.write("farm.toml", &configuration(&scratch, broker.port));
    let _daemon = scratch.run_daemon();
    first_reading(&scratch, &broker);
    for payload in ["", "not json", r#"{"oxygen": "NaN"}"#, r#"{"oxygen": 1e999}"#, "[1,2,3]", "\u{0}\u{1}"] {
        if payload.contains('\u{0}') {
            continue; // a command line cannot carry it; the probe tests send it
        }
        broker.publish("nodes/p1", payload, 1);
    }
    broker.publish("nodes/p1", r#"{"oxygen": 5.9, "temperature": 29.0}"#, 1);
    wait_for("the good reading after the bad", SOON, || {
        scratch.json(&["status"]).iter().any(|line| line.to_string().contains("\"value\":5.9")).then_some(())
    });
    assert!(alarm(&scratch, "p1.do-low-critical").is_none());
    assert!(alarm(&scratch, "p1.do-low-emergency").is_none());
    let log = fs::read_to_string(scratch.path("daemon.log")).expect("the daemon's log");
    assert!(log.contains("nodes/p1"), "the refusals name the topic:\n{log}");
}

#[test]
fn a_missing_broker_is_an_alarm_and_its_return_ends_it() {
    let scratch = Scratch::new();
    let broker = Mosquitto::start(scratch.folder.path());
    let port = broker.port;
    scratch.write("farm.toml", &configuration(&scratch, port));
    let _daemon = scratch.run_daemon();
    first_reading(&scratch, &broker);
    broker.kill_hard();
    wait_for("the loss to be told", SOON, || {
        scratch
            .json(&["alarms"])
            .into_iter()
            .find(|a| a["id"].as_str().is_some_and(|id| id.contains("broker")))
    });
    let broker = Mosquitto::start_on(scratch.folder.path(), port);
    wait_for("the connection to come back", Duration::from_secs(60), || {
        broker.publish("nodes/p1", r#"{"oxygen": 6.1, "temperature": 29.0}"#, 1);
        scratch.json(&["status"]).iter().any(|line| line.to_string().contains("\"value\":6.1")).then_some(())
    });
}
