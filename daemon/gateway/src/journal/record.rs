//! What one input looks like on disk. The core's types never go to disk themselves: they may change
//! any day, a record may not. A new form gets a new format number; old ones stay readable.
//!
//! A batch is what one commit writes under one key:
//! ```text
//! head   version 1 B, base time 8 B, checksum 4 B     (once at the start, once more at the end)
//! record length, varint; body; checksum 4 B           (any number)
//! body   kind 1 B, position − key, time − base, fields of the kind
//! ```
//! Every checksum is CRC-32 (IEEE 802.3), taken over the key too, so that a record cannot be read
//! under another's key. A damaged record costs itself only: the reader looks for the next place at
//! which a record with a good checksum begins, and the time base stands in both heads.

use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Input, Span, Timestamp};

use super::audit_record;
pub use super::batch::{Batch, read_batch};
use super::call_record;
use super::codec::{self, FORMS, Malformed, Reader, put_signed, put_text, put_unsigned};
use super::diary_record;
pub use super::flat::BATCH_BYTES;
use super::flat::Flat;
use super::outbox_record;
pub(super) use super::quantity_code::{quantity_code, quantity_of_code};
use super::service_record;
use super::site_record;
use super::trial_record;
use super::verdict::{Late, Verdicts};
use crate::audit::Note;
use crate::outbox::Change;

/// Version of the form of a batch.
pub(super) const FORMAT: u8 = 1;

pub(super) const HEAD_BYTES: usize = 13;
pub(super) const CHECKSUM_BYTES: usize = 4;

/// Codes of the kinds of record. Never reuse one.
pub(super) mod kind {
    pub(in crate::journal) const STARTED: u8 = 1;
    pub(in crate::journal) const STOPPED: u8 = 2;
    pub(in crate::journal) const SITE_CHANGED: u8 = 3;
    pub(in crate::journal) const SWEEP: u8 = 4;
    pub(in crate::journal) const PROBE_FAULT: u8 = 5;
    pub(in crate::journal) const MANUAL_SAMPLE: u8 = 6;
    pub(in crate::journal) const ACKNOWLEDGE: u8 = 7;
    pub(in crate::journal) const GATEWAY_FAULT: u8 = 8;
    pub(in crate::journal) const CLOCK_STEPPED: u8 = 9;
    pub(in crate::journal) const TICK: u8 = 10;
    pub(in crate::journal) const SERVICE: u8 = 11;
    pub(in crate::journal) const PROBE_SETTING: u8 = 12;
    pub(in crate::journal) const SHELVE: u8 = 13;
    pub(in crate::journal) const UNSHELVE: u8 = 14;
    pub(in crate::journal) const RESET: u8 = 15;
    pub(in crate::journal) const DIARY: u8 = 24;
    pub(in crate::journal) const LIMIT_CHANGE: u8 = 40;
    pub(in crate::journal) const CARRIED: u8 = 20;
    pub(in crate::journal) const TRIAL: u8 = 25;
    pub(in crate::journal) const NODE_SAID: u8 = 41;
    /// Not inputs: what the core made of the input before.
    pub(in crate::journal) const VERDICTS: u8 = 64;
    pub(in crate::journal) const LATE: u8 = 65;
    /// Nor these: a note of the audit trail, the settings at a start.
    pub(in crate::journal) const NOTE: u8 = 66;
    pub(in crate::journal) const SETTINGS: u8 = 67;
}

/// A batch under construction.
#[derive(Debug)]
pub struct BatchWriter {
    held: Option<Flat>,
    key: u64,
    sums: Sums,
    base: Timestamp,
    bytes: Vec<u8>,
    body: Vec<u8>,
    records: usize,
}

impl BatchWriter {
    /// A batch whose first record has position `key` and time `base`.
    pub fn new(key: u64, base: Timestamp) -> Self {
        Self::with_room(key, base, 1_024)
    }

    fn with_room(key: u64, base: Timestamp, room: usize) -> Self {
        let mut bytes = Vec::with_capacity(room);
        let sums = Sums::under(key);
        put_head(&mut bytes, &sums, base);
        Self { held: None, key, sums, base, bytes, body: Vec::new(), records: 0 }
    }

    /// The same, which also holds what goes into it laid out for sealing, so that nobody need read it back for that.
    pub fn holding(key: u64, base: Timestamp) -> Self {
        // The last record goes a little beyond.
        Self { held: Some(Flat::with_room()), ..Self::with_room(key, base, BATCH_BYTES + BATCH_BYTES / 16) }
    }

    /// The key.
    pub fn key(&self) -> u64 {
        self.key
    }

    /// Records so far.
    pub fn records(&self) -> usize {
        self.records
    }

    /// Bytes so far.
    pub fn size_bytes(&self) -> usize {
        self.bytes.len()
    }

    /// Appends an input.
    pub fn input(&mut self, input: &Input) {
        let (kind, body) = (event_kind(&input.event), &mut self.body);
        body.clear();
        body.push(kind);
        put_unsigned(body, input.seq.saturating_sub(self.key));
        put_signed(body, input.at.as_millis().wrapping_sub(self.base.as_millis()));
        put_event(body, input.at, &input.event);
        self.seal();
        match (&mut self.held, &input.event) {
            (Some(held), Event::Sweep { samples }) => held.sweep(input.seq, input.at, samples),
            _ => self.hold_as_written(),
        }
    }

    /// Appends what the core made of an input.
    pub fn verdicts(&mut self, verdicts: &Verdicts) {
        let body = &mut self.body;
        body.clear();
        body.push(kind::VERDICTS);
        put_unsigned(body, verdicts.seq.saturating_sub(self.key));
        put_signed(body, 0);
        verdicts.put(body);
        self.seal();
        if let Some(held) = &mut self.held {
            held.verdicts(verdicts);
        }
    }

    /// Appends a value that belongs to no sample.
    pub fn late(&mut self, late: &Late) {
        let body = &mut self.body;
        body.clear();
        body.push(kind::LATE);
        put_unsigned(body, 0);
        put_signed(body, late.at.as_millis().wrapping_sub(self.base.as_millis()));
        late.put(body, quantity_code(late.quantity));
        self.seal();
        self.hold_as_written();
    }

    /// Appends a note of the audit trail on an input.
    pub fn note(&mut self, seq: u64, note: &Note) {
        let body = &mut self.body;
        body.clear();
        body.push(kind::NOTE);
        put_unsigned(body, seq.saturating_sub(self.key));
        put_signed(body, note.at.as_millis().wrapping_sub(self.base.as_millis()));
        audit_record::put(body, note);
        self.seal();
        self.hold_as_written();
    }

    /// Appends what happened to what waits to go out, with an input.
    pub fn outbox(&mut self, seq: u64, change: &Change) {
        let body = &mut self.body;
        body.clear();
        body.push(outbox_record::kind(change));
        put_unsigned(body, seq.saturating_sub(self.key));
        put_signed(body, 0);
        outbox_record::put(body, change);
        self.seal();
        self.hold_as_written();
    }

    /// Appends the settings in force from an input on, a start.
    pub fn settings(&mut self, seq: u64, text: &str) {
        let body = &mut self.body;
        body.clear();
        body.push(kind::SETTINGS);
        put_unsigned(body, seq.saturating_sub(self.key));
        put_signed(body, 0);
        put_text(body, text);
        self.seal();
        self.hold_as_written();
    }

    /// The bytes so far; readable, but without the second head.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// The finished bytes.
    pub fn finish(self) -> Vec<u8> {
        self.finish_held().0
    }

    /// The same and what it held.
    pub(super) fn finish_held(mut self) -> (Vec<u8>, Option<Flat>) {
        put_head(&mut self.bytes, &self.sums, self.base);
        (self.bytes, self.held)
    }

    /// Holds the record that was written last as it reads.
    fn hold_as_written(&mut self) {
        if let Some(mut held) = self.held.take() {
            // What does not read back leaves the batch to be read from its bytes.
            self.held = held.rest.take_body(self.key, self.base, &self.body).ok().map(|()| held);
        }
    }

    fn seal(&mut self) {
        put_unsigned(&mut self.bytes, self.body.len() as u64);
        self.bytes.extend_from_slice(&self.body);
        self.bytes.extend_from_slice(&self.sums.of(&self.body).to_le_bytes());
        self.records += 1;
    }
}

fn put_head(out: &mut Vec<u8>, sums: &Sums, base: Timestamp) {
    let start = out.len();
    out.push(FORMAT);
    out.extend_from_slice(&base.as_millis().to_le_bytes());
    let sum = sums.of(&out[start..]);
    out.extend_from_slice(&sum.to_le_bytes());
}

/// Checksums under one key. The key is run through once: records are short, and doing it for each took longer than
/// their own bytes.
#[derive(Debug, Clone)]
pub(super) struct Sums(crc32fast::Hasher);

impl Sums {
    pub(super) fn under(key: u64) -> Self {
        let mut hasher = crc32fast::Hasher::new();
        hasher.update(&key.to_be_bytes());
        Self(hasher)
    }

    pub(super) fn of(&self, bytes: &[u8]) -> u32 {
        let mut hasher = self.0.clone();
        hasher.update(bytes);
        hasher.finalize()
    }
}

fn event_kind(event: &Event) -> u8 {
    match event {
        Event::Started { .. } => kind::STARTED,
        Event::Stopped => kind::STOPPED,
        Event::SiteChanged { .. } => kind::SITE_CHANGED,
        Event::Sweep { .. } => kind::SWEEP,
        Event::ProbeFault { .. } => kind::PROBE_FAULT,
        Event::ManualSample { .. } => kind::MANUAL_SAMPLE,
        Event::ProbeSetting { .. } => kind::PROBE_SETTING,
        Event::Service { .. } => kind::SERVICE,
        Event::Diary { .. } => kind::DIARY,
        Event::Trial { .. } => kind::TRIAL,
        Event::LimitChange { .. } => kind::LIMIT_CHANGE,
        Event::Acknowledge { .. } => kind::ACKNOWLEDGE,
        Event::Shelve { .. } => kind::SHELVE,
        Event::Unshelve { .. } => kind::UNSHELVE,
        Event::Reset { .. } => kind::RESET,
        Event::GatewayFault { .. } => kind::GATEWAY_FAULT,
        Event::Carried { .. } => kind::CARRIED,
        Event::NodeSaid { .. } => kind::NODE_SAID,
        Event::ClockStepped { .. } => kind::CLOCK_STEPPED,
        Event::Tick => kind::TICK,
    }
}

fn put_event(out: &mut Vec<u8>, at: Timestamp, event: &Event) {
    match event {
        Event::Started { site } | Event::SiteChanged { site } => {
            put_text(out, &site_record::to_text(site));
        }
        Event::Stopped | Event::Tick => {}
        Event::Sweep { samples } => {
            put_unsigned(out, samples.len() as u64);
            for sample in samples {
                let Sample { probe, quantity, channel, value, taken_at } = *sample;
                put_unsigned(out, u64::from(probe.0));
                put_unsigned(out, quantity_code(quantity) * 2 + u64::from(channel.is_some()));
                if let Some(channel) = channel {
                    put_unsigned(out, u64::from(channel));
                }
                put_number(out, at, value, taken_at);
            }
        }
        Event::ProbeFault { probe, fault } => {
            put_unsigned(out, u64::from(probe.0));
            match fault {
                ProbeFault::Silent => out.push(1),
                ProbeFault::Garbled => out.push(2),
                ProbeFault::Exception(code) => out.extend([3, *code]),
                ProbeFault::Undecodable(detail) => {
                    out.push(4);
                    put_text(out, detail);
                }
                ProbeFault::Unreachable => out.push(5),
                ProbeFault::Lent => out.push(6),
            }
        }
        Event::ManualSample { pond, quantity, value, taken_at, by } => {
            put_unsigned(out, u64::from(pond.0));
            put_unsigned(out, quantity_code(*quantity));
            put_number(out, at, *value, *taken_at);
            put_text(out, by);
        }
        Event::ProbeSetting { probe, salinity_psu } => {
            put_unsigned(out, u64::from(probe.0));
            put_number(out, at, *salinity_psu, None);
        }
        Event::Service { probe, step, by } => {
            put_unsigned(out, u64::from(probe.0));
            service_record::put(out, step);
            put_text(out, by);
        }
        Event::Diary { pond, entry, by } => {
            put_unsigned(out, u64::from(pond.0));
            diary_record::put(out, at, entry);
            put_text(out, by);
        }
        Event::Trial { trial, by } => {
            trial_record::put(out, trial);
            put_text(out, by);
        }
        Event::LimitChange { pond, key, value, reason, by } => {
            put_unsigned(out, u64::from(pond.0));
            put_text(out, key);
            out.push(u8::from(value.is_some()));
            out.extend_from_slice(&value.unwrap_or_default().to_bits().to_le_bytes());
            put_text(out, reason);
            put_text(out, by);
        }
        Event::Acknowledge { alarm, by } | Event::Unshelve { alarm, by } | Event::Reset { alarm, by } => {
            put_text(out, alarm);
            put_text(out, by);
        }
        Event::Shelve { alarm, length, reason, by } => {
            put_text(out, alarm);
            put_signed(out, length.as_millis());
            put_text(out, reason);
            put_text(out, by);
        }
        Event::GatewayFault { part, which, detail } => {
            out.push(match part {
                GatewayPart::Store => 1,
                GatewayPart::Bus => 2,
                GatewayPart::Broker => 3,
                GatewayPart::Forward => 4,
                GatewayPart::Clock => 5,
                GatewayPart::Quarantine => 6,
                GatewayPart::Horn => 7,
                GatewayPart::Call => 8,
                GatewayPart::Machine => 20,
            });
            put_text(out, which);
            out.push(u8::from(detail.is_some()));
            if let Some(detail) = detail {
                put_text(out, detail);
            }
        }
        Event::Carried { what, outcome } => call_record::put(out, what, outcome),
        Event::NodeSaid { node, is_there } => {
            put_text(out, node);
            out.push(u8::from(*is_there));
        }
        Event::ClockStepped { from, to } => {
            put_signed(out, from.as_millis());
            put_signed(out, to.as_millis());
        }
    }
}

/// Form of the number, plus [`FORMS`] where a time of its own follows; the number; the time.
fn put_number(out: &mut Vec<u8>, at: Timestamp, value: f64, taken_at: Option<Timestamp>) {
    codec::put_number(out, value, if taken_at.is_some() { FORMS } else { 0 });
    if let Some(taken_at) = taken_at {
        put_signed(out, taken_at.as_millis().wrapping_sub(at.as_millis()));
    }
}

fn number(reader: &mut Reader<'_>, at: Timestamp) -> Result<(f64, Option<Timestamp>), Malformed> {
    let form = reader.byte()?;
    if form < FORMS {
        return Ok((reader.number(form)?, None));
    }
    let value = reader.number(form - FORMS)?;
    Ok((value, Some(Timestamp(at.as_millis().wrapping_add(reader.signed()?)))))
}

pub(super) fn read_event(reader: &mut Reader<'_>, code: u8, at: Timestamp) -> Result<Event, Malformed> {
    Ok(match code {
        kind::STARTED => Event::Started { site: site_record::from_text(&reader.text()?)? },
        kind::SITE_CHANGED => Event::SiteChanged { site: site_record::from_text(&reader.text()?)? },
        kind::STOPPED => Event::Stopped,
        kind::TICK => Event::Tick,
        kind::SWEEP => {
            let count = usize::try_from(reader.unsigned()?).map_err(|_| Malformed::CutShort)?;
            // The shortest sample takes four bytes, so a wrong count cannot ask for much memory.
            let mut samples = Vec::with_capacity(count.min(reader.left() / 4));
            for _ in 0..count {
                let probe = ProbeIndex(reader.index()?);
                let code = reader.unsigned()?;
                let quantity = quantity_of_code(code / 2)?;
                let channel = if code % 2 == 1 { Some(reader.index()?) } else { None };
                let (value, taken_at) = number(reader, at)?;
                samples.push(Sample { probe, quantity, channel, value, taken_at });
            }
            Event::Sweep { samples }
        }
        kind::PROBE_FAULT => {
            let probe = ProbeIndex(reader.index()?);
            let fault = match reader.byte()? {
                1 => ProbeFault::Silent,
                2 => ProbeFault::Garbled,
                3 => ProbeFault::Exception(reader.byte()?),
                4 => ProbeFault::Undecodable(reader.text()?),
                5 => ProbeFault::Unreachable,
                6 => ProbeFault::Lent,
                _ => return Err(Malformed::Unknown),
            };
            Event::ProbeFault { probe, fault }
        }
        kind::MANUAL_SAMPLE => {
            let pond = PondIndex(reader.index()?);
            let quantity = quantity_of_code(reader.unsigned()?)?;
            let (value, taken_at) = number(reader, at)?;
            Event::ManualSample { pond, quantity, value, taken_at, by: reader.text()? }
        }
        kind::PROBE_SETTING => {
            let probe = ProbeIndex(reader.index()?);
            Event::ProbeSetting { probe, salinity_psu: number(reader, at)?.0 }
        }
        kind::SERVICE => {
            let probe = ProbeIndex(reader.index()?);
            let step = service_record::read(reader)?;
            Event::Service { probe, step, by: reader.text()? }
        }
        kind::DIARY => {
            let pond = PondIndex(reader.index()?);
            Event::Diary { pond, entry: diary_record::read(reader, at)?, by: reader.text()? }
        }
        kind::TRIAL => Event::Trial { trial: trial_record::read(reader)?, by: reader.text()? },
        kind::LIMIT_CHANGE => {
            let (pond, key) = (PondIndex(reader.index()?), reader.text()?);
            let has_value = match reader.byte()? {
                0 => false,
                1 => true,
                _ => return Err(Malformed::Unknown),
            };
            let value = f64::from_bits(u64::from_le_bytes(reader.array()?));
            let value = has_value.then_some(value);
            Event::LimitChange { pond, key, value, reason: reader.text()?, by: reader.text()? }
        }
        kind::ACKNOWLEDGE => Event::Acknowledge { alarm: reader.text()?, by: reader.text()? },
        kind::SHELVE => Event::Shelve {
            alarm: reader.text()?,
            length: Span::from_millis(reader.signed()?),
            reason: reader.text()?,
            by: reader.text()?,
        },
        kind::UNSHELVE => Event::Unshelve { alarm: reader.text()?, by: reader.text()? },
        kind::RESET => Event::Reset { alarm: reader.text()?, by: reader.text()? },
        kind::GATEWAY_FAULT => {
            let part = match reader.byte()? {
                1 => GatewayPart::Store,
                2 => GatewayPart::Bus,
                3 => GatewayPart::Broker,
                4 => GatewayPart::Forward,
                5 => GatewayPart::Clock,
                6 => GatewayPart::Quarantine,
                7 => GatewayPart::Horn,
                8 => GatewayPart::Call,
                20 => GatewayPart::Machine,
                _ => return Err(Malformed::Unknown),
            };
            let which = reader.text()?;
            let detail = match reader.byte()? {
                0 => None,
                1 => Some(reader.text()?),
                _ => return Err(Malformed::Unknown),
            };
            Event::GatewayFault { part, which, detail }
        }
        kind::CARRIED => {
            let (what, outcome) = call_record::read(reader)?;
            Event::Carried { what, outcome }
        }
        kind::NODE_SAID => {
            let node = reader.text()?;
            let is_there = match reader.byte()? {
                0 => false,
                1 => true,
                _ => return Err(Malformed::Unknown),
            };
            Event::NodeSaid { node, is_there }
        }
        kind::CLOCK_STEPPED => {
            Event::ClockStepped { from: Timestamp(reader.signed()?), to: Timestamp(reader.signed()?) }
        }
        _ => return Err(Malformed::Unknown),
    })
}

#[cfg(test)]
#[path = "record_tests.rs"]
mod tests;
