//! Lines of text that a probe sends: from bytes to whole lines, and from a line to numbers.
//!
//! A line is what stands between two ends of lines. What comes before the first end may be the rest of one that began
//! earlier, and is none; nor is what was cut by a silence, or what is longer than it may be. A pattern must fit the
//! whole line, not a part of it.

use alloc::string::{String, ToString as _};
use alloc::vec::Vec;
use core::fmt;

use regex::bytes::{Regex, RegexBuilder};

use crate::reported::{NoValue, Reported};

/// Memory that a compiled pattern may take, bytes: far more than any line of a probe needs.
const PATTERN_BYTES_MAX: usize = 256 * 1_024;

/// A pattern with named captures.
#[derive(Clone)]
pub struct Pattern {
    text: String,
    compiled: Regex,
}

impl fmt::Debug for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.text)
    }
}

impl PartialEq for Pattern {
    fn eq(&self, other: &Self) -> bool {
        self.text == other.text
    }
}

impl Pattern {
    /// Compiles it; it fits whole lines only.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn new(text: &str) -> Result<Self, String> {
        let whole = alloc::format!("^(?:{text})$");
        let built = RegexBuilder::new(&whole).unicode(false).size_limit(PATTERN_BYTES_MAX).build();
        let compiled = built.map_err(|error| {
            // Its message is a drawing of several lines, of which the last says what is wrong.
            error.to_string().lines().last().unwrap_or_default().trim_start_matches("error: ").to_string()
        })?;
        Ok(Self { text: text.to_string(), compiled })
    }

    /// Names of its captures.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.compiled.capture_names().flatten()
    }
}

/// A checksum behind the text of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Checksum {
    /// None: a wrong digit cannot be told from a right one.
    None,
    /// `*` and two hexadecimal digits: all characters in front of it but a leading `$`, by exclusive or, as in the
    /// sentences of NMEA 0183 (common practice).
    Xor,
}

/// What a kind of probe sends.
#[derive(Debug, Clone, PartialEq)]
pub struct LineMap {
    /// Short id of the profile.
    pub id: String,
    /// What it describes, for people.
    pub description: String,
    /// What it is asked with; nothing for one that sends by itself.
    pub ask: Option<Vec<u8>>,
    /// What ends a line.
    pub end: Vec<u8>,
    /// Longest line, bytes, its end left out.
    pub longest: usize,
    /// The checksum of a line.
    pub checksum: Checksum,
    /// What a line looks like, its checksum left out.
    pub pattern: Pattern,
    /// What the captures mean.
    pub values: Vec<(String, Reported)>,
    /// A line as the probe sends it, its checksum left out.
    pub example: String,
}

/// Why a line is no reading.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LineError {
    /// No line came whole.
    #[error("no whole line")]
    NoEnd,
    /// Longer than it may be.
    #[error("a line of more than {0} bytes")]
    TooLong(usize),
    /// It has no checksum.
    #[error("the line {0:?} has no checksum: `*` and two hexadecimal digits at its end")]
    NoChecksum(String),
    /// The checksum does not fit.
    #[error("checksum {found:02X} in the line, {computed:02X} computed from its characters")]
    Checksum {
        /// As sent.
        found: u8,
        /// As computed.
        computed: u8,
    },
    /// Another line than the pattern describes.
    #[error("the line {0:?} does not fit the pattern")]
    NoMatch(String),
}

/// The exclusive or of all bytes but a leading `$`.
pub fn xor(bytes: &[u8]) -> u8 {
    bytes.strip_prefix(b"$").unwrap_or(bytes).iter().fold(0, |sum, byte| sum ^ byte)
}

/// What a line gave: each channel with its value, or why it has none.
pub type Values = Vec<(String, Result<f64, NoValue>)>;

fn shown(line: &[u8]) -> String {
    line.iter().take(80).map(|byte| if byte.is_ascii() { char::from(*byte) } else { '\u{FFFD}' }).collect()
}

impl LineMap {
    /// The example with other values in it, each with as many decimals as it has there, with checksum and end: what a
    /// probe of this kind would send. `None` where the pattern does not fit the example.
    pub fn write(&self, values: &[(&str, f64)]) -> Option<Vec<u8>> {
        let captures = self.pattern.compiled.captures(self.example.as_bytes())?;
        let mut pieces: Vec<(usize, usize, String)> = Vec::new();
        for (name, reported) in &self.values {
            let Some(found) = captures.name(name) else { continue };
            let Some((_, value)) = values.iter().find(|(channel, _)| *channel == reported.channel) else {
                continue;
            };
            let decimals = found.as_bytes().iter().rev().position(|byte| *byte == b'.').unwrap_or(0);
            let text = alloc::format!("{:.*}", decimals, reported.raw(*value));
            pieces.push((found.start(), found.end(), text));
        }
        pieces.sort_by_key(|(start, ..)| core::cmp::Reverse(*start));
        let mut line = self.example.clone();
        for (start, end, text) in pieces {
            // Ranges of the example itself, from its end to its beginning.
            line = alloc::format!("{}{text}{}", line.get(..start)?, line.get(end..)?);
        }
        if self.checksum == Checksum::Xor {
            line = alloc::format!("{line}*{:02X}", xor(line.as_bytes()));
        }
        let mut bytes = line.into_bytes();
        bytes.extend_from_slice(&self.end);
        Some(bytes)
    }

    /// Reads a whole line, its end left out. The echo of what was asked may stand in front of it.
    ///
    /// # Errors
    /// It is no line of this kind of probe.
    pub fn read(&self, line: &[u8]) -> Result<Values, LineError> {
        let own = self.ask.as_deref().filter(|ask| !ask.is_empty()).and_then(|ask| line.strip_prefix(ask));
        let line = own.unwrap_or(line);
        if line.len() > self.longest {
            return Err(LineError::TooLong(self.longest));
        }
        let text = match self.checksum {
            Checksum::None => line,
            Checksum::Xor => {
                let (text, check) =
                    line.split_last_chunk::<3>().ok_or_else(|| LineError::NoChecksum(shown(line)))?;
                let digits = check.strip_prefix(b"*").and_then(|digits| core::str::from_utf8(digits).ok());
                let is_hex = |own: &&str| own.bytes().all(|byte| byte.is_ascii_hexdigit());
                let found = digits.filter(is_hex).and_then(|own| u8::from_str_radix(own, 16).ok());
                let found = found.ok_or_else(|| LineError::NoChecksum(shown(line)))?;
                let computed = xor(text);
                if found != computed {
                    return Err(LineError::Checksum { found, computed });
                }
                text
            }
        };
        let no_match = || LineError::NoMatch(shown(text));
        let captures = self.pattern.compiled.captures(text).ok_or_else(no_match)?;
        let mut values = Vec::with_capacity(self.values.len());
        for (name, reported) in &self.values {
            // A capture that is optional and absent is a value that this line does not have.
            let Some(found) = captures.name(name) else { continue };
            let number = core::str::from_utf8(found.as_bytes()).ok().map(str::trim);
            let plain = number.filter(|text| text.bytes().all(|byte| b"+-.0123456789eE".contains(&byte)));
            let raw: f64 = plain.and_then(|text| text.parse().ok()).ok_or_else(no_match)?;
            values.push((reported.channel.clone(), reported.value(raw)));
        }
        if values.is_empty() { Err(no_match()) } else { Ok(values) }
    }
}

/// Bytes to lines.
#[derive(Debug, Clone)]
pub struct Splitter {
    end: Vec<u8>,
    longest: usize,
    received: Vec<u8>,
    /// Whether what comes now begins a line.
    at_start: bool,
}

impl Splitter {
    /// For lines with this end and of at most this length. `at_start` tells whether the first byte begins a line: after
    /// a question to a silent line it does, on one that is listened to it may not.
    pub fn new(end: &[u8], longest: usize, at_start: bool) -> Self {
        Self { end: end.to_vec(), longest, received: Vec::new(), at_start }
    }

    /// Takes in bytes and gives the lines that end in them.
    pub fn take(&mut self, bytes: &[u8]) -> Vec<Vec<u8>> {
        self.received.extend_from_slice(bytes);
        let mut lines = Vec::new();
        while let Some(place) = self.found_end() {
            let rest = self.received.split_off(place + self.end.len().max(1));
            let mut line = core::mem::replace(&mut self.received, rest);
            line.truncate(place);
            if self.at_start && line.len() <= self.longest {
                lines.push(line);
            }
            self.at_start = true;
        }
        if self.received.len() > self.longest + self.end.len() {
            // Too long for a line: only its end still matters.
            let keep = self.end.len().saturating_sub(1);
            self.received.drain(..self.received.len() - keep);
            self.at_start = false;
        }
        lines
    }

    fn found_end(&self) -> Option<usize> {
        let end: &[u8] = if self.end.is_empty() { b"\n" } else { &self.end };
        self.received.windows(end.len()).position(|bytes| bytes == end)
    }

    /// The line fell silent. What has come of one is given up, and so is what may still come of it.
    pub fn silence(&mut self) {
        if !self.received.is_empty() {
            self.received.clear();
            self.at_start = false;
        }
    }
}

#[cfg(test)]
mod tests;
