//! How far a scan is, for whoever waits.

use std::io::{IsTerminal as _, Write as _};
use std::time::{Duration, Instant};

use super::super::spoken;
use crate::console::text::wrap;
use crate::scan::Progress;
use crate::texts::say;

/// Says on standard error how far it is: in one line on a terminal, else in a line now and then.
pub(super) struct Teller {
    on_terminal: bool,
    /// An address as people write it.
    shown: fn(u8) -> String,
    setting: String,
    began: Instant,
    told: Option<Instant>,
    is_open: bool,
    /// Lines that the next rows replace.
    drawn: usize,
}

/// Rows of values at once: a terminal of 24 lines shows no more.
const ROWS_MAX: usize = 20;

/// Lines about addresses come at most this often where there is no terminal.
const TELL_EVERY: Duration = Duration::from_secs(10);

impl Teller {
    pub(super) fn new(shown: fn(u8) -> String) -> Self {
        let on_terminal = std::io::stderr().is_terminal();
        Self {
            on_terminal,
            shown,
            setting: String::new(),
            began: Instant::now(),
            told: None,
            is_open: false,
            drawn: 0,
        }
    }

    pub(super) fn tell(&mut self, progress: Progress) {
        match progress {
            Progress::Setting(setting) => {
                self.setting = setting.to_string();
                self.began = Instant::now();
                self.told = Some(Instant::now());
                self.line(&say!(spoken(), "scan-trying", setting = setting.to_string()));
            }
            Progress::Address { address, done, of, found } => {
                let is_due = self.told.is_none_or(|told| told.elapsed() >= TELL_EVERY);
                if self.on_terminal || is_due {
                    self.told = Some(Instant::now());
                    let left =
                        self.began.elapsed().as_secs_f64() / (done.max(1) as f64) * ((of - done) as f64);
                    let left = if done == 0 {
                        String::new()
                    } else {
                        say!(spoken(), "scan-time-left", seconds = format!("{left:.0}"))
                    };
                    let address = (self.shown)(address);
                    let text = say!(
                        spoken(),
                        "scan-progress",
                        setting = &self.setting,
                        address = address,
                        done = done.to_string(),
                        of = of.to_string(),
                        found = found.to_string(),
                        left = left,
                    );
                    self.passing(&text);
                }
            }
            Progress::Found(address) => {
                self.line(&say!(spoken(), "scan-answers", address = (self.shown)(address)));
            }
            Progress::Look(address) => {
                self.passing(&say!(spoken(), "scan-looking", address = (self.shown)(address)));
            }
            Progress::Recalled => self.line(&say!(spoken(), "scan-recalled")),
            Progress::Listen(length) => {
                self.passing(&say!(spoken(), "scan-listening", seconds = length.as_secs().to_string()));
            }
            Progress::Asked(profile) => self.passing(&say!(spoken(), "scan-asking", profile = profile)),
            Progress::Line(text) => self.line(&format!("< {text}")),
            Progress::Watching { left_s, rows } => self.watching(left_s, &rows),
        }
    }

    /// Rows that the next ones replace on a terminal that can; else they come now and then.
    fn watching(&mut self, left_s: u64, rows: &[String]) {
        let can_draw = self.on_terminal && std::env::var_os("TERM").is_some_and(|term| term != "dumb");
        if !can_draw && self.told.is_some_and(|told| told.elapsed() < TELL_EVERY) {
            return;
        }
        if self.drawn == 0 {
            self.end();
        }
        self.told = Some(Instant::now());
        let up = if can_draw && self.drawn > 0 { format!("\x1b[{}A", self.drawn) } else { String::new() };
        let clear = if can_draw { "\r\x1b[K" } else { "" };
        let head = say!(spoken(), "scan-watching", seconds = left_s.to_string());
        let shown = wrap(&head, 79, 2).into_iter().chain(rows.iter().take(ROWS_MAX).cloned());
        let text: Vec<String> = shown.map(|row| format!("{clear}{row}\n")).collect();
        self.drawn = text.len();
        eprint!("{up}{}", text.concat());
    }

    /// A line that the next one may replace.
    fn passing(&mut self, text: &str) {
        if self.on_terminal {
            eprint!("\r{text:<78}");
            let _ = std::io::stderr().flush();
            self.is_open = true;
        } else {
            eprintln!("{text}");
        }
    }

    fn line(&mut self, text: &str) {
        if self.is_open {
            eprint!("\r{:<78}\r", "");
        }
        self.is_open = false;
        eprintln!("{text}");
    }

    pub(super) fn end(&mut self) {
        if self.is_open {
            eprint!("\r{:<78}\r", "");
            self.is_open = false;
        }
    }
}
