//! How much may wait for the destinations, as written.

use std::time::Duration;

use super::super::rules::{length_s, whole};
use super::super::tables::table;
use super::DAY_S;

table! {
    /// How much may wait for the destinations while they are away. Beyond it the oldest summaries become coarser.
    pub struct RawOutbox {
        /// What waits takes this much at most, megabytes; in memory as well as on disk.
        max_megabytes: i64 = optional whole(1, 1_000, "MB");
        /// Summaries that wait for longer are merged to hours; for longer than twice this, to days.
        thin_after: Duration = optional length_s(3_600, 3_650 * DAY_S);
    }
}
