//! What the gateway carried out, inside a journal record.

use pondreeve_core::Timestamp;
use pondreeve_core::call::{Carried, Outcome};

use super::codec::{Malformed, Reader, put_signed, put_text};

/// Codes. Never reuse one.
const HORN_TEST: u8 = 1;
const CALL: u8 = 2;

const DONE: u8 = 1;
const LEFT_OUT: u8 = 2;
const FAILED: u8 = 3;

/// Appends it.
pub(super) fn put(out: &mut Vec<u8>, what: &Carried, outcome: &Outcome) {
    match what {
        Carried::HornTest => out.push(HORN_TEST),
        Carried::Call { step, asked_at } => {
            out.push(CALL);
            put_text(out, step);
            put_signed(out, asked_at.as_millis());
        }
    }
    match outcome {
        Outcome::Done => out.push(DONE),
        Outcome::LeftOut(why) => {
            out.push(LEFT_OUT);
            put_text(out, why);
        }
        Outcome::Failed(why) => {
            out.push(FAILED);
            put_text(out, why);
        }
    }
}

/// Reads it back.
pub(super) fn read(reader: &mut Reader<'_>) -> Result<(Carried, Outcome), Malformed> {
    let what = match reader.byte()? {
        HORN_TEST => Carried::HornTest,
        CALL => Carried::Call { step: reader.text()?, asked_at: Timestamp(reader.signed()?) },
        _ => return Err(Malformed::Unknown),
    };
    let outcome = match reader.byte()? {
        DONE => Outcome::Done,
        LEFT_OUT => Outcome::LeftOut(reader.text()?),
        FAILED => Outcome::Failed(reader.text()?),
        _ => return Err(Malformed::Unknown),
    };
    Ok((what, outcome))
}
