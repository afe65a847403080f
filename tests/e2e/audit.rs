//! The audit trail of the real program: through a kill and a changed configuration, checked by programs that know
//! nothing of pondreeve.

use std::fs;
use std::io::Write as _;
use std::process::{Command, Stdio};
use std::time::Duration;

use pondreeve_tests::{Scratch, one_pond, wait_for};

const SOON: Duration = Duration::from_secs(20);

fn configuration(scratch: &Scratch, critical: f64) -> String {
    let rest = format!(
        r#"

[pond.limits.do_low_mg_l]
critical = {{ limit = {critical}, source = "test" }}

[[broker]]
id = "local"
host = "127.0.0.1"
port = 9

[[broker.probe]]
id = "node"
pond = "p1"
topic = "nodes/p1"
qos = 1
sends_every = "1m"
value = [{{ quantity = "do_mg_l", json = "/oxygen" }}]
"#
    );
    one_pond(scratch.folder.path(), "5s", "", &rest)
}

/// Runs a program on a text.
fn fed(program: &str, arguments: &[&str], text: &str) -> (bool, String) {
    let mut child = Command::new(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("started");
    child.stdin.take().expect("piped").write_all(text.as_bytes()).expect("fed");
    let output = child.wait_with_output().expect("ended");
    let said = [output.stdout, output.stderr].concat();
    (output.status.success(), String::from_utf8(said).expect("UTF-8").trim().to_owned())
}

fn by_python(text: &str, noted: &[&str]) -> (bool, String) {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/e2e/check_trail.py");
    fed("python3", &[&[script], noted].concat(), text)
}

fn exported(scratch: &Scratch, more: &[&str]) -> String {
    let arguments = [&["export", "--audit"], more].concat();
    let output = scratch.pondreeve(&arguments);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

fn started(scratch: &Scratch) {
    wait_for("the daemon", SOON, || scratch.pondreeve(&["status"]).status.success().then_some(()));
}

#[test]
fn a_trail_goes_through_a_kill_and_is_checked_with_sha256sum_alone() {
    let scratch = Scratch::new();
    scratch.write("farm.toml", &configuration(&scratch, 3.0));
    let mut daemon = scratch.run_daemon();
    started(&scratch);
    let entered = scratch.pondreeve(&["enter", "--pond", "p1", "tan_mg_l=0.6"]);
    assert!(entered.status.success(), "{}", String::from_utf8_lossy(&entered.stderr));
    let early = exported(&scratch, &[]);
    daemon.kill_hard();
    scratch.write("farm.toml", &configuration(&scratch, 2.5));
    let mut daemon = scratch.run_daemon();
    started(&scratch);
    assert!(scratch.pondreeve(&["enter", "--pond", "p1", "nitrite_mg_l=0.2"]).status.success());
    let text = exported(&scratch, &[]);
    assert!(text.starts_with(&early), "what was exported before is still there:\n{early}\n{text}");
    for wanted in [
        r#","command","hand reading","p1/tan_mg_l","","0.6","","#,
        r#","command","hand reading","p1/nitrite_mg_l","","0.2","","#,
        r#","daemon","low-oxygen limit","ponds.p1.limits.do_low_mg_l.critical.limit","3.0","2.5","#,
        r#"-05:00","#,
    ] {
        assert!(text.contains(wanted), "{wanted} in {text}");
    }

    // Python's hashlib, by what the documents say.
    let (whole, head) = by_python(&text, &[]);
    assert!(whole, "{head}");
    let (_, early_head) = by_python(&early, &[]);
    assert!(by_python(&text, &[&early_head]).0);
    let lines: Vec<&str> = text.lines().collect();
    for place in 1..lines.len() {
        let mut removed = lines.clone();
        removed.remove(place);
        let mut changed = text.clone().into_bytes();
        let byte = lines[..place].iter().map(|line| line.len() + 1).sum::<usize>() + 20;
        changed[byte] = if changed[byte] == b'1' { b'2' } else { b'1' };
        assert!(!by_python(&String::from_utf8(changed).expect("UTF-8"), &[]).0, "line {place} changed");
        let (whole, said) = by_python(&(removed.join("\n") + "\n"), &[&head]);
        assert!(!whole, "line {place} removed: {said}");
    }

    // sha256sum, by the command in the README.
    let readme = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../README.md")).expect("README");
    let command = readme.split("```sh\n").find(|part| part.contains("| sha256sum")).expect("the command");
    let command = command.split("```").next().expect("its end");
    scratch.write("trail.csv", &text);
    let in_folder = format!("cd '{}' && {command}", scratch.folder.path().display());
    let (done, said) = fed("bash", &["-c", &in_folder], "");
    assert_eq!((done, said.as_str()), (true, ""), "it says nothing where all is well");
    let last = lines[lines.len() - 1];
    scratch.write("trail.csv", &text.replace(last, &last.replace("0.2", "0.3")));
    let (_, said) = fed("bash", &["-c", &in_folder], "");
    assert!(said.contains(&format!("\"{}\"", lines.len() - 1)), "{said}");

    // JSON lines carry the same.
    let json = exported(&scratch, &["--json"]);
    let objects: Vec<serde_json::Value> =
        json.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    assert_eq!(objects.len(), lines.len() - 1);
    let newest = objects.last().expect("one");
    assert_eq!(format!("{}:{}", newest["record"], newest["hash"].as_str().expect("text")), head);

    assert!(daemon.stop(SOON).success());
    let store = scratch.path("store");
    let store = store.to_str().expect("UTF-8");
    let verified = scratch.pondreeve(&["verify", store, "--head", &head]);
    let said = String::from_utf8(verified.stdout).expect("UTF-8");
    assert!(verified.status.success() && said.contains("audit trail: unbroken"), "{said}");
    let other = format!("1:{}", "7".repeat(64));
    let verified = scratch.pondreeve(&["verify", store, "--head", &other]);
    let said = String::from_utf8(verified.stdout).expect("UTF-8");
    assert!(!verified.status.success() && said.contains("AUDIT TRAIL BROKEN: record 1"), "{said}");
}

/// The drill: a copy made while the daemon watches, the card gone, a store made of the copy, and all of it is there
/// again. What came after the copy is lost, as the copy cannot have it.
#[test]
fn a_backup_brings_readings_diary_and_trail_back() {
    let scratch = Scratch::new();
    scratch.write("farm.toml", &configuration(&scratch, 3.0));
    let mut daemon = scratch.run_daemon();
    started(&scratch);
    let done = |arguments: &[&str]| {
        let output = scratch.pondreeve(arguments);
        assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).expect("UTF-8")
    };
    done(&["enter", "--pond", "p1", "do_mg_l=5.25", "tan_mg_l=0.6"]);
    done(&["record", "--pond", "p1", "note", "before the copy"]);
    let kept = || {
        let readings = done(&["export", "--quantity", "do_mg_l", "--quantity", "tan_mg_l"]);
        (readings, done(&["export", "--diary"]))
    };
    let (before, trail) = (kept(), exported(&scratch, &[]));
    assert!(before.0.contains("5.25") && before.1.contains("before the copy"), "{before:?}");
    let (copy, store) = (scratch.path("copy"), scratch.path("store"));
    let (copy, store) = (copy.to_str().expect("UTF-8"), store.to_str().expect("UTF-8"));
    done(&["backup", copy]);
    done(&["verify", copy]);
    done(&["record", "--pond", "p1", "note", "after the copy"]);
    daemon.kill_hard();
    fs::remove_dir_all(store).expect("the card is gone");
    done(&["salvage", copy, store]);
    let mut daemon = scratch.run_daemon();
    started(&scratch);
    assert_eq!(kept(), before);
    let after = exported(&scratch, &[]);
    assert!(after.starts_with(&trail) && !after.contains("after the copy"), "{trail}\n{after}");
    assert!(after.contains("salvage"), "that it was made of a copy is noted: {after}");
    assert!(daemon.stop(SOON).success());
    let (whole, head) = by_python(&trail, &[]);
    assert!(whole, "{head}");
    done(&["verify", store, "--head", &head]);
}
