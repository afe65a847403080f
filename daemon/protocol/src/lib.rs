//! Bytes to decoded values and back. No I/O, no clock, no async: a caller brings the bytes.
//!
//! The crate knows nothing about ponds or which quantities exist; channels are named by text ids.
#![no_std]

extern crate alloc;

pub mod modbus;
pub mod payload;
pub mod register_map;
pub mod reported;
pub mod sdi12;
pub mod senml;
pub mod text_line;
pub mod time;
pub mod unit;
