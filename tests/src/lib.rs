//! What the tests that need a running farm share: a real broker, the real program, a scratch folder.
//!
//! Everything listens on loopback, on ports the system gave out, and dies with the value that owns it.

use std::fs;
use std::io::{BufRead, BufReader, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

/// A port that was free a moment ago.
pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").expect("loopback").local_addr().expect("bound").port()
}

/// The Python in which `tests/all.sh` has installed the peers of the tests.
pub fn python() -> PathBuf {
    let project = Path::new(env!("CARGO_MANIFEST_DIR")).join("../.venv");
    let venv = std::env::var_os("PONDREEVE_VENV").map_or(project, PathBuf::from);
    let python = venv.join("bin/python");
    assert!(python.is_file(), "{} is not there: run tests/all.sh once, which makes it", python.display());
    python
}

/// Has Chromium open pages, wide, narrow and on paper, and axe-core look for what keeps people out; pictures are left in
/// `folder`. What was wrong, a line each; nothing where all was right.
pub fn look_at(folder: &Path, pages: &[&Path]) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("e2e/look.py");
    let looked = Command::new(python()).arg(script).arg(folder).args(pages).output().expect("python runs");
    let said = String::from_utf8_lossy(&looked.stdout).into_owned();
    let errors = String::from_utf8_lossy(&looked.stderr);
    assert!(errors.is_empty() && looked.status.success() == said.is_empty(), "{said}{errors}");
    said
}

/// A farm of one pond, `p1`, whose store and socket lie in `folder`; `rest` goes on with the pond's table. `farm` are
/// further lines of the farm's own.
pub fn one_pond(folder: &Path, durable_within: &str, farm: &str, rest: &str) -> String {
    let folder = folder.display();
    format!(
        r#"
[farm]
name = "Scratch farm"
gateway = "g1"
time_zone = "-05:00"
latitude = -3.4
longitude = -80.2
{farm}

[store]
path = "{folder}/store"
durable_within = "{durable_within}"

[local]
socket = "{folder}/sock"
mode = "600"

[[pond]]
id = "p1"
name = "Heron"
species = "vannamei"
stage = "grow-out"
area_m2 = 5000
depth_m = 1.5
salinity_psu = 18
{rest}
"#
    )
}

/// A program of this workspace, as cargo built it beside the running test.
pub fn program(name: &str) -> PathBuf {
    let test = std::env::current_exe().expect("a running test has a path");
    let folder = test.parent().and_then(Path::parent).expect("target/<profile>/deps/test");
    let path = folder.join(name);
    assert!(path.is_file(), "{} is not built: run `cargo test --workspace`, which builds it", path.display());
    path
}

/// Waits until `done` says so; panics with `what` after `limit`.
pub fn wait_for<T>(what: &str, limit: Duration, mut done: impl FnMut() -> Option<T>) -> T {
    let start = Instant::now();
    loop {
        if let Some(value) = done() {
            return value;
        }
        assert!(start.elapsed() < limit, "gave up after {limit:?} waiting for {what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// A child process that is killed when its owner goes.
#[derive(Debug)]
pub struct Running(pub Child);

impl Running {
    /// Starts a command; its own output goes to a file so that a failing test can show it.
    pub fn start(command: &mut Command, log: &Path) -> Self {
        let out = fs::OpenOptions::new().create(true).append(true).open(log).expect("log file");
        let err = out.try_clone().expect("second handle");
        let child = command.stdin(Stdio::null()).stdout(out).stderr(err).spawn();
        Self(child.unwrap_or_else(|e| panic!("{command:?}: {e}")))
    }

    /// Kills it as a power cut would: no chance to say goodbye.
    pub fn kill_hard(&mut self) {
        self.0.kill().expect("kill -9");
        self.0.wait().expect("reaped");
    }

    /// Asks it to stop and waits.
    pub fn stop(&mut self, limit: Duration) -> std::process::ExitStatus {
        let pid = nix::unistd::Pid::from_raw(self.0.id().cast_signed());
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).expect("SIGTERM");
        wait_for("an orderly stop", limit, || self.0.try_wait().expect("waitable"))
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Debian's mosquitto on a port of its own.
#[derive(Debug)]
pub struct Mosquitto {
    /// Where it listens on 127.0.0.1.
    pub port: u16,
    process: Running,
}

impl Mosquitto {
    /// Starts one with its files in `folder` and waits until it accepts connections.
    pub fn start(folder: &Path) -> Self {
        Self::launch(folder, free_port(), "")
    }

    /// Starts one with further lines of configuration.
    pub fn start_with(folder: &Path, further: &str) -> Self {
        Self::launch(folder, free_port(), further)
    }

    /// Starts one on a given port, as after a restart.
    pub fn start_on(folder: &Path, port: u16) -> Self {
        Self::launch(folder, port, "")
    }

    fn launch(folder: &Path, port: u16, further: &str) -> Self {
        let config = folder.join("mosquitto.conf");
        let text = format!("listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n{further}");
        fs::write(&config, text).expect("broker configuration");
        let log = folder.join("mosquitto.log");
        let process = Running::start(Command::new("mosquitto").arg("-c").arg(&config), &log);
        wait_for("mosquitto to listen", Duration::from_secs(10), || {
            TcpStream::connect(("127.0.0.1", port)).ok()
        });
        Self { port, process }
    }

    /// Kills it hard.
    pub fn kill_hard(mut self) {
        self.process.kill_hard();
    }

    /// Publishes one message with Debian's own client, as an independent node would.
    pub fn publish(&self, topic: &str, payload: &str, qos: u8) {
        let status = Command::new("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-q", &qos.to_string()])
            .args(["-t", topic, "-m", payload])
            .status()
            .expect("mosquitto_pub runs");
        assert!(status.success(), "mosquitto_pub failed: {status}");
    }

    /// Publishes many messages to one topic, in order, at QoS 1.
    pub fn publish_all(&self, topic: &str, payloads: &[String]) {
        let mut client = Command::new("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-q", "1", "-t", topic, "-l"])
            .stdin(Stdio::piped())
            .spawn()
            .expect("mosquitto_pub runs");
        let mut input = client.stdin.take().expect("piped");
        input.write_all((payloads.join("\n") + "\n").as_bytes()).expect("mosquitto_pub reads");
        drop(input);
        let status = client.wait().expect("waitable");
        assert!(status.success(), "mosquitto_pub failed: {status}");
    }

    /// Listens with Debian's own client and collects `topic payload` lines.
    pub fn listen(&self, filter: &str) -> Listener {
        let mut child = Command::new("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-q", "1", "-v", "-t", filter])
            .stdout(Stdio::piped())
            .spawn()
            .expect("mosquitto_sub runs");
        let (send, lines) = std::sync::mpsc::channel();
        let out = BufReader::new(child.stdout.take().expect("piped"));
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    break;
                }
            }
        });
        Listener { lines, _process: Running(child) }
    }
}

/// An independent subscriber.
#[derive(Debug)]
pub struct Listener {
    lines: std::sync::mpsc::Receiver<String>,
    _process: Running,
}

impl Listener {
    /// The next line for which `wanted` holds, as topic and payload.
    pub fn find(&self, what: &str, limit: Duration, wanted: impl Fn(&str, &str) -> bool) -> (String, String) {
        let start = Instant::now();
        let mut seen = Vec::new();
        loop {
            let left = limit.saturating_sub(start.elapsed());
            let Ok(line) = self.lines.recv_timeout(left) else {
                panic!("gave up after {limit:?} waiting for {what}; heard only {seen:#?}")
            };
            let (topic, payload) = line.split_once(' ').unwrap_or((&line, ""));
            if wanted(topic, payload) {
                return (topic.to_owned(), payload.to_owned());
            }
            seen.push(line);
        }
    }
}

/// A scratch farm: folder, configuration, socket.
#[derive(Debug)]
pub struct Scratch {
    /// The folder; gone when this goes.
    pub folder: tempfile::TempDir,
}

impl Scratch {
    /// An empty scratch folder.
    pub fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("scratch folder") }
    }

    /// A path inside.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file inside and returns its path.
    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        fs::write(&path, text).expect("writable scratch");
        path
    }

    /// Starts `pondreeve run` on `farm.toml` in this folder and waits until its socket answers.
    pub fn run_daemon(&self) -> Running {
        let log = self.path("daemon.log");
        let mut command = Command::new(program("pondreeve"));
        command.arg("run").arg("--config").arg(self.path("farm.toml"));
        let mut daemon = Running::start(&mut command, &log);
        wait_for("the daemon's socket", Duration::from_secs(20), || {
            if let Some(status) = daemon.0.try_wait().expect("waitable") {
                panic!("the daemon ended with {status}:\n{}", fs::read_to_string(&log).unwrap_or_default());
            }
            std::os::unix::net::UnixStream::connect(self.path("sock")).ok()
        });
        daemon
    }

    /// Runs one plain command against the daemon.
    pub fn pondreeve(&self, arguments: &[&str]) -> Output {
        Command::new(program("pondreeve"))
            .args(arguments)
            .env("PONDREEVE_SOCKET", self.path("sock"))
            .output()
            .expect("pondreeve runs")
    }

    /// Runs one plain command with `--json` and parses its lines.
    pub fn json(&self, arguments: &[&str]) -> Vec<serde_json::Value> {
        let out = self.pondreeve(&[arguments, &["--json"]].concat());
        assert!(out.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout)
            .expect("UTF-8")
            .lines()
            .map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{line}: {e}")))
            .collect()
    }
}

impl Default for Scratch {
    fn default() -> Self {
        Self::new()
    }
}
