//! What the service manager is told: that the watch has begun, how it goes, that it still works, that it ends.
//!
//! It is told over the datagram socket that sd_notify(3) describes, and only where there is one.

mod notifier;
mod pulse;
#[cfg(test)]
mod tests;

pub use notifier::Notifier;
pub(crate) use pulse::{Pulse, keep_alive};
