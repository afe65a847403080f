//! The console as the real program on a pseudo-terminal, beside a small stand-in for the daemon.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::os::fd::OwnedFd;
use std::os::unix::fs::OpenOptionsExt as _;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant};

use nix::fcntl::OFlag;
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use pondreeve::local::protocol::{AlarmStatus, Ask, FarmStatus, Reply, Request};

/// Long enough for a loaded machine.
const WITHIN: Duration = Duration::from_secs(60);

/// A farm with one alarm, acknowledged or not.
fn farm(acknowledged: bool) -> FarmStatus {
    FarmStatus {
        at: "2026-11-25T07:14:00Z".to_owned(),
        time_zone_offset_s: -5 * 3_600,
        farm: "Tidewick Ponds".to_owned(),
        gateway: "tidewick".to_owned(),
        version: "0.1.0".to_owned(),
        flood_since: None,
        horn: !acknowledged,
        lamp: false,
        horn_test: None,
        ponds: vec![],
        alarms: vec![AlarmStatus {
            id: "gateway.bus.rs485-1".to_owned(),
            pond: None,
            name: "Bus rs485-1 faulty".to_owned(),
            priority: 2,
            state: if acknowledged { "acknowledged" } else { "unacknowledged" }.to_owned(),
            raised_at: "2026-11-25T07:11:00Z".to_owned(),
            changed_at: "2026-11-25T07:11:00Z".to_owned(),
            message: "Gateway: Bus rs485-1 faulty: it is not there".to_owned(),
            said: None,
            acknowledged_by: acknowledged.then(|| "mira".to_owned()),
            shelf: None,
            root: None,
            inside: 0,
            called: Vec::new(),
            next_call: None,
        }],
        probes: Vec::new(),
        lots: Vec::new(),
        faults: vec![],
        changed_limits: Vec::new(),
        waiting_to_forward: 0,
        machine: None,
        language: None,
        texts: None,
    }
}

/// Answers on a socket until dropped, and tells what it was asked.
fn stand_in(socket: &Path) -> mpsc::Receiver<Ask> {
    let listener = UnixListener::bind(socket).unwrap();
    let (tell, asked) = mpsc::channel();
    let acknowledged = Arc::new(Mutex::new(false));
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let (tell, acknowledged) = (tell.clone(), Arc::clone(&acknowledged));
            std::thread::spawn(move || serve(&stream.unwrap(), &tell, &acknowledged));
        }
    });
    asked
}

fn serve(stream: &UnixStream, tell: &mpsc::Sender<Ask>, acknowledged: &Mutex<bool>) {
    let mut line = String::new();
    BufReader::new(stream.try_clone().unwrap()).read_line(&mut line).unwrap();
    let ask = serde_json::from_str::<Request>(&line).unwrap().ask;
    let watch = ask == Ask::Watch;
    if matches!(ask, Ask::Acknowledge { .. }) {
        *acknowledged.lock().unwrap() = true;
    }
    // The test may have ended.
    drop(tell.send(ask));
    loop {
        let reply = if watch {
            Reply::Status(Box::new(farm(*acknowledged.lock().unwrap())))
        } else {
            Reply::done(None)
        };
        let line = serde_json::to_string(&reply).unwrap() + "\n";
        if { stream }.write_all(line.as_bytes()).is_err() || !watch {
            return;
        }
        std::thread::sleep(Duration::from_millis(200));
    }
}

/// A pseudo-terminal: the person's side and the program's. Neither is inherited by a program started
/// beside it, or closing it would not hang it up. Like a serial line it says that it is 0×0, and the
/// console takes that for 80×24.
fn pseudo_terminal() -> (PtyMaster, std::fs::File) {
    let master = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_CLOEXEC).unwrap();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let path = ptsname_r(&master).unwrap();
    let mut options = std::fs::File::options();
    options.read(true).write(true).custom_flags(OFlag::O_NOCTTY.bits());
    let program_side = options.open(path).unwrap();
    (master, program_side)
}

/// The program on a terminal.
struct Terminal {
    program: Child,
    keys: std::fs::File,
    screen: Arc<Mutex<vt100::Parser>>,
    sent: Arc<Mutex<Vec<u8>>>,
    follower: Option<std::thread::JoinHandle<()>>,
}

impl Terminal {
    fn open(socket: &Path) -> Self {
        Self::open_speaking(socket, "C", &[])
    }

    /// With this locale and further arguments.
    fn open_speaking(socket: &Path, locale: &str, more: &[&str]) -> Self {
        let (master, program_side) = pseudo_terminal();
        // In a session of its own, so that it does not find the terminal this test runs on.
        let program = Command::new("setsid")
            .arg(env!("CARGO_BIN_EXE_pondreeve"))
            .args(["console", "--socket"])
            .arg(socket)
            .args(more)
            .env_clear()
            .envs([("TERM", "vt220"), ("LANG", locale)])
            .stdin(Stdio::from(program_side.try_clone().unwrap()))
            .stdout(Stdio::from(program_side))
            .spawn()
            .unwrap();
        let screen = Arc::new(Mutex::new(vt100::Parser::new(24, 80, 0)));
        let sent = Arc::new(Mutex::new(Vec::new()));
        let keys = std::fs::File::from(OwnedFd::from(master));
        let output = keys.try_clone().unwrap();
        let (to_screen, to_sent) = (Arc::clone(&screen), Arc::clone(&sent));
        let follower = std::thread::spawn(move || follow(output, &to_screen, &to_sent));
        Self { program, keys, screen, sent, follower: Some(follower) }
    }

    fn press(&mut self, keys: &[u8]) {
        self.keys.write_all(keys).unwrap();
    }

    fn wait_for(&self, text: &str) {
        let until = Instant::now() + WITHIN;
        loop {
            let contents = self.screen.lock().unwrap().screen().contents();
            if contents.contains(text) {
                return;
            }
            assert!(Instant::now() < until, "`{text}` never came:\n{contents}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn wait_for_end(&mut self) -> std::process::ExitStatus {
        let until = Instant::now() + WITHIN;
        loop {
            if let Some(status) = self.program.try_wait().unwrap() {
                // The last it sent may still be on its way: it ends with the program's side of the terminal.
                self.follower.take().map(std::thread::JoinHandle::join).transpose().unwrap();
                return status;
            }
            assert!(Instant::now() < until, "the console does not end");
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        // It has ended already unless the test failed.
        drop(self.program.kill());
        drop(self.program.wait());
    }
}

fn follow(mut output: std::fs::File, screen: &Mutex<vt100::Parser>, sent: &Mutex<Vec<u8>>) {
    let mut bytes = [0; 4096];
    while let Ok(count @ 1..) = output.read(&mut bytes) {
        screen.lock().unwrap().process(&bytes[..count]);
        sent.lock().unwrap().extend_from_slice(&bytes[..count]);
    }
}

fn socket() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("pondreeve.sock");
    (folder, socket)
}

#[test]
fn one_key_acknowledges_on_a_real_terminal_which_is_given_back() {
    let (_folder, socket) = socket();
    let mut terminal = Terminal::open(&socket);
    terminal.wait_for("NO NUMBERS YET");
    terminal.wait_for("no pondreeve answers at");
    let asked = stand_in(&socket);
    terminal.wait_for("Bus rs485-1 faulty");
    assert_eq!(asked.recv_timeout(WITHIN), Ok(Ask::Watch));
    assert!(terminal.sent.lock().unwrap().contains(&0x07), "no bell for a new alarm of high priority");

    // Longer than the guard against keys pressed before the alarm could be read.
    std::thread::sleep(Duration::from_millis(800));
    terminal.press(b"a");
    let id = "gateway.bus.rs485-1".to_owned();
    assert_eq!(asked.recv_timeout(WITHIN), Ok(Ask::Acknowledge { id }));
    terminal.wait_for("Acknowledged by mira");

    terminal.press(b"q");
    assert!(terminal.wait_for_end().success());
    let sent = terminal.sent.lock().unwrap().clone();
    assert!(sent.is_ascii(), "the locale is not UTF-8");
    for restored in ["\x1b[?1049l", "\x1b[?25h"] {
        let at = sent.windows(restored.len()).rposition(|window| window == restored.as_bytes());
        assert!(at.is_some_and(|at| at + 40 > sent.len()), "{restored:?} is not at the end");
    }
}

/// The locale says Spanish and no UTF-8: plain letters, and the same key. Who asks for English gets it all the same.
#[test]
fn the_locale_decides_on_the_language_unless_somebody_asks_for_one() {
    let (_folder, socket) = socket();
    let _asked = stand_in(&socket);
    let mut terminal = Terminal::open_speaking(&socket, "es_EC", &[]);
    terminal.wait_for("1 ALARMA SIN RECONOCER");
    terminal.wait_for("Falla el bus serie rs485-1");
    std::thread::sleep(Duration::from_millis(800));
    terminal.press(b"a");
    terminal.wait_for("Reconocida por mira");
    terminal.press(b"q");
    assert!(terminal.wait_for_end().success());
    assert!(terminal.sent.lock().unwrap().is_ascii(), "the locale is not UTF-8");

    let terminal = Terminal::open_speaking(&socket, "es_EC.UTF-8", &["--language", "en"]);
    terminal.wait_for("Acknowledged by mira");
}

#[test]
fn interrupting_ends_the_console() {
    let (_folder, socket) = socket();
    let mut terminal = Terminal::open(&socket);
    terminal.wait_for("NO NUMBERS YET");
    terminal.press(b"\x03");
    assert!(terminal.wait_for_end().success());
}

#[test]
fn a_terminal_that_is_hung_up_ends_the_console() {
    let (_folder, socket) = socket();
    let (mut master, program_side) = pseudo_terminal();
    let mut program = Command::new("setsid")
        .arg(env!("CARGO_BIN_EXE_pondreeve"))
        .args(["console", "--socket"])
        .arg(&socket)
        .env_clear()
        .stdin(Stdio::from(program_side.try_clone().unwrap()))
        .stdout(Stdio::from(program_side))
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut first = [0; 16];
    master.read_exact(&mut first).unwrap();
    drop(master);
    let until = Instant::now() + WITHIN;
    while program.try_wait().unwrap().is_none() {
        if Instant::now() > until {
            drop(program.kill());
            panic!("it goes on without a terminal");
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn where_there_is_no_terminal_the_plain_commands_are_named() {
    let (_folder, socket) = socket();
    let output = Command::new(env!("CARGO_BIN_EXE_pondreeve"))
        .args(["console", "--socket"])
        .arg(&socket)
        .stdin(Stdio::from(OwnedFd::from(std::fs::File::open("/dev/null").unwrap())))
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(
        said.contains("standard output is not a terminal") && said.contains("pondreeve status"),
        "{said}"
    );
}
