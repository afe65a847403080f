//! A fake service manager: what it hears while all is well, and that it hears nothing from a watch that hangs.

use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::path::Path;
use std::time::{Duration, Instant};

use pondreeve_core::Event;
use tempfile::TempDir;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use super::pulse::comes_back;
use super::{Notifier, keep_alive};
use crate::engine::tests::{EVENING, Rig, farm};
use crate::inbox::{Applied, Incoming};

const PATIENCE: Duration = Duration::from_millis(600);

struct Manager(UnixDatagram);

impl Manager {
    fn at(path: &Path) -> Self {
        let socket = UnixDatagram::bind(path).unwrap();
        Self::listening(socket)
    }

    fn listening(socket: UnixDatagram) -> Self {
        socket.set_read_timeout(Some(Duration::from_millis(20))).unwrap();
        Self(socket)
    }

    /// All it hears within `length`.
    fn hears(&self, length: Duration) -> Vec<String> {
        let until = Instant::now() + length;
        let mut heard = Vec::new();
        let mut bytes = [0; 4096];
        while Instant::now() < until {
            if let Ok(count) = self.0.recv(&mut bytes) {
                heard.push(String::from_utf8(bytes[..count].to_vec()).unwrap());
            }
        }
        heard
    }

    fn signs_of_life(&self, length: Duration) -> usize {
        self.hears(length).iter().filter(|message| *message == "WATCHDOG=1").count()
    }

    /// Whether a sign comes, on a machine that may be busy.
    fn comes_to_life(&self) -> bool {
        (0..50).any(|_| self.signs_of_life(PATIENCE / 2) > 0)
    }
}

#[test]
fn one_message_is_one_datagram() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("notify");
    let manager = Manager::at(&path);
    let notifier = Notifier::new(path.as_os_str(), None).unwrap();
    notifier.ready("Watching\nREADY=0");
    notifier.status(&"ö".repeat(500));
    notifier.alive();
    notifier.stopping();
    let heard = manager.hears(Duration::from_millis(60));
    assert_eq!(heard[0], "READY=1\nSTATUS=Watching READY=0");
    assert_eq!(heard[1], format!("STATUS={}", "ö".repeat(100)));
    assert_eq!(heard[2], "WATCHDOG=1");
    assert_eq!(heard[3], "STOPPING=1\nSTATUS=Stopping: what was read goes to disk");
    assert_eq!(heard.len(), 4);
}

#[test]
fn an_abstract_name_begins_with_an_at() {
    let name = format!("pondreeve-test-{}", std::process::id());
    let address = SocketAddr::from_abstract_name(&name).unwrap();
    let manager = Manager::listening(UnixDatagram::bind_addr(&address).unwrap());
    Notifier::new(format!("@{name}").as_ref(), None).unwrap().alive();
    assert_eq!(manager.hears(Duration::from_millis(60)), ["WATCHDOG=1"]);
}

#[test]
fn a_manager_that_is_gone_or_hangs_harms_nobody() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("notify");
    Notifier::new(path.as_os_str(), None).unwrap().alive();
    // One that never reads: the queue is full after some.
    let _manager = UnixDatagram::bind(&path).unwrap();
    let notifier = Notifier::new(path.as_os_str(), None).unwrap();
    let began = Instant::now();
    (0..5_000).for_each(|_| notifier.alive());
    assert!(began.elapsed() < Duration::from_secs(5));
}

struct Watch {
    _folder: TempDir,
    manager: Manager,
    rig: Rig,
    stop: CancellationToken,
}

async fn watch() -> Watch {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("notify");
    let manager = Manager::at(&path);
    let mut farm = farm(folder.path());
    farm.store.durable_within = Duration::from_millis(50);
    let rig = Rig::start(&farm, EVENING).await;
    let notifier = Notifier::new(path.as_os_str(), Some(PATIENCE)).unwrap();
    let stop = CancellationToken::new();
    tokio::spawn(keep_alive(notifier, rig.desk.pulse(), rig.desk.clone(), rig.inbox.clone(), stop.clone()));
    Watch { _folder: folder, manager, rig, stop }
}

/// Without readings a tick goes the whole way for each sign; with readings they are the sign. The engine that
/// hangs in the middle of its work gives none.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_watch_that_hangs_starves_the_watchdog() {
    let watch = watch().await;
    assert!(watch.manager.comes_to_life() && watch.manager.comes_to_life(), "nothing to do, and able to");
    watch.rig.readings(&[5.2, 5.1, 5.0]).await;
    assert!(watch.manager.comes_to_life(), "readings flow");
    {
        let script = watch.rig.script.clone();
        let guard = script.hang();
        // What was on its way may still come out.
        watch.manager.hears(PATIENCE);
        assert_eq!(watch.manager.signs_of_life(PATIENCE * 2), 0, "the engine hangs");
        drop(guard);
    }
    assert!(watch.manager.comes_to_life(), "it works again");
    watch.stop.cancel();
    watch.rig.end().await;
}

/// A disk that refuses is told by an alarm, and starting again would only forget what is in memory; a writing thread
/// that is gone comes back only so. A tick that nobody takes, or that makes the program fail, is no sign of life.
#[tokio::test]
async fn what_becomes_of_the_tick_decides() {
    let refused = Applied::NotKept("No space left on device (os error 28)".to_owned());
    let gone = Applied::NotKept(crate::engine::WRITER_GONE.to_owned());
    let set_aside = Applied::Refused(pondreeve_core::said::Said::plain("input 7 made the program fail"));
    for (answer, alive) in [
        (Some(Applied::Done), true),
        (Some(refused), true),
        (Some(gone), false),
        (Some(set_aside), false),
        (None, false),
    ] {
        let (inbox, mut incoming) = mpsc::channel::<Incoming>(1);
        let engine = async {
            let taken = incoming.recv().await.unwrap();
            assert_eq!(taken.event, Event::Tick);
            match &answer {
                Some(answer) => taken.done.unwrap().send(answer.clone()).unwrap(),
                None => tokio::time::sleep(PATIENCE * 2).await,
            }
        };
        let (works, ()) = tokio::join!(comes_back(&inbox, PATIENCE), engine);
        assert_eq!(works, alive, "{answer:?}");
    }
    // An inbox that is full and that nobody empties.
    let (inbox, _incoming) = mpsc::channel::<Incoming>(1);
    assert!(!comes_back(&inbox, PATIENCE / 4).await);
    assert!(!comes_back(&inbox, PATIENCE / 4).await);
}
