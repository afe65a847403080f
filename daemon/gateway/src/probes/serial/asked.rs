//! What stands on the line as asked: the very bytes that may go out, and what answers them.

use pondreeve_protocol::modbus::{AnswerError, CoilFound, CoilWrite, Found, ReadRequest};

/// A request under way.
#[derive(Debug, Clone, Copy)]
pub(super) enum Asked {
    /// To read registers.
    Read(ReadRequest),
    /// To switch a coil, on a line that echoes or does not.
    Coil(CoilWrite, bool),
}

/// An answer that was found at bytes `start..end`, with the code where it refuses.
#[derive(Debug, Clone, Copy)]
pub(super) struct Answered {
    pub(super) start: usize,
    pub(super) end: usize,
    pub(super) exception: Option<u8>,
}

impl Asked {
    pub(super) fn encode(&self) -> [u8; 8] {
        match self {
            Self::Read(read) => read.encode(),
            Self::Coil(write, _) => write.encode(),
        }
    }

    /// The unit asked.
    pub(super) const fn unit(&self) -> u8 {
        match self {
            Self::Read(read) => read.unit,
            Self::Coil(write, _) => write.unit,
        }
    }

    /// Bytes of the answer that is hoped for.
    pub(super) fn answer_bytes(&self) -> usize {
        match self {
            Self::Read(read) => read.answer_bytes(),
            Self::Coil(write, echoes) => write.answer_bytes() * (1 + usize::from(*echoes)),
        }
    }

    pub(super) fn find_answer(&self, received: &[u8]) -> Option<Answered> {
        match self {
            Self::Read(read) => match read.find_answer(received) {
                Found::Registers { start, end, .. } => Some(Answered { start, end, exception: None }),
                Found::Exception { code, start, end } => Some(Answered { start, end, exception: Some(code) }),
                Found::NotYet => None,
            },
            Self::Coil(write, echoes) => match write.find_answer(received, *echoes) {
                CoilFound::Confirmed { start, end } => Some(Answered { start, end, exception: None }),
                CoilFound::Exception { code, start, end } => {
                    Some(Answered { start, end, exception: Some(code) })
                }
                CoilFound::NotYet => None,
            },
        }
    }

    pub(super) fn explain(&self, received: &[u8]) -> AnswerError {
        match self {
            Self::Read(read) => read.explain(received),
            Self::Coil(write, echoes) => write.explain(received, *echoes),
        }
    }
}
