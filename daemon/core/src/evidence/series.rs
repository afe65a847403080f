//! The days of one outcome in a pond.

use alloc::vec::Vec;

/// One day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Day {
    /// By the sun at the farm, counted from 1970 as [`crate::diary::book::local_day`] does.
    pub day: i64,
    /// In the unit of the outcome.
    pub value: f64,
}

/// Days with a value, in order; a day without one is not in it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Series {
    days: Vec<Day>,
}

impl Series {
    /// Of days in any order. What is no number counts as a day without a value; of two values for a day the
    /// later one in the list stands.
    pub fn new(days: impl IntoIterator<Item = (i64, f64)>) -> Self {
        let finite = days.into_iter().filter(|(_, value)| value.is_finite());
        let mut days: Vec<Day> = finite.map(|(day, value)| Day { day, value }).collect();
        days.sort_by_key(|own| own.day);
        let mut own: Vec<Day> = Vec::with_capacity(days.len());
        for day in days {
            match own.last_mut() {
                Some(last) if last.day == day.day => *last = day,
                _ => own.push(day),
            }
        }
        Self { days: own }
    }

    /// The days, oldest first.
    pub fn days(&self) -> &[Day] {
        &self.days
    }

    /// The value of a day.
    pub fn get(&self, day: i64) -> Option<f64> {
        let place = self.days.binary_search_by_key(&day, |own| own.day).ok()?;
        self.days.get(place).map(|own| own.value)
    }

    /// This less another, on the days that both know.
    pub fn less(&self, other: &Self) -> Self {
        let both = self.days.iter().filter_map(|own| {
            let value = own.value - other.get(own.day)?;
            Some(Day { day: own.day, value })
        });
        Self { days: both.collect() }
    }

    /// Without these days.
    pub fn without(&self, left_out: &[i64]) -> Self {
        Self { days: self.days.iter().copied().filter(|own| !left_out.contains(&own.day)).collect() }
    }

    /// The days of a stretch, both ends included.
    pub fn within(&self, (first, last): (i64, i64)) -> impl Iterator<Item = Day> + Clone {
        self.days.iter().copied().filter(move |own| own.day >= first && own.day <= last)
    }

    /// Mean over a stretch, both ends included, and of how many days.
    pub fn mean(&self, stretch: (i64, i64)) -> Option<(f64, usize)> {
        let (sum, count) = self
            .within(stretch)
            .fold((0.0, 0_usize), |(sum, count), own| (sum + own.value, count.saturating_add(1)));
        (count > 0).then(|| (sum / count as f64, count))
    }
}

/// Before and after the first dose, in days; the day of the first dose belongs to neither.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Periods {
    /// First and last day before.
    pub before: (i64, i64),
    /// First and last day after.
    pub after: (i64, i64),
}

impl Periods {
    /// A trial from its first to its last day, around the day of the first dose.
    pub fn around(first: i64, first_dose: i64, last: i64) -> Self {
        Self { before: (first, first_dose.saturating_sub(1)), after: (first_dose.saturating_add(1), last) }
    }

    /// Days of a stretch.
    pub fn length((first, last): (i64, i64)) -> usize {
        usize::try_from(last.saturating_sub(first).saturating_add(1)).unwrap_or(0)
    }
}
