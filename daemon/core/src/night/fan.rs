//! The forecast as a course in time, with its 80 % interval about it: what a chart draws.

use alloc::vec::Vec;

use super::EVERY;
use super::course::fallen;
use crate::effect::Forecast;
use crate::sunlight::LOW_UNTIL;
use crate::time::{Span, Timestamp};

/// The expected oxygen at one moment of the night.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoursePoint {
    /// When.
    pub at: Timestamp,
    /// Lower edge of the 80 % interval, mg/L.
    pub low_80: f64,
    /// Expected, mg/L.
    pub do_mg_l: f64,
    /// Upper edge of the 80 % interval, mg/L.
    pub high_80: f64,
}

/// Lower edge, middle and upper edge, mg/L.
type Edges = [f64; 3];

impl Forecast {
    /// The expected oxygen each quarter of an hour from when the forecast was made to an hour after sunrise,
    /// and at the low and at sunrise themselves.
    ///
    /// To the low the middle is the curve from which the times in `below` come, and each edge is the same
    /// curve down to its own end of the interval: the width is nothing at the reading it starts from, and
    /// the forecast's own at the low. (Common practice, no source: what is not known is how steep the fall
    /// is, and that grows with the fall.) From there it goes straight to the oxygen expected at sunrise, and
    /// stays, since what the light adds is not forecast. A low after sunrise leaves no place for that value
    /// between, and one at or before the reading lies behind: the course then passes by either.
    pub fn course(&self) -> Vec<CoursePoint> {
        let end = self.sunrise + LOW_UNTIL;
        let quarters = (end - self.at).as_millis().max(0).div_euclid(EVERY.as_millis());
        let mut times: Vec<Timestamp> = (0..=quarters)
            .map(|quarter| self.at + Span::from_millis(quarter.saturating_mul(EVERY.as_millis())))
            .chain([self.do_min_at, self.sunrise, end])
            .filter(|&at| at >= self.at && (at <= end || at == self.at))
            .collect();
        times.sort_unstable();
        times.dedup();
        times
            .into_iter()
            .map(|at| {
                let [low_80, do_mg_l, high_80] = self.expected(at);
                CoursePoint { at, low_80, do_mg_l, high_80 }
            })
            .collect()
    }

    fn expected(&self, at: Timestamp) -> Edges {
        let read: Edges = [self.oxygen_mg_l; 3];
        let lowest: Edges = [self.low_80, self.do_min_mg_l, self.high_80];
        let low_is_ahead = self.do_min_at > self.oxygen_at;
        if low_is_ahead && at < self.do_min_at {
            return between(read, lowest, fallen(share(self.oxygen_at, at, self.do_min_at)));
        }
        let rise = self.do_sunrise_mg_l - self.do_min_mg_l;
        let morning = lowest.map(|edge| (edge + rise).min(self.oxygen_mg_l));
        if !low_is_ahead {
            let until = if self.sunrise > self.oxygen_at { self.sunrise } else { self.sunrise + LOW_UNTIL };
            return between(read, morning, share(self.oxygen_at, at, until));
        }
        if self.sunrise <= self.do_min_at {
            return lowest;
        }
        between(lowest, morning, share(self.do_min_at, at, self.sunrise))
    }
}

/// Which part of the way from `from` to `to` is behind at `at`.
fn share(from: Timestamp, at: Timestamp, to: Timestamp) -> f64 {
    let whole = (to - from).as_millis();
    if whole <= 0 { 1.0 } else { ((at - from).as_millis() as f64 / whole as f64).clamp(0.0, 1.0) }
}

/// Weighted so that both ends are met exactly.
fn between(from: Edges, to: Edges, share: f64) -> Edges {
    let mut edges = to;
    for (edge, start) in edges.iter_mut().zip(from) {
        *edge = start * (1.0 - share) + *edge * share;
    }
    edges
}

#[cfg(test)]
mod tests {
    use alloc::vec;

    use super::super::course::crossing;
    use super::*;
    use crate::effect::Crossing;
    use crate::site::PondIndex;

    fn hour(hours: f64) -> Timestamp {
        Timestamp((hours * 3_600_000.0) as i64)
    }

    /// Made two hours after sunset at 7 mg/L: 3 ± 1 at ten, sunrise at twelve.
    fn forecast() -> Forecast {
        let below = |limit_mg_l| Crossing {
            limit_mg_l,
            at: crossing(hour(2.0), 7.0, hour(10.0), 3.0, limit_mg_l),
            probability: 0.5,
        };
        Forecast {
            pond: PondIndex(0),
            at: hour(2.0),
            oxygen_at: hour(2.0),
            oxygen_mg_l: 7.0,
            sunset: hour(0.0),
            sunrise: hour(12.0),
            do_min_mg_l: 3.0,
            do_min_at: hour(10.0),
            low_80: 2.0,
            high_80: 4.0,
            low_tenth_mg_l: 2.0,
            do_sunrise_mg_l: 3.5,
            night_slope_mg_l_h: -0.5,
            slope_if_aerators_stop_mg_l_h: None,
            below: vec![below(5.0), below(4.0), below(3.5), below(2.0)],
            basis: crate::said::Said::default(),
        }
    }

    fn at(course: &[CoursePoint], when: Timestamp) -> Edges {
        let point = course.iter().find(|point| point.at == when).expect("a point then");
        [point.low_80, point.do_mg_l, point.high_80]
    }

    #[test]
    fn the_course_meets_the_reading_the_low_and_the_sunrise() {
        let course = forecast().course();
        assert_eq!(course.first().map(|point| point.at), Some(hour(2.0)));
        assert_eq!(course.last().map(|point| point.at), Some(hour(13.0)));
        // From 2 h to 13 h by quarters: 44 steps; the low and the sunrise fall on quarters.
        assert_eq!(course.len(), 45);
        assert_eq!(at(&course, hour(2.0)), [7.0, 7.0, 7.0]);
        assert_eq!(at(&course, hour(10.0)), [2.0, 3.0, 4.0]);
        assert_eq!(at(&course, hour(11.0)), [2.25, 3.25, 4.25]);
        assert_eq!(at(&course, hour(12.0)), [2.5, 3.5, 4.5]);
        assert_eq!(at(&course, hour(13.0)), [2.5, 3.5, 4.5]);
    }

    /// Half of the time: (1 - e^-0.5) / (1 - e^-1) = 0.39347 / 0.63212 = 0.62246 of the fall.
    #[test]
    fn more_than_half_of_the_fall_is_done_in_half_of_the_time() {
        let middle = at(&forecast().course(), hour(6.0));
        for (edge, end) in middle.into_iter().zip([2.0, 3.0, 4.0]) {
            let by_hand = 7.0 - (7.0 - end) * 0.622_46;
            assert!((edge - by_hand).abs() < 1e-4, "{edge} {by_hand}");
        }
    }

    #[test]
    fn limits_are_crossed_when_the_forecast_says_so() {
        let forecast = forecast();
        let mut crossed = 0;
        for Crossing { limit_mg_l, at, .. } in forecast.below.iter().copied() {
            let Some(at) = at else { continue };
            crossed += 1;
            let [_, expected, _] = forecast.expected(at);
            assert!((expected - limit_mg_l).abs() < 1e-6, "{expected} {limit_mg_l}");
        }
        assert_eq!(crossed, 3, "all but the limit below the low");
    }

    #[test]
    fn edges_keep_their_order_and_widen_until_the_low() {
        let course = forecast().course();
        let mut width = -1.0;
        let mut middle = f64::INFINITY;
        for point in &course {
            assert!(point.low_80 <= point.do_mg_l && point.do_mg_l <= point.high_80, "{point:?}");
            assert!(point.high_80 <= 7.0 && point.do_mg_l >= 3.0 && point.low_80 >= 2.0, "{point:?}");
            if point.at <= hour(10.0) {
                assert!(point.high_80 - point.low_80 > width && point.do_mg_l < middle, "{point:?}");
                (width, middle) = (point.high_80 - point.low_80, point.do_mg_l);
            }
        }
        // At hours that lie between the quarters too.
        let odd = Forecast { do_min_at: hour(10.1), sunrise: hour(11.87), ..forecast() };
        let times: Vec<Timestamp> = odd.course().iter().map(|point| point.at).collect();
        assert!(times.contains(&hour(10.1)) && times.contains(&hour(11.87)) && times.contains(&hour(12.87)));
        assert!(times.is_sorted());
    }

    #[test]
    fn a_kept_forecast_is_wide_already_when_it_is_told() {
        let kept = Forecast { at: hour(6.0), ..forecast() };
        let course = kept.course();
        assert_eq!(course.first().map(|point| point.at), Some(hour(6.0)));
        let [low, middle, high] = at(&course, hour(6.0));
        assert!(low < middle - 0.5 && high > middle + 0.5, "{low} {middle} {high}");
        assert_eq!(at(&course, hour(10.0)), [2.0, 3.0, 4.0]);
    }

    #[test]
    fn a_low_that_lies_behind_leaves_the_way_to_sunrise() {
        let late = Forecast { at: hour(10.0), oxygen_at: hour(10.0), oxygen_mg_l: 4.0, ..forecast() };
        let course = late.course();
        assert_eq!(at(&course, hour(10.0)), [4.0, 4.0, 4.0]);
        assert_eq!(at(&course, hour(12.0)), [2.5, 3.5, 4.0], "never above what was read");
        // After sunrise there is nothing but the hour that is left.
        let morning = Forecast { at: hour(12.5), oxygen_at: hour(12.5), do_min_at: hour(12.5), ..late };
        assert_eq!(morning.course().len(), 3);
        assert_eq!(at(&morning.course(), hour(13.0)), [2.5, 3.5, 4.0]);
        // One that comes after sunrise is met all the same.
        let after = Forecast { do_min_at: hour(12.5), ..forecast() };
        assert_eq!(at(&after.course(), hour(12.5)), [2.0, 3.0, 4.0]);
        assert_eq!(at(&after.course(), hour(13.0)), [2.0, 3.0, 4.0]);
    }
}
