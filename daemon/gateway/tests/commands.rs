//! The program as it is typed: help, messages, exit statuses, replay, and a daemon that is asked.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

/// Longest wait for a daemon to answer or end; the machine may be busy.
const PATIENCE: Duration = Duration::from_secs(30);

fn pondreeve() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_pondreeve"));
    for name in ["PONDREEVE_SOCKET", "RUST_LOG", "LC_ALL", "LC_CTYPE"] {
        command.env_remove(name);
    }
    // Help is wrapped for a serial console wherever the tests run.
    command.env("COLUMNS", "80").env("LANG", "C.UTF-8").stdin(Stdio::null());
    command
}

fn ran(arguments: &[&str]) -> Output {
    pondreeve().args(arguments).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// Exit status and standard error.
fn told(output: &Output) -> (i32, String) {
    (output.status.code().unwrap(), text(&output.stderr))
}

fn json_lines(output: &Output) -> Vec<Value> {
    text(&output.stdout).lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn help_says_what_each_command_is_for() {
    let mut all = text(&ran(&["--help"]).stdout);
    for command in ["run", "console", "status", "alarms", "acknowledge", "enter", "replay"] {
        let output = ran(&[command, "--help"]);
        assert_eq!(output.status.code(), Some(0));
        all.push_str(&format!("\n---------- {command}\n"));
        all.push_str(&text(&output.stdout));
    }
    for line in all.lines() {
        assert!(line.chars().count() <= 80, "wider than a serial console: {line}");
    }
    insta::assert_snapshot!(all);
}

#[test]
fn wrong_usage_is_status_2() {
    for wrong in [
        &["frobnicate"] as &[&str],
        &[],
        &["acknowledge"],
        &["enter", "--pond", "p1"],
        &["replay", "a.csv"],
        &["replay", "--latitude", "9", "a.csv"],
        &["replay", "--config", "farm.toml", "a.csv"],
        &["replay", "--config", "farm.toml", "--pond", "p1", "--latitude", "9", "a.csv"],
        &["replay", "--latitude", "9", "--longitude", "9", "--only", "weather", "a.csv"],
        &["run"],
        &["run", "--config", "/nowhere/farm.toml"],
        &["replay", "--latitude", "9", "--longitude", "9", "/nowhere/a.csv"],
    ] {
        let output = ran(wrong);
        assert_eq!(output.status.code(), Some(2), "{wrong:?}: {}", text(&output.stderr));
        assert!(!output.stderr.is_empty() && output.stdout.is_empty(), "{wrong:?}");
    }
}

#[test]
fn a_daemon_that_is_not_there_is_status_1_and_one_line() {
    for command in [
        &["status"] as &[&str],
        &["alarms"],
        &["acknowledge", "p1.ph-high"],
        &["enter", "--pond", "p1", "ph=8"],
    ] {
        let output = pondreeve().args(command).args(["--socket", "/nowhere/p.sock"]).output().unwrap();
        let (status, message) = told(&output);
        assert_eq!(status, 1, "{command:?}");
        assert_eq!(
            message,
            "pondreeve: no pondreeve answers at /nowhere/p.sock: start it with `pondreeve run --config FILE`, \
             or name its socket with --socket\n"
        );
    }
}

/// Writes a recording and replays it.
fn replayed(recordings: &[&str], more: &[&str]) -> Output {
    let folder = tempfile::tempdir().unwrap();
    let mut command = pondreeve();
    command
        .current_dir(folder.path())
        .args(["replay", "--latitude", "9.5", "--longitude", "-75.6"])
        .args(more);
    for (index, recording) in recordings.iter().enumerate() {
        let name = format!("{index}.csv");
        std::fs::write(folder.path().join(&name), recording).unwrap();
        command.arg(name);
    }
    command.output().unwrap()
}

/// `time quantity value flag` of each reading that carries a value.
fn readings(output: &Output) -> Vec<String> {
    json_lines(output)
        .iter()
        .filter(|line| line["kind"] == "reading" && !line["raw"].is_null())
        .map(|line| {
            let at = line["at"].as_str().unwrap();
            format!("{at} {} {} {}", line["quantity"].as_str().unwrap(), line["value"], line["flag"])
        })
        .collect()
}

/// What spreadsheets and loggers make of a file: a byte order mark, both line ends, quotes, another
/// offset, empty cells, empty lines. Nothing of it is a fault.
#[test]
fn a_recording_is_read_however_it_was_written() {
    let recording = concat!(
        "\u{feff}time_utc,\"do_mg_l\",temperature_c\r\n",
        "2026-03-01T18:00:00Z,6.0,28.5\r\n",
        "\"2026-03-01T18:15:00Z\",6.25,\r\n",
        "\r\n",
        "2026-03-01T13:30:00-05:00, 6.5 ,\"28.75\"\r\n",
        "2026-03-01T18:45:00Z,,28.5",
    );
    let output = replayed(&[recording], &[]);
    assert_eq!(
        told(&output),
        (
            0,
            "pondreeve replay: oxygen counts as stale 22 min after a reading, as missing after 37 min\n"
                .to_owned()
        )
    );
    assert_eq!(
        readings(&output),
        [
            "2026-03-01T18:00:00Z do_mg_l 6.0 1",
            "2026-03-01T18:00:00Z temperature_c 28.5 1",
            "2026-03-01T18:15:00Z do_mg_l 6.25 1",
            "2026-03-01T18:30:00Z do_mg_l 6.5 1",
            "2026-03-01T18:30:00Z temperature_c 28.75 1",
            "2026-03-01T18:45:00Z temperature_c 28.5 1",
        ]
    );
    for line in json_lines(&output) {
        assert_eq!(line["pond"], "p1");
        assert!(line["at"].as_str().unwrap().ends_with('Z'));
    }
}

#[test]
fn what_cannot_be_read_is_said_with_its_place_and_the_rest_goes_on() {
    let recording = concat!(
        "time_utc,do_mg_l,temperature_c,station,nh3_n_mg_l\n",
        "2026-03-01T18:00:00Z,6.0,28.5,north,0.1\n",
        "2026-03-01T18:15:00Z,n/a,28.5,north,\n",
        "2026-03-01T18:05:00Z,6.3,28.6,north,\n",
        "yesterday,6.3,28.6,north,\n",
        "2026-03-01T18:30:00,6.3,28.6,north,\n",
        "2026-03-01T18:30:00Z,6.3,28.6\n",
        "2026-03-01T18:30:00Z,26.0,NaN,\"two\nlines\",\n",
        "2026-03-01T18:45:00Z,inf,28.6,north,\n",
    );
    let output = replayed(&[recording], &[]);
    let (status, message) = told(&output);
    assert_eq!(status, 2);
    insta::assert_snapshot!(message);
    assert_eq!(
        readings(&output),
        [
            "2026-03-01T18:00:00Z do_mg_l 6.0 1",
            "2026-03-01T18:00:00Z temperature_c 28.5 1",
            "2026-03-01T18:15:00Z temperature_c 28.5 1",
            // The row is out of order but not dropped: its temperature is older than one already read
            // and suspect, its oxygen is the newest there is.
            "2026-03-01T18:05:00Z do_mg_l 6.3 1",
            "2026-03-01T18:05:00Z temperature_c 28.6 3",
            // Above 25 mg/L a probe is not believed.
            "2026-03-01T18:30:00Z do_mg_l 26.0 4",
            "2026-03-01T18:45:00Z temperature_c 28.6 1",
        ]
    );
    let late = json_lines(&output)
        .into_iter()
        .find(|line| line["at"] == "2026-03-01T18:05:00Z" && line["quantity"] == "temperature_c")
        .unwrap();
    assert_eq!((&late["tests"]["order"], &late["tests"]["gross_range"]), (&Value::from(3), &Value::from(1)));
}

#[test]
fn a_column_of_faults_is_counted_rather_than_listed() {
    let mut recording = "time_utc,do_mg_l\n".to_owned();
    for minute in 0..40 {
        recording.push_str(&format!("2026-03-01T18:{minute:02}:00Z,NA\n"));
    }
    let (status, message) = told(&replayed(&[&recording], &[]));
    assert_eq!(status, 2);
    assert_eq!(message.lines().filter(|line| line.contains("is not a number")).count(), 10);
    assert!(
        message.ends_with("0.csv, column 'do_mg_l': 30 more values that could not be read, 40 in all\n"),
        "{message}"
    );
}

#[test]
fn a_header_that_cannot_be_used_is_refused_with_what_is_accepted() {
    for (recording, found) in [
        ("", "0.csv failed: the file is empty"),
        ("do_mg_l,ph\n", "line 1 has no column 'time_utc', it has 'do_mg_l', 'ph'"),
        ("time_utc,oxygen\n", "no column of line 1 is a quantity, they are 'time_utc', 'oxygen'"),
        ("time_utc,ph,ph\n", "line 1 has the column 'ph' twice"),
    ] {
        let output = replayed(&[recording], &[]);
        let (status, message) = told(&output);
        assert_eq!((status, output.stdout.len()), (2, 0), "{message}");
        assert!(message.contains(found) && message.starts_with("pondreeve: "), "{message}");
    }
}

#[test]
fn several_files_are_one_recording_and_only_what_is_wanted_is_printed() {
    let first =
        "time_utc,do_mg_l\n2026-03-01T18:00:00Z,6.0\n2026-03-01T18:30:00Z,6.1\n2026-03-01T19:00:00Z,6.2\n";
    let second =
        "time_utc,temperature_c,do_mg_l\n2026-03-01T19:30:00Z,28.5,6.3\n2026-03-01T20:00:00Z,28.5,6.4\n";
    let output = replayed(&[first, second], &["--only", "reading,alarm", "--pond", "north"]);
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(
        readings(&output),
        [
            "2026-03-01T18:00:00Z do_mg_l 6.0 1",
            "2026-03-01T18:30:00Z do_mg_l 6.1 1",
            "2026-03-01T19:00:00Z do_mg_l 6.2 1",
            "2026-03-01T19:30:00Z temperature_c 28.5 1",
            "2026-03-01T19:30:00Z do_mg_l 6.3 1",
            "2026-03-01T20:00:00Z temperature_c 28.5 1",
            "2026-03-01T20:00:00Z do_mg_l 6.4 1",
        ]
    );
    for line in json_lines(&output) {
        assert!(line["kind"] == "reading" || line["kind"] == "alarm", "{line}");
        assert_eq!(line["pond"], "north");
    }
}

/// A night without trouble, recorded each half hour: no alarm may come of the recording's own step.
#[test]
fn a_slow_recording_is_not_an_outage() {
    let start: jiff::Timestamp = "2026-03-01T18:00:00Z".parse().unwrap();
    let mut recording = "time_utc,do_mg_l,temperature_c\n".to_owned();
    for step in 0..48 {
        let at = start + jiff::SignedDuration::from_mins(30 * step);
        // Down by 0.08 mg/L a row from 9 in the afternoon: 5.2 at the end.
        recording.push_str(&format!("{at},{:.2},28.5\n", 9.0 - 0.08 * step as f64));
    }
    let output = replayed(&[&recording], &["--only", "alarm"]);
    assert_eq!((output.status.code(), text(&output.stdout).as_str()), (Some(0), ""));
}

/// Oxygen that stays at 2.5 mg/L: the warning (below 4 for 10 min) and the critical alarm (below 3 for
/// 5 min) come at their delays; the emergency (below 2) does not.
#[test]
fn low_oxygen_raises_its_alarms_at_their_delays() {
    let mut recording = "time_utc,do_mg_l,temperature_c\n".to_owned();
    for minute in 0..20 {
        let value = if minute < 3 { 6.0 } else { 2.5 };
        recording.push_str(&format!("2026-03-01T18:{minute:02}:00Z,{value},28.5\n"));
    }
    let output = replayed(&[&recording], &["--only", "alarm"]);
    let raised: Vec<String> = json_lines(&output)
        .iter()
        .filter(|line| line["id"].as_str().unwrap().starts_with("p1.do-low"))
        .map(|line| {
            format!("{} {} {} {}", line["at"], line["id"], line["previous_state"], line["state"])
                .replace('"', "")
        })
        .collect();
    assert_eq!(
        raised,
        [
            "2026-03-01T18:08:00Z p1.do-low-critical normal unacknowledged",
            "2026-03-01T18:13:00Z p1.do-low-warn normal unacknowledged",
        ]
    );
}

#[test]
fn a_reader_that_leaves_is_no_failure() {
    let mut recording = "time_utc,do_mg_l,temperature_c\n".to_owned();
    for hour in 0..24 {
        for minute in 0..60 {
            recording.push_str(&format!("2026-03-01T{hour:02}:{minute:02}:00Z,6.5,28.5\n"));
        }
    }
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("day.csv"), recording).unwrap();
    let mut child = pondreeve()
        .current_dir(folder.path())
        .args(["replay", "--latitude", "9.5", "--longitude", "-75.6", "day.csv"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    let (status, message) = told(&output);
    assert_eq!(status, 0);
    assert!(!message.contains("Broken pipe") && !message.contains("panicked"), "{message}");
}

/// A daemon on a farm whose only broker is not there.
struct Daemon {
    child: Child,
    folder: tempfile::TempDir,
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
        let folder = tempfile::tempdir().unwrap();
        let config = farm(folder.path());
        let log = std::fs::File::create(folder.path().join("log")).unwrap();
        let child = pondreeve()
            .args(["run", "--log", "warn", "--config"])
            .arg(&config)
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        let mut daemon = Self { child, folder };
        let begun = Instant::now();
        while daemon.ask(&["status"]).status.code() != Some(0) {
            let log = std::fs::read_to_string(daemon.folder.path().join("log")).unwrap();
            assert!(daemon.child.try_wait().unwrap().is_none(), "the daemon ended: {log}");
            assert!(begun.elapsed() < PATIENCE, "the daemon does not answer: {log}");
            std::thread::sleep(Duration::from_millis(50));
        }
        daemon
    }

    fn ask(&self, arguments: &[&str]) -> Output {
        pondreeve().args(arguments).arg("--socket").arg(self.folder.path().join("p.sock")).output().unwrap()
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
        pondreeve().args(["run", "--config"]).arg(daemon.folder.path().join("farm.toml")).output().unwrap();
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
