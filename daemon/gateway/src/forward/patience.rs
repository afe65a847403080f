//! How long one node of several is waited for.
//!
//! A node that loses its power says nothing: no connection is refused and none is closed. And a cluster of which a node
//! has died forgets what it was asked while it had no leader, and lets who asked wait for its own time-out, four seconds
//! or more, though a leader is there after two. So where there is another node to go to, one that is silent for much
//! longer than is usual on this link is left for it. What is usual is learnt: a slow link is not slower than itself.

use std::time::Duration;

use crate::mqtt_link::CONNECT_WITHIN;

/// Least time for a greeting, or for any confirmation. Less makes a cluster that looks for a leader no faster.
const LEAST: Duration = Duration::from_secs(2);

/// For a greeting, where none is known yet.
const FIRST_GREETING: Duration = Duration::from_secs(4);

/// So many times what is usual is not usual any more.
const UNUSUAL: u32 = 4;

/// After so many silent nodes in a row it is not the node: each further one is waited for twice as long, so that a fleet
/// does not keep a cluster from finding itself.
const BRISK_TURNS: u32 = 5;

/// So many confirmations tell what is usual.
const CONFIRMATIONS: u32 = 20;

/// A broker that answers pings but confirms nothing for this long is left in any case.
const CONFIRM_WITHIN: Duration = Duration::from_secs(60);

/// Patience with the greetings of a destination.
#[derive(Debug, Default)]
pub(super) struct Greetings {
    usual: Option<Duration>,
    silent: u32,
}

impl Greetings {
    /// How long the next may take, scattered by a quarter, `scatter` being from 0 to 1.
    pub(super) fn within(&self, nodes: usize, scatter: f64) -> Duration {
        if nodes < 2 {
            return CONNECT_WITHIN;
        }
        let whole = self.usual.map_or(FIRST_GREETING, |usual| (usual * UNUSUAL).max(LEAST));
        let doubled = whole * (1 << self.silent.saturating_sub(BRISK_TURNS).min(3));
        doubled.mul_f64(0.75 + 0.5 * scatter).min(CONNECT_WITHIN)
    }

    /// A node greeted after so long.
    pub(super) fn greeted(&mut self, after: Duration) {
        self.usual = Some(self.usual.map_or(after, |usual| after.max(usual.mul_f64(0.75))));
    }

    /// A node did not greet, or was left.
    pub(super) fn silent(&mut self) {
        self.silent = self.silent.saturating_add(1);
    }

    /// A node confirms.
    pub(super) fn works(&mut self) {
        self.silent = 0;
    }
}

/// Patience with the confirmations of a destination.
#[derive(Debug)]
pub(super) struct Confirmations {
    another_node: bool,
    slowest: Duration,
    count: u32,
    /// Connections in a row that were left without a single one.
    fruitless: u32,
}

impl Confirmations {
    pub(super) fn new(another_node: bool) -> Self {
        Self { another_node, slowest: Duration::ZERO, count: 0, fruitless: 0 }
    }

    /// One came so long after its message was handed over.
    pub(super) fn came(&mut self, after: Duration) {
        self.slowest = after.max(self.slowest.mul_f64(0.98));
        self.count = self.count.saturating_add(1);
        self.fruitless = 0;
    }

    /// A connection was left because none came.
    pub(super) fn missed(&mut self) {
        self.fruitless = self.fruitless.saturating_add(1);
    }

    /// How long none may come while some are due: after each connection that brought none twice as long as before, for
    /// it may be the link that has become slow.
    pub(super) fn within(&self) -> Duration {
        if self.another_node && self.count >= CONFIRMATIONS {
            let patience = (self.slowest * UNUSUAL).max(LEAST) * (1 << self.fruitless.min(5));
            patience.min(CONFIRM_WITHIN)
        } else {
            CONFIRM_WITHIN
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn ms(count: u64) -> Duration {
        Duration::from_millis(count)
    }

    #[test]
    fn a_silent_node_is_left_soon_where_there_is_another() {
        let mut greetings = Greetings::default();
        assert_eq!(greetings.within(1, 0.5), ms(15_000));
        assert_eq!(greetings.within(3, 0.5), ms(4_000));
        greetings.greeted(ms(30));
        assert_eq!(greetings.within(1, 0.5), ms(15_000));
        assert_eq!(greetings.within(3, 0.0), ms(1_500));
        assert_eq!(greetings.within(3, 1.0), ms(2_500));
        // A slow link: four times a second and a half.
        greetings.greeted(ms(1_500));
        assert_eq!(greetings.within(3, 0.5), ms(6_000));
        // And when it was a bad moment only, it is forgotten by and by.
        (0..20).for_each(|_| greetings.greeted(ms(30)));
        assert_eq!(greetings.within(3, 0.5), ms(2_000));
    }

    #[test]
    fn a_cluster_that_stays_silent_is_asked_less_often() {
        let mut greetings = Greetings::default();
        greetings.greeted(ms(30));
        let mut waits = Vec::new();
        for _ in 0..10 {
            waits.push(greetings.within(3, 0.5).as_secs());
            greetings.silent();
        }
        assert_eq!(waits, [2, 2, 2, 2, 2, 2, 4, 8, 15, 15]);
        greetings.works();
        assert_eq!(greetings.within(3, 0.5), ms(2_000));
    }

    #[test]
    fn confirmations_are_waited_for_as_long_as_the_link_is_slow() {
        let mut confirmations = Confirmations::new(true);
        (0..19).for_each(|_| confirmations.came(ms(50)));
        assert_eq!(confirmations.within(), ms(60_000), "too few to know");
        confirmations.came(ms(50));
        assert_eq!(confirmations.within(), ms(2_000));
        confirmations.came(ms(5_000));
        assert_eq!(confirmations.within(), ms(20_000));
        confirmations.came(ms(40_000));
        assert_eq!(confirmations.within(), ms(60_000));
        let mut slower = Confirmations::new(true);
        (0..20).for_each(|_| slower.came(ms(50)));
        let waits = [(); 7].map(|()| {
            slower.missed();
            slower.within().as_secs()
        });
        assert_eq!(waits, [4, 8, 16, 32, 60, 60, 60], "not left for the next one for ever");
        slower.came(ms(3_000));
        assert_eq!(slower.within(), ms(12_000));
        let mut only = Confirmations::new(false);
        (0..100).for_each(|_| only.came(ms(50)));
        assert_eq!(only.within(), ms(60_000), "nowhere else to go");
    }
}
