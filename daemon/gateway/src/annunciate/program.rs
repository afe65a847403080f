//! A program that is run for an output or a call: no shell, next to no environment, a time limit.

use std::process::Stdio;
use std::time::Duration;

use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;
use pondreeve_core::said::said;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::process::Child;

use crate::config::annunciation::Command;

/// What of its standard error is told.
const COMPLAINT_BYTES: usize = 200;

/// How long after its end a program's last words are waited for; a child of it may keep the pipe open.
const LAST_WORDS_WITHIN: Duration = Duration::from_millis(50);

/// Where programs are looked for by the program itself, if it runs others.
const PATH: &str = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin";

/// Runs it to its end.
///
/// # Errors
/// It could not be started, took too long (and was killed with all it had started), or ended with another
/// status than 0.
pub(super) async fn run(
    command: &Command,
    argument: Option<&str>,
    input: Option<&[u8]>,
) -> Result<(), String> {
    let mut child = tokio::process::Command::new(&command.program)
        .args(&command.arguments)
        .args(argument)
        .env_clear()
        .env("PATH", PATH)
        .current_dir("/")
        .stdin(if input.is_some() { Stdio::piped() } else { Stdio::null() })
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        // Of its own, so that what it starts is ended with it.
        .process_group(0)
        .kill_on_drop(true)
        .spawn()
        .map_err(|error| {
            said!("trouble-not-started", "it cannot be started: {error}", error = error.to_string())
        })?;
    let group = child.id().and_then(|id| i32::try_from(id).ok()).map(Pid::from_raw);
    match tokio::time::timeout(command.timeout, to_its_end(&mut child, input)).await {
        Ok(outcome) => outcome,
        Err(_elapsed) => {
            if let Some(group) = group {
                // It may have ended this very moment.
                let _ = killpg(group, Signal::SIGKILL);
            }
            let _ = child.wait().await;
            Err(said!(
                "trouble-killed",
                "it had not ended after {length} and was killed",
                length = humantime::format_duration(command.timeout).to_string()
            )
            .into())
        }
    }
}

async fn to_its_end(child: &mut Child, input: Option<&[u8]>) -> Result<(), String> {
    let mut complaint = Vec::new();
    let stdin = child.stdin.take();
    let feed = async move {
        if let (Some(mut stdin), Some(input)) = (stdin, input) {
            // One that does not read is none the worse for it.
            let _ = stdin.write_all(input).await;
        }
    };
    let status = {
        let stderr = child.stderr.take();
        let listen = async {
            let Some(mut stderr) = stderr else { return };
            let mut bytes = [0; 256];
            while let Ok(count @ 1..) = stderr.read(&mut bytes).await {
                let room = COMPLAINT_BYTES.saturating_sub(complaint.len());
                complaint.extend_from_slice(bytes.get(..count.min(room)).unwrap_or_default());
            }
        };
        tokio::pin!(listen);
        tokio::pin!(feed);
        let (mut fed, mut heard) = (false, false);
        let status = loop {
            tokio::select! {
                status = child.wait() => break status,
                () = &mut feed, if !fed => fed = true,
                () = &mut listen, if !heard => heard = true,
            }
        };
        if !heard {
            let _ = tokio::time::timeout(LAST_WORDS_WITHIN, listen).await;
        }
        status.map_err(|error| error.to_string())?
    };
    if status.success() {
        return Ok(());
    }
    let complaint = String::from_utf8_lossy(&complaint);
    let words: String = complaint.trim().chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let status = status.to_string();
    let told = if words.is_empty() {
        said!("trouble-ended", "it ended with {status}", status = status)
    } else {
        said!("trouble-ended-saying", "it ended with {status}: {words}", status = status, words = words)
    };
    Err(told.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shell(script: &str, timeout: Duration) -> Command {
        let arguments = vec!["-c".to_owned(), script.to_owned(), "test".to_owned()];
        Command { program: "/bin/sh".into(), arguments, timeout }
    }

    const LONG: Duration = Duration::from_secs(20);

    #[tokio::test]
    async fn it_gets_its_argument_its_input_and_next_to_no_environment() {
        let folder = tempfile::tempdir().unwrap();
        let told = folder.path().join("told");
        let script = format!("{{ echo \"$1\"; cat; env | sort; }} > '{}'", told.display());
        run(&shell(&script, LONG), Some("on"), Some(b"hello\n")).await.unwrap();
        let told = std::fs::read_to_string(told).unwrap();
        // The shell itself adds PWD and the like.
        assert!(told.starts_with("on\nhello\n"), "{told}");
        assert!(told.contains("PATH=/usr/local/sbin"), "{told}");
        assert!(!told.contains("HOME=") && !told.contains("USER="), "{told}");
    }

    #[tokio::test]
    async fn nothing_in_an_argument_is_taken_for_a_command() {
        let folder = tempfile::tempdir().unwrap();
        let trap = folder.path().join("trap");
        let command = Command { program: "/bin/true".into(), arguments: Vec::new(), timeout: LONG };
        run(&command, Some(&format!("; touch {}", trap.display())), None).await.unwrap();
        assert!(!trap.exists());
    }

    #[tokio::test]
    async fn a_failure_is_told_in_its_own_words() {
        let failed = run(&shell("echo 'no carrier' >&2; exit 3", LONG), None, None).await.unwrap_err();
        assert_eq!(failed, "it ended with exit status: 3: no carrier");
        let missing = Command { program: "/nowhere/horn".into(), arguments: Vec::new(), timeout: LONG };
        let missing = run(&missing, None, None).await.unwrap_err();
        assert!(missing.starts_with("it cannot be started: No such file"), "{missing}");
    }

    #[tokio::test]
    async fn one_that_hangs_is_killed_with_all_it_started() {
        let folder = tempfile::tempdir().unwrap();
        let late = folder.path().join("late");
        let script = format!("(sleep 1; touch '{}') & sleep 60", late.display());
        let hung = run(&shell(&script, Duration::from_millis(200)), None, None).await.unwrap_err();
        assert_eq!(hung, "it had not ended after 200ms and was killed");
        tokio::time::sleep(Duration::from_millis(1_300)).await;
        assert!(!late.exists(), "what it had started went on");
    }

    #[tokio::test]
    async fn one_that_leaves_something_behind_has_done_its_work() {
        run(&shell("sleep 30 & exit 0", Duration::from_secs(10)), Some("on"), None).await.unwrap();
    }
}
