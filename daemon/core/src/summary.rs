//! One pond over one interval, for other systems.

use alloc::collections::BTreeMap;
use alloc::vec::Vec;

use crate::effect::{Flag, QuantitySummary};
use crate::quantity::Quantity;
use crate::time::{Span, Timestamp};

/// Summaries are made at most this often, whatever the configuration says.
const SHORTEST: Span = Span::from_minutes(1);

/// The first whole multiple of `every` after `now`.
pub fn next_multiple(now: Timestamp, every: Span) -> Timestamp {
    let every_ms = every.max(SHORTEST).as_millis();
    let done = now.as_millis().div_euclid(every_ms);
    Timestamp(done.saturating_add(1).saturating_mul(every_ms))
}

/// Length of the interval that is really used.
pub fn interval(every: Span) -> Span {
    every.max(SHORTEST)
}

/// What has been seen of each quantity since the last summary.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Tally {
    quantities: BTreeMap<Quantity, Seen>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Seen {
    minimum: f64,
    maximum: f64,
    sum: f64,
    last: f64,
    usable: u32,
    doubtful: u32,
}

impl Tally {
    /// Counts a reading or a derived value.
    pub fn count(&mut self, quantity: Quantity, value: Option<f64>, flag: Flag) {
        let seen = self.quantities.entry(quantity).or_insert(Seen {
            minimum: f64::INFINITY,
            maximum: f64::NEG_INFINITY,
            sum: 0.0,
            last: 0.0,
            usable: 0,
            doubtful: 0,
        });
        match (value, flag) {
            (Some(value), Flag::Pass | Flag::NotEvaluated) => {
                seen.minimum = seen.minimum.min(value);
                seen.maximum = seen.maximum.max(value);
                seen.sum += value;
                seen.last = value;
                seen.usable = seen.usable.saturating_add(1);
            }
            (_, Flag::Suspect | Flag::Fail) => seen.doubtful = seen.doubtful.saturating_add(1),
            _ => {}
        }
    }

    /// Ends the interval: statistics of what had usable readings, and a fresh start.
    pub fn close(&mut self) -> Vec<QuantitySummary> {
        core::mem::take(&mut self.quantities)
            .into_iter()
            .filter(|(_, seen)| seen.usable > 0)
            .map(|(quantity, seen)| QuantitySummary {
                quantity,
                minimum: seen.minimum,
                mean: seen.sum / f64::from(seen.usable),
                maximum: seen.maximum,
                last: seen.last,
                usable: seen.usable,
                doubtful: seen.doubtful,
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubtful_readings_are_counted_but_not_averaged() {
        let mut tally = Tally::default();
        for (value, flag) in [(6.0, Flag::Pass), (0.1, Flag::Suspect), (4.0, Flag::Pass), (60.0, Flag::Fail)]
        {
            tally.count(Quantity::DoMgL, Some(value), flag);
        }
        tally.count(Quantity::Ph, None, Flag::Missing);
        let expected = QuantitySummary {
            quantity: Quantity::DoMgL,
            minimum: 4.0,
            mean: 5.0,
            maximum: 6.0,
            last: 4.0,
            usable: 2,
            doubtful: 2,
        };
        assert_eq!(tally.close(), [expected]);
        assert_eq!(tally.close(), []);
    }

    #[test]
    fn intervals_start_on_whole_multiples() {
        let quarter = Span::from_minutes(15);
        assert_eq!(next_multiple(Timestamp(1), quarter), Timestamp(900_000));
        assert_eq!(next_multiple(Timestamp(900_000), quarter), Timestamp(1_800_000));
        assert_eq!(next_multiple(Timestamp(-1), quarter), Timestamp(0));
        assert_eq!(next_multiple(Timestamp(0), Span::ZERO), Timestamp(60_000));
        assert_eq!(next_multiple(Timestamp(i64::MAX), quarter), Timestamp(i64::MAX));
    }
}
