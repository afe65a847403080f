//! The program as it is typed: help, messages, exit statuses, replay, and a daemon that is asked.

use std::process::{Command, Output, Stdio};

use serde_json::Value;

mod calibrate;
mod daemon;
mod limit;
mod record;
mod replay;
mod trial;

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
    for command in
        ["run", "console", "status", "alarms", "acknowledge", "why", "calibrate", "enter", "record", "replay"]
    {
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

/// Whoever has nothing but the program writes a profile from one that it prints.
#[test]
fn a_built_in_profile_is_printed_to_write_from() {
    let folder = tempfile::tempdir().unwrap();
    let own = folder.path().join("own.toml");
    for name in ["optical-oxygen", "sdi12-oxygen", "text-oxygen"] {
        let printed = text(&ran(&["check", "--example-profile", name]).stdout);
        assert!(printed.contains(&format!("id = \"{name}\"")) && printed.starts_with("# "), "{printed}");
        std::fs::write(&own, printed).unwrap();
        let capture = folder.path().join("empty.txt");
        std::fs::write(&capture, "").unwrap();
        // As it stands it is a profile: there is only nothing to be read.
        let tried = ran(&["frames", capture.to_str().unwrap(), "--profile", own.to_str().unwrap()]);
        assert_eq!(tried.status.code(), Some(1), "{}", text(&tried.stderr));
        assert!(text(&tried.stdout).contains("0 read"), "{}", text(&tried.stdout));
    }
    let (status, message) = told(&ran(&["check", "--example-profile", "optical"]));
    assert_eq!(status, 2);
    assert!(message.contains("optical-oxygen") && message.contains("weather-mast"), "{message}");
}

/// Every command that the help lists has a page, and its page tells its own examples.
#[test]
fn every_command_has_a_manual_page() {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().to_str().unwrap();
    assert_eq!(told(&ran(&["manual", "--to", to])), (0, String::new()));
    let help = text(&ran(&["--help"]).stdout);
    let listed = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    // What a command is for may take a second line, which stands further right.
    let commands: Vec<&str> = listed
        .take_while(|line| !line.is_empty())
        .filter(|line| line.chars().nth(2).is_some_and(char::is_alphabetic))
        .filter_map(|line| line.split_whitespace().next())
        .collect();
    assert!(commands.len() >= 20 && commands.contains(&"shelve"), "{commands:?}");
    for command in commands {
        let page = std::fs::read_to_string(folder.path().join(format!("pondreeve-{command}.1")));
        let page = page.unwrap_or_else(|_| panic!("no page of {command}"));
        assert!(page.contains(&format!(".TH pondreeve-{command} 1")), "{command}");
    }
    let shelve = std::fs::read_to_string(folder.path().join("pondreeve-shelve.1")).unwrap();
    assert!(shelve.contains("never by night") && shelve.contains("unshelve p1.ph\\-high\\-warn"), "{shelve}");
    let (status, message) = told(&ran(&["manual", "--to", "/nowhere/at/all"]));
    assert_eq!(status, 1);
    assert!(message.contains("/nowhere/at/all/pondreeve.1") && message.contains("--to names"), "{message}");
}

/// bash itself reads the completions and completes a command and an option with them.
#[test]
fn bash_completes_commands_and_options() {
    let script = text(&ran(&["completions", "bash"]).stdout);
    let ask = |words: &str, at: usize| {
        let asked = format!(
            "{script}\nCOMP_WORDS=({words}); COMP_CWORD={at}; \
             _pondreeve pondreeve \"${{COMP_WORDS[{at}]}}\" \"${{COMP_WORDS[{}]}}\"; printf '%s\\n' \"${{COMPREPLY[@]}}\"",
            at - 1
        );
        let output = Command::new("bash").args(["--norc", "-c", &asked]).output().unwrap();
        assert!(output.status.success(), "{}", text(&output.stderr));
        text(&output.stdout)
    };
    assert_eq!(ask("pondreeve unsh", 1), "unshelve\n");
    assert!(ask("pondreeve shelve --", 2).lines().any(|option| option == "--reason"));
}
