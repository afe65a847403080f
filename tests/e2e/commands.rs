//! Commands over MQTT from people who are not at the gateway: the real program, Debian's Mosquitto with users and an
//! access list, and a sender that signs with a library of its own.

use std::fs;
use std::io::{BufRead, BufReader, Write as _};
use std::net::TcpStream;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::time::Duration;

use pondreeve_tests::{Running, Scratch, free_port, one_pond, python, wait_for};
use serde_json::{Value, json};

const SOON: Duration = Duration::from_secs(30);
const ROSA_KEY: &str = "4b1d7f0c9a2e6835d0c4b7a1e2f39586aa07c1d2e3f405162738495a6b7c8d9e";
const LUIS_KEY: &str = "0011223344556677889900aabbccddeeff00112233445566778899aabbccddee";
const ACCESS: &str = "user gateway\ntopic readwrite pondreeve/#\n\
    user rosa\ntopic write pondreeve/g1/command/rosa\ntopic read pondreeve/g1/result/rosa\n\
    user luis\ntopic write pondreeve/g1/command/luis\ntopic read pondreeve/g1/result/luis\n";

fn configuration(scratch: &Scratch, port: u16) -> String {
    let (folder, nowhere, gone) = (scratch.folder.path().display(), free_port(), free_port());
    let rest = format!(
        r#"
# A cluster of which the first node is gone.
[[destination]]
id = "office"
host = "127.0.0.1"
port = {gone}
further_hosts = ["127.0.0.1:{port}"]
username = "gateway"
password_file = "{folder}/password"

# Nothing listens there: an alarm to acknowledge.
[[destination]]
id = "nowhere"
host = "127.0.0.1"
port = {nowhere}

[commands]
destination = "office"
window = "1m"
most_per_minute = 40

[[commands.person]]
id = "rosa"
key_file = "{folder}/rosa.key"

[[commands.person]]
id = "luis"
key_file = "{folder}/luis.key"
may = ["enter"]
"#
    );
    one_pond(scratch.folder.path(), "100ms", "", &rest)
}

fn broker(scratch: &Scratch) -> (u16, Running) {
    let (folder, port) = (scratch.folder.path(), free_port());
    let users = folder.join("users");
    for (number, user) in ["gateway", "rosa", "luis"].into_iter().enumerate() {
        let mut command = Command::new("mosquitto_passwd");
        command.args(if number == 0 { &["-b", "-c"][..] } else { &["-b"][..] });
        assert!(command.arg(&users).args([user, "low tide"]).status().expect("mosquitto_passwd").success());
    }
    let access = scratch.write("access", ACCESS);
    let text = format!(
        "user root\nlistener {port} 127.0.0.1\nallow_anonymous false\npassword_file {}\nacl_file {}\n",
        users.display(),
        access.display()
    );
    let config = scratch.write("broker.conf", &text);
    let process =
        Running::start(Command::new("mosquitto").arg("-c").arg(config), &scratch.path("broker.log"));
    wait_for("the broker to listen", SOON, || TcpStream::connect(("127.0.0.1", port)).ok());
    (port, process)
}

struct Person {
    name: &'static str,
    key: &'static str,
    input: ChildStdin,
    output: BufReader<ChildStdout>,
    _child: Running,
    number: u64,
}

impl Person {
    fn new(port: u16, name: &'static str, key: &'static str) -> Self {
        let mut child: Child = Command::new(python())
            .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/e2e/commander.py"))
            .args([&port.to_string(), name, "low tide", &format!("pondreeve/g1/result/{name}")])
            .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/../deploy/schema"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python");
        let input = child.stdin.take().expect("piped");
        let mut output = BufReader::new(child.stdout.take().expect("piped"));
        let mut line = String::new();
        output.read_line(&mut line).expect("UTF-8");
        assert_eq!(line, "ready\n");
        Self { name, key, input, output, _child: Running(child), number: 100 }
    }

    fn topic(&self) -> String {
        format!("pondreeve/g1/command/{}", self.name)
    }

    /// Sends what a line of `commander.py` says; the result, or null.
    fn send(&mut self, line: Value) -> Value {
        let mut line = line;
        if line.get("topic").is_none() {
            line["topic"] = self.topic().into();
        }
        if line.get("key").is_none() {
            line["key"] = self.key.into();
        }
        writeln!(self.input, "{line}").expect("it listens");
        let mut answer = String::new();
        self.output.read_line(&mut answer).expect("UTF-8");
        serde_json::from_str(&answer).unwrap_or_else(|error| panic!("{line}: {answer:?}: {error}"))
    }

    /// A command with the next number, written so many seconds from now.
    fn command(&mut self, seconds: i64, asks: &Value) -> Value {
        self.number += 1;
        let at = jiff::Timestamp::now() + jiff::SignedDuration::from_secs(seconds);
        let mut command = json!({"format": 1, "number": self.number, "at": at.to_string()});
        for (key, value) in asks.as_object().expect("an object") {
            command[key] = value.clone();
        }
        json!({ "command": command })
    }

    fn ask(&mut self, asks: &Value) -> Value {
        let line = self.command(0, asks);
        self.send(line)
    }
}

fn refused(result: &Value, why: &str) {
    assert_eq!(result["done"], false, "{result}");
    assert!(result["said"].as_str().is_some_and(|said| said.contains(why)), "{why:?}: {result}");
}

fn trail(scratch: &Scratch) -> String {
    String::from_utf8(scratch.pondreeve(&["export", "--audit"]).stdout).expect("UTF-8")
}

fn readings(scratch: &Scratch, quantity: &str) -> Vec<String> {
    let out = scratch.pondreeve(&["export", "--quantity", quantity]).stdout;
    String::from_utf8(out).expect("UTF-8").lines().skip(1).map(str::to_owned).collect()
}

#[test]
fn signed_commands_of_known_people_are_done_once_and_nothing_else_is() {
    let scratch = Scratch::new();
    let (port, _broker) = broker(&scratch);
    scratch.write("password", "low tide\n");
    scratch.write("rosa.key", &format!("{ROSA_KEY}\n"));
    scratch.write("luis.key", &format!("{LUIS_KEY}\n"));
    scratch.write("farm.toml", &configuration(&scratch, port));
    let mut daemon = scratch.run_daemon();
    let mut rosa = Person::new(port, "rosa", ROSA_KEY);
    let mut luis = Person::new(port, "luis", LUIS_KEY);

    // A test kit's ammonia; two values are entered together.
    let kit = json!({"do": "enter", "pond": "p1", "values": {"tan_mg_l": 0.4, "ph": 8.1}});
    let line = rosa.command(0, &kit);
    let first = wait_for("the gateway to listen for commands", SOON, || {
        let mut line = line.clone();
        line["patience"] = 2.into();
        Some(rosa.send(line)).filter(|result| !result.is_null())
    });
    // What was sent while nobody listened may have been kept: then this is the answer to the repeat.
    assert_eq!((&first["done"], &first["number"]), (&json!(true), &json!(101)), "{first}");
    assert_eq!(readings(&scratch, "tan_mg_l").len(), 1);
    let own: Vec<String> =
        trail(&scratch).lines().filter(|row| row.contains("hand reading")).map(str::to_owned).collect();
    assert_eq!(own.len(), 2, "{own:?}");
    assert!(own.iter().all(|row| row.contains(r#""rosa","mqtt","hand reading""#)), "{own:?}");

    // The same message again, and after a kill: answered as before, not done again.
    let again = rosa.send(line.clone());
    assert_eq!((&again["done"], &again["repeat"]), (&json!(true), &json!(true)), "{again}");
    daemon.kill_hard();
    drop(daemon);
    let _daemon = scratch.run_daemon();
    let again = rosa.send(line.clone());
    assert_eq!((&again["done"], &again["repeat"]), (&json!(true), &json!(true)), "{again}");
    assert_eq!(readings(&scratch, "tan_mg_l").len(), 1, "entered once");

    // Another command with a used number, and one with an older one.
    let mut other = line.clone();
    other["command"]["values"]["tan_mg_l"] = 9.0.into();
    refused(&rosa.send(other.clone()), "number 101 is used up: the last was 101");
    other["command"]["number"] = 7.into();
    refused(&rosa.send(other), "number 7 is used up");

    // Who may what.
    let standing = wait_for("an alarm to acknowledge", SOON, || {
        let alarms = scratch.json(&["alarms"]);
        alarms.iter().find(|alarm| alarm["state"] == "unacknowledged")?["id"].as_str().map(str::to_owned)
    });
    let acknowledge = json!({"do": "acknowledge", "alarm": standing});
    refused(&luis.ask(&acknowledge), "luis may not acknowledge, only: enter");
    let done = rosa.ask(&acknowledge);
    assert_eq!(done["done"], true, "{done}");
    let alarms = scratch.json(&["alarms"]);
    let alarm = alarms.iter().find(|alarm| alarm["id"] == standing.as_str()).expect("it still stands");
    assert_eq!(alarm["state"], "acknowledged", "{alarm}");
    assert!(trail(&scratch).contains(r#""rosa","mqtt","acknowledge""#));
    refused(&rosa.ask(&json!({"do": "acknowledge", "alarm": "p1.no-such"})), "p1.no-such");

    // Signatures: another's secret, another's topic, a changed text.
    let mut forged = rosa.command(0, &kit);
    forged["key"] = LUIS_KEY.into();
    refused(&rosa.send(forged), "the signature does not fit");
    let mut elsewhere = rosa.command(0, &kit);
    elsewhere["topic"] = "pondreeve/g1/command/luis".into();
    elsewhere["patience"] = 3.into();
    assert_eq!(rosa.send(elsewhere), Value::Null, "the broker lets nobody write to another's topic");

    // Times: too old, too far ahead.
    let line = rosa.command(-90, &kit);
    refused(&rosa.send(line), "s old: 60 s are accepted");
    let line = rosa.command(120, &kit);
    refused(&rosa.send(line), "s ahead of the gateway's clock");

    // Forms.
    refused(
        &rosa.ask(&json!({"do": "enter", "pond": "p1", "values": {"ph": 8}, "colour": "red"})),
        "unknown field",
    );
    refused(&rosa.ask(&json!({"do": "enter", "pond": "p9", "values": {"ph": 8}})), "p9");
    refused(
        &rosa.ask(&json!({"do": "enter", "pond": "p1", "values": {"do_saturation_percent": 8}})),
        "computed",
    );
    refused(&rosa.ask(&json!({"do": "enter", "pond": "p1", "values": {"ph": 80}})), "cannot be");
    refused(&rosa.ask(&json!({"do": "enter", "pond": "p1", "values": {}})), "values");
    refused(&rosa.ask(&json!({"do": "shelve", "alarm": standing})), "unknown variant");
    refused(&rosa.send(json!({"raw": "{\"do\":\"enter\"}"})), "`signed` and `hmac` alone");
    refused(&rosa.send(json!({"raw": "x".repeat(5_000)})), "5000 bytes: 4096 are accepted");
    let mut retained = rosa.command(0, &kit);
    retained["retain"] = true.into();
    let taken = rosa.send(retained);
    // As it is published it comes without the mark; the copy that the broker keeps is passed over at the next start.
    assert_eq!(taken["done"], true, "{taken}");
    assert_eq!(readings(&scratch, "tan_mg_l").len(), 2);

    // A secret that is taken away works no longer.
    fs::write(scratch.path("luis.key"), "short\n").expect("written");
    refused(&luis.ask(&kit), "cannot read this person's secret");
    fs::write(scratch.path("luis.key"), format!("{LUIS_KEY}\n")).expect("written");
    let many: Vec<Value> = (0..60).map(|_| luis.ask(&kit)).collect();
    let held =
        many.iter().filter(|own| own["said"].as_str().is_some_and(|said| said.contains("in a minute")));
    let held = held.count();
    // Forty at once, and two more in each three seconds.
    assert!((1..=20).contains(&held), "{held} of 60 were over the rate");
    let trusted = many.iter().filter(|own| own["done"] == true).count();
    assert_eq!(readings(&scratch, "tan_mg_l").len(), 2 + trusted);
}
