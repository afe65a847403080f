//! Start-up: the journal through the core's ordinary step, with the effects kept from everybody.

use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind};

use pondreeve_core::{Effect, Event, Input, Span, State, Timestamp};

use super::checkpoint::Saved;
use super::keeper::Keeper;
use super::recent::Recent;
use crate::journal::From;
use crate::journal::store::Reading;

/// The core remembers nothing of a reading that is older: the night model rests on three weeks at most.
const MEMORY: Span = Span::from_hours(22 * 24);

/// A replay in which more inputs than this make the program fail is given up.
const MOST_FAILURES: usize = 5;

/// What people must know where steps of services and entries of the diary of long ago cannot be read.
const LOST_SERVICES: &str = "some services of probes and entries of the diary of more than three weeks ago cannot be read, so stockings or adjustments may be lacking: look at the diary, hold each probe against a hand meter, and calibrate those that are off";

/// Where a replay ended.
#[derive(Debug, Default)]
pub(crate) struct Replayed {
    pub(crate) state: State,
    pub(super) recent: Recent,
    /// Position of the next input.
    pub(crate) next_seq: u64,
    /// Time of the newest input.
    pub(super) last_at: Option<Timestamp>,
    /// What was found while reading.
    pub(crate) reading: Reading,
    /// Inputs that made the program fail now and did not before.
    pub(crate) failed: Vec<u64>,
    /// The state is empty because too many inputs failed.
    pub(crate) given_up: bool,
}

/// Rebuilds the state from what is on disk and what waits to get there.
pub(super) async fn replay(keeper: &Keeper, now: Timestamp) -> Replayed {
    let mut left_out = keeper.left_out().clone();
    let mut failed = Vec::new();
    loop {
        let mut pass = Pass::new(&left_out);
        let mut reading = Reading::default();
        let mut lost = false;
        // One that makes the program fail again and again is itself at fault.
        let saved = if failed.len() < 3 { keeper.writer().checkpoint().await } else { None };
        let from = match saved.and_then(|bytes| Saved::from_bytes(&bytes)) {
            Some(saved) => pass.resume(saved),
            None => {
                (pass.earlier, lost) = lasting(keeper, now, &left_out).await;
                From::Memory(MEMORY)
            }
        };
        if let Some((mut chunks, answer)) = keeper.writer().read(from, now) {
            while let Some(chunk) = chunks.recv().await {
                chunk.iter().for_each(|input| pass.input(input));
            }
            reading = answer.await.unwrap_or_default();
        }
        if lost {
            reading.notes.push(LOST_SERVICES.to_owned());
        }
        keeper.unkept().iter().for_each(|input| pass.input(input));
        let Pass { mut state, recent, next_seq, last_at, failed: stopped_at, .. } = pass;
        if reading.cut_short {
            // How many there were is not known any more, but not one a millisecond.
            state.number_summaries_from(now.as_millis().max(0).cast_unsigned());
        }
        let replayed = Replayed { state, recent, next_seq, last_at, reading, failed, given_up: false };
        let Some(seq) = stopped_at else { return replayed };
        left_out.insert(seq);
        failed = replayed.failed;
        failed.push(seq);
        if failed.len() > MOST_FAILURES {
            return Replayed {
                state: State::new(),
                recent: Recent::default(),
                failed,
                given_up: true,
                ..replayed
            };
        }
    }
}

/// What must be known of the time before the replay begins: a state that has seen nothing but services and the
/// diary; and
/// whether some of them are lost.
async fn lasting(keeper: &Keeper, now: Timestamp, left_out: &BTreeSet<u64>) -> (Option<State>, bool) {
    let Some((mut chunks, answer)) = keeper.writer().read(From::Lasting(MEMORY), now) else {
        return (None, true);
    };
    let (mut state, mut effects) = (State::new(), Vec::new());
    while let Some(chunk) = chunks.recv().await {
        for input in chunk.iter().filter(|input| !left_out.contains(&input.seq)) {
            effects.clear();
            if matches!(input.event, Event::Diary { .. } | Event::Trial { .. }) {
                // Years of them: nothing that fell due in between has to be gone through.
                state.recall(input);
            } else if !try_step(&mut state, input, &mut effects) {
                // A state that failed in a step is worthless.
                return (None, true);
            }
        }
    }
    let reading = answer.await.unwrap_or_default();
    (state.site().is_some().then_some(state), reading.damaged > 0 || reading.partial)
}

struct Pass<'a> {
    left_out: &'a BTreeSet<u64>,
    /// Knows the services of the time before.
    earlier: Option<State>,
    state: State,
    recent: Recent,
    effects: Vec<Effect>,
    next_seq: u64,
    last_at: Option<Timestamp>,
    failed: Option<u64>,
}

impl<'a> Pass<'a> {
    fn new(left_out: &'a BTreeSet<u64>) -> Self {
        Self {
            left_out,
            earlier: None,
            state: State::new(),
            recent: Recent::default(),
            effects: Vec::new(),
            next_seq: 1,
            last_at: None,
            failed: None,
        }
    }

    /// Goes on from a checkpoint; where the journal is to be read from.
    fn resume(&mut self, saved: Saved) -> From {
        if let Some(site) = saved.state.site() {
            self.recent.site(site);
        }
        (self.next_seq, self.last_at) = (saved.next_seq, saved.last_at);
        self.state = saved.state;
        From::Position(self.next_seq)
    }

    fn input(&mut self, input: &Input) {
        // What is both on disk and in memory comes twice.
        if input.seq < self.next_seq {
            return;
        }
        self.next_seq = input.seq.saturating_add(1);
        self.last_at = self.last_at.max(Some(input.at));
        if self.failed.is_some() || self.left_out.contains(&input.seq) {
            return;
        }
        if let Event::Started { site } | Event::SiteChanged { site } = &input.event {
            self.recent.site(site);
        }
        self.effects.clear();
        if try_step(&mut self.state, input, &mut self.effects) {
            self.recent.note(&self.effects);
            if self.state.site().is_some()
                && let Some(mut earlier) = self.earlier.take()
            {
                // A probe that nobody put back came back by itself.
                earlier.wake(input.at, &mut self.effects);
                self.state.take_over_services(&earlier);
                self.state.take_over_diary(&earlier);
            }
        } else {
            self.failed = Some(input.seq);
        }
    }
}

/// One step; `false` where the program failed in it. The state is then worthless and the effects are
/// those of before.
pub(super) fn try_step(state: &mut State, input: &Input, effects: &mut Vec<Effect>) -> bool {
    let before = effects.len();
    let done = catch_unwind(AssertUnwindSafe(|| {
        #[cfg(test)]
        super::tests::fail_if_asked(input);
        state.step(input, effects);
    }))
    .is_ok();
    if !done {
        effects.truncate(before);
    }
    done
}

/// Fires due deadlines; `false` where the program failed in it.
pub(super) fn try_wake(state: &mut State, now: Timestamp, effects: &mut Vec<Effect>) -> bool {
    let before = effects.len();
    let done = catch_unwind(AssertUnwindSafe(|| state.wake(now, effects))).is_ok();
    if !done {
        effects.truncate(before);
    }
    done
}
