//! How fast a backlog may go out: a gateway that is back after a week must not take the whole link, nor fall upon a
//! broker together with a thousand others.

use std::time::Duration;

use tokio::time::Instant;

/// At their pace messages go together, those of so many seconds, so that neither this machine nor the broker is woken for
/// each. At the usual 400 a second they are few enough to be on their way all at once.
const TOGETHER_S: f64 = 0.075;

/// Lets so many through in each second, at once at most those of a tenth of one, after a rest.
#[derive(Debug)]
pub(super) struct Pace {
    per_second: f64,
    saved: f64,
    at: Instant,
    /// None is left: the next go when some are saved up.
    saves: bool,
}

impl Pace {
    pub(super) fn new(per_second: u32) -> Self {
        let per_second = f64::from(per_second.max(1));
        Self { per_second, saved: (per_second / 10.0).max(1.0), at: Instant::now(), saves: false }
    }

    /// Whether one may go now; it then counts.
    pub(super) fn take(&mut self) -> bool {
        let now = Instant::now();
        let earned = now.duration_since(self.at).as_secs_f64() * self.per_second;
        self.saved = (self.saved + earned).min((self.per_second / 10.0).max(1.0));
        self.at = now;
        // What was slept for must be enough, whatever the last bit of a sum says.
        let wanted = if self.saves { self.together() - 1e-6 } else { 1.0 };
        self.saves = self.saved < wanted;
        if !self.saves {
            self.saved -= 1.0;
        }
        !self.saves
    }

    /// How long until one may go.
    pub(super) fn wait(&self) -> Duration {
        Duration::from_secs_f64(((self.together() - self.saved) / self.per_second).max(0.001))
    }

    /// How many go together.
    fn together(&self) -> f64 {
        (self.per_second * TOGETHER_S).max(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn so_many_go_in_a_second_and_no_more() {
        let mut pace = Pace::new(400);
        let (begun, mut gone) = (Instant::now(), 0);
        while begun.elapsed() < Duration::from_secs(10) {
            if pace.take() {
                gone += 1;
            } else {
                tokio::time::sleep(pace.wait()).await;
            }
        }
        assert!((4_000..=4_041).contains(&gone), "{gone} in ten seconds");
    }

    /// Thirteen times a second, not four hundred times.
    #[tokio::test(start_paused = true)]
    async fn some_go_together() {
        let mut pace = Pace::new(400);
        while pace.take() {}
        let mut bursts = Vec::new();
        for _ in 0..20 {
            tokio::time::sleep(pace.wait()).await;
            bursts.push(std::iter::from_fn(|| pace.take().then_some(())).count());
        }
        assert!(bursts.iter().all(|burst| (30..=31).contains(burst)), "{bursts:?}");
        // Whoever asks in between, for a confirmation came, gets none early.
        tokio::time::sleep(Duration::from_millis(20)).await;
        assert!(!pace.take());
    }

    #[tokio::test(start_paused = true)]
    async fn a_quiet_hour_saves_up_no_flood() {
        let mut pace = Pace::new(20);
        tokio::time::sleep(Duration::from_secs(3_600)).await;
        let at_once = (0..100).filter(|_| pace.take()).count();
        assert_eq!(at_once, 2);
    }
}
