//! Student's t distribution, with degrees of freedom that need not be whole.

use libm::{exp, fabs, lgamma, log, log1p};

/// Steps of the continued fraction; it settles within some tens.
const MOST_STEPS: usize = 500;
const SETTLED: f64 = 1e-15;
const TINY: f64 = 1e-300;

/// The continued fraction of the incomplete beta function (Abramowitz and Stegun 1964, 26.5.8), by the
/// method of Lentz.
fn fraction(a: f64, b: f64, x: f64) -> f64 {
    let kept = |value: f64| if fabs(value) < TINY { TINY } else { value };
    let mut c = 1.0;
    let mut d = 1.0 / kept(1.0 - (a + b) * x / (a + 1.0));
    let mut value = d;
    for step in 1..=MOST_STEPS {
        let m = step as f64;
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / kept(1.0 + even * d);
        c = kept(1.0 + even / c);
        value *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / kept(1.0 + odd * d);
        c = kept(1.0 + odd / c);
        value *= d * c;
        if fabs(d * c - 1.0) < SETTLED {
            break;
        }
    }
    value
}

/// The regularised incomplete beta function at `x` and `1 - x`, given both so that neither is rounded away.
fn incomplete_beta(a: f64, b: f64, x: f64, rest: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if rest <= 0.0 {
        return 1.0;
    }
    let log_x = if x > 0.5 { log1p(-rest) } else { log(x) };
    let log_rest = if rest > 0.5 { log1p(-x) } else { log(rest) };
    let front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log_x + b * log_rest);
    if x < (a + 1.0) / (a + b + 2.0) {
        front * fraction(a, b, x) / a
    } else {
        1.0 - front * fraction(b, a, rest) / b
    }
}

/// Chance of a value at least so far from zero, on either side.
pub fn two_sided(t: f64, degrees: f64) -> f64 {
    if t.is_nan() || degrees.is_nan() || degrees <= 0.0 {
        return f64::NAN;
    }
    if t.is_infinite() {
        return 0.0;
    }
    let square = t * t;
    incomplete_beta(degrees / 2.0, 0.5, degrees / (degrees + square), square / (degrees + square))
}

/// The value that is exceeded, on either side together, with this chance: 0.05 for a 95 % interval.
pub fn beyond(chance: f64, degrees: f64) -> f64 {
    if !(chance > 0.0 && chance < 1.0 && degrees > 0.0) {
        return f64::NAN;
    }
    let (mut low, mut high) = (0.0, 1.0);
    while two_sided(high, degrees) > chance && high < 1e300 {
        low = high;
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if two_sided(middle, degrees) > chance {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
