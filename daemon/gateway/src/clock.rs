//! The only reader of time.

use pondreeve_core::Timestamp;

/// Farm time: the wall clock, or a faster one that the simulator sets.
#[derive(Debug, Clone)]
pub struct Clock {
    started: std::time::Instant,
    origin: Timestamp,
    speed: f64,
    real: bool,
}

impl Clock {
    /// The machine's own clock.
    pub fn system() -> Self {
        Self { started: std::time::Instant::now(), origin: Timestamp(0), speed: 1.0, real: true }
    }

    /// A clock that starts at `origin` now and runs `speed` times as fast as the wall clock.
    pub fn accelerated(origin: Timestamp, speed: f64) -> Self {
        Self { started: std::time::Instant::now(), origin, speed, real: false }
    }

    /// Farm time now.
    pub fn now(&self) -> Timestamp {
        if self.real {
            Timestamp(jiff::Timestamp::now().as_millisecond())
        } else {
            Timestamp(self.origin.0 + (self.started.elapsed().as_secs_f64() * 1_000.0 * self.speed) as i64)
        }
    }

    /// Real time to wait for a length of farm time.
    pub fn real_duration(&self, span: pondreeve_core::Span) -> std::time::Duration {
        std::time::Duration::from_secs_f64(span.as_millis().max(0) as f64 / 1_000.0 / self.speed)
    }

    /// Sleeps until a point in farm time.
    pub async fn sleep_until(&self, at: Timestamp) {
        tokio::time::sleep(self.real_duration(at - self.now())).await;
    }
}
