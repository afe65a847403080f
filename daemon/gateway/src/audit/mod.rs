//! The audit trail: what people and the gateway itself changed, in records chained by SHA-256, so that none can be
//! changed, removed, added or put elsewhere afterwards without its showing.
//!
//! ```text
//! input ─▶ step ─▶ notes of it ─▶ same batch, same commit ─▶ done is told
//!                                   │ each hour, with the input
//!                                   ▼
//!                                 numbered, chained, in the store for ever
//! ```
//! [`notes`] says in one place what is noted of an input. A note travels in the batch of its input, so that a power
//! cut cannot part them. Number and hash follow from the notes and their order alone: they are worked out at each
//! commit for whoever asks, and once more, alike, when the input is sealed. What the hash covers is in [`row`], what
//! a broken chain looks like in [`check`].
//!
//! The chain by itself does not keep out who can write the whole store anew. Against that stands the hash of the
//! newest record outside of it: beside the files of each day, and in every export.

pub mod check;
mod decoding;
pub mod notes;
pub mod row;
pub mod settings;

pub use check::{Break, Check};
pub use row::{Hash, Head, Row};

use pondreeve_core::Timestamp;
use serde::{Deserialize, Serialize};

/// Where an action was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// The daemon itself.
    #[default]
    Daemon,
    /// The full-screen terminal.
    Console,
    /// A plain command, or a script at the local socket.
    Command,
    /// A message from a broker.
    Mqtt,
}

impl Place {
    /// The word in a record.
    pub fn word(self) -> &'static str {
        match self {
            Self::Daemon => "daemon",
            Self::Console => "console",
            Self::Command => "command",
            Self::Mqtt => "mqtt",
        }
    }

    /// What it is in the journal. Never reuse a code.
    pub(crate) fn code(self) -> u8 {
        match self {
            Self::Daemon => 1,
            Self::Console => 2,
            Self::Command => 3,
            Self::Mqtt => 4,
        }
    }

    pub(crate) fn of_code(code: u8) -> Option<Self> {
        [Self::Daemon, Self::Console, Self::Command, Self::Mqtt].into_iter().find(|own| own.code() == code)
    }
}

/// What a record says, before it has its number and its place in the chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// When, by the farm's clock.
    pub at: Timestamp,
    /// The same on the farm's clocks, RFC 3339 with the offset.
    pub local: String,
    /// Who: the local user by the kernel's word, or the user that the daemon runs as.
    pub user: String,
    /// Where.
    pub place: Place,
    /// What was done, such as `acknowledge`.
    pub action: String,
    /// To what: an alarm, a probe, a setting.
    pub object: String,
    /// What it was before; empty where there was nothing.
    pub old: String,
    /// What it is now.
    pub new: String,
    /// Why, or what else must be known.
    pub reason: String,
}
