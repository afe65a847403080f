//! Keys of the sealed tree. Time first, so that an hour lies together and grows at the end:
//! ```text
//! hour since 1970, 4 B; kind, 1 B; number, 4 B; position of the first input sealed with it, 8 B
//! ```
//! all big-endian. Hour 0 holds what belongs to no hour.

use pondreeve_core::Timestamp;

const HOUR_MS: i64 = 3_600_000;

/// What a key leads to. Never reuse a code.
pub(super) mod kind {
    /// A chunk of sweeps; the number is its shape's.
    pub(crate) const CHUNK: u8 = b'c';
    /// A chunk of derived values; the number is its shape's.
    pub(crate) const DERIVED: u8 = b'd';
    /// An input that is kept for ever, as a batch.
    pub(crate) const INPUT: u8 = b'i';
    /// A chunk of a later hour holds values measured in this one; the value is that chunk's key.
    pub(crate) const LATE_CHUNK: u8 = b'l';
    /// Other inputs, as a batch; kept as long as chunks.
    pub(crate) const OTHER: u8 = b'o';
    /// A chunk of one column: later verdicts on readings of this hour.
    pub(crate) const AMENDED: u8 = b'a';
    /// A chunk of one column: what a person measured.
    pub(crate) const ENTRY: u8 = b'e';
    /// A chunk of one column: readings that did not come.
    pub(crate) const MISSING: u8 = b'm';
    /// Hour 0: a shape; its number.
    pub(crate) const SHAPE: u8 = b's';
    /// Hour 0: the farm that the inputs to come belong to.
    pub(crate) const SITE: u8 = b'f';
    /// Hour 0: how far sealing has come.
    pub(crate) const PROGRESS: u8 = b'p';
    /// Hour 0: a position never to be replayed.
    pub(crate) const LEFT_OUT: u8 = b'x';
    // b'w' was, before the outbox, a time up to which other systems had confirmed everything.
    /// Hour 0: a day of a pond's quantity, rolled up.
    pub(crate) const ROLLED: u8 = b'r';
    /// Hour 0: the day before which every day is rolled up.
    pub(crate) const ROLLED_BEFORE: u8 = b'q';
    /// Hour 0: a day that is to be rolled up again; the number is the day.
    pub(crate) const STALE_DAY: u8 = b'y';
    /// Hour 0: bytes that sealed pieces take.
    pub(crate) const LIVE_BYTES: u8 = b'b';
    /// Hour 0: bytes ever written to the disk.
    pub(crate) const WRITTEN: u8 = b'n';
    /// Hour 0: a step of a probe's service, an entry of the diary, or a farm that such belong to, as a batch:
    /// what the core must know however long ago it was.
    pub(crate) const LASTING: u8 = b'k';
    /// Hour 0: the day before which every day has a file of its own.
    pub(crate) const FILED_BEFORE: u8 = b'h';
    /// Hour 0: the day on which readings were last deleted to make room on a full disk.
    pub(crate) const MADE_ROOM: u8 = b'v';
    /// Hour 0: the day on which readings were last judged by their age, and the one to which time last leapt.
    pub(crate) const AGED: u8 = b'j';
    /// Hour 0: a record of the audit trail; the position is its number.
    pub(crate) const AUDIT: u8 = b'u';
    /// Hour 0: how many records the audit trail has, and the hash of the last.
    pub(crate) const AUDIT_HEAD: u8 = b'z';
    /// Hour 0: the settings of the last start.
    pub(crate) const SETTINGS: u8 = b'g';
    /// Hour 0: a message that waits to go out; the number is its class, the position its own number.
    pub(crate) const OUTBOX: u8 = b'O';
    /// Hour 0: how far each destination has confirmed, and the last number given.
    pub(crate) const OUTBOX_POSITIONS: u8 = b'P';
    /// Hour 0: the newest command of each person.
    pub(crate) const COMMANDS: u8 = b'C';
    /// Hour 0: the hour before which chunks were deleted.
    pub(crate) const THINNED: u8 = b't';
}

pub(super) const KEY_BYTES: usize = 17;

pub(super) type Key = [u8; KEY_BYTES];

pub(super) fn key(hour: u32, kind: u8, number: u32, seq: u64) -> Key {
    let mut key = [0; KEY_BYTES];
    key[..4].copy_from_slice(&hour.to_be_bytes());
    key[4] = kind;
    key[5..9].copy_from_slice(&number.to_be_bytes());
    key[9..].copy_from_slice(&seq.to_be_bytes());
    key
}

/// No key lies before it.
pub(super) const FIRST: Key = [0; KEY_BYTES];

/// No key of ours lies behind it.
pub(super) const LAST: Key = [0xff; KEY_BYTES];

/// The key that follows in order.
pub(super) fn key_after(key: &Key) -> Option<Key> {
    let mut after = *key;
    for byte in after.iter_mut().rev() {
        *byte = byte.wrapping_add(1);
        if *byte != 0 {
            return Some(after);
        }
    }
    None
}

/// Whether it is never deleted: what people did, and the farm.
pub(super) fn is_for_ever(of: u8) -> bool {
    of == kind::INPUT || of == kind::ENTRY
}

/// A key taken apart: hour, kind, number, position.
pub(super) fn parts(key: &[u8]) -> Option<(u32, u8, u32, u64)> {
    let key: &Key = key.try_into().ok()?;
    let (hour, rest) = key.split_first_chunk::<4>()?;
    let (kind, rest) = rest.split_first()?;
    let (number, seq) = rest.split_first_chunk::<4>()?;
    let seq = seq.first_chunk::<8>()?;
    Some((u32::from_be_bytes(*hour), *kind, u32::from_be_bytes(*number), u64::from_be_bytes(*seq)))
}

/// The hour of a time; 1 at least, since 0 is taken, for clocks that were never set.
pub(super) fn hour_of(at: Timestamp) -> u32 {
    hour_of_ms(at.as_millis())
}

pub(super) fn hour_of_ms(at_ms: i64) -> u32 {
    u32::try_from(at_ms.div_euclid(HOUR_MS)).unwrap_or(if at_ms < 0 { 1 } else { u32::MAX }).max(1)
}

/// When an hour begins.
pub(super) fn start_of(hour: u32) -> Timestamp {
    Timestamp(i64::from(hour) * HOUR_MS)
}
