//! What is under way on one connection.

use std::collections::VecDeque;
use std::time::Duration;

use pondreeve_core::said::said;
use tokio::time::Instant;

use super::kept_back::KeptBack;
use super::link::Link;
use super::message::{Ready, Topics};
use super::pace::Pace;
use super::packets::Heard;
use super::patience::Confirmations;
use crate::config::farm::Encoding;
use crate::journal::outbox_record;
use crate::outbox::queue::Queue;
use crate::outbox::{Class, Waiting};

/// Messages sent but not yet confirmed. More than one, so that a distant broker's answer time does not
/// bound the rate; few, so that little is repeated after a break.
const WINDOW: usize = 40;

/// So many of them are kept free for alarms and calls.
const KEPT_FOR_URGENT: usize = 8;

/// Largest message sent, topic and payload: far above a summary of every quantity (about 10 KB), far below what brokers
/// refuse by default. A larger message would make the broker drop the connection, again and again.
const LARGEST_SENT_BYTES: usize = 128 * 1024;

/// Looked at again after so long at the latest, where a clock says that there is no end to a wait.
const LONG: Duration = Duration::from_secs(3_600);

/// What is on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Handed {
    Health,
    Message(Class, u64),
}

pub(super) struct Sending<'a> {
    link: Link,
    heard: Vec<Heard>,
    queue: &'a Queue,
    destination: usize,
    topics: &'a Topics,
    encoding: Encoding,
    /// Room that each message is made in.
    ready: Ready,
    /// The next message of each class to hand over has this number or a higher one.
    next: [u64; 2],
    /// On the wire or about to be, by packet identifier, in the order in which they went.
    unconfirmed: VecDeque<(u16, Instant, Handed)>,
    patience: &'a mut Confirmations,
    last_id: u16,
    /// Of the last confirmation, or of the first message after none was awaited.
    progress: Instant,
    pace: Pace,
    kept_back: KeptBack,
    /// A summary could go but for the pace, or for its share of the spread, until then.
    held_back_until: Option<Instant>,
    /// Of each class: whether this connection has brought a message through.
    through: [bool; 2],
    /// Of each class: why its next message cannot go over this connection, where it is too large for the broker.
    too_large: [Option<String>; 2],
}

impl<'a> Sending<'a> {
    pub(super) fn new(
        link: Link,
        (queue, destination): (&'a Queue, usize),
        topics: &'a Topics,
        encoding: Encoding,
        (per_second, kept_back, patience): (u32, KeptBack, &'a mut Confirmations),
    ) -> Self {
        queue.begin(destination);
        Self {
            link,
            heard: Vec::new(),
            queue,
            destination,
            topics,
            encoding,
            ready: Ready::default(),
            next: [0; 2],
            unconfirmed: VecDeque::new(),
            patience,
            last_id: 0,
            progress: Instant::now(),
            pace: Pace::new(per_second),
            kept_back,
            held_back_until: None,
            through: [false; 2],
            too_large: [None, None],
        }
    }

    /// Why some messages stay here though the broker confirms others.
    pub(super) fn kept_here(&self) -> Option<String> {
        self.too_large.iter().flatten().next().cloned()
    }

    pub(super) fn under_way(&self) -> usize {
        self.unconfirmed.len()
    }

    /// For how long nothing was confirmed though it was due, where that is too long.
    pub(super) fn overdue(&mut self) -> Option<Duration> {
        let since = self.progress.elapsed();
        let overdue = self.under_way() > 0 && since >= self.patience.within();
        if overdue {
            self.patience.missed();
        }
        overdue.then_some(since)
    }

    /// Since when a confirmation is awaited: now where none is.
    pub(super) fn awaits_since(&self) -> Instant {
        if self.under_way() > 0 { self.progress } else { Instant::now() }
    }

    /// When to look again though nothing happened: a summary may go, a confirmation is overdue, the link asks for it.
    pub(super) fn wakes_at(&self) -> Instant {
        let patience = (self.under_way() > 0).then(|| self.progress + self.patience.within());
        let wakes = [patience, self.held_back_until].into_iter().flatten();
        wakes.fold(self.link.wakes_at(), Instant::min)
    }

    /// Publishes the health text, retained.
    pub(super) fn health(&mut self, text: &'static str) -> Result<(), String> {
        self.ready.topic.clear();
        self.ready.topic.push_str(&self.topics.health());
        self.ready.payload.clear();
        self.ready.payload.extend_from_slice(text.as_bytes());
        self.publish(true, Handed::Health).map_or(Ok(()), Err)
    }

    /// Hands over messages until the window is full, alarms and calls first.
    ///
    /// # Errors
    /// Why this connection serves no longer.
    pub(super) fn fill(&mut self) -> Result<(), String> {
        let window = WINDOW.min(self.link.in_flight());
        let room = self.room(Class::Urgent, window);
        let urgent = self.queue.next_few(
            self.destination,
            Class::Urgent,
            self.next[Class::Urgent.index()],
            room,
            |_| true,
        );
        self.hand_over(Class::Urgent, urgent)?;
        // A broker that wants very few on their way has them all in turn.
        let room = self.room(Class::Summary, window.saturating_sub(KEPT_FOR_URGENT).max(1));
        let (pace, kept_back, mut held_back) = (&mut self.pace, &self.kept_back, None);
        let summaries = self.queue.next_few(
            self.destination,
            Class::Summary,
            self.next[Class::Summary.index()],
            room,
            |at| {
                if let Some(left) = kept_back.left(at) {
                    held_back = Some(left);
                } else if !pace.take() {
                    held_back = Some(pace.wait());
                }
                held_back.is_none()
            },
        );
        self.held_back_until = held_back.map(|left| Instant::now() + left.min(LONG));
        self.hand_over(Class::Summary, summaries)
    }

    /// So many more of a class may go now.
    fn room(&self, class: Class, window: usize) -> usize {
        let stay_here = self.too_large[class.index()].is_some();
        if stay_here { 0 } else { window.saturating_sub(self.under_way()) }
    }

    fn hand_over(&mut self, class: Class, messages: Vec<Waiting>) -> Result<(), String> {
        for waiting in messages {
            if self.too_large[class.index()].is_some() {
                break;
            }
            let number = waiting.number;
            let made = match outbox_record::outgoing(&waiting) {
                Some(outgoing) => self.topics.make(&outgoing, self.encoding, &mut self.ready),
                None => Err("it cannot be read".to_owned()),
            };
            let size = self.ready.payload.len() + self.ready.topic.len();
            let made = made.and_then(|()| match size {
                0..LARGEST_SENT_BYTES => Ok(()),
                _ => Err(format!("it has {size} bytes")),
            });
            self.next[class.index()] = number.saturating_add(1);
            if let Err(why) = made {
                tracing::error!("message {number} cannot be sent and is given up: {why}");
                self.queue.confirm(self.destination, class, number);
                continue;
            }
            // It waits for a broker that takes it, and what is behind it too; the other class goes on.
            self.too_large[class.index()] = self.publish(false, Handed::Message(class, number));
        }
        Ok(())
    }

    /// Sends what was made ready; why not, where the broker takes none as large.
    fn publish(&mut self, retain: bool, handed: Handed) -> Option<String> {
        let id = self.free_id();
        let Ready { topic, payload } = &self.ready;
        if let Err((size, largest)) = self.link.publish(id, topic, retain, payload) {
            let why = said!(
                "trouble-forward-too-large",
                "it takes packets of {most} bytes at most, and a message has {size}: ask who runs the broker",
                most = largest.to_string(),
                size = size.to_string()
            );
            return Some(why.into());
        }
        if self.under_way() == 0 {
            self.progress = Instant::now();
        }
        self.unconfirmed.push_back((id, Instant::now(), handed));
        None
    }

    /// An identifier that nothing on its way has; 0 is none.
    fn free_id(&mut self) -> u16 {
        loop {
            self.last_id = self.last_id.checked_add(1).unwrap_or(1);
            if self.unconfirmed.iter().all(|(id, ..)| *id != self.last_id) {
                return self.last_id;
            }
        }
    }

    /// Writes, and takes what the broker says; whether it has just been seen to work. One that confirms the health text, or
    /// alarms, and ends the connection at a summary does not: it would be fallen upon again and again, and its fault be
    /// told and taken back each time.
    ///
    /// # Errors
    /// Why the connection ended.
    pub(super) async fn exchange(&mut self) -> Result<bool, String> {
        self.heard.clear();
        self.link.exchange(&mut self.heard).await?;
        let (mut confirmed, before) = (Vec::with_capacity(self.heard.len()), self.unconfirmed.len());
        for heard in &self.heard {
            let Heard::Confirmed(packet) = heard else { continue };
            // Brokers confirm in order, nearly always the first.
            let Some(place) = self.unconfirmed.iter().position(|(id, ..)| id == packet) else { continue };
            let Some((_, handed_at, handed)) = self.unconfirmed.remove(place) else { continue };
            self.patience.came(handed_at.elapsed());
            if let Handed::Message(class, number) = handed {
                confirmed.push((class, number));
            }
        }
        let any = self.unconfirmed.len() < before;
        if any {
            self.progress = Instant::now();
        }
        confirmed.iter().for_each(|(class, _)| self.through[class.index()] = true);
        self.queue.confirm_all(self.destination, confirmed);
        let stuck = |class: Class| {
            let on_its_way = |(_, _, handed): &(u16, Instant, Handed)| matches!(handed, Handed::Message(own, _) if *own == class);
            !self.through[class.index()] && self.unconfirmed.iter().any(on_its_way)
        };
        Ok(any && !Class::ALL.into_iter().any(stuck))
    }

    /// Takes leave, so that the broker does not send the last will.
    pub(super) async fn leave(mut self) {
        self.link.leave();
        self.link.flush().await;
        self.link.close().await;
    }
}
