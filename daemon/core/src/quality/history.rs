//! What a channel read hour by hour, for the tests that compare with its own recent days.

use alloc::collections::VecDeque;
use alloc::vec::Vec;

use crate::time::{Span, Timestamp};
use crate::window::median;

const HOUR_MS: i64 = 3_600_000;

/// One hour.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Hour {
    /// Hours since 1970.
    number: i64,
    sum: f64,
    count: u32,
    highest: f32,
}

impl Hour {
    fn mean(&self) -> f64 {
        self.sum / f64::from(self.count.max(1))
    }
}

/// Means of the last hours, without empty ones, oldest first.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct History {
    hours: VecDeque<Hour>,
}

/// Number of the hour that holds a time.
pub fn hour_of(at: Timestamp) -> i64 {
    at.as_millis().div_euclid(HOUR_MS)
}

impl History {
    /// Adds a value and forgets what is more than `reach` hours older than the newest.
    pub fn add(&mut self, at: Timestamp, value: f64, reach: i64) {
        let number = hour_of(at);
        let place = match self.hours.back() {
            Some(last) if last.number < number => self.hours.len(),
            None => 0,
            Some(_) => self.hours.partition_point(|hour| hour.number < number),
        };
        if self.hours.len() == self.hours.capacity() && self.hours.len() >= 128 {
            // Doubling once more would take room that is never used.
            let most = usize::try_from(reach).unwrap_or_default().saturating_add(2);
            self.hours.reserve_exact(most.saturating_sub(self.hours.len()).max(1));
        }
        match self.hours.get_mut(place) {
            Some(hour) if hour.number == number => {
                hour.sum += value;
                hour.count = hour.count.saturating_add(1);
                hour.highest = hour.highest.max(value as f32);
            }
            _ => self.hours.insert(place, Hour { number, sum: value, count: 1, highest: value as f32 }),
        }
        let oldest = self.hours.back().map_or(i64::MIN, |hour| hour.number.saturating_sub(reach));
        while self.hours.front().is_some_and(|hour| hour.number < oldest) {
            self.hours.pop_front();
        }
    }

    /// Forgets the hours that touch `[from, to]`.
    pub fn forget(&mut self, from: Timestamp, to: Timestamp) {
        let (from, to) = (hour_of(from), hour_of(to));
        self.hours.retain(|hour| hour.number < from || hour.number > to);
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.hours.clear();
    }

    /// Means of the hours from number `from` to number `to`, both included.
    pub fn means(&self, from: i64, to: i64) -> impl Iterator<Item = f64> + '_ {
        self.between(from, to).map(Hour::mean)
    }

    fn between(&self, from: i64, to: i64) -> impl Iterator<Item = &Hour> {
        let start = self.hours.partition_point(|hour| hour.number < from);
        let end = self.hours.partition_point(|hour| hour.number <= to).max(start);
        self.hours.range(start..end)
    }

    /// Highest less lowest hourly mean of the 24 hours that end with the hour of `at`, if at least 20 of
    /// them are known.
    pub fn day_range(&self, at: Timestamp) -> Option<f64> {
        self.range(hour_of(at))
    }

    fn range(&self, last: i64) -> Option<f64> {
        let (mut low, mut high, mut known) = (f64::INFINITY, f64::NEG_INFINITY, 0);
        for mean in self.means(last.saturating_sub(23), last) {
            (low, high, known) = (low.min(mean), high.max(mean), known + 1);
        }
        (known >= 20).then_some(high - low)
    }

    /// Median range of the days that ended 1 to `days` days before `at`, if at least `least` are known.
    pub fn usual_day_range(&self, at: Timestamp, days: i64, least: usize) -> Option<f64> {
        let last = hour_of(at);
        let mut ranges: Vec<f64> =
            (1..=days).filter_map(|ago| self.range(last.saturating_sub(24 * ago))).collect();
        if ranges.len() < least { None } else { median(&mut ranges) }
    }

    /// What is usual at the hour of `at`: median, and 1.4826 times the median absolute deviation, of the
    /// means of that hour and its two neighbours on the days before. `None` before `least` days are known.
    pub fn usual_at_hour(&self, at: Timestamp, days: i64, least: usize) -> Option<(f64, f64)> {
        let hour = hour_of(at);
        let mut known = 0;
        let mut means: Vec<f64> = Vec::new();
        for ago in 1..=days {
            let before = means.len();
            let middle = hour.saturating_sub(24 * ago);
            means.extend(self.means(middle.saturating_sub(1), middle.saturating_add(1)));
            known += usize::from(means.len() > before);
        }
        if known < least {
            return None;
        }
        let usual = median(&mut means)?;
        let mut away: Vec<f64> = means.iter().map(|mean| libm::fabs(mean - usual)).collect();
        Some((usual, 1.4826 * median(&mut away)?))
    }

    /// Of the 24 hours that end with the hour of `at`: how many are known, and how many of them saw
    /// a value of at least `level`.
    pub fn hours_at_least(&self, at: Timestamp, level: f64) -> (usize, usize) {
        let last = hour_of(at);
        self.between(last.saturating_sub(23), last).fold((0, 0), |(known, high), hour| {
            (known + 1, high + usize::from(f64::from(hour.highest) >= level))
        })
    }

    /// Bytes held.
    pub fn size_bytes(&self) -> usize {
        self.hours.capacity() * size_of::<Hour>()
    }
}

/// Days of the climatology.
pub const CLIMATE_DAYS: i64 = 14;

/// Hours kept for it.
pub const CLIMATE_HOURS: i64 = 24 * (CLIMATE_DAYS + 1);

/// A day, as the daily tests look back.
pub const DAY: Span = Span::from_hours(24);

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hours: i64) -> Timestamp {
        Timestamp(0) + Span::from_hours(hours)
    }

    /// Ten days of 5 ± 3 by hour of day: at hour 6 of the day the mean is 5 + 3 sin(90°) = 8.
    fn ten_days() -> History {
        let mut history = History::default();
        for hour in 0..240 {
            let angle = core::f64::consts::TAU * (hour % 24) as f64 / 24.0;
            history.add(at(hour), 5.0 + 3.0 * libm::sin(angle), CLIMATE_HOURS);
        }
        history
    }

    #[test]
    fn the_usual_is_that_of_the_hour() {
        let history = ten_days();
        let (usual, away) = history.usual_at_hour(at(246), CLIMATE_DAYS, 5).unwrap();
        // Two of three hours around the peak read 5 + 3 sin(75°) = 7.898.
        assert!((usual - 7.898).abs() < 1e-3, "{usual}");
        assert!(away < 0.2, "{away}");
        assert_eq!(ten_days().usual_at_hour(at(24 * 3), CLIMATE_DAYS, 5), None, "three days are too few");
    }

    #[test]
    fn a_days_range_needs_most_of_a_day() {
        let history = ten_days();
        assert!((history.day_range(at(239)).unwrap() - 6.0).abs() < 1e-9);
        assert!((history.usual_day_range(at(239), 7, 4).unwrap() - 6.0).abs() < 1e-9);
        let mut short = History::default();
        for hour in 0..19 {
            short.add(at(hour), hour as f64, CLIMATE_HOURS);
        }
        assert_eq!(short.day_range(at(18)), None);
    }

    #[test]
    fn memory_is_bounded() {
        let mut history = History::default();
        for hour in 0..10_000 {
            history.add(at(hour), 1.0, CLIMATE_HOURS);
        }
        assert!(history.size_bytes() <= 24 * 1024, "{}", history.size_bytes());
        history.forget(at(0), at(9_999));
        assert_eq!(history.hours_at_least(at(9_999), 0.0), (0, 0));
    }
}
