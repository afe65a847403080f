//! Silences that end when they should.
//!
//! The runtime's timers tick by the millisecond and end a tick or two late. A silence of 1.75 ms then takes up to 3 ms,
//! and at 115,200 baud, where a request and its answer are as short, a quarter of the line's time is lost. A timer of the
//! kernel's own is late by microseconds, and costs one system call to set and one to read.

use std::io;
use std::os::fd::{AsFd as _, AsRawFd, RawFd};
use std::time::Duration;

use nix::sys::time::TimeSpec;
use nix::sys::timerfd::{ClockId, Expiration, TimerFd, TimerFlags, TimerSetTimeFlags};
use tokio::io::unix::AsyncFd;
use tokio::time::{Instant, sleep_until};
use tracing::debug;

/// Waits for moments.
#[derive(Debug)]
pub struct Exact(Option<AsyncFd<Timer>>);

#[derive(Debug)]
struct Timer(TimerFd);

impl AsRawFd for Timer {
    fn as_raw_fd(&self) -> RawFd {
        self.0.as_fd().as_raw_fd()
    }
}

impl Exact {
    /// With a timer of the kernel's; without one, where it cannot be had, and waits are a little longer.
    pub fn of_the_kernel() -> Self {
        let made = TimerFd::new(ClockId::CLOCK_MONOTONIC, TimerFlags::TFD_NONBLOCK | TimerFlags::TFD_CLOEXEC);
        #[expect(
            deprecated,
            reason = "what replaces it is unsafe; this handle is its own for as long as it lives"
        )]
        let watched = |timer| AsyncFd::new(Timer(timer));
        match made.map_err(io::Error::from).and_then(watched) {
            Ok(timer) => Self(Some(timer)),
            Err(error) => {
                debug!("no timer of the kernel's: {error}; silences take up to 2 ms longer");
                Self(None)
            }
        }
    }

    /// With the runtime's timers, which a test may drive.
    pub const fn of_the_runtime() -> Self {
        Self(None)
    }

    /// Waits until `at`, never shorter.
    pub async fn wait_until(&self, at: Instant) {
        if let Some(timer) = &self.0
            && wait(timer, at).await.is_ok()
        {
            return;
        }
        // Over already, unless the kernel's timer failed.
        sleep_until(at).await;
    }
}

async fn wait(timer: &AsyncFd<Timer>, at: Instant) -> io::Result<()> {
    loop {
        let left = at.saturating_duration_since(Instant::now());
        if left == Duration::ZERO {
            return Ok(());
        }
        // Set anew, it forgets an earlier moment that nobody waited for to the end.
        let once = Expiration::OneShot(TimeSpec::from_duration(left));
        timer.get_ref().0.set(once, TimerSetTimeFlags::empty()).map_err(io::Error::from)?;
        loop {
            let mut ready = timer.readable().await?;
            if let Ok(passed) = ready.try_io(|timer| timer.get_ref().0.wait().map_err(io::Error::from)) {
                passed?;
                break;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_wait_is_never_short_and_mostly_not_long() {
        let exact = Exact::of_the_kernel();
        let silence = Duration::from_micros(1_750);
        let mut late = Vec::new();
        for turn in 0..50 {
            // One that was given up half way must not end the next.
            if turn % 5 == 0 {
                let given_up = exact.wait_until(Instant::now() + Duration::from_micros(500));
                let _ = tokio::time::timeout(Duration::ZERO, given_up).await;
                std::thread::sleep(Duration::from_millis(1));
            }
            let until = Instant::now() + silence;
            exact.wait_until(until).await;
            late.push(Instant::now().checked_duration_since(until).expect("not before its end"));
        }
        late.sort_unstable();
        // The kernel owes nobody a processor: of many waits on a busy machine some are on time.
        assert!(late[0] < Duration::from_micros(500), "{late:?}");
    }

    #[tokio::test]
    async fn what_is_over_is_not_waited_for() {
        let began = Instant::now();
        Exact::of_the_kernel().wait_until(began).await;
        Exact::of_the_runtime().wait_until(began).await;
        assert!(began.elapsed() < Duration::from_secs(1));
    }
}
