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

/// Which channel of which probe a value comes from; `None`: a person, or worked out from others.
pub type Source = Option<(u16, u16)>;

/// What has been seen of each quantity since the last summary.
///
/// Where several probes measure one quantity, an interval is told of one of them: the lowest oxygen, as the
/// alarms are judged by it, and otherwise the first in the configuration that had a usable reading.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Tally {
    quantities: BTreeMap<(Quantity, Source), Seen>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Seen {
    minimum: f64,
    maximum: f64,
    sum: f64,
    last: f64,
    last_at: Timestamp,
    usable: u32,
    doubtful: u32,
}

impl Seen {
    fn mean(&self) -> f64 {
        self.sum / f64::from(self.usable)
    }
}

impl Tally {
    /// Counts a reading or a derived value, measured at `at`.
    pub fn count(
        &mut self,
        quantity: Quantity,
        source: Source,
        at: Timestamp,
        value: Option<f64>,
        flag: Flag,
    ) {
        // Each aerator group has a channel of its own: the interval is told of all of them.
        let of_group = matches!(quantity, Quantity::AeratorOn | Quantity::AeratorKw);
        let source = source.filter(|_| !of_group);
        let seen = self.quantities.entry((quantity, source)).or_insert(Seen {
            minimum: f64::INFINITY,
            maximum: f64::NEG_INFINITY,
            sum: 0.0,
            last: 0.0,
            last_at: Timestamp(i64::MIN),
            usable: 0,
            doubtful: 0,
        });
        match (value, flag) {
            (Some(value), Flag::Pass | Flag::NotEvaluated) => {
                seen.minimum = seen.minimum.min(value);
                seen.maximum = seen.maximum.max(value);
                seen.sum += value;
                // What was held back on its way here is older than what came before it.
                if at >= seen.last_at {
                    (seen.last, seen.last_at) = (value, at);
                }
                seen.usable = seen.usable.saturating_add(1);
            }
            (_, Flag::Suspect | Flag::Fail) => seen.doubtful = seen.doubtful.saturating_add(1),
            _ => {}
        }
    }

    /// Ends the interval: statistics of what had usable readings, and a fresh start.
    pub fn close(&mut self) -> Vec<QuantitySummary> {
        // In the order of quantities; of each, entries first, then probes in the order of the configuration.
        let all = core::mem::take(&mut self.quantities);
        let mut told: Vec<(Source, Seen, QuantitySummary)> = Vec::new();
        for ((quantity, source), seen) in all {
            let known = told.last_mut().filter(|(.., summary)| summary.quantity == quantity);
            let doubtful = known.as_ref().map_or(0, |(.., summary)| summary.doubtful);
            let doubtful = doubtful.saturating_add(seen.doubtful);
            let summary = QuantitySummary {
                quantity,
                minimum: seen.minimum,
                mean: seen.mean(),
                maximum: seen.maximum,
                last: seen.last,
                usable: seen.usable,
                doubtful,
            };
            match known {
                None => told.push((source, seen, summary)),
                Some(known) if seen.speaks_before(quantity, &known.1, known.0) => {
                    *known = (source, seen, summary);
                }
                Some((.., summary)) => summary.doubtful = doubtful,
            }
        }
        let told = told.into_iter().map(|(.., summary)| summary);
        told.filter(|summary| summary.usable > 0).collect()
    }
}

impl Seen {
    /// Whether this source of a quantity is told of, and not the one before it in the order.
    fn speaks_before(&self, quantity: Quantity, other: &Self, other_source: Source) -> bool {
        match (self.usable, other.usable) {
            (0, _) => false,
            (_, 0) => true,
            _ if quantity == Quantity::DoMgL => self.mean() < other.mean(),
            // A probe before a person's entry; of two probes the first.
            _ => other_source.is_none(),
        }
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
            tally.count(Quantity::DoMgL, Some((0, 0)), Timestamp(0), Some(value), flag);
        }
        tally.count(Quantity::Ph, Some((0, 1)), Timestamp(0), None, Flag::Missing);
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
    fn of_several_probes_one_is_told_of() {
        let mut tally = Tally::default();
        let mut count = |quantity, source, minute: i32, value| {
            tally.count(quantity, source, Timestamp(i64::from(minute) * 60_000), Some(value), Flag::Pass);
        };
        // Near the bottom and near the surface: the lower speaks, though the other came last.
        for (minute, bottom, surface) in [(0, 3.1, 6.1), (1, 3.0, 6.0)] {
            count(Quantity::DoMgL, Some((1, 0)), minute, bottom);
            count(Quantity::DoMgL, Some((0, 0)), minute, surface);
            count(Quantity::TemperatureC, Some((1, 1)), minute, 28.0);
            count(Quantity::TemperatureC, Some((0, 1)), minute, 30.0);
        }
        count(Quantity::TemperatureC, None, 2, 25.0);
        // Dated before what came before it.
        count(Quantity::DoMgL, Some((1, 0)), -9, 3.4);
        tally.count(Quantity::DoMgL, Some((0, 0)), Timestamp(0), Some(9.9), Flag::Suspect);
        let told = tally.close();
        let [oxygen, temperature] = told.as_slice() else { panic!("{told:?}") };
        assert_eq!((oxygen.minimum, oxygen.maximum, oxygen.last), (3.0, 3.4, 3.0));
        assert_eq!((oxygen.usable, oxygen.doubtful), (3, 1));
        assert_eq!((temperature.mean, temperature.last, temperature.usable), (30.0, 30.0, 2));
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
