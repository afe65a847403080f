//! The shape of a night: its lasting low, and when a falling course crosses a limit.

use alloc::format;
use alloc::vec::Vec;

use crate::said::{Said, said};
use crate::time::{Span, Timestamp};
use crate::window::{Window, median};

pub(super) const HALF_HOUR: Span = Span::from_minutes(30);

/// Means of half hours in `[from, to)`, as [`Window::blocks`]. One half hour without a reading between two with one is
/// taken to lie between them, so that a probe that reads once an hour is seen all night.
pub(super) fn half_hours(window: &Window, from: Timestamp, to: Timestamp) -> Vec<(f64, f64)> {
    let mut halves: Vec<(f64, f64)> = Vec::new();
    for (hour, mean) in window.blocks(from, to, HALF_HOUR) {
        if let Some(&(before, value)) = halves.last()
            && libm::fabs(hour - before - 1.0) < 0.01
        {
            halves.push((before + 0.5, 0.5 * (value + mean)));
        }
        halves.push((hour, mean));
    }
    halves
}

/// Mean oxygen of the half hour up to `at`; of the hour where that half has no reading.
pub(super) fn lately(window: &Window, at: Timestamp) -> Option<f64> {
    window.mean(at - HALF_HOUR, at).or_else(|| window.mean(at - HALF_HOUR - HALF_HOUR, at))
}

/// Whether there are readings enough to tell a course by: three within 90 minutes, or where they usually come less often
/// than twice an hour, within three hours and a half.
pub(super) fn enough(window: &Window, now: Timestamp) -> Result<(), Said> {
    let since = |minutes| window.between(now - Span::from_minutes(minutes), now);
    let recent = since(90).count();
    if recent >= 3 {
        return Ok(());
    }
    let minutes = since(24 * 60).map(|bin| bin.at().as_millis() as f64 / 60_000.0);
    let mut steps: Vec<f64> =
        minutes.clone().zip(minutes.skip(1)).map(|(before, after)| after - before).collect();
    if median(&mut steps).is_none_or(|step| step <= 30.0) {
        return Err(said!(
            "no-forecast-few",
            "there are {recent} usable oxygen readings of the last 90 min, and 3 are needed",
            recent = format!("{recent}")
        ));
    }
    let recent = since(210).count();
    if recent >= 3 {
        return Ok(());
    }
    Err(said!(
        "no-forecast-few-hourly",
        "there are {recent} usable oxygen readings of the last 3.5 h, and 3 are needed",
        recent = format!("{recent}")
    ))
}

/// The lowest oxygen that lasted about an hour: the lowest running median of three half-hour means.
pub(super) fn lasting_low(window: &Window, from: Timestamp, to: Timestamp) -> Option<f64> {
    let means: Vec<f64> = half_hours(window, from, to).into_iter().map(|(_, mean)| mean).collect();
    means.windows(3).filter_map(|three| median(&mut three.to_vec())).min_by(f64::total_cmp)
}

/// 1 - e^-1: how much of 1 - e^-x there is between the present and the minimum.
const WHOLE: f64 = 1.0 - 0.367_879_441_171_442_3;

/// Share of the fall that is done after this share of the time to the minimum: what [`crossing`] inverts.
pub(super) fn fallen(share_of_time: f64) -> f64 {
    (1.0 - libm::exp(-share_of_time.clamp(0.0, 1.0))) / WHOLE
}

/// When the expected course reaches a limit. The course falls steeply first and flattens, as nights
/// do: from the present to the minimum it follows 1 - e^-x over one unit of x.
pub(super) fn crossing(
    now: Timestamp,
    oxygen: f64,
    min_at: Timestamp,
    min: f64,
    limit: f64,
) -> Option<Timestamp> {
    if oxygen < limit {
        return Some(now);
    }
    if min >= limit {
        return None;
    }
    let share = ((oxygen - limit) / (oxygen - min)).clamp(0.0, 1.0);
    let progress = -libm::log(1.0 - share * WHOLE);
    Some(
        now + Span::from_millis((progress.clamp(0.0, 1.0) * (min_at - now).as_millis().max(0) as f64) as i64),
    )
}

/// Chance that a normally distributed minimum lies below the limit.
pub(super) fn below_chance(limit: f64, expected: f64, error: f64) -> f64 {
    let z = (limit - expected) / error.max(0.05);
    0.5 * libm::erfc(-z / core::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::super::Z_80;
    use super::*;

    #[test]
    fn a_low_must_last_to_count() {
        let mut window = Window::default();
        for minute in 0..240_i64 {
            let value = if minute == 100 {
                0.5
            } else if (150..210).contains(&minute) {
                4.0
            } else {
                6.0
            };
            window.add(Timestamp(0) + Span::from_minutes(minute), value);
        }
        let low = lasting_low(&window, Timestamp(0), Timestamp(0) + Span::from_minutes(240)).unwrap();
        assert!((low - 4.0).abs() < 1e-9, "{low}");
    }

    /// Hourly 6, 4, 2, 3: between 4 and 2 lies 3, between 2 and 3 lies 2.5; of 3, 2, 2.5 the middle one is 2.5.
    #[test]
    fn a_probe_that_reads_once_an_hour_is_seen_all_night() {
        let mut window = Window::default();
        let readings = [(10, 6.0), (70, 4.0), (130, 2.0), (190, 3.0), (310, 5.0)];
        for (minute, value) in readings {
            window.add(Timestamp(0) + Span::from_minutes(minute), value);
        }
        let end = Timestamp(0) + Span::from_minutes(330);
        let halves: Vec<f64> =
            half_hours(&window, Timestamp(0), end).into_iter().map(|(_, mean)| mean).collect();
        assert_eq!(
            halves,
            [6.0, 5.0, 4.0, 3.0, 2.0, 2.5, 3.0, 5.0],
            "two hours without a reading stay empty"
        );
        assert_eq!(lasting_low(&window, Timestamp(0), end), Some(2.5));
        assert_eq!(lately(&window, Timestamp(0) + Span::from_minutes(120)), Some(4.0));
        assert_eq!(lately(&window, Timestamp(0) + Span::from_minutes(300)), None);
    }

    #[test]
    fn a_course_crosses_limits_in_order_and_early_on_a_bent_curve() {
        let now = Timestamp(0);
        let dawn = now + Span::from_hours(10);
        let at = |limit| crossing(now, 8.0, dawn, 2.0, limit);
        assert_eq!(at(1.9), None);
        assert_eq!(at(9.0), Some(now));
        assert!(at(4.0) < at(3.0));
        // Half the fall is done before half of the time, since the fall flattens.
        assert!(at(5.0).unwrap() < now + Span::from_hours(5));
    }

    /// Φ(0) = 0.5, Φ(1.2816) = 0.9, Φ(-1) = 0.1587: standard normal table.
    #[test]
    fn chances_are_the_normal_distributions() {
        assert!((below_chance(3.0, 3.0, 0.5) - 0.5).abs() < 1e-12);
        assert!((below_chance(3.0 + Z_80 * 0.5, 3.0, 0.5) - 0.9).abs() < 1e-9);
        assert!((below_chance(2.5, 3.0, 0.5) - 0.158_655).abs() < 1e-5);
    }
}
