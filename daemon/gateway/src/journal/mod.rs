//! The journal: every input on disk for good before anything that rests on it is shown, acknowledged
//! or forwarded. Start-up reads it back through the core's ordinary step.
//!
//! [`record`] is what an input looks like on disk, [`store`] what is kept and read back, and
//! [`writer`] the thread that alone touches it. Nobody else opens the database: commands and the
//! console ask the daemon.

mod codec;
mod database;
mod folder;
pub mod record;
mod site_record;
pub mod store;
mod tail;
pub mod writer;

pub use store::{Commit, Journal, OpenError, Reading};
pub use writer::Writer;

#[cfg(test)]
mod disk_tests;
