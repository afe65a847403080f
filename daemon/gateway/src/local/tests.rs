//! The whole daemon through its socket, as the plain commands use it.

use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

use pondreeve_core::{Span, Timestamp};
use tempfile::TempDir;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::UnixStream;
use tokio_util::sync::CancellationToken;

use super::client::{self, ClientError};
use super::protocol::{Ask, Reply};
use super::server::MOST_CLIENTS;
use crate::clock::Clock;
use crate::config::Farm;
use crate::engine::tests::farm;
use crate::{RunError, exit_code, run};

const EVENING: Timestamp = Timestamp(1_780_000_000_000);

struct Daemon {
    farm: Farm,
    stop: CancellationToken,
    running: tokio::task::JoinHandle<Result<(), RunError>>,
    _folder: TempDir,
}

impl Daemon {
    async fn start() -> Self {
        Self::start_with(|_| {}).await
    }

    async fn start_with(change: impl FnOnce(&mut Farm)) -> Self {
        let folder = TempDir::new().unwrap();
        let mut farm = farm(folder.path());
        change(&mut farm);
        let stop = CancellationToken::new();
        let running = tokio::spawn(run(farm.clone(), Clock::accelerated(EVENING, 600.0), stop.clone()));
        let daemon = Self { farm, stop, running, _folder: folder };
        for _ in 0..200 {
            if UnixStream::connect(&daemon.farm.local.socket).await.is_ok() {
                return daemon;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        panic!("the daemon does not listen");
    }

    async fn client(&self) -> client::Client {
        client::connect(&self.farm.local.socket).await.unwrap()
    }

    async fn ask(&self, ask: Ask) -> Reply {
        self.client().await.ask(ask).await.unwrap()
    }

    async fn end(self) {
        self.stop.cancel();
        self.running.await.unwrap().unwrap();
        assert!(!self.farm.local.socket.exists(), "the socket file goes with the daemon");
    }
}

fn enter(pond: &str, values: &[(&str, f64)], at: Option<&str>) -> Ask {
    Ask::Enter {
        pond: pond.to_owned(),
        values: values.iter().map(|(id, value)| ((*id).to_owned(), *value)).collect(),
        at: at.map(str::to_owned),
    }
}

fn error(reply: Reply) -> (String, bool) {
    match reply {
        Reply::Error { message, bad_request, .. } => (message, bad_request),
        other => panic!("{other:?} where an error is due"),
    }
}

/// Who runs this test, by the system's own program.
fn own_name() -> String {
    let output = std::process::Command::new("id").arg("-un").output().unwrap();
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_person_enters_is_shown_with_its_name_and_kept() {
    let daemon = Daemon::start().await;
    let done = daemon.ask(enter("pond", &[("tan_mg_l", 0.5), ("do_mg_l", 0.9)], None)).await;
    let Reply::Done { warning: None, checks, .. } = done else { panic!("{done:?}") };
    // The pond's oxygen probe has read nothing yet, and no probe is held against a test kit.
    assert_eq!(checks.len(), 1, "{checks:?}");
    assert_eq!((checks[0].quantity.as_str(), checks[0].probe_value), ("do_mg_l", None));
    assert!(!checks[0].check_probe);
    let Reply::Status(status) = daemon.ask(Ask::Status).await else { panic!("a status is due") };
    assert_eq!((status.farm.as_str(), status.ponds.len()), ("Test farm", 1));
    let tan = status.ponds[0].readings.iter().find(|reading| reading.quantity == "tan_mg_l").unwrap();
    assert_eq!((tan.value, tan.unit.as_str()), (Some(0.5), "mg/L"));

    // Nothing reports oxygen, and the clock runs fast: an alarm is a matter of a second or two.
    let mut watch = daemon.client().await.watch().await.unwrap();
    let alarm = loop {
        let status = watch.next().await.unwrap().unwrap();
        if let Some(alarm) = status.alarms.iter().find(|alarm| alarm.state == "unacknowledged") {
            break alarm.clone();
        }
    };
    let done = daemon.ask(Ask::Acknowledge { id: alarm.id.clone() }).await;
    assert_eq!(done, Reply::done(None));
    let Reply::Status(status) = daemon.ask(Ask::Status).await else { panic!("a status is due") };
    let alarm = status.alarms.iter().find(|known| known.id == alarm.id).unwrap();
    assert_eq!(
        (alarm.state.as_str(), alarm.acknowledged_by.as_deref()),
        ("acknowledged", Some(own_name().as_str()))
    );
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn history_comes_back_in_order() {
    let daemon = Daemon::start().await;
    for value in [4.0, 5.0, 6.0] {
        daemon.ask(enter("pond", &[("do_mg_l", value)], None)).await;
        // Two minutes of farm time.
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    let ask = |seconds, points| Ask::History {
        pond: "pond".to_owned(),
        quantity: "do_mg_l".to_owned(),
        seconds,
        points,
    };
    let Reply::History { points } = daemon.ask(ask(3_600, 100)).await else { panic!("points are due") };
    let values: Vec<f64> = points.iter().map(|point| point.value).collect();
    assert_eq!(values, [4.0, 5.0, 6.0]);
    assert!(points.is_sorted_by(|a, b| a.at < b.at), "{points:?}");
    let (message, bad) = error(daemon.ask(ask(1_000_000, 100)).await);
    assert!(bad && message.contains("93600"), "{message}");
    let (message, bad) = error(daemon.ask(ask(60, 0)).await);
    assert!(bad && message.contains("1 to 10000"), "{message}");
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nights_are_told_of_ponds_that_exist() {
    let daemon = Daemon::start().await;
    let night = |pond: &str| Ask::Night { pond: pond.to_owned() };
    let Reply::Night(told) = daemon.ask(night("pond")).await else { panic!("a night is due") };
    // A pond that was never measured has no night behind it and no forecast.
    assert_eq!((told.pond.as_str(), told.forecast_at.as_ref()), ("pond", None));
    assert!(told.nights.is_empty() && told.course.is_empty(), "{told:?}");
    let (message, bad) = error(daemon.ask(night("lake")).await);
    assert!(bad && message.contains("lake") && message.contains("the ponds are"), "{message}");
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn bad_requests_are_answered_and_change_nothing() {
    let daemon = Daemon::start().await;
    let ahead = (jiff::Timestamp::from_millisecond((EVENING + Span::from_hours(500)).as_millis()))
        .unwrap()
        .to_string();
    for (ask, expected) in [
        (enter("p9", &[("tan_mg_l", 0.5)], None), "the ponds are pond"),
        (enter("pond", &[("ammonia", 0.5)], None), "known are do_mg_l, temperature_c"),
        (enter("pond", &[("nh3_n_mg_l", 0.5)], None), "computed from other quantities"),
        (enter("pond", &[("ph", 15.0)], None), "0 to 14"),
        (enter("pond", &[("tan_mg_l", 0.7), ("ph", -1.0)], None), "nothing was entered"),
        (enter("pond", &[], None), "at least one"),
        (enter("pond", &[("ph", 8.0)], Some("yesterday")), "RFC 3339"),
        (enter("pond", &[("ph", 8.0)], Some(&ahead)), "lies ahead"),
        (Ask::Acknowledge { id: "pond.nothing".to_owned() }, "pond.nothing"),
    ] {
        let (message, bad_request) = error(daemon.ask(ask.clone()).await);
        assert!(bad_request && message.contains(expected), "{ask:?}: {message}");
    }
    let Reply::Status(status) = daemon.ask(Ask::Status).await else { panic!("a status is due") };
    let entered = status.ponds[0].readings.iter().any(|reading| reading.value.is_some());
    assert!(!entered, "{:?}", status.ponds[0].readings);
    daemon.end().await;
}

/// Raw bytes on the socket: each line gets one answer, and the connection survives.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn lines_that_are_no_requests_get_an_error_each() {
    let daemon = Daemon::start().await;
    let stream = UnixStream::connect(&daemon.farm.local.socket).await.unwrap();
    let (read, mut write) = stream.into_split();
    let mut answers = BufReader::new(read).lines();
    let long = "x".repeat(100_000);
    for line in ["", "{", "[]", r#"{"ask":{"what":"dance"}}"#, r#"{"ask":{"what":"status","more":1}}"#, &long]
    {
        write.write_all(line.as_bytes()).await.unwrap();
        write.write_all(b"\n").await.unwrap();
        let answer = answers.next_line().await.unwrap().unwrap();
        let (_, bad_request) = error(serde_json::from_str(&answer).unwrap());
        assert!(bad_request, "{answer}");
    }
    write.write_all(b"{\"ask\":{\"what\":\"status\"}}\n").await.unwrap();
    let answer = answers.next_line().await.unwrap().unwrap();
    assert!(matches!(serde_json::from_str(&answer).unwrap(), Reply::Status(_)), "{answer}");
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn clients_beyond_the_bound_are_turned_away() {
    let daemon = Daemon::start().await;
    let mut held = Vec::new();
    for _ in 0..MOST_CLIENTS {
        let mut client = daemon.client().await;
        client.ask(Ask::Status).await.unwrap();
        held.push(client);
    }
    let mut extra = daemon.client().await;
    let (message, bad_request) = error(extra.ask(Ask::Status).await.unwrap());
    assert!(!bad_request && message.contains("32 local clients"), "{message}");
    // Closing one makes room.
    held.pop();
    let mut answered = false;
    for _ in 0..50 {
        let mut client = daemon.client().await;
        answered = matches!(client.ask(Ask::Status).await, Ok(Reply::Status(_)));
        if answered {
            break;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert!(answered);
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_socket_has_the_mode_and_group_asked_for() {
    let group = nix::unistd::Group::from_gid(nix::unistd::Gid::effective()).unwrap().unwrap();
    let daemon = Daemon::start_with(|farm| {
        farm.local.mode = 0o640;
        farm.local.group = Some(group.name.clone());
    })
    .await;
    let mode = std::fs::metadata(&daemon.farm.local.socket).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o640);
    daemon.end().await;

    let folder = TempDir::new().unwrap();
    let mut unknown = farm(folder.path());
    unknown.local.group = Some("no-such-group-here".to_owned());
    let error = run(unknown, Clock::accelerated(EVENING, 1.0), CancellationToken::new()).await.unwrap_err();
    assert!(error.to_string().contains("no-such-group-here"), "{error}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_daemon_on_the_same_store_is_refused() {
    let daemon = Daemon::start().await;
    let mut second = daemon.farm.clone();
    second.local.socket.set_extension("second");
    let error = run(second, Clock::accelerated(EVENING, 1.0), CancellationToken::new()).await.unwrap_err();
    assert_eq!(error.exit_code(), exit_code::FAILED);
    let text = error.to_string();
    assert!(text.contains("another pondreeve (process ") && text.contains("/store"), "{text}");
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn files_in_the_way_of_the_socket() {
    // Left by a daemon that was killed: a socket that nobody answers on.
    let daemon = Daemon::start_with(|farm| {
        drop(std::os::unix::net::UnixListener::bind(&farm.local.socket).unwrap());
        assert!(farm.local.socket.exists());
    })
    .await;
    // A second one with a store of its own must not take the socket away.
    let folder = TempDir::new().unwrap();
    let mut second = farm(folder.path());
    second.local.socket = daemon.farm.local.socket.clone();
    let error = run(second, Clock::accelerated(EVENING, 1.0), CancellationToken::new()).await.unwrap_err();
    assert!(error.to_string().contains("another pondreeve answers"), "{error}");
    assert!(matches!(daemon.ask(Ask::Status).await, Reply::Status(_)));
    daemon.end().await;

    let folder = TempDir::new().unwrap();
    let third = farm(folder.path());
    std::fs::write(&third.local.socket, "somebody's notes").unwrap();
    let notes = third.local.socket.clone();
    let error = run(third, Clock::accelerated(EVENING, 1.0), CancellationToken::new()).await.unwrap_err();
    assert!(error.to_string().contains("no socket is in the way"), "{error}");
    assert_eq!(std::fs::read_to_string(notes).unwrap(), "somebody's notes");
}

#[tokio::test]
async fn without_a_daemon_the_client_says_so() {
    let folder = TempDir::new().unwrap();
    let error = client::connect(&folder.path().join("socket")).await.unwrap_err();
    assert!(matches!(error, ClientError::NotRunning { .. }));
    assert!(error.to_string().contains("pondreeve run --config FILE"), "{error}");
}
