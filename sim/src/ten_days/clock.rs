//! Farm time of the ten days: day 1 to 10, clock time at the farm.

/// Midnight at the farm at which day 1 begins, ms since 1970: 2026-03-17T05:00:00Z.
pub const START_MS: i64 = 1_773_723_600_000;
/// Farm time less UTC, ms.
pub const UTC_OFFSET_MS: i64 = -5 * HOUR_MS;
/// When the gateway is switched on, ms since 1970: six in the morning of day 1.
pub const FIRST_MS: i64 = at(1, 6, 0);
/// How many days there are.
pub const DAYS: i64 = 10;

pub(super) const MINUTE_MS: i64 = 60_000;
pub(super) const HOUR_MS: i64 = 60 * MINUTE_MS;
pub(super) const DAY_MS: i64 = 24 * HOUR_MS;

/// End of day 10, ms since 1970.
pub const END_MS: i64 = START_MS + DAYS * DAY_MS;

/// The moment of a clock time on a day, 1 to 10; hours from 24 on are in the night that follows.
pub const fn at(day: i64, hour: i64, minute: i64) -> i64 {
    START_MS + (day - 1) * DAY_MS + hour * HOUR_MS + minute * MINUTE_MS
}

/// Day (1 to 10) and clock time at the farm, as a person writes it.
pub fn told(at_ms: i64) -> String {
    let minutes = (at_ms - START_MS).div_euclid(MINUTE_MS);
    let (day, minute) = (minutes.div_euclid(24 * 60) + 1, minutes.rem_euclid(24 * 60));
    format!("day {day} {:02}:{:02}", minute / 60, minute % 60)
}

/// Hour of the day at the farm, 0 to 24.
pub(super) fn hour(at_ms: i64) -> f64 {
    (at_ms - START_MS).rem_euclid(DAY_MS) as f64 / HOUR_MS as f64
}
