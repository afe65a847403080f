//! What probes, people and the gateway's own parts hand to the engine.

use pondreeve_core::Event;
use pondreeve_core::effect::Recorded;
use pondreeve_core::said::Said;
use tokio::sync::{mpsc, oneshot};

use crate::audit::Place;

/// Bound of the queue into the engine. At 20 ponds × 8 probes polled each second this is about six
/// seconds of a blocked disk; senders then wait, so polls slow down and MQTT is not acknowledged, and
/// nothing is dropped.
pub const INBOX_BOUND: usize = 1024;

/// One event on its way to the engine.
#[derive(Debug)]
pub struct Incoming {
    /// What happened. The engine stamps time and sequence number.
    pub event: Event,
    /// Answered when the event is on disk for good and has been stepped.
    pub done: Option<oneshot::Sender<Applied>>,
    /// Commit at once rather than within the durability window: set for what a person entered or
    /// acknowledged.
    pub urgent: bool,
    /// Where it comes from, for the audit trail.
    pub place: Place,
}

/// What became of an event.
#[derive(Debug, Clone, PartialEq)]
pub enum Applied {
    /// Durable and applied.
    Done,
    /// Durable, and in the diary as this.
    Recorded(Box<Recorded>),
    /// Durable, but the core refused it, with the reason.
    Refused(Said),
    /// Applied in memory, but the store could not keep it, with the reason.
    NotKept(String),
}

/// Sending side.
pub type Inbox = mpsc::Sender<Incoming>;
