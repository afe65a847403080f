//! A running daemon, asked from the command line.

use std::path::{Path, PathBuf};
use std::process::{Child, Output, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::{json_lines, pondreeve, text, told};

/// Longest wait for a daemon to answer or end; the machine may be busy.
const PATIENCE: Duration = Duration::from_secs(30);

/// A daemon on a farm whose only broker is not there.
pub(super) struct Daemon {
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
    pub(super) fn start() -> Self {
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

    /// The same farm after the power went.
    pub(super) fn killed_and_started_again(mut self) -> Self {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        let folder = self.folder.take().unwrap();
        Self::start_in(folder)
    }

    fn folder(&self) -> &Path {
        self.folder.as_ref().unwrap().path()
    }

    pub(super) fn ask(&self, arguments: &[&str]) -> Output {
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

/// What the kit counts is said after a colon, and the answer says what was stored.
#[test]
fn a_kit_that_counts_otherwise_is_converted() {
    let daemon = Daemon::start();
    let typed = ["tan_mg_l=2.0:NH4", "nitrite_mg_l=0.3", "do_mg_l=4.7"];
    let output = daemon.ask(&[&["enter", "--pond", "p1", "--json"], &typed[..]].concat());
    assert_eq!(told(&output), (0, String::new()));
    let line = &json_lines(&output)[0];
    // 14.007 g of N in 18.039 g of NH4.
    let stored = line["values"]["tan_mg_l"].as_f64().unwrap();
    assert!((stored - 1.5530).abs() < 2e-4, "{line}");
    assert_eq!(line["values"]["nitrite_mg_l"], 0.3, "without a suffix: as N");
    assert_eq!(line["conversions"].as_array().unwrap().len(), 1, "{line}");
    let conversion = &line["conversions"][0];
    assert_eq!((&conversion["typed_as"], &conversion["stored_as"]), (&Value::from("NH4"), &Value::from("N")));
    let check = &line["checks"][0];
    assert_eq!((&check["probe"], &check["hand"]), (&Value::from("p1-oxygen"), &Value::from(4.7)));
    assert!(check["probe_value"].is_null() && check["check_probe"] == false, "it has read nothing: {check}");

    let plain = text(&daemon.ask(&["enter", "--pond", "p1", "tan_mg_l=2.0:NH4", "do_mg_l=4.7"]).stdout);
    assert!(plain.contains("2.0 mg/L as NH4 is 1.55 mg/L as N"), "{plain}");
    assert!(plain.contains("Probe p1-oxygen: no reading within 15 minutes"), "{plain}");
    let plain = text(&daemon.ask(&["status", "p1"]).stdout);
    assert!(plain.contains("1.55 mg/L"), "{plain}");

    let (status, message) = told(&daemon.ask(&["enter", "--pond", "p1", "ph=8.2", "phosphate_mg_l=1:NO3"]));
    assert_eq!(status, 2);
    assert!(message.contains("nothing was entered") && message.contains("accepted is P or PO4"), "{message}");
    assert!(!text(&daemon.ask(&["status"]).stdout).contains("8.20"));
}

/// A client of the first version asks in these words; its answer has what it knows to read.
#[test]
fn a_request_in_the_first_versions_words_is_answered() {
    use std::io::{BufRead as _, Write as _};
    let daemon = Daemon::start();
    let mut stream = std::os::unix::net::UnixStream::connect(daemon.folder().join("p.sock")).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let request = r#"{"ask":{"what":"enter","pond":"p1","values":[["tan_mg_l",0.9]],"at":null}}"#;
    stream.write_all(format!("{request}\n").as_bytes()).unwrap();
    let mut answer = String::new();
    std::io::BufReader::new(stream).read_line(&mut answer).unwrap();
    assert_eq!(answer.trim_end(), r#"{"is":"done","warning":null}"#);
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

/// Any alarm and any pond's advice is explained, with the source of its limit; what is not known is said.
#[test]
fn an_alarm_and_an_advice_are_explained() {
    let daemon = Daemon::start();
    let entered = daemon.ask(&["enter", "--pond", "p1", "do_mg_l=5.2", "temperature_c=29"]);
    assert_eq!(told(&entered).0, 0);
    let plain = text(&daemon.ask(&["why", "p1.do-low-critical"]).stdout);
    for part in [
        "Not in alarm: oxygen 5.2 mg/L.",
        "oxygen below 3.0 mg/L for 5 min",
        "by hand",
        "Boyd",
        "Walk, do not run",
    ] {
        assert!(plain.contains(part), "{part} in {plain}");
    }
    assert!(plain.lines().all(|line| line.chars().count() <= 80), "{plain}");
    let json = json_lines(&daemon.ask(&["why", "p1", "--json"]));
    assert_eq!(json[0]["id"], "p1");
    let inputs = json[0]["inputs"].as_array().unwrap();
    assert!(inputs.iter().any(|input| input["value"] == 5.2 && input["probe"].is_null()), "{inputs:?}");
    let unknown = daemon.ask(&["why", "p1.do-low-critial"]);
    let (status, message) = told(&unknown);
    assert_eq!(status, 2);
    assert!(
        message.contains("Ponds: p1") && message.contains("did you mean `p1.do-low-critical`?"),
        "{message}"
    );
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

/// What is kept is printed with its flags; a copy made while the daemon runs is whole, becomes a store, and
/// a daemon on that store knows what the first one knew. One flipped bit in the copy is noticed.
#[test]
fn what_is_kept_is_exported_backed_up_and_restored() {
    let daemon = Daemon::start();
    assert_eq!(daemon.ask(&["enter", "--pond", "p1", "tan_mg_l=0.4", "ph=8.1"]).status.code(), Some(0));
    let empty = ["export", "--pond", "p1", "--from", "2099-12-31T00:00:00Z", "--to", "2099-12-31T01:00:00Z"];
    assert_eq!(text(&daemon.ask(&empty).stdout), "time_utc,pond,quantity,probe,raw,value,flag,corrected\n");
    let backwards = ["export", "--from", "2099-12-31T00:00:00Z", "--to", "2098-12-31T01:00:00Z"];
    assert_eq!(daemon.ask(&backwards).status.code(), Some(2));
    let now = seconds_now();
    let between = [format!("--from={}", rfc3339(now - 3_600)), format!("--to={}", rfc3339(now + 3_600))];
    let asked = ["export", "--quantity", "tan_mg_l", &between[0], &between[1]];
    let csv = text(&daemon.ask(&asked).stdout);
    let rows: Vec<&str> = csv.lines().collect();
    assert_eq!(rows.len(), 2, "{csv}");
    assert!(rows[1].contains(",p1,tan_mg_l,,0.4,0.4,"), "{csv}");
    let kept_at = (now - 60..=now).find(|at| rows[1][..19] == rfc3339(*at)[..19]).unwrap();
    let of_day = |days_after: i64| {
        let here = &rfc3339(kept_at - 5 * 3_600 + days_after * 86_400)[..10];
        let day = [format!("--from={here}"), format!("--to={here}")];
        text(&daemon.ask(&["export", "--quantity", "tan_mg_l", &day[0], &day[1]]).stdout)
    };
    assert_eq!(of_day(0), csv, "the farm's day, whole");
    assert_eq!([of_day(-1), of_day(1)].map(|other| other.lines().count()), [1, 1]);
    let (status, complaint) = told(&daemon.ask(&["export", "--from", "yesterday"]));
    assert!(status == 2 && complaint.contains("a day of the farm, such as"), "{complaint}");
    let senml = text(&daemon.ask(&[&asked[..], &["--format", "senml"]].concat()).stdout);
    let pack: Value = serde_json::from_str(&senml).unwrap();
    assert_eq!((pack[0]["n"].as_str(), pack[0]["v"].as_f64()), (Some("p1/tan_mg_l"), Some(0.4)));
    assert_eq!(pack[0]["u"].as_str(), Some("mg/L"));
    let rolled = json_lines(&daemon.ask(&[&asked[..], &["--every", "quarter", "--json"]].concat()));
    assert_eq!(
        (rolled.len(), rolled[0]["mean"].as_f64(), rolled[0]["usable"].as_u64()),
        (1, Some(0.4), Some(1))
    );

    let place = tempfile::tempdir().unwrap();
    let copy = place.path().join("copy");
    let copy = copy.to_str().unwrap();
    let (status, complaint) = told(&daemon.ask(&["backup", copy]));
    assert_eq!((status, complaint.as_str()), (0, ""));
    let verify = |folder: &str| pondreeve().args(["verify", folder]).output().unwrap();
    assert!(text(&verify(copy).stdout).starts_with("whole: "));
    let in_use = verify(daemon.folder().join("store").to_str().unwrap());
    assert_eq!(in_use.status.code(), Some(1));
    assert!(told(&in_use).1.contains("another pondreeve"), "{in_use:?}");

    let restored = tempfile::tempdir().unwrap();
    let store = restored.path().join("store");
    let salvage = || pondreeve().args(["salvage", copy]).arg(&store).output().unwrap();
    assert_eq!(told(&salvage()), (0, String::new()));
    assert_eq!(salvage().status.code(), Some(2), "nothing is written over");
    let again = Daemon::start_in(restored);
    assert_eq!(text(&again.ask(&asked).stdout), csv);

    for file in std::fs::read_dir(copy).unwrap().map(|entry| entry.unwrap().path()) {
        let whole = std::fs::read(&file).unwrap();
        for place in (0..whole.len()).step_by(whole.len() / 20 + 1) {
            let mut flipped = whole.clone();
            flipped[place] ^= 4;
            std::fs::write(&file, flipped).unwrap();
            assert_eq!(verify(copy).status.code(), Some(1), "{} byte {place}", file.display());
        }
        std::fs::write(&file, whole).unwrap();
    }
    assert_eq!(verify(copy).status.code(), Some(0));
    for file in std::fs::read_dir(copy).unwrap().map(|entry| entry.unwrap().path()) {
        let aside = place.path().join("aside");
        std::fs::rename(&file, &aside).unwrap();
        let name = file.file_name().unwrap().to_str().unwrap();
        let told = verify(copy);
        assert_eq!(told.status.code(), Some(1), "{name}");
        assert!(text(&told.stdout).contains(&format!("{name} is missing")), "{told:?}");
        std::fs::rename(&aside, &file).unwrap();
    }
    let other = verify(place.path().to_str().unwrap());
    assert_eq!(other.status.code(), Some(2));
    assert!(told(&other).1.contains("neither a store nor a backup"), "{other:?}");
}

fn seconds_now() -> i64 {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap();
    i64::try_from(since.as_secs()).unwrap()
}

/// By Howard Hinnant's `civil_from_days`, so that the test does not lean on the program's own library.
fn rfc3339(seconds: i64) -> String {
    let (days, of_day) = (seconds.div_euclid(86_400) + 719_468, seconds.rem_euclid(86_400));
    let (era, of_era) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year_of_era = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted = (5 * of_year + 2) / 153;
    let day = of_year - (153 * shifted + 2) / 5 + 1;
    let month = if shifted < 10 { shifted + 3 } else { shifted - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    let (hour, minute, second) = (of_day / 3_600, of_day / 60 % 60, of_day % 60);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}Z")
}

/// The same alarm, put aside: it stays in sight, with who, until when and why, and survives a kill.
#[test]
fn an_alarm_is_shelved_in_somebodys_name_and_comes_back() {
    let daemon = Daemon::start();
    let id = "gateway.broker.nodes";
    let standing = |daemon: &Daemon| {
        json_lines(&daemon.ask(&["alarms", "--json"])).into_iter().find(|alarm| alarm["id"] == id)
    };
    let begun = Instant::now();
    while standing(&daemon).is_none() {
        assert!(begun.elapsed() < PATIENCE, "no alarm of the broker");
        std::thread::sleep(Duration::from_millis(50));
    }

    // More than its priority allows, and nothing; and what cannot be taken back.
    for (arguments, said) in [
        (vec!["shelve", id, "--for", "13h"], "at most 12 h"),
        (vec!["shelve", id, "--for", "0s"], "more than nothing"),
        (vec!["shelve", id, "--for", "30m", "--reason", " "], "--reason is empty"),
        (vec!["shelve", "p9.x", "--for", "30m"], "not the id of any alarm"),
        (vec!["unshelve", id], "is not shelved; no alarm can be unshelved"),
        (vec!["reset", id], "does not wait to be reset"),
    ] {
        let (status, message) = told(&daemon.ask(&arguments));
        assert_eq!(status, 2, "{arguments:?}: {message}");
        assert!(message.contains(said), "{arguments:?}: {message}");
    }

    let output = daemon.ask(&["shelve", id, "--for", "30m", "--reason", "the broker moves house"]);
    assert_eq!(told(&output), (0, String::new()));
    let plain = text(&output.stdout);
    assert!(plain.starts_with("Shelved until ") && plain.contains("the broker moves house"), "{plain}");
    let shelved = standing(&daemon).unwrap();
    assert_eq!(shelved["state"], "shelved");
    assert_eq!(shelved["shelf"]["reason"], "the broker moves house");
    let plain = text(&daemon.ask(&["acknowledge", id]).stdout);
    assert!(plain.contains("is shelved until"), "{plain}");
    let (status, message) = told(&daemon.ask(&["shelve", id, "--for", "30m"]));
    assert_eq!(status, 2, "{message}");
    assert!(message.contains("it is shelved already"), "{message}");

    let daemon = daemon.killed_and_started_again();
    assert_eq!(standing(&daemon).unwrap()["shelf"], shelved["shelf"]);

    let taken = json_lines(&daemon.ask(&["unshelve", id, "--json"]));
    assert_eq!(taken[0]["state"], "unacknowledged", "the broker is still not there");
    // A script that says nothing is recorded as saying nothing.
    let output = daemon.ask(&["shelve", id, "--for", "30m", "--json"]);
    assert_eq!(json_lines(&output)[0]["shelf"]["reason"], "no reason given");
    let (status, message) = told(&output);
    assert_eq!(status, 0);
    assert!(message.contains("was shelved without a reason"), "{message}");
}

/// What the alarms asked of people, from the running daemon.
#[test]
fn the_alarms_measures_are_told() {
    let daemon = Daemon::start();
    let begun = Instant::now();
    let load = loop {
        let load = json_lines(&daemon.ask(&["alarms", "--measures", "--json"]));
        if load[0]["raised"].as_u64() > Some(0) {
            break load;
        }
        assert!(begun.elapsed() < PATIENCE, "no alarm was counted: {load:?}");
        std::thread::sleep(Duration::from_millis(50));
    };
    assert_eq!(load[0]["most_frequent"][0]["id"], "gateway.broker.nodes");
    let plain = text(&daemon.ask(&["alarms", "--measures"]).stdout);
    assert!(plain.contains("Less than a day is known yet"), "{plain}");
}

/// A dose is planned from what is known, and what is not known is asked for.
#[test]
fn a_dose_is_planned() {
    let daemon = Daemon::start();
    let (status, message) = told(&daemon.ask(&["plan", "dose", "--pond", "p9"]));
    assert_eq!(status, 2, "{message}");
    assert!(message.contains("no pond \"p9\": the ponds are p1"), "{message}");
    let (status, message) = told(&daemon.ask(&["plan", "dose", "--pond", "p1", "--basis", "ppm"]));
    assert_eq!(status, 2, "{message}");
    assert!(message.contains("accepted are slurry_mass, solids_mass, slurry_volume"), "{message}");

    // Nothing is known yet: the amount all the same. 4 mg/L in 5,000 m2 x 1.5 m is 30.0 kg.
    let plan =
        &json_lines(&daemon.ask(&["plan", "dose", "--pond", "p1", "--container-kg", "25", "--json"]))[0];
    assert_eq!((plan["go"].as_bool(), plan["preview"].is_null()), (Some(false), true), "{plan}");
    assert!((plan["slurry_kg"].as_f64().unwrap() - 30.0).abs() < 1e-9, "{plan}");
    let reasons = plan["reasons"].to_string();
    for missing in
        ["pH is not known", "TAN is not known", "alkalinity is not known", "oxygen is not observed"]
    {
        assert!(reasons.contains(missing), "{reasons}");
    }

    let entered = daemon.ask(&[
        "enter",
        "--pond",
        "p1",
        "ph=7.9",
        "temperature_c=29",
        "tan_mg_l=0.9:N",
        "alkalinity_mg_l=110",
    ]);
    assert_eq!(told(&entered).0, 0);
    let plan = &json_lines(&daemon.ask(&["plan", "dose", "--pond", "p1", "--json"]))[0];
    let ph = plan["preview"]["ph_after_mixing"].as_f64().unwrap();
    assert!(ph > 7.9 && ph < 8.2, "{plan}");
    let plain = text(&daemon.ask(&["plan", "dose", "--pond", "p1"]).stdout);
    assert!(
        plain.starts_with("P1 Heron: 4.0 mg/L of slurry in 7500 m3 is 30.0 kg") && plain.contains("goggles"),
        "{plain}"
    );
}
