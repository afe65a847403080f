//! The shell around the pure core: configuration, probes, journal, local socket, console and
//! forwarding. It knows no rule about water; the core knows no file, line or clock.
//!
//! The way of a reading: [`probes`] → [`inbox`] → [`engine`] (journal first, then the core's step) →
//! [`local`] (status, console), [`forward`] (other systems).

pub mod annunciate;
pub mod audit;
pub mod cli;
pub mod clock;
pub mod commands;
pub mod commission;
pub mod config;
pub mod console;
pub mod engine;
pub mod exit_code;
pub mod forward;
pub mod frames;
pub mod inbox;
pub mod journal;
pub mod local;
pub mod machine;
pub mod metrics;
pub mod mqtt_link;
pub mod outbox;
pub mod outside;
pub mod probes;
pub mod report;
pub mod run;
pub mod scan;
pub mod service_manager;

pub use pondreeve_core::{Event, Timestamp};
pub use run::{RunError, run};
