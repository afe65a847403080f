//! What the fleet has done so far, and what it did lately.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Shared by all gateways.
#[derive(Debug)]
pub(super) struct Tally {
    gateways: Vec<Standing>,
    inner: Mutex<Inner>,
}

#[derive(Debug, Default)]
struct Standing {
    confirmed: AtomicU64,
    /// Messages that are due and not confirmed.
    waiting: AtomicU64,
    under_way: AtomicU64,
    connected: AtomicU64,
}

#[derive(Debug)]
struct Inner {
    since: Instant,
    lately: Vec<f32>,
    all: Vec<f32>,
    sent: u64,
    lost_connections: u64,
    last_error: String,
}

impl Tally {
    pub(super) fn new(confirmed: &[u64]) -> Self {
        let standing = |confirmed: &u64| Standing { confirmed: (*confirmed).into(), ..Standing::default() };
        let inner = Inner {
            since: Instant::now(),
            lately: Vec::new(),
            all: Vec::new(),
            sent: 0,
            lost_connections: 0,
            last_error: String::new(),
        };
        Self { gateways: confirmed.iter().map(standing).collect(), inner: Mutex::new(inner) }
    }

    pub(super) fn confirmed(&self) -> Vec<u64> {
        self.gateways.iter().map(|own| own.confirmed.load(Ordering::Relaxed)).collect()
    }

    pub(super) fn stands(&self, gateway: usize, confirmed: u64, due: u64, under_way: usize) {
        let Some(own) = self.gateways.get(gateway) else { return };
        own.confirmed.store(confirmed, Ordering::Relaxed);
        own.waiting.store(due.saturating_sub(confirmed), Ordering::Relaxed);
        own.under_way.store(under_way as u64, Ordering::Relaxed);
    }

    pub(super) fn connected(&self, gateway: usize, is_connected: bool) {
        if let Some(own) = self.gateways.get(gateway) {
            own.connected.store(u64::from(is_connected), Ordering::Relaxed);
        }
    }

    pub(super) fn sent(&self) {
        self.lock().sent += 1;
    }

    pub(super) fn answered_after(&self, took: Duration) {
        self.lock().lately.push(took.as_secs_f32());
    }

    pub(super) fn lost(&self, why: String) {
        let mut inner = self.lock();
        inner.lost_connections += 1;
        inner.last_error = why;
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn sum(&self, of: impl Fn(&Standing) -> &AtomicU64) -> u64 {
        self.gateways.iter().map(|own| of(own).load(Ordering::Relaxed)).sum()
    }

    /// A line about the time since the last one.
    pub(super) fn lately(&self, gateways: u32) -> String {
        let (connected, under_way) = (self.sum(|own| &own.connected), self.sum(|own| &own.under_way));
        let waiting = self.sum(|own| &own.waiting);
        let mut inner = self.lock();
        let elapsed = inner.since.elapsed().as_secs_f64();
        inner.since = Instant::now();
        let mut lately = std::mem::take(&mut inner.lately);
        let last_error = std::mem::take(&mut inner.last_error);
        let line = format!(
            "{connected} of {gateways} connected, {:.0} messages/s confirmed, {under_way} unacknowledged, {waiting} waiting, {}; connections lost {}{}{}",
            lately.len() as f64 / elapsed,
            percentiles(&mut lately),
            inner.lost_connections,
            if last_error.is_empty() { "" } else { ", last: " },
            last_error,
        );
        inner.all.append(&mut lately);
        line
    }

    /// The whole run in two lines.
    pub(super) fn whole(&self, took: Duration, farm_ms: i64) -> String {
        let (confirmed, waiting) = (self.sum(|own| &own.confirmed), self.sum(|own| &own.waiting));
        let mut inner = self.lock();
        let mut all = std::mem::take(&mut inner.all);
        all.append(&mut inner.lately);
        format!(
            "in {:.0} s: {} confirmed, {:.0} messages/s, {} sent, {}; connections lost {}\n\
             over all runs: {confirmed} confirmed, {waiting} waiting; farm time {}",
            took.as_secs_f64(),
            all.len(),
            all.len() as f64 / took.as_secs_f64(),
            inner.sent,
            percentiles(&mut all),
            inner.lost_connections,
            jiff::Timestamp::from_millisecond(farm_ms).unwrap_or_default()
        )
    }
}

fn percentiles(seconds: &mut [f32]) -> String {
    seconds.sort_by(f32::total_cmp);
    let at = |share: f64| {
        let place = ((seconds.len() as f64 * share) as usize).min(seconds.len().saturating_sub(1));
        seconds.get(place).map_or_else(|| "-".to_owned(), |own| format!("{:.1}", own * 1_000.0))
    };
    format!("confirmed within ms: p50 {}, p95 {}, p99 {}, most {}", at(0.5), at(0.95), at(0.99), at(1.0))
}
