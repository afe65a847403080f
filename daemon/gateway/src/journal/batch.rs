//! Reading a batch back; what it looks like stands in [`super::record`].

use pondreeve_core::{Input, Timestamp};

use super::audit_record;
use super::codec::{Malformed, Reader};
use super::event_record::read_event;
use super::outbox_record;
use super::record::{CHECKSUM_BYTES, FORMAT, HEAD_BYTES, Sums, kind, quantity_of_code};
use super::verdict::{Late, Verdicts};
use crate::audit::Note;
use crate::outbox::Change;

/// What a batch held.
#[derive(Debug, Default)]
pub struct Batch {
    /// Inputs in the order in which they were written.
    pub inputs: Vec<Input>,
    /// What the core made of some of them, in the same order.
    pub verdicts: Vec<Verdicts>,
    /// Values that belong to no sample.
    pub late: Vec<Late>,
    /// Notes of the audit trail, with the positions of their inputs, in their order.
    pub notes: Vec<(u64, Note)>,
    /// Settings at a start, with its position.
    pub settings: Option<(u64, String)>,
    /// What happened to what waits to go out, with the positions of the inputs that it came with.
    pub outbox: Vec<(u64, Change)>,
    /// Places at which something was damaged.
    pub damaged: u64,
    /// The position after the last input; 0 if there is none.
    pub next_seq: u64,
    /// So many inputs come before the first damage, each with all that was written beside it.
    pub complete: usize,
}

impl Batch {
    /// Takes the record that this body is, whatever its checksum.
    pub(super) fn take_body(&mut self, key: u64, base: Timestamp, body: &[u8]) -> Result<(), Malformed> {
        self.take(read_body(key, base, body)?);
        Ok(())
    }

    fn take(&mut self, record: Record) {
        match record {
            Record::Input(input) => {
                self.next_seq = self.next_seq.max(input.seq.saturating_add(1));
                self.inputs.push(input);
            }
            Record::Verdicts(verdicts) => self.verdicts.push(verdicts),
            Record::Late(late) => self.late.push(late),
            Record::Note(seq, note) => self.notes.push((seq, note)),
            Record::Outbox(seq, change) => self.outbox.push((seq, change)),
            Record::Settings(seq, text) => self.settings = Some((seq, text)),
        }
    }
}

/// Reads a batch back. Total: any bytes give a result, and what cannot be read is counted.
pub fn read_batch(key: u64, bytes: &[u8]) -> Batch {
    let mut batch = Batch::default();
    let sums = Sums::under(key);
    let first = bytes.get(..HEAD_BYTES).and_then(|head| read_head(&sums, head));
    let last_at = bytes.len().saturating_sub(HEAD_BYTES);
    // A batch cut right after its first head must not take that for its last.
    let last = bytes.get(last_at..).filter(|_| last_at >= HEAD_BYTES).and_then(|head| read_head(&sums, head));
    let Some(base) = first.or(last) else {
        batch.damaged = 1;
        return batch;
    };
    batch.damaged += u64::from(first.is_none() || last.is_none());
    let end = if last.is_some() { last_at } else { bytes.len() };
    let mut at = HEAD_BYTES;
    let mut in_damage = false;
    let mut complete = None;
    while at < end {
        match read_record(key, base, &bytes[at..end], &sums) {
            Some((record, used)) => {
                batch.take(record);
                at += used;
                in_damage = false;
            }
            None => {
                batch.damaged += u64::from(!in_damage);
                // What belongs to the last may be what is damaged.
                complete.get_or_insert(batch.inputs.len().saturating_sub(1));
                in_damage = true;
                at += 1;
            }
        }
    }
    let cut_short = usize::from(last.is_none());
    batch.complete = complete.unwrap_or(batch.inputs.len().saturating_sub(cut_short));
    batch
}

fn read_head(sums: &Sums, head: &[u8]) -> Option<Timestamp> {
    let mut reader = Reader::new(head);
    let summed = head.get(..HEAD_BYTES - CHECKSUM_BYTES)?;
    let version = reader.byte().ok()?;
    let base = i64::from_le_bytes(reader.array().ok()?);
    let sum = u32::from_le_bytes(reader.array().ok()?);
    (version == FORMAT && sum == sums.of(summed)).then_some(Timestamp(base))
}

enum Record {
    Input(Input),
    Verdicts(Verdicts),
    Late(Late),
    Note(u64, Note),
    Outbox(u64, Change),
    Settings(u64, String),
}

/// The record at the start of `bytes` and its length, if there is a good one.
fn read_record(key: u64, base: Timestamp, bytes: &[u8], sums: &Sums) -> Option<(Record, usize)> {
    let mut reader = Reader::new(bytes);
    let length = usize::try_from(reader.unsigned().ok()?).ok()?;
    let body = reader.bytes(length).ok()?;
    let sum = u32::from_le_bytes(reader.array().ok()?);
    if sum != sums.of(body) {
        return None;
    }
    let record = read_body(key, base, body).ok()?;
    Some((record, bytes.len() - reader.left()))
}

/// The body of one record, whatever its checksum; whether there was one.
pub(super) fn read_loose(key: u64, base: Timestamp, body: &[u8]) -> bool {
    read_body(key, base, body).is_ok()
}

fn read_body(key: u64, base: Timestamp, body: &[u8]) -> Result<Record, Malformed> {
    let mut reader = Reader::new(body);
    let code = reader.byte()?;
    let seq = key.checked_add(reader.unsigned()?).ok_or(Malformed::Unknown)?;
    let at = Timestamp(base.as_millis().wrapping_add(reader.signed()?));
    let record = match code {
        kind::VERDICTS => Record::Verdicts(Verdicts::read(&mut reader, seq)?),
        kind::NOTE => Record::Note(seq, audit_record::read(&mut reader, at)?),
        kind::SETTINGS => Record::Settings(seq, reader.text()?),
        outbox_record::QUEUED
        | outbox_record::MERGED
        | outbox_record::CONFIRMED
        | outbox_record::COMMANDED => Record::Outbox(seq, outbox_record::read(&mut reader, code)?),
        kind::LATE => Record::Late(Late::read(&mut reader, at, quantity_of_code)?),
        _ => Record::Input(Input { seq, at, event: read_event(&mut reader, code, at)? }),
    };
    reader.end()?;
    Ok(record)
}
