//! Commands that come in over MQTT from people who are not at the gateway: readings of a test kit, acknowledgements.
//! Nothing of this runs without `[commands]` in the configuration.
//!
//! | topic | who writes | payload |
//! |---|---|---|
//! | `pondreeve/<gateway>/command/<person>` | that person alone, by the broker's access list | a signed command, see [`envelope`] |
//! | `pondreeve/<gateway>/result/<person>` | the gateway | what became of it |
//!
//! Who somebody is rests on two things that fail apart: the broker lets a person write to that person's topic only, and
//! the signature is made with a secret that the broker does not know. A number that only grows, a time, and the topic
//! under the signature keep an old message, or one meant for another gateway, from being done again.
//!
//! ```text
//! broker ─▶ link ─▶ office: who, how often, signature, time, number ─▶ engine: events and number in one commit
//!    ▲                                                                    │
//!    └── result, then the acknowledgement of the command ◀────────────────┘
//! ```
//! What a cut takes before the result was sent, the broker sends again: the number then says that it is done.

pub mod envelope;
mod link;
pub mod office;
#[cfg(test)]
mod tests;

use std::path::PathBuf;
use std::time::Duration;

pub use link::run;

use crate::config::farm::Destination;

/// How commands come in.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The destination whose broker, or cluster, they come from, with a client id of its own.
    pub from: Destination,
    /// An older command is refused.
    pub window: Duration,
    /// Commands of one person in a minute at most.
    pub most_per_minute: u32,
    /// Who may send any.
    pub people: Vec<Person>,
}

/// Somebody who may send commands.
#[derive(Debug, Clone)]
pub struct Person {
    /// Last level of the topic, and the name in the audit trail.
    pub id: String,
    /// File with the secret that signs.
    pub key_file: PathBuf,
    /// What may be asked for.
    pub may: Vec<Deed>,
}

/// What a command may ask for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Deed {
    /// Readings of a test kit or a hand meter.
    Enter,
    /// An alarm is acknowledged.
    Acknowledge,
}

impl Deed {
    /// The word for it, in the configuration and in a command.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Enter => "enter",
            Self::Acknowledge => "acknowledge",
        }
    }
}

/// The newest command that a person was answered on, as it is kept to know a repeat.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Taken {
    /// Whose.
    pub person: String,
    /// Its number; a lower one is never taken again.
    pub number: u64,
    /// SHA-256 of the message, so that a repeat is told from another command with its number.
    pub digest: [u8; 32],
    /// Whether it was done.
    pub done: bool,
    /// What was answered.
    pub said: String,
}
