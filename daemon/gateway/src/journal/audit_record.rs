//! Notes of the audit trail inside a batch, beside the input that they are of.
//! ```text
//! note   form 1 B, place 1 B, then as texts: local time, user, action, object, old, new, reason
//! ```
//! When it was is the time of the record.

use pondreeve_core::Timestamp;

use super::codec::{Malformed, Reader, put_text};
use crate::audit::{Note, Place};

const FORM: u8 = 1;

/// Appends a note.
pub(super) fn put(out: &mut Vec<u8>, note: &Note) {
    let Note { at: _, local, user, place, action, object, old, new, reason } = note;
    out.push(FORM);
    out.push(place.code());
    [local, user, action, object, old, new, reason].into_iter().for_each(|text| put_text(out, text));
}

/// Reads a note.
pub(super) fn read(reader: &mut Reader<'_>, at: Timestamp) -> Result<Note, Malformed> {
    if reader.byte()? != FORM {
        return Err(Malformed::Unknown);
    }
    let place = Place::of_code(reader.byte()?).ok_or(Malformed::Unknown)?;
    Ok(Note {
        at,
        place,
        local: reader.text()?,
        user: reader.text()?,
        action: reader.text()?,
        object: reader.text()?,
        old: reader.text()?,
        new: reader.text()?,
        reason: reader.text()?,
    })
}
