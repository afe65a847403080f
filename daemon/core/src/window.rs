//! A day of one quantity in bins of a minute. Every rolling value is computed from what the bins
//! hold, never from a sum that adds and subtracts, so it depends on the window alone.

use alloc::collections::VecDeque;
use alloc::vec::Vec;

use crate::time::{Span, Timestamp};

/// How far back the window reaches: a day, and two hours so that "24 hours" survives a late look.
pub const REACH: Span = Span::from_hours(26);

/// Length of a bin.
const BIN_MS: i64 = 60_000;

/// At most so many bins: one per minute of [`REACH`]. At 24 bytes each this is 37 KiB a channel.
const MAX_BINS: usize = 26 * 60;

/// The usable values of one minute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bin {
    minute: i64,
    sum: f64,
    count: u32,
}

impl Bin {
    /// Mean of the minute.
    pub fn mean(&self) -> f64 {
        self.sum / f64::from(self.count.max(1))
    }

    /// Middle of the minute.
    pub fn at(&self) -> Timestamp {
        Timestamp(self.minute.saturating_mul(BIN_MS).saturating_add(BIN_MS / 2))
    }
}

/// The window itself: bins in order of time, without empty ones.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Window {
    #[cfg_attr(feature = "checkpoint", serde(with = "packed"))]
    bins: VecDeque<Bin>,
}

impl Window {
    /// Adds a usable value. A value older than the window's reach is left out.
    pub fn add(&mut self, at: Timestamp, value: f64) {
        let minute = at.as_millis().div_euclid(BIN_MS);
        let fresh = Bin { minute, sum: value, count: 1 };
        let place = match self.bins.back() {
            Some(last) if last.minute < minute => self.bins.len(),
            None => 0,
            Some(_) => self.bins.partition_point(|bin| bin.minute < minute),
        };
        if self.bins.len() == self.bins.capacity() && self.bins.len() >= 1_024 {
            // Doubling once more would take room that is never used.
            self.bins.reserve_exact(MAX_BINS.saturating_sub(self.bins.len()).saturating_add(1));
        }
        match self.bins.get_mut(place) {
            Some(bin) if bin.minute == minute => {
                bin.sum += value;
                bin.count = bin.count.saturating_add(1);
            }
            _ => self.bins.insert(place, fresh),
        }
        if let Some(newest) = self.bins.back().map(|bin| bin.minute) {
            let oldest = newest.saturating_sub(REACH.as_millis() / BIN_MS);
            while self.bins.front().is_some_and(|bin| bin.minute < oldest) || self.bins.len() > MAX_BINS {
                self.bins.pop_front();
            }
        }
    }

    /// Forgets the minutes from that of `from` to that of `to`.
    pub fn forget(&mut self, from: Timestamp, to: Timestamp) {
        let first = from.as_millis().div_euclid(BIN_MS);
        let last = to.as_millis().div_euclid(BIN_MS);
        let start = self.bins.partition_point(|bin| bin.minute < first);
        let end = self.bins.partition_point(|bin| bin.minute <= last).max(start);
        self.bins.drain(start..end);
    }

    /// Bytes held.
    pub fn size_bytes(&self) -> usize {
        self.bins.capacity() * size_of::<Bin>()
    }

    /// The bins whose minute lies in `[from, to]`, oldest first.
    pub fn between(&self, from: Timestamp, to: Timestamp) -> impl DoubleEndedIterator<Item = &Bin> + Clone {
        let first = from.as_millis().div_euclid(BIN_MS);
        let last = to.as_millis().div_euclid(BIN_MS);
        let start = self.bins.partition_point(|bin| bin.minute < first);
        let end = self.bins.partition_point(|bin| bin.minute <= last).max(start);
        self.bins.range(start..end)
    }

    /// Lowest and highest minute mean in `[from, to]`.
    pub fn extremes(&self, from: Timestamp, to: Timestamp) -> Option<(f64, f64)> {
        self.between(from, to).map(Bin::mean).fold(None, |seen: Option<(f64, f64)>, value| {
            Some(seen.map_or((value, value), |(low, high)| (low.min(value), high.max(value))))
        })
    }

    /// Time between the oldest and the newest bin in `[from, to]`.
    pub fn covered(&self, from: Timestamp, to: Timestamp) -> Span {
        let mut bins = self.between(from, to);
        match (bins.next(), bins.next_back()) {
            (Some(first), Some(last)) => last.at() - first.at(),
            _ => Span::ZERO,
        }
    }

    /// Means of blocks of `every` in `[from, to)`, counted from `from`, as hours since `from` (middle
    /// of the block) and value. Empty blocks are left out.
    pub fn blocks(&self, from: Timestamp, to: Timestamp, every: Span) -> Vec<(f64, f64)> {
        let every_ms = every.as_millis().max(BIN_MS);
        let mut blocks: Vec<(f64, f64)> = Vec::new();
        let mut open: Option<(i64, f64, f64)> = None;
        let hours = |block: i64| (block as f64 + 0.5) * every_ms as f64 / 3_600_000.0;
        for bin in self.between(from, to - Span::from_millis(1)) {
            let block = (bin.at() - from).as_millis().div_euclid(every_ms);
            open = match open {
                Some((same, sum, count)) if same == block => Some((same, sum + bin.mean(), count + 1.0)),
                other => {
                    if let Some((done, sum, count)) = other {
                        blocks.push((hours(done), sum / count));
                    }
                    Some((block, bin.mean(), 1.0))
                }
            };
        }
        if let Some((done, sum, count)) = open {
            blocks.push((hours(done), sum / count));
        }
        blocks
    }

    /// Mean of the bins in `[from, to]`.
    pub fn mean(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        let (sum, count) =
            self.between(from, to).fold((0.0, 0.0), |(sum, count), bin| (sum + bin.mean(), count + 1.0));
        (count > 0.0).then(|| sum / count)
    }
}

/// Median of the pairwise slopes (Theil 1950, Sen 1968), and of the intercepts at `x = 0`. Holds with
/// up to 29 % of the points wrong. `None` for fewer than three points.
pub fn theil_sen(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    if points.len() < 3 {
        return None;
    }
    let mut slopes = Vec::with_capacity(points.len() * points.len() / 2);
    for (index, &(x1, y1)) in points.iter().enumerate() {
        for &(x2, y2) in points.iter().skip(index + 1) {
            if x2 != x1 {
                slopes.push((y2 - y1) / (x2 - x1));
            }
        }
    }
    let slope = median(&mut slopes)?;
    let mut intercepts: Vec<f64> = points.iter().map(|&(x, y)| y - slope * x).collect();
    Some((slope, median(&mut intercepts)?))
}

/// Median; `None` of nothing. Reorders what it is given.
pub fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    let middle = values.len() / 2;
    let upper = *values.get(middle)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    Some((upper + values.get(middle.checked_sub(1)?).copied()?) / 2.0)
}

/// Bins as small whole numbers: what a probe sends are short decimals, and a minute is near the one
/// before. Whatever a value is, it comes back with the same bits.
#[cfg(feature = "checkpoint")]
mod packed {
    use alloc::collections::VecDeque;
    use alloc::vec::Vec;

    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::Bin;

    /// Numbers of one bin.
    const PER_BIN: usize = 4;

    /// The nearest whole number of thousandths, and by how many steps of the last bit it misses.
    fn split(value: f64) -> (i64, i64) {
        let thousandths = libm::round(value * 1000.0) as i64;
        let near = thousandths as f64 / 1000.0;
        (thousandths, value.to_bits().wrapping_sub(near.to_bits()).cast_signed())
    }

    fn join(thousandths: i64, steps: i64) -> f64 {
        let near = thousandths as f64 / 1000.0;
        f64::from_bits(near.to_bits().wrapping_add(steps.cast_unsigned()))
    }

    pub(super) fn serialize<S: Serializer>(bins: &VecDeque<Bin>, to: S) -> Result<S::Ok, S::Error> {
        let mut numbers: Vec<i64> = Vec::with_capacity(bins.len().saturating_mul(PER_BIN));
        let mut before = [0_i64; 2];
        for bin in bins {
            let sum = split(bin.sum);
            let now = [bin.minute, sum.0];
            numbers.extend(now.iter().zip(&before).map(|(now, before)| now.wrapping_sub(*before)));
            numbers.extend([i64::from(bin.count), sum.1]);
            before = now;
        }
        numbers.serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<VecDeque<Bin>, D::Error> {
        let numbers = Vec::<i64>::deserialize(from)?;
        let mut before = [0_i64; 2];
        let mut bins = VecDeque::with_capacity(numbers.len() / PER_BIN);
        for bin in numbers.chunks(PER_BIN) {
            let &[minute, sum, count, sum_steps] = bin else {
                return Err(D::Error::custom("a bin is cut short"));
            };
            let mut now = [minute, sum];
            now.iter_mut().zip(&before).for_each(|(now, before)| *now = now.wrapping_add(*before));
            let [minute, sum] = now;
            bins.push_back(Bin {
                minute,
                sum: join(sum, sum_steps),
                count: u32::try_from(count).map_err(D::Error::custom)?,
            });
            before = now;
        }
        Ok(bins)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Timestamp {
        Timestamp(0) + Span::from_minutes(minutes)
    }

    #[test]
    fn memory_is_bounded_and_the_past_is_forgotten() {
        let mut window = Window::default();
        for minute in 0..5_000 {
            window.add(at(minute), minute as f64);
        }
        assert!(window.bins.len() <= MAX_BINS);
        assert_eq!(window.extremes(at(0), at(5_000)), Some((3_440.0, 4_999.0)));
        window.add(at(10), 1.0);
        assert_eq!(window.extremes(at(0), at(3_000)), None);
    }

    #[test]
    fn a_late_value_lands_where_it_belongs() {
        let (mut in_order, mut late) = (Window::default(), Window::default());
        for minute in [1, 2, 3] {
            in_order.add(at(minute), f64::from(minute as i32));
        }
        for minute in [1, 3, 2] {
            late.add(at(minute), f64::from(minute as i32));
        }
        assert_eq!(in_order, late);
    }

    #[test]
    fn blocks_average_their_minutes() {
        let mut window = Window::default();
        for (minute, value) in [(0, 1.0), (5, 3.0), (31, 10.0)] {
            window.add(at(minute), value);
        }
        assert_eq!(window.blocks(at(0), at(60), Span::from_minutes(15)), [(0.125, 2.0), (0.625, 10.0)]);
    }

    #[test]
    fn theil_sen_ignores_an_outlier_that_would_tilt_least_squares() {
        // y = 8 - 0.5 x, with one point far off.
        let points: Vec<(f64, f64)> =
            (0..9).map(f64::from).map(|x| (x, if x == 4.0 { 0.0 } else { 8.0 - 0.5 * x })).collect();
        assert_eq!(theil_sen(&points), Some((-0.5, 8.0)));
        assert_eq!(theil_sen(&points[..2]), None);
    }
}
