//! What people do to a pond: doses, feed, water let out, samples weighed, harvests.
//!
//! An entry is never changed. A correction is a later entry that takes the place of an earlier one, a
//! withdrawal one that puts nothing in its place; the earlier one stays in the journal, and people see that
//! it is superseded. The journal keeps every entry for ever; the [`Book`] of a pond keeps in memory what the
//! core itself needs of them.
//!
//! - [`entry`]: what can be recorded; [`check`]: what cannot be, whatever else is known;
//! - [`dose`]: kilograms, litres and containers held against each other, and what a dose is in the water;
//! - [`book`]: what a pond's entries come to, and what contradicts them;
//! - [`stock`]: containers that were counted, held against what the doses of all ponds used.

pub mod book;
pub mod check;
pub mod dose;
pub mod entry;
mod names;
pub mod stock;
mod upset;

pub(crate) use names::kind_said;

pub use upset::upsets;

pub use book::{Book, Crop, Feeding, LastDose};
pub use entry::{
    Basin, Count, Disturbance, Dose, Entry, Feed, Harvest, Kind, Mortality, Sampling, Sludge, Stocking,
    WaterMove, What,
};
