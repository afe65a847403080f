//! Exit statuses of every command.

/// Done.
pub const DONE: u8 = 0;
/// Attempted and failed.
pub const FAILED: u8 = 1;
/// Bad usage, configuration or input; nothing was attempted, or what could be done was done and the
/// rest is listed.
pub const USAGE: u8 = 2;

/// Why a command did not do what was asked: one message for the person and the status for scripts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// [`FAILED`] or [`USAGE`].
    pub status: u8,
    /// What was attempted, on what, and what would have been accepted.
    pub message: String,
}

impl Failure {
    /// The doing failed: a daemon that is not there, a full disk.
    pub fn failed(message: impl Into<String>) -> Self {
        Self { status: FAILED, message: message.into() }
    }

    /// The request, the configuration or the input was at fault.
    pub fn usage(message: impl Into<String>) -> Self {
        Self { status: USAGE, message: message.into() }
    }
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Failure {}

/// What every command returns: its exit status, or the one message to print and the status with it.
pub type Outcome = Result<u8, Failure>;
