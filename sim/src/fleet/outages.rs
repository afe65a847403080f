//! When a gateway has a link.
//!
//! Times with a link are exponential; those without are log-normal with a median of three hours: most are over within a
//! shift, some last for days. Common practice, no source; the shape is what matters, since it makes some gateways come
//! back with hours of messages while others have been away for a week's end.

use sim::noise::Noise;

const MEDIAN_MS: f64 = 3.0 * 3_600_000.0;
const SPREAD: f64 = 1.2;
const SHORTEST_MS: f64 = 5.0 * 60_000.0;
const LONGEST_MS: f64 = 4.0 * 86_400_000.0;

/// The times of one gateway, walked forwards.
#[derive(Debug, Clone)]
pub(super) struct Outages {
    noise: Noise,
    stream: u64,
    turn: i64,
    /// Mean time with a link; `None` where the link always holds.
    mean_up_ms: Option<f64>,
    is_up: bool,
    until_ms: i64,
}

impl Outages {
    pub(super) fn new(seed: u64, gateway: u32, percent: f64, begins_ms: i64) -> Self {
        let mean_down_ms = MEDIAN_MS * (SPREAD * SPREAD / 2.0).exp();
        let mean_up_ms = (percent > 0.0).then(|| mean_down_ms * (100.0 / percent - 1.0));
        let stream = Noise::stream("outages") ^ u64::from(gateway);
        Self { noise: Noise::new(seed), stream, turn: 0, mean_up_ms, is_up: false, until_ms: begins_ms }
    }

    /// Whether there is a link at a time, and when that changes; times must not go back.
    pub(super) fn at(&mut self, at_ms: i64) -> (bool, i64) {
        let Some(mean_up_ms) = self.mean_up_ms else { return (true, i64::MAX) };
        while self.until_ms <= at_ms {
            self.turn += 1;
            self.is_up = !self.is_up;
            let length = if self.is_up {
                -mean_up_ms * self.noise.unit(self.stream, self.turn).ln()
            } else {
                let length = MEDIAN_MS * (SPREAD * self.noise.gaussian(self.stream, self.turn)).exp();
                length.clamp(SHORTEST_MS, LONGEST_MS)
            };
            self.until_ms += length.max(1_000.0) as i64;
        }
        (self.is_up, self.until_ms)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_are_away_for_about_the_share_asked_for_and_some_for_days() {
        let (mut down, mut longest, mut all) = (0_i64, 0_i64, 0_i64);
        for gateway in 0..200 {
            let mut outages = Outages::new(5, gateway, 10.0, 0);
            let mut at = 0;
            while at < 60 * 86_400_000 {
                let (is_up, until) = outages.at(at);
                if !is_up {
                    down += until - at;
                    longest = longest.max(until - at);
                }
                all += until - at;
                at = until;
            }
        }
        let share = 100.0 * down as f64 / all as f64;
        assert!((7.5..12.5).contains(&share), "{share:.1} %");
        assert!(longest > 2 * 86_400_000, "{longest}");
        assert_eq!(Outages::new(5, 1, 0.0, 0).at(1), (true, i64::MAX));
    }
}
