//! The shell around the pure core: configuration, probes, journal, local socket, console and
//! forwarding. It knows no rule about water; the core knows no file, line or clock.
//!
//! The way of a reading: [`probes`] → [`inbox`] → [`engine`] (journal first, then the core's step) →
//! [`local`] (status, console), [`forward`] (other systems).

mod annunciate;
pub mod audit;
pub mod cli;
pub mod clock;
pub mod commands;
pub mod config;
pub mod console;
pub mod engine;
pub mod exit_code;
pub mod forward;
pub mod inbox;
pub mod journal;
pub mod local;
pub mod metrics;
pub mod mqtt_link;
pub mod outbox;
pub mod probes;
pub mod report;
pub mod run;
pub mod scan;

pub use pondreeve_core::{Event, Timestamp};
pub use run::{RunError, run};
