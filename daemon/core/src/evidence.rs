//! Whether a treatment helped: a treated pond held against its untreated control, before and after the
//! first dose, in a way that a statistician would accept, "not enough evidence" included.
//!
//! The unit of proof is the pond in a crop and not the number of readings. A pond's days resemble the days
//! before them, so that forty days say far less than forty independent ones; the usual test, which takes them
//! for independent, finds effects where nobody touched anything. Ours stands beside it, always.
//!
//! - [`outcome`]: what can be compared, and how much of it there must be;
//! - [`days`]: from readings to one value a day; [`series`]: the days of a pond, and the difference of two;
//! - [`mod@baci`]: before and after, treated and control; [`shift`]: the check that needs no model;
//! - [`mod@bounce`]: the days after doses, beside sham days; [`student`]: Student's t;
//! - [`differed`]: what else differed; [`marks`]: days that a person marked as disturbed;
//! - [`verdict`]: what may be said; [`trial`]: what was fixed beforehand.

pub mod baci;
pub mod bounce;
pub mod days;
pub mod differed;
pub mod marks;
pub mod outcome;
pub mod series;
pub mod shift;
pub mod student;
pub mod trial;
pub mod verdict;

#[cfg(test)]
mod tests;

pub use baci::{Baci, Interval, Naive, NoEstimate, baci};
pub use bounce::{Bounce, bounce};
pub use outcome::{Outcome, Wanted};
pub use series::{Periods, Series};
pub use trial::{Fixed, Method, Trial};
pub use verdict::{Level, Verdict};
