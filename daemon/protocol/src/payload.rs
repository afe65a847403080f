//! Values out of message payloads: bare numbers, JSON by JSON Pointer, SenML.

use alloc::string::String;

/// How to read one channel out of a payload.
#[derive(Debug, Clone, PartialEq)]
pub struct Pick {
    /// What it is: a quantity id.
    pub channel: String,
    /// Where it stands.
    pub from: PickFrom,
    /// Multiplied with the number found.
    pub scale: f64,
    /// Added after scaling.
    pub offset: f64,
}

/// Where a value stands in a payload.
#[derive(Debug, Clone, PartialEq)]
pub enum PickFrom {
    /// The payload is one number as text.
    Bare,
    /// JSON, value at an RFC 6901 pointer.
    Json {
        /// The pointer.
        pointer: String,
        /// Pointer to the probe's own time (RFC 3339 text, or seconds or milliseconds since 1970).
        time: Option<String>,
    },
    /// SenML JSON (RFC 8428): the record with this resolved name.
    Senml {
        /// The name after base names were put in front.
        name: String,
    },
}

/// Text as found, cut for a message: at most 60 characters, control characters shown as escapes.
pub(crate) fn shortened(text: &str) -> String {
    let mut short: String = text.chars().take(60).flat_map(char::escape_debug).collect();
    if text.chars().nth(60).is_some() {
        short.push('…');
    }
    short
}
