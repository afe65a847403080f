//! The few packets of MQTT that somebody who only publishes needs, as bytes.
//!
//! Source: MQTT 3.1.1 and MQTT 5.0, sections 3.1 (CONNECT, written by the client library), 3.2 (CONNACK), 3.3 (PUBLISH),
//! 3.4 (PUBACK), 3.12 and 3.13 (PINGREQ, PINGRESP), 3.14 (DISCONNECT), 2.2.2 of version 5 (properties).

use std::time::Duration;

use bytes::{BufMut as _, BytesMut};
use rumqttc::v5::mqttbytes::{QoS as QoS5, v5 as packets5};
use rumqttc::{Connect, LastWill, QoS};

use crate::config::farm::Version;

/// Largest packet taken: brokers send us confirmations only.
pub(super) const LARGEST_TAKEN_BYTES: usize = 4 * 1024;

/// How long a broker that speaks MQTT 5 keeps our session while we are away.
const SESSION_S: u32 = 300;

/// A link that blinks is not told to everybody as a gateway that is gone: a broker of MQTT 5 waits for so long.
const WILL_DELAY_S: u32 = 15;

const PUBLISH_AT_LEAST_ONCE: u8 = 0b0011_0010;
const RETAINED: u8 = 0b0000_0001;

/// What a broker said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Heard {
    /// It lets us in, on these terms.
    Welcome(Terms),
    /// It does not, for this reason.
    Refused(u8),
    /// It has confirmed the message of this identifier.
    Confirmed(u16),
    /// It does not take that message, for this reason.
    TakesNone(u8),
    /// It answers a ping.
    There,
    /// It ends the connection, for this reason.
    Leaves(u8),
}

/// What a broker of MQTT 5 may ask for.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Terms {
    /// Most messages on their way at once.
    pub(super) in_flight: Option<u16>,
    /// Largest packet it takes, in bytes.
    pub(super) largest: Option<u32>,
    /// Keep-alive time that it wants instead of ours, in seconds.
    pub(super) keep_alive_s: Option<u16>,
}

/// Bytes that are no packet a broker may send to a publisher.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("it sent what is not MQTT")]
pub(crate) struct NotMqtt;

/// Who greets.
pub(super) struct Greeting<'a> {
    pub(super) version: Version,
    pub(super) client_id: &'a str,
    pub(super) login: Option<(String, String)>,
    pub(super) keep_alive: Duration,
    /// Topic of the last will, which says `offline`.
    pub(super) health: &'a str,
}

impl Greeting<'_> {
    /// Writes CONNECT; `false` where it cannot be written.
    pub(super) fn put(self, out: &mut BytesMut) -> bool {
        let keep_alive = u16::try_from(self.keep_alive.as_secs()).unwrap_or(u16::MAX);
        match self.version {
            Version::Four => {
                let mut connect = Connect::new(self.client_id);
                connect.keep_alive = keep_alive;
                connect.clean_session = true;
                connect.last_will = Some(LastWill::new(self.health, "offline", QoS::AtLeastOnce, true));
                if let Some((user, password)) = self.login {
                    connect.set_login(user, password);
                }
                connect.write(out).is_ok()
            }
            Version::Five => {
                let properties = packets5::ConnectProperties {
                    session_expiry_interval: Some(SESSION_S),
                    max_packet_size: u32::try_from(LARGEST_TAKEN_BYTES).ok(),
                    ..packets5::ConnectProperties::new()
                };
                let connect = packets5::Connect {
                    keep_alive,
                    client_id: self.client_id.to_owned(),
                    // A session is taken up again, so that the will waits; nothing that it keeps is relied on.
                    clean_start: false,
                    properties: Some(properties),
                };
                let will =
                    packets5::LastWill::new(self.health, "offline", QoS5::AtLeastOnce, true, Some(delayed()));
                let login = self.login.map(|(username, password)| packets5::Login { username, password });
                connect.write(&Some(will), &login, out).is_ok()
            }
        }
    }
}

fn delayed() -> packets5::LastWillProperties {
    packets5::LastWillProperties {
        delay_interval: Some(WILL_DELAY_S),
        payload_format_indicator: None,
        message_expiry_interval: None,
        content_type: None,
        response_topic: None,
        correlation_data: None,
        user_properties: Vec::new(),
    }
}

/// A message to be confirmed under `id`.
pub(super) struct Publish<'a> {
    pub(super) version: Version,
    pub(super) id: u16,
    pub(super) topic: &'a str,
    pub(super) retain: bool,
    pub(super) payload: &'a [u8],
}

impl Publish<'_> {
    /// Bytes behind the fixed header.
    fn rest(&self) -> usize {
        2 + self.topic.len() + 2 + usize::from(self.version == Version::Five) + self.payload.len()
    }

    /// Bytes of the whole packet.
    pub(super) fn size(&self) -> usize {
        1 + length_bytes(self.rest()) + self.rest()
    }

    /// Writes it. Topic and size are bounded by whoever hands it over.
    pub(super) fn put(&self, out: &mut BytesMut) {
        out.reserve(self.size());
        out.put_u8(PUBLISH_AT_LEAST_ONCE | if self.retain { RETAINED } else { 0 });
        let mut left = self.rest();
        loop {
            let low = (left & 0x7f) as u8;
            left >>= 7;
            out.put_u8(if left > 0 { low | 0x80 } else { low });
            if left == 0 {
                break;
            }
        }
        out.put_u16(u16::try_from(self.topic.len()).unwrap_or(u16::MAX));
        out.put_slice(self.topic.as_bytes());
        out.put_u16(self.id);
        if self.version == Version::Five {
            // No properties.
            out.put_u8(0);
        }
        out.put_slice(self.payload);
    }
}

const fn length_bytes(length: usize) -> usize {
    match length {
        0..0x80 => 1,
        0x80..0x4000 => 2,
        0x4000..0x20_0000 => 3,
        _ => 4,
    }
}

/// Writes PINGREQ.
pub(super) fn put_ping(out: &mut BytesMut) {
    out.put_slice(&[0b1100_0000, 0]);
}

/// Writes DISCONNECT, after which a broker does not send the last will.
pub(super) fn put_leave(out: &mut BytesMut) {
    out.put_slice(&[0b1110_0000, 0]);
}

/// Takes the next packet off the front; `None` where it has not all come yet.
///
/// # Errors
/// [`NotMqtt`], also for what is larger than any confirmation.
pub(crate) fn take(bytes: &mut BytesMut, version: Version) -> Result<Option<Heard>, NotMqtt> {
    let Some(&kind) = bytes.first() else { return Ok(None) };
    // At once, for what is no MQTT may never get as long as it seems to say.
    if !matches!(kind, 0x20 | 0x40 | 0xd0 | 0xe0) {
        return Err(NotMqtt);
    }
    let (mut length, mut header) = (0_usize, 1);
    loop {
        let Some(&byte) = bytes.get(header) else {
            return if header > 4 { Err(NotMqtt) } else { Ok(None) };
        };
        if header > 4 {
            return Err(NotMqtt);
        }
        length |= usize::from(byte & 0x7f) << (7 * (header - 1));
        header += 1;
        if byte < 0x80 {
            break;
        }
    }
    if length > LARGEST_TAKEN_BYTES {
        return Err(NotMqtt);
    }
    if bytes.len() < header + length {
        return Ok(None);
    }
    let packet = bytes.split_to(header + length);
    heard(kind, packet.get(header..).unwrap_or_default(), version).map(Some)
}

fn heard(kind: u8, rest: &[u8], version: Version) -> Result<Heard, NotMqtt> {
    let five = version == Version::Five;
    match (kind, rest) {
        (0x20, [_flags, 0]) => Ok(Heard::Welcome(Terms::default())),
        (0x20, [_flags, 0, properties @ ..]) if five => terms(properties).map(Heard::Welcome),
        (0x20, [_flags, code, ..]) => Ok(Heard::Refused(*code)),
        (0x40, [high, low]) => Ok(Heard::Confirmed(u16::from_be_bytes([*high, *low]))),
        // Taken, or taken where nobody listens.
        (0x40, [high, low, 0x00 | 0x10, ..]) if five => {
            Ok(Heard::Confirmed(u16::from_be_bytes([*high, *low])))
        }
        (0x40, [_, _, reason, ..]) if five => Ok(Heard::TakesNone(*reason)),
        (0xd0, []) => Ok(Heard::There),
        (0xe0, []) if five => Ok(Heard::Leaves(0)),
        (0xe0, [reason, ..]) if five => Ok(Heard::Leaves(*reason)),
        _ => Err(NotMqtt),
    }
}

/// The properties of a CONNACK, of which three matter.
fn terms(bytes: &[u8]) -> Result<Terms, NotMqtt> {
    let mut left = Left(bytes);
    let length = left.length()?;
    if length != left.0.len() {
        return Err(NotMqtt);
    }
    let mut terms = Terms::default();
    while let Some((&property, rest)) = left.0.split_first() {
        left.0 = rest;
        match property {
            0x13 => terms.keep_alive_s = Some(left.number()?),
            0x21 => terms.in_flight = Some(left.number()?),
            0x27 => {
                terms.largest = Some(u32::from(left.number()?) << 16 | u32::from(left.number()?));
            }
            0x22 => drop(left.take(2)?),
            0x11 => drop(left.take(4)?),
            0x24 | 0x25 | 0x28 | 0x29 | 0x2a => drop(left.take(1)?),
            0x12 | 0x15 | 0x16 | 0x1a | 0x1c | 0x1f => left.skip_text()?,
            0x26 => {
                left.skip_text()?;
                left.skip_text()?;
            }
            _ => return Err(NotMqtt),
        }
    }
    Ok(terms)
}

struct Left<'a>(&'a [u8]);

impl<'a> Left<'a> {
    fn take(&mut self, count: usize) -> Result<&'a [u8], NotMqtt> {
        let (taken, rest) = self.0.split_at_checked(count).ok_or(NotMqtt)?;
        self.0 = rest;
        Ok(taken)
    }

    fn number(&mut self) -> Result<u16, NotMqtt> {
        let bytes = self.take(2)?.try_into().map_err(|_| NotMqtt)?;
        Ok(u16::from_be_bytes(bytes))
    }

    fn skip_text(&mut self) -> Result<(), NotMqtt> {
        let length = self.number()?;
        self.take(usize::from(length)).map(drop)
    }

    fn length(&mut self) -> Result<usize, NotMqtt> {
        let mut length = 0;
        for turn in 0..4 {
            let byte = self.take(1)?.first().copied().unwrap_or(0);
            length |= usize::from(byte & 0x7f) << (7 * turn);
            if byte < 0x80 {
                return Ok(length);
            }
        }
        Err(NotMqtt)
    }
}

#[cfg(test)]
#[path = "packets_tests.rs"]
mod tests;
