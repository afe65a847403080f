//! Durable before visible, replay equals life, and what happens when a part fails.

mod any_state;

use std::path::Path;

use pondreeve_core::effect::AlarmState;
use pondreeve_core::input::Sample;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Site, Span};
use tempfile::TempDir;

use super::replay::{Replayed, replay};
use super::*;
use crate::clock::script::Script;
use crate::config::farm::{LocalSettings, StoreSettings};

/// 2026-05-28T20:26:40Z, evening at the farm below.
pub(crate) const EVENING: Timestamp = Timestamp(1_780_000_000_000);

/// The core is total, so a failing step has to be made: this alarm id makes one.
const FAILS: &str = "make-the-step-fail";

pub(super) fn fail_if_asked(input: &Input) {
    if let Event::Acknowledge { alarm, .. } = &input.event {
        assert!(alarm != FAILS, "asked to fail");
    }
}

pub(crate) fn farm(folder: &Path) -> Farm {
    let quantities = [Quantity::DoMgL, Quantity::TemperatureC];
    Farm {
        site: Site::single_pond(10.0, -60.0, 15.0, &quantities, Span::from_minutes(1)),
        name: "Test farm".to_owned(),
        time_zone: jiff::tz::TimeZone::UTC,
        store: StoreSettings {
            path: folder.join("store"),
            durable_within: Duration::from_secs(5),
            limits: crate::journal::Limits::default(),
            daily_files: None,
        },
        local: LocalSettings {
            socket: folder.join("socket"),
            mode: 0o600,
            group: None,
            rights: crate::local::rights::Rights::default(),
            texts: Default::default(),
        },
        buses: Vec::new(),
        lines: Vec::new(),
        brokers: Vec::new(),
        annunciation: crate::config::annunciation::Annunciation::default(),
        destinations: vec![crate::forward::office(9)],
        products: Vec::new(),
        outbox: crate::outbox::Bounds::default(),
        metrics: None,
        commands: None,
        limit_sources: Vec::new(),
        about_ponds: Vec::new(),
        machine: crate::machine::Bounds::default(),
    }
}

pub(crate) fn oxygen(do_mg_l: f64) -> Event {
    let sample =
        |quantity, value| Sample { probe: ProbeIndex(0), quantity, channel: None, value, taken_at: None };
    Event::Sweep { samples: vec![sample(Quantity::DoMgL, do_mg_l), sample(Quantity::TemperatureC, 28.0)] }
}

/// A running engine with everything around it in the hands of the test.
pub(crate) struct Rig {
    pub(crate) script: Script,
    pub(crate) inbox: mpsc::Sender<Incoming>,
    pub(crate) desk: Desk,
    pub(crate) queue: Queue,
    clock: Clock,
    stop: CancellationToken,
    running: tokio::task::JoinHandle<State>,
}

impl Rig {
    pub(crate) async fn start(farm: &Farm, at: Timestamp) -> Self {
        let (script, clock) = Script::at(at);
        let (mut journal, notes) = open(farm, clock.now()).await;
        let queue = Queue::new(farm.destinations.iter().map(|own| own.id.as_str()), journal.take_outbox());
        let (inbox, incoming) = mpsc::channel(crate::inbox::INBOX_BOUND);
        let (engine, desk) =
            Engine::start(Arc::new(farm.clone()), clock.clone(), incoming, queue.clone(), journal, notes)
                .await
                .unwrap();
        let stop = CancellationToken::new();
        let running = tokio::spawn(engine.run(stop.clone()));
        Self { script, inbox, desk, queue, clock, stop, running }
    }

    /// The engine's clock, which the script moves.
    pub(crate) fn clock(&self) -> &Clock {
        &self.clock
    }

    /// Sends and waits until it is applied and, since `urgent`, on disk.
    pub(crate) async fn send(&self, event: Event) -> Applied {
        let (done, answer) = oneshot::channel();
        self.inbox
            .send(Incoming { event, done: Some(done), urgent: true, place: Place::Daemon })
            .await
            .unwrap();
        answer.await.unwrap()
    }

    /// One reading each half minute of farm time.
    pub(crate) async fn readings(&self, values: &[f64]) {
        for &value in values {
            self.script.pass(Duration::from_secs(30));
            assert_eq!(self.send(oxygen(value)).await, Applied::Done);
        }
    }

    /// A kill: no stop, no last commit.
    pub(crate) async fn kill(self) {
        self.running.abort();
        assert!(self.running.await.unwrap_err().is_cancelled());
    }

    pub(crate) async fn end(self) -> State {
        self.stop.cancel();
        self.running.await.unwrap()
    }
}

/// Opens the journal, once the thread of an engine that was killed has let it go.
async fn open(farm: &Farm, now: Timestamp) -> (Journal, Vec<String>) {
    for _ in 0..100 {
        match Journal::open(&farm.store.path, now) {
            Err(crate::journal::OpenError::InUse { .. }) => {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            opened => return opened.expect("opens"),
        }
    }
    panic!("the store is not let go");
}

pub(crate) async fn replayed(farm: &Farm) -> Replayed {
    let (journal, _) = open(farm, EVENING).await;
    let left_out = journal.left_out();
    let keeper = Keeper::new(Writer::start(journal).unwrap(), Duration::from_secs(5), left_out);
    let replayed = replay(&keeper, EVENING).await;
    keeper.close().await;
    replayed
}

fn standing(state: &State, id: &str) -> Option<AlarmState> {
    standing_in(&state.view(), id)
}

pub(crate) fn standing_in(view: &FarmView, id: &str) -> Option<AlarmState> {
    view.alarms.iter().find(|alarm| alarm.id == id).map(|alarm| alarm.state)
}

pub(crate) fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        if entry.file_type().unwrap().is_dir() {
            copy_folder(&entry.path(), &to.join(entry.file_name()));
        } else {
            // One that went meanwhile, as what was being made does when it gets its name, is not there after a kill either.
            let copied = std::fs::copy(entry.path(), to.join(entry.file_name()));
            let is_gone = |error: &std::io::Error| error.kind() == std::io::ErrorKind::NotFound;
            assert!(copied.as_ref().map_or_else(is_gone, |_| true), "{}: {copied:?}", entry.path().display());
        }
    }
}

/// Falls steadily to 1.2 mg/L within twelve minutes and stays there.
pub(crate) fn falling() -> Vec<f64> {
    (0..40).map(|n| (4.2 - 0.15 * f64::from(n)).max(1.2)).collect()
}

/// At the moment at which an alarm is seen, the store is copied away as a kill would leave it. The
/// copy knows the alarm.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_alarm_is_on_disk_before_anybody_sees_it() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    let mut changes = rig.desk.changes();
    let mut seen = 0;
    for value in falling() {
        rig.script.pass(Duration::from_secs(30));
        rig.inbox
            .send(Incoming { event: oxygen(value), done: None, urgent: false, place: Place::Daemon })
            .await
            .unwrap();
        // The engine answers after it has taken the reading.
        rig.desk.view().await.unwrap();
        while let Ok(effect) = changes.try_recv() {
            let Effect::AlarmChanged(change) = &*effect else { continue };
            let copy = folder.path().join(format!("copy-{seen}"));
            copy_folder(&farm.store.path, &copy.join("store"));
            let mut crashed = farm.clone();
            crashed.store.path = copy.join("store");
            let known = standing(&replayed(&crashed).await.state, &change.id);
            assert_eq!(known, Some(change.state), "{}", change.id);
            let sent = rig.queue.all(0);
            assert!(sent.iter().any(|own| own.at == change.at), "an alarm goes to the forwarder too");
            let kept = Journal::open(&crashed.store.path, change.at).unwrap().0.take_outbox();
            assert!(sent.iter().all(|own| kept.waiting.contains_key(&own.number)), "and is as durable");
            seen += 1;
        }
    }
    assert!(seen >= 2, "low oxygen raises alarms; {seen} were seen");
    rig.end().await;
}

/// The state that a run ended in is the state that its journal gives, alarms, windows and all; and a
/// reading that was only queued is kept by an orderly stop.
#[tokio::test]
async fn a_replay_gives_the_state_of_life() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let mut lived = State::new();
    for run in 0..3 {
        let rig = Rig::start(&farm, EVENING + Span::from_hours(run)).await;
        rig.readings(&falling()).await;
        let alarm = rig.desk.view().await.unwrap().alarms[0].id.clone();
        assert_eq!(
            rig.send(Event::Acknowledge { alarm: alarm.clone(), by: "ana".to_owned() }).await,
            Applied::Done
        );
        let entry = Event::ManualSample {
            pond: PondIndex(0),
            quantity: Quantity::TanMgL,
            value: 0.4,
            taken_at: None,
            by: "ana".to_owned(),
        };
        assert_eq!(rig.send(entry).await, Applied::Done);
        rig.script.pass(Duration::from_secs(17 * 60));
        rig.inbox
            .send(Incoming { event: oxygen(1.1), done: None, urgent: false, place: Place::Daemon })
            .await
            .unwrap();
        rig.desk.view().await.unwrap();
        // A kill at this moment: an old checkpoint and what came after it, or the inputs alone.
        let killed = killed_now(&farm, &folder.path().join(format!("killed-{run}"))).await;
        assert!(killed[0].state == killed[1].state && killed[0].reading.inputs < killed[1].reading.inputs);
        lived = rig.end().await;
        assert!(!lived.view().alarms.is_empty());
    }
    // From the checkpoint of the stop, and from the inputs alone.
    let resumed = replayed(&farm).await;
    assert_eq!((resumed.state == lived, resumed.reading.inputs), (true, 0));
    std::fs::remove_file(farm.store.path.join("checkpoint")).unwrap();
    let again = replayed(&farm).await;
    assert_eq!(again.state, lived);
    assert_eq!((again.reading.damaged, again.next_seq), (0, resumed.next_seq));
    let from = EVENING + Span::from_hours(2);
    let points = again.recent.since("pond", Quantity::DoMgL, from, 1_000);
    assert_eq!(points.last().map(|point| point.value), Some(1.1));
    assert!(points.len() > 15, "{}", points.len());
}

/// What a start makes of the store as it lies there, with its checkpoint and without.
pub(super) async fn killed_now(farm: &Farm, folder: &Path) -> [Replayed; 2] {
    copy_folder(&farm.store.path, &folder.join("store"));
    let mut killed = farm.clone();
    killed.store.path = folder.join("store");
    let resumed = replayed(&killed).await;
    std::fs::remove_file(killed.store.path.join("checkpoint")).unwrap();
    [resumed, replayed(&killed).await]
}

/// A damaged checkpoint, one of another build, and one that is cut short are passed over.
#[tokio::test]
async fn a_checkpoint_that_does_not_fit_is_thrown_away() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&falling()).await;
    let lived = rig.end().await;
    let path = farm.store.path.join("checkpoint");
    let whole = std::fs::read(&path).unwrap();
    let mut other_build = whole.clone();
    other_build[12] ^= 1;
    let mut spoilt = vec![whole[..whole.len() - 3].to_vec(), other_build, Vec::new()];
    for place in (0..whole.len()).step_by(whole.len() / 10) {
        let mut flipped = whole.clone();
        flipped[place] ^= 0x20;
        spoilt.push(flipped);
    }
    for spoilt in spoilt {
        std::fs::write(&path, spoilt).unwrap();
        let again = replayed(&farm).await;
        assert!(again.state == lived && again.reading.inputs > 0);
    }
}

#[tokio::test]
async fn what_the_core_refuses_is_told_to_the_sender() {
    let folder = TempDir::new().unwrap();
    let rig = Rig::start(&farm(folder.path()), EVENING).await;
    let answer = rig.send(Event::Acknowledge { alarm: "no-such".to_owned(), by: "ana".to_owned() }).await;
    assert!(matches!(&answer, Applied::Refused(reason) if reason.contains("no-such")), "{answer:?}");
    rig.end().await;
}

/// A sender that does not ask for an immediate commit is answered within the window, and at once when
/// many wait.
#[tokio::test]
async fn many_waiting_senders_bring_a_commit() {
    let folder = TempDir::new().unwrap();
    let mut farm = farm(folder.path());
    farm.store.durable_within = Duration::from_secs(600);
    let rig = Rig::start(&farm, EVENING).await;
    let mut answers = Vec::new();
    for n in 0..SENDERS_PER_COMMIT {
        rig.script.pass(Duration::from_secs(30));
        let (done, answer) = oneshot::channel();
        let event = oxygen(6.0 + n as f64 / 100.0);
        rig.inbox
            .send(Incoming { event, done: Some(done), urgent: false, place: Place::Daemon })
            .await
            .unwrap();
        answers.push(answer);
    }
    for answer in answers {
        let answer = tokio::time::timeout(Duration::from_secs(20), answer).await.expect("within the window");
        assert_eq!(answer.unwrap(), Applied::Done);
    }
    rig.end().await;
}

#[tokio::test]
async fn an_input_that_makes_the_program_fail_is_set_aside_for_good() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&[6.0, 6.1, 6.2]).await;
    let before = rig.desk.view().await.unwrap();
    let answer = rig.send(Event::Acknowledge { alarm: FAILS.to_owned(), by: "ana".to_owned() }).await;
    assert!(matches!(&answer, Applied::Refused(reason) if reason.contains("set aside")), "{answer:?}");
    let after = rig.desk.view().await.unwrap();
    assert_eq!(after.ponds[0].latest, before.ponds[0].latest);
    assert!(after.alarms.iter().any(|alarm| alarm.id == "gateway.quarantine"), "{:?}", after.alarms);
    rig.readings(&[6.3]).await;
    let lived = rig.end().await;
    let again = replayed(&farm).await;
    assert_eq!((again.failed, again.given_up), (Vec::new(), false));
    assert_eq!(again.state, lived);
    // The next start knows, and does not fail over it again.
    let rig = Rig::start(&farm, EVENING + Span::from_hours(1)).await;
    rig.readings(&[6.4]).await;
    let view = rig.desk.view().await.unwrap();
    assert!(view.faults.is_empty(), "over with the run in which it happened: {:?}", view.faults);
    let left = standing_in(&view, "gateway.quarantine");
    assert_eq!(left, Some(AlarmState::ReturnedUnacknowledged), "but nobody has acknowledged it");
    rig.end().await;
}

#[tokio::test]
async fn a_fault_that_lasts_over_a_restart_is_not_alarmed_anew() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let missing = || Event::GatewayFault {
        part: GatewayPart::Bus,
        which: "east".to_owned(),
        detail: Some("not plugged in".to_owned()),
    };
    let rig = Rig::start(&farm, EVENING).await;
    rig.send(missing()).await;
    let acknowledge = Event::Acknowledge { alarm: "gateway.bus.east".to_owned(), by: "ana".to_owned() };
    assert_eq!(rig.send(acknowledge).await, Applied::Done);
    rig.end().await;
    let rig = Rig::start(&farm, EVENING + Span::from_minutes(10)).await;
    let state = |view: &FarmView| standing_in(view, "gateway.bus.east");
    assert_eq!(state(&rig.desk.view().await.unwrap()), Some(AlarmState::Acknowledged));
    rig.send(missing()).await;
    assert_eq!(state(&rig.desk.view().await.unwrap()), Some(AlarmState::Acknowledged));
    rig.end().await;
}

#[tokio::test]
async fn a_clock_that_was_set_is_told_to_the_core() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&[6.0]).await;
    rig.script.set(Span::from_hours(-3));
    // The heartbeat looks at the clock once a second.
    let mut clock_alarm = None;
    for _ in 0..40 {
        tokio::time::sleep(Duration::from_millis(100)).await;
        let view = rig.desk.view().await.unwrap();
        clock_alarm = view.alarms.iter().find(|alarm| alarm.id == "gateway.clock").cloned();
        if clock_alarm.is_some() {
            break;
        }
    }
    let message = clock_alarm.expect("an alarm about the clock").message;
    assert!(message.contains("10800 s behind"), "{message}");
    rig.end().await;
    let mut stepped = 0;
    let (mut journal, _) = Journal::open(&farm.store.path, EVENING).unwrap();
    let mut last_at = Timestamp(i64::MIN);
    journal.read(EVENING, &mut |input| {
        assert!(input.at >= last_at, "farm time ran backwards at {}", input.seq);
        last_at = input.at;
        stepped += usize::from(matches!(input.event, Event::ClockStepped { .. }));
    });
    assert_eq!(stepped, 1);
}

/// A gateway without a battery clock boots in the past: times go on after the newest in the journal.
#[tokio::test]
async fn a_boot_in_the_past_goes_on_after_the_journal() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&[6.0, 6.1]).await;
    rig.end().await;
    let rig = Rig::start(&farm, Timestamp(0)).await;
    rig.readings(&[6.2]).await;
    let view = rig.desk.view().await.unwrap();
    assert!(view.at >= EVENING + Span::from_secs(60));
    let clock =
        view.alarms.iter().find(|alarm| alarm.id == "gateway.clock").expect("an alarm about the clock");
    assert!(clock.message.contains("not been set"), "{}", clock.message);
    rig.end().await;
}
