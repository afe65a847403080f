//! `pondreeve scan` on a line whose probes are served by pymodbus: alone, and on loan from the running daemon.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

use pondreeve_tests::{Running, Scratch, one_pond, program, python, wait_for};
use serde_json::Value;

use super::bench::project;
use super::pymodbus::FarEnd;

const SOON: Duration = Duration::from_secs(60);

pub(crate) fn farm(folder: &Path, more: &str) -> String {
    let rest = format!(
        r#"

[[pond.aerator]]
id = "a"
power_kw = 4.5
sae_kg_kwh = 1.2

{more}
"#
    );
    one_pond(folder, "1s", "", &rest)
}

fn scan(scratch: &Scratch, arguments: &[&str]) -> Output {
    let near = scratch.path("near");
    let line = near.to_str().expect("UTF-8");
    scratch.pondreeve(&[&["scan", "--line", line], arguments].concat())
}

pub(crate) fn objects(output: &Output) -> Vec<Value> {
    let text = String::from_utf8_lossy(&output.stdout);
    let parse = |line: &str| serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}"));
    text.lines().map(parse).collect()
}

pub(crate) fn addresses(objects: &[Value], kind: &str) -> Vec<u64> {
    objects.iter().filter(|own| own["kind"] == kind).filter_map(|own| own["address"].as_u64()).collect()
}

pub(crate) fn unit(objects: &[Value], address: u64) -> &Value {
    let own = |own: &&Value| own["kind"] == "unit" && own["address"] == address;
    objects.iter().find(own).unwrap_or_else(|| panic!("no unit {address} in {objects:#?}"))
}

/// What fits a unit, as profile, whether it is evident, and the newest values.
fn fits(unit: &Value) -> Vec<(String, bool, Vec<f64>)> {
    let newest = |register: &Value| register["values"][2].as_f64().expect("three looks");
    let fit = |fit: &Value| {
        let registers = fit["registers"].as_array().expect("registers");
        (
            fit["profile"].as_str().expect("named").to_owned(),
            fit["evident"] == true,
            registers.iter().map(newest).collect(),
        )
    };
    unit["fits"].as_array().expect("fits").iter().map(fit).collect()
}

pub(crate) fn check_fit(unit: &Value, profile: &str, evident: bool, values: &[f64]) {
    let found = fits(unit);
    let own = found.iter().find(|(name, ..)| name == profile);
    let (_, is_evident, read) = own.unwrap_or_else(|| panic!("{profile} does not fit: {unit:#}"));
    assert_eq!(*is_evident, evident, "{profile}: {unit:#}");
    assert_eq!(read.len(), values.len());
    for (read, value) in read.iter().zip(values) {
        assert!((read - value).abs() < 1e-5 * value.abs().max(1.0), "{profile}: {read}, not {value}");
    }
}

#[test]
fn unknown_probes_are_found_read_and_written_down() {
    let scratch = Scratch::new();
    let _far_end = FarEnd::start(scratch.folder.path());
    let found = scratch.path("found.toml");
    let file = found.to_str().expect("UTF-8");
    let asked = ["--addresses", "9-24,40,51-53,90", "--pond", "p1", "--write", file, "--json"];
    let output = scan(&scratch, &asked);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{told}");
    let objects = objects(&output);
    // 22 answers while its successor is asked, 20 behind noise; 21 flips a bit of every answer; 90 is dead.
    assert_eq!(addresses(&objects, "unit"), [11, 12, 13, 14, 15, 16, 20, 22, 40, 51, 52], "{told}");
    assert_eq!(addresses(&objects, "garbled"), [21]);
    assert!(told.contains("address 11 answers") && !told.contains('\r'), "plain lines: {told}");

    check_fit(unit(&objects, 11), "optical-oxygen", true, &[6.42, 28.9]);
    check_fit(unit(&objects, 12), "glass-ph", true, &[7.86]);
    check_fit(unit(&objects, 13), "salinity", true, &[29.3, 18.2]);
    check_fit(unit(&objects, 20), "glass-ph", true, &[8.02]);
    check_fit(unit(&objects, 22), "glass-ph", true, &[8.11]);
    check_fit(unit(&objects, 40), "weather-mast", true, &[1_450.0, 1_011.32]);
    check_fit(unit(&objects, 51), "motor-1", true, &[1.0, 4.41]);
    check_fit(unit(&objects, 51), "motor-2", false, &[0.0, 0.0]);
    check_fit(unit(&objects, 52), "energy-meter", false, &[-4.4]);
    for strange in [14, 15] {
        assert_eq!(fits(unit(&objects, strange)), [], "{strange} is nothing that is known");
    }
    assert_eq!(unit(&objects, 14)["registers"][0]["words"][0], 786);
    assert_eq!(unit(&objects, 11)["identity"], "Bench, B-1, 2.0");
    assert!(unit(&objects, 22)["answers_in_ms"].as_u64() >= Some(200), "{:#}", unit(&objects, 22));
    let end = objects.last().expect("a last line");
    assert_eq!((&end["kind"], &end["units"], &end["stopped"]), (&"scan".into(), &11.into(), &Value::Null));
    assert!(end["not_tried"].as_str().is_some_and(|left| left.contains("19200 8E1")), "{end}");

    // The fragment is configuration as it stands, and is never overwritten.
    let fragment = fs::read_to_string(&found).expect("written");
    let config = scratch.write("farm.toml", &farm(scratch.folder.path(), &fragment));
    let checked = scratch.pondreeve(&["check", "--json", "--config", config.to_str().expect("UTF-8")]);
    let said = String::from_utf8_lossy(&checked.stdout).into_owned();
    assert_eq!(checked.status.code(), Some(0), "{said}\n{fragment}");
    let bus = said.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
    let bus = bus.into_iter().find(|own| own["kind"] == "farm").expect("a farm")["buses"][0].clone();
    assert_eq!((&bus["probes"], &bus["baud"]), (&7.into(), &9_600.into()), "{fragment}");
    assert!(
        fragment.contains("timeout = \"") && fragment.contains("Address 14 answers, but no register map")
    );
    let again = scan(&scratch, &["--addresses", "11", "--write", file]);
    assert_eq!(again.status.code(), Some(2), "{}", String::from_utf8_lossy(&again.stderr));
    assert_eq!(fs::read_to_string(&found).expect("still there"), fragment);
}

#[test]
fn nothing_and_nonsense_have_their_own_exit_status() {
    let scratch = Scratch::new();
    let _far_end = FarEnd::start(scratch.folder.path());
    let nothing = scan(&scratch, &["--addresses", "100-104", "--speeds", "9600"]);
    let said = String::from_utf8_lossy(&nothing.stdout).into_owned();
    assert_eq!(nothing.status.code(), Some(1), "{said}");
    assert!(said.contains("nothing answers") && said.contains("swap the two wires"), "{said}");
    assert!(said.lines().all(|line| line.chars().count() <= 80), "{said}");
    for wrong in [
        &["--addresses", "0-5"][..],
        &["--speeds", "9600-6E1"],
        &["--profile", "no-such-map"],
        &["--timeout", "1ms"],
    ] {
        let output = scan(&scratch, wrong);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{wrong:?}: {said}");
    }
    let file = scratch.write("no-device", "");
    for (line, status, why) in [
        ("127.0.0.1:502", 2, "name it with --server 127.0.0.1:502"),
        (file.to_str().expect("UTF-8"), 1, "this is no serial device"),
        ("/nowhere/at:all", 1, "not plugged in"),
    ] {
        let output = scratch.pondreeve(&["scan", "--line", line, "--addresses", "1"]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(status), "{said}");
        assert!(said.contains(why), "{said}");
    }
    let text = scan(&scratch, &["--addresses", "11-14,51", "--profile", "optical-oxygen"]);
    let said = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(said.contains("fits optical-oxygen") && said.contains("6.42  6.42  6.42"), "{said}");
    assert!(said.lines().all(|line| line.chars().count() <= 80), "{said}");
}

/// The same probes behind Modbus ASCII: silent to RTU, found by the usual walk behind it and by `--kind ascii` alone.
#[test]
fn probes_that_speak_modbus_ascii_are_found() {
    let scratch = Scratch::new();
    let folder = scratch.folder.path();
    let _far_end = FarEnd::speaking(folder, "ascii");
    let found = scratch.path("found.toml");
    let file = found.to_str().expect("UTF-8");
    let asked =
        ["--kind", "ascii", "--addresses", "10-14,20-22,51,90", "--pond", "p1", "--write", file, "--json"];
    let output = scan(&scratch, &asked);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{told}");
    let all = objects(&output);
    assert_eq!(addresses(&all, "unit"), [11, 12, 13, 14, 20, 22, 51], "{told}");
    assert_eq!(addresses(&all, "garbled"), [21], "its checksums do not fit");
    check_fit(unit(&all, 11), "optical-oxygen", true, &[6.42, 28.9]);
    check_fit(unit(&all, 13), "salinity", true, &[29.3, 18.2]);
    check_fit(unit(&all, 20), "glass-ph", true, &[8.02]);
    check_fit(unit(&all, 22), "glass-ph", true, &[8.11]);
    assert_eq!((fits(unit(&all, 14)).len(), &unit(&all, 14)["registers"][0]["words"][0]), (0, &786.into()));
    assert_eq!(unit(&all, 11)["identity"], "Bench, B-1, 2.0");
    assert_eq!(unit(&all, 11)["setting"], "9600 7E1 ASCII");
    let fragment = fs::read_to_string(&found).expect("written");
    assert!(fragment.contains("framing = \"ascii\"\ndata_bits = 7\n"), "{fragment}");
    let config = scratch.write("with.toml", &farm(folder, &fragment));
    let checked = scratch.pondreeve(&["check", "--json", "--config", config.to_str().expect("UTF-8")]);
    let said = String::from_utf8_lossy(&checked.stdout).into_owned();
    assert_eq!(checked.status.code(), Some(0), "{said}\n{fragment}");

    // The usual walk gets there behind all settings of RTU, at which a line of ASCII keeps silent.
    let output = scan(&scratch, &["--addresses", "11", "--json"]);
    let all = objects(&output);
    assert_eq!(unit(&all, 11)["setting"], "9600 7E1 ASCII", "{}", String::from_utf8_lossy(&output.stderr));
    let end = all.last().expect("an end");
    assert_eq!(end["tried"].as_array().map(Vec::len), Some(8), "{end}");
    assert!(end["not_tried"].as_str().is_some_and(|left| left.starts_with("19200 7E1 ASCII")), "{end}");
    // Named with seven data bits it can be nothing else.
    let output = scan(&scratch, &["--addresses", "11", "--speeds", "9600-7E1,19200-8N1", "--json"]);
    let all = objects(&output);
    let tried = |place: usize| all.last().expect("an end")["tried"][place]["setting"].clone();
    assert_eq!((tried(0), tried(1)), ("9600 7E1 ASCII".into(), "19200 8N1".into()));
    assert_eq!(addresses(&all, "unit"), [11]);
    let text = scan(&scratch, &["--kind", "ascii", "--addresses", "11", "--speeds", "9600"]);
    let said = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(
        said.contains("address 11 at 9600 7E1 ASCII") && said.contains("Modbus RTU (--kind modbus)"),
        "{said}"
    );
    assert!(said.lines().all(|line| line.chars().count() <= 80), "{said}");
}

/// The daemon knows what its own line speaks.
#[test]
fn a_lent_line_of_modbus_ascii_is_scanned_as_such() {
    let scratch = Scratch::new();
    let folder = scratch.folder.path();
    let _far_end = FarEnd::speaking(folder, "ascii");
    let bus = format!(
        "[[bus]]\nid = \"line\"\ndevice = \"{}\"\nframing = \"ascii\"\n[[bus.probe]]\nid = \"p1-oxygen\"\n\
         pond = \"p1\"\naddress = 11\nprofile = \"optical-oxygen\"\npoll_every = \"2s\"\n",
        scratch.path("near").display()
    );
    scratch.write("farm.toml", &farm(folder, &bus));
    let _daemon = scratch.run_daemon();
    wait_for("the first reading", SOON, || oxygen_at(&scratch));
    let output = scan(&scratch, &["--kind", "modbus", "--addresses", "11-12", "--json"]);
    let all = objects(&output);
    assert_eq!(addresses(&all, "unit"), [11, 12], "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(unit(&all, 11)["configured_as"][0], "p1-oxygen");
    assert_eq!(unit(&all, 12)["setting"], "9600 7E1 ASCII");
    let wrong = scan(&scratch, &["--kind", "text"]);
    assert_eq!(wrong.status.code(), Some(2), "{}", String::from_utf8_lossy(&wrong.stderr));
}

#[test]
fn a_probe_at_another_speed_is_found_at_its_own() {
    let scratch = Scratch::new();
    let near = scratch.path("near");
    let mut server = Command::new(python());
    server.arg(project("tests/e2e/probes/one_speed_server.py")).arg(&near).arg("19200");
    let _server = Running::start(&mut server, &scratch.path("server.log"));
    wait_for("the line", SOON, || near.exists().then_some(()));
    let output = scan(&scratch, &["--addresses", "28-32", "--json"]);
    let objects = objects(&output);
    assert_eq!(addresses(&objects, "unit"), [30], "{}", String::from_utf8_lossy(&output.stderr));
    check_fit(unit(&objects, 30), "glass-ph", true, &[8.12]);
    assert_eq!(unit(&objects, 30)["setting"], "19200 8E1");
    let tried = objects.last().expect("an end")["tried"].as_array().expect("tried").len();
    assert_eq!(tried, 2, "the first usual setting in vain, the second not; probes of one line share one");
    // Named speeds are all tried.
    let output = scan(&scratch, &["--addresses", "30", "--speeds", "4800,19200,38400", "--json"]);
    let tried = self::objects(&output);
    assert_eq!(tried.last().expect("an end")["tried"].as_array().expect("tried").len(), 3);
    assert_eq!(unit(&tried, 30)["setting"], "19200 8N1");
}

pub(crate) fn lent(scratch: &Scratch) -> bool {
    let alarms = scratch.json(&["alarms"]);
    alarms.iter().any(|own| own["id"] == "gateway.bus.line" && own.to_string().contains("lent to a scan"))
}

pub(crate) fn oxygen_at(scratch: &Scratch) -> Option<String> {
    let status = scratch.json(&["status"]);
    let readings = status.first()?["ponds"][0]["readings"].as_array()?.clone();
    let own = readings.into_iter().find(|own| own["quantity"] == "do_mg_l" && !own["value"].is_null())?;
    own["at"].as_str().map(str::to_owned)
}

#[test]
fn the_daemon_lends_its_line_and_goes_on_by_itself() {
    let scratch = Scratch::new();
    let folder = scratch.folder.path();
    let _far_end = FarEnd::start(folder);
    let bus = format!(
        "[[bus]]\nid = \"line\"\ndevice = \"{}\"\n[[bus.probe]]\nid = \"p1-oxygen\"\npond = \"p1\"\n\
         address = 11\nprofile = \"optical-oxygen\"\npoll_every = \"2s\"\n",
        scratch.path("near").display()
    );
    scratch.write("farm.toml", &farm(folder, &bus));
    let _daemon = scratch.run_daemon();
    wait_for("the first reading", SOON, || oxygen_at(&scratch));

    // What is configured is known; what is not is written for the bus that is there.
    let found = scratch.path("found.toml");
    let output =
        scan(&scratch, &["--addresses", "11-12", "--write", found.to_str().expect("UTF-8"), "--json"]);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{told}");
    let objects = objects(&output);
    assert_eq!(unit(&objects, 11)["configured_as"][0], "p1-oxygen");
    assert_eq!(objects.last().expect("an end")["bus"], "line");
    let fragment = fs::read_to_string(&found).expect("written");
    assert!(!fragment.contains("[[bus]]\n") && fragment.contains("address = 12"), "{fragment}");
    let config = scratch.write("next.toml", &farm(folder, &format!("{bus}\n{fragment}")));
    let checked = scratch.pondreeve(&["check", "--config", config.to_str().expect("UTF-8")]);
    assert_eq!(checked.status.code(), Some(0), "{}", String::from_utf8_lossy(&checked.stderr));

    let after = |before: Option<String>| {
        wait_for("the daemon to poll again", SOON, || {
            (oxygen_at(&scratch) > before && !lent(&scratch)).then_some(())
        });
    };
    after(oxygen_at(&scratch));

    // A scan of silent addresses takes its time; meanwhile the line is said to be lent, and a second scan is told.
    let start = || {
        let mut command = Command::new(program("pondreeve"));
        command.args(["scan", "--addresses", "100-240", "--line"]).arg(scratch.path("near"));
        command.env("PONDREEVE_SOCKET", scratch.path("sock"));
        Running::start(&mut command, &scratch.path("scan.log"))
    };
    let mut scanner = start();
    wait_for("the line to be lent", SOON, || lent(&scratch).then_some(()));
    let second = scan(&scratch, &["--addresses", "11"]);
    let said = String::from_utf8_lossy(&second.stderr).into_owned();
    assert!(second.status.code() == Some(1) && said.contains("lent already"), "{said}");
    // It dies, and the daemon goes on by itself.
    let before = oxygen_at(&scratch);
    scanner.kill_hard();
    after(before);

    // Asked to stop, it says what it has.
    let mut scanner = start();
    wait_for("the line to be lent again", SOON, || lent(&scratch).then_some(()));
    let pid = nix::unistd::Pid::from_raw(scanner.0.id().cast_signed());
    nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGINT).expect("SIGINT");
    let status = wait_for("the scan to end", SOON, || scanner.0.try_wait().expect("waitable"));
    let log = fs::read_to_string(scratch.path("scan.log")).expect("a log");
    assert!(status.code() == Some(1) && log.contains("it was interrupted"), "{log}");
    after(oxygen_at(&scratch));
}

/// The horn's relay hangs on the lent line. It is heard at once all the same, and the scan goes on.
#[test]
fn the_horn_takes_its_line_back_for_a_moment() {
    let scratch = Scratch::new();
    let folder = scratch.folder.path();
    let _far_end = FarEnd::start(folder);
    let more = format!(
        "[pond.limits.do_low_mg_l]\ncritical = {{ limit = 3.0, on_delay = \"0s\", source = \"test\" }}\n\
         emergency = {{ limit = 2.0, on_delay = \"0s\", source = \"test\" }}\n\
         [[bus]]\nid = \"line\"\ndevice = \"{}\"\n[[bus.probe]]\nid = \"p1-ph\"\npond = \"p1\"\n\
         address = 12\nprofile = \"glass-ph\"\npoll_every = \"2s\"\n\
         [annunciation.horn]\nlabel = \"horn\"\nrelay = {{ bus = \"line\", address = 60, coil = 0 }}\n",
        scratch.path("near").display()
    );
    scratch.write("farm.toml", &farm(folder, &more));
    let _daemon = scratch.run_daemon();
    let mut command = Command::new(program("pondreeve"));
    command.args(["scan", "--speeds", "9600", "--addresses", "100-145", "--line"]).arg(scratch.path("near"));
    command.env("PONDREEVE_SOCKET", scratch.path("sock"));
    let mut scanner = Running::start(&mut command, &scratch.path("scan.log"));
    wait_for("the line to be lent", SOON, || lent(&scratch).then_some(()));
    let entered = scratch.pondreeve(&["enter", "--pond", "p1", "do_mg_l=1.0"]);
    assert!(entered.status.success(), "{}", String::from_utf8_lossy(&entered.stderr));
    let log = || fs::read_to_string(scratch.path("scan.log")).expect("a log");
    wait_for("the horn to take its line", Duration::from_secs(10), || {
        log().contains("the daemon needs the line for a moment").then_some(())
    });
    wait_for("the line to be lent again", SOON, || lent(&scratch).then_some(()));
    let status = wait_for("the scan to end", SOON, || scanner.0.try_wait().expect("waitable"));
    let log = log();
    assert!(status.code() == Some(1) && !log.contains("STOPPED EARLY"), "{log}");
    assert!(log.contains("Tried 9600 8N1: addresses 100-145"), "{log}");
    let horn = scratch.json(&["alarms"]).into_iter().find(|own| own["id"] == "gateway.horn.horn");
    assert!(horn.is_none(), "the horn was never out of reach: {horn:?}");
    let daemon = fs::read_to_string(scratch.path("daemon.log")).expect("a log");
    assert!(!daemon.contains("could not be switched"), "{daemon}");
}
