//! A command as it comes: who signed it, and what it asks for.
//!
//! ```text
//! {"signed": "{\"format\":1,\"number\":17,\"at\":\"2026-05-01T02:10:00Z\",\"do\":\"acknowledge\",\"alarm\":\"p1.do-low-critical\"}",
//!  "hmac": "64 hexadecimal digits"}
//! ```
//! `hmac` is HMAC-SHA256 (RFC 2104) with the person's secret, of the topic, a line feed, and the text in `signed` as it
//! stands. The text is signed rather than what it means, so that nobody has to agree on how JSON is written.

use std::collections::BTreeMap;

use ring::hmac;
use serde::Deserialize;

use super::Deed;

/// Largest payload that is looked at.
pub const MOST_BYTES: usize = 4_096;

/// A shorter secret is refused: it could be guessed.
pub const LEAST_SECRET_BYTES: usize = 32;

/// Version of the form of a command.
const FORMAT: u32 = 1;

/// Largest number of a command: what every JSON library can say. After a larger one, taken by mistake, there might be
/// none that a person could still send.
const LARGEST_NUMBER: u64 = 9_007_199_254_740_991;

/// Values of one command.
const MOST_VALUES: usize = 16;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Envelope {
    signed: String,
    hmac: String,
}

/// What a command asks for, and when.
#[derive(Debug, Clone, PartialEq)]
pub struct Command {
    /// Its number: grows from command to command of a person.
    pub number: u64,
    /// When it was written, milliseconds since 1970.
    pub at_ms: i64,
    /// What it asks for.
    pub asks: Asks,
}

/// What a command asks for.
#[derive(Debug, Clone, PartialEq)]
pub enum Asks {
    /// To enter readings, as `pondreeve enter`.
    Enter {
        /// Id of the pond.
        pond: String,
        /// Quantities and values.
        values: Vec<(String, f64)>,
        /// When the sample was taken, if not now.
        sampled: Option<String>,
    },
    /// To acknowledge an alarm, as `pondreeve acknowledge`.
    Acknowledge {
        /// Its id.
        alarm: String,
    },
}

impl Asks {
    /// The word for it.
    pub const fn deed(&self) -> Deed {
        match self {
            Self::Enter { .. } => Deed::Enter,
            Self::Acknowledge { .. } => Deed::Acknowledge,
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    format: u32,
    number: u64,
    at: String,
    #[serde(rename = "do")]
    deed: Deed,
    pond: Option<String>,
    values: Option<BTreeMap<String, f64>>,
    sampled: Option<String>,
    alarm: Option<String>,
}

/// Reads and checks a message.
///
/// # Errors
/// What is wrong with it, in words for whoever sent it. Before the signature is known to be good they tell nothing about
/// the secret.
pub fn read(topic: &str, payload: &[u8], secret: &[u8]) -> Result<Command, String> {
    if payload.len() > MOST_BYTES {
        return Err(format!("the message has {} bytes: {MOST_BYTES} are accepted", payload.len()));
    }
    let envelope: Envelope = serde_json::from_slice(payload)
        .map_err(|error| format!("the message is not an object with `signed` and `hmac` alone: {error}"))?;
    let sum = bytes_of(&envelope.hmac)
        .ok_or("`hmac` is not 64 hexadecimal digits, the HMAC-SHA256 of topic, line feed and `signed`")?;
    let key = hmac::Key::new(hmac::HMAC_SHA256, secret);
    let signed = [topic.as_bytes(), b"\n", envelope.signed.as_bytes()].concat();
    // In a time that does not depend on where the two differ.
    hmac::verify(&key, &signed, &sum).map_err(|_| {
        "the signature does not fit this topic, this text and this person's secret".to_owned()
    })?;
    let written: Written = serde_json::from_str(&envelope.signed)
        .map_err(|error| format!("what is signed is no command of this format: {error}"))?;
    command(written)
}

/// What a message that is not (or not yet) known to be good says its number is, to tell a sender which was meant.
pub fn number_claimed(payload: &[u8]) -> Option<u64> {
    let envelope: Envelope = serde_json::from_slice(payload.get(..MOST_BYTES).unwrap_or(payload)).ok()?;
    let signed: serde_json::Value = serde_json::from_str(&envelope.signed).ok()?;
    signed.get("number")?.as_u64()
}

fn command(written: Written) -> Result<Command, String> {
    let Written { format, number, at, deed, pond, values, sampled, alarm } = written;
    if format != FORMAT {
        return Err(format!("format {format} is not known: accepted is {FORMAT}"));
    }
    if !(1..=LARGEST_NUMBER).contains(&number) {
        return Err(format!("number {number} is not accepted: 1 to {LARGEST_NUMBER} are"));
    }
    let at: jiff::Timestamp = at
        .parse()
        .map_err(|error| format!("`at` {at:?} is no time ({error}): write RFC 3339 with an offset"))?;
    let asks = match deed {
        Deed::Enter => {
            let (Some(pond), Some(values), None) = (pond, values, alarm) else {
                return Err(
                    "`enter` takes `pond` and `values`, `sampled` where it was not now, and no `alarm`"
                        .to_owned(),
                );
            };
            if values.is_empty() || values.len() > MOST_VALUES {
                return Err(format!("{} values: 1 to {MOST_VALUES} are accepted", values.len()));
            }
            Asks::Enter { pond, values: values.into_iter().collect(), sampled }
        }
        Deed::Acknowledge => {
            let (Some(alarm), None, None, None) = (alarm, pond, values, sampled) else {
                return Err("`acknowledge` takes `alarm` and nothing else".to_owned());
            };
            Asks::Acknowledge { alarm }
        }
    };
    Ok(Command { number, at_ms: at.as_millisecond(), asks })
}

fn bytes_of(hex: &str) -> Option<[u8; 32]> {
    let mut bytes = [0; 32];
    if hex.len() != 64 || !hex.bytes().all(|digit| digit.is_ascii_hexdigit()) {
        return None;
    }
    for (place, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(hex.get(place * 2..place * 2 + 2)?, 16).ok()?;
    }
    Some(bytes)
}
