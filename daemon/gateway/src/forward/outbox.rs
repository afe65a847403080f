//! What one destination has yet to confirm.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use pondreeve_core::Timestamp;
use tokio::sync::Notify;

use super::message::Message;
use super::{Standing, Waiting};

/// A bounded queue that forgets a message only when it is confirmed, or when there is no room.
#[derive(Debug)]
pub(super) struct Outbox {
    destination: String,
    bound: usize,
    inner: Mutex<Inner>,
    /// Woken when something was put in.
    filled: Notify,
    connected: AtomicBool,
    waiting: Waiting,
}

#[derive(Debug, Default)]
struct Inner {
    /// In the order in which they were put in, with their numbers.
    queue: VecDeque<(u64, Arc<Message>)>,
    next: u64,
    dropped: u64,
    confirmed: u64,
}

impl Outbox {
    pub(super) fn new(destination: &str, bound: usize, waiting: Waiting) -> Self {
        Self {
            destination: destination.to_owned(),
            bound,
            inner: Mutex::default(),
            filled: Notify::new(),
            connected: AtomicBool::new(false),
            waiting,
        }
    }

    /// Puts a message in. If there is no room the oldest summary makes way, or else the oldest message.
    pub(super) fn push(&self, message: Arc<Message>) {
        let mut inner = self.lock();
        if inner.queue.len() >= self.bound {
            let oldest = inner.queue.iter().position(|(_, message)| message.may_be_dropped).unwrap_or(0);
            if inner.queue.remove(oldest).is_some() {
                inner.dropped += 1;
                self.waiting.remove();
            }
        }
        let number = inner.next;
        inner.next += 1;
        inner.queue.push_back((number, message));
        drop(inner);
        self.waiting.add();
        self.filled.notify_one();
    }

    /// The first message numbered `from` or higher.
    pub(super) fn first_from(&self, from: u64) -> Option<(u64, Arc<Message>)> {
        let inner = self.lock();
        let index = inner.queue.partition_point(|(number, _)| *number < from);
        inner.queue.get(index).cloned()
    }

    /// Forgets a confirmed message.
    pub(super) fn confirm(&self, number: u64) {
        let mut inner = self.lock();
        let index = inner.queue.partition_point(|(other, _)| *other < number);
        if inner.queue.get(index).is_some_and(|(found, _)| *found == number) {
            inner.queue.remove(index);
            inner.confirmed += 1;
            self.waiting.remove();
        }
    }

    /// Farm time of the oldest message that waits.
    pub(super) fn oldest_at(&self) -> Option<Timestamp> {
        self.lock().queue.iter().map(|(_, message)| message.at).min()
    }

    /// How many were dropped unconfirmed since the start.
    pub(super) fn dropped(&self) -> u64 {
        self.lock().dropped
    }

    /// The destination is connected, or is not any more.
    pub(super) fn connected(&self, connected: bool) {
        self.connected.store(connected, Ordering::Relaxed);
    }

    /// How it stands with the destination.
    pub(super) fn standing(&self) -> Standing {
        let inner = self.lock();
        Standing {
            id: self.destination.clone(),
            waiting: inner.queue.len() as u64,
            confirmed: inner.confirmed,
            dropped: inner.dropped,
            connected: self.connected.load(Ordering::Relaxed),
        }
    }

    /// Waits until something was put in since the last wait.
    pub(super) async fn filled(&self) {
        self.filled.notified().await;
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // Nothing in here can be left half done by a panic.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(topic: &str, may_be_dropped: bool) -> Arc<Message> {
        Arc::new(Message { topic: topic.to_owned(), payload: "x".into(), at: Timestamp(0), may_be_dropped })
    }

    fn topics(outbox: &Outbox) -> Vec<String> {
        let mut topics = Vec::new();
        let mut from = 0;
        while let Some((number, message)) = outbox.first_from(from) {
            topics.push(message.topic.clone());
            from = number + 1;
        }
        topics
    }

    #[test]
    fn confirmed_messages_leave_in_any_order() {
        let waiting = Waiting::default();
        let outbox = Outbox::new("office", 10, waiting.clone());
        for topic in ["a", "b", "c"] {
            outbox.push(message(topic, true));
        }
        outbox.confirm(1);
        outbox.confirm(1);
        assert_eq!(topics(&outbox), ["a", "c"]);
        outbox.confirm(0);
        outbox.confirm(2);
        assert_eq!((topics(&outbox), waiting.get()), (Vec::new(), 0));
    }

    #[test]
    fn a_summary_makes_way_before_an_alarm_and_the_loss_is_counted() {
        let waiting = Waiting::default();
        let outbox = Outbox::new("office", 2, waiting.clone());
        outbox.push(message("alarm 1", false));
        outbox.push(message("summary 1", true));
        outbox.push(message("alarm 2", false));
        assert_eq!(
            (topics(&outbox), outbox.dropped()),
            (vec!["alarm 1".to_owned(), "alarm 2".to_owned()], 1)
        );
        outbox.push(message("alarm 3", false));
        assert_eq!(
            (topics(&outbox), outbox.dropped()),
            (vec!["alarm 2".to_owned(), "alarm 3".to_owned()], 2)
        );
        assert_eq!(waiting.get(), 2);
    }
}
