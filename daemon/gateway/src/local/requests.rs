//! What the daemon does about each request.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::call::Outcome;
use pondreeve_core::said::{Said, said};
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::why::Known;
use pondreeve_core::{Effect, Event, Quantity, Span, Timestamp};
use tokio::sync::{broadcast, oneshot};

use super::alarms::load_status;
use super::check;
use super::devices::devices;
use super::dose;
use super::kept::level;
use super::machine::machine_status;
use super::night::night_status;
use super::protocol::{Ask, AuditRecord, Reply};
use super::said::SaidStatus;
use super::service::{self, StepAsk};
use super::status::{farm_status, rfc3339};
use super::why::why_status;
use crate::annunciate::OutputTests;
use crate::audit::{Place, Row};
use crate::clock::Clock;
use crate::config::Farm;
use crate::config::words::did_you_mean;
use crate::engine::Desk;
use crate::inbox::{Applied, Inbox, Incoming};
use crate::outbox::queue::Queue;
use crate::probes::serial::loan::LoanSender;
use crate::probes::tally::Tally;

/// A request that the engine has not answered after this long is given up. The engine itself waits
/// for the disk for five seconds at most.
const ENGINE_PATIENCE: Duration = Duration::from_secs(20);

/// A backup of years to a slow stick.
const BACKUP_PATIENCE: Duration = Duration::from_secs(6 * 3_600);

/// What is needed to answer.
#[derive(Debug)]
pub struct Counter {
    /// The farm, for ids and names.
    pub farm: Arc<Farm>,
    /// Farm time.
    pub clock: Clock,
    /// To ask the engine.
    pub desk: Desk,
    /// To tell the engine.
    pub inbox: Inbox,
    /// What waits to be forwarded.
    pub queue: Queue,
    /// What the machine says of itself.
    pub machine: crate::machine::Looked,
    /// To borrow lines, one for each bus in order and then one for each line.
    pub loans: Vec<LoanSender>,
    /// What became of the requests to probes.
    pub tally: Tally,
    /// To test the horn and the lamp.
    pub tests: OutputTests,
}

impl Counter {
    /// Every effect from now on.
    pub(super) fn changes(&self) -> broadcast::Receiver<Arc<Effect>> {
        self.desk.changes()
    }

    /// The same for a request that says where it comes from.
    pub(super) async fn answer_from(&self, place: Place, ask: Ask, by: &str) -> Reply {
        // What a client says of itself is taken only where a client can be.
        let place = if place == Place::Console { place } else { Place::Command };
        ASKED_FROM.scope(place, self.answer(ask, by)).await
    }

    /// Does what is asked, in the name of the local user `by`.
    pub(crate) async fn answer(&self, ask: Ask, by: &str) -> Reply {
        let patience = if matches!(ask, Ask::Backup { .. }) { BACKUP_PATIENCE } else { ENGINE_PATIENCE };
        match tokio::time::timeout(patience, self.try_answer(ask, by)).await {
            Ok(Ok(reply)) => reply,
            Ok(Err(Refusal::Bad(message))) => Reply::refusal(&Said::plain(message), true),
            Ok(Err(Refusal::Told(said))) => Reply::refusal(&said, true),
            Ok(Err(Refusal::Failed(message))) => Reply::refusal(&Said::plain(message), false),
            Ok(Err(Refusal::Ended)) => {
                Reply::refusal(&said!("refused-stopping", "the daemon is stopping: nothing was done"), false)
            }
            Err(_) => Reply::refusal(
                &said!(
                    "refused-no-answer",
                    "the daemon did not answer in time: look at its log, and ask again"
                ),
                false,
            ),
        }
    }

    async fn try_answer(&self, ask: Ask, by: &str) -> Result<Reply, Refusal> {
        match ask {
            Ask::Status | Ask::Watch => {
                let view = self.desk.view().await.ok_or(Refusal::Ended)?;
                let mut status = farm_status(&view, &self.farm, self.clock.now(), self.queue.waits());
                status.machine = self.machine.newest().map(|health| machine_status(&health));
                Ok(Reply::Status(Box::new(status)))
            }
            Ask::Devices => {
                let channels = self.desk.channels().await.ok_or(Refusal::Ended)?;
                let counts = self.tally.counts();
                Ok(Reply::Devices { devices: devices(&self.farm, &counts, self.clock.now(), &channels) })
            }
            Ask::TestOutput { which } => {
                let outcome = self.tests.ask(&which).await.map_err(Refusal::Bad)?;
                Ok(Reply::Tested {
                    why: match outcome {
                        Outcome::Done => None,
                        Outcome::LeftOut(why) | Outcome::Failed(why) => Some(why),
                    },
                })
            }
            Ask::Acknowledge { id } => {
                let event = Event::Acknowledge { alarm: id, by: by.to_owned() };
                self.apply(vec![event]).await
            }
            Ask::Shelve { id, seconds, reason } => {
                let length = Span::from_secs(i64::try_from(seconds).unwrap_or(i64::MAX));
                self.apply(vec![Event::Shelve { alarm: id, length, reason, by: by.to_owned() }]).await
            }
            Ask::Unshelve { id } => self.apply(vec![Event::Unshelve { alarm: id, by: by.to_owned() }]).await,
            Ask::Reset { id } => self.apply(vec![Event::Reset { alarm: id, by: by.to_owned() }]).await,
            Ask::Enter { pond, values, at } => self.enter(&pond, &values, at.as_deref(), by).await,
            Ask::Record(ask) => self.record(*ask, by).await,
            Ask::Deeds { pond, from, to, most } => self.deeds(pond.as_deref(), &from, &to, most).await,
            Ask::Readings { pond, quantity, from, to } => {
                self.stored(&pond, &quantity, &from, &to, None).await
            }
            Ask::RollUps { pond, quantity, from, to, every } => {
                let level = level(&every)?;
                self.stored(&pond, &quantity, &from, &to, Some(level)).await
            }
            Ask::Service { probe, act } => self.service(&probe, &act, by).await,
            Ask::Limits { pond } => self.limits(&pond).await,
            Ask::ChangeLimit { pond, key, value, reason } => {
                self.change_limit(&pond, &key, value, &reason, by).await
            }
            Ask::Why { id } => match self.desk.why(&id).await.ok_or(Refusal::Ended)? {
                Ok(why) => {
                    let view = self.desk.view().await.ok_or(Refusal::Ended)?;
                    let changes = &view.limit_changes;
                    Ok(Reply::Why(Box::new(why_status(&why, &self.farm, changes, self.clock.now()))))
                }
                Err(known) => Err(Refusal::Bad(no_such(&id, &known))),
            },
            Ask::PlanDose(request) => {
                let pond = self.pond(&request.pond)?;
                let about = self.farm.about_ponds.get(usize::from(pond.0));
                let checked = dose::check(&request, about, &self.farm.products).map_err(Refusal::Told)?;
                let plan = self.desk.plan_dose(pond, checked.ask).await.ok_or(Refusal::Ended)?;
                let plan = plan.ok_or_else(|| {
                    let early = said!(
                        "refused-plan-early",
                        "planning a dose for {pond}, before the daemon has started: ask again",
                        pond = &request.pond
                    );
                    Refusal::Failed(early.into())
                })?;
                Ok(Reply::DosePlan(Box::new(dose::dose_status(&request, &checked, &plan, self.clock.now()))))
            }
            Ask::FeedLoad(ask) => self.feed_load(ask).await,
            Ask::FixTrial(ask) => self.fix_trial(*ask, by).await,
            Ask::Trials => self.trials().await,
            Ask::Evidence { trial } => self.evidence(trial).await,
            Ask::Facts => {
                let view = self.desk.view().await.ok_or(Refusal::Ended)?;
                Ok(Reply::Facts(Box::new(super::facts::facts(&self.farm, &view.limit_changes))))
            }
            Ask::Energy { pond, from, to } => self.energy(&pond, &from, &to).await,
            Ask::AlarmLoad => {
                let load = self.desk.alarm_load().await.ok_or(Refusal::Ended)?;
                let view = self.desk.view().await.ok_or(Refusal::Ended)?;
                Ok(Reply::AlarmLoad(Box::new(load_status(&load, &view.alarms))))
            }
            Ask::Night { pond } => {
                let index = self.pond(&pond)?;
                let view = self.desk.view().await.ok_or(Refusal::Ended)?;
                let own = view.ponds.iter().find(|own| own.pond == index).ok_or_else(|| {
                    Refusal::Failed(format!(
                        "the nights of {pond} were asked for, before the daemon has started: ask again"
                    ))
                })?;
                Ok(Reply::Night(Box::new(night_status(own, &pond, self.clock.now()))))
            }
            // Who borrows keeps the connection open, so the server does it where it has that.
            Ask::BorrowLine { .. } | Ask::ReturnLine => {
                Err(Refusal::Failed("lines are lent over the local socket alone".to_owned()))
            }
            Ask::Backup { folder } => self.backup(&folder).await,
            Ask::AuditTrail { from } => {
                let rows = self.desk.shelf().trail(from).await.map_err(Refusal::Failed)?;
                let record = |(record, row): (u64, Row)| AuditRecord {
                    record,
                    text: row.text,
                    hash: row.hash.to_string(),
                };
                Ok(Reply::AuditTrail { records: rows.into_iter().map(record).collect() })
            }
            Ask::History { pond, quantity, seconds, points } => {
                self.history(&pond, &quantity, seconds, points).await
            }
        }
    }

    async fn enter(
        &self,
        pond: &str,
        values: &[(String, f64)],
        at: Option<&str>,
        by: &str,
    ) -> Result<Reply, Refusal> {
        let events = self.entered(pond, values, at, by)?;
        let pond = self.pond(pond)?;
        let sampled = at.map(|text| self.time(text)).transpose()?.unwrap_or_else(|| self.clock.now());
        let mut reply = self.apply(events).await?;
        if let Reply::Done { warning, warning_said, checks } = &mut reply {
            for (id, value) in values {
                let entered = (measured(id)?, *value);
                let (site, shelf) = (&self.farm.site, self.desk.shelf());
                match check::against_probes(site, shelf, pond, entered, sampled).await {
                    Ok(found) => checks.extend(found),
                    Err(reason) => {
                        let more = said!(
                            "entered-not-compared",
                            "entered, but {what} could not be held against the probes: {reason}",
                            what = id,
                            reason = reason
                        );
                        *warning_said = if warning.is_none() { SaidStatus::of(&more) } else { None };
                        *warning = Some(match warning.take() {
                            Some(told) => format!("{told}; {more}"),
                            None => more.into(),
                        });
                    }
                }
            }
        }
        Ok(reply)
    }

    /// What entering values is to the core.
    fn entered(
        &self,
        pond: &str,
        values: &[(String, f64)],
        at: Option<&str>,
        by: &str,
    ) -> Result<Vec<Event>, Refusal> {
        let pond = self.pond(pond)?;
        let taken_at = at.map(|text| self.time(text)).transpose()?;
        if values.is_empty() {
            return Err(Refusal::Bad(
                "no value to enter: give at least one, such as tan_mg_l=0.5".to_owned(),
            ));
        }
        // All or nothing: everything is checked before anything is entered.
        values
            .iter()
            .map(|(id, value)| {
                let (quantity, value) = (measured(id)?, *value);
                if quantity.is_state() && !quantity.can_be(value) {
                    return Err(Refusal::Told(said!(
                        "refused-no-state",
                        "{what} = {value} cannot be: 0 (stands still) or 1 (runs) is accepted; nothing was entered",
                        what = id,
                        value = format!("{value}")
                    )));
                }
                let (lowest, highest) = quantity.conceivable();
                if !(lowest..=highest).contains(&value) {
                    let unit = quantity.unit();
                    return Err(Refusal::Told(said!(
                        "refused-cannot-be",
                        "{what} = {value} cannot be: {lowest} to {highest} {unit} is accepted; nothing was entered",
                        what = id,
                        value = format!("{value}"),
                        lowest = format!("{lowest}"),
                        highest = format!("{highest}"),
                        unit = unit
                    )));
                }
                Ok(Event::ManualSample { pond, quantity, value, taken_at, by: by.to_owned() })
            })
            .collect()
    }

    /// The same for somebody who is not at the gateway; the error is in words.
    pub(crate) fn entries(
        &self,
        pond: &str,
        values: &[(String, f64)],
        at: Option<&str>,
        by: &str,
    ) -> Result<Vec<Event>, String> {
        self.entered(pond, values, at, by).map_err(Refusal::words)
    }

    async fn service(&self, probe: &str, act: &StepAsk, by: &str) -> Result<Reply, Refusal> {
        let known = self.farm.site.probes.iter().position(|own| own.id == probe);
        let Some(index) = known else {
            let ids: Vec<&str> = self.farm.site.probes.iter().map(|own| own.id.as_str()).collect();
            return Err(Refusal::Told(said!(
                "refused-no-probe",
                "{probe} is no probe of this farm: known are {known}",
                probe = format!("{probe:?}"),
                known = ids.join(", ")
            )));
        };
        let view = self.desk.view().await.ok_or(Refusal::Ended)?;
        let step = service::step(act, &view, &self.farm, index).map_err(Refusal::Told)?;
        let probe = ProbeIndex(u16::try_from(index).unwrap_or(u16::MAX));
        self.apply(vec![Event::Service { probe, step, by: by.to_owned() }]).await
    }

    async fn backup(&self, folder: &str) -> Result<Reply, Refusal> {
        let folder = Path::new(folder);
        if !folder.is_absolute() || folder.starts_with(&self.farm.store.path) {
            return Err(Refusal::Bad(format!(
                "{} is no place for a backup: name an absolute path outside the store",
                folder.display()
            )));
        }
        let pieces = self.desk.shelf().backup(folder).await.map_err(Refusal::Failed)?;
        Ok(Reply::BackedUp { pieces })
    }

    /// Hands events to the engine together and waits until all are durable and done.
    pub(super) async fn apply(&self, events: Vec<Event>) -> Result<Reply, Refusal> {
        let mut answers = Vec::with_capacity(events.len());
        for event in events {
            let (done, answer) = oneshot::channel();
            let incoming = Incoming { event, done: Some(done), urgent: true, place: asked_from() };
            self.inbox.send(incoming).await.map_err(|_| Refusal::Ended)?;
            answers.push(answer);
        }
        let (mut warning, mut refused) = (None, Vec::new());
        for answer in answers {
            match answer.await.map_err(|_| Refusal::Ended)? {
                Applied::Done | Applied::Recorded(_) => {}
                Applied::Refused(reason) => refused.push(reason),
                Applied::NotKept(reason) => {
                    warning = Some(said!(
                        "not-kept-done",
                        "done, but in memory only, a power cut would lose it: {reason}",
                        reason = reason
                    ));
                }
            }
        }
        if refused.is_empty() {
            Ok(Reply::done(warning.as_ref()))
        } else {
            Err(Refusal::Told(Said::joined(refused, "; ")))
        }
    }

    pub(super) fn pond(&self, id: &str) -> Result<PondIndex, Refusal> {
        let ponds = &self.farm.site.ponds;
        let index = ponds.iter().position(|pond| pond.id == id).and_then(|index| u16::try_from(index).ok());
        index.map(PondIndex).ok_or_else(|| {
            let ids: Vec<&str> = ponds.iter().map(|pond| pond.id.as_str()).collect();
            Refusal::Told(said!(
                "refused-no-pond",
                "there is no pond {pond}: the ponds are {known}",
                pond = format!("{id:?}"),
                known = ids.join(", ")
            ))
        })
    }

    fn time(&self, text: &str) -> Result<Timestamp, Refusal> {
        let parsed = text.parse::<jiff::Timestamp>().map_err(|error| {
            Refusal::Bad(format!(
                "{text:?} is no time ({error}): write RFC 3339 with an offset, such as 2026-05-01T02:10:00Z"
            ))
        })?;
        let at = Timestamp(parsed.as_millisecond());
        let now = self.clock.now();
        if at > now {
            let now = rfc3339(now);
            return Err(Refusal::Told(said!(
                "refused-sampled-later",
                "{at} lies ahead: it is {now}, and water cannot have been sampled later",
                at = text,
                now = now
            )));
        }
        Ok(at)
    }
}

tokio::task_local! {
    /// Where the request that is being answered comes from.
    static ASKED_FROM: Place;
}

pub(super) fn asked_from() -> Place {
    ASKED_FROM.try_with(|place| *place).unwrap_or(Place::Command)
}

pub(super) enum Refusal {
    /// The request was at fault: said in English alone, to those who write requests.
    Bad(String),
    /// The same, said to a person at a console.
    Told(Said),
    /// It could not be done.
    Failed(String),
    /// The engine has ended.
    Ended,
}

impl Refusal {
    /// In English.
    pub(super) fn words(self) -> String {
        match self {
            Self::Bad(why) | Self::Failed(why) => why,
            Self::Told(why) => why.into(),
            Self::Ended => "the daemon is stopping".to_owned(),
        }
    }
}

pub(super) fn any_time(text: &str) -> Result<Timestamp, Refusal> {
    let parsed = text.parse::<jiff::Timestamp>().map_err(|error| {
        Refusal::Bad(format!(
            "{text:?} is no time ({error}): write RFC 3339 with an offset, such as 2026-05-01T02:10:00Z"
        ))
    })?;
    Ok(Timestamp(parsed.as_millisecond()))
}

/// What can be asked instead: ponds, alarms that are not normal, and the nearest of the many others.
fn no_such(id: &str, known: &Known) -> String {
    let listed = |ids: &[String]| if ids.is_empty() { "none".to_owned() } else { ids.join(", ") };
    let all = known.ponds.iter().chain(&known.open).chain(&known.calm).map(String::as_str);
    let nearest = did_you_mean(id, all).map(|hint| format!("; {hint}")).unwrap_or_default();
    format!(
        "{id:?} is the id of no pond and of no alarm. Ponds: {}. Alarms not in their normal state: {}. \
         {} others, such as {}, can be asked about too{nearest}",
        listed(&known.ponds),
        listed(&known.open),
        known.calm.len(),
        known.calm.first().map_or("none", String::as_str),
    )
}

/// A quantity that a person can enter.
fn measured(id: &str) -> Result<Quantity, Refusal> {
    match Quantity::from_id(id) {
        Some(quantity) if !quantity.is_derived() => Ok(quantity),
        Some(_) => Err(Refusal::Bad(format!(
            "{id} is computed from other quantities and cannot be entered: enter those it rests on"
        ))),
        None => Err(unknown_quantity(id, |quantity| !quantity.is_derived())),
    }
}

pub(super) fn unknown_quantity(id: &str, accepted: impl Fn(Quantity) -> bool) -> Refusal {
    let ids: Vec<&str> = Quantity::ALL.iter().filter(|&&one| accepted(one)).map(|one| one.id()).collect();
    Refusal::Bad(format!("{id:?} is no quantity: known are {}", ids.join(", ")))
}
