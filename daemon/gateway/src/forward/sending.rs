//! What is under way on one connection.

use std::collections::{HashMap, VecDeque};
use std::time::Duration;

use bytes::Bytes;
use tokio::time::Instant;

use super::client::{Heard, LARGEST_SENT_BYTES, Sender};
use super::kept_back::KeptBack;
use super::message::Topics;
use super::pace::Pace;
use crate::config::farm::Encoding;
use crate::outbox::Class;
use crate::outbox::queue::Queue;

/// Messages sent but not yet confirmed. More than one, so that a distant broker's answer time does not
/// bound the rate; few, so that little is repeated after a break.
const WINDOW: usize = 40;

/// So many of them are kept free for alarms and calls.
const KEPT_FOR_URGENT: usize = 8;

/// Requests the client may hold: the window, health twice, and room for a disconnect.
pub(super) const REQUESTS_BOUND: usize = WINDOW + 4;

/// A broker that answers pings but confirms nothing for this long is left and tried anew.
pub(super) const CONFIRM_WITHIN: Duration = Duration::from_secs(60);

/// Fixed header, topic length and packet identifier of a publish packet, MQTT 3.1.1 section 3.3, with room for the
/// properties of MQTT 5.
const PACKET_OVERHEAD_BYTES: usize = 16;

/// What was handed to the client.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Handed {
    Health,
    Message(Class, u64),
}

pub(super) struct Sending<'a> {
    pub(super) sender: Sender,
    queue: &'a Queue,
    destination: usize,
    topics: &'a Topics,
    encoding: Encoding,
    /// The next message of each class to hand over has this number or a higher one.
    next: [u64; 2],
    /// Handed to the client, not yet on the wire, in order.
    handed: VecDeque<Handed>,
    /// On the wire, by packet identifier.
    unconfirmed: HashMap<u16, Handed>,
    /// Of the last confirmation, or of the first message after none was awaited.
    progress: Instant,
    pace: Pace,
    kept_back: KeptBack,
    /// A summary could go but for the pace, or for its share of the spread: for so long.
    held_back: Option<Duration>,
}

impl<'a> Sending<'a> {
    pub(super) fn new(
        sender: Sender,
        (queue, destination): (&'a Queue, usize),
        topics: &'a Topics,
        encoding: Encoding,
        (per_second, kept_back): (u32, KeptBack),
    ) -> Self {
        queue.begin(destination);
        Self {
            sender,
            queue,
            destination,
            topics,
            encoding,
            next: [0; 2],
            handed: VecDeque::new(),
            unconfirmed: HashMap::new(),
            progress: Instant::now(),
            pace: Pace::new(per_second),
            kept_back,
            held_back: None,
        }
    }

    pub(super) fn under_way(&self) -> usize {
        self.handed.len() + self.unconfirmed.len()
    }

    /// How long to wait for a confirmation from now on: without end where none is due.
    pub(super) fn patience(&self) -> Duration {
        if self.under_way() == 0 {
            Duration::MAX
        } else {
            CONFIRM_WITHIN.saturating_sub(self.progress.elapsed())
        }
    }

    /// How long until the next summary may go; without end where none is held back.
    pub(super) fn pause(&self) -> Duration {
        self.held_back.unwrap_or(Duration::MAX)
    }

    /// Publishes the health text, retained.
    pub(super) fn health(&mut self, text: &'static str) -> bool {
        let taken = self.sender.publish(&self.topics.health(), true, Bytes::from_static(text.as_bytes()));
        if taken {
            self.note(Handed::Health);
        }
        taken
    }

    /// Hands over messages until the window is full, alarms and calls first.
    pub(super) fn fill(&mut self) {
        self.held_back = None;
        while self.under_way() < WINDOW && self.hand_over(Class::Urgent) {}
        while self.under_way() < WINDOW - KEPT_FOR_URGENT {
            let next = self.next[Class::Summary.index()];
            let Some(at) = self.queue.next_at(self.destination, Class::Summary, next) else { return };
            if let Some(left) = self.kept_back.left(at) {
                self.held_back = Some(left);
                return;
            }
            if !self.pace.take() {
                self.held_back = Some(self.pace.wait());
                return;
            }
            if !self.hand_over(Class::Summary) {
                return;
            }
        }
    }

    /// Whether one was handed over.
    fn hand_over(&mut self, class: Class) -> bool {
        let next = self.next[class.index()];
        let Some(outgoing) = self.queue.next(self.destination, class, next) else { return false };
        let number = outgoing.number;
        let ready = match self.topics.ready(&outgoing, self.encoding) {
            Ok(ready)
                if ready.payload.len() + ready.topic.len() + PACKET_OVERHEAD_BYTES <= LARGEST_SENT_BYTES =>
            {
                ready
            }
            unfit => {
                let why =
                    unfit.map_or_else(|error| error, |ready| format!("it has {} bytes", ready.payload.len()));
                tracing::error!("message {number} cannot be sent and is given up: {why}");
                self.queue.confirm(self.destination, class, number);
                self.next[class.index()] = number.saturating_add(1);
                return true;
            }
        };
        if !self.sender.publish(&ready.topic, false, ready.payload) {
            // Full or closed: the next event tells which.
            return false;
        }
        self.next[class.index()] = number.saturating_add(1);
        self.note(Handed::Message(class, number));
        true
    }

    fn note(&mut self, handed: Handed) {
        if self.under_way() == 0 {
            self.progress = Instant::now();
        }
        self.handed.push_back(handed);
    }

    /// Takes one event; whether it confirmed something.
    pub(super) fn take(&mut self, heard: &Heard) -> bool {
        match heard {
            Heard::Sent(packet) => {
                if let Some(handed) = self.handed.pop_front() {
                    self.unconfirmed.insert(*packet, handed);
                }
                false
            }
            Heard::Confirmed(packet) => {
                self.progress = Instant::now();
                match self.unconfirmed.remove(packet) {
                    Some(Handed::Message(class, number)) => {
                        self.queue.confirm(self.destination, class, number);
                        true
                    }
                    Some(Handed::Health) => true,
                    None => false,
                }
            }
            Heard::Welcome | Heard::Left | Heard::Other => false,
        }
    }
}
