//! Farm time for those who follow it: what it is now, and how long to sleep for a stretch of it.

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

/// A farm clock that somebody else drives.
#[derive(Clone)]
pub struct Pace {
    now_ms: Arc<dyn Fn() -> i64 + Send + Sync>,
    speed: f64,
}

impl fmt::Debug for Pace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Pace").field("now_ms", &(self.now_ms)()).field("speed", &self.speed).finish()
    }
}

impl Pace {
    /// `now_ms` tells farm time, ms since 1970, and runs `speed` times as fast as real time.
    pub fn new(now_ms: impl Fn() -> i64 + Send + Sync + 'static, speed: f64) -> Self {
        Self { now_ms: Arc::new(now_ms), speed }
    }

    /// Farm time now, ms since 1970.
    pub fn now_ms(&self) -> i64 {
        (self.now_ms)()
    }

    /// Real time until a moment of farm time; nothing if it has passed.
    pub fn until(&self, at_ms: i64) -> Duration {
        Duration::from_secs_f64((at_ms - self.now_ms()).max(0) as f64 / 1_000.0 / self.speed)
    }
}
