//! The journal: every input on disk for good before anything that rests on it is shown, acknowledged
//! or forwarded. Start-up reads it back through the core's ordinary step.
//!
//! ```text
//! commit ─▶ tail: append, data sync ─▶ acknowledged
//!             │ each hour, together
//!             ▼
//!           seal: columns of sweeps, other inputs ─▶ second copy ─▶ database (sled) ─▶ flush, data sync
//!             │ each day
//!             ▼
//!           filing: the day's sealed pieces into a file of their own, out of the database
//! ```
//! [`record`] is what an input looks like in the tail, `chunk` what sealed sweeps look like, `keys` where
//! they are. [`store`] is the journal as others see it; `opening`, `reading` and `sealing` are its parts;
//! [`writer`] is the thread that alone touches it. Nobody else opens the database: commands and the
//! console ask the daemon.

pub mod archive;
mod audit_record;
pub mod backup;
mod backup_list;
mod backward;
mod batch;
mod call_record;
mod catch_up;
mod checkpoint;
mod chunk;
mod codec;
mod columns;
mod command_record;
mod copy;
mod database;
mod days;
pub mod deeds;
mod device_sync;
mod diary_record;
mod event_record;
pub mod figures;
mod filing;
mod flat;
mod folder;
mod hashing;
mod keys;
mod lanes;
mod limits_record;
mod migrate;
mod opening;
mod outbox;
pub(crate) mod outbox_record;
pub(crate) mod outside;
mod pieces;
mod quantity_code;
pub mod query;
mod reading;
pub mod record;
mod rolling;
pub mod rollup;
mod seal;
mod seal_late;
mod sealed;
mod sealing;
mod service_record;
mod shapes;
mod site_record;
pub mod store;
mod tail;
mod tally;
pub mod thinning;
pub mod trail;
mod trial_record;
pub mod verdict;
pub mod verify;
pub mod writer;

pub use deeds::{Deed, Deeds, Stretch};
pub(crate) use folder::free_bytes;
pub use query::{Kept, Query};
pub use reading::From;
pub use rollup::{Level, Rolled};
pub use site_record::to_text as site_text;
pub use store::{Commit, Journal, OpenError, Reading};
pub use thinning::Limits;
pub use writer::Writer;

#[cfg(test)]
pub(crate) use tail::commits_in;

#[cfg(test)]
mod backup_tests;
#[cfg(test)]
mod days_tests;
#[cfg(test)]
mod deeds_tests;
#[cfg(test)]
mod disk_tests;
#[cfg(test)]
mod earlier_tests;
#[cfg(test)]
mod fixtures;
#[cfg(test)]
mod lasting_tests;
#[cfg(test)]
mod migrate_tests;
#[cfg(test)]
mod power_tests;
#[cfg(test)]
mod rollup_tests;
#[cfg(test)]
mod seal_tests;
#[cfg(test)]
mod trail_tests;
