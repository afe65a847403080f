//! Exit statuses of every command.

/// Done.
pub const DONE: u8 = 0;
/// Attempted and failed.
pub const FAILED: u8 = 1;
/// Bad usage, configuration or input; nothing was attempted.
pub const USAGE: u8 = 2;
