//! A technician's tasks at the real terminal: the real console and commands in tmux at 80×24, the real daemon
//! behind them, and the ten days of the demo farm as its water. Keys are counted.
//!
//! Nothing here switches an aerator, so a task ends where the screen shows that somebody did.

#![allow(missing_docs, unreachable_pub, reason = "a test of several files")]

mod day;
mod line;
mod night;
mod power;
mod probe;
mod screen;
mod stage;

use std::time::Duration;

/// Longer than the console's guard against a key pressed before an alarm could be read.
pub fn read_it() {
    std::thread::sleep(Duration::from_millis(800));
}

/// Whether every one of these stands in the text; a panic with the text where one does not.
#[track_caller]
pub fn shows(text: &str, wanted: &[&str]) {
    for one in wanted {
        assert!(text.contains(one), "no {one:?} in:\n{text}");
    }
}

/// The name that this test's user has in the journal.
pub fn me() -> String {
    nix::unistd::User::from_uid(nix::unistd::getuid()).expect("lookup").expect("a user").name
}
