//! One output kept in the state it should have: switched until confirmed, and looked after from then on.

use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::Event;
use pondreeve_core::input::GatewayPart;
use tokio::sync::watch;
use tokio::time::Instant;

use super::driver::Driver;
use crate::audit::Place;
use crate::inbox::{Inbox, Incoming};

/// Real time between attempts at an output that fails: first and longest. A relay that has come back
/// sounds within the longest.
const RETRY_AFTER: (Duration, Duration) = (Duration::from_millis(250), Duration::from_secs(10));

/// An output whose state costs nothing to set is set again this often: a relay that was pulled off is missed
/// before it is needed, and one that lost its power meanwhile is put right.
const SET_AGAIN_AFTER: Duration = Duration::from_secs(60);

/// A fault that lasts is told in new words at most this often.
const REWORD_AFTER: Duration = Duration::from_secs(300);

/// What an output should be.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Wanted {
    /// By the core.
    on: bool,
    /// By the test.
    test: bool,
}

/// What is known of an output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Stands {
    /// Nothing yet.
    Unknown,
    /// Confirmed on or off.
    Confirmed(bool),
    /// The last attempt failed.
    Failed(String),
}

/// The handle of an output.
#[derive(Debug, Clone)]
pub(super) struct Knob {
    wanted: Arc<watch::Sender<Wanted>>,
    stands: watch::Receiver<Stands>,
}

impl Knob {
    /// As the core says.
    pub(super) fn turn(&self, on: bool) {
        self.wanted.send_modify(|wanted| wanted.on = on);
    }

    /// As the test says, beside the core.
    pub(super) fn test(&self, on: bool) {
        self.wanted.send_modify(|wanted| wanted.test = on);
    }

    /// Off, whoever wanted it on.
    pub(super) fn silence(&self) {
        self.wanted.send_replace(Wanted::default());
    }

    /// Whether the core wants it on.
    pub(super) fn is_wanted(&self) -> bool {
        self.wanted.borrow().on
    }

    /// What is known of it, as it changes.
    pub(super) fn stands(&self) -> watch::Receiver<Stands> {
        self.stands.clone()
    }

    /// Waits until the state is confirmed; `false` if the output's task has ended.
    pub(super) async fn confirmed(&self, on: bool) -> bool {
        self.stands.clone().wait_for(|stands| *stands == Stands::Confirmed(on)).await.is_ok()
    }
}

/// The task behind it.
#[derive(Debug)]
pub(super) struct Switch {
    driver: Driver,
    /// Of the horn's parts.
    which: &'static str,
    wanted: watch::Receiver<Wanted>,
    stands: watch::Sender<Stands>,
    inbox: Inbox,
    /// The fault that was told last and when; outside `None` where nothing was told yet.
    told: Option<Option<(String, Instant)>>,
    faults: watch::Sender<Option<String>>,
}

impl Switch {
    pub(super) fn new(driver: Driver, which: &'static str, inbox: Inbox) -> (Knob, Self) {
        let (wanted, wanted_read) = watch::channel(Wanted::default());
        let (stands, stands_read) = watch::channel(Stands::Unknown);
        let knob = Knob { wanted: Arc::new(wanted), stands: stands_read };
        (
            knob,
            Self {
                driver,
                which,
                wanted: wanted_read,
                stands,
                inbox,
                told: None,
                faults: watch::channel(None).0,
            },
        )
    }

    /// Keeps the output as wanted, from the first time that anybody says how.
    pub(super) async fn keep(self) {
        let (faults, which, inbox) = (self.faults.subscribe(), self.which, self.inbox.clone());
        tokio::select! {
            () = self.keep_on() => {}
            () = pass_on(faults, which, &inbox) => {}
        }
    }

    async fn keep_on(mut self) {
        let mut wait = RETRY_AFTER.0;
        let mut fresh = true;
        if self.wanted.changed().await.is_err() {
            return;
        }
        loop {
            let wanted = *self.wanted.borrow_and_update();
            let on = wanted.on || wanted.test;
            let outcome = self.driver.set(on, fresh).await;
            self.stands.send_replace(match &outcome {
                Ok(()) => Stands::Confirmed(on),
                Err(why) => Stands::Failed(why.clone()),
            });
            let pause = match outcome {
                Ok(()) => {
                    wait = RETRY_AFTER.0;
                    self.tell(None);
                    self.driver.is_cheap().then_some(SET_AGAIN_AFTER)
                }
                Err(why) => {
                    self.tell(Some(why));
                    let pause = wait;
                    wait = (wait * 2).min(RETRY_AFTER.1);
                    Some(pause)
                }
            };
            let again = async {
                match pause {
                    Some(pause) => tokio::time::sleep(pause).await,
                    None => std::future::pending().await,
                }
            };
            fresh = tokio::select! {
                changed = self.wanted.changed() => {
                    if changed.is_err() {
                        return;
                    }
                    true
                }
                () = again => false,
            };
        }
    }

    /// Hands on what is wrong, or that nothing is. Never waits: a switch must not hang on the one who listens.
    fn tell(&mut self, fault: Option<String>) {
        let news = match (&self.told, &fault) {
            // The first word is always said: the engine may remember a fault from before a restart.
            (None, _) | (Some(Some(_)), None) | (Some(None), Some(_)) => true,
            (Some(None), None) => false,
            (Some(Some((before, at))), Some(now)) => before != now && at.elapsed() >= REWORD_AFTER,
        };
        if !news {
            return;
        }
        match &fault {
            Some(fault) => tracing::error!("{fault}"),
            None => tracing::info!("the {} answers", self.driver.name()),
        }
        self.told = Some(fault.clone().map(|fault| (fault, Instant::now())));
        self.faults.send_replace(fault);
    }
}

/// Passes the newest word about an output on to the engine, for as long as there is one.
async fn pass_on(mut faults: watch::Receiver<Option<String>>, which: &str, inbox: &Inbox) {
    while faults.changed().await.is_ok() {
        let detail = faults.borrow_and_update().clone();
        let event = Event::GatewayFault { part: GatewayPart::Horn, which: which.to_owned(), detail };
        // Fails only when everything is ending.
        let _ = inbox.send(Incoming { event, done: None, urgent: true, place: Place::Daemon }).await;
    }
}
