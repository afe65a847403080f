//! The pond state machine: what the readings mean, what to alarm, what to advise.
//!
//! No I/O, no clock, no async, no randomness, no float function whose result varies by platform.
//! Time enters as data in each [`Input`]; everything that leaves is an [`Effect`]. The crate knows
//! nothing about serial lines, MQTT, files, terminals or configuration syntax.
//!
//! Modules stand in the order in which a sample travels through them.
#![no_std]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]

extern crate alloc;

pub mod defaults;
pub mod effect;
pub mod input;
pub mod names;
pub mod quantity;
pub mod site;
pub mod state;
pub mod time;
pub mod view;

pub use effect::Effect;
pub use input::{Event, Input};
pub use quantity::Quantity;
pub use site::Site;
pub use state::State;
pub use time::{Span, Timestamp};
