//! The real program with a horn that is there: a relay served by pymodbus, programs that write files, a
//! broker that hears the calls.

use std::fs;
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use pondreeve_tests::{Mosquitto, Running, Scratch, one_pond, python, wait_for};

const SOON: Duration = Duration::from_secs(30);

/// One pond whose alarms come without delay, so that the tests do not sit through them.
fn farm(scratch: &Scratch, rest: &str) -> String {
    let rest = format!(
        r#"
aerator = [{{ id = "a", power_kw = 4.5, sae_kg_kwh = 1.2 }}]

[pond.limits.do_low_mg_l]
warn = {{ limit = 4.0, on_delay = "0s", off_delay = "0s", source = "test" }}
critical = {{ limit = 3.0, on_delay = "0s", off_delay = "0s", source = "test" }}
emergency = {{ limit = 2.0, on_delay = "0s", off_delay = "0s", source = "test" }}

{rest}
"#
    );
    one_pond(scratch.folder.path(), "1s", "", &rest)
}

/// A line with an oxygen probe and a relay at its far end.
struct FarEnd {
    said: Receiver<String>,
    commands: ChildStdin,
    _server: Running,
    _line: Running,
}

impl FarEnd {
    fn start(folder: &Path) -> Self {
        let end = |name: &str| format!("pty,raw,echo=0,link={}", folder.join(name).display());
        let line =
            Running::start(Command::new("socat").arg(end("far")).arg(end("near")), &folder.join("socat.log"));
        wait_for("socat's pseudo-terminals", SOON, || {
            (folder.join("far").exists() && folder.join("near").exists()).then_some(())
        });
        let project = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
        let mut server = Command::new(python())
            .arg(project.join("tests/e2e/relay_server.py"))
            .arg(folder.join("far"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(fs::File::create(folder.join("pymodbus.log")).expect("log"))
            .spawn()
            .expect("python runs");
        let out = BufReader::new(server.stdout.take().expect("piped"));
        let (send, said) = channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    break;
                }
            }
        });
        let commands = server.stdin.take().expect("piped");
        let far_end = Self { said, commands, _server: Running(server), _line: line };
        far_end.hears("ready");
        far_end
    }

    fn tell(&mut self, command: &str) {
        writeln!(self.commands, "{command}").expect("pymodbus reads");
    }

    /// Waits for a line, passing over others.
    #[track_caller]
    fn hears(&self, wanted: &str) {
        self.hears_all(&[wanted]);
    }

    /// Waits for lines in any order: horn and lamp are switched side by side.
    #[track_caller]
    fn hears_all(&self, wanted: &[&str]) {
        let (mut left, mut passed) = (wanted.to_vec(), Vec::new());
        while !left.is_empty() {
            match self.said.recv_timeout(SOON) {
                Ok(line) => match left.iter().position(|wanted| *wanted == line) {
                    Some(place) => _ = left.remove(place),
                    None => passed.push(line),
                },
                Err(_) => panic!("no {left:?} within {SOON:?}; heard {passed:?}"),
            }
        }
    }

    /// Everything said and not yet asked about.
    fn rest(&self) -> Vec<String> {
        self.said.try_iter().collect()
    }
}

fn alarm(scratch: &Scratch, id: &str) -> Option<serde_json::Value> {
    scratch.json(&["alarms"]).into_iter().find(|alarm| alarm["id"] == id)
}

#[track_caller]
fn acknowledge(scratch: &Scratch, id: &str) {
    let done = scratch.pondreeve(&["acknowledge", id]);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}

#[test]
fn a_relay_sounds_the_horn_and_pulling_it_off_raises_an_alarm() {
    let scratch = Scratch::new();
    let folder = scratch.folder.path();
    let mut far_end = FarEnd::start(folder);
    let rest = format!(
        r#"
[[bus]]
id = "line"
device = "{}/near"

[[bus.probe]]
id = "p1-oxygen"
pond = "p1"
address = 11
profile = "optical-oxygen"
poll_every = "2s"
timeout = "200ms"

[annunciation]
horn = {{ label = "siren", relay = {{ bus = "line", address = 60, coil = 0 }} }}
lamp = {{ label = "red lamp", relay = {{ bus = "line", address = 60, coil = 2, inverted = true }} }}
"#,
        folder.display()
    );
    scratch.write("farm.toml", &farm(&scratch, &rest));
    let mut daemon = scratch.run_daemon();

    // All coils were found on. At the start each output gets the state it should have: silent, dark.
    far_end.hears("coil 0 off");
    std::thread::sleep(Duration::from_secs(1));
    assert!(!far_end.rest().contains(&"coil 2 off".to_owned()), "inverted: dark is on");

    // Low oxygen over the same line: sound and light.
    far_end.tell("oxygen 2.6");
    far_end.hears_all(&["coil 0 on", "coil 2 off"]);
    wait_for("the alarm", SOON, || alarm(&scratch, "p1.do-low-critical"));

    // Acknowledged: silent, but still lit.
    acknowledge(&scratch, "p1.do-low-critical");
    far_end.hears("coil 0 off");
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(far_end.rest(), [""; 0], "the lamp stays lit");

    // The relay is pulled off. The next time the horn should sound, that it cannot is an alarm of its own.
    far_end.tell("pull");
    far_end.tell("oxygen 1.6");
    let raised = wait_for("the horn's own alarm", SOON, || alarm(&scratch, "gateway.horn"));
    assert_eq!(raised["priority"], 2);
    let message = raised["message"].as_str().expect("text");
    for part in
        ["the horn (siren) could not be switched on", "address 60", "bus line", "no answer within 300ms"]
    {
        assert!(message.contains(part), "{part}: {message}");
    }
    // The probe on the same line is still read.
    far_end.tell("oxygen 1.7");
    wait_for("a reading beside a dead relay", SOON, || {
        scratch.json(&["status"]).iter().any(|line| line.to_string().contains("1.7")).then_some(())
    });

    // Plugged in again it sounds, and the alarm is over without anybody's doing.
    far_end.tell("plug");
    wait_for("the horn's alarm to return to normal", SOON, || {
        alarm(&scratch, "gateway.horn").filter(|alarm| alarm["state"] == "returned-unacknowledged")
    });
    // pymodbus had taken the write and kept its answer back: the coil is on since then.
    let status = scratch.json(&["status"]);
    assert!(status.iter().any(|line| line["horn"] == true && line["lamp"] == true), "{status:?}");

    // A stop leaves the horn silent and the lamp as it is.
    let _ = far_end.rest();
    assert!(daemon.stop(SOON).success());
    far_end.hears("coil 0 off");
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(far_end.rest(), [""; 0]);
}

#[test]
fn people_are_called_in_turn_and_a_restart_neither_repeats_nor_forgets() {
    let scratch = Scratch::new();
    let folder = scratch.folder.path().display().to_string();
    let broker = Mosquitto::start(scratch.folder.path());
    let port = broker.port;
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
qos = 1
sends_every = "1m"
value = [{{ quantity = "do_mg_l", json = "/oxygen" }}]

[[destination]]
id = "office"
host = "127.0.0.1"
port = {port}

[annunciation.horn]
label = "siren"
command = {{ program = "/bin/sh", arguments = ["-c", "echo $1 >> {folder}/horn", "horn"] }}

[annunciation.calls]
command = {{ program = "/bin/sh", arguments = ["-c", "cat >> {folder}/calls", "call"] }}

[[annunciation.calls.step]]
id = "on-shift"
name = "technician on shift"
after = "0s"

[[annunciation.calls.step]]
id = "second-person"
name = "second person"
after = "6s"

[[annunciation.calls.step]]
id = "adviser"
name = "adviser"
after = "7s"
command = {{ program = "/bin/sh", arguments = ["-c", "echo out of credit >&2; exit 1", "call"] }}
"#
    );
    scratch.write("farm.toml", &farm(&scratch, &rest));
    let outside = broker.listen("pondreeve/g1/call");
    let mut daemon = scratch.run_daemon();
    let calls = || -> Vec<serde_json::Value> {
        let text = fs::read_to_string(scratch.path("calls")).unwrap_or_default();
        text.lines().map(|line| serde_json::from_str(line).expect("one JSON object a line")).collect()
    };
    wait_for("the alarm", SOON, || {
        broker.publish("nodes/p1", r#"{"oxygen": 2.6}"#, 1);
        alarm(&scratch, "p1.do-low-critical")
    });
    let first = wait_for("the first call", SOON, || calls().pop());
    assert_eq!(first["step"], "on-shift");
    assert_eq!(first["id"], "p1.do-low-critical");
    assert_eq!(first["priority"], 1);
    assert!(first["message"].as_str().expect("text").contains("2.6"), "{first}");
    assert_eq!(first["alarms"][0]["pond"], "p1");
    wait_for("the call to be known as done", SOON, || {
        alarm(&scratch, "p1.do-low-critical").filter(|alarm| alarm["called"][0]["outcome"] == "done")
    });

    // The power goes between two steps, and is away while the second falls due.
    daemon.kill_hard();
    std::thread::sleep(Duration::from_secs(8));
    let mut daemon = scratch.run_daemon();
    wait_for("the second call", SOON, || (calls().len() >= 2).then_some(()));
    let steps: Vec<String> = calls().iter().map(|call| call["step"].to_string()).collect();
    assert_eq!(steps, ["\"on-shift\"", "\"second-person\""], "none twice, none left out");
    for step in ["on-shift", "second-person", "adviser"] {
        outside.find(step, SOON, |_, payload| payload.contains(&format!("\"step\":\"{step}\"")));
    }
    // The adviser's program fails; that is an alarm, and beside the first one it says so.
    let failed = wait_for("the failed call to be told", SOON, || alarm(&scratch, "gateway.call.adviser"));
    assert!(failed["message"].as_str().expect("text").contains("out of credit"), "{failed}");
    let shown = String::from_utf8(scratch.pondreeve(&["alarms"]).stdout).expect("UTF-8");
    assert!(shown.contains("called: technician on shift") && shown.contains("second person"), "{shown}");

    acknowledge(&scratch, "p1.do-low-critical");
    let horn = || fs::read_to_string(scratch.path("horn")).unwrap_or_default();
    // The failed call is an alarm of priority high and sounds as well.
    acknowledge(&scratch, "gateway.call.adviser");
    wait_for("the horn to fall silent", SOON, || horn().ends_with("on\noff\n").then_some(()));
    assert!(daemon.stop(SOON).success());
    assert!(horn().ends_with("off\n"), "{}", horn());
    assert_eq!(calls().len(), 2);
}
