//! Pond-water chemistry as pure functions on typed quantities.
//!
//! No I/O, no clock, no platform float functions: the same inputs give the same bits everywhere. The
//! only part that allocates is [`trend`].
//!
//! Every quantity is a type that refuses NaN and what its formula was not made for ([`units`]), so a
//! function here either answers within its published accuracy or does not compile. Each names its
//! formula, source, range and accuracy; [`formulas`] holds the same as a table for programs to cite.
//!
//! pH is the one input whose meaning varies: [`scale`] says which scale a number is on and how each
//! function takes it.
#![no_std]

extern crate alloc;

pub mod aeration;
pub mod ammonia;
pub mod carbonate;
pub mod conversion;
pub mod dose;
pub mod formulas;
pub mod masses;
pub mod nitrite;
pub mod oxygen;
mod root;
pub mod scale;
pub mod seawater;
pub mod struvite;
pub mod sulfide;
pub mod sun;
pub mod trend;
pub mod units;
