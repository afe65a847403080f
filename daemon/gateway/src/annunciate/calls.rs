//! Calling people: each call once, with pauses between attempts, reported on when it is done or given up.

use std::collections::HashSet;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use pondreeve_core::call::{Call, Carried, Outcome};
use pondreeve_core::input::GatewayPart;
use pondreeve_core::said::said;
use pondreeve_core::{Event, Timestamp};
use tokio::task::JoinSet;

use super::{message, program};
use crate::audit::Place;
use crate::config::Farm;
use crate::config::annunciation::Command;
use crate::engine::Desk;
use crate::inbox::{Inbox, Incoming};

/// Real time before each attempt. The next step falls due meanwhile, whatever becomes of this one.
const PAUSES: [Duration; 5] = [
    Duration::ZERO,
    Duration::from_secs(5),
    Duration::from_secs(20),
    Duration::from_secs(60),
    Duration::from_secs(120),
];

/// Calls under way: step and time.
type UnderWay = Arc<Mutex<HashSet<(String, Timestamp)>>>;

/// Everybody who is being called.
#[derive(Debug)]
pub(super) struct Caller {
    farm: Arc<Farm>,
    desk: Desk,
    inbox: Inbox,
    under_way: UnderWay,
    tasks: JoinSet<()>,
}

impl Caller {
    pub(super) fn new(farm: Arc<Farm>, desk: Desk, inbox: Inbox) -> Self {
        Self { farm, desk, inbox, under_way: UnderWay::default(), tasks: JoinSet::new() }
    }

    /// Begins a call, unless it is under way already: after a restart it may come twice.
    pub(super) fn call(&mut self, call: &Call) {
        while self.tasks.try_join_next().is_some() {}
        let key = (call.step.clone(), call.at);
        if !lock(&self.under_way).insert(key.clone()) {
            return;
        }
        let farm = &self.farm;
        let place = farm.site.calls.steps.iter().position(|step| step.id == call.step);
        let command = place.and_then(|place| farm.annunciation.call_commands.get(place)?.clone());
        let pond = |pond: pondreeve_core::site::PondIndex| {
            farm.site.ponds.get(usize::from(pond.0)).map(|pond| pond.id.as_str())
        };
        let mut input = message::json(&farm.site.gateway, pond, call);
        input.push(b'\n');
        let (desk, inbox) = (self.desk.clone(), self.inbox.clone());
        let (under_way, call) = (Arc::clone(&self.under_way), call.clone());
        self.tasks.spawn(async move {
            let outcome = match command {
                Some(command) => carry_out(&command, &input, &call, &desk, &inbox).await,
                // Published with the alarms; that is all there is to do.
                None => Some(Outcome::Done),
            };
            if let Some(outcome) = outcome {
                let what = Carried::Call { step: call.step, asked_at: call.at };
                send(&inbox, Event::Carried { what, outcome }).await;
            }
            lock(&under_way).remove(&key);
        });
    }

    /// Ends what is under way. It is not reported on, so it is begun anew after the next start.
    pub(super) fn end(&mut self) {
        self.tasks.abort_all();
    }
}

fn lock(under_way: &UnderWay) -> std::sync::MutexGuard<'_, HashSet<(String, Timestamp)>> {
    under_way.lock().unwrap_or_else(PoisonError::into_inner)
}

/// `None` where the call is no longer wanted: somebody has acknowledged.
async fn carry_out(
    command: &Command,
    input: &[u8],
    call: &Call,
    desk: &Desk,
    inbox: &Inbox,
) -> Option<Outcome> {
    let mut last = String::new();
    for (attempt, pause) in PAUSES.into_iter().enumerate() {
        tokio::time::sleep(pause).await;
        if attempt > 0 {
            let view = desk.view().await?;
            if !view.open_calls.iter().any(|open| open.step == call.step && open.at == call.at) {
                return None;
            }
        }
        match program::run(command, None, Some(input)).await {
            Ok(()) => {
                tracing::info!(step = call.step, "called");
                fault(inbox, &call.step, None).await;
                return Some(Outcome::Done);
            }
            Err(why) => {
                tracing::error!(step = call.step, attempt, "a call failed: {why}");
                if attempt == 0 {
                    let program = command.program.display();
                    let detail = said!(
                        "trouble-call",
                        "{name} could not be called by the program {program}: {why}. Call them yourself",
                        name = &call.name,
                        program = program.to_string(),
                        why = &why
                    );
                    fault(inbox, &call.step, Some(detail.into())).await;
                }
                last = why;
            }
        }
    }
    Some(Outcome::Failed(last))
}

async fn fault(inbox: &Inbox, step: &str, detail: Option<String>) {
    send(inbox, Event::GatewayFault { part: GatewayPart::Call, which: step.to_owned(), detail }).await;
}

async fn send(inbox: &Inbox, event: Event) {
    // Fails only when everything is ending.
    let _ = inbox.send(Incoming { event, done: None, urgent: true, place: Place::Daemon }).await;
}
