//! Who is called while an alarm waits for somebody, and when: the plan, and one chain of calls per alarm.
//!
//! A chain begins when an alarm becomes unacknowledged and runs until it is acknowledged; an
//! acknowledged alarm that is announced again begins anew with the first step. That it returned to normal
//! by itself does not end it: nobody has said yet that they know. Alarms that are due for the same
//! step at the same time share one call. The core only says whom to call; the shell does it and
//! reports what came of it.

use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;

use crate::effect::{AlarmState, Priority};
use crate::site::PondIndex;
use crate::time::{Span, Timestamp};

/// The same people are not called again within this time: alarms that come in a burst wait for the next
/// call, which tells of all of them. (Common practice, no source.)
pub const CALL_GAP: Span = Span::from_minutes(1);

/// Unacknowledged for so long, an alarm about oxygen says to start whatever is left to start.
/// (Common practice, no source.)
pub const START_ALL_AFTER: Span = Span::from_minutes(3);

/// Calls that nobody has reported on yet; more are not remembered.
const MOST_OPEN: usize = 32;

/// Whom to call, in order. Without steps nobody is called.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct CallPlan {
    /// The steps; `after` ascends.
    pub steps: Vec<CallStep>,
    /// The last step is repeated this often; `None` for never.
    pub repeat_every: Option<Span>,
    /// The mildest priority that is called for.
    pub mildest: Option<Priority>,
}

/// One step of the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct CallStep {
    /// Short id, such as `on-shift`.
    pub id: String,
    /// Who that is, for people.
    pub name: String,
    /// So long after the alarm became unacknowledged.
    pub after: Span,
}

impl CallPlan {
    /// The usual steps: the technician on shift at once, a second person after 3 minutes, the adviser or
    /// manager after 8, all after 15 and each 10 minutes from then on. (Common practice, no source.)
    pub fn usual() -> Self {
        let steps = [
            ("on-shift", "technician on shift", 0),
            ("second-person", "second person", 3),
            ("adviser", "adviser or manager", 8),
            ("all", "everybody", 15),
        ];
        Self {
            steps: steps
                .map(|(id, name, minutes)| CallStep {
                    id: id.into(),
                    name: name.into(),
                    after: Span::from_minutes(minutes),
                })
                .into(),
            repeat_every: Some(Span::from_minutes(10)),
            mildest: Some(Priority::Critical),
        }
    }

    /// Whether an alarm of this priority is called for.
    pub fn is_for(&self, priority: Priority) -> bool {
        priority <= self.mildest.unwrap_or(Priority::Critical)
    }
}

/// Somebody is to be called.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Call {
    /// When: the deadline.
    pub at: Timestamp,
    /// Which step of the plan.
    pub step: String,
    /// Who that is, for people.
    pub name: String,
    /// How often this step was called before for the first of the alarms.
    pub before: u32,
    /// What for, most urgent first.
    pub alarms: Vec<CalledFor>,
}

/// An alarm as a call tells it.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct CalledFor {
    /// Its id.
    pub id: String,
    /// The pond, if it is about one.
    pub pond: Option<PondIndex>,
    /// Its name.
    pub name: String,
    /// How urgent.
    pub priority: Priority,
    /// Its state.
    pub state: AlarmState,
    /// When this occurrence was raised.
    pub raised_at: Timestamp,
    /// One line, with what to do.
    pub message: String,
}

/// What came of something that the shell carried out.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Outcome {
    /// It worked.
    Done,
    /// It was left out on purpose; why.
    LeftOut(String),
    /// It failed, after all attempts; why.
    Failed(String),
}

/// Something the shell has carried out, or could not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Carried {
    /// The horn's test of the day.
    HornTest,
    /// A call.
    Call {
        /// The step.
        step: String,
        /// [`Call::at`] of the call.
        asked_at: Timestamp,
    },
}

/// The newest test of the horn.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct HornTest {
    /// When.
    pub at: Timestamp,
    /// What came of it.
    pub outcome: Outcome,
}

/// One step as it was called for one alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Called {
    /// The step.
    pub step: String,
    /// When it was called last.
    pub at: Timestamp,
    /// How often.
    pub times: u32,
    /// What came of the last call; `None` while that is not known.
    pub outcome: Option<Outcome>,
}

/// The calls for one occurrence of one alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Chain {
    /// The alarm's id.
    pub alarm: String,
    /// Since when nobody has acknowledged; `None` once somebody has.
    since: Option<Timestamp>,
    /// Position of the step that is next; past the end, the last one is repeated.
    next: usize,
    /// Who was called so far, in the order of the first call.
    pub called: Vec<Called>,
}

/// How an alarm stands, for its chain.
#[derive(Debug, Clone, Copy)]
pub struct Standing<'a> {
    /// Its id.
    pub id: &'a str,
    /// Its priority.
    pub priority: Priority,
    /// Its state.
    pub state: AlarmState,
    /// Somebody has acknowledged a graver alarm of the same condition.
    pub is_known: bool,
}

/// All chains.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Calls {
    chains: Vec<Chain>,
    /// When each step was called last, for whatever alarm.
    last: BTreeMap<String, Timestamp>,
    /// Calls that the shell has not reported on.
    open: Vec<Call>,
}

impl Calls {
    /// The chain of an alarm, if anybody was or will be called for it.
    pub fn chain(&self, alarm: &str) -> Option<&Chain> {
        self.chains.iter().find(|chain| chain.alarm == alarm)
    }

    /// Calls that the shell has not reported on, oldest first.
    pub fn open(&self) -> &[Call] {
        &self.open
    }

    /// Begins, holds and ends chains by how every alarm stands now. A chain begins now, also for an alarm that is
    /// older than the plan: nobody is called for the time in which there was none.
    pub fn follow<'a>(
        &mut self,
        plan: &CallPlan,
        now: Timestamp,
        alarms: impl Iterator<Item = Standing<'a>>,
    ) {
        let mut before = core::mem::take(&mut self.chains);
        if plan.steps.is_empty() {
            self.open.clear();
            return;
        }
        for alarm in alarms.filter(|alarm| alarm.state != AlarmState::Normal && plan.is_for(alarm.priority)) {
            let known = before.iter().position(|chain| chain.alarm == alarm.id);
            let begins = alarm.state == AlarmState::Unacknowledged && !alarm.is_known;
            let mut chain = match known {
                Some(place) => before.swap_remove(place),
                None if begins => Chain { alarm: alarm.id.into(), since: None, next: 0, called: Vec::new() },
                None => continue,
            };
            if begins {
                if chain.since.is_none() {
                    (chain.since, chain.next) = (Some(now), 0);
                }
            } else if alarm.is_known || !alarm.state.awaits_acknowledgement() {
                // A shelved or suppressed alarm asks nobody.
                chain.since = None;
            }
            self.chains.push(chain);
        }
        let chains = &self.chains;
        let waits = |id: &str| chains.iter().any(|chain| chain.alarm == id && chain.since.is_some());
        self.open.retain(|call| call.alarms.iter().any(|alarm| waits(&alarm.id)));
    }

    /// Time has leapt: who is next is called as long after the one before as the plan says, and not all at once.
    pub(crate) fn shift(&mut self, by: Span) {
        for chain in &mut self.chains {
            chain.since = chain.since.map(|since| since + by);
        }
    }

    /// The step of a chain that is next, and when.
    pub fn next(&self, plan: &CallPlan, chain: &Chain) -> Option<(usize, Timestamp)> {
        let since = chain.since?;
        let last = plan.steps.len().checked_sub(1)?;
        let place = chain.next.min(last);
        let step = plan.steps.get(place)?;
        let due = match chain.called.iter().find(|called| called.step == step.id) {
            Some(called) if chain.next > last => called.at + plan.repeat_every?.max(CALL_GAP),
            _ => since + step.after,
        };
        let free = self.last.get(&step.id).map(|&last| last + CALL_GAP);
        Some((place, free.map_or(due, |free| due.max(free))))
    }

    /// When the next call is due.
    pub fn deadline(&self, plan: &CallPlan) -> Option<Timestamp> {
        self.chains.iter().filter_map(|chain| Some(self.next(plan, chain)?.1)).min()
    }

    /// The step that is due at `now` and the alarms to call for, taken as called. Ask again until there is
    /// none.
    pub fn take_due(&mut self, plan: &CallPlan, now: Timestamp) -> Option<(CallStep, Vec<(String, u32)>)> {
        let dues: Vec<Option<usize>> = self
            .chains
            .iter()
            .map(|chain| self.next(plan, chain).filter(|&(_, due)| due <= now).map(|(place, _)| place))
            .collect();
        let place = dues.iter().flatten().min().copied()?;
        let whole = plan.steps.get(place)?.clone();
        let step = whole.id.clone();
        let mut alarms = Vec::new();
        for (chain, due) in self.chains.iter_mut().zip(dues) {
            if due != Some(place) {
                continue;
            }
            chain.next = place.saturating_add(1).max(chain.next);
            let before = match chain.called.iter_mut().find(|called| called.step == step) {
                Some(called) => {
                    let before = called.times;
                    (called.at, called.times, called.outcome) = (now, before.saturating_add(1), None);
                    before
                }
                None => {
                    chain.called.push(Called { step: step.clone(), at: now, times: 1, outcome: None });
                    0
                }
            };
            alarms.push((chain.alarm.clone(), before));
        }
        self.last.retain(|id, _| plan.steps.iter().any(|step| step.id == *id));
        self.last.insert(step, now);
        Some((whole, alarms))
    }

    /// A call goes to the shell.
    pub fn hand_over(&mut self, call: Call) {
        if self.open.len() >= MOST_OPEN {
            self.open.remove(0);
        }
        self.open.push(call);
    }

    /// The shell reports on a call.
    pub fn carried(&mut self, step: &str, asked_at: Timestamp, outcome: &Outcome) {
        self.open.retain(|call| call.step != step || call.at != asked_at);
        let called = self.chains.iter_mut().flat_map(|chain| &mut chain.called);
        for called in called.filter(|called| called.step == step && called.at == asked_at) {
            called.outcome = Some(outcome.clone());
        }
    }
}
