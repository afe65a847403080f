//! The owner of the state: select, journal, step, make durable, hand out.
//!
//! One task does all of it, so there is no lock around what is known about the ponds. Each input is
//! queued for the journal before the step sees it. What a step brings is handed out at once if nobody
//! acts on it; an alarm, the horn, an acknowledgement and a summary wait until the input behind them
//! is on disk. Where the disk takes nothing, the watch goes on from memory and says so.

#[cfg(test)]
mod audit_tests;
#[cfg(test)]
mod backlog_tests;
pub(crate) mod checkpoint;
#[cfg(test)]
mod clock_tests;
mod commands;
pub mod daily;
mod desk;
#[cfg(test)]
mod diary_tests;
mod keeper;
#[cfg(test)]
mod kept_tests;
#[cfg(test)]
mod late_verdict_tests;
mod outgoing;
#[cfg(test)]
mod outgoing_tests;
mod questions;
mod recent;
mod replay;
mod shelf;
#[cfg(test)]
pub(crate) mod tests;
mod upkeep;

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::{Duration, Instant};

#[cfg(test)]
use pondreeve_core::Quantity;
use pondreeve_core::effect::PartFault;
use pondreeve_core::input::GatewayPart;
use pondreeve_core::said::said;
use pondreeve_core::view::FarmView;
use pondreeve_core::{Effect, Event, Input, State, Timestamp};
use tokio::sync::{broadcast, mpsc, oneshot};
use tokio_util::sync::CancellationToken;

pub use commands::Ordered;
pub use desk::Desk;
pub(crate) use keeper::WRITER_GONE;
pub use recent::{KEPT as HISTORY_KEPT, Point};
pub use shelf::Shelf;

use crate::audit::Place;
use crate::audit::notes::{About, Scribe, looks_at_probes};
use crate::audit::settings::Beginning;
use crate::clock::{Clock, Trust};
use crate::config::Farm;
use crate::inbox::{Applied, Incoming};
use crate::journal::query::Remembered;
use crate::journal::{Journal, Writer};
use crate::outbox::Change;
use crate::outbox::postbox::Postbox;
use crate::outbox::queue::Queue;
use crate::service_manager::Pulse;
use desk::{CHANGES_BOUND, QUESTIONS_BOUND, Question};
use keeper::Keeper;
use recent::Recent;
use replay::{try_step, try_wake};

/// Inputs taken together, so that one commit serves them all.
const GROUP: usize = 256;

/// With this many unanswered senders and nothing left in the inbox a commit is started at once: brokers commonly
/// leave 20 messages unacknowledged and then wait (mosquitto's default for `max_inflight_messages`). While more
/// waits, as after an outage, it is taken in first: a commit then grows to what the keeper calls enough, or to what
/// may wait at most, and the card is spared a sync and a page for every few messages.
const SENDERS_PER_COMMIT: usize = 16;

/// So long they wait for more to be taken in, at most: a broker that leaves 20 messages unacknowledged must not be held
/// up by another that never runs dry.
const LONGEST_HOLD: Duration = Duration::from_secs(1);

/// How long after the start a fault of the last run stands unless it is found again: longer than the
/// longest pause between two attempts to open a bus or to reach a broker.
const SECOND_CHANCE: Duration = Duration::from_secs(120);

/// How often the clock is looked at, in real time.
const HEARTBEAT: Duration = Duration::from_secs(1);

/// The state with everything that belongs to it.
#[derive(Debug)]
pub struct Engine {
    farm: Arc<Farm>,
    clock: Clock,
    state: State,
    recent: Recent,
    keeper: Keeper,
    scribe: Scribe,
    next_seq: u64,
    last_at: Timestamp,
    inbox: mpsc::Receiver<Incoming>,
    questions: mpsc::Receiver<Question>,
    changes: broadcast::Sender<Arc<Effect>>,
    pulse: Pulse,
    postbox: Postbox,
    queue: Queue,
    /// Messages not yet handed out.
    posted: Vec<Change>,
    thinning: outgoing::Thinning,
    /// Effects not yet handed out.
    fresh: Vec<Effect>,
    /// Senders to answer once their input is on disk.
    senders: VecDeque<(u64, oneshot::Sender<Applied>, Applied)>,
    view: Option<Arc<FarmView>>,
    /// Faults of our own parts that stand, so that each is told once.
    store_fault: bool,
    clock_fault: Option<Trust>,
    /// The wall clock was set since it was last looked at, which must be on disk soon.
    stepped: bool,
    looked_at_clock: Instant,
    started: Instant,
    /// Faults that stood when the last run ended and that nobody has spoken of in this one.
    stale_faults: Vec<PartFault>,
    checkpointed: checkpoint::Made,
    /// Values of the last day, as the store reads them.
    remembered: Option<mpsc::UnboundedReceiver<Remembered>>,
}

impl Engine {
    /// Takes over the journal, brings the state to where it was, and starts it anew with this farm.
    /// `notes` are what people must know about the opening of the journal.
    ///
    /// # Errors
    /// Where the system gives no thread for the journal.
    pub async fn start(
        farm: Arc<Farm>,
        clock: Clock,
        inbox: mpsc::Receiver<Incoming>,
        queue: Queue,
        journal: Journal,
        notes: Vec<String>,
    ) -> std::io::Result<(Self, Desk)> {
        let left_out = journal.left_out();
        let postbox = Postbox::new(!farm.destinations.is_empty(), queue.last(), clock.now());
        let scribe = Scribe::new(farm.time_zone.clone(), Beginning::of(&journal, &farm));
        let keeper = Keeper::new(Writer::start(journal)?, farm.store.durable_within, left_out);
        let (ask, questions) = mpsc::channel(QUESTIONS_BOUND);
        let (changes, _) = broadcast::channel(CHANGES_BOUND);
        let shelf = Shelf::new(keeper.writer().for_reading());
        let pulse = Pulse::default();
        let desk = Desk { questions: ask, changes: changes.clone(), shelf, pulse: pulse.clone() };
        let mut engine = Self {
            farm,
            clock,
            state: State::new(),
            recent: Recent::default(),
            keeper,
            scribe,
            next_seq: 1,
            last_at: Timestamp(i64::MIN),
            inbox,
            questions,
            changes,
            pulse,
            postbox,
            queue,
            posted: Vec::new(),
            thinning: outgoing::Thinning::default(),
            fresh: Vec::new(),
            senders: VecDeque::new(),
            view: None,
            store_fault: false,
            clock_fault: None,
            stepped: false,
            looked_at_clock: Instant::now(),
            started: Instant::now(),
            stale_faults: Vec::new(),
            checkpointed: checkpoint::Made::default(),
            remembered: None,
        };
        engine.begin(notes).await;
        Ok((engine, desk))
    }

    /// Runs until `stop` is cancelled; then takes what is still in the inbox, closes the journal and
    /// returns the state it ended in.
    pub async fn run(mut self, stop: CancellationToken) -> State {
        let mut group = Vec::with_capacity(GROUP);
        while !stop.is_cancelled() {
            let nap = self.nap();
            tokio::select! {
                () = stop.cancelled() => {}
                () = self.keeper.finished() => self.after_commit().await,
                count = self.inbox.recv_many(&mut group, GROUP) => {
                    if count == 0 {
                        // Nobody can send any more; only deadlines and questions are left.
                        tokio::time::sleep(Duration::from_millis(50)).await;
                    }
                    self.take_group(&mut group).await;
                }
                Some(question) = self.questions.recv() => self.attend(question).await,
                Some(remembered) = next_remembered(&mut self.remembered) => self.recent.remember(&remembered),
                () = tokio::time::sleep(nap) => {}
            }
            self.fire_deadlines().await;
            self.look_at_clock().await;
            if !self.stale_faults.is_empty() && self.started.elapsed() > SECOND_CHANCE {
                self.end_stale(|_| true).await;
                self.settle(false).await;
            }
            self.thin().await;
            self.checkpoint(false).await;
            let all_in = self.inbox.is_empty() || self.keeper.waits_for() >= LONGEST_HOLD;
            let all_wait = self.senders.len() >= SENDERS_PER_COMMIT && all_in;
            if self.keeper.due_in() == Some(Duration::ZERO) || all_wait {
                self.keeper.start_commit(self.last_at);
                self.after_commit().await;
            }
        }
        self.inbox.close();
        while self.inbox.recv_many(&mut group, GROUP).await > 0 {
            self.take_group(&mut group).await;
        }
        self.take(Event::Stopped).await;
        self.settle(true).await;
        self.last_confirmations().await;
        self.checkpoint(true).await;
        let Self { keeper, state, .. } = self;
        keeper.close().await;
        state
    }

    /// Takes inputs that arrived together.
    async fn take_group(&mut self, group: &mut Vec<Incoming>) {
        self.look_at_clock_behind().await;
        let mut urgent = false;
        for Incoming { event, done, urgent: now, place } in group.drain(..) {
            urgent |= now;
            let (seq, applied) = self.take_from(place, event).await;
            if let Some(done) = done {
                self.senders.push_back((seq, done, applied));
            }
        }
        self.settle(urgent).await;
    }

    /// Takes an event of our own.
    async fn take(&mut self, event: Event) -> (u64, Applied) {
        self.take_from(Place::Daemon, event).await
    }

    /// Numbers and stamps an event, queues it for the journal and steps it. Its effects wait in
    /// `fresh`.
    async fn take_from(&mut self, place: Place, event: Event) -> (u64, Applied) {
        self.meet_step().await;
        self.last_at = self.last_at.max(self.clock.now());
        self.take_now(place, event).await
    }

    /// The same, stamped with the time that the newest has.
    async fn take_now(&mut self, place: Place, mut event: Event) -> (u64, Applied) {
        let seq = self.next_seq;
        self.next_seq = self.next_seq.saturating_add(1);
        // One that makes the program fail is found so in the step, and set aside there.
        let _ = catch_unwind(AssertUnwindSafe(|| self.state.complete(&mut event, self.last_at)));
        let input = Input { seq, at: self.last_at, event };
        self.note_found_again(&input.event);
        self.keeper.push(&input);
        self.view = None;
        let before = self.fresh.len();
        let view_before = self.view_for_notes(&input.event);
        if !try_step(&mut self.state, &input, &mut self.fresh) {
            return (seq, self.set_aside(seq, &input.event).await);
        }
        let views = view_before.zip(self.view_for_notes(&input.event));
        let brought = self.fresh.get(before..).unwrap_or_default();
        self.keeper.judged(&input, brought);
        self.recent.note(brought);
        let views = views.as_ref().map(|(before, after)| (before, after));
        let about = About { site: &self.farm.site, effects: brought, place, views };
        write_down(&mut self.scribe, &mut self.keeper, &input, &about);
        self.post(seq, before);
        let brought = self.fresh.get(before..).unwrap_or_default();
        let told = brought.iter().find_map(|effect| match effect {
            Effect::Refused { reason, .. } => Some(Applied::Refused(reason.clone())),
            Effect::Recorded(recorded) => Some(Applied::Recorded(Box::new(recorded.clone()))),
            _ => None,
        });
        (seq, told.unwrap_or(Applied::Done))
    }

    fn note_found_again(&mut self, event: &Event) {
        if let Event::GatewayFault { part, which, .. } = event {
            self.stale_faults.retain(|fault| fault.part != *part || fault.which != *which);
        }
    }

    fn step_fault(&mut self, part: GatewayPart, which: &str, detail: Option<String>) {
        self.step_quietly(Event::GatewayFault { part, which: which.to_owned(), detail });
    }

    /// A step whose own failing changes nothing more.
    fn step_quietly(&mut self, event: Event) {
        let seq = self.next_seq;
        self.next_seq = self.next_seq.saturating_add(1);
        let input = Input { seq, at: self.last_at, event };
        self.note_found_again(&input.event);
        self.keeper.push(&input);
        self.view = None;
        let before = self.fresh.len();
        if !try_step(&mut self.state, &input, &mut self.fresh) {
            return self.keeper.leave_out(seq);
        }
        let effects = self.fresh.get(before..).unwrap_or_default();
        let about = About { site: &self.farm.site, effects, place: Place::Daemon, views: None };
        write_down(&mut self.scribe, &mut self.keeper, &input, &about);
        self.post(seq, before);
    }

    /// The farm, where notes on an event need it; nobody's watch ends because it cannot be shown.
    fn view_for_notes(&self, event: &Event) -> Option<FarmView> {
        if !looks_at_probes(event) {
            return None;
        }
        catch_unwind(AssertUnwindSafe(|| self.state.view())).ok()
    }

    /// Makes durable what must be, then hands out the fresh effects and answers senders.
    async fn settle(&mut self, urgent: bool) {
        if urgent || self.fresh.iter().any(must_be_durable) {
            // A failure is told to the senders below and to people in `after_commit`.
            let _ = self.keeper.commit_now(self.last_at).await;
        }
        self.hand_out();
        self.after_commit().await;
    }

    fn hand_out(&mut self) {
        self.queue.take(self.posted.drain(..));
        for effect in self.fresh.drain(..) {
            if self.changes.receiver_count() > 0 {
                // Nobody listening any more is no error.
                let _ = self.changes.send(Arc::new(effect));
            }
        }
    }

    /// Answers senders whose input is on disk or cannot be kept, and keeps the store's fault true.
    async fn after_commit(&mut self) {
        self.pulse.kept_before(self.keeper.kept_before());
        while let Some((seq, done, applied)) = self.senders.pop_front() {
            if self.keeper.is_kept(seq) {
                let _ = done.send(applied);
            } else if let Some(trouble) = self.keeper.trouble() {
                let answer = match applied {
                    Applied::Refused(reason) => Applied::Refused(reason),
                    _ => Applied::NotKept(trouble.to_owned()),
                };
                let _ = done.send(answer);
            } else {
                self.senders.push_front((seq, done, applied));
                break;
            }
        }
        for note in self.keeper.take_notes() {
            self.tell(GatewayPart::Store, "set-aside", note).await;
        }
        let trouble = self.keeper.trouble().map(str::to_owned);
        if trouble.is_some() != self.store_fault {
            self.store_fault = trouble.is_some();
            let dropped = self.keeper.dropped();
            match &trouble {
                Some(trouble) => {
                    tracing::error!(%trouble, "the store takes nothing; watching goes on from memory");
                }
                None => tracing::info!(dropped, "the store takes inputs again"),
            }
            let detail = trouble.map(|trouble| {
                said!(
                    "trouble-not-kept",
                    "nothing is being kept: {trouble}. Alarms go on, but a power cut now would lose the readings since.",
                    trouble = trouble
                )
                .into()
            });
            self.step_fault(GatewayPart::Store, "", detail);
            if dropped > 0 && !self.store_fault {
                let detail = said!(
                    "trouble-dropped",
                    "{dropped} inputs were given up while the store took nothing",
                    dropped = dropped.to_string()
                );
                self.step_fault(GatewayPart::Store, "given-up", Some(detail.into()));
            }
            let _ = self.keeper.commit_now(self.last_at).await;
            self.hand_out();
        }
    }

    async fn fire_deadlines(&mut self) {
        self.meet_step().await;
        let now = self.clock.now();
        if self.state.next_deadline().is_none_or(|deadline| deadline > now) {
            return;
        }
        self.view = None;
        self.last_at = self.last_at.max(now);
        if !try_wake(&mut self.state, now, &mut self.fresh) {
            // No input is at fault, so none can be left out; the next one will tell.
            tracing::error!("the program failed at a deadline; the state is rebuilt");
            self.rebuild().await;
            return;
        }
        self.recent.note(&self.fresh);
        self.keeper.noted(&self.fresh);
        let notes = self.scribe.of_time(&self.farm.site, &self.fresh);
        if self.fresh.iter().any(must_be_durable) || !notes.is_empty() {
            // Time passed and brought an alarm. The journal must know that it did: after a power cut a
            // gateway without a battery clock would otherwise be in the time before it.
            let seq = self.next_seq;
            self.step_quietly(Event::Tick);
            self.keeper.write_down(seq, &notes);
            self.post(seq, 0);
        }
        self.settle(false).await;
    }

    /// How long nothing needs to be done unless something arrives.
    fn nap(&self) -> Duration {
        let heartbeat = HEARTBEAT.saturating_sub(self.looked_at_clock.elapsed());
        let deadline = self
            .state
            .next_deadline()
            .map_or(HEARTBEAT, |deadline| self.clock.real_duration(deadline - self.clock.now()));
        let due = self.keeper.due_in().unwrap_or(HEARTBEAT);
        // Farm time counts whole milliseconds; less would only spin.
        heartbeat.min(deadline).min(due).max(Duration::from_millis(1))
    }
}

/// The next values that were read back; for ever pending once all are.
async fn next_remembered(from: &mut Option<mpsc::UnboundedReceiver<Remembered>>) -> Option<Remembered> {
    let Some(values) = from else { return std::future::pending().await };
    let next = values.recv().await;
    if next.is_none() {
        *from = None;
    }
    next
}

/// Puts what is noted of an input beside it, so that both are on disk or neither.
fn write_down(scribe: &mut Scribe, keeper: &mut Keeper, input: &Input, about: &About<'_>) {
    if matches!(input.event, Event::Started { .. })
        && let Some(settings) = scribe.settings()
    {
        keeper.settings(input.seq, settings);
    }
    keeper.write_down(input.seq, &scribe.notes(input, about));
}

fn must_be_durable(effect: &Effect) -> bool {
    matches!(
        effect,
        Effect::AlarmChanged(_)
            | Effect::Horn { .. }
            | Effect::Lamp { .. }
            | Effect::Call(_)
            | Effect::Summary(_)
    )
}
