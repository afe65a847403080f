//! What waits to go out, in the tail and in hour 0.
//! ```text
//! message    number, class 1 B, time, length, form and content
//! content    form 1: pond, from, to − from, alarms standing 3×, merged, count, then of each quantity its code, usable,
//!            doubtful, and four numbers (lowest, mean, highest, last), each as its form and digits
//!            form 2: an alarm as JSON; form 3: a call as JSON
//! merged     count, numbers; 0 or 1; the message that stands for them
//! command    see command_record
//! confirmed  count, then id, last urgent and last summary that it has confirmed, with all before
//! ```

use std::collections::BTreeMap;
use std::sync::Arc;

use pondreeve_core::Timestamp;
use pondreeve_core::effect::QuantitySummary;

use super::codec::{Malformed, Reader, put_number, put_signed, put_text, put_unsigned};
use super::command_record;
use super::quantity_code::{quantity_code, quantity_of_code};
use crate::outbox::{Body, Change, Class, Outgoing, PondSummary, Position, Waiting};

/// Codes of the kinds of record, from the journal's row. Never reuse one.
pub(super) const QUEUED: u8 = 30;
pub(super) const MERGED: u8 = 31;
pub(super) const CONFIRMED: u8 = 32;
pub(super) const COMMANDED: u8 = 33;

const SUMMARY: u8 = 1;
const ALARM: u8 = 2;
const CALL: u8 = 3;

const URGENT_CLASS: u8 = 1;
const SUMMARY_CLASS: u8 = 2;

/// A message as it waits.
pub(crate) fn waiting(outgoing: &Outgoing) -> Waiting {
    let mut bytes = Vec::with_capacity(256);
    match &outgoing.body {
        Body::Summary(summary) => put_summary(&mut bytes, summary),
        Body::Alarm(json) => {
            bytes.push(ALARM);
            put_text(&mut bytes, json);
        }
        Body::Call(json) => {
            bytes.push(CALL);
            put_text(&mut bytes, json);
        }
    }
    Waiting {
        number: outgoing.number,
        class: outgoing.body.class(),
        at: outgoing.at,
        bytes: Arc::from(bytes),
    }
}

/// The message again; `None` where its bytes are damaged or of a later program.
pub(crate) fn outgoing(waiting: &Waiting) -> Option<Outgoing> {
    let body = body(&mut Reader::new(&waiting.bytes)).ok()?;
    Some(Outgoing { number: waiting.number, at: waiting.at, body })
}

fn body(reader: &mut Reader<'_>) -> Result<Body, Malformed> {
    let body = match reader.byte()? {
        SUMMARY => Body::Summary(summary(reader)?),
        ALARM => Body::Alarm(reader.text()?),
        CALL => Body::Call(reader.text()?),
        _ => return Err(Malformed::Unknown),
    };
    reader.end()?;
    Ok(body)
}

fn put_summary(out: &mut Vec<u8>, summary: &PondSummary) {
    out.push(SUMMARY);
    put_text(out, &summary.pond);
    put_signed(out, summary.from.as_millis());
    put_signed(out, summary.to.as_millis().wrapping_sub(summary.from.as_millis()));
    summary.alarms_standing.iter().for_each(|count| put_unsigned(out, u64::from(*count)));
    put_unsigned(out, u64::from(summary.merged));
    put_unsigned(out, summary.quantities.len() as u64);
    for own in &summary.quantities {
        put_unsigned(out, quantity_code(own.quantity));
        put_unsigned(out, u64::from(own.usable));
        put_unsigned(out, u64::from(own.doubtful));
        for value in [own.minimum, own.mean, own.maximum, own.last] {
            put_number(out, value, 0);
        }
    }
}

fn small(reader: &mut Reader<'_>) -> Result<u32, Malformed> {
    u32::try_from(reader.unsigned()?).map_err(|_| Malformed::Unknown)
}

fn value(reader: &mut Reader<'_>) -> Result<f64, Malformed> {
    let form = reader.byte()?;
    reader.number(form)
}

fn summary(reader: &mut Reader<'_>) -> Result<PondSummary, Malformed> {
    let pond = reader.text()?;
    let from = reader.signed()?;
    let to = from.wrapping_add(reader.signed()?);
    let alarms_standing = [reader.index()?, reader.index()?, reader.index()?];
    let merged = small(reader)?;
    let count = reader.index()?;
    // What is damaged may say any number.
    let mut quantities = Vec::with_capacity(usize::from(count.min(64)));
    for _ in 0..count {
        let quantity = quantity_of_code(reader.unsigned()?)?;
        let (usable, doubtful) = (small(reader)?, small(reader)?);
        let (minimum, mean) = (value(reader)?, value(reader)?);
        let (maximum, last) = (value(reader)?, value(reader)?);
        quantities.push(QuantitySummary { quantity, minimum, mean, maximum, last, usable, doubtful });
    }
    Ok(PondSummary { pond, from: Timestamp(from), to: Timestamp(to), quantities, alarms_standing, merged })
}

pub(super) fn put_waiting(out: &mut Vec<u8>, waiting: &Waiting) {
    put_unsigned(out, waiting.number);
    out.push(match waiting.class {
        Class::Urgent => URGENT_CLASS,
        Class::Summary => SUMMARY_CLASS,
    });
    put_signed(out, waiting.at.as_millis());
    put_unsigned(out, waiting.bytes.len() as u64);
    out.extend_from_slice(&waiting.bytes);
}

pub(super) fn read_waiting(reader: &mut Reader<'_>) -> Result<Waiting, Malformed> {
    let number = reader.unsigned()?;
    let class = match reader.byte()? {
        URGENT_CLASS => Class::Urgent,
        SUMMARY_CLASS => Class::Summary,
        _ => return Err(Malformed::Unknown),
    };
    let at = Timestamp(reader.signed()?);
    let length = usize::try_from(reader.unsigned()?).map_err(|_| Malformed::CutShort)?;
    Ok(Waiting { number, class, at, bytes: Arc::from(reader.bytes(length)?) })
}

pub(super) fn put_positions(out: &mut Vec<u8>, positions: &BTreeMap<String, Position>) {
    put_unsigned(out, positions.len() as u64);
    for (id, [urgent, summary]) in positions {
        put_text(out, id);
        put_unsigned(out, *urgent);
        put_unsigned(out, *summary);
    }
}

pub(super) fn read_positions(reader: &mut Reader<'_>) -> Result<BTreeMap<String, Position>, Malformed> {
    let count = reader.index()?;
    let mut positions = BTreeMap::new();
    for _ in 0..count {
        let id = reader.text()?;
        positions.insert(id, [reader.unsigned()?, reader.unsigned()?]);
    }
    Ok(positions)
}

/// The kind of a change.
pub(super) const fn kind(change: &Change) -> u8 {
    match change {
        Change::Queued(_) => QUEUED,
        Change::Merged { .. } => MERGED,
        Change::Confirmed(_) => CONFIRMED,
        Change::Commanded(_) => COMMANDED,
    }
}

/// Appends a change.
pub(super) fn put(out: &mut Vec<u8>, change: &Change) {
    match change {
        Change::Queued(waiting) => put_waiting(out, waiting),
        Change::Merged { gone, kept } => {
            put_unsigned(out, gone.len() as u64);
            gone.iter().for_each(|number| put_unsigned(out, *number));
            out.push(u8::from(kept.is_some()));
            kept.iter().for_each(|kept| put_waiting(out, kept));
        }
        Change::Confirmed(positions) => put_positions(out, positions),
        Change::Commanded(taken) => command_record::put(out, taken),
    }
}

/// Reads a change of a kind.
pub(super) fn read(reader: &mut Reader<'_>, kind: u8) -> Result<Change, Malformed> {
    Ok(match kind {
        QUEUED => Change::Queued(read_waiting(reader)?),
        MERGED => {
            let count = reader.unsigned()?;
            let gone = (0..count).map(|_| reader.unsigned()).collect::<Result<_, _>>()?;
            let kept = if reader.byte()? == 0 { None } else { Some(read_waiting(reader)?) };
            Change::Merged { gone, kept }
        }
        CONFIRMED => Change::Confirmed(read_positions(reader)?),
        COMMANDED => Change::Commanded(command_record::read(reader)?),
        _ => return Err(Malformed::Unknown),
    })
}

#[cfg(test)]
#[path = "outbox_record_tests.rs"]
mod tests;
