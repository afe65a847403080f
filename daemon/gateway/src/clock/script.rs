//! Both clocks in the hands of a test.

use super::*;

/// Both clocks by hand.
#[derive(Clone)]
pub(crate) struct Script(Arc<Mutex<(Timestamp, Duration)>>, Arc<Mutex<Option<Duration>>>);

impl Script {
    pub(crate) fn at(wall: Timestamp) -> (Self, Clock) {
        let script = Self(Arc::new(Mutex::new((wall, Duration::from_secs(1_000)))), Arc::default());
        let clock = Clock::reading(script.clone());
        (script, clock)
    }

    /// Time passes on both clocks.
    pub(crate) fn pass(&self, length: Duration) {
        let mut both = self.0.lock().unwrap();
        both.0 = both.0 + Span::from_millis(length.as_millis() as i64);
        both.1 += length;
    }

    /// Whoever looks at a clock hangs until the guard goes.
    pub(crate) fn hang(&self) -> std::sync::MutexGuard<'_, (Timestamp, Duration)> {
        self.0.lock().unwrap()
    }

    /// So long the machine has been up.
    pub(crate) fn up(&self, up: Option<Duration>) {
        *self.1.lock().unwrap() = up;
    }

    /// Somebody sets the wall clock.
    pub(crate) fn set(&self, by: Span) {
        let mut both = self.0.lock().unwrap();
        both.0 = both.0 + by;
    }
}

impl TimeSource for Script {
    fn wall(&self) -> Timestamp {
        self.0.lock().unwrap().0
    }

    fn monotonic(&self) -> Duration {
        self.0.lock().unwrap().1
    }

    fn since_boot(&self) -> Option<Duration> {
        *self.1.lock().unwrap()
    }
}
