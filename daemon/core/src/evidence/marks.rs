//! Days that a person marked as disturbed: what happened there has nothing to do with the treatment.
//!
//! A day that is left out because its value does not please makes an effect of nothing. So a mark counts only
//! where it was made before much could be seen of what it does to the comparison; and what holds only because
//! days were left out is not said ([`super::verdict::with_and_without`]).

use alloc::vec::Vec;

use super::days::day_start;
use super::outcome::Outcome;
use crate::diary::Disturbance;
use crate::time::{Span, Timestamp};

/// So long after the end of a day a mark of it counts. (Our own choice.)
pub const WITHIN: Span = Span::from_hours(48);

/// A marked day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mark {
    /// By the sun at the farm.
    pub day: i64,
    /// It was made in time, so that the day is left out.
    pub counts: bool,
}

/// The days that a disturbance touches, where it began at `at` and was recorded at `recorded`. What a night comes
/// to shows the day before it, so that such outcomes lose the day after too.
pub fn days(
    own: &Disturbance,
    (at, recorded): (Timestamp, Timestamp),
    outcome: Outcome,
    longitude_deg: f64,
) -> Vec<Mark> {
    let day = |at| crate::diary::book::local_day(at, longitude_deg);
    let first = day(at);
    let over = day(own.stop.unwrap_or(at)).max(first);
    let last = over.saturating_add(i64::from(outcome.is_before_dose()));
    let mark = |day: i64| {
        let end = day_start(longitude_deg, day.min(over).saturating_add(1));
        Mark { day, counts: recorded - end <= WITHIN }
    };
    (first..=last).map(mark).collect()
}
