//! The QARTOD tests as functions of plain numbers, with the limits given: what each compares, and with
//! what result. How a channel feeds them is told in `watch`.
//!
//! Names and flags follow the IOOS QARTOD manuals (dissolved oxygen v2.1, 2018; pH v1.0, 2019;
//! temperature and salinity; flags v1.2, 2020). All comparisons are strict: a value on its limit passes.

use crate::effect::Flag;

/// Spike: how far a value stands from the middle of its two neighbours in time.
pub fn spike(before: f64, value: f64, after: f64, (suspect, fail): (f64, f64)) -> Flag {
    graded(libm::fabs(value - (before + after) / 2.0), (suspect, fail))
}

/// Rate of change: the size of a change per time, in the same unit of time as the limits.
pub fn rate_of_change(change: f64, time: f64, limits: (f64, f64)) -> Flag {
    if time > 0.0 { graded(libm::fabs(change / time), limits) } else { Flag::NotEvaluated }
}

/// Flat line: how long the values have stayed within a band narrower than the tolerance. `spread` is
/// highest less lowest over the stretch of length `lasted`.
pub fn flat_line(spread: f64, tolerance: f64, lasted: i64, (suspect, fail): (i64, i64)) -> Flag {
    if spread > tolerance || lasted < suspect {
        Flag::Pass
    } else if lasted < fail {
        Flag::Suspect
    } else {
        Flag::Fail
    }
}

/// Climatology: how far a value lies from what is usual at its hour. Only ever suspect: unusual water is
/// what the probe is there for.
pub fn climatology(value: f64, usual: f64, allowed: f64) -> Flag {
    graded(libm::fabs(value - usual), (allowed, f64::INFINITY))
}

/// Attenuated signal: the range of a day against the usual range of a day.
pub fn attenuated(range: f64, usual_range: f64, share: f64) -> Flag {
    if range < share * usual_range { Flag::Suspect } else { Flag::Pass }
}

/// Neighbour: the difference from another probe against what is usual between the two.
pub fn neighbour(difference: f64, usual: f64, allowed: f64) -> Flag {
    graded(libm::fabs(difference - usual), (allowed, f64::INFINITY))
}

/// Pass, suspect above the first limit, fail above the second. What cannot be compared is not
/// evaluated.
fn graded(size: f64, (suspect, fail): (f64, f64)) -> Flag {
    if size.is_nan() {
        Flag::NotEvaluated
    } else if size > fail {
        Flag::Fail
    } else if size > suspect {
        Flag::Suspect
    } else {
        Flag::Pass
    }
}
