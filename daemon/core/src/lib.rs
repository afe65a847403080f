//! The pond state machine: what the readings mean, what to alarm, what to advise.
//!
//! No I/O, no clock, no async, no randomness, no float function whose result varies by platform.
//! Time enters as data in each [`Input`]; everything that leaves is an [`Effect`]. The crate knows
//! nothing about serial lines, MQTT, files, terminals or configuration syntax.
//!
//! The way of a sample through the modules:
//!
//! - [`site`] (with [`defaults`]) and [`input`]: the farm, and everything that can happen to it;
//! - [`quality`]: calibration and the QARTOD tests; [`window`]: a day of usable values; [`probe`]: the
//!   faults of a probe, told apart from those of the water; [`verdict`]: by which clues;
//!   [`service`]: its calibration and cleaning; [`compensation`]: what it does not take into account;
//! - [`diary`]: what people do to a pond, recorded; [`crop`]: what a crop came to; [`evidence`]: whether a
//!   treatment helped;
//! - [`derived`]: what probes cannot see; [`sunlight`], [`night`] and [`regression`]: tonight's low;
//! - [`respiration`] by night, and [`metabolism`]: what the whole pond makes and uses up in a day;
//! - [`alarm`]: one alarm's life; [`alarm_set`]: what makes which alarm true; [`gateway_fault`]; [`power`]: the
//!   one alarm that many others may hang on; and
//!   [`message`]: all of it in plain words; [`call`]: who is called until somebody acknowledges;
//! - [`mass_balance`]: what feed brings into the water;
//! - [`aeration`]: what to start and when; [`summary`]: for other systems;
//! - [`pond`] puts these together for one pond, [`state`] for the farm; [`effect`] is what comes out,
//!   [`view`] what can be looked at, [`why`] what explains it.
//!
//! To add a quality test: a variant of [`effect::Test`] and one more entry in
//! [`quality::ChannelState::judge`]. To add an alarm: a variant of [`alarm_set::Condition`], a line in
//! [`alarm_set::CONDITIONS`], its sight and its message.
#![no_std]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]

extern crate alloc;

pub mod aeration;
pub mod alarm;
pub mod alarm_load;
pub mod alarm_set;
pub mod ammonia_band;
pub mod call;
pub mod compensation;
pub mod crop;
pub mod defaults;
pub mod derived;
pub mod diary;
pub mod dosing;
pub mod effect;
pub mod evidence;
pub mod gateway_fault;
pub mod input;
pub mod limit_change;
pub mod mass_balance;
pub mod message;
pub mod metabolism;
pub mod mineral_balance;
pub mod names;
pub mod night;
pub mod node;
pub mod pond;
pub mod power;
pub mod probe;
pub mod quality;
pub mod quantity;
pub mod regression;
pub mod respiration;
pub mod said;
pub mod schedule;
pub mod service;
pub mod site;
pub mod state;
pub mod summary;
pub mod sunlight;
pub mod time;
pub mod verdict;
pub mod view;
pub mod water_limits;
pub mod why;
pub mod window;

pub use effect::Effect;
pub use input::{Event, Input};
pub use quantity::Quantity;
pub use site::Site;
pub use state::State;
pub use time::{Span, Timestamp};
