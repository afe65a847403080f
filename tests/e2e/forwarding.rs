//! What the real program publishes, taken by a broker and a consumer that share no code with us, over MQTT 3.1.1 and over
//! MQTT 5 with TLS and client certificates at once; every payload held against schemas and libraries of others.

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead, BufReader, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use pondreeve_tests::{Mosquitto, Running, Scratch, free_port, one_pond, python, wait_for};
use serde_json::Value;

const SOON: Duration = Duration::from_secs(20);

/// A summary comes each whole minute.
const A_SUMMARY: Duration = Duration::from_secs(100);

fn configuration(scratch: &Scratch, open: u16, secure: u16) -> String {
    let folder = scratch.folder.path().display();
    let rest = format!(
        r#"

[pond.limits.do_low_mg_l]
critical = {{ limit = 3.0, on_delay = "0s", source = "test" }}

[[broker]]
id = "local"
host = "127.0.0.1"
port = {open}

[[broker.probe]]
id = "node"
pond = "p1"
topic = "nodes/p1"
qos = 1
sends_every = "1m"
value = [{{ quantity = "do_mg_l", json = "/oxygen" }}, {{ quantity = "temperature_c", json = "/temperature" }}]

[annunciation.calls]
repeat_every = "10m"

[[destination]]
id = "office"
host = "127.0.0.1"
port = {open}

[[destination]]
id = "cloud"
host = "127.0.0.1"
port = {secure}
username = "two-herons"
password_file = "{folder}/password"
ca_file = "{folder}/ca.pem"
client_certificate_file = "{folder}/gateway.pem"
client_key_file = "{folder}/gateway.key"
mqtt = "5"
encoding = "cbor"
"#
    );
    one_pond(scratch.folder.path(), "100ms", "summary_every = \"1m\"", &rest)
}

/// One authority, a certificate for the broker on 127.0.0.1 and one for the gateway.
fn certificates(folder: &Path) {
    let openssl = |arguments: &[&str]| {
        let output = Command::new("openssl").current_dir(folder).args(arguments).output().expect("openssl");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    let curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"];
    let ca = ["-keyout", "ca.key", "-out", "ca.pem", "-subj", "/CN=authority", "-days", "2"];
    openssl(&[&["req", "-x509"], &curve[..], &ca[..]].concat());
    fs::write(folder.join("names"), "subjectAltName=IP:127.0.0.1\n").expect("written");
    for who in ["broker", "gateway"] {
        let (key, request, subject) = (format!("{who}.key"), format!("{who}.csr"), format!("/CN={who}"));
        let files = ["-keyout", &key, "-out", &request, "-subj", &subject];
        openssl(&[&["req"], &curve[..], &files[..]].concat());
        let (signed, by) = (format!("{who}.pem"), ["-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"]);
        let rest = ["-in", &request, "-out", &signed, "-days", "2", "-extfile", "names"];
        openssl(&[&["x509", "-req"], &by[..], &rest[..]].concat());
    }
}

/// A broker that asks for a certificate, a user and a password on one port, and lets readers in on another.
struct Guarded {
    secure: u16,
    port: u16,
    _process: Running,
}

fn brokers(scratch: &Scratch) -> (Mosquitto, Guarded) {
    let folder = scratch.folder.path();
    certificates(folder);
    scratch.write("password", "dusk till dawn\n");
    let made = Command::new("mosquitto_passwd")
        .args(["-b", "-c"])
        .arg(folder.join("users"))
        .args(["two-herons", "dusk till dawn"])
        .status()
        .expect("mosquitto_passwd");
    assert!(made.success());
    let (secure, port) = (free_port(), free_port());
    let file = |name: &str| folder.join(name).display().to_string();
    let text = format!(
        "per_listener_settings true\nuser root\nlistener {port} 127.0.0.1\nallow_anonymous true\n\
         listener {secure} 127.0.0.1\nallow_anonymous false\npassword_file {}\n\
         cafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\n",
        file("users"),
        file("ca.pem"),
        file("broker.pem"),
        file("broker.key"),
    );
    let config = scratch.write("guarded.conf", &text);
    let process =
        Running::start(Command::new("mosquitto").arg("-c").arg(config), &scratch.path("guarded.log"));
    wait_for("the guarded broker to listen", SOON, || TcpStream::connect(("127.0.0.1", secure)).ok());
    (Mosquitto::start(folder), Guarded { secure, port, _process: process })
}

/// A consumer that has subscribed.
fn consumer(file: &Path, port: u16, id: &str) -> Running {
    let mut child: Child = Command::new(python())
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/e2e/consumer.py"))
        .arg(file)
        .args(["127.0.0.1", &port.to_string(), id])
        .stdout(Stdio::piped())
        .spawn()
        .expect("the consumer");
    let mut line = String::new();
    BufReader::new(child.stdout.take().expect("piped")).read_line(&mut line).expect("UTF-8");
    assert_eq!(line, "ready\n");
    Running(child)
}

/// Everything that arrived so far, as the libraries understand it; panics with their complaint.
fn checked(file: &Path, encoding: &str) -> Vec<Value> {
    let lines = fs::read(file).unwrap_or_default();
    // A line that is being written is left for the next time.
    let whole = lines.iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
    let mut child = Command::new(python())
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/e2e/check_payloads.py"))
        .args([encoding, concat!(env!("CARGO_MANIFEST_DIR"), "/../deploy/schema")])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("python");
    child.stdin.take().expect("piped").write_all(&lines[..whole]).expect("fed");
    let output = child.wait_with_output().expect("ended");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
}

fn of_kind<'a>(messages: &'a [Value], kind: &str) -> Vec<&'a Value> {
    messages.iter().filter(|message| message["kind"] == kind).collect()
}

/// By number: what was said, in numbers rounded as far as both encodings carry them.
fn by_number(messages: &[Value]) -> BTreeMap<u64, Value> {
    let number = |message: &Value| {
        let plain = &message["plain"];
        let own = if message["kind"] == "summary" { &plain[0]["v"] } else { &plain["sequence"] };
        own.as_f64().expect("a number") as u64
    };
    let said = messages.iter().filter(|message| message["kind"] != "health");
    said.map(|message| (number(message), message["plain"].clone())).collect()
}

fn same(one: &Value, other: &Value) -> bool {
    match (one, other) {
        (Value::Number(one), Value::Number(other)) => one.as_f64() == other.as_f64(),
        (Value::Array(one), Value::Array(other)) => {
            one.len() == other.len() && one.iter().zip(other).all(|(one, other)| same(one, other))
        }
        (Value::Object(one), Value::Object(other)) => {
            one.len() == other.len()
                && one.iter().all(|(key, value)| other.get(key).is_some_and(|other| same(value, other)))
        }
        (one, other) => one == other,
    }
}

#[test]
fn two_destinations_get_the_same_in_json_and_in_cbor_over_tls() {
    let scratch = Scratch::new();
    let (open, second) = brokers(&scratch);
    let (json, cbor) = (scratch.path("json.lines"), scratch.path("cbor.lines"));
    let _one = consumer(&json, open.port, "reader-one");
    let _two = consumer(&cbor, second.port, "reader-two");
    scratch.write("farm.toml", &configuration(&scratch, open.port, second.secure));
    let mut daemon = scratch.run_daemon();
    // Dangerously low oxygen: an alarm, and a call of the technician on shift.
    let whole = wait_for("an alarm, a call and a summary at both", A_SUMMARY, || {
        open.publish("nodes/p1", r#"{"oxygen": 1.25, "temperature": 29.5}"#, 1);
        std::thread::sleep(Duration::from_secs(1));
        let both = [checked(&json, "json"), checked(&cbor, "cbor")];
        let has = |messages: &[Value]| {
            let kinds = ["health", "alarm", "call", "summary"];
            kinds.iter().all(|kind| !of_kind(messages, kind).is_empty())
        };
        both.iter().all(|messages| has(messages)).then_some(both)
    });
    let summary = of_kind(&whole[0], "summary")[0];
    let library = summary["library"].as_array().expect("records");
    let record = |name: &str| library.iter().find(|record| record[0] == name);
    assert_eq!(record("do_mg_l/minimum").expect("oxygen")[2], 1.25, "{summary}");
    assert_eq!(record("alarms/critical").expect("alarms")[2], 1.0, "{summary}");
    let alarm =
        of_kind(&whole[0], "alarm").into_iter().find(|own| own["plain"]["id"] == "p1.do-low-critical");
    assert_eq!(alarm.expect("the alarm")["plain"]["state"], "unacknowledged");

    let stopped = daemon.stop(SOON);
    assert!(stopped.success(), "{stopped}");
    let both = wait_for("both to hear that it stopped", SOON, || {
        let both = [checked(&json, "json"), checked(&cbor, "cbor")];
        let over = |messages: &[Value]| {
            of_kind(messages, "health").last().is_some_and(|health| health["text"] == "offline")
        };
        both.iter().all(|messages| over(messages)).then_some(both)
    });
    let (one, two) = (by_number(&both[0]), by_number(&both[1]));
    assert_eq!(one.keys().collect::<Vec<_>>(), two.keys().collect::<Vec<_>>());
    for (number, said) in &one {
        assert!(same(said, &two[number]), "{number}: {said} and {}", two[number]);
    }
    // One row of numbers for all kinds, without a gap.
    let (first, last) = (*one.keys().next().expect("some"), *one.keys().last().expect("some"));
    assert_eq!(one.len() as u64, last - first + 1);
    let size = |messages: &[Value]| of_kind(messages, "summary")[0]["bytes"].as_u64().expect("bytes");
    assert!(size(&both[1]) < size(&both[0]) * 3 / 4, "{} and {}", size(&both[1]), size(&both[0]));
}

#[test]
fn a_gateway_without_the_certificate_is_not_let_in_and_says_so() {
    let scratch = Scratch::new();
    let (open, second) = brokers(&scratch);
    let secure = second.secure;
    let text = configuration(&scratch, open.port, secure);
    let bare = |line: &&str| !line.starts_with("client_");
    let text: String = text.lines().filter(bare).map(|line| format!("{line}\n")).collect();
    scratch.write("farm.toml", &text);
    let _daemon = scratch.run_daemon();
    let message = wait_for("the alarm", SOON, || {
        let alarms = scratch.json(&["alarms"]);
        let found = alarms.iter().find(|alarm| alarm["id"] == "gateway.forward.cloud")?;
        found["message"].as_str().map(str::to_owned)
    });
    assert!(message.contains(&format!("broker 127.0.0.1:{secure}")), "{message}");
    // The other destination is not held up by it.
    let health = open.listen("pondreeve/g1/health");
    health.find("health", SOON, |_, payload| payload == "online");
}
