//! The demo farm's ten days played to the real daemon: its readings come through a real broker, and its
//! clock is in the hands of the test, so that what a screen shows is the same each time.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use pondreeve::Timestamp;
use pondreeve::clock::{Clock, TimeSource};
use pondreeve::local::client;
use pondreeve::local::protocol::{AlarmStatus, Ask, FarmStatus, Reply};
use pondreeve_tests::{Mosquitto, Scratch, wait_for};
use rumqttc::{Client, Event, MqttOptions, Outgoing, QoS};
use sim::ten_days::{Act, Happening, PROBES, Recording};
use tokio::runtime::Runtime;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

const SOON: Duration = Duration::from_secs(20);
/// A meter of the whole farm: the configuration knows none.
const MAINS: &str = "mains";
/// Of each step this probe's message is sent last; it reports at every step.
const LAST: &str = "p2-salinity";
const MINUTE_MS: i64 = 60_000;

/// What one probe says.
pub type Values = Vec<(&'static str, f64)>;

/// A clock that stands until the test moves it.
#[derive(Clone)]
struct ByHand(Arc<AtomicI64>);

impl TimeSource for ByHand {
    fn wall(&self) -> Timestamp {
        Timestamp(self.0.load(Ordering::Relaxed))
    }

    fn monotonic(&self) -> Duration {
        Duration::from_millis(self.0.load(Ordering::Relaxed).unsigned_abs())
    }
}

/// The lot that stands in the shed.
const SLURRY: &str = r#"
[[product]]
lot = "M-17"
basis = "slurry_mass"
solids_percent = 60
slurry_density_kg_l = 1.53
container_kg = 25
"#;

/// The farm of `config/demo`, whose probes all report over the broker.
fn farm(scratch: &Scratch, port: u16) -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../config/demo/farm.toml");
    let demo = std::fs::read_to_string(path).expect("config/demo/farm.toml");
    let (ponds, _) = demo.split_once("# ------").expect("headings");
    let (_, rest) = demo.split_once("- ponds\n").expect("the heading of the ponds");
    let (rest, _) = rest.split_once("# ------").expect("the heading after them");
    let mut text = format!("{ponds}\n{rest}");
    text = text.replace("/var/lib/pondreeve-demo/store", &scratch.path("store").display().to_string());
    text = text.replace("/run/pondreeve-demo/pondreeve.sock", &scratch.path("sock").display().to_string());
    text = text.replace("durable_within = \"5s\"", "durable_within = \"100ms\"");
    text += SLURRY;
    text += &format!("\n[[broker]]\nid = \"farm-broker\"\nhost = \"127.0.0.1\"\nport = {port}\n");
    for probe in PROBES.iter().filter(|probe| probe.id != MAINS) {
        let group = probe.aerator.map(|group| ["a", "b", "c"][group]);
        text += &format!("\n[[broker.probe]]\nid = \"{}\"\ntopic = \"farm/{0}\"\nqos = 1\n", probe.id);
        text += "sends_every = \"5m\"\n";
        if let Some(pond) = probe.pond {
            text += &format!("pond = \"p{}\"\n", pond + 1);
        }
        for layer in ["surface", "bottom"] {
            if probe.id.ends_with(layer) {
                text += &format!("layer = \"{layer}\"\n");
            }
        }
        text += "value = [\n";
        for quantity in probe.quantities {
            let of = group.map_or_else(String::new, |group| format!(", aerator = \"{group}\""));
            text += &format!("  {{ quantity = \"{quantity}\", json = \"/{quantity}\"{of} }},\n");
        }
        text += "]\n";
    }
    text
}

/// The farm with its daemon, at a moment of the ten days.
pub struct Stage {
    pub scratch: Scratch,
    clock: ByHand,
    recording: Recording,
    /// What was taken from the recording and is not due yet.
    next: Option<(i64, Happening)>,
    publisher: Client,
    stop: CancellationToken,
    daemon: Option<JoinHandle<Result<(), pondreeve::RunError>>>,
    runtime: Runtime,
    _broker: Mosquitto,
}

impl Stage {
    /// Starts the daemon at a moment of the recording.
    pub fn at(from_ms: i64) -> Self {
        let scratch = Scratch::new();
        let broker = Mosquitto::start(scratch.folder.path());
        let text = farm(&scratch, broker.port);
        let path = scratch.write("farm.toml", &text);
        let loaded = pondreeve::config::from_text(&path, text);
        let farm = loaded.unwrap_or_else(|error| panic!("{error}")).farm;
        let clock = ByHand(Arc::new(AtomicI64::new(from_ms)));
        let stop = CancellationToken::new();
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_all()
            .build()
            .expect("a runtime");
        let daemon = runtime.spawn(pondreeve::run(farm, Clock::reading(clock.clone()), stop.clone()));
        let mut options = MqttOptions::new("the-water", "127.0.0.1", broker.port);
        options.set_keep_alive(Duration::from_secs(30));
        let (publisher, mut connection) = Client::new(options, 100);
        std::thread::spawn(move || {
            for event in connection.iter() {
                if matches!(event, Err(_) | Ok(Event::Outgoing(Outgoing::Disconnect))) {
                    return;
                }
            }
        });
        let mut recording = Recording::new();
        let next = recording.find(|(at_ms, _)| *at_ms >= from_ms);
        let stage = Self {
            scratch,
            clock,
            recording,
            next,
            publisher,
            stop,
            daemon: Some(daemon),
            runtime,
            _broker: broker,
        };
        wait_for("the daemon's socket", SOON, || {
            std::os::unix::net::UnixStream::connect(stage.socket()).ok()
        });
        let log = stage.scratch.path("mosquitto.log");
        wait_for("the daemon to subscribe", SOON, || {
            // It subscribes to all probes in one packet right after it has connected.
            let text = std::fs::read_to_string(&log).unwrap_or_default();
            text.contains("as pondreeve-tidewick-farm-broker-in").then_some(())
        });
        // Until the subscription is known to work: the first reading of a probe that nobody looks at.
        stage.heard();
        stage
    }

    pub fn socket(&self) -> PathBuf {
        self.scratch.path("sock")
    }

    pub fn now_ms(&self) -> i64 {
        self.clock.0.load(Ordering::Relaxed)
    }

    /// Asks the daemon as this test's user.
    pub fn ask(&self, ask: Ask) -> Reply {
        let socket = self.socket();
        self.runtime.block_on(async move {
            let mut client = client::connect(&socket).await.expect("the daemon answers");
            client.ask(ask).await.expect("an answer")
        })
    }

    pub fn status(&self) -> FarmStatus {
        match self.ask(Ask::Status) {
            Reply::Status(status) => *status,
            other => panic!("{other:?}"),
        }
    }

    pub fn alarm(&self, id: &str) -> Option<AlarmStatus> {
        self.status().alarms.into_iter().find(|alarm| alarm.id == id)
    }

    /// Publishes until something of it has come.
    fn heard(&self) {
        wait_for("the first reading", SOON, || {
            self.say("p1-salinity", r#"{"salinity_psu": 18.0, "conductivity_ms_cm": 29.1}"#);
            let of = |id: &str, quantity: &str| {
                let status = self.status();
                let pond = status.ponds.iter().find(|pond| pond.id == id)?;
                pond.readings.iter().find(|reading| reading.quantity == quantity)?.value
            };
            of("p1", "salinity_psu")
        });
    }

    fn say(&self, probe: &str, payload: &str) {
        let topic = format!("farm/{probe}");
        self.publisher.publish(topic, QoS::AtLeastOnce, false, payload.to_owned()).expect("published");
    }

    /// Publishes one probe's values, such as those of a probe that a test spoils.
    pub fn publish(&self, probe: &str, values: &[(&str, f64)]) {
        let values: serde_json::Map<_, _> =
            values.iter().map(|(id, value)| ((*id).to_owned(), serde_json::json!(value))).collect();
        self.say(probe, &serde_json::Value::Object(values).to_string());
    }

    /// Plays on until just after `until_ms`, in steps of whole minutes, with the water of each step and the
    /// kits that people entered. `each` sees every step and may change a probe's values or leave them out.
    pub fn play_with(
        &mut self,
        until_ms: i64,
        every_min: i64,
        mut each: impl FnMut(&Self, i64),
        mut spoil: impl FnMut(i64, &str, &mut Values) -> bool,
    ) {
        while self.next.as_ref().is_some_and(|(at_ms, _)| *at_ms <= until_ms) {
            let step_ms = self.next.as_ref().expect("looked at").0;
            let is_told = step_ms % (every_min * MINUTE_MS) == 0 || step_ms == until_ms;
            if is_told {
                self.clock.0.store(step_ms, Ordering::Relaxed);
            }
            let mut told = Vec::new();
            while let Some((_, happening)) = self.next.take_if(|(at_ms, _)| *at_ms == step_ms) {
                self.next = self.recording.next();
                match happening {
                    Happening::Sweep(readings) if is_told => sweep(step_ms, &readings, &mut spoil, &mut told),
                    Happening::Person(_, Act::Enters(pond, quantity, value)) if quantity != "do_mg_l" => {
                        let pond = format!("p{}", pond + 1);
                        let values = vec![(quantity.to_owned(), value)];
                        self.ask(Ask::Enter { pond, values, at: None });
                    }
                    _ => {}
                }
            }
            if is_told {
                // One connection carries all in order: once the last has come, all the rest has.
                told.sort_by_key(|(probe, _)| *probe == LAST);
                for (probe, values) in &told {
                    self.publish(probe, values);
                }
                self.wait_for_last();
                each(self, step_ms);
            }
        }
    }

    /// Plays on in steps of so many minutes.
    pub fn play(&mut self, until_ms: i64, every_min: i64) {
        self.play_with(until_ms, every_min, |_, _| {}, |_, _, _| true);
    }

    /// The same, and somebody on shift acknowledges each alarm at once.
    pub fn play_attended(&mut self, until_ms: i64, every_min: i64) {
        self.play_with(until_ms, every_min, |stage, _| stage.acknowledge_all(), |_, _, _| true);
    }

    pub fn acknowledge_all(&self) {
        for alarm in self.status().alarms {
            if alarm.awaits_acknowledgement() {
                self.ask(Ask::Acknowledge { id: alarm.id });
            }
        }
    }

    /// Waits until everything published so far has been taken in.
    fn wait_for_last(&self) {
        let now = daemon_time(self.now_ms());
        wait_for("the daemon to take the water in", SOON, || {
            let status = self.status();
            let pond = status.ponds.iter().find(|own| own.id == "p2")?;
            let reading = pond.readings.iter().find(|own| own.quantity == "salinity_psu")?;
            (reading.at == now).then_some(())
        });
    }
}

/// Takes the values of a sweep apart by probe.
fn sweep(
    at_ms: i64,
    readings: &[sim::ten_days::Reading],
    spoil: &mut impl FnMut(i64, &str, &mut Values) -> bool,
    told: &mut Vec<(&'static str, Values)>,
) {
    let mut at = 0;
    while let Some(first) = readings.get(at) {
        let probe = PROBES[first.probe].id;
        let own = readings[at..].iter().take_while(|reading| reading.probe == first.probe);
        let mut values: Values = own.map(|reading| (reading.quantity, reading.value)).collect();
        at += values.len();
        if probe != MAINS && spoil(at_ms, probe, &mut values) {
            told.push((probe, values));
        }
    }
}

/// As the daemon writes a time.
fn daemon_time(at_ms: i64) -> String {
    jiff::Timestamp::from_millisecond(at_ms).expect("a time").to_string()
}

impl Drop for Stage {
    fn drop(&mut self) {
        drop(self.publisher.disconnect());
        self.stop.cancel();
        if let Some(daemon) = self.daemon.take() {
            // It has ended already where a test failed because of it.
            let _ = self.runtime.block_on(async { tokio::time::timeout(SOON, daemon).await });
        }
    }
}
