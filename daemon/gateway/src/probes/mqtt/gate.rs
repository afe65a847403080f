//! What a source may send: so much, and each dated message once.
//!
//! Whoever can publish on a probe's topic can replay what the probe once said, or publish without end. A message that
//! carries its own time is taken once; one that comes too often is refused, so that no source fills the card or keeps
//! the others waiting. What the broker itself sends again (its duplicate flag) is not held against anybody.

use std::collections::VecDeque;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};

use pondreeve_core::Timestamp;
use pondreeve_core::input::Sample;
use pondreeve_core::quality::BEHIND_TOLERANCE;
use pondreeve_core::said::said;
use rumqttc::Publish;

use crate::config::farm::Subscription;

/// So many dated messages are remembered of each source: hours of a node that sends each minute.
const REMEMBERED: usize = 256;

/// What is to become of a message.
#[derive(Debug, PartialEq)]
pub(super) enum Admission {
    /// It is taken.
    Taken,
    /// It was taken before.
    Repeated,
    /// Why it is refused.
    Refused(String),
}

/// What one source has sent.
#[derive(Debug, Default)]
pub(super) struct Gate {
    /// Messages that may still come at once, and when that was reckoned.
    left: Option<(f64, Timestamp)>,
    seen: VecDeque<u64>,
}

impl Gate {
    /// Looks at a message that gave `samples`.
    pub(super) fn admit(
        &mut self,
        publish: &Publish,
        subscription: &Subscription,
        samples: &[Sample],
        now: Timestamp,
    ) -> Admission {
        let most = f64::from(subscription.most_per_minute);
        let (left, at) = self.left.unwrap_or((most, now));
        let passed_min = (now - at).as_millis().max(0) as f64 / 60_000.0;
        let left = (left + passed_min * most).min(most);
        if left < 1.0 {
            self.left = Some((left, now));
            let why = said!(
                "trouble-too-many",
                "more than {most} messages a minute come: refused until there are fewer (most_per_minute)",
                most = subscription.most_per_minute.to_string()
            );
            return Admission::Refused(why.into());
        }
        self.left = Some((left - 1.0, now));
        // A node that counts from its start says the same time again after each.
        let is_dated = |at: &Timestamp| now - *at <= BEHIND_TOLERANCE;
        if !samples.iter().all(|sample| sample.taken_at.as_ref().is_some_and(is_dated)) {
            return Admission::Taken;
        }
        let mut hasher = DefaultHasher::new();
        publish.topic.hash(&mut hasher);
        publish.payload.hash(&mut hasher);
        let hash = hasher.finish();
        if self.seen.contains(&hash) {
            return if publish.dup { Admission::Taken } else { Admission::Repeated };
        }
        if self.seen.len() == REMEMBERED {
            self.seen.pop_front();
        }
        self.seen.push_back(hash);
        Admission::Taken
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use pondreeve_core::site::ProbeIndex;
    use pondreeve_core::{Quantity, Span};
    use rumqttc::QoS;

    use super::*;

    const NOW: Timestamp = Timestamp(1_772_341_920_000);

    fn subscription(most_per_minute: u32) -> Subscription {
        Subscription {
            filter: "t".into(),
            probe: ProbeIndex(0),
            picks: Vec::new(),
            qos: 1,
            max_ahead: Duration::from_secs(60),
            most_per_minute,
        }
    }

    fn sample(taken_at: Option<Timestamp>) -> [Sample; 1] {
        [Sample { probe: ProbeIndex(0), quantity: Quantity::Ph, channel: None, value: 8.1, taken_at }]
    }

    fn message(payload: &str) -> Publish {
        Publish::new("t", QoS::AtLeastOnce, payload)
    }

    #[test]
    fn five_a_minute_are_five_a_minute() {
        let (subscription, mut gate) = (subscription(5), Gate::default());
        let mut admit = |at_s| {
            let at = NOW + Span::from_secs(at_s);
            gate.admit(&message("8.1"), &subscription, &sample(None), at)
        };
        assert!((0..5).all(|_| admit(0) == Admission::Taken));
        let Admission::Refused(why) = admit(1) else { panic!("the sixth is taken") };
        assert!(why.contains("more than 5 messages a minute"), "{why}");
        // One more each twelve seconds.
        assert_eq!(admit(13), Admission::Taken);
        assert!(matches!(admit(13), Admission::Refused(_)));
        assert!((0..5).all(|_| admit(100) == Admission::Taken));
        assert!(matches!(admit(100), Admission::Refused(_)));
    }

    #[test]
    fn a_dated_message_is_taken_once_and_one_without_a_date_each_time() {
        let (subscription, mut gate) = (subscription(60_000), Gate::default());
        let dated = sample(Some(NOW));
        let first = message("{\"t\":1,\"v\":8.1}");
        assert_eq!(gate.admit(&first, &subscription, &dated, NOW), Admission::Taken);
        assert_eq!(gate.admit(&first, &subscription, &dated, NOW), Admission::Repeated);
        let again = Publish { dup: true, ..first.clone() };
        assert_eq!(
            gate.admit(&again, &subscription, &dated, NOW),
            Admission::Taken,
            "the broker's own repeat"
        );
        for place in 0..REMEMBERED {
            let other = message(&format!("{{\"t\":{place},\"v\":8.2}}"));
            assert_eq!(gate.admit(&other, &subscription, &dated, NOW), Admission::Taken);
        }
        assert!(gate.seen.len() <= REMEMBERED);
        let since_start = sample(Some(Timestamp(3_000)));
        let third_second = message("{\"t\":3,\"v\":8.1}");
        assert!(
            (0..3).all(|_| gate.admit(&third_second, &subscription, &since_start, NOW) == Admission::Taken),
            "a node that sleeps between readings, and has no clock"
        );
        let bare = message("8.1");
        assert!((0..3).all(|_| gate.admit(&bare, &subscription, &sample(None), NOW) == Admission::Taken));
    }
}
