//! The pond state machine: what the readings mean, what to alarm, what to advise.
//!
//! No I/O, no clock, no async, no randomness, no float function whose result varies by platform.
//! Time enters as data in each [`Input`]; everything that leaves is an [`Effect`]. The crate knows
//! nothing about serial lines, MQTT, files, terminals or configuration syntax.
//!
//! A sample travels through the modules in this order: [`site`] (with [`defaults`]) and [`input`],
//! [`quality`], window, probe, derived, sunlight and night, alarm (with alarm_set, gateway_fault and
//! message), aeration, summary, [`effect`], pond, [`state`], [`view`].
#![no_std]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]

extern crate alloc;

pub mod aeration;
pub mod alarm;
pub mod alarm_set;
pub mod defaults;
pub mod derived;
pub mod effect;
pub mod gateway_fault;
pub mod input;
pub mod message;
pub mod names;
pub mod night;
pub mod pond;
pub mod probe;
pub mod quality;
pub mod quantity;
pub mod regression;
pub mod site;
pub mod state;
pub mod summary;
pub mod sunlight;
pub mod time;
pub mod view;
pub mod window;

pub use effect::Effect;
pub use input::{Event, Input};
pub use quantity::Quantity;
pub use site::Site;
pub use state::State;
pub use time::{Span, Timestamp};
