//! What the core says is to be heard and seen, carried out: the horn, the lamp, the calls.
//!
//! ```text
//! effects ─▶ this task ─▶ switch (horn) ─▶ driver: relay coil, GPIO line or program
//!                     ├─▶ switch (lamp) ─▶ driver
//!                     ├─▶ calls: a program each, with pauses between attempts
//!                     └─▶ test: the horn, once a day, and either when somebody asks for it
//! faults and outcomes ─▶ inbox
//! ```
//! Nothing here knows an aerator, and nothing here may ever switch one.

mod calls;
mod driver;
pub(crate) mod message;
mod program;
mod switch;
mod test;
#[cfg(test)]
mod tests;

use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::Effect;
use pondreeve_core::call::Outcome;
use pondreeve_core::view::FarmView;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use self::calls::Caller;
use self::driver::Driver;
use self::switch::{Knob, Switch};
use crate::clock::Clock;
use crate::config::Farm;
use crate::engine::Desk;
use crate::inbox::Inbox;
use crate::probes::serial::coils::CoilSender;

/// Longest wait for the horn to be confirmed silent when the daemon stops.
const SILENT_WITHIN: Duration = Duration::from_secs(3);

/// Somebody wants to hear the horn or see the lamp.
#[derive(Debug)]
pub(crate) struct TestAsk {
    is_horn: bool,
    answer: oneshot::Sender<Result<Outcome, String>>,
}

/// Where tests of the horn and the lamp are asked for; by default nobody hears.
#[derive(Debug, Clone, Default)]
pub struct OutputTests(Option<mpsc::Sender<TestAsk>>);

/// A way to ask for tests, and where they are heard.
pub(crate) fn output_tests() -> (OutputTests, mpsc::Receiver<TestAsk>) {
    let (sender, receiver) = mpsc::channel(1);
    (OutputTests(Some(sender)), receiver)
}

impl OutputTests {
    /// Tests an output and waits for what comes of it.
    ///
    /// # Errors
    /// There is no such output, in words.
    pub(crate) async fn ask(&self, which: &str) -> Result<Outcome, String> {
        let is_horn = match which {
            "horn" => true,
            "lamp" => false,
            other => return Err(format!("a test of {other:?}: accepted is horn or lamp, the only outputs")),
        };
        let ending = || "the daemon is stopping: nothing was tested".to_owned();
        let (answer, answered) = oneshot::channel();
        let sender = self.0.as_ref().ok_or_else(ending)?;
        sender.send(TestAsk { is_horn, answer }).await.map_err(|_gone| ending())?;
        answered.await.map_err(|_gone| ending())?
    }
}

/// Carries out what the core says until `stop` is cancelled; then silences the horn and ends. The lamp
/// stays as it is: what it tells of still stands.
pub(crate) async fn run(
    farm: Arc<Farm>,
    clock: Clock,
    desk: Desk,
    inbox: Inbox,
    (coils, asked): (Vec<CoilSender>, mpsc::Receiver<TestAsk>),
    stop: CancellationToken,
) {
    // Before the first look, so that nothing falls between the two.
    let mut changes = desk.changes();
    let mut tasks = JoinSet::new();
    let settings = &farm.annunciation;
    let mut knob = |output: &Option<crate::config::annunciation::Output>, which: &'static str| {
        let output = output.clone()?;
        let driver = Driver::new(output.clone(), &coils, if which.is_empty() { "horn" } else { which });
        let (knob, switch) = Switch::new(driver, which, inbox.clone());
        tasks.spawn(switch.keep());
        Some(knob)
    };
    let (horn, lamp) = (knob(&settings.horn, ""), knob(&settings.lamp, "lamp"));
    if let (Some(knob), Some(plan)) = (horn.clone(), settings.horn_test) {
        let zone = farm.time_zone.clone();
        tasks.spawn(test::daily(knob, plan, zone, clock.clone(), inbox.clone()));
    }
    tasks.spawn(test::when_asked(horn.clone(), lamp.clone(), asked, settings.horn_test, inbox.clone()));
    let mut caller = Caller::new(Arc::clone(&farm), desk.clone(), inbox.clone());
    let mut look = true;
    while !stop.is_cancelled() {
        if std::mem::take(&mut look) {
            let Some(view) = desk.view().await else { break };
            set_all(&view, horn.as_ref(), lamp.as_ref(), &mut caller);
        }
        tokio::select! {
            () = stop.cancelled() => {}
            effect = changes.recv() => match effect {
                Ok(effect) => match &*effect {
                    Effect::Horn { sound, .. } => turn(horn.as_ref(), *sound),
                    Effect::Lamp { lit, .. } => turn(lamp.as_ref(), *lit),
                    Effect::Call(call) => caller.call(call),
                    _ => {}
                },
                Err(RecvError::Lagged(_)) => look = true,
                Err(RecvError::Closed) => break,
            },
        }
    }
    caller.end();
    if let Some(horn) = horn {
        horn.silence();
        let silent = tokio::time::timeout(SILENT_WITHIN, horn.confirmed(false)).await;
        if silent != Ok(true) {
            tracing::error!("the horn could not be confirmed silent before the stop");
        }
    }
    tasks.shutdown().await;
}

fn set_all(view: &FarmView, horn: Option<&Knob>, lamp: Option<&Knob>, caller: &mut Caller) {
    turn(horn, view.horn);
    turn(lamp, view.lamp);
    for call in &view.open_calls {
        caller.call(call);
    }
}

fn turn(knob: Option<&Knob>, on: bool) {
    if let Some(knob) = knob {
        knob.turn(on);
    }
}
