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

use std::sync::LazyLock;

use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Span, Timestamp};

use super::audit_record;
use super::call_record;
use super::codec::{FORMS, Malformed, Reader, number_form, put_signed, put_text, put_unsigned};
use super::service_record;
use super::site_record;
use super::verdict::{Late, Verdicts};
use crate::audit::Note;

/// Version of the form of a batch.
const FORMAT: u8 = 1;

const HEAD_BYTES: usize = 13;
const CHECKSUM_BYTES: usize = 4;

/// Codes of the kinds of record. Never reuse one.
mod kind {
    pub(super) const STARTED: u8 = 1;
    pub(super) const STOPPED: u8 = 2;
    pub(super) const SITE_CHANGED: u8 = 3;
    pub(super) const SWEEP: u8 = 4;
    pub(super) const PROBE_FAULT: u8 = 5;
    pub(super) const MANUAL_SAMPLE: u8 = 6;
    pub(super) const ACKNOWLEDGE: u8 = 7;
    pub(super) const GATEWAY_FAULT: u8 = 8;
    pub(super) const CLOCK_STEPPED: u8 = 9;
    pub(super) const TICK: u8 = 10;
    pub(super) const SERVICE: u8 = 11;
    pub(super) const PROBE_SETTING: u8 = 12;
    pub(super) const SHELVE: u8 = 13;
    pub(super) const UNSHELVE: u8 = 14;
    pub(super) const RESET: u8 = 15;
    pub(super) const CARRIED: u8 = 20;
    /// Not inputs: what the core made of the input before.
    pub(super) const VERDICTS: u8 = 64;
    pub(super) const LATE: u8 = 65;
    /// Nor these: a note of the audit trail, the settings at a start.
    pub(super) const NOTE: u8 = 66;
    pub(super) const SETTINGS: u8 = 67;
}

/// Quantity codes on disk: the position in this list. Only ever append.
const QUANTITY_CODES: &[&str] = &[
    "do_mg_l",
    "temperature_c",
    "ph",
    "salinity_psu",
    "conductivity_ms_cm",
    "pressure_hpa",
    "depth_m",
    "turbidity_ntu",
    "orp_mv",
    "par_umol_m2_s",
    "sludge_ph",
    "sludge_orp_mv",
    "tan_mg_l",
    "nitrite_mg_l",
    "nitrate_mg_l",
    "phosphate_mg_l",
    "alkalinity_mg_l",
    "hardness_mg_l",
    "calcium_mg_l",
    "magnesium_mg_l",
    "iron_mg_l",
    "sulfide_mg_l",
    "secchi_cm",
    "aerator_on",
    "aerator_kw",
    "do_saturation_mg_l",
    "do_saturation_percent",
    "nh3_n_mg_l",
    "h2s_s_mg_l",
    "co2_mg_l",
    "ph_swing",
    "night_slope_mg_l_h",
    "dawn_do_mg_l",
];

/// The list from both sides: codes by quantity, quantities by code. Asked for with every value.
static CODES: LazyLock<(Vec<u64>, Vec<Option<Quantity>>)> = LazyLock::new(|| {
    let of_codes: Vec<Option<Quantity>> = QUANTITY_CODES.iter().map(|id| Quantity::from_id(id)).collect();
    let code_of = |quantity: &Quantity| of_codes.iter().position(|of| *of == Some(*quantity));
    let mut codes = vec![QUANTITY_CODES.len() as u64; Quantity::ALL.len()];
    for quantity in Quantity::ALL {
        if let (Some(own), Some(code)) = (codes.get_mut(*quantity as usize), code_of(quantity)) {
            *own = code as u64;
        }
    }
    (codes, of_codes)
});

pub(super) fn quantity_code(quantity: Quantity) -> u64 {
    // The list is complete (tested), so the length is never written.
    CODES.0.get(quantity as usize).copied().unwrap_or(QUANTITY_CODES.len() as u64)
}

pub(super) fn quantity_of_code(code: u64) -> Result<Quantity, Malformed> {
    let quantity = usize::try_from(code).ok().and_then(|code| CODES.1.get(code).copied().flatten());
    quantity.ok_or(Malformed::Unknown)
}

/// A batch under construction.
#[derive(Debug)]
pub struct BatchWriter {
    key: u64,
    base: Timestamp,
    bytes: Vec<u8>,
    body: Vec<u8>,
    digits: Vec<u8>,
    records: usize,
}

impl BatchWriter {
    /// A batch whose first record has position `key` and time `base`.
    pub fn new(key: u64, base: Timestamp) -> Self {
        let mut bytes = Vec::with_capacity(1_024);
        put_head(&mut bytes, key, base);
        Self { key, base, bytes, body: Vec::new(), digits: Vec::new(), records: 0 }
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
        put_event(body, &mut self.digits, input.at, &input.event);
        self.seal();
    }

    /// Appends what the core made of an input.
    pub fn verdicts(&mut self, verdicts: &Verdicts) {
        let body = &mut self.body;
        body.clear();
        body.push(kind::VERDICTS);
        put_unsigned(body, verdicts.seq.saturating_sub(self.key));
        put_signed(body, 0);
        verdicts.put(body, &mut self.digits);
        self.seal();
    }

    /// Appends a value that belongs to no sample.
    pub fn late(&mut self, late: &Late) {
        let body = &mut self.body;
        body.clear();
        body.push(kind::LATE);
        put_unsigned(body, 0);
        put_signed(body, late.at.as_millis().wrapping_sub(self.base.as_millis()));
        late.put(body, &mut self.digits, quantity_code(late.quantity));
        self.seal();
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
    }

    /// The bytes so far; readable, but without the second head.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// The finished bytes.
    pub fn finish(mut self) -> Vec<u8> {
        put_head(&mut self.bytes, self.key, self.base);
        self.bytes
    }

    fn seal(&mut self) {
        put_unsigned(&mut self.bytes, self.body.len() as u64);
        self.bytes.extend_from_slice(&self.body);
        self.bytes.extend_from_slice(&checksum(self.key, &self.body).to_le_bytes());
        self.records += 1;
    }
}

fn put_head(out: &mut Vec<u8>, key: u64, base: Timestamp) {
    let start = out.len();
    out.push(FORMAT);
    out.extend_from_slice(&base.as_millis().to_le_bytes());
    let sum = checksum(key, &out[start..]);
    out.extend_from_slice(&sum.to_le_bytes());
}

fn checksum(key: u64, bytes: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(&key.to_be_bytes());
    hasher.update(bytes);
    hasher.finalize()
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
        Event::Acknowledge { .. } => kind::ACKNOWLEDGE,
        Event::Shelve { .. } => kind::SHELVE,
        Event::Unshelve { .. } => kind::UNSHELVE,
        Event::Reset { .. } => kind::RESET,
        Event::GatewayFault { .. } => kind::GATEWAY_FAULT,
        Event::Carried { .. } => kind::CARRIED,
        Event::ClockStepped { .. } => kind::CLOCK_STEPPED,
        Event::Tick => kind::TICK,
    }
}

fn put_event(out: &mut Vec<u8>, digits: &mut Vec<u8>, at: Timestamp, event: &Event) {
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
                put_number(out, digits, at, value, taken_at);
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
            }
        }
        Event::ManualSample { pond, quantity, value, taken_at, by } => {
            put_unsigned(out, u64::from(pond.0));
            put_unsigned(out, quantity_code(*quantity));
            put_number(out, digits, at, *value, *taken_at);
            put_text(out, by);
        }
        Event::ProbeSetting { probe, salinity_psu } => {
            put_unsigned(out, u64::from(probe.0));
            put_number(out, digits, at, *salinity_psu, None);
        }
        Event::Service { probe, step, by } => {
            put_unsigned(out, u64::from(probe.0));
            service_record::put(out, step);
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
            });
            put_text(out, which);
            out.push(u8::from(detail.is_some()));
            if let Some(detail) = detail {
                put_text(out, detail);
            }
        }
        Event::Carried { what, outcome } => call_record::put(out, what, outcome),
        Event::ClockStepped { from, to } => {
            put_signed(out, from.as_millis());
            put_signed(out, to.as_millis());
        }
    }
}

/// Form of the number, plus [`FORMS`] where a time of its own follows; the number; the time.
fn put_number(
    out: &mut Vec<u8>,
    digits: &mut Vec<u8>,
    at: Timestamp,
    value: f64,
    taken_at: Option<Timestamp>,
) {
    let form = number_form(value, digits);
    out.push(if taken_at.is_some() { form + FORMS } else { form });
    out.extend_from_slice(digits);
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
    /// Places at which something was damaged.
    pub damaged: u64,
    /// The position after the last input; 0 if there is none.
    pub next_seq: u64,
    /// So many inputs come before the first damage, each with all that was written beside it.
    pub complete: usize,
}

/// Larger pieces, and more of them, are given back to the system.
const MOST_SPARE: usize = 1_024;

/// What batches that were read before leave for the next one: reading a backlog back asked the system for memory
/// twice for each sweep, which took a quarter of the time of a commit.
#[derive(Debug, Default)]
pub(super) struct Spare {
    samples: Vec<Vec<Sample>>,
    verdicts: Vec<Verdicts>,
}

impl Spare {
    /// Takes back what a batch no longer needs.
    pub(super) fn take_back(&mut self, mut batch: Batch) -> Batch {
        for input in batch.inputs.drain(..) {
            if let Event::Sweep { mut samples } = input.event
                && samples.capacity() <= MOST_SPARE
                && self.samples.len() < MOST_SPARE
            {
                samples.clear();
                self.samples.push(samples);
            }
        }
        let room = MOST_SPARE.saturating_sub(self.verdicts.len());
        self.verdicts
            .extend(batch.verdicts.drain(..).filter(|own| own.codes.capacity() <= MOST_SPARE).take(room));
        batch.late.clear();
        batch.notes.clear();
        batch.settings = None;
        (batch.damaged, batch.next_seq, batch.complete) = (0, 0, 0);
        batch
    }
}

/// Reads a batch back. Total: any bytes give a result, and what cannot be read is counted.
pub fn read_batch(key: u64, bytes: &[u8]) -> Batch {
    read_batch_into(Batch::default(), key, bytes, &mut Spare::default())
}

/// The same into a batch that is empty.
pub(super) fn read_batch_into(mut batch: Batch, key: u64, bytes: &[u8], spare: &mut Spare) -> Batch {
    let first = bytes.get(..HEAD_BYTES).and_then(|head| read_head(key, head));
    let last_at = bytes.len().saturating_sub(HEAD_BYTES);
    // A batch cut right after its first head must not take that for its last.
    let last = bytes.get(last_at..).filter(|_| last_at >= HEAD_BYTES).and_then(|head| read_head(key, head));
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
        match read_record(key, base, &bytes[at..end], spare) {
            Some((record, used)) => {
                match record {
                    Record::Input(input) => {
                        batch.next_seq = batch.next_seq.max(input.seq.saturating_add(1));
                        batch.inputs.push(input);
                    }
                    Record::Verdicts(verdicts) => batch.verdicts.push(verdicts),
                    Record::Late(late) => batch.late.push(late),
                    Record::Note(seq, note) => batch.notes.push((seq, note)),
                    Record::Settings(seq, text) => batch.settings = Some((seq, text)),
                }
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

fn read_head(key: u64, head: &[u8]) -> Option<Timestamp> {
    let mut reader = Reader::new(head);
    let summed = head.get(..HEAD_BYTES - CHECKSUM_BYTES)?;
    let version = reader.byte().ok()?;
    let base = i64::from_le_bytes(reader.array().ok()?);
    let sum = u32::from_le_bytes(reader.array().ok()?);
    (version == FORMAT && sum == checksum(key, summed)).then_some(Timestamp(base))
}

enum Record {
    Input(Input),
    Verdicts(Verdicts),
    Late(Late),
    Note(u64, Note),
    Settings(u64, String),
}

/// The record at the start of `bytes` and its length, if there is a good one.
fn read_record(key: u64, base: Timestamp, bytes: &[u8], spare: &mut Spare) -> Option<(Record, usize)> {
    let mut reader = Reader::new(bytes);
    let length = usize::try_from(reader.unsigned().ok()?).ok()?;
    let body = reader.bytes(length).ok()?;
    let sum = u32::from_le_bytes(reader.array().ok()?);
    if sum != checksum(key, body) {
        return None;
    }
    let record = read_body(key, base, body, spare).ok()?;
    Some((record, bytes.len() - reader.left()))
}

fn read_body(key: u64, base: Timestamp, body: &[u8], spare: &mut Spare) -> Result<Record, Malformed> {
    let mut reader = Reader::new(body);
    let code = reader.byte()?;
    let seq = key.checked_add(reader.unsigned()?).ok_or(Malformed::Unknown)?;
    let at = Timestamp(base.as_millis().wrapping_add(reader.signed()?));
    let record = match code {
        kind::VERDICTS => {
            let reused = spare.verdicts.pop().unwrap_or_default();
            Record::Verdicts(Verdicts::read(&mut reader, seq, reused)?)
        }
        kind::NOTE => Record::Note(seq, audit_record::read(&mut reader, at)?),
        kind::SETTINGS => Record::Settings(seq, reader.text()?),
        kind::LATE => Record::Late(Late::read(&mut reader, at, quantity_of_code)?),
        _ => Record::Input(Input { seq, at, event: read_event(&mut reader, code, at, spare)? }),
    };
    reader.end()?;
    Ok(record)
}

fn read_event(
    reader: &mut Reader<'_>,
    code: u8,
    at: Timestamp,
    spare: &mut Spare,
) -> Result<Event, Malformed> {
    Ok(match code {
        kind::STARTED => Event::Started { site: site_record::from_text(&reader.text()?)? },
        kind::SITE_CHANGED => Event::SiteChanged { site: site_record::from_text(&reader.text()?)? },
        kind::STOPPED => Event::Stopped,
        kind::TICK => Event::Tick,
        kind::SWEEP => {
            let count = usize::try_from(reader.unsigned()?).map_err(|_| Malformed::CutShort)?;
            // The shortest sample takes four bytes, so a wrong count cannot ask for much memory.
            let mut samples = spare.samples.pop().unwrap_or_default();
            samples.reserve(count.min(reader.left() / 4));
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
        kind::CLOCK_STEPPED => {
            Event::ClockStepped { from: Timestamp(reader.signed()?), to: Timestamp(reader.signed()?) }
        }
        _ => return Err(Malformed::Unknown),
    })
}

#[cfg(test)]
#[path = "record_tests.rs"]
mod tests;
