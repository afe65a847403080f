//! What the engine does about itself: starting and stopping, inputs that make the program fail, the
//! clock, and what other systems have confirmed.

use std::time::Instant;

use pondreeve_core::effect::PartFault;
use pondreeve_core::input::GatewayPart;
use pondreeve_core::said::{Said, length, said};
use pondreeve_core::state::CLOCK_ALARM_FROM;
use pondreeve_core::{Event, Timestamp};

use super::replay::{Replayed, replay};
use super::{Engine, HEARTBEAT, HISTORY_KEPT};
use crate::audit::Place;
use crate::clock::{ClockStep, LONGEST_WAIT, STEP_THRESHOLD, Trust};
use crate::inbox::Applied;
use crate::journal::store::SEQ_JUMP;
use crate::journal::trail::SALVAGED;
use crate::local::status::rfc3339;

impl Engine {
    pub(super) async fn begin(&mut self, notes: Vec<String>) {
        let replayed = replay(&self.keeper, self.clock.now()).await;
        let jump = if replayed.reading.partial { SEQ_JUMP } else { 0 };
        self.next_seq = replayed.next_seq.max(1).saturating_add(jump);
        if let Some(last_at) = replayed.last_at {
            self.clock.not_before(last_at);
            self.last_at = last_at;
        }
        let (reading, failed) = (replayed.reading.clone(), replayed.failed.clone());
        tracing::info!(inputs = reading.inputs, "the journal is read");
        if reading.partial {
            self.postbox.jump(self.clock.now());
        }
        let given_up = self.adopt(replayed);
        // What fell due while the daemon was off is of the farm as it was then.
        self.fire_deadlines().await;
        self.take(Event::Started { site: self.farm.site.clone() }).await;
        self.recent.site(&self.farm.site);
        // What was wrong in the last run may still be, and then must not alarm anew; see `end_stale`.
        self.stale_faults = self.state.view().faults;
        for note in notes.into_iter().chain(reading.notes) {
            self.tell(GatewayPart::Store, "set-aside", note).await;
        }
        if reading.damaged > 0 || reading.missing > 0 {
            let detail = said!(
                "trouble-store-damage",
                "the store has damaged places: {damaged} skipped, {missing} inputs missing; everything else in it was read",
                damaged = reading.damaged.to_string(),
                missing = reading.missing.to_string()
            );
            self.tell(GatewayPart::Store, "damage", detail.into()).await;
        }
        for seq in failed {
            self.keeper.leave_out(seq);
            self.tell(GatewayPart::Quarantine, "", quarantined_before(seq).into()).await;
        }
        if given_up {
            self.tell(GatewayPart::Quarantine, "journal", given_up_detail().into()).await;
        }
        // Taken into the trail with the start, and no later one is to tell of it again.
        let salvaged = self.farm.store.path.join(SALVAGED);
        if salvaged.exists() && self.keeper.commit_now(self.last_at).await.is_ok() {
            let _ = std::fs::remove_file(salvaged);
        }
        self.look_at_clock().await;
        self.end_stale(|part| {
            use GatewayPart::{Broker, Bus, Forward, Machine};
            !matches!(part, Bus | Broker | Forward | Machine)
        })
        .await;
        self.settle(true).await;
    }

    /// Ends faults of the last run that nobody has found again in this one. The engine knows its own at
    /// once; buses and brokers have had their chance after [`SECOND_CHANCE`].
    pub(super) async fn end_stale(&mut self, which_parts: impl Fn(GatewayPart) -> bool) {
        let (over, left) =
            std::mem::take(&mut self.stale_faults).into_iter().partition(|fault| which_parts(fault.part));
        self.stale_faults = left;
        let over: Vec<PartFault> = over;
        for PartFault { part, which, .. } in over {
            self.take(Event::GatewayFault { part, which, detail: None }).await;
        }
    }

    pub(super) fn adopt(&mut self, replayed: Replayed) -> bool {
        self.state = replayed.state;
        self.recent = replayed.recent;
        self.remembered = self.keeper.writer().remember(self.last_at - HISTORY_KEPT);
        self.view = None;
        replayed.given_up
    }

    /// An input made the program fail: it is marked, the state rebuilt without it, and people told.
    pub(super) async fn set_aside(&mut self, seq: u64, event: &Event) -> Applied {
        tracing::error!(seq, ?event, "an input made the program fail and is set aside");
        self.keeper.leave_out(seq);
        let _ = self.keeper.commit_now(self.last_at).await;
        self.rebuild().await;
        // Not through `take`, which could end up here again.
        let detail = said!(
            "trouble-quarantine-now",
            "input {seq} made the program fail when it arrived and was set aside; everything else goes on. Check the pond's readings by hand, and report this.",
            seq = seq.to_string()
        );
        self.step_fault(GatewayPart::Quarantine, "", Some(detail.english().to_owned()));
        Applied::Refused(detail)
    }

    pub(super) async fn rebuild(&mut self) {
        let replayed = replay(&self.keeper, self.clock.now()).await;
        for &failed in &replayed.failed {
            self.keeper.leave_out(failed);
        }
        if self.adopt(replayed) {
            self.step_quietly(Event::Started { site: self.farm.site.clone() });
            self.recent.site(&self.farm.site);
            self.step_fault(GatewayPart::Quarantine, "journal", Some(given_up_detail().into()));
        }
    }

    /// A fault that stands for the rest of this run.
    pub(super) async fn tell(&mut self, part: GatewayPart, which: &str, detail: String) {
        tracing::error!(?part, %detail, "the gateway has something to say");
        self.take(Event::GatewayFault { part, which: which.to_owned(), detail: Some(detail) }).await;
    }

    pub(super) async fn look_at_clock(&mut self) {
        if self.looked_at_clock.elapsed() < HEARTBEAT && self.clock_fault.is_some() && !self.stepped {
            return;
        }
        self.judge_clock().await;
    }

    /// The same before an input that depends on it: what is dated ahead of a clock that nobody has set.
    pub(super) async fn look_at_clock_behind(&mut self) {
        if matches!(self.clock.trust(), Trust::Behind(_))
            && !matches!(self.clock_fault, Some(Trust::Behind(_)))
        {
            self.judge_clock().await;
        }
    }

    async fn judge_clock(&mut self) {
        self.looked_at_clock = Instant::now();
        self.meet_step().await;
        let trust = match self.clock.trust() {
            Trust::Ahead(span) | Trust::Late(span) if span < CLOCK_ALARM_FROM => Trust::Good,
            trust => trust,
        };
        let before = self.clock_fault.replace(trust).unwrap_or(Trust::Good);
        if std::mem::discriminant(&trust) != std::mem::discriminant(&before) {
            let detail = clock_detail(trust, self.clock.now());
            self.take(Event::GatewayFault { part: GatewayPart::Clock, which: String::new(), detail }).await;
        }
        let stepped = std::mem::take(&mut self.stepped);
        if !self.fresh.is_empty() || stepped {
            self.settle(stepped).await;
        }
    }

    /// Tells the core of a step of the wall clock before anything else bears a time of after it: what lies in between did
    /// not pass, and nothing may fall due in it. A step that farm time does not follow is none for the core.
    pub(super) async fn meet_step(&mut self) {
        let Some(ClockStep { from, to }) = self.clock.take_step() else { return };
        self.stepped = true;
        tracing::warn!(from = %rfc3339(from), to = %rfc3339(to), "the wall clock was set");
        let now = self.clock.now();
        if to > now + STEP_THRESHOLD {
            return;
        }
        // What passed until a step forward did pass: a clock that is set each minute must not hide a silence.
        self.last_at = self.last_at.max(if to <= from { now } else { from });
        self.take_now(Place::Daemon, Event::ClockStepped { from, to }).await;
    }
}

fn given_up_detail() -> Said {
    said!(
        "trouble-given-up",
        "too many inputs of the journal make this program fail: the watch began anew without them. Check every pond by hand, and report this."
    )
}

fn quarantined_before(seq: u64) -> Said {
    said!(
        "trouble-quarantine-before",
        "input {seq} made the program fail while reading the journal and was set aside; everything else goes on. Check the pond's readings by hand, and report this.",
        seq = seq.to_string()
    )
}

fn clock_detail(trust: Trust, farm: Timestamp) -> Option<String> {
    let told = match trust {
        Trust::Good => return None,
        Trust::NotSet => said!(
            "trouble-clock-unset",
            "the clock has not been set since the gateway started; times go on from {farm}. Set the clock, or connect a time server: sunrise and dawn are wrong until then.",
            farm = rfc3339(farm)
        ),
        Trust::Beyond(wall) => said!(
            "trouble-clock-beyond",
            "the clock says {clock}, more than 20 years past the newest reading and the making of this program. It is not believed: times go on from {farm}. Set the clock, or connect a time server: sunrise and dawn are wrong until then.",
            clock = rfc3339(wall),
            farm = rfc3339(farm)
        ),
        Trust::Late(span) => said!(
            "trouble-clock-late",
            "the clock is {length} behind the newest reading; it has no battery, and nobody is known to have set it since the gateway started. Times go on from {farm}. Set the clock, or connect a time server: sunrise and dawn may be wrong until then.",
            length = length(span),
            farm = rfc3339(farm)
        ),
        Trust::Behind(span) => said!(
            "trouble-clock-others-ahead",
            "a message is dated {length} ahead of the gateway's clock, which went on at its start from where it was switched off; nobody is known to have set it: it is behind. What is dated ahead counts from when it comes, as suspect. Set the clock, or connect a time server: sunrise and dawn may be wrong until then. If it is right, look after the sender's clock.",
            length = length(span)
        ),
        Trust::Ahead(span) if span > LONGEST_WAIT => said!(
            "trouble-clock-far-behind",
            "the clock is {days} days behind the newest reading; times go on from {farm}. Set the clock. If it is right now, the readings since the wrong time bear dates that are yet to come: begin a new store ([store] path), and keep the old one. Sunrise and dawn are wrong until then.",
            days = (span.as_millis() / 86_400_000).to_string(),
            farm = rfc3339(farm)
        ),
        Trust::Ahead(span) => said!(
            "trouble-clock-behind",
            "the clock is {seconds} s behind the newest reading; times run at half speed until it has caught up. Check the clock: sunrise and dawn may be wrong until then.",
            seconds = (span.as_millis() / 1_000).to_string()
        ),
    };
    Some(told.into())
}
