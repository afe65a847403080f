//! Straight-line trends: Theil–Sen with its confidence limits, least squares and Kendall's tau.
//!
//! Theil–Sen is the median of the slopes of all pairs of points: an outlier in five hardly moves it.
//! Its limits are Sen's 1968 non-parametric ones with the tie corrections of Kendall, on the normal
//! approximation, as `scipy.stats.theilslopes` computes them. They assume independent errors; daily
//! readings of a pond are not, so the limits are too narrow there.

use alloc::vec::Vec;
use core::fmt;
use libm::{rint, sqrt};

/// Most points accepted: all pairs are held in memory, 100 MB at this number.
pub const MOST_POINTS: usize = 5000;

/// 97.5 % point of the normal distribution.
const NORMAL_97_5: f64 = 1.959_963_984_540_054;

/// The trend of y against x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Median of the slopes of all pairs.
    pub theil_sen_slope: f64,
    /// Median of y less the slope times the median of x.
    pub theil_sen_intercept: f64,
    /// Lower 95 % limit of the slope.
    pub theil_sen_low_95: f64,
    /// Upper 95 % limit of the slope.
    pub theil_sen_high_95: f64,
    /// Least-squares slope.
    pub least_squares_slope: f64,
    /// Least-squares intercept.
    pub least_squares_intercept: f64,
    /// Standard error of the least-squares slope; `None` for two points.
    pub least_squares_slope_error: Option<f64>,
    /// Kendall's tau-b; `None` where all y are equal.
    pub kendall_tau_b: Option<f64>,
}

/// Points that have no trend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoTrend {
    /// Not as many x as y.
    LengthsDiffer {
        /// Number of x.
        x: usize,
        /// Number of y.
        y: usize,
    },
    /// Fewer than two points, or more than [`MOST_POINTS`].
    PointCount(usize),
    /// The x or y at this index is not finite.
    NotFinite(usize),
    /// All x are equal.
    EqualX,
}

impl fmt::Display for NoTrend {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::LengthsDiffer { x, y } => {
                write!(f, "x has {x} values and y has {y}, accepted is as many of each")
            }
            Self::PointCount(n) => write!(f, "x has {n} values, accepted is 2 to {MOST_POINTS}"),
            Self::NotFinite(index) => write!(f, "value {index} of x or y is not a finite number"),
            Self::EqualX => f.write_str("all values of x are equal, accepted is two different ones or more"),
        }
    }
}

impl core::error::Error for NoTrend {}

/// The trend of a series.
pub fn trend(x: &[f64], y: &[f64]) -> Result<Trend, NoTrend> {
    if x.len() != y.len() {
        return Err(NoTrend::LengthsDiffer { x: x.len(), y: y.len() });
    }
    let n = x.len();
    if !(2..=MOST_POINTS).contains(&n) {
        return Err(NoTrend::PointCount(n));
    }
    if let Some(index) = x.iter().zip(y).position(|(x, y)| !x.is_finite() || !y.is_finite()) {
        return Err(NoTrend::NotFinite(index));
    }
    let mut slopes = Vec::with_capacity(n * (n - 1) / 2);
    let mut order: i64 = 0;
    for (i, (&xi, &yi)) in x.iter().zip(y).enumerate() {
        for (&xj, &yj) in x.iter().zip(y).skip(i + 1) {
            if xj != xi {
                slopes.push((yj - yi) / (xj - xi));
                order += if yj == yi {
                    0
                } else if (yj > yi) == (xj > xi) {
                    1
                } else {
                    -1
                };
            }
        }
    }
    if slopes.is_empty() {
        return Err(NoTrend::EqualX);
    }
    let (ties_x, ties_y) = (Ties::of(x), Ties::of(y));
    let slope = median(&mut slopes);
    let (low, high) = limits(&mut slopes, n, &ties_x, &ties_y);
    let line = least_squares(x, y);
    let (mut xs, mut ys) = (x.to_vec(), y.to_vec());
    Ok(Trend {
        theil_sen_slope: slope,
        theil_sen_intercept: median(&mut ys) - slope * median(&mut xs),
        theil_sen_low_95: low,
        theil_sen_high_95: high,
        least_squares_slope: line.0,
        least_squares_intercept: line.1,
        least_squares_slope_error: line.2,
        kendall_tau_b: tau_b(order, n, &ties_x, &ties_y),
    })
}

/// What ties take away from Kendall's variance and from the count of pairs.
struct Ties {
    /// Sum of k(k-1)(2k+5) over groups of k equal values.
    variance: f64,
    /// Pairs of equal values.
    pairs: f64,
}

impl Ties {
    fn of(values: &[f64]) -> Self {
        let mut sorted = values.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        let mut ties = Self { variance: 0.0, pairs: 0.0 };
        for group in sorted.chunk_by(|a, b| a == b) {
            let k = group.len() as f64;
            ties.variance += k * (k - 1.0) * (2.0 * k + 5.0);
            ties.pairs += k * (k - 1.0) / 2.0;
        }
        ties
    }
}

fn limits(slopes: &mut [f64], n: usize, ties_x: &Ties, ties_y: &Ties) -> (f64, f64) {
    let (count, n) = (slopes.len() as f64, n as f64);
    let variance = (n * (n - 1.0) * (2.0 * n + 5.0) - ties_x.variance - ties_y.variance) / 18.0;
    let width = NORMAL_97_5 * sqrt(variance.max(0.0));
    // Ranks rounded half to even; the lower is counted from one, so it steps back by one.
    let low = (rint((count - width) / 2.0) - 1.0).max(0.0);
    let high = rint((count + width) / 2.0).min(count - 1.0);
    (ranked(slopes, low as usize), ranked(slopes, high as usize))
}

/// The value at a rank (from 0) of the sorted values.
fn ranked(values: &mut [f64], rank: usize) -> f64 {
    *values.select_nth_unstable_by(rank, f64::total_cmp).1
}

/// Median of one value or more.
fn median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    let even = values.len().is_multiple_of(2);
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    match below.iter().copied().max_by(f64::total_cmp) {
        Some(lower) if even => 0.5 * (lower + upper),
        _ => upper,
    }
}

/// Slope, intercept and the slope's standard error.
fn least_squares(x: &[f64], y: &[f64]) -> (f64, f64, Option<f64>) {
    let n = x.len() as f64;
    let (mean_x, mean_y) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in x.iter().zip(y) {
        let (dx, dy) = (x - mean_x, y - mean_y);
        xx += dx * dx;
        xy += dx * dy;
        yy += dy * dy;
    }
    let slope = xy / xx;
    let error = if n > 2.0 { Some(sqrt((yy - slope * xy).max(0.0) / (n - 2.0) / xx)) } else { None };
    (slope, mean_y - slope * mean_x, error)
}

fn tau_b(order: i64, n: usize, ties_x: &Ties, ties_y: &Ties) -> Option<f64> {
    let pairs = n as f64 * (n as f64 - 1.0) / 2.0;
    let untied = (pairs - ties_x.pairs) * (pairs - ties_y.pairs);
    if untied > 0.0 { Some(order as f64 / sqrt(untied)) } else { None }
}
