//! Ten days of the demo farm through engine and journal, minute by minute by a clock of its own, with what its
//! people did; then the local socket is open for commands.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use pondreeve::audit::Place;
use pondreeve::clock::{Clock, TimeSource};
use pondreeve::config::Farm;
use pondreeve::engine::{Desk, Engine};
use pondreeve::inbox::{INBOX_BOUND, Inbox, Incoming};
use pondreeve::journal::Journal;
use pondreeve::local::requests::Counter;
use pondreeve::local::server;
use pondreeve::outbox::queue::Queue;
use pondreeve_core::diary::{Dose, Entry, Feed, Harvest, Mortality, Sampling, Stocking, WaterMove, What};
use pondreeve_core::effect::{AlarmState, Effect};
use pondreeve_core::input::Sample;
use pondreeve_core::service::Step;
use pondreeve_core::site::{EnergyPrice, PondIndex, ProbeIndex};
use pondreeve_core::{Event, Quantity, Span, Timestamp};
use sim::ten_days::clock::{END_MS, FIRST_MS, at};
use sim::ten_days::{Act, Happening, PROBES, Person, Recording};
use tokio::sync::{broadcast, mpsc};
use tokio_util::sync::CancellationToken;

const MINUTE_MS: i64 = 60_000;

/// Whoever is on shift acknowledges an alarm this long after it was raised.
const ACKNOWLEDGED_AFTER_MS: i64 = 2 * MINUTE_MS;

/// A clock that stands where it is put.
struct Hand(Arc<AtomicI64>);

impl TimeSource for Hand {
    fn wall(&self) -> Timestamp {
        Timestamp(self.0.load(Ordering::SeqCst))
    }

    fn monotonic(&self) -> Duration {
        let since = self.0.load(Ordering::SeqCst) - FIRST_MS;
        Duration::from_millis(since.max(0).unsigned_abs())
    }
}

/// The farm after its ten days.
pub struct Season {
    pub socket: PathBuf,
    stop: CancellationToken,
    running: Option<std::thread::JoinHandle<()>>,
    _folder: tempfile::TempDir,
}

impl Drop for Season {
    fn drop(&mut self) {
        self.stop.cancel();
        if let Some(running) = self.running.take() {
            let _ = running.join();
        }
    }
}

impl Season {
    pub fn run() -> Self {
        let folder = tempfile::tempdir().expect("a scratch folder");
        let socket = folder.path().join("p.sock");
        let stop = CancellationToken::new();
        let (ready, is_ready) = std::sync::mpsc::channel();
        let (path, ending) = (folder.path().to_owned(), stop.clone());
        let running = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
            runtime.expect("a runtime").block_on(serve(&path, ready, ending));
        });
        is_ready.recv().expect("the season ends");
        Self { socket, stop, running: Some(running), _folder: folder }
    }
}

fn farm(folder: &Path) -> Farm {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../config/demo/farm.toml");
    let text = std::fs::read_to_string(&path).expect("config/demo/farm.toml");
    let mut farm = pondreeve::config::from_text(&path, text).expect("the demo's farm is sound").farm;
    farm.store.path = folder.join("store");
    farm.local.socket = folder.join("p.sock");
    farm.local.mode = 0o600;
    // Nobody listens.
    farm.destinations.clear();
    farm.site.energy_price = Some(EnergyPrice { per_kwh: 0.12, currency: "cu".to_owned() });
    farm
}

async fn serve(folder: &Path, ready: std::sync::mpsc::Sender<()>, stop: CancellationToken) {
    let farm = Arc::new(farm(folder));
    let hand = Arc::new(AtomicI64::new(FIRST_MS));
    let clock = Clock::reading(Hand(Arc::clone(&hand)));
    let (mut journal, notes) = Journal::open(&farm.store.path, clock.now()).expect("a new store");
    let (inbox, incoming) = mpsc::channel(INBOX_BOUND);
    let queue = Queue::new([], journal.take_outbox());
    let engine = Engine::start(Arc::clone(&farm), clock.clone(), incoming, queue.clone(), journal, notes);
    let (engine, desk) = engine.await.expect("the engine starts");
    let running = tokio::spawn(engine.run(stop.clone()));
    let changes = desk.changes();
    let mut driver = Driver {
        farm: Arc::clone(&farm),
        hand,
        inbox: inbox.clone(),
        desk: desk.clone(),
        changes,
        noticed: BTreeMap::new(),
    };
    driver.drive().await;
    let socket = server::listen(&farm.local).await.expect("a socket");
    let counter = Arc::new(Counter {
        farm,
        clock,
        desk,
        inbox,
        queue,
        machine: pondreeve::machine::Looked::default(),
        loans: Vec::new(),
        tally: pondreeve::probes::tally::Tally::default(),
        tests: pondreeve::annunciate::OutputTests::default(),
    });
    let serving = tokio::spawn(server::serve(socket, counter, stop));
    ready.send(()).expect("somebody waits");
    let _ = serving.await;
    let _ = running.await;
}

struct Driver {
    farm: Arc<Farm>,
    hand: Arc<AtomicI64>,
    inbox: Inbox,
    desk: Desk,
    changes: broadcast::Receiver<Arc<Effect>>,
    /// Alarms to acknowledge, by time.
    noticed: BTreeMap<(i64, String), ()>,
}

impl Driver {
    async fn drive(&mut self) {
        let mut deeds = deeds().into_iter().peekable();
        let mut recording = Recording::new().peekable();
        while let Some(&(at_ms, _)) = recording.peek() {
            self.hand.store(at_ms, Ordering::SeqCst);
            self.acknowledge(at_ms).await;
            while let Some((_, pond, by, entry)) = deeds.next_if(|(due, ..)| *due <= at_ms) {
                self.send(Event::Diary { pond: PondIndex(pond), entry, by: by.to_owned() }).await;
            }
            while let Some((_, happening)) = recording.next_if(|(next, _)| *next == at_ms) {
                if let Some(event) = self.event(happening) {
                    self.send(event).await;
                }
            }
            self.taken().await;
            self.notice();
        }
        assert_eq!(deeds.next(), None, "every deed lies in the ten days");
        self.hand.store(END_MS, Ordering::SeqCst);
        self.send(Event::Tick).await;
        self.taken().await;
    }

    async fn send(&self, event: Event) {
        let incoming = Incoming { event, done: None, urgent: false, place: Place::Daemon };
        self.inbox.send(incoming).await.expect("the engine runs");
    }

    /// The engine has stepped all that was sent: the clock may go on.
    async fn taken(&self) {
        while self.inbox.capacity() < self.inbox.max_capacity() {
            tokio::task::yield_now().await;
        }
        // It answers only between inputs.
        let now = Timestamp(self.hand.load(Ordering::SeqCst));
        self.desk.history("p1", Quantity::DoMgL, now, 1).await.expect("the engine answers");
    }

    fn notice(&mut self) {
        loop {
            match self.changes.try_recv() {
                Ok(effect) => {
                    if let Effect::AlarmChanged(change) = &*effect
                        && change.state == AlarmState::Unacknowledged
                    {
                        let due = change.at.as_millis() + ACKNOWLEDGED_AFTER_MS;
                        self.noticed.insert((due, change.id.clone()), ());
                    }
                }
                Err(broadcast::error::TryRecvError::Lagged(_)) => {}
                Err(_) => return,
            }
        }
    }

    async fn acknowledge(&mut self, until_ms: i64) {
        while let Some(((due, id), ())) = self.noticed.pop_first() {
            if due > until_ms {
                self.noticed.insert((due, id), ());
                return;
            }
            let by = Person::NightTechnician.told().to_owned();
            self.send(Event::Acknowledge { alarm: id, by }).await;
        }
    }

    fn probe(&self, id: &str) -> ProbeIndex {
        let place = self.farm.site.probes.iter().position(|own| own.id == id);
        ProbeIndex(
            place.and_then(|place| u16::try_from(place).ok()).unwrap_or_else(|| panic!("no probe {id}")),
        )
    }

    fn event(&self, happening: Happening) -> Option<Event> {
        match happening {
            Happening::Sweep(readings) => {
                // The demo's farm has no meter on the mains.
                let known = readings.iter().filter(|own| PROBES[own.probe].id != "mains");
                let samples = known.map(|reading| Sample {
                    probe: self.probe(PROBES[reading.probe].id),
                    quantity: quantity(reading.quantity),
                    channel: None,
                    value: reading.value,
                    taken_at: None,
                });
                let samples: Vec<Sample> = samples.collect();
                (!samples.is_empty()).then_some(Event::Sweep { samples })
            }
            Happening::Person(who, act) => self.act(who, act),
        }
    }

    fn act(&self, who: Person, act: Act) -> Option<Event> {
        let by = who.told().to_owned();
        let service = |id: &str, step: Step, by: String| Event::Service { probe: self.probe(id), step, by };
        Some(match act {
            Act::Enters(pond, id, value) => Event::ManualSample {
                pond: PondIndex(u16::try_from(pond).expect("few ponds")),
                quantity: quantity(id),
                value,
                taken_at: None,
                by,
            },
            Act::TakesOut(id) => service(id, Step::Begin { length: Span::from_minutes(30) }, by),
            Act::ReadsBefore(id, of, hand) => {
                service(id, Step::Before { quantity: quantity(of), hand: Some(hand), reading: None }, by)
            }
            Act::Cleaned(id) => service(id, Step::Cleaned, by),
            Act::ReadsAfter(id, of, hand) => {
                service(id, Step::After { quantity: quantity(of), hand: Some(hand), reading: None }, by)
            }
            Act::PutsBack(id) => service(id, Step::End, by),
            // Limits change with the configuration, at a start; the season has a diary of its own.
            Act::ChangesLimits | Act::Doses(..) | Act::Counts(..) => return None,
        })
    }
}

fn quantity(id: &str) -> Quantity {
    Quantity::from_id(id).unwrap_or_else(|| panic!("no quantity {id}"))
}

/// What people record: when they do, pond, who, what.
type Deed = (i64, u16, &'static str, Entry);

/// The diary of the ten days, in order of time.
fn deeds() -> Vec<Deed> {
    let (day, adviser) = (Person::DayTechnician.told(), Person::Adviser.told());
    let mut deeds: Vec<Deed> = Vec::new();
    let mut put = |due: i64, pond: u16, by: &'static str, happened: i64, what: What| {
        let entry = Entry { number: 0, at: Timestamp(happened), corrects: None, basin: None, what };
        deeds.push((due, pond, by, entry));
    };
    let money = |item: &str, amount: f64| What::Cost { item: item.to_owned(), amount };
    let price = |item: &str, amount: f64, per: &str| What::Price {
        item: item.to_owned(),
        amount,
        per: per.to_owned(),
    };
    // What was done before the gateway came: stocked so long before, and what it cost.
    for (pond, count, days_ago, species, larvae) in [
        (0, 600_000, 57, "vannamei", 3_000.0),
        (1, 600_000, 57, "vannamei", 3_000.0),
        (2, 480_000, 40, "vannamei", 2_400.0),
        (3, 150_000, 82, "monodon", 1_200.0),
    ] {
        let stocked = at(1, 7, 0) - days_ago * 24 * 60 * MINUTE_MS;
        let what = What::Stocking(Stocking {
            count,
            species: Some(species.to_owned()),
            lot: None,
            size: Some("PL10".to_owned()),
            abw_g: None,
        });
        put(at(1, 6, 10), pond, adviser, stocked, what);
        put(at(1, 6, 11), pond, adviser, stocked, money("PL", larvae));
        put(at(1, 6, 12), pond, adviser, stocked, price("feed", 1.15, "kg"));
    }
    // One cannot know the price of slurry that was never used in the control.
    put(at(1, 6, 13), 0, adviser, at(1, 6, 13), price("slurry", 0.90, "kg"));
    for (of_day, pond, count, total_g) in [
        (1, 0, 80, 720.0),
        (1, 1, 80, 712.0),
        (1, 2, 90, 495.0),
        (1, 3, 50, 900.0),
        (10, 0, 80, 824.0),
        (10, 1, 80, 784.0),
    ] {
        let what = What::Sampling(Sampling { count, total_g });
        put(at(of_day, 9, 30), pond, day, at(of_day, 9, 30), what);
    }
    for of_day in 1..=10 {
        for (pond, meal_kg) in [(0, 38.0), (1, 37.0), (2, 20.0), (3, 9.0)] {
            for hour in [7, 11, 15, 18] {
                // The meal that is mistyped is entered below.
                let is_mistyped = (of_day, pond, hour) == (4, 0, 11);
                // The control is not fed after its plankton died; P4 is harvested at noon.
                let is_over = (pond == 1 && of_day >= 10) || (pond == 3 && of_day == 10 && hour > 11);
                if !is_mistyped && !is_over {
                    let what = What::Feed(Feed { kg: meal_kg, tray_left_percent: None });
                    put(at(of_day, hour, 5), pond, day, at(of_day, hour, 5), what);
                }
            }
        }
    }
    let dose = |kg: f64, reason: Option<&str>| {
        What::Dose(Dose {
            slurry_kg: Some(kg),
            lot: Some("M-17".to_owned()),
            solids_percent: Some(60.0),
            density_kg_l: Some(1.53),
            reason: reason.map(str::to_owned),
            ..Dose::default()
        })
    };
    put(at(1, 7, 20), 0, day, at(1, 7, 20), dose(30.0, None));
    put(at(8, 7, 20), 0, day, at(8, 7, 20), dose(30.0, None));
    put(at(8, 15, 40), 2, day, at(8, 15, 30), dose(120.0, Some("poured before anybody looked")));
    let water = |before: f64, after: f64| WaterMove {
        level_before_m: Some(before),
        level_after_m: Some(after),
        refilled_to_m: Some(before),
        ..WaterMove::default()
    };
    put(at(5, 9, 0), 0, day, at(5, 8, 0), What::Exchange(water(1.5, 1.3)));
    put(at(5, 11, 0), 1, day, at(5, 10, 0), What::Exchange(water(1.5, 1.2)));
    put(
        at(6, 9, 10),
        3,
        day,
        at(6, 5, 45),
        What::Drain(WaterMove { volume_m3: Some(640.0), ph: Some(7.4), ..WaterMove::default() }),
    );
    put(
        at(9, 11, 0),
        1,
        day,
        at(9, 10, 45),
        What::Note { words: "water clear and brown, foam at the corner; feed stopped".to_owned() },
    );
    put(at(10, 8, 0), 1, day, at(10, 8, 0), What::Mortality(Mortality { count: Some(140), kg: None }));
    for pond in 0..4 {
        put(at(10, 11, 30), pond, adviser, at(10, 11, 30), money("labour", 1_700.0));
    }
    let harvest = Harvest { kg: 2_150.0, abw_g: Some(18.6), price_per_kg: Some(6.2), is_final: true };
    put(at(10, 13, 0), 3, day, at(10, 12, 30), What::Harvest(harvest));
    deeds.sort_by_key(|(due, ..)| *due);
    mistyped_and_corrected(deeds)
}

/// One meal is typed as 380 kg and corrected a minute later.
fn mistyped_and_corrected(mut deeds: Vec<Deed>) -> Vec<Deed> {
    let day = Person::DayTechnician.told();
    let due = at(4, 11, 6);
    let place = deeds.partition_point(|(own, ..)| *own <= due);
    // Entries are numbered from 1 in the order in which they come.
    let number = u64::try_from(place).expect("few entries") + 1;
    let meal = |kg: f64, corrects: Option<u64>| Entry {
        number: 0,
        at: Timestamp(at(4, 11, 5)),
        corrects,
        basin: None,
        what: What::Feed(Feed { kg, tray_left_percent: None }),
    };
    deeds.insert(place, (due, 0, day, meal(380.0, None)));
    deeds.insert(place + 1, (due + MINUTE_MS, 0, day, meal(38.0, Some(number))));
    deeds
}
