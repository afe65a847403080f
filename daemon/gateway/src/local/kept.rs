//! Readings of the past: those at hand, those in the store, and what they were rolled up to.

use pondreeve_core::{Quantity, Span, Timestamp};

use super::protocol::{HistoryPoint, KeptReading, Reply, RollUp};
use super::requests::{Counter, Refusal, any_time, unknown_quantity};
use super::service;
use super::status::rfc3339;
use crate::engine::HISTORY_KEPT;
use crate::journal::{Level, Query};

/// Longest stretches of one answer: the one who asks goes on from there.
const MOST_RAW: Span = Span::from_hours(24);
const MOST_ROLLED: Span = Span::from_hours(24 * 366);

/// The last moment that RFC 3339 can write, and jiff, in any offset.
const END_OF_TIME: Timestamp = Timestamp(253_402_207_199_999);

/// Most points of one history answer; a screen is far narrower.
const MOST_POINTS: usize = 10_000;

impl Counter {
    pub(super) async fn history(
        &self,
        pond: &str,
        quantity: &str,
        seconds: u64,
        points: usize,
    ) -> Result<Reply, Refusal> {
        self.pond(pond)?;
        let found = Quantity::from_id(quantity).ok_or_else(|| unknown_quantity(quantity, |_| true))?;
        if points == 0 || points > MOST_POINTS {
            return Err(Refusal::Bad(format!(
                "{points} points were asked for: 1 to {MOST_POINTS} are given"
            )));
        }
        let kept_s = HISTORY_KEPT.as_millis().unsigned_abs() / 1_000;
        if seconds > kept_s {
            return Err(Refusal::Bad(format!(
                "{seconds} s of history were asked for: the last {kept_s} s are at hand"
            )));
        }
        let back = Span::from_secs(i64::try_from(seconds).unwrap_or(i64::MAX));
        let from = self.clock.now() - back;
        let points = self.desk.history(pond, found, from, points).await.ok_or(Refusal::Ended)?;
        let points = points.into_iter().map(|point| HistoryPoint {
            at: rfc3339(point.at),
            value: point.value,
            flag: point.flag as u8,
        });
        Ok(Reply::History { points: points.collect() })
    }

    /// What is kept; roll-ups where a level is given. Without a pond: of the whole farm, as from a weather mast.
    pub(super) async fn stored(
        &self,
        pond: &str,
        quantity: &str,
        from: &str,
        to: &str,
        level: Option<Level>,
    ) -> Result<Reply, Refusal> {
        if !pond.is_empty() {
            self.pond(pond)?;
        }
        let quantity = Quantity::from_id(quantity).ok_or_else(|| unknown_quantity(quantity, |_| true))?;
        let (from, to) = (any_time(from)?, any_time(to)?);
        let most = if level.is_some() { MOST_ROLLED } else { MOST_RAW };
        if to - from > most || to < from {
            return Err(Refusal::Bad(format!(
                "{} to {} was asked for: one answer covers 0 to {} hours",
                rfc3339(from),
                rfc3339(to),
                most.as_hours()
            )));
        }
        let query = Query { pond: pond.to_owned(), quantity, from, to };
        let shelf = self.desk.shelf();
        if let Some(level) = level {
            let found = shelf.rolled(query.clone(), level).await.map_err(Refusal::Failed)?;
            let none_before = self.none_before(query, true, found.is_empty()).await?;
            let roll_ups = found.into_iter().map(|own| RollUp {
                from: rfc3339(own.from),
                minimum: own.minimum,
                mean: own.mean,
                maximum: own.maximum,
                usable: own.usable,
                suspect: own.suspect,
                failed: own.failed,
                missing: own.missing,
            });
            return Ok(Reply::RollUps { roll_ups: roll_ups.collect(), none_before });
        }
        let found = shelf.readings(query.clone()).await.map_err(Refusal::Failed)?;
        let none_before = self.none_before(query, false, found.is_empty()).await?;
        let finite = |value: Option<f64>| value.filter(|value| value.is_finite());
        let view = self.desk.view().await.ok_or(Refusal::Ended)?;
        let corrected = |probe: &str, at: Timestamp, value: Option<f64>| {
            let more = service::correction(&view, &self.farm, (probe, quantity), at)?;
            finite(value).map(|value| value + more)
        };
        let readings = found.into_iter().map(|kept| KeptReading {
            at: rfc3339(kept.at),
            corrected: corrected(&kept.probe, kept.at, kept.value),
            probe: kept.probe,
            raw: finite(kept.raw),
            value: finite(kept.value),
            flag: kept.flag.map(|flag| flag as u8),
        });
        Ok(Reply::Readings { readings: readings.collect(), none_before })
    }

    /// Behind a stretch without anything: the time before which there is nothing either.
    async fn none_before(&self, query: Query, rolled: bool, empty: bool) -> Result<Option<String>, Refusal> {
        if !empty {
            return Ok(None);
        }
        let behind = query.to;
        let next = self.desk.shelf().next_kept(query, rolled, behind).await.map_err(Refusal::Failed)?;
        Ok(Some(rfc3339(next.unwrap_or(END_OF_TIME))))
    }
}

pub(super) fn level(every: &str) -> Result<Level, Refusal> {
    match every {
        "quarter" => Ok(Level::Quarter),
        "hour" => Ok(Level::Hour),
        "day" => Ok(Level::Day),
        _ => {
            Err(Refusal::Bad(format!("{every:?} is no length of a roll-up: accepted are quarter, hour, day")))
        }
    }
}
