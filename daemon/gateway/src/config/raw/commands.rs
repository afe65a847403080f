//! Commands that come in over MQTT, as written.

use std::path::PathBuf;
use std::time::Duration;

use super::super::reader::At;
use super::super::rules::{Choice, FilePath, Id, length_s, whole};
use super::super::tables::{ListOf, TablesOf, table};
use crate::commands::Deed;

/// People who may send commands.
const MOST_PEOPLE: usize = 64;

/// What a command may ask for.
const DEEDS: Choice<Deed> = Choice(&[("enter", Deed::Enter), ("acknowledge", Deed::Acknowledge)]);

table! {
    /// Readings of a test kit and acknowledgements from people who are not at the gateway. Without this table none come
    /// in.
    pub struct RawCommands {
        /// Id of the destination whose broker they come from.
        destination: String = needed Id;
        /// An older command is refused; so is one dated more than a minute ahead.
        window: Duration = optional length_s(10, 3_600);
        /// Commands of one person in a minute at most.
        most_per_minute: i64 = optional whole(1, 600, "a minute");
        /// Who may send any.
        person: Vec<At<RawPerson>> = needed TablesOf::<RawPerson>::at_most(MOST_PEOPLE);
    }
}

table! {
    /// Somebody who may send commands.
    pub struct RawPerson {
        /// Last level of the topic, and the name in the audit trail.
        id: String = needed Id;
        /// File with the secret that signs this person's commands, at least 32 bytes, and nothing else.
        key_file: PathBuf = needed FilePath;
        /// What may be asked for: "enter", "acknowledge"; both if absent.
        may: Vec<At<Deed>> = optional ListOf { each: DEEDS, least: 1, most: 2 };
    }
}
