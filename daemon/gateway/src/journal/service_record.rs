//! A step of a probe's service inside a journal record.

use pondreeve_core::Span;
use pondreeve_core::service::Step;

use super::codec::{Malformed, Reader, put_signed, put_unsigned};
use super::record::{quantity_code, quantity_of_code};

/// Codes of the steps. Never reuse one.
const BEGIN: u8 = 1;
const BEFORE: u8 = 2;
const CLEANED: u8 = 3;
const AFTER: u8 = 4;
const STANDARD: u8 = 5;
const ADOPT: u8 = 6;
const END: u8 = 7;

fn put_value(out: &mut Vec<u8>, value: f64) {
    out.extend_from_slice(&value.to_bits().to_le_bytes());
}

fn put_maybe(out: &mut Vec<u8>, value: Option<f64>) {
    out.push(u8::from(value.is_some()));
    if let Some(value) = value {
        put_value(out, value);
    }
}

fn value(reader: &mut Reader<'_>) -> Result<f64, Malformed> {
    Ok(f64::from_bits(u64::from_le_bytes(reader.array()?)))
}

fn maybe(reader: &mut Reader<'_>) -> Result<Option<f64>, Malformed> {
    match reader.byte()? {
        0 => Ok(None),
        1 => value(reader).map(Some),
        _ => Err(Malformed::Unknown),
    }
}

/// Appends a step.
pub(super) fn put(out: &mut Vec<u8>, step: &Step) {
    match *step {
        Step::Begin { length } => {
            out.push(BEGIN);
            put_signed(out, length.as_millis());
        }
        Step::Before { quantity, hand, reading } | Step::After { quantity, hand, reading } => {
            out.push(if matches!(step, Step::Before { .. }) { BEFORE } else { AFTER });
            put_unsigned(out, quantity_code(quantity));
            put_maybe(out, hand);
            put_maybe(out, reading);
        }
        Step::Cleaned => out.push(CLEANED),
        Step::Standard { quantity, expected, reading, millivolts } => {
            out.push(STANDARD);
            put_unsigned(out, quantity_code(quantity));
            put_value(out, expected);
            put_maybe(out, reading);
            put_maybe(out, millivolts);
        }
        Step::Adopt => out.push(ADOPT),
        Step::End => out.push(END),
    }
}

/// Reads a step back.
pub(super) fn read(reader: &mut Reader<'_>) -> Result<Step, Malformed> {
    Ok(match reader.byte()? {
        BEGIN => Step::Begin { length: Span::from_millis(reader.signed()?) },
        BEFORE => Step::Before {
            quantity: quantity_of_code(reader.unsigned()?)?,
            hand: maybe(reader)?,
            reading: maybe(reader)?,
        },
        CLEANED => Step::Cleaned,
        AFTER => Step::After {
            quantity: quantity_of_code(reader.unsigned()?)?,
            hand: maybe(reader)?,
            reading: maybe(reader)?,
        },
        STANDARD => Step::Standard {
            quantity: quantity_of_code(reader.unsigned()?)?,
            expected: value(reader)?,
            reading: maybe(reader)?,
            millivolts: maybe(reader)?,
        },
        ADOPT => Step::Adopt,
        END => Step::End,
        _ => return Err(Malformed::Unknown),
    })
}
