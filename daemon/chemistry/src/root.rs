//! Where a function crosses zero.

use libm::fabs;

/// The crossing between two points of opposite sign, each given with the function's value there, to
/// within `tolerance`: false position with the Illinois rule, which keeps the bracket and does not
/// stall at one end. The last point tried is answered.
pub(crate) fn crossing(f: impl Fn(f64) -> f64, from: (f64, f64), to: (f64, f64), tolerance: f64) -> f64 {
    let ((mut a, mut at_a), (mut b, mut at_b)) = (from, to);
    let mut middle = a;
    for _ in 0..100 {
        let previous = middle;
        middle = if at_b == at_a { (a + b) / 2.0 } else { b - at_b * (b - a) / (at_b - at_a) };
        let at_middle = f(middle);
        if at_middle == 0.0 || fabs(middle - previous) < tolerance || fabs(b - a) < tolerance {
            break;
        }
        if (at_middle < 0.0) == (at_b < 0.0) {
            at_a *= 0.5;
        } else {
            (a, at_a) = (b, at_b);
        }
        (b, at_b) = (middle, at_middle);
    }
    middle
}
