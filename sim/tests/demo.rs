//! The demo program as a person runs it: it tells the night, and leaves nothing behind.

use std::io::{BufRead as _, BufReader, Read as _};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

fn start(folder: &Path, arguments: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_sim"))
        .args(arguments)
        .env("TMPDIR", folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Waits for the end, and kills what does not end.
fn ended(mut child: Child, within: Duration) -> (Option<i32>, String) {
    let began = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        if began.elapsed() > within {
            child.kill().unwrap();
            panic!("the demo did not end within {within:?}");
        }
        std::thread::sleep(Duration::from_millis(50));
    };
    let mut errors = String::new();
    child.stderr.take().unwrap().read_to_string(&mut errors).unwrap();
    (status.code(), errors)
}

fn left_in(folder: &Path) -> Vec<String> {
    std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[test]
fn a_short_night_is_told_and_reported() {
    let folder = tempfile::tempdir().unwrap();
    let mut child =
        start(folder.path(), &["--plain", "--speed", "400", "--from", "23:10", "--until", "00:10"]);
    let mut text = String::new();
    child.stdout.take().unwrap().read_to_string(&mut text).unwrap();
    let (status, errors) = ended(child, Duration::from_secs(60));
    assert_eq!((status, errors.as_str()), (Some(0), ""), "{text}");
    for wanted in ["Tidewick Ponds", "console --socket", "oxygen   P1", "The night in short", "P4  Avocet"] {
        assert!(text.contains(wanted), "no {wanted:?} in:\n{text}");
    }
    let kept = text.lines().find_map(|line| {
        let counts = line.trim().strip_prefix("Read back from the daemon's store: ")?;
        counts.split_once(" inputs with ")?.1.strip_suffix(" readings")
    });
    let kept: usize = kept.expect("the report counts readings").parse().unwrap();
    // Over an hour the line alone brings some twenty values a minute; a loaded machine polls less.
    assert!(kept > 100, "{kept} readings kept:\n{text}");
    assert!(!text.contains("MQTT: none"), "no summary came:\n{text}");
    assert_eq!(left_in(folder.path()), Vec::<String>::new());
}

#[test]
fn stopping_it_in_mid_night_leaves_nothing_behind() {
    for signal in [Signal::SIGINT, Signal::SIGTERM, Signal::SIGHUP] {
        let folder = tempfile::tempdir().unwrap();
        let mut child = start(folder.path(), &["--plain", "--speed", "300"]);
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let first = lines.find_map(|line| line.ok().filter(|line| line.contains("oxygen   P1")));
        assert!(first.is_some(), "the demo told no oxygen");
        assert_eq!(left_in(folder.path()).len(), 1, "one folder while it runs");
        kill(Pid::from_raw(child.id().cast_signed()), signal).unwrap();
        let rest: String = lines.map_while(Result::ok).collect::<Vec<_>>().join("\n");
        let (status, errors) = ended(child, Duration::from_secs(30));
        assert_eq!((status, errors.as_str()), (Some(0), ""), "{rest}");
        assert!(rest.contains("stopped by a signal") && rest.contains("The night in short"), "{rest}");
        assert_eq!(left_in(folder.path()), Vec::<String>::new(), "after {signal}");
    }
}

#[test]
fn what_cannot_be_played_is_refused_with_what_would_be_accepted() {
    for (arguments, accepted) in [
        (["--speed", "0"], "0.1 to 2000"),
        (["--from", "25:00"], "17:30"),
        (["--seed", "x"], "invalid digit"),
        (["--keep", "/proc"], "not empty"),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let (status, errors) = ended(start(folder.path(), &arguments), Duration::from_secs(30));
        assert_ne!(status, Some(0), "{arguments:?}");
        assert!(errors.contains(accepted), "{arguments:?}: {errors}");
        assert_eq!(left_in(folder.path()), Vec::<String>::new());
    }
}
