//! Readings over a real broker, with nodes played by its own command-line clients.

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use pondreeve::clock::{Clock, Trust};
use pondreeve::config::farm::{Availability, Broker, BrokerAddress, Subscription, Tls};
use pondreeve_core::input::{GatewayPart, ProbeFault};
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Quantity, Span, Timestamp};
use pondreeve_protocol::payload::{Pick, PickFrom};
use pondreeve_tests::{Mosquitto, Scratch, free_port};

use super::bench::{Bench, Engine, farm};

const SOON: Duration = Duration::from_secs(30);
const MAX_PAYLOAD: usize = 4_096;

fn pick(channel: &str, from: PickFrom) -> Pick {
    Pick { channel: channel.into(), from, scale: 1.0, offset: 0.0 }
}

fn json(pointer: &str, time: Option<&str>) -> PickFrom {
    PickFrom::Json { pointer: pointer.into(), time: time.map(Into::into) }
}

/// Three nodes: a bare number, JSON with its own time, SenML.
fn broker(port: u16) -> Broker {
    let subscription = |probe: u16, filter: &str, picks: Vec<Pick>| Subscription {
        filter: filter.into(),
        probe: ProbeIndex(probe),
        picks,
        qos: 1,
        max_ahead: Duration::from_secs(60),
        most_per_minute: 60_000,
    };
    Broker {
        id: "local".into(),
        address: BrokerAddress {
            host: "localhost".into(),
            port,
            client_id: "bench-gateway".into(),
            credentials: None,
            tls: None,
            keep_alive: Duration::from_secs(5),
        },
        max_payload_bytes: MAX_PAYLOAD,
        availabilities: Vec::new(),
        subscriptions: vec![
            subscription(0, "nodes/bare/+", vec![pick("do_mg_l", PickFrom::Bare)]),
            subscription(
                1,
                "nodes/json",
                vec![
                    pick("do_mg_l", json("/water/do", Some("/at"))),
                    pick("ph", json("/water/ph", Some("/at"))),
                ],
            ),
            subscription(
                2,
                "nodes/senml",
                vec![pick("temperature_c", PickFrom::Senml { name: "p3:temp".into() })],
            ),
        ],
    }
}

fn start(broker: Broker, engine: Engine) -> Bench {
    Bench::start(&farm(&["bare", "json", "senml"], Vec::new(), vec![broker]), engine)
}

/// Publishes raw bytes with the broker's own client.
fn publish(port: u16, topic: &str, payload: &[u8], further: &[&str]) {
    let mut child = Command::new("mosquitto_pub")
        .args(["-h", "localhost", "-p", &port.to_string(), "-q", "1", "-t", topic, "-s"])
        .args(further)
        .stdin(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(payload).unwrap();
    assert!(child.wait().unwrap().success(), "mosquitto_pub to {topic}");
}

async fn connected(bench: &Bench) {
    bench.until("the broker", SOON, |bench| bench.part(GatewayPart::Broker).last() == Some(&None)).await;
}

fn now_s() -> i64 {
    jiff::Timestamp::now().as_second()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_form_of_payload_becomes_readings() {
    let scratch = Scratch::new();
    let mosquitto = Mosquitto::start(scratch.folder.path());
    let bench = start(broker(mosquitto.port), Engine::Keeps);
    connected(&bench).await;
    let at = now_s() - 30;
    publish(mosquitto.port, "nodes/bare/p1", b"6.42\n", &[]);
    let text = format!(r#"{{"at": {at}, "water": {{"do": 5.25, "ph": 7.9}}}}"#);
    publish(mosquitto.port, "nodes/json", text.as_bytes(), &[]);
    let text = format!(r#"[{{"bn":"p3:","n":"temp","u":"K","v":302.15,"t":{at}}}]"#);
    publish(mosquitto.port, "nodes/senml", text.as_bytes(), &[]);
    bench.until("four samples", SOON, |bench| bench.samples().len() >= 4).await;
    assert_eq!(bench.values(0, Quantity::DoMgL), [6.42]);
    assert_eq!(bench.values(1, Quantity::DoMgL), [5.25]);
    assert_eq!(bench.values(1, Quantity::Ph), [7.9]);
    assert!((bench.values(2, Quantity::TemperatureC)[0] - 29.0).abs() < 1e-9);
    let times: Vec<_> = bench.samples().iter().map(|sample| sample.taken_at).collect();
    let own = Some(Timestamp(at * 1_000));
    assert_eq!(times, [None, own, own, own]);
    bench.stop().await;
}

/// A device that dies says so by its last will, which the broker publishes when its connection breaks off; and whoever
/// subscribes later is told what was retained.
#[tokio::test(flavor = "multi_thread")]
async fn a_devices_last_will_is_heard() {
    let scratch = Scratch::new();
    let mosquitto = Mosquitto::start(scratch.folder.path());
    let mut own = broker(mosquitto.port);
    let (node, filter, offline) = ("buoy".to_owned(), "nodes/state".to_owned(), "offline".to_owned());
    own.availabilities = vec![Availability { node, filter, offline }];
    let bench = start(own.clone(), Engine::Keeps);
    connected(&bench).await;
    let said = |bench: &Bench| -> Vec<bool> {
        let events = bench.events();
        let said = events.iter().filter_map(|event| match event {
            Event::NodeSaid { node, is_there } if node == "buoy" => Some(*is_there),
            _ => None,
        });
        said.collect()
    };
    publish(mosquitto.port, "nodes/state", b"online", &["-r"]);
    bench.until("that it is there", SOON, |bench| said(bench) == [true]).await;
    // A subscriber with a last will, killed: the broker says what it was told to say.
    let mut device = Command::new("mosquitto_sub")
        .args(["-h", "localhost", "-p", &mosquitto.port.to_string(), "-t", "nothing", "-q", "1"])
        .args([
            "--will-topic",
            "nodes/state",
            "--will-payload",
            "offline\n",
            "--will-retain",
            "--will-qos",
            "1",
        ])
        .spawn()
        .unwrap();
    tokio::time::sleep(Duration::from_secs(1)).await;
    device.kill().unwrap();
    device.wait().unwrap();
    bench.until("that it is gone", SOON, |bench| said(bench) == [true, false]).await;
    assert!(bench.samples().is_empty(), "{:?}", bench.samples());
    bench.stop().await;

    let later = start(own, Engine::Keeps);
    connected(&later).await;
    later.until("what was retained", SOON, |bench| said(bench) == [false]).await;
    later.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_read_is_reported_acknowledged_and_blocks_nothing() {
    let scratch = Scratch::new();
    let mosquitto = Mosquitto::start(scratch.folder.path());
    let bench = start(broker(mosquitto.port), Engine::Keeps);
    connected(&bench).await;
    let future = format!(r#"{{"at": {}, "water": {{"do": 5.25, "ph": 7.9}}}}"#, now_s() + 3_600);
    let large = vec![b'7'; 1_000_000];
    let bad: [(&str, &[u8], usize, &str); 8] = [
        ("nodes/bare/p1", &[b'6', 0xFF], 0, "text in UTF-8"),
        ("nodes/bare/p1", b"NaN", 0, "found `NaN`"),
        ("nodes/bare/p1", b"inf", 0, "found `inf`"),
        ("nodes/bare/p1", &large, 0, "1000000 bytes; accepted are at most 4096"),
        ("nodes/json", b"{\"water\": ", 1, "JSON (RFC 8259)"),
        ("nodes/json", future.as_bytes(), 1, "s ahead of the gateway's clock"),
        ("nodes/senml", br#"[{"n":"p3:temp","u":"mg/L","v":29}]"#, 2, "the unit `mg/L`"),
        ("nodes/senml", br#"[{"n":"p3:salt","v":29}]"#, 2, "a record named `p3:temp`"),
    ];
    for (topic, payload, probe, why) in bad {
        publish(mosquitto.port, topic, payload, &[]);
        bench
            .until(why, SOON, |bench| {
                bench.probe_faults(probe).iter().any(|fault| {
                    matches!(fault, ProbeFault::Undecodable(text) if text.contains(why) && text.contains(topic))
                })
            })
            .await;
    }
    assert!(bench.samples().is_empty(), "{:?}", bench.samples());
    // Half a message is half a message, not none.
    let text = format!(r#"{{"at": {}, "water": {{"do": 5.25, "ph": null}}}}"#, now_s());
    publish(mosquitto.port, "nodes/json", text.as_bytes(), &[]);
    publish(mosquitto.port, "nodes/bare/p1", b"6.5", &[]);
    bench.until("the good ones", SOON, |bench| bench.samples().len() == 2).await;
    assert_eq!(bench.part(GatewayPart::Broker), [None], "one connection served them all");
    bench.stop().await;

    // All were acknowledged: nothing comes a second time.
    let again = start(broker(mosquitto.port), Engine::Keeps);
    connected(&again).await;
    publish(mosquitto.port, "nodes/bare/p1", b"6.6", &[]);
    again.until("the new one", SOON, |bench| !bench.samples().is_empty()).await;
    assert_eq!(again.values(0, Quantity::DoMgL), [6.6]);
    assert!((0..3).all(|probe| again.probe_faults(probe).is_empty()), "{:?}", again.events());
    again.stop().await;
}

/// The gateway has no battery clock and woke where it was switched off; the node knows what time it is.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_dated_ahead_of_a_clock_that_nobody_has_set_is_taken() {
    let scratch = Scratch::new();
    let mosquitto = Mosquitto::start(scratch.folder.path());
    let clock = Clock::system();
    clock.doubt(true);
    clock.not_before(clock.now() + Span::from_secs(30));
    let farm = farm(&["bare", "json", "senml"], Vec::new(), vec![broker(mosquitto.port)]);
    let bench = Bench::start_by(clock.clone(), &farm, Engine::Keeps);
    connected(&bench).await;
    let at = now_s() + 3 * 3_600;
    let text = format!(r#"{{"at": {at}, "water": {{"do": 2.25, "ph": 7.9}}}}"#);
    publish(mosquitto.port, "nodes/json", text.as_bytes(), &[]);
    bench.until("two samples", SOON, |bench| bench.samples().len() == 2).await;
    assert!(bench.samples().iter().all(|sample| sample.taken_at == Some(Timestamp(at * 1_000))));
    assert!(bench.probe_faults(1).is_empty(), "{:?}", bench.probe_faults(1));
    let Trust::Behind(ahead) = clock.trust() else { panic!("{:?}", clock.trust()) };
    assert!((10_650_000..=10_800_000).contains(&ahead.as_millis()), "{ahead:?}");
    bench.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reading_that_was_not_durable_is_sent_again() {
    let scratch = Scratch::new();
    let mosquitto = Mosquitto::start(scratch.folder.path());
    let bench = start(broker(mosquitto.port), Engine::Hangs);
    connected(&bench).await;
    for value in ["6.1", "6.2", "6.3"] {
        publish(mosquitto.port, "nodes/bare/p1", value.as_bytes(), &[]);
    }
    bench.until("three readings", SOON, |bench| bench.samples().len() == 3).await;
    // The power goes before any of them is on disk; one more is sent meanwhile.
    bench.cut().await;
    publish(mosquitto.port, "nodes/bare/p1", b"6.4", &[]);

    let again = start(broker(mosquitto.port), Engine::Keeps);
    again.until("all four", SOON, |bench| bench.samples().len() >= 4).await;
    assert_eq!(again.values(0, Quantity::DoMgL), [6.1, 6.2, 6.3, 6.4]);
    tokio::time::sleep(Duration::from_millis(300)).await;
    again.stop().await;

    let third = start(broker(mosquitto.port), Engine::Keeps);
    connected(&third).await;
    publish(mosquitto.port, "nodes/bare/p1", b"6.5", &[]);
    third.until("the newest", SOON, |bench| !bench.samples().is_empty()).await;
    assert_eq!(third.values(0, Quantity::DoMgL), [6.5], "what was durable does not come again");
    third.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_orderly_stop_acknowledges_what_becomes_durable_meanwhile() {
    let scratch = Scratch::new();
    let mosquitto = Mosquitto::start(scratch.folder.path());
    let bench = start(broker(mosquitto.port), Engine::KeepsLate(Duration::from_millis(1_500)));
    connected(&bench).await;
    publish(mosquitto.port, "nodes/bare/p1", b"6.1", &[]);
    bench.until("the reading", SOON, |bench| bench.samples().len() == 1).await;
    bench.stop().await;

    let again = start(broker(mosquitto.port), Engine::Keeps);
    connected(&again).await;
    publish(mosquitto.port, "nodes/bare/p1", b"6.2", &[]);
    again.until("the new one", SOON, |bench| !bench.samples().is_empty()).await;
    assert_eq!(again.values(0, Quantity::DoMgL), [6.2], "a reading without its own time would count twice");
    again.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_full_disk_leaves_readings_unacknowledged_but_does_not_blind_the_farm() {
    let scratch = Scratch::new();
    let mosquitto = Mosquitto::start(scratch.folder.path());
    let bench = start(broker(mosquitto.port), Engine::CannotKeep);
    connected(&bench).await;
    // More than a broker sends ahead of acknowledgements (20).
    for i in 0..40 {
        publish(mosquitto.port, "nodes/bare/p1", format!("5.{i:02}").as_bytes(), &[]);
    }
    bench.until("the fortieth", SOON, |bench| bench.values(0, Quantity::DoMgL).contains(&5.39)).await;
    // The disk has room again: what was not acknowledged comes once more.
    bench.forget();
    bench.engine(Engine::Keeps);
    publish(mosquitto.port, "nodes/bare/p1", b"6.0", &[]);
    bench.until("the first one again", SOON, |bench| bench.values(0, Quantity::DoMgL).contains(&5.0)).await;
    bench.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_retained_message_counts_only_with_its_own_time() {
    let scratch = Scratch::new();
    let mosquitto = Mosquitto::start(scratch.folder.path());
    let at = now_s() - 600;
    let text = format!(r#"{{"at": {at}, "water": {{"do": 5.25, "ph": 7.9}}}}"#);
    publish(mosquitto.port, "nodes/json", text.as_bytes(), &["-r"]);
    publish(mosquitto.port, "nodes/bare/p1", b"9.99", &["-r"]);
    let bench = start(broker(mosquitto.port), Engine::Keeps);
    bench.until("the dated one", SOON, |bench| bench.samples().len() == 2).await;
    publish(mosquitto.port, "nodes/bare/p1", b"6.4", &["-r"]);
    bench.until("a live one", SOON, |bench| bench.samples().len() == 3).await;
    assert_eq!(bench.values(0, Quantity::DoMgL), [6.4], "9.99 is of unknown age");
    assert!(bench.samples()[..2].iter().all(|sample| sample.taken_at == Some(Timestamp(at * 1_000))));
    assert_eq!(bench.probe_faults(0), [], "no probe is to blame");
    bench.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_goes_and_comes_is_followed() {
    let scratch = Scratch::new();
    let port = free_port();
    let bench = start(broker(port), Engine::Keeps);
    let told = |bench: &Bench, text: &str| {
        bench.part(GatewayPart::Broker).iter().flatten().any(|detail| detail.contains(text))
    };
    bench
        .until("the missing broker", SOON, |bench| {
            told(bench, &format!("nothing listens at localhost:{port}"))
                && bench.probe_faults(0).contains(&ProbeFault::Unreachable)
        })
        .await;
    for round in 0..2 {
        bench.forget();
        let mosquitto = Mosquitto::start_on(scratch.folder.path(), port);
        connected(&bench).await;
        publish(port, "nodes/bare/p1", b"6.4", &[]);
        bench.until("a reading", SOON, |bench| !bench.samples().is_empty()).await;
        mosquitto.kill_hard();
        bench
            .until("the lost broker", SOON, |bench| {
                bench.part(GatewayPart::Broker).last().is_some_and(Option::is_some)
            })
            .await;
        assert!(bench.samples().len() == 1, "round {round}: {:?}", bench.events());
    }
    bench.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_password_is_named_and_its_mend_taken_up() {
    let scratch = Scratch::new();
    let users = scratch.path("users");
    let made =
        Command::new("mosquitto_passwd").args(["-b", "-c"]).arg(&users).args(["pond", "right"]).status();
    assert!(made.unwrap().success());
    let further = format!("password_file {}\nallow_anonymous false\nuser root\n", users.display());
    let mosquitto = Mosquitto::start_with(scratch.folder.path(), &further);
    let password = scratch.write("password", "wrong\n");
    let mut broker = broker(mosquitto.port);
    broker.address.credentials = Some(("pond".into(), password.clone()));
    let bench = start(broker, Engine::Keeps);
    bench
        .until("the refusal", SOON, |bench| {
            bench.part(GatewayPart::Broker).iter().flatten().any(|detail| {
                detail.contains("refuses user `pond`") && detail.contains(&password.display().to_string())
            })
        })
        .await;
    scratch.write("password", "right\n");
    connected(&bench).await;
    bench.stop().await;
}

fn openssl(folder: &Path, arguments: &[&str]) {
    let output = Command::new("openssl").current_dir(folder).args(arguments).output().unwrap();
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
}

/// A certificate authority, and a key and certificate for `localhost` signed by it.
fn certificates(folder: &Path, authority: &str) {
    let subject = format!("/CN={authority}");
    let (ca_key, ca) = (format!("{authority}.key"), format!("{authority}.pem"));
    openssl(
        folder,
        &[
            "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", &subject, "-keyout",
            &ca_key, "-out", &ca,
        ],
    );
    openssl(
        folder,
        &[
            "req",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-subj",
            "/CN=localhost",
            "-keyout",
            "server.key",
            "-out",
            "server.csr",
        ],
    );
    std::fs::write(folder.join("names"), "subjectAltName=DNS:localhost\n").unwrap();
    openssl(
        folder,
        &[
            "x509",
            "-req",
            "-in",
            "server.csr",
            "-CA",
            &ca,
            "-CAkey",
            &ca_key,
            "-CAcreateserial",
            "-days",
            "2",
            "-extfile",
            "names",
            "-out",
            "server.pem",
        ],
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_of_a_stranger_is_refused_and_the_right_one_taken() {
    let scratch = Scratch::new();
    let folder = scratch.folder.path();
    certificates(folder, "stranger");
    certificates(folder, "farm");
    let tls = format!(
        "user root\ncafile {0}/farm.pem\ncertfile {0}/server.pem\nkeyfile {0}/server.key\n",
        folder.display()
    );
    let mosquitto = Mosquitto::start_with(folder, &tls);
    let ca_file = folder.join("trusted.pem");
    std::fs::copy(folder.join("stranger.pem"), &ca_file).unwrap();
    let mut broker = broker(mosquitto.port);
    broker.address.tls = Some(Tls { ca_file: ca_file.clone(), client: None });
    let bench = start(broker, Engine::Keeps);
    bench
        .until("the refusal", SOON, |bench| {
            bench.part(GatewayPart::Broker).iter().flatten().any(|detail| {
                detail.contains("certificate") && detail.contains(&ca_file.display().to_string())
            })
        })
        .await;
    std::fs::copy(folder.join("farm.pem"), &ca_file).unwrap();
    connected(&bench).await;
    let ca = folder.join("farm.pem").display().to_string();
    publish(mosquitto.port, "nodes/bare/p1", b"6.4", &["--cafile", &ca]);
    bench.until("a reading", SOON, |bench| !bench.samples().is_empty()).await;
    bench.stop().await;
}
