//! The real program under a service manager that the test plays: ready, alive, stopping, its secrets, its ports; and
//! what `systemd-analyze` thinks of the unit.

use std::fs;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use pondreeve_tests::{Mosquitto, Running, Scratch, free_port, one_pond, program, wait_for};

const SOON: Duration = Duration::from_secs(20);

/// The most that `systemd-analyze security` may count against the unit.
const EXPOSURE_AT_MOST: f64 = 1.5;

fn unit() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/systemd/pondreeve.service")
}

fn analyse(arguments: &[&str], unit: &Path) -> String {
    let output = Command::new("systemd-analyze").args(arguments).arg(unit).output();
    let output = output.expect("systemd-analyze (Debian package systemd)");
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

fn exposure(unit: &Path) -> f64 {
    let told = analyse(&["security", "--offline=true", "--no-pager"], unit);
    let line =
        told.lines().find(|line| line.contains("Overall exposure level")).unwrap_or_else(|| panic!("{told}"));
    let number = line.rsplit_once(": ").and_then(|(_, rest)| rest.split(' ').next()).expect("a number");
    number.parse().expect("a number")
}

#[test]
fn the_unit_lets_the_daemon_do_its_work_and_little_else() {
    let found = exposure(&unit());
    assert!(found <= EXPOSURE_AT_MOST, "{found}:\n{}", analyse(&["security", "--offline=true"], &unit()));
    // The measure measures: without some of it the same unit is worse.
    let scratch = Scratch::new();
    let text = fs::read_to_string(unit()).expect("the unit");
    let laxer: Vec<&str> = text.lines().filter(|line| !line.starts_with("Protect")).collect();
    let laxer = scratch.write("pondreeve.service", &laxer.join("\n"));
    assert!(exposure(&laxer) > EXPOSURE_AT_MOST);
}

#[test]
fn systemd_understands_every_line_of_the_unit() {
    let scratch = Scratch::new();
    let text = fs::read_to_string(unit()).expect("the unit");
    let here = text.replace("/usr/bin/pondreeve", &program("pondreeve").display().to_string());
    let here: Vec<&str> = here.lines().filter(|line| !line.starts_with("Documentation=")).collect();
    let here = scratch.write("pondreeve.service", &here.join("\n"));
    let told = analyse(&["verify", "--no-pager"], &here);
    let ours: Vec<&str> = told.lines().filter(|line| line.contains("pondreeve.service")).collect();
    assert!(ours.is_empty(), "{ours:#?}");
}

/// DeviceAllow knows only devices whose driver is loaded as the unit starts (systemd.resource-control(5)); those of USB
/// adapters are modules in every Debian kernel. `tests/vm` sees an adapter that is plugged in later opened.
#[test]
fn drivers_of_adapters_are_there_before_their_devices_are_allowed() {
    let text = fs::read_to_string(unit()).expect("the unit");
    let setting = |name: &str| -> Vec<&str> {
        let lines = text.lines().filter_map(|line| line.strip_prefix(name)?.strip_prefix('='));
        lines.flat_map(str::split_whitespace).collect()
    };
    for (devices, module) in [("char-ttyUSB", "usbserial"), ("char-ttyACM", "cdc_acm")] {
        assert!(setting("DeviceAllow").contains(&devices), "{devices}");
        let loads = format!("modprobe@{module}.service");
        assert!(setting("Wants").contains(&loads.as_str()), "{devices} is allowed, {loads} not wanted");
        assert!(setting("After").contains(&loads.as_str()), "{loads} may come too late");
    }
}

/// The broker's configuration is read beside Debian's own, which sets some of it already.
#[test]
fn mosquitto_starts_with_both_its_own_and_our_configuration() {
    let scratch = Scratch::new();
    let folder = scratch.folder.path().display().to_string();
    let port = free_port();
    let deploy = unit().with_file_name("../mosquitto");
    // As the package mosquitto has it (2.0.11-1.2), with other folders; and as root it would become its own user, who may
    // read none of it.
    let main = format!(
        "user root\npid_file {folder}/mosquitto.pid\npersistence true\npersistence_location {folder}/\n\
         log_dest file {folder}/mosquitto.log\ninclude_dir {folder}/conf.d\n"
    );
    let main = scratch.write("mosquitto.conf", &main);
    fs::create_dir(scratch.path("conf.d")).expect("folder");
    let ours = fs::read_to_string(deploy.join("pondreeve.conf")).expect("our part");
    let ours = ours
        .replace("listener 1883", &format!("listener {port} 127.0.0.1"))
        .replace("/etc/mosquitto/", &format!("{folder}/"));
    scratch.write("conf.d/pondreeve.conf", &ours);
    fs::copy(deploy.join("pondreeve.acl"), scratch.path("pondreeve.acl")).expect("the access list");
    scratch.write("pondreeve.passwd", "");
    let log = scratch.path("out");
    let mut broker = Running::start(Command::new("mosquitto").arg("-c").arg(&main), &log);
    let listens = || {
        let ended = broker.0.try_wait().expect("waitable");
        assert!(ended.is_none(), "{ended:?}: {}", fs::read_to_string(&log).unwrap_or_default());
        std::net::TcpStream::connect(("127.0.0.1", port)).ok()
    };
    wait_for("the broker", SOON, listens);
}

struct Manager(UnixDatagram, PathBuf);

impl Manager {
    fn new(scratch: &Scratch) -> Self {
        let path = scratch.path("notify");
        let socket = UnixDatagram::bind(&path).expect("bound");
        socket.set_read_timeout(Some(Duration::from_millis(20))).expect("time-out");
        Self(socket, path)
    }

    fn start(&self, scratch: &Scratch, watchdog: Duration) -> Running {
        let mut command = Command::new(program("pondreeve"));
        command.arg("run").arg("--config").arg(scratch.path("farm.toml")).env("NOTIFY_SOCKET", &self.1);
        command
            .env("WATCHDOG_USEC", watchdog.as_micros().to_string())
            .env("CREDENTIALS_DIRECTORY", scratch.path("run"));
        Running::start(&mut command, &scratch.path("daemon.log"))
    }

    /// The next message, if one comes within some milliseconds.
    fn next(&self) -> Option<String> {
        let mut bytes = [0; 4096];
        let count = self.0.recv(&mut bytes).ok()?;
        Some(String::from_utf8(bytes[..count].to_vec()).expect("UTF-8"))
    }

    fn hears(&self, length: Duration) -> Vec<String> {
        let until = Instant::now() + length;
        let mut heard = Vec::new();
        while Instant::now() < until {
            heard.extend(self.next());
        }
        heard
    }

    fn waits_for(&self, what: &str) -> String {
        wait_for(what, SOON, || self.next().filter(|own| own.contains(what)))
    }
}

/// Ready only when the socket answers; alive while inputs reach the disk and not while the program hangs; stopping
/// when told to.
#[test]
fn ready_alive_stopping() {
    let scratch = Scratch::new();
    scratch.write("farm.toml", &one_pond(scratch.folder.path(), "100ms", "", ""));
    let manager = Manager::new(&scratch);
    let patience = Duration::from_millis(900);
    let mut daemon = manager.start(&scratch, patience);
    assert!(manager.waits_for("READY=1").contains("STATUS=Watching"));
    assert_eq!(scratch.json(&["status"])[0]["farm"], "Scratch farm", "it answers once it says ready");
    assert!(
        scratch.pondreeve(&["enter", "--pond", "p1", "do_mg_l=4.7"]).status.success(),
        "and takes readings"
    );
    manager.waits_for("WATCHDOG=1");
    assert!(manager.waits_for("STATUS=Watching 1 pond; ").contains("not acknowledged"));

    let pid = Pid::from_raw(daemon.0.id().cast_signed());
    kill(pid, Signal::SIGSTOP).expect("stopped");
    manager.hears(patience / 2);
    assert_eq!(manager.hears(patience * 2), Vec::<String>::new(), "a program that hangs says nothing");
    kill(pid, Signal::SIGCONT).expect("going on");
    manager.waits_for("WATCHDOG=1");

    kill(pid, Signal::SIGTERM).expect("told to stop");
    manager.waits_for("STOPPING=1");
    let status = wait_for("an orderly stop", SOON, || daemon.0.try_wait().expect("waitable"));
    assert!(status.success(), "{status}");
}

const SECRET: &str = "kingfisher-at-noon-9471";

/// Everything below a folder in which the secret stands.
fn traces(folder: &Path, allowed: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path()) {
        if entry.is_dir() && entry != allowed {
            traces(&entry, allowed, found);
        } else if entry.is_file() {
            let bytes = fs::read(&entry).expect("a file");
            if bytes.windows(SECRET.len()).any(|window| window == SECRET.as_bytes()) {
                found.push(entry);
            }
        }
    }
}

/// A password reaches the broker from the credential alone, and is in no log, store, backup, answer or argument.
#[test]
fn a_credential_goes_to_the_broker_and_nowhere_else() {
    let scratch = Scratch::new();
    let passwords = scratch.write("passwords", &format!("gateway:{SECRET}\n"));
    let hashed =
        Command::new("mosquitto_passwd").arg("-U").arg(&passwords).status().expect("mosquitto_passwd");
    assert!(hashed.success());
    let rules = format!("password_file {}\nallow_anonymous false\n", passwords.display());
    let broker = Mosquitto::start_with(scratch.folder.path(), &rules);
    let rest = format!(
        r#"
[[broker]]
id = "local"
host = "127.0.0.1"
port = {}
username = "gateway"
password_file = "credential:broker"

[[broker.probe]]
id = "node"
pond = "p1"
topic = "nodes/p1"
sends_every = "1m"
value = [{{ quantity = "do_mg_l" }}]
"#,
        broker.port
    );
    scratch.write("farm.toml", &one_pond(scratch.folder.path(), "100ms", "", &rest));
    let handed = scratch.path("run");
    fs::create_dir(&handed).expect("folder");
    fs::write(handed.join("pondreeve_broker"), format!("{SECRET}\n")).expect("written");
    let manager = Manager::new(&scratch);
    let mut daemon = manager.start(&scratch, SOON);
    manager.waits_for("READY=1");
    let publish = || {
        let port = broker.port.to_string();
        let mut client = Command::new("mosquitto_pub");
        client.args([
            "-h",
            "127.0.0.1",
            "-p",
            &port,
            "-u",
            "gateway",
            "-P",
            SECRET,
            "-t",
            "nodes/p1",
            "-m",
            "5.25",
        ]);
        assert!(client.status().expect("mosquitto_pub").success());
    };
    wait_for("a reading from the broker", SOON, || {
        publish();
        let status = scratch.json(&["status"]);
        status[0]["ponds"][0]["readings"].as_array().filter(|readings| !readings.is_empty()).map(Vec::len)
    });
    let copy = scratch.path("copy");
    assert!(scratch.pondreeve(&["backup", &copy.display().to_string()]).status.success());
    let why = scratch.pondreeve(&["why", "p1.do-low-critical"]).stdout;
    let arguments = fs::read(format!("/proc/{}/cmdline", daemon.0.id())).expect("arguments");
    let audit = scratch.pondreeve(&["export", "--audit"]).stdout;
    for text in [why, arguments, audit] {
        assert!(!text.is_empty() && !String::from_utf8_lossy(&text).contains(SECRET));
    }
    assert!(daemon.stop(SOON).success());
    let mut found = Vec::new();
    traces(scratch.folder.path(), &handed, &mut found);
    assert_eq!(found, Vec::<PathBuf>::new());
}

/// Sockets of a process that wait for connections or datagrams from the network, as the kernel has them.
fn open_ports(pid: u32) -> Vec<String> {
    let of_process: Vec<String> = fs::read_dir(format!("/proc/{pid}/fd"))
        .expect("its handles")
        .filter_map(|entry| fs::read_link(entry.ok()?.path()).ok())
        .filter_map(|path| Some(path.to_str()?.strip_prefix("socket:[")?.strip_suffix(']')?.to_owned()))
        .collect();
    let mut open = Vec::new();
    // proc(5): state 0A is a listening TCP socket; of UDP every socket takes what comes.
    for (table, state) in [("tcp", Some("0A")), ("tcp6", Some("0A")), ("udp", None), ("udp6", None)] {
        let text = fs::read_to_string(format!("/proc/{pid}/net/{table}")).unwrap_or_default();
        for line in text.lines().skip(1) {
            let fields: Vec<&str> = line.split_whitespace().collect();
            let ours = fields.get(9).is_some_and(|inode| of_process.iter().any(|own| own == inode));
            if ours && state.is_none_or(|state| fields.get(3) == Some(&state)) {
                open.push(format!("{table} {}", fields[1]));
            }
        }
    }
    open
}

/// No port is open beyond what the configuration names: none at all, or the metrics' on loopback.
#[test]
fn only_the_ports_of_the_configuration_are_open() {
    let scratch = Scratch::new();
    scratch.write("farm.toml", &one_pond(scratch.folder.path(), "100ms", "", ""));
    let mut daemon = scratch.run_daemon();
    // It answers once all of it stands.
    scratch.json(&["status"]);
    assert_eq!(open_ports(daemon.0.id()), Vec::<String>::new());
    daemon.stop(SOON);
    let port = free_port();
    let metered = format!("\n[metrics]\nlisten = \"127.0.0.1:{port}\"\n");
    scratch.write("farm.toml", &one_pond(scratch.folder.path(), "100ms", "", &metered));
    let daemon = scratch.run_daemon();
    scratch.json(&["status"]);
    assert_eq!(open_ports(daemon.0.id()), [format!("tcp 0100007F:{port:04X}")]);
}
