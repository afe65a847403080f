//! Simple ways to say tonight's low, each from what is known at the time. All are kept between nothing
//! and the oxygen now: nobody expects a rise by night.

/// What they are called in the table, in the order of [`all`].
pub const NAMES: [&str; 6] = ["oxygen now", "last low", "two points", "log line", "least sq.", "Theil-Sen"];

/// Where the two-point line stands in [`NAMES`].
pub const TWO_POINTS: usize = 2;
/// Where last night's low stands in [`NAMES`].
pub const LAST_LOW: usize = 1;

/// A straight line through points: slope and value at zero.
fn least_squares(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let count = points.len() as f64;
    let (mean_x, mean_y) =
        points.iter().fold((0.0, 0.0), |sum, point| (sum.0 + point.0 / count, sum.1 + point.1 / count));
    let spread: f64 = points.iter().map(|point| (point.0 - mean_x).powi(2)).sum();
    if points.len() < 2 || spread <= 0.0 {
        return None;
    }
    let slope = points.iter().map(|point| (point.0 - mean_x) * (point.1 - mean_y)).sum::<f64>() / spread;
    Some((slope, mean_y - slope * mean_x))
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 { values[middle] } else { (values[middle - 1] + values[middle]) / 2.0 }
}

/// Median of the slopes between all pairs, and the median intercept (Sen 1968).
fn theil_sen(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let mut slopes: Vec<f64> = points
        .iter()
        .enumerate()
        .flat_map(|(place, a)| points[place + 1..].iter().map(move |b| (b.1 - a.1) / (b.0 - a.0)))
        .filter(|slope| slope.is_finite())
        .collect();
    if slopes.is_empty() {
        return None;
    }
    let slope = median(&mut slopes);
    Some((slope, median(&mut points.iter().map(|point| point.1 - slope * point.0).collect::<Vec<_>>())))
}

/// `evening` holds hours after sunset and oxygen in mg/L, up to now; `dawn_h` is sunrise in hours after
/// sunset. `None` where there are fewer than three readings.
///
/// The two-point line is that of Boyd, Romaire & Johnston (1978, J. Environ. Qual.): oxygen at dusk and two
/// hours later, or now if that is later, extended to dawn.
pub fn all(evening: &[(f64, f64)], dawn_h: f64, last_low_mg_l: f64) -> Option<[f64; 6]> {
    let (&(first_h, first), &(now_h, now)) = (evening.first()?, evening.last()?);
    if evening.len() < 3 || now_h <= first_h {
        return None;
    }
    let to_dawn = |line: Option<(f64, f64)>| line.map_or(now, |(slope, zero)| zero + slope * dawn_h);
    let logs: Vec<(f64, f64)> = evening.iter().map(|&(hour, value)| (hour, value.max(0.05).ln())).collect();
    let said = [
        now,
        last_low_mg_l,
        now + (now - first) / (now_h - first_h) * (dawn_h - now_h),
        to_dawn(least_squares(&logs)).exp(),
        to_dawn(least_squares(evening)),
        to_dawn(theil_sen(evening)),
    ];
    Some(said.map(|low| low.clamp(0.0, now.max(0.0))))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 8, 7, 6 mg/L at 0, 1, 2 h: every line leads to 1 mg/L at 7 h.
    #[test]
    fn on_a_straight_fall_all_lines_agree() {
        let said = all(&[(0.0, 8.0), (1.0, 7.0), (2.0, 6.0)], 7.0, 3.0).unwrap();
        for (name, expected) in [(0, 6.0), (1, 3.0), (2, 1.0), (4, 1.0), (5, 1.0)] {
            assert!((said[name] - expected).abs() < 1e-9, "{}: {said:?}", NAMES[name]);
        }
        assert_eq!(all(&[(0.0, 8.0), (1.0, 7.0), (2.0, 6.0)], 10.0, 3.0).unwrap()[TWO_POINTS], 0.0);
    }

    /// Oxygen halves each hour: 8, 4, 2, so 1/4 at 5 h.
    #[test]
    fn the_log_line_follows_a_halving() {
        let said = all(&[(0.0, 8.0), (1.0, 4.0), (2.0, 2.0)], 5.0, 3.0).unwrap();
        assert!((said[3] - 0.25).abs() < 1e-9, "{said:?}");
    }

    #[test]
    fn a_rise_is_not_extended() {
        let said = all(&[(0.0, 6.0), (1.0, 6.5), (2.0, 7.0)], 9.0, 9.5).unwrap();
        assert!(said.iter().all(|&low| low == 7.0), "{said:?}");
    }

    #[test]
    fn too_few_readings_say_nothing() {
        assert_eq!(all(&[(0.0, 8.0), (1.0, 7.0)], 7.0, 3.0), None);
    }
}
