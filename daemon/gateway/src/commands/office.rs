//! Decides on each command: who, how often, signature, time, number; then hands it to the engine and says what came of it.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use pondreeve_core::Event;
use serde::Serialize;
use sha2::{Digest as _, Sha256};

use super::envelope::{self, Asks, Command, LEAST_SECRET_BYTES};
use super::{Person, Settings, Taken};
use crate::audit::Place;
use crate::cli::At;
use crate::clock::Clock;
use crate::engine::Ordered;
use crate::inbox::Applied;
use crate::local::requests::Counter;

/// So far ahead of ours a sender's clock may be.
const MOST_AHEAD: Duration = Duration::from_secs(60);

/// Version of the form of a result.
const FORMAT: u32 = 1;

/// What became of a command.
#[derive(Debug, Clone, Serialize)]
pub struct Outcome {
    format: u32,
    gateway: String,
    at: At,
    /// The number that the command gave itself; null where it could not be read.
    pub number: Option<u64>,
    /// Whether it was done.
    pub done: bool,
    /// It had been answered before, and this is what was answered then.
    pub repeat: bool,
    /// In words.
    pub said: String,
}

/// What is to be done about a message.
#[derive(Debug, Clone)]
pub enum Verdict {
    /// Say so, and acknowledge the message.
    Answer(Box<Outcome>),
    /// Acknowledge it and say nothing.
    PassOver,
    /// Leave it with the broker: the store takes nothing now, or the daemon stops.
    Leave,
}

/// Commands of one person in the last while.
#[derive(Debug)]
struct Allowance {
    left: f64,
    at: Instant,
}

/// Knows who may do what, and what was done last.
pub struct Office {
    settings: Settings,
    counter: Arc<Counter>,
    newest: BTreeMap<String, Taken>,
    allowances: BTreeMap<String, Allowance>,
}

impl Office {
    /// The clock that commands are judged by.
    pub(super) fn clock(&self) -> &Clock {
        &self.counter.clock
    }

    /// `newest` is what the journal knows of each person.
    pub fn new(settings: Settings, counter: Arc<Counter>, newest: BTreeMap<String, Taken>) -> Self {
        Self { settings, counter, newest, allowances: BTreeMap::new() }
    }

    /// Takes one message.
    pub async fn take(&mut self, topic: &str, payload: &[u8], is_retained: bool) -> Verdict {
        let Some(person) = self.person(topic) else {
            tracing::warn!(topic, "a command of somebody who is not in the configuration is passed over");
            return Verdict::PassOver;
        };
        if is_retained {
            tracing::warn!(
                topic,
                "a retained command is passed over: it would come again at each connection"
            );
            return Verdict::PassOver;
        }
        if !self.allows(&person.id) {
            let most = self.settings.most_per_minute;
            let why =
                format!("more than {most} commands in a minute: wait, and send it again with a new number");
            return self.refuse(&person, envelope::number_claimed(payload), why);
        }
        let secret = match secret(&person) {
            Ok(secret) => secret,
            Err(why) => {
                tracing::error!(person = person.id, why, "commands of this person cannot be checked");
                return self.refuse(&person, None, "the gateway cannot read this person's secret".to_owned());
            }
        };
        let command = match envelope::read(topic, payload, &secret) {
            Ok(command) => command,
            Err(why) => return self.refuse(&person, envelope::number_claimed(payload), why),
        };
        let digest: [u8; 32] = Sha256::digest(payload).into();
        if let Some(known) = self.newest.get(&person.id).filter(|known| known.number >= command.number) {
            if known.number == command.number && known.digest == digest {
                let (done, said) = (known.done, known.said.clone());
                return Verdict::Answer(Box::new(self.outcome(Some(command.number), done, true, said)));
            }
            let why = format!("number {} is used up: the last was {}", command.number, known.number);
            return self.refuse(&person, Some(command.number), why);
        }
        self.carry_out(&person, &command, digest).await
    }

    async fn carry_out(&mut self, person: &Person, command: &Command, digest: [u8; 32]) -> Verdict {
        let events = match self.in_time(command).and_then(|()| self.events(person, &command.asks)) {
            Ok(events) => events,
            // Its number stays free: nothing was done, and it may be sent again once mended.
            Err(why) => return self.refuse(person, Some(command.number), why),
        };
        let taken = Taken {
            person: person.id.clone(),
            number: command.number,
            digest,
            done: false,
            said: String::new(),
        };
        let ordered = Ordered { events, place: Place::Mqtt, taken };
        let Some((applied, taken)) = self.counter.desk.carry_out(ordered).await else {
            return Verdict::Leave;
        };
        if let Some(Applied::NotKept(why)) = applied.iter().find(|own| matches!(own, Applied::NotKept(_))) {
            tracing::warn!(person = person.id, why, "a command cannot be kept: left with the broker");
            return Verdict::Leave;
        }
        let outcome = self.outcome(Some(taken.number), taken.done, false, taken.said.clone());
        tracing::info!(
            person = person.id,
            number = taken.number,
            done = taken.done,
            "command: {}",
            taken.said
        );
        self.newest.insert(person.id.clone(), taken);
        Verdict::Answer(Box::new(outcome))
    }

    fn in_time(&self, command: &Command) -> Result<(), String> {
        let ahead = command.at_ms.saturating_sub(self.counter.clock.now().as_millis());
        let most = |length: Duration| i64::try_from(length.as_millis()).unwrap_or(i64::MAX);
        let seconds = |ms: i64| ms.unsigned_abs() / 1_000;
        if ahead > most(MOST_AHEAD) {
            return Err(format!(
                "it is dated {} s ahead of the gateway's clock: {} s are accepted",
                seconds(ahead),
                MOST_AHEAD.as_secs()
            ));
        }
        if ahead < -most(self.settings.window) {
            return Err(format!(
                "it is {} s old: {} s are accepted, so nothing was done. Look at the farm as it is now",
                seconds(ahead),
                self.settings.window.as_secs()
            ));
        }
        Ok(())
    }

    fn events(&self, person: &Person, asks: &Asks) -> Result<Vec<Event>, String> {
        let deed = asks.deed();
        if !person.may.contains(&deed) {
            let may: Vec<&str> = person.may.iter().map(|deed| deed.word()).collect();
            return Err(format!("{} may not {}, only: {}", person.id, deed.word(), may.join(", ")));
        }
        match asks {
            Asks::Acknowledge { alarm } => {
                Ok(vec![Event::Acknowledge { alarm: alarm.clone(), by: person.id.clone() }])
            }
            Asks::Enter { pond, values, sampled } => {
                self.counter.entries(pond, values, sampled.as_deref(), &person.id)
            }
        }
    }

    /// Somebody of the configuration, by the last level of the topic.
    fn person(&self, topic: &str) -> Option<Person> {
        let name = topic.strip_prefix(&format!("{}/", topic_of(self.gateway(), "command")))?;
        self.settings.people.iter().find(|person| person.id == name).cloned()
    }

    fn allows(&mut self, person: &str) -> bool {
        let most = f64::from(self.settings.most_per_minute.max(1));
        let fresh = || Allowance { left: most, at: Instant::now() };
        let own = self.allowances.entry(person.to_owned()).or_insert_with(fresh);
        own.left = (own.left + own.at.elapsed().as_secs_f64() * most / 60.0).min(most);
        own.at = Instant::now();
        let may = own.left >= 1.0;
        if may {
            own.left -= 1.0;
        }
        may
    }

    fn refuse(&self, person: &Person, number: Option<u64>, why: String) -> Verdict {
        tracing::warn!(person = person.id, number, "a command is refused: {why}");
        Verdict::Answer(Box::new(self.outcome(number, false, false, why)))
    }

    fn outcome(&self, number: Option<u64>, done: bool, repeat: bool, said: String) -> Outcome {
        let (gateway, at) = (self.gateway().to_owned(), At(self.counter.clock.now()));
        Outcome { format: FORMAT, gateway, at, number, done, repeat, said }
    }

    /// Id of the gateway, as in its topics.
    pub(super) fn gateway(&self) -> &str {
        &self.counter.farm.site.gateway
    }
}

/// `pondreeve/<gateway>/<what>`.
pub(super) fn topic_of(gateway: &str, what: &str) -> String {
    format!("pondreeve/{gateway}/{what}")
}

/// Read anew each time, so that a secret can be changed, or taken away, without a restart.
fn secret(person: &Person) -> Result<Vec<u8>, String> {
    let text = std::fs::read_to_string(&person.key_file)
        .map_err(|error| format!("reading {} failed: {error}", person.key_file.display()))?;
    let secret = text.trim_end_matches(['\r', '\n']).as_bytes().to_vec();
    if secret.len() < LEAST_SECRET_BYTES {
        return Err(format!(
            "{} holds {} bytes: at least {LEAST_SECRET_BYTES} are needed",
            person.key_file.display(),
            secret.len()
        ));
    }
    Ok(secret)
}
