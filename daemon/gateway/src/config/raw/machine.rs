//! What is asked of the machine, as written.

use super::super::rules::{number, whole};
use super::super::tables::table;

table! {
    /// The gateway computer itself: when its heat or the room on its disk is told as a fault.
    pub struct RawMachine {
        /// From here on its processor is too hot, °C.
        temperature_high_c: f64 = optional number(40.0, 110.0, "°C");
        /// Less room than this on the store's disk is too little, megabytes.
        room_low_megabytes: i64 = optional whole(50, 1_000_000, "MB");
    }
}
