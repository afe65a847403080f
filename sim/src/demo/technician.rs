//! The night technician: acknowledges (where no person sits at the console), walks to the pond,
//! starts at its panel what the daemon advised, and reads a hand meter where a probe is silent.
//!
//! Switching happens here, in the simulated water; the daemon only ever recommends.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};

use pondreeve::local::client::Client;
use pondreeve::local::protocol::{AdviceStatus, AlarmStatus, Ask, FarmStatus, PondStatus, Reply};
use sim::world::World;

use super::notebook::Notebook;

const MINUTE_MS: i64 = 60_000;
/// From the alarm to the key press.
const WAKE_MS: i64 = 2 * MINUTE_MS;
/// From the key press to the panel or the water's edge: walking, with a torch.
const WALK_MS: i64 = 8 * MINUTE_MS;

/// The technician's memory.
#[derive(Debug)]
pub(crate) struct Technician {
    world: Arc<Mutex<World>>,
    notebook: Notebook,
    /// Whether the simulated technician acknowledges, or a person does.
    acknowledges: bool,
    first_seen: BTreeMap<(String, String), i64>,
    /// Since when an acknowledged alarm of this pond calls for going there.
    called: BTreeMap<String, i64>,
    started: BTreeSet<(usize, usize)>,
    measured: BTreeSet<(String, String)>,
}

impl Technician {
    pub(crate) fn new(world: Arc<Mutex<World>>, notebook: Notebook, acknowledges: bool) -> Self {
        Self {
            world,
            notebook,
            acknowledges,
            first_seen: BTreeMap::new(),
            called: BTreeMap::new(),
            started: BTreeSet::new(),
            measured: BTreeSet::new(),
        }
    }

    /// Looks at the farm's status and does what is due at `now_ms`.
    pub(crate) async fn look(&mut self, status: &FarmStatus, client: &mut Client, now_ms: i64) {
        for alarm in &status.alarms {
            if alarm.state.ends_with("unacknowledged") && self.acknowledges {
                let key = (alarm.id.clone(), alarm.raised_at.clone());
                let since = self.first_seen.entry(key).or_insert(now_ms);
                if now_ms - *since >= WAKE_MS {
                    // The status lags a little behind the acknowledgement, and the alarm may sound anew.
                    *since = now_ms;
                    self.ask(client, Ask::Acknowledge { id: alarm.id.clone() }, now_ms).await;
                }
            }
        }
        for (index, pond) in status.ponds.iter().enumerate() {
            let heard = |wanted: fn(&str) -> bool| {
                status.alarms.iter().find(|alarm| {
                    alarm.pond.as_deref() == Some(&pond.id)
                        && alarm.state == "acknowledged"
                        && wanted(&alarm.id)
                })
            };
            let low = heard(|id| [".do-low", ".do-falling"].iter().any(|part| id.contains(part)));
            let stopped = heard(|id| id.contains(".aerator"));
            if low.is_some() || stopped.is_some() {
                let since = *self.called.entry(pond.id.clone()).or_insert(now_ms);
                if now_ms - since >= WALK_MS {
                    let advised = pond.advice.as_ref().filter(|advice| is_due(advice, now_ms));
                    let wanted: Vec<&str> = match advised {
                        Some(advice) => advice.aerators.iter().map(String::as_str).collect(),
                        // Aerators stopped and no advice yet: whatever stands idle.
                        None if stopped.is_some() => {
                            let idle = pond.aerators.iter().filter(|group| group.on == Some(false));
                            idle.map(|group| group.id.as_str()).collect()
                        }
                        None => Vec::new(),
                    };
                    self.start(index, pond, &wanted, now_ms);
                }
            } else {
                self.called.remove(&pond.id);
            }
            if let Some(blind) = heard(|id| id.contains(".do-blind")) {
                self.measure(index, pond, blind, client, now_ms).await;
            }
        }
    }

    async fn ask(&self, client: &mut Client, ask: Ask, now_ms: i64) {
        match client.ask(ask).await {
            // One key press may have answered for several alarms of one cause.
            Ok(Reply::Error { message, .. }) if message.contains("already") => {}
            Ok(Reply::Error { message, .. }) => {
                self.notebook.say(now_ms, &format!("technician was refused: {message}"));
            }
            Ok(_) => {}
            Err(error) => tracing::warn!(%error, "the simulated technician got no answer"),
        }
    }

    fn start(&mut self, index: usize, pond: &PondStatus, wanted: &[&str], now_ms: i64) {
        let mut world = self.world.lock().unwrap_or_else(PoisonError::into_inner);
        let mut turning = Vec::new();
        let mut dead = Vec::new();
        for (group, aerator) in pond.aerators.iter().enumerate() {
            if !wanted.contains(&aerator.id.as_str()) || !self.started.insert((index, group)) {
                continue;
            }
            world.farm.switch(index, group, true);
            let running = world.farm.ponds.get(index).and_then(|pond| pond.aerator(group));
            match running {
                Some(aerator) if aerator.running => turning.push(aerator.id.to_uppercase()),
                _ => dead.push(aerator.id.to_uppercase()),
            }
        }
        drop(world);
        let place = place(pond);
        if !dead.is_empty() {
            let text = format!(
                "technician at {place}: {} without power, left alone, electrician called",
                dead.join(", ")
            );
            self.notebook.say(now_ms, &text);
        }
        if !turning.is_empty() {
            let text = format!("technician at {place}: {} started at the panel, turning", turning.join(", "));
            self.notebook.say(now_ms, &text);
        }
    }

    /// Reads a hand meter where the daemon sees no oxygen, and enters it.
    async fn measure(
        &mut self,
        index: usize,
        pond: &PondStatus,
        alarm: &AlarmStatus,
        client: &mut Client,
        now_ms: i64,
    ) {
        let key = (format!("walk {}", pond.id), alarm.raised_at.clone());
        let since = *self.first_seen.entry(key).or_insert(now_ms);
        if now_ms - since < WALK_MS || !self.measured.insert((pond.id.clone(), alarm.raised_at.clone())) {
            return;
        }
        let truth = {
            let world = self.world.lock().unwrap_or_else(PoisonError::into_inner);
            world.farm.ponds.get(index).map(|pond| pond.water.do_mg_l)
        };
        let Some(truth) = truth else { return };
        // A hand meter is read to a tenth.
        let value = (truth * 10.0).round() / 10.0;
        self.notebook.say(
            now_ms,
            &format!("technician at {}: hand meter reads {value:.1} mg/L, entered", place(pond)),
        );
        let values = vec![("do_mg_l".to_owned(), value)];
        self.ask(client, Ask::Enter { pond: pond.id.clone(), values, at: None }, now_ms).await;
    }
}

/// Whether advice says to start aerators by now.
fn is_due(advice: &AdviceStatus, now_ms: i64) -> bool {
    match advice.action.as_str() {
        "start-now" => true,
        "start-at" => advice
            .start
            .as_ref()
            .and_then(|start| start.parse::<jiff::Timestamp>().ok())
            .is_some_and(|start| start.as_millisecond() <= now_ms),
        _ => false,
    }
}

/// How people call a pond.
pub(crate) fn place(pond: &PondStatus) -> String {
    format!("{} {}", pond.id.to_uppercase(), pond.name)
}
