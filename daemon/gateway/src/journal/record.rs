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

use pondreeve_core::{Event, Input, Timestamp};

use super::audit_record;
pub use super::batch::{Batch, read_batch};
use super::codec::{put_signed, put_text, put_unsigned};
use super::event_record::{event_kind, put_event};
pub use super::flat::BATCH_BYTES;
use super::flat::Flat;
use super::outbox_record;
pub(super) use super::quantity_code::{quantity_code, quantity_of_code};
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

#[cfg(test)]
#[path = "record_tests.rs"]
mod tests;
