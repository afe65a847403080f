//! Simulated ponds and the probes in them.
//!
//! The library makes water ([`water`] under a [`weather`], ponds gathered in a [`farm`]), stands
//! probes in it that fail in known ways ([`world`], [`faults`]), and lets them speak over a serial
//! line ([`rtu`] and [`spoken`] on a [`pty`]; [`played`] is a captured one) and to a broker ([`mqtt_node`], [`broker`]). [`ten_days`] is a recording
//! of ten days with six incidents. It knows nothing about the daemon: it depends on the chemistry and on the wire protocols alone. The demo that runs it against
//! the real daemon is in the program.

pub mod broker;
pub mod carbon;
pub mod farm;
pub mod faults;
mod line_faults;
pub mod mqtt_node;
pub mod noise;
pub mod pace;
pub mod played;
pub mod pty;
pub mod rtu;
pub mod spoken;
pub mod ten_days;
pub mod tidewick;
pub mod water;
pub mod weather;
pub mod world;
