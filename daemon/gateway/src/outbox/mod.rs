//! What goes on to other systems, from the step that brought it to the broker's confirmation.
//!
//! Each summary, alarm transition and call is numbered and written into the commit of the input that brought it, so
//! it is on disk exactly where what it reports is. One row of numbers serves all destinations; each destination has
//! two positions in it, one among summaries and one among alarms with calls, since alarms go first. Positions are
//! written with whatever is committed next: after a cut some messages go out again, with the numbers they had.
//!
//! The numbers of a new store begin with its time in milliseconds, so that no store ever gives a number that an
//! earlier one has given; from there on they have no gaps but those that thinning leaves.
//!
//! ```text
//! step ─▶ postbox: number ─▶ journal, same commit ─▶ queue ─▶ forward: one publisher for each destination
//!                                                     │  ▲           │ confirmed
//!                                                     │  └───────────┘
//!                                                     └─▶ thinning, when too much waits or waits too long
//! ```

use std::collections::BTreeMap;
use std::sync::Arc;

use pondreeve_core::effect::QuantitySummary;
use pondreeve_core::{Span, Timestamp};

use crate::commands::Taken;

pub(crate) mod postbox;
pub mod queue;
#[cfg(test)]
mod queue_tests;
pub(crate) mod thinning;
#[cfg(test)]
mod thinning_tests;

/// How urgent a message is. Within each, messages keep their order; the urgent ones go first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// Alarm transitions and calls.
    Urgent,
    /// Summaries.
    Summary,
}

impl Class {
    /// Both, the more urgent first.
    pub const ALL: [Self; 2] = [Self::Urgent, Self::Summary];

    pub(crate) const fn index(self) -> usize {
        match self {
            Self::Urgent => 0,
            Self::Summary => 1,
        }
    }
}

/// One message, numbered.
#[derive(Debug, Clone, PartialEq)]
pub struct Outgoing {
    /// Its number on this gateway.
    pub number: u64,
    /// Farm time of what it reports.
    pub at: Timestamp,
    /// What it says.
    pub body: Body,
}

/// What a message says.
#[derive(Debug, Clone, PartialEq)]
pub enum Body {
    /// A pond over an interval.
    Summary(PondSummary),
    /// An alarm transition, as the JSON object that is sent, but for its number.
    Alarm(String),
    /// A call of a person, likewise.
    Call(String),
}

impl Body {
    /// How urgent it is.
    pub const fn class(&self) -> Class {
        match self {
            Self::Summary(_) => Class::Summary,
            Self::Alarm(_) | Self::Call(_) => Class::Urgent,
        }
    }
}

/// One pond over one interval, or over several in a row.
#[derive(Debug, Clone, PartialEq)]
pub struct PondSummary {
    /// Id of the pond.
    pub pond: String,
    /// Start of the interval.
    pub from: Timestamp,
    /// End of the interval, exclusive.
    pub to: Timestamp,
    /// Statistics per quantity that had readings.
    pub quantities: Vec<QuantitySummary>,
    /// Alarms standing at the end, by priority: critical, high, medium.
    pub alarms_standing: [u16; 3],
    /// How many summaries it was made of: 1, or more where they were merged for want of room.
    pub merged: u32,
}

/// A message as it waits: encoded, since tens of thousands may.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiting {
    /// Its number.
    pub number: u64,
    /// How urgent it is.
    pub class: Class,
    /// Farm time of what it reports.
    pub at: Timestamp,
    /// The rest, as the journal keeps it.
    pub bytes: Arc<[u8]>,
}

/// How far a destination has confirmed, by class: every message up to these numbers.
pub type Position = [u64; 2];

impl Waiting {
    /// A message as it is to wait.
    pub fn of(outgoing: &Outgoing) -> Self {
        crate::journal::outbox_record::waiting(outgoing)
    }
}

/// Something that happened to what waits, as the journal keeps it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Change {
    /// A message came.
    Queued(Waiting),
    /// Messages made way, for one that takes their place or for none.
    Merged {
        /// Numbers of those that went; that of `kept` is among them.
        gone: Vec<u64>,
        /// What stands for them.
        kept: Option<Waiting>,
    },
    /// How far each destination has confirmed.
    Confirmed(BTreeMap<String, Position>),
    /// Nothing that goes out: a command that came in was answered.
    Commanded(Taken),
}

/// What the journal knew of the outbox when it was opened.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Kept {
    /// What waits, by number.
    pub waiting: BTreeMap<u64, Waiting>,
    /// How far each destination has confirmed.
    pub positions: BTreeMap<String, Position>,
    /// The last number given; 0 where none was.
    pub last: u64,
    /// The newest command of each person that was answered.
    pub commands: BTreeMap<String, Taken>,
}

impl Kept {
    /// Takes a change, as it came after what is known.
    pub fn take(&mut self, change: &Change) {
        match change {
            Change::Queued(waiting) => {
                self.last = self.last.max(waiting.number);
                self.waiting.insert(waiting.number, waiting.clone());
            }
            Change::Merged { gone, kept } => {
                for number in gone {
                    self.waiting.remove(number);
                }
                self.waiting.extend(kept.iter().map(|kept| (kept.number, kept.clone())));
            }
            Change::Confirmed(positions) => self.positions.clone_from(positions),
            Change::Commanded(taken) => {
                self.commands.insert(taken.person.clone(), taken.clone());
            }
        }
    }

    /// The number up to which every destination has confirmed, by class; 0 where there is no destination.
    pub fn confirmed_by_all(&self) -> Position {
        let least =
            |class: Class| self.positions.values().map(|position| position[class.index()]).min().unwrap_or(0);
        [least(Class::Urgent), least(Class::Summary)]
    }
}

/// How much may wait.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounds {
    /// Bytes, as the journal keeps them.
    pub most_bytes: usize,
    /// Summaries that wait for longer than this are merged to hours; for longer than twice this, to days.
    pub thin_after: Span,
}

impl Default for Bounds {
    /// A week of 20 ponds with 16 quantities each, summarised each 15 minutes, takes about 6 MB.
    fn default() -> Self {
        Self { most_bytes: 16_000_000, thin_after: Span::from_hours(14 * 24) }
    }
}
