//! A running daemon, asked from the command line.

use std::path::{Path, PathBuf};
use std::process::{Child, Output, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::{json_lines, pondreeve, text, told};

/// Longest wait for a daemon to answer or end; the machine may be busy.
const PATIENCE: Duration = Duration::from_secs(30);

/// A daemon on a farm whose only broker is not there.
struct Daemon {
    child: Child,
    folder: Option<tempfile::TempDir>,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn farm(folder: &Path) -> PathBuf {
    let text = r#"
[farm]
name = "Tidewick Ponds"
gateway = "tidewick"
time_zone = "-05:00"
latitude = -3.4
longitude = -80.2
pressure_hpa = 1011.0

[store]
path = "store"

[local]
socket = "p.sock"
mode = "600"

[[pond]]
id = "p1"
name = "Heron"
species = "vannamei"
stage = "grow-out"
area_m2 = 5000
depth_m = 1.5
salinity_psu = 18

[[broker]]
id = "nodes"
host = "127.0.0.1"
port = 1

[[broker.probe]]
id = "p1-oxygen"
pond = "p1"
topic = "p1/oxygen"
sends_every = "1m"
value = [{ quantity = "do_mg_l" }]
"#;
    let path = folder.join("farm.toml");
    std::fs::write(&path, text).unwrap();
    path
}

impl Daemon {
    fn start() -> Self {
        Self::start_in(tempfile::tempdir().unwrap())
    }

    fn start_in(folder: tempfile::TempDir) -> Self {
        let config = farm(folder.path());
        let log = std::fs::File::create(folder.path().join("log")).unwrap();
        let child = pondreeve()
            .args(["run", "--log", "warn", "--config"])
            .arg(&config)
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        let mut daemon = Self { child, folder: Some(folder) };
        let begun = Instant::now();
        while daemon.ask(&["status"]).status.code() != Some(0) {
            let log = std::fs::read_to_string(daemon.folder().join("log")).unwrap();
            assert!(daemon.child.try_wait().unwrap().is_none(), "the daemon ended: {log}");
            assert!(begun.elapsed() < PATIENCE, "the daemon does not answer: {log}");
            std::thread::sleep(Duration::from_millis(50));
        }
        daemon
    }

    fn folder(&self) -> &Path {
        self.folder.as_ref().unwrap().path()
    }

    fn ask(&self, arguments: &[&str]) -> Output {
        pondreeve().args(arguments).arg("--socket").arg(self.folder().join("p.sock")).output().unwrap()
    }
}

#[test]
fn a_daemon_is_asked_told_and_stopped() {
    let mut daemon = Daemon::start();

    // What is entered is shown, with its quality, at once.
    let entered = daemon.ask(&["enter", "--pond", "p1", "do_mg_l=4.7", "tan_mg_l=0.9", "--json"]);
    assert_eq!(told(&entered), (0, String::new()));
    let line = &json_lines(&entered)[0];
    assert_eq!((&line["pond"], &line["values"]["tan_mg_l"]), (&Value::from("p1"), &Value::from(0.9)));
    let status = daemon.ask(&["status", "--json"]);
    let farm = &json_lines(&status)[0];
    let oxygen = farm["ponds"][0]["readings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|reading| reading["quantity"] == "do_mg_l")
        .unwrap();
    assert_eq!(oxygen["value"], 4.7);
    let plain = text(&daemon.ask(&["status", "p1"]).stdout);
    assert!(plain.contains("p1 Heron\n") && plain.contains("4.70 mg/L"), "{plain}");

    // All or nothing, and each fault names what is accepted.
    let (status, message) = told(&daemon.ask(&["enter", "--pond", "p1", "ph=8.2", "tan=0.5"]));
    assert_eq!(status, 2);
    assert!(
        message.contains("nothing was entered") && message.contains("'tan' is not a quantity"),
        "{message}"
    );
    let plain = text(&daemon.ask(&["status"]).stdout);
    assert!(!plain.contains("8.20"), "part of what was refused was entered: {plain}");
    let (status, message) = told(&daemon.ask(&["enter", "--pond", "p9", "ph=8.2"]));
    assert_eq!(
        (status, message.as_str()),
        (2, "pondreeve: there is no pond 'p9' on the farm; accepted is p1\n")
    );
    let (status, message) =
        told(&daemon.ask(&["enter", "--pond", "p1", "ph=8.2", "--at", "2199-01-01T00:00:00Z"]));
    assert_eq!(status, 2);
    assert!(message.contains("lies ahead"), "{message}");
    let (status, message) = told(&daemon.ask(&["acknowledge", "p1.nonsense"]));
    assert_eq!(status, 2);
    assert!(message.contains("acknowledging 'p1.nonsense' failed: no such alarm stands"), "{message}");

    // A second daemon on the same store is told so and disturbs nothing.
    let second =
        pondreeve().args(["run", "--config"]).arg(daemon.folder().join("farm.toml")).output().unwrap();
    let (status, message) = told(&second);
    assert_eq!(status, 1, "{message}");
    assert!(
        message.contains("another pondreeve") && message.contains("is running on the store"),
        "{message}"
    );
    assert_eq!(daemon.ask(&["status"]).status.code(), Some(0));

    // An orderly stop, and what was entered is there after the next start.
    let pid = nix::unistd::Pid::from_raw(i32::try_from(daemon.child.id()).unwrap());
    nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGHUP).unwrap();
    nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).unwrap();
    assert_eq!(daemon.child.wait().unwrap().code(), Some(0));
    assert_eq!(daemon.ask(&["status"]).status.code(), Some(1));
    let daemon = Daemon::start_in(daemon.folder.take().unwrap());
    let plain = text(&daemon.ask(&["status"]).stdout);
    assert!(plain.contains("0.90 mg/L"), "{plain}");
}

/// The broker of the readings is not there: an alarm, which somebody acknowledges.
#[test]
fn an_alarm_is_acknowledged_in_somebodys_name() {
    let daemon = Daemon::start();
    let id = "gateway.broker.nodes";
    let standing =
        || json_lines(&daemon.ask(&["alarms", "--json"])).into_iter().find(|alarm| alarm["id"] == id);
    let begun = Instant::now();
    while standing().is_none() {
        assert!(begun.elapsed() < PATIENCE, "no alarm of the broker");
        std::thread::sleep(Duration::from_millis(50));
    }
    assert_eq!(standing().unwrap()["state"], "unacknowledged");
    let plain = text(&daemon.ask(&["alarms"]).stdout);
    assert!(plain.contains(&format!("pondreeve acknowledge {id}")), "{plain}");

    let user = nix::unistd::User::from_uid(nix::unistd::getuid()).unwrap().unwrap().name;
    let output = daemon.ask(&["acknowledge", id]);
    assert_eq!(told(&output), (0, String::new()));
    let plain = text(&output.stdout);
    assert!(plain.starts_with("Acknowledged at ") && plain.contains(&format!(" by {user}: ")), "{plain}");
    let now = standing().unwrap();
    assert_eq!(
        (&now["state"], &now["acknowledged_by"]),
        (&Value::from("acknowledged"), &Value::from(user.as_str()))
    );

    // Once more changes nothing and is no failure.
    let again = daemon.ask(&["acknowledge", id]);
    assert_eq!(again.status.code(), Some(0));
    assert!(text(&again.stdout).starts_with("Already acknowledged at "), "{}", text(&again.stdout));
}

#[test]
fn a_log_level_that_is_none_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let config = farm(folder.path());
    let output = pondreeve().args(["run", "--log", "loud=very", "--config"]).arg(config).output().unwrap();
    let (status, message) = told(&output);
    assert_eq!(status, 2);
    assert!(message.contains("--log loud=very") && message.contains("accepted is error"), "{message}");
}
