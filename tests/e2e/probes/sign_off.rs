//! The commissioning in a terminal: a person at the keyboard, who answers every question, and the sheet to sign.

use std::fs::{self, File};
use std::io::Write as _;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;

use pondreeve::config::profile::Profile;
use pondreeve_tests::{Running, Scratch, program, wait_for};
use sim::pty::Line;
use sim::rtu::{Answer, Part, Server};

use super::commission::farm;
use super::spoken::{built_in, sensors};

const SOON: Duration = Duration::from_secs(60);

/// Someone at a keyboard: answers each question once it stands on the screen. What was said, and the exit status.
fn commissioned(scratch: &Scratch, sheet: &Path, answers: &[&str]) -> (String, Option<i32>) {
    let place = scratch.path("keyboard");
    let mut keyboard = Line::open(&place).expect("a terminal");
    let mut command = Command::new(program("pondreeve"));
    command.args(["commission", "--wait", "40s", "--config"]).arg(scratch.path("farm.toml"));
    command.arg("--out").arg(sheet).stdin(File::open(&place).expect("the terminal"));
    let log = scratch.path("said.txt");
    let screen = File::create(&log).expect("a log");
    command.stdout(screen.try_clone().expect("a second handle")).stderr(screen);
    let mut running = Running(command.spawn().expect("pondreeve runs"));
    let said = || fs::read_to_string(&log).expect("a log");
    for (place, answer) in answers.iter().enumerate() {
        wait_for("the next question", SOON, || {
            let ended = running.0.try_wait().expect("waitable");
            assert!(ended.is_none(), "it ended before answer {place}: {}", said());
            (said().matches("[y/n, Enter to skip]").count() > place).then_some(())
        });
        writeln!(keyboard.probes, "{answer}").expect("typed");
    }
    let status = wait_for("the end", SOON, || running.0.try_wait().expect("waitable"));
    (said(), status.code())
}

#[test]
fn an_installation_is_signed_off_question_by_question() {
    let scratch = Scratch::new();
    let lines = ["east", "west"].map(|name| Line::open(&scratch.path(name)).expect("a pty"));
    let Profile::Registers(map) = built_in("optical-oxygen") else { panic!("registers") };
    let _bus = Server::start(&lines[0], move |unit| {
        let parts = vec![Part { map: Arc::clone(&map), values: vec![6.42, 28.9] }];
        (unit == 11).then_some(Answer { parts, fault: None })
    })
    .expect("a server");
    let _line = sensors(&lines[1], Arc::default());
    let horn = scratch.write("horn.sh", "#!/bin/sh\necho \"$@\" >> \"$(dirname \"$0\")/horn.log\"\n");
    fs::set_permissions(&horn, std::os::unix::fs::PermissionsExt::from_mode(0o755)).expect("executable");
    scratch.write("farm.toml", &farm(&scratch, "", ""));
    let _daemon = scratch.run_daemon();

    // All in order; a slip of the finger is asked again. The questions: two probes, an aerator if there is one, the horn,
    // the clock.
    let page = scratch.path("sheet.html");
    let (said, status) = commissioned(&scratch, &page, &["yy", "y", "y", "y", "y"]);
    assert_eq!(status, Some(0), "{said}");
    for wanted in [
        "Question 1 of 4",
        "Accepted is y, n or Enter.",
        "The horn is switched for a moment now.",
        "[in order] p1-oxygen hangs in p1",
        "[in order] horn \u{201c}siren\u{201d}",
        "switched for a moment, confirmed; seen by a person",
        "0 not in order, ",
    ] {
        assert!(said.contains(wanted), "{wanted}: {said}");
    }
    let sounded = fs::read_to_string(scratch.path("horn.log")).expect("it sounded");
    assert!(sounded.contains("on") && sounded.trim_end().ends_with("off"), "for a moment: {sounded}");
    let html = fs::read_to_string(&page).expect("the sheet");
    assert!(html.contains("p1-deep hangs in p1") && !html.contains("NOT IN ORDER"), "{html}");
    assert_eq!(pondreeve_tests::look_at(scratch.folder.path(), &[&page]), "");

    // The second probe hangs in another pond, and nobody heard the horn.
    let sheet = scratch.path("sheet.txt");
    let (said, status) = commissioned(&scratch, &sheet, &["y", "n", "n", ""]);
    assert_eq!(status, Some(1), "{said}");
    let text = fs::read_to_string(&sheet).expect("the sheet");
    for wanted in [
        "2 not in order, ",
        "NOT IN ORDER: p1-deep hangs in p1",
        "[NOT IN ORDER] horn \u{201c}siren\u{201d}",
        "[not checked] clock against a telephone",
        "Date and signature",
    ] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
}
