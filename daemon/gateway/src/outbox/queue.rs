//! What waits, in memory, for all destinations together. The engine puts in what is on disk; publishers take out.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use pondreeve_core::Timestamp;
use tokio::sync::Notify;

#[cfg(test)]
use super::Outgoing;
use super::{Change, Class, Kept, Position, Waiting};
#[cfg(test)]
use crate::journal::outbox_record;

/// How it stands with one destination.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// Its id.
    pub id: String,
    /// Messages it has not confirmed.
    pub waiting: u64,
    /// Messages it has confirmed since the start.
    pub confirmed: u64,
    /// Whether it is connected now.
    pub connected: bool,
    /// Farm time of the oldest message it has not confirmed.
    pub oldest_at: Option<Timestamp>,
}

/// Shared by the engine and the publishers; clones are the same queue.
#[derive(Debug, Clone)]
pub struct Queue(Arc<Shared>);

#[derive(Debug)]
struct Shared {
    inner: Mutex<Inner>,
    /// One for each destination: woken when something was put in.
    filled: Vec<Notify>,
}

#[derive(Debug, Default)]
struct Inner {
    waiting: [BTreeMap<u64, Waiting>; 2],
    bytes: usize,
    last: u64,
    destinations: Vec<Destination>,
    /// Positions changed since they were last written.
    moved: bool,
    /// Messages that made way, or were merged into others, since the start.
    thinned: u64,
}

#[derive(Debug, Default)]
struct Destination {
    id: String,
    /// Everything up to these is confirmed.
    position: Position,
    /// Confirmed beyond, out of order.
    beyond: [BTreeSet<u64>; 2],
    /// The last that was handed to the present connection.
    handed: Position,
    connected: bool,
    confirmed: u64,
}

impl Queue {
    /// A queue for these destinations, with what the journal kept. A destination that is new gets what waits.
    pub fn new<'a>(destinations: impl IntoIterator<Item = &'a str>, kept: Kept) -> Self {
        let known = kept.positions.keys().cloned().collect::<BTreeSet<_>>();
        let destinations: Vec<Destination> = destinations
            .into_iter()
            .map(|id| {
                let position = kept.positions.get(id).copied().unwrap_or_default();
                Destination { id: id.to_owned(), position, handed: position, ..Destination::default() }
            })
            .collect();
        let moved = known != destinations.iter().map(|own| own.id.clone()).collect();
        let filled = destinations.iter().map(|_| Notify::new()).collect();
        let mut inner = Inner { destinations, moved, last: kept.last, ..Inner::default() };
        for waiting in kept.waiting.into_values() {
            inner.put(waiting);
        }
        inner.prune();
        Self(Arc::new(Shared { inner: Mutex::new(inner), filled }))
    }

    /// The last number that was given; 0 where none was.
    pub fn last(&self) -> u64 {
        self.lock().last
    }

    /// Takes changes that are on disk, or cannot be and must be told all the same.
    pub fn take(&self, changes: impl IntoIterator<Item = Change>) {
        let mut inner = self.lock();
        for change in changes {
            match change {
                Change::Queued(waiting) => inner.put(waiting),
                Change::Merged { gone, kept } => {
                    inner.thinned += gone.len() as u64 - u64::from(kept.is_some());
                    gone.iter().for_each(|number| inner.remove(*number));
                    kept.into_iter().for_each(|kept| inner.put(kept));
                }
                Change::Confirmed(_) | Change::Commanded(_) => {}
            }
        }
        drop(inner);
        self.0.filled.iter().for_each(Notify::notify_one);
    }

    /// The positions, where they changed since they were last asked for.
    pub fn take_moved(&self) -> Option<Change> {
        let mut inner = self.lock();
        if !std::mem::take(&mut inner.moved) {
            return None;
        }
        let positions = inner.destinations.iter().map(|own| (own.id.clone(), own.position));
        Some(Change::Confirmed(positions.collect()))
    }

    /// How many messages wait to be confirmed, over all destinations.
    pub fn waits(&self) -> u64 {
        self.standing().iter().map(|own| own.waiting).sum()
    }

    /// Bytes that wait.
    pub fn bytes(&self) -> usize {
        self.lock().bytes
    }

    /// Messages that made way or were merged since the start.
    pub fn thinned(&self) -> u64 {
        self.lock().thinned
    }

    /// How it stands with each destination, in the order of the configuration.
    pub fn standing(&self) -> Vec<Standing> {
        let inner = self.lock();
        inner.destinations.iter().map(|own| inner.standing(own)).collect()
    }

    /// Up to which number each destination has confirmed a class.
    pub(super) fn positions(&self, class: Class) -> Vec<u64> {
        self.lock().destinations.iter().map(|own| own.position[class.index()]).collect()
    }

    /// What waits of a class and is not on its way to any destination, nor with one that has confirmed it before those
    /// ahead of it, oldest first.
    pub(super) fn untouched(&self, class: Class) -> Vec<Waiting> {
        let inner = self.lock();
        let index = class.index();
        let in_flight = |number: u64| {
            inner.destinations.iter().any(|own| {
                own.position[index] < number && number <= own.handed[index]
                    || own.beyond[index].contains(&number)
            })
        };
        let waiting = inner.waiting[index].values();
        waiting.filter(|waiting| !in_flight(waiting.number)).cloned().collect()
    }

    /// Everything that waits for a destination, decoded, in the order of the numbers.
    #[cfg(test)]
    pub(crate) fn all(&self, destination: usize) -> Vec<Outgoing> {
        let inner = self.lock();
        let own = &inner.destinations[destination];
        let mut all: Vec<Outgoing> = Class::ALL
            .into_iter()
            .flat_map(|class| inner.of(own, class, 0).filter_map(outbox_record::outgoing).collect::<Vec<_>>())
            .collect();
        all.sort_by_key(|outgoing| outgoing.number);
        all
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // Nothing in here can be left half done by a panic.
        self.0.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What a publisher does; its destination is an index in the order of the configuration.
impl Queue {
    /// Messages of a class numbered `from` or higher that the destination has not confirmed, in order, `most` of them at
    /// most and as long as `may` lets one through by its farm time. They count as on their way.
    pub(crate) fn next_few(
        &self,
        destination: usize,
        class: Class,
        from: u64,
        most: usize,
        mut may: impl FnMut(Timestamp) -> bool,
    ) -> Vec<Waiting> {
        let mut inner = self.lock();
        let Some(own) = inner.destinations.get(destination) else { return Vec::new() };
        let waiting = inner.of(own, class, from).take(most).take_while(|waiting| may(waiting.at));
        let next: Vec<Waiting> = waiting.cloned().collect();
        if let (Some(own), Some(last)) = (inner.destinations.get_mut(destination), next.last()) {
            let handed = &mut own.handed[class.index()];
            *handed = last.number.max(*handed);
        }
        next
    }

    /// The number of the first of them, which counts as on its way.
    #[cfg(test)]
    pub(crate) fn next(&self, destination: usize, class: Class, from: u64) -> Option<u64> {
        self.next_few(destination, class, from, 1, |_| true).first().map(|waiting| waiting.number)
    }

    /// Farm time of the first that [`Queue::next_few`] would give.
    #[cfg(test)]
    pub(crate) fn next_at(&self, destination: usize, class: Class, from: u64) -> Option<Timestamp> {
        let inner = self.lock();
        let own = inner.destinations.get(destination)?;
        inner.of(own, class, from).next().map(|waiting| waiting.at)
    }

    /// A connection begins: nothing was handed to it yet.
    pub(crate) fn begin(&self, destination: usize) {
        if let Some(own) = self.lock().destinations.get_mut(destination) {
            own.handed = own.position;
        }
    }

    /// The destination has confirmed a message.
    pub(crate) fn confirm(&self, destination: usize, class: Class, number: u64) {
        self.confirm_all(destination, [(class, number)]);
    }

    /// The destination has confirmed messages.
    pub(crate) fn confirm_all(&self, destination: usize, confirmed: impl IntoIterator<Item = (Class, u64)>) {
        let mut inner = self.lock();
        for (class, number) in confirmed {
            inner.confirm(destination, class, number);
        }
        inner.prune();
    }

    /// It is connected, or is not any more.
    pub(crate) fn connected(&self, destination: usize, connected: bool) {
        if let Some(own) = self.lock().destinations.get_mut(destination) {
            own.connected = connected;
        }
    }

    /// Waits until something was put in since the last wait.
    pub(crate) async fn filled(&self, destination: usize) {
        match self.0.filled.get(destination) {
            Some(filled) => filled.notified().await,
            None => std::future::pending().await,
        }
    }
}

impl Inner {
    fn put(&mut self, waiting: Waiting) {
        self.last = self.last.max(waiting.number);
        self.bytes += waiting.bytes.len();
        let before = self.waiting[waiting.class.index()].insert(waiting.number, waiting);
        self.bytes -= before.map_or(0, |before| before.bytes.len());
    }

    fn remove(&mut self, number: u64) {
        for waiting in &mut self.waiting {
            self.bytes -= waiting.remove(&number).map_or(0, |gone| gone.bytes.len());
        }
        for beyond in self.destinations.iter_mut().flat_map(|own| &mut own.beyond) {
            beyond.remove(&number);
        }
    }

    /// What a destination has not confirmed, from a number on.
    fn of<'a>(
        &'a self,
        own: &'a Destination,
        class: Class,
        from: u64,
    ) -> impl Iterator<Item = &'a Waiting> + 'a {
        let from = from.max(own.position[class.index()].saturating_add(1));
        let beyond = &own.beyond[class.index()];
        let waiting = self.waiting[class.index()].range(from..).map(|(_, waiting)| waiting);
        waiting.filter(|waiting| !beyond.contains(&waiting.number))
    }

    fn standing(&self, own: &Destination) -> Standing {
        let waiting = |class: Class| self.of(own, class, 0).count() as u64;
        let oldest = Class::ALL.into_iter().filter_map(|class| self.of(own, class, 0).next());
        Standing {
            id: own.id.clone(),
            waiting: Class::ALL.into_iter().map(waiting).sum(),
            confirmed: own.confirmed,
            connected: own.connected,
            oldest_at: oldest.map(|waiting| waiting.at).min(),
        }
    }

    fn confirm(&mut self, destination: usize, class: Class, number: u64) {
        let Some(own) = self.destinations.get_mut(destination) else { return };
        let class = class.index();
        if number <= own.position[class] || !self.waiting[class].contains_key(&number) {
            return;
        }
        if own.beyond[class].insert(number) {
            own.confirmed += 1;
        }
        let mut waiting = self.waiting[class].range(own.position[class].saturating_add(1)..);
        while let Some((next, _)) = waiting.next().filter(|(next, _)| own.beyond[class].contains(next)) {
            own.beyond[class].remove(next);
            own.position[class] = *next;
            self.moved = true;
        }
    }

    /// Forgets what every destination has confirmed.
    fn prune(&mut self) {
        for class in Class::ALL.map(Class::index) {
            let Some(all) = self.destinations.iter().map(|own| own.position[class]).min() else { return };
            while let Some(oldest) = self.waiting[class].first_entry().filter(|oldest| *oldest.key() <= all) {
                self.bytes -= oldest.remove().bytes.len();
            }
        }
    }
}
