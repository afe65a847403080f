//! What became of the requests on a line: counted where they are made, attributed to the device that was polled.

use std::time::Duration;

/// How one request ended, for the statistics of its device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Ended {
    /// Nothing came in time.
    TimedOut,
    /// The checksum was wrong.
    Checksum,
    /// Another device answered.
    OtherAddress,
    /// The device refused.
    Refused,
    /// Something else came.
    Garbled,
}

impl Ended {
    /// All of them.
    pub const ALL: [Self; 5] =
        [Self::TimedOut, Self::Checksum, Self::OtherAddress, Self::Refused, Self::Garbled];

    /// As metrics and `status --json` name it.
    pub const fn id(self) -> &'static str {
        match self {
            Self::TimedOut => "time_out",
            Self::Checksum => "checksum",
            Self::OtherAddress => "wrong_address",
            Self::Refused => "exception",
            Self::Garbled => "garbled",
        }
    }
}

/// The requests since they were last taken.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Exchanges {
    /// How long each answered request took, from its last byte sent to its answer's last.
    pub took: Vec<Duration>,
    /// How the others ended.
    pub failed: Vec<Ended>,
}

impl Exchanges {
    /// One was answered.
    pub fn answered(&mut self, took: Duration) {
        self.took.push(took);
    }

    /// One was not.
    pub fn failed(&mut self, how: Ended) {
        self.failed.push(how);
    }

    /// What there was; nothing is there afterwards.
    pub fn take(&mut self) -> Self {
        std::mem::take(self)
    }
}
