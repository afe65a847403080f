//! Forwarding against mosquitto, with mosquitto_sub as the consumer: a broker and a client that share no
//! code with us.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc as std_mpsc;
use std::time::{Duration, Instant};

use pondreeve_core::effect::{AlarmChange, AlarmState, Priority, QuantitySummary, Summary};
use pondreeve_core::input::GatewayPart;
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Effect, Event, Quantity, Site, Span, Timestamp};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::start;
use crate::clock::Clock;
use crate::config::Farm;
use crate::config::farm::{LocalSettings, StoreSettings};
use crate::inbox::{INBOX_BOUND, Incoming};
use crate::outbox::Kept;
use crate::outbox::postbox::Postbox;
use crate::outbox::queue::Queue;

/// Longest wait for anything in here; the machine may be busy with other tests.
const PATIENCE: Duration = Duration::from_secs(30);

/// A child process that does not outlive its test.
pub(super) struct Owned(Child);

impl Drop for Owned {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Owned {
    /// Asks it to end, as an administrator would, and waits until it has.
    fn terminate(mut self) {
        let pid = nix::unistd::Pid::from_raw(i32::try_from(self.0.id()).unwrap());
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).unwrap();
        self.0.wait().unwrap();
    }
}

/// A port nothing listened on a moment ago, and that no other test was given: they run side by side, and the
/// system gives a port that was let go again to the next who asks.
pub(super) fn free_port() -> u16 {
    static GIVEN: std::sync::Mutex<std::collections::BTreeSet<u16>> =
        std::sync::Mutex::new(std::collections::BTreeSet::new());
    loop {
        let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        if GIVEN.lock().unwrap().insert(port) {
            return port;
        }
    }
}

/// Starts mosquitto on `port`, keeping its sessions in `folder` over a restart.
pub(super) fn broker(folder: &Path, port: u16, more: &str) -> Owned {
    let config = folder.join("mosquitto.conf");
    let text = format!(
        "listener {port} 127.0.0.1\npersistence true\npersistence_location {}/\nuser root\n{more}\n",
        folder.display()
    );
    std::fs::write(&config, text).unwrap();
    let child = Command::new("mosquitto")
        .arg("-c")
        .arg(&config)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("these tests need mosquitto (Debian: apt-get install mosquitto mosquitto-clients)");
    let mut broker = Owned(child);
    wait_until_it_listens(port, || {
        let ended = broker.0.try_wait().unwrap();
        assert!(ended.is_none(), "mosquitto ended at once ({ended:?}): something else has port {port}");
    });
    broker
}

fn wait_until_it_listens(port: u16, mut meanwhile: impl FnMut()) {
    let begun = Instant::now();
    while std::net::TcpStream::connect(("127.0.0.1", port)).is_err() {
        assert!(begun.elapsed() < PATIENCE, "mosquitto does not listen on {port}");
        meanwhile();
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A consumer of everything, whose lines are `<retained 0|1> <topic> <payload>`.
pub(super) struct Consumer {
    _process: Owned,
    lines: std_mpsc::Receiver<String>,
}

impl Consumer {
    pub(super) fn subscribe(port: u16) -> Self {
        // A broker opens its listeners one after the other, and mosquitto_sub gives up on one that is closed.
        wait_until_it_listens(port, || ());
        let mut child = Command::new("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-i", "consumer", "-c", "-q", "1"])
            .args(["-t", "pondreeve/#", "-t", "marker", "-F", "%r %t %p"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("these tests need mosquitto_sub (Debian: apt-get install mosquitto-clients)");
        let out = BufReader::new(child.stdout.take().unwrap());
        let (sender, lines) = std_mpsc::channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        let consumer = Self { _process: Owned(child), lines };
        // It is subscribed once it hears what another client says.
        let begun = Instant::now();
        loop {
            assert!(begun.elapsed() < PATIENCE, "mosquitto_sub does not subscribe");
            let _ = Command::new("mosquitto_pub")
                .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-t", "marker", "-m", "there"])
                .status();
            if consumer.lines.recv_timeout(Duration::from_millis(200)).is_ok() {
                return consumer;
            }
        }
    }

    /// The next line that is not ours to ignore, or `None` after a wait.
    pub(super) fn next_within(&self, wait: Duration) -> Option<String> {
        loop {
            let line = self.lines.recv_timeout(wait).ok()?;
            if !line.contains(" marker ") {
                return Some(line);
            }
        }
    }

    pub(super) fn next(&self) -> String {
        self.next_within(PATIENCE).expect("nothing arrived")
    }
}

pub(super) fn farm(port: u16) -> Farm {
    let mut site = Site::single_pond(9.5, -75.6, 18.0, &[Quantity::DoMgL], Span::from_minutes(1));
    site.gateway = "shore".to_owned();
    site.ponds[0].id = "p1".to_owned();
    Farm {
        site,
        name: "Test farm".to_owned(),
        time_zone: jiff::tz::TimeZone::UTC,
        store: StoreSettings {
            path: "/nonexistent".into(),
            durable_within: Duration::from_secs(5),
            limits: crate::journal::Limits::default(),
            daily_files: None,
        },
        local: LocalSettings {
            socket: "/nonexistent".into(),
            mode: 0o660,
            group: None,
            rights: crate::local::rights::Rights::default(),
            texts: Default::default(),
        },
        buses: Vec::new(),
        lines: Vec::new(),
        brokers: Vec::new(),
        products: Vec::new(),
        metrics: None,
        commands: None,
        limit_sources: Vec::new(),
        about_ponds: Vec::new(),
        machine: crate::machine::Bounds::default(),
        annunciation: crate::config::annunciation::Annunciation::default(),
        outbox: crate::outbox::Bounds::default(),
        destinations: vec![super::office(port)],
    }
}

/// 2026-11-25T07:00:00Z to 07:15:00Z.
pub(super) fn summary() -> Effect {
    summary_at(Timestamp(1_795_590_000_000))
}

pub(super) fn summary_at(from: Timestamp) -> Effect {
    Effect::Summary(Summary {
        pond: PondIndex(0),
        sequence: 0,
        from,
        to: from + Span::from_minutes(15),
        quantities: vec![QuantitySummary {
            quantity: Quantity::DoMgL,
            minimum: 2.5,
            mean: 2.75,
            maximum: 3.0,
            last: 2.5,
            usable: 15,
            doubtful: 1,
        }],
        alarms_standing: [1, 0, 2],
    })
}

pub(super) fn alarm() -> Effect {
    Effect::AlarmChanged(AlarmChange {
        pond: Some(PondIndex(0)),
        at: Timestamp(1_795_590_660_000),
        id: "p1.do-low-critical".to_owned(),
        name: "Oxygen critically low".to_owned(),
        priority: Priority::Critical,
        state: AlarmState::Unacknowledged,
        previous_state: AlarmState::Normal,
        message: "P1: oxygen 2.5 mg/L".to_owned(),
        by: None,
        shelf: None,
        root: None,
    })
}

pub(super) struct Running {
    site: Site,
    postbox: Postbox,
    pub(super) queue: Queue,
    reports: mpsc::Receiver<Incoming>,
    pub(super) tasks: JoinSet<()>,
    stop: CancellationToken,
}

/// Numbers begin with `first`.
pub(super) fn forwarder(farm: &Farm, first: u64) -> Running {
    forwarder_by(farm, first, &Clock::system())
}

pub(super) fn forwarder_by(farm: &Farm, first: u64, clock: &Clock) -> Running {
    let queue = Queue::new(farm.destinations.iter().map(|own| own.id.as_str()), Kept::default());
    let (inbox, reports) = mpsc::channel(INBOX_BOUND);
    let stop = CancellationToken::new();
    let tasks = start(farm, &queue, &inbox, clock, &stop);
    let postbox = Postbox::new(true, first - 1, Timestamp(1));
    Running { site: farm.site.clone(), postbox, queue, reports, tasks, stop }
}

impl Running {
    pub(super) fn send(&mut self, effect: &Effect) {
        self.queue.take(self.postbox.take(std::slice::from_ref(effect), &self.site));
    }

    pub(super) async fn report(&mut self) -> Option<String> {
        let incoming = tokio::time::timeout(PATIENCE, self.reports.recv()).await.unwrap().unwrap();
        match incoming.event {
            Event::GatewayFault { part: GatewayPart::Forward, which, detail } => {
                assert_eq!(which, "office");
                detail
            }
            other => panic!("an unexpected report: {other:?}"),
        }
    }

    /// Ends it without a word, as a killed process does.
    pub(super) async fn kill(mut self) {
        self.tasks.abort_all();
        while self.tasks.join_next().await.is_some() {}
    }

    pub(super) fn no_report(&mut self) -> bool {
        self.reports.try_recv().is_err()
    }

    pub(super) async fn nothing_waits(&self) {
        let begun = Instant::now();
        while self.queue.waits() > 0 {
            assert!(begun.elapsed() < PATIENCE, "{} still wait", self.queue.waits());
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn summaries_alarms_and_health_arrive() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous true");
    let consumer = Consumer::subscribe(port);
    let mut running = forwarder(&farm(port), 7);
    assert_eq!(consumer.next(), "0 pondreeve/shore/health online");

    running.send(&summary());
    // Written by hand from RFC 8428; 1795590900 s is 2026-11-25T07:15:00Z.
    assert_eq!(
        consumer.next(),
        concat!(
            "0 pondreeve/shore/p1/summary [",
            r#"{"bn":"pondreeve/shore/p1/","bt":1795590900.0,"n":"sequence","u":"count","v":7.0},"#,
            r#"{"n":"interval","u":"s","v":900.0},{"n":"format","v":1.0},"#,
            r#"{"n":"do_mg_l/mean","u":"mg/L","v":2.75},{"n":"do_mg_l/minimum","u":"mg/L","v":2.5},"#,
            r#"{"n":"do_mg_l/maximum","u":"mg/L","v":3.0},{"n":"do_mg_l/last","u":"mg/L","v":2.5},"#,
            r#"{"n":"do_mg_l/usable","u":"count","v":15.0},{"n":"do_mg_l/doubtful","u":"count","v":1.0},"#,
            r#"{"n":"alarms/critical","u":"count","v":1.0},{"n":"alarms/high","u":"count","v":0.0},"#,
            r#"{"n":"alarms/medium","u":"count","v":2.0}]"#
        )
    );
    running.send(&alarm());
    assert_eq!(
        consumer.next(),
        concat!(
            r#"0 pondreeve/shore/alarm {"sequence":8,"format":1,"gateway":"shore","pond":"p1","at":"2026-11-25T07:11:00Z","#,
            r#""id":"p1.do-low-critical","name":"Oxygen critically low","priority":1,"#,
            r#""state":"unacknowledged","previous_state":"normal","message":"P1: oxygen 2.5 mg/L","by":null}"#
        )
    );
    running.nothing_waits().await;

    // Health is kept by the broker for whoever comes later, and an orderly stop says offline.
    let port_text = port.to_string();
    let late = Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &port_text, "-t", "pondreeve/shore/health", "-C", "1", "-W", "20"])
        .args(["-F", "%r %p"])
        .output()
        .unwrap();
    assert_eq!(String::from_utf8_lossy(&late.stdout), "1 online\n");
    // What was handed in just before still goes out first.
    running.send(&alarm());
    running.stop.cancel();
    while running.tasks.join_next().await.is_some() {}
    assert!(consumer.next().starts_with("0 pondreeve/shore/alarm {"));
    assert_eq!(consumer.next(), "0 pondreeve/shore/health offline");
    assert_eq!(consumer.next_within(Duration::from_millis(500)), None, "the last will came as well");
}

/// On a clock that runs sixty times as fast, 40 s of farm time take two thirds of a second.
#[tokio::test(flavor = "multi_thread")]
async fn a_summary_waits_for_its_gateways_share_of_the_spread_and_an_alarm_does_not() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous true");
    let consumer = Consumer::subscribe(port);
    let mut farm = farm(port);
    farm.destinations[0].spread = Duration::from_secs(3_600);
    let share = farm.destinations[0].kept_back("shore");
    farm.destinations[0].spread = Duration::from_secs(3_600).mul_f64(40.0 / share.as_secs_f64());
    let from = Timestamp(1_795_590_000_000);
    let clock = Clock::accelerated(from + Span::from_minutes(15), 60.0);
    let begun = Instant::now();
    let mut running = forwarder_by(&farm, 7, &clock);
    running.send(&summary_at(from - Span::from_minutes(15)));
    running.send(&summary_at(from));
    running.send(&alarm());
    assert_eq!(consumer.next(), "0 pondreeve/shore/health online");
    let (mut topics, mut times) = (Vec::new(), Vec::new());
    for _ in 0..3 {
        let line = consumer.next();
        topics.push(line.split(' ').nth(1).unwrap().to_owned());
        times.push(begun.elapsed());
    }
    assert_eq!(topics[2], "pondreeve/shore/p1/summary", "last of {topics:?}");
    topics.sort();
    assert_eq!(topics[0], "pondreeve/shore/alarm");
    assert!(times[2] >= Duration::from_millis(600), "{times:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_gateway_that_dies_is_said_to_be_offline() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous true");
    let consumer = Consumer::subscribe(port);
    let mut running = forwarder(&farm(port), 7);
    assert_eq!(consumer.next(), "0 pondreeve/shore/health online");
    // Dropping the tasks closes the socket without a word, as a killed process does.
    running.tasks.abort_all();
    while running.tasks.join_next().await.is_some() {}
    assert_eq!(consumer.next(), "0 pondreeve/shore/health offline");
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_lost_when_the_broker_restarts() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let first = broker(folder.path(), port, "allow_anonymous true");
    let consumer = Consumer::subscribe(port);
    let mut running = forwarder(&farm(port), 7);
    assert_eq!(consumer.next(), "0 pondreeve/shore/health online");

    let mut sent = 0;
    let mut send = async |number: u64, pace: Duration| {
        for _ in 0..number {
            running.send(&summary());
            sent += 1;
            tokio::time::sleep(pace).await;
        }
    };
    send(100, Duration::from_millis(1)).await;
    // Ended while messages are on their way.
    send(30, Duration::ZERO).await;
    first.terminate();
    send(200, Duration::from_millis(1)).await;
    let detail = running.report().await.expect("a fault");
    assert!(detail.starts_with(&format!("broker 127.0.0.1:{port}: ")), "{detail}");
    let _second = broker(folder.path(), port, "allow_anonymous true");
    let mut over = running.report().await;
    while over.is_some() {
        // The first attempt may fall before the broker listens again.
        over = running.report().await;
    }
    for _ in 0..50 {
        running.send(&summary());
        sent += 1;
    }
    running.nothing_waits().await;

    let mut seen = std::collections::BTreeSet::new();
    while seen.len() < usize::try_from(sent).unwrap() {
        let line = consumer.next();
        if let Some(at) = line.find(r#""n":"sequence","u":"count","v":"#) {
            let number: String = line[at + 31..].chars().take_while(char::is_ascii_digit).collect();
            seen.insert(number.parse::<u64>().unwrap());
        }
    }
    assert_eq!(seen, (7..7 + sent).collect());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_password_is_said_in_plain_words() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous false");
    let password = folder.path().join("password");
    std::fs::write(&password, "wrong\n").unwrap();
    let mut farm = farm(port);
    farm.destinations[0].address.credentials = Some(("shore".to_owned(), password.clone()));
    let mut running = forwarder(&farm, 1);
    running.send(&summary());
    assert_eq!(
        running.report().await,
        Some(format!(
            "broker 127.0.0.1:{port}: it refuses user `shore` with the password in {}: ask who runs the broker",
            password.display()
        ))
    );
    assert_eq!(running.queue.waits(), 1, "what could not be sent is kept");
}
