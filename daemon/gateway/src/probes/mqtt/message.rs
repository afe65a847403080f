//! One MQTT message: whom it is for and what it says. Knows no connection.

use pondreeve_core::input::Sample;
use pondreeve_core::{Quantity, Span, Timestamp};
use pondreeve_protocol::payload::{self, Expected, PickedTime};
use rumqttc::Publish;

use crate::clock::{BELIEVABLE_AHEAD, Clock, Trust};
use crate::config::farm::Subscription;

/// Problems told for one message; a pack of thousands of bad records is one bad message.
const PROBLEMS_TOLD: usize = 4;

/// What a message gave.
#[derive(Debug, PartialEq)]
pub(super) enum Verdict {
    /// Values, and what could not be read.
    Read { samples: Vec<Sample>, problems: Vec<String> },
    /// Retained by the broker since nobody knows when.
    OfUnknownAge,
}

/// Whether a topic falls under a filter (MQTT 3.1.1, section 4.7). `rumqttc` has such a function, but it
/// cuts the topic behind its first byte and panics where that is not a whole character.
pub(super) fn matches(filter: &str, topic: &str) -> bool {
    // Section 4.7.2: a wildcard in front does not reach the broker's own topics.
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut levels = topic.split('/');
    for wanted in filter.split('/') {
        match (wanted, levels.next()) {
            // Also the parent level itself: `a/#` is about `a` too.
            ("#", _) => return true,
            ("+", Some(_)) => {}
            (wanted, Some(level)) if wanted == level => {}
            _ => return false,
        }
    }
    levels.next().is_none()
}

/// The gateway's own time, and what it is worth.
#[derive(Debug, Clone, Copy)]
pub(super) struct Own {
    pub(super) now: Timestamp,
    pub(super) trust: Trust,
    /// The clock may stand where the machine was switched off.
    pub(super) may_be_behind: bool,
}

impl Own {
    pub(super) fn of(clock: &Clock) -> Self {
        Self { now: clock.now(), trust: clock.trust(), may_be_behind: clock.may_be_behind() }
    }

    /// Whether a date so far ahead is wrong by what this clock knows. One that was never set, or stands decades ahead,
    /// says nothing of the sender's.
    fn refutes(self, ahead: Span) -> bool {
        match self.trust {
            Trust::NotSet | Trust::Beyond(_) => false,
            Trust::Good | Trust::Ahead(_) | Trust::Late(_) | Trust::Behind(_) => {
                !self.may_be_behind || ahead > BELIEVABLE_AHEAD
            }
        }
    }
}

/// So near to now a date is one of now.
const NEAR: Span = Span::from_minutes(5);

/// A date as farm time has it. After the wall clock was set back, farm time is ahead of it, for minutes or, after a wrong
/// year, for good: who is dated by a right clock would be behind by as much, and the pond unwatched. What is of now by
/// farm time as it stands is left alone: then it was the setting back that was wrong.
fn in_farm_time(at: Timestamp, Own { now, trust, .. }: Own) -> Timestamp {
    let is_near = |at: &Timestamp| (now - *at).as_millis().saturating_abs() <= NEAR.as_millis();
    match trust {
        Trust::Ahead(ahead) if !is_near(&at) => Some(at + ahead).filter(is_near).unwrap_or(at),
        _ => at,
    }
}

/// Reads a message for one subscription; what is dated ahead of `now` is refused where the gateway's clock can judge it.
pub(super) fn read(
    publish: &Publish,
    subscription: &Subscription,
    max_payload_bytes: usize,
    own: Own,
) -> Verdict {
    let now = own.now;
    let size = publish.payload.len();
    if size > max_payload_bytes {
        let problem = format!("{size} bytes; accepted are at most {max_payload_bytes} (max_payload_bytes)");
        return Verdict::Read { samples: Vec::new(), problems: vec![problem] };
    }
    let expected = |channel: &str| {
        let quantity = Quantity::from_id(channel)?;
        Some(Expected { unit: quantity.unit(), switch: quantity == Quantity::AeratorOn })
    };
    let decoded = payload::decode(&publish.payload, &subscription.picks, expected);
    let mut samples = Vec::with_capacity(decoded.values.len());
    let mut problems: Vec<String> = decoded.problems.iter().map(ToString::to_string).collect();
    for picked in decoded.values {
        let Some(pick) = subscription.picks.get(picked.pick) else { continue };
        let Some(quantity) = Quantity::from_id(&pick.channel) else { continue };
        let taken_at = match picked.time {
            None if publish.retain => return Verdict::OfUnknownAge,
            None => None,
            Some(PickedTime::UnixMs(ms)) => Some(in_farm_time(Timestamp(ms), own)),
            Some(PickedTime::FromNowMs(ms)) => Some(now + Span::from_millis(ms)),
        };
        if let Some(at) = taken_at {
            let ahead = at.since(now);
            let max_ahead = i64::try_from(subscription.max_ahead.as_millis()).unwrap_or(i64::MAX);
            if ahead.as_millis() > max_ahead && own.refutes(ahead) {
                problems.push(format!(
                    "{} is dated {} s ahead of the gateway's clock; accepted are at most {} s (is a clock wrong?)",
                    pick.channel,
                    ahead.as_millis() / 1_000,
                    max_ahead / 1_000
                ));
                continue;
            }
        }
        samples.push(Sample {
            probe: subscription.probe,
            quantity,
            channel: None,
            value: picked.value,
            taken_at,
        });
    }
    if problems.len() > PROBLEMS_TOLD {
        let more = problems.len() - PROBLEMS_TOLD;
        problems.truncate(PROBLEMS_TOLD);
        problems.push(format!("and {more} more"));
    }
    Verdict::Read { samples, problems }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use pondreeve_core::site::ProbeIndex;
    use pondreeve_protocol::payload::{Pick, PickFrom};
    use rumqttc::QoS;

    use super::*;

    #[test]
    fn filters_match_as_the_specification_says() {
        // MQTT 3.1.1, sections 4.7.1 and 4.7.2: the non-normative examples.
        for (filter, topic, expected) in [
            ("sport/tennis/player1/#", "sport/tennis/player1", true),
            ("sport/tennis/player1/#", "sport/tennis/player1/ranking", true),
            ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true),
            ("sport/#", "sport", true),
            ("#", "sport/tennis", true),
            ("sport/tennis/+", "sport/tennis/player1", true),
            ("sport/tennis/+", "sport/tennis/player1/ranking", false),
            ("sport/+", "sport", false),
            ("sport/+", "sport/", true),
            ("+/+", "/finance", true),
            ("/+", "/finance", true),
            ("+", "/finance", false),
            ("#", "$SYS/monitor/Clients", false),
            ("+/monitor/Clients", "$SYS/monitor/Clients", false),
            ("$SYS/#", "$SYS/monitor/Clients", true),
            ("$SYS/monitor/+", "$SYS/monitor/Clients", true),
            ("sport", "Sport", false),
            ("étang/+", "étang/p1", true),
            ("+/p1", "étang/p1", true),
        ] {
            assert_eq!(matches(filter, topic), expected, "{filter} on {topic}");
        }
    }

    const NOW: Timestamp = Timestamp(1_772_341_920_000);

    fn check(payload: &[u8], retain: bool, from: PickFrom) -> Verdict {
        check_by((NOW, Trust::Good), payload, retain, from)
    }

    fn check_by((now, trust): (Timestamp, Trust), payload: &[u8], retain: bool, from: PickFrom) -> Verdict {
        check_as(Own { now, trust, may_be_behind: false }, payload, retain, from)
    }

    fn check_as(own: Own, payload: &[u8], retain: bool, from: PickFrom) -> Verdict {
        let subscription = Subscription {
            filter: "t".into(),
            probe: ProbeIndex(3),
            picks: vec![Pick { channel: "do_mg_l".into(), from, scale: 1.0, offset: 0.0 }],
            qos: 1,
            max_ahead: Duration::from_secs(60),
            most_per_minute: 60_000,
        };
        let mut publish = Publish::new("t", QoS::AtLeastOnce, payload.to_vec());
        publish.retain = retain;
        read(&publish, &subscription, 256, own)
    }

    fn timed() -> PickFrom {
        PickFrom::Json { pointer: "/v".into(), time: Some("/t".into()) }
    }

    fn sample(value: f64, taken_at: Option<Timestamp>) -> Verdict {
        let sample =
            Sample { probe: ProbeIndex(3), quantity: Quantity::DoMgL, channel: None, value, taken_at };
        Verdict::Read { samples: vec![sample], problems: Vec::new() }
    }

    #[track_caller]
    fn refused(verdict: Verdict, because: &str) {
        match verdict {
            Verdict::Read { samples, problems } if samples.is_empty() => {
                assert!(problems[0].contains(because), "{problems:?}");
            }
            other => panic!("not refused: {other:?}"),
        }
    }

    #[test]
    fn messages_are_read_with_their_own_time_where_they_have_one() {
        assert_eq!(check(b"6.42", false, PickFrom::Bare), sample(6.42, None));
        let payload = br#"{"v": 5.5, "t": "2026-03-01T05:11:00Z"}"#;
        assert_eq!(check(payload, false, timed()), sample(5.5, Some(Timestamp(1_772_341_860_000))));
    }

    #[test]
    fn a_retained_message_needs_a_time_of_its_own() {
        assert_eq!(check(b"6.42", true, PickFrom::Bare), Verdict::OfUnknownAge);
        let payload = br#"{"v": 5.5, "t": 1772341860}"#;
        assert_eq!(check(payload, true, timed()), sample(5.5, Some(Timestamp(1_772_341_860_000))));
    }

    #[test]
    fn a_message_from_the_future_is_refused() {
        // 60 s ahead is still taken, for clocks that are a little off.
        assert_eq!(
            check(br#"{"v": 5.5, "t": 1772341980}"#, false, timed()),
            sample(5.5, Some(Timestamp(1_772_341_980_000)))
        );
        refused(check(br#"{"v": 5.5, "t": 1772341981}"#, false, timed()), "61 s ahead");
    }

    #[test]
    fn a_clock_that_was_never_set_judges_nobody_elses() {
        let a_day_ahead = br#"{"v": 5.5, "t": 1772428320}"#;
        refused(check_by((NOW, Trust::Good), a_day_ahead, false, timed()), "86400 s ahead");
        for unset in [Trust::NotSet, Trust::Beyond(NOW)] {
            let taken = check_by((NOW, unset), a_day_ahead, false, timed());
            assert_eq!(taken, sample(5.5, Some(Timestamp(1_772_428_320_000))));
        }
    }

    /// The power was off for a day, the gateway has no battery clock, and the node has.
    #[test]
    fn a_clock_that_may_be_behind_refuses_nobody_but_who_is_decades_ahead() {
        for trust in [Trust::Good, Trust::Late(Span::from_minutes(40)), Trust::Behind(Span::from_hours(24))] {
            let own = Own { now: NOW, trust, may_be_behind: true };
            let a_day_ahead = check_as(own, br#"{"v": 5.5, "t": 1772428320}"#, false, timed());
            assert_eq!(a_day_ahead, sample(5.5, Some(Timestamp(1_772_428_320_000))));
            // 2066-01-01.
            refused(
                check_as(own, br#"{"v": 5.5, "t": 3029529600}"#, false, timed()),
                "ahead of the gateway's clock",
            );
        }
    }

    /// Somebody had typed the wrong year, or an hour too much, and put it right.
    #[test]
    fn after_the_clock_was_set_back_dates_of_now_are_of_now() {
        // 60 s before NOW.
        let a_minute_ago = br#"{"v": 5.5, "t": 1772341860}"#;
        let dated = |at: Timestamp| sample(5.5, Some(at));
        for ahead in [Span::from_minutes(20), Span::from_hours(365 * 24)] {
            let clock = (NOW + ahead, Trust::Ahead(ahead));
            assert_eq!(
                check_by(clock, a_minute_ago, false, timed()),
                dated(NOW + ahead - Span::from_minutes(1))
            );
            // It was the setting back that was wrong.
            let clock = (NOW, Trust::Ahead(ahead));
            assert_eq!(check_by(clock, a_minute_ago, false, timed()), dated(NOW - Span::from_minutes(1)));
            // Held back for three hours: of then, whichever it was.
            let clock = (NOW + Span::from_hours(3), Trust::Ahead(ahead));
            assert_eq!(check_by(clock, a_minute_ago, false, timed()), dated(NOW - Span::from_minutes(1)));
        }
    }

    #[test]
    fn a_message_that_is_too_large_is_refused() {
        refused(check(&[b'1'; 257], false, PickFrom::Bare), "257 bytes; accepted are at most 256");
    }
}
