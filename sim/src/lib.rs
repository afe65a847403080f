//! Simulated ponds and the probes in them.
//!
//! The library makes water ([`water`] under a [`weather`], ponds gathered in a [`farm`]) on a clock
//! that its caller moves, and lets probes report it over real protocols. It knows nothing about the
//! daemon: it depends on the chemistry and on the wire protocols alone, so that what it reports is
//! judged by code it has never seen. The demo that runs it against the real daemon is in the program.

pub mod carbon;
pub mod faults;
pub mod broker;
pub mod pty;
pub mod world;
pub mod farm;
pub mod noise;
pub mod tidewick;
pub mod water;
pub mod weather;
