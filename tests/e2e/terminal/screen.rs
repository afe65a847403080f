//! A person at an 80×24 terminal: a shell in tmux, keys that are counted, and what can be read.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use pondreeve_tests::{program, wait_for};

pub const SOON: Duration = Duration::from_secs(20);

/// Keys that were pressed for one task.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Keys {
    /// Digits, points and colons of the numbers themselves.
    pub digits: usize,
    /// Every other key.
    pub others: usize,
}

/// The terminal.
#[derive(Debug)]
pub struct Screen {
    server: PathBuf,
    keys: Keys,
    began: Instant,
}

impl Screen {
    /// A shell in which `pondreeve` is found and knows its daemon.
    pub fn open(folder: &Path) -> Self {
        let server = folder.join("tmux");
        let settings = folder.join("tmux.conf");
        let text = "set -g status off\nset -g default-terminal screen\nset -g history-limit 5000\n";
        std::fs::write(&settings, text).expect("tmux settings");
        // Set by the shell itself, which else has a prompt of its own for root.
        let prompt = folder.join("prompt");
        std::fs::write(&prompt, "PS1='$ '\n").expect("a prompt");
        let found = program("pondreeve");
        let path = format!(
            "{}:{}",
            found.parent().expect("target/debug").display(),
            std::env::var("PATH").unwrap_or_default()
        );
        let screen = Self { server, keys: Keys::default(), began: Instant::now() };
        let started = Command::new("tmux")
            .arg("-S")
            .arg(&screen.server)
            .arg("-f")
            .arg(&settings)
            .args(["new-session", "-d", "-c"])
            .arg(folder)
            .args(["-x", "80", "-y", "24", "-s", "person", "exec sh -i"])
            .env_clear()
            .env("PATH", path)
            .env("HOME", folder)
            .env("ENV", &prompt)
            .env("LANG", "C")
            .env("NO_COLOR", "1")
            .env("PONDREEVE_SOCKET", folder.join("sock"))
            .status()
            .expect("tmux runs: tests/all.sh installs it");
        assert!(started.success(), "tmux: {started}");
        screen.wait_for("$");
        screen
    }

    fn tmux(&self, arguments: &[&str]) -> String {
        let out = Command::new("tmux").arg("-S").arg(&self.server).args(arguments).output().expect("tmux");
        assert!(out.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout).expect("text")
    }

    /// What can be read now, without the blanks at the ends of lines.
    pub fn text(&self) -> String {
        let lines: Vec<String> = self
            .tmux(&["capture-pane", "-p", "-t", "person"])
            .lines()
            .map(|l| l.trim_end().to_owned())
            .collect();
        lines.join("\n")
    }

    /// A person looks for this. Gives the screen it was found on.
    #[track_caller]
    pub fn wait_for(&self, wanted: &str) -> String {
        self.wait_for_all(&[wanted])
    }

    /// The same of several that stand there together.
    #[track_caller]
    pub fn wait_for_all(&self, wanted: &[&str]) -> String {
        let until = Instant::now() + SOON;
        loop {
            let text = self.text();
            let lacking = wanted.iter().find(|one| !text.contains(**one));
            if lacking.is_none() {
                // Nobody reads half a screen: what follows in the same breath belongs to it.
                std::thread::sleep(Duration::from_millis(80));
                if self.text() == text {
                    return text;
                }
            }
            let seen = lacking.map_or("a screen that stands still", |one| *one);
            assert!(Instant::now() < until, "{seen:?} never came:\n{text}");
            std::thread::sleep(Duration::from_millis(15));
        }
    }

    /// Waits until this is no longer on the screen.
    #[track_caller]
    pub fn wait_gone(&self, unwanted: &str) -> String {
        wait_for(&format!("{unwanted:?} to go"), SOON, || {
            let text = self.text();
            (!text.contains(unwanted)).then_some(text)
        })
    }

    /// One key by tmux's name for it, such as `Enter`, `Tab`, `a`.
    pub fn press(&mut self, key: &str) {
        self.keys.others += 1;
        self.tmux(&["send-keys", "-t", "person", key]);
    }

    /// Types a number.
    pub fn number(&mut self, digits: &str) {
        self.keys.digits += digits.len();
        self.tmux(&["send-keys", "-t", "person", "-l", digits]);
    }

    /// Types a line at the prompt of the shell and sends it.
    pub fn command(&mut self, line: &str) {
        self.keys.others += line.len() + 1;
        self.tmux(&["send-keys", "-t", "person", "-l", line]);
        self.tmux(&["send-keys", "-t", "person", "Enter"]);
    }

    /// Wipes the screen, as before a new command. Counts nothing.
    pub fn clear(&self) {
        self.tmux(&["send-keys", "-t", "person", "-l", "clear"]);
        self.tmux(&["send-keys", "-t", "person", "Enter"]);
        wait_for("a clear screen", SOON, || (self.text().trim() == "$").then_some(()));
        self.tmux(&["clear-history", "-t", "person"]);
    }

    /// From now on what the program writes to its terminal is counted.
    pub fn count_bytes(&self) {
        let file = self.server.with_file_name("written");
        self.tmux(&["pipe-pane", "-t", "person", &format!("cat >> {}", file.display())]);
    }

    /// Bytes written since they were last asked for, once nothing more has come for a while: longer than the
    /// daemon's second between two states.
    pub fn bytes(&self) -> u64 {
        let file = self.server.with_file_name("written");
        let size = || std::fs::metadata(&file).map_or(0, |meta| meta.len());
        let (mut last, mut since) = (size(), Instant::now());
        while since.elapsed() < Duration::from_millis(1_500) {
            std::thread::sleep(Duration::from_millis(50));
            let now = size();
            if now != last {
                (last, since) = (now, Instant::now());
            }
        }
        // The pipe appends, so that what was counted can be forgotten.
        std::fs::write(&file, "").expect("scratch");
        last
    }

    /// A task begins.
    pub fn begin(&mut self) {
        self.keys = Keys::default();
        self.began = Instant::now();
    }

    /// A task is done: prints what it took and gives the keys.
    pub fn done(&self, task: &str) -> Keys {
        println!(
            "{task}: {} keys and {} digits, {:.1} s of the program's time",
            self.keys.others,
            self.keys.digits,
            self.began.elapsed().as_secs_f64()
        );
        self.keys
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        // Only this test's own server, by its socket.
        drop(Command::new("tmux").arg("-S").arg(&self.server).arg("kill-server").output());
    }
}
