//! Pond-water chemistry as pure functions on typed quantities.
//!
//! No I/O, no clock, no allocation that a caller does not ask for, no platform float functions:
//! the same inputs give the same bits everywhere.
#![no_std]

pub mod ammonia;
pub mod oxygen;
pub mod sun;
pub mod units;
