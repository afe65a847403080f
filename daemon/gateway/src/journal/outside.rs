//! The store's readers, given bytes that nobody checked: for `crate::outside`.
//!
//! A checksum keeps nearly every changed byte from the code behind it. Here it is made to fit, so that the code behind
//! it is reached: a disk that lies cannot be worse.

use std::cell::RefCell;
use std::fs::File;
use std::io::{self, Seek as _, Write as _};
use std::os::fd::AsRawFd as _;
use std::path::{Path, PathBuf};

use nix::sys::memfd::{MFdFlags, memfd_create};
use pondreeve_core::{Quantity, Timestamp};

use super::batch::{read_batch, read_loose};
use super::chunk::{self, Chunk, Column, Shape};
use super::codec::Reader;
use super::{backup_list, checkpoint, command_record, days, outbox_record, pieces, rollup, tail};
use crate::audit::Row;

const KEY: &[u8] = b"key";

pub(crate) fn batch(bytes: &[u8]) {
    let read = read_batch(7, bytes);
    assert!(read.complete <= read.inputs.len(), "no more is complete than there is");
}

/// Bodies of records, each after a byte of length.
pub(crate) fn record(bytes: &[u8]) {
    let mut rest = bytes;
    while let Some((&length, after)) = rest.split_first() {
        let (body, next) = after.split_at(usize::from(length).min(after.len()));
        let _ = read_loose(7, Timestamp(1_780_000_000_000), body);
        rest = next;
    }
}

pub(crate) fn tail(bytes: &[u8]) {
    tail::read_loose(bytes);
    tail::read_loose(&tail::with_sums(bytes));
}

/// Columns of every kind: with and without the probe's own time, beside another of its quantity, derived.
fn columns() -> Shape {
    let column = |quantity, timed, channel| Column {
        probe: 3,
        quantity,
        channel,
        timed,
        pond: "p1".to_owned(),
        probe_id: "node".to_owned(),
        slope: 1.02,
        offset: -0.05,
    };
    let columns = vec![
        column(Quantity::DoMgL, true, None),
        column(Quantity::TemperatureC, true, Some(1)),
        column(Quantity::Ph, false, None),
    ];
    Shape { columns }
}

pub(crate) fn chunk(bytes: &[u8]) {
    let shape = columns();
    let mut whole = bytes.to_vec();
    whole.extend_from_slice(&chunk::checksum(KEY, bytes).to_le_bytes());
    let Ok(chunk) = Chunk::open(&shape, KEY, &whole) else { return };
    for place in 0..shape.columns.len() {
        let _ = chunk.column(place);
    }
    let _ = chunk.inputs();
}

pub(crate) fn shape(bytes: &[u8]) {
    let mut whole = bytes.to_vec();
    whole.extend_from_slice(&crc32fast::hash(bytes).to_le_bytes());
    if let Ok(shape) = Shape::from_bytes(&whole) {
        assert_eq!(
            Shape::from_bytes(&shape.to_bytes()).map(|again| again.columns.len()).ok(),
            Some(shape.columns.len())
        );
    }
}

pub(crate) fn roll_up(bytes: &[u8]) {
    rollup::read_loose(KEY, bytes);
}

pub(crate) fn outbox(bytes: &[u8]) {
    let mut reader = Reader::new(bytes);
    while let Ok(waiting) = outbox_record::read_waiting(&mut reader) {
        let _ = outbox_record::outgoing(&waiting);
    }
    let _ = outbox_record::read_positions(&mut Reader::new(bytes));
    let mut reader = Reader::new(bytes);
    while let Ok(taken) = command_record::read(&mut reader) {
        drop(taken);
    }
}

pub(crate) fn audit_row(bytes: &[u8]) {
    if let Some(row) = Row::from_bytes(bytes) {
        let _ = row.fields();
        assert_eq!(row.to_bytes(), bytes);
    }
}

/// Bytes as a file that is on no disk, for readers that want one; the same one each time.
fn with_file(bytes: &[u8], read: impl FnOnce(&Path) -> io::Result<()>) {
    thread_local! {
        static FILE: RefCell<Option<File>> = const { RefCell::new(None) };
    }
    let written = FILE.with_borrow_mut(|kept| -> io::Result<PathBuf> {
        let file = match kept {
            Some(file) => file,
            None => kept.insert(memfd_create("outside", MFdFlags::MFD_CLOEXEC)?.into()),
        };
        file.set_len(0)?;
        file.rewind()?;
        file.write_all(bytes)?;
        Ok(PathBuf::from(format!("/proc/self/fd/{}", file.as_raw_fd())))
    });
    written.and_then(|path| read(&path)).expect("a file in memory can be read");
}

/// A file of a backup as it is, and between a piece and an end that fits: what is damaged costs itself.
pub(crate) fn backup_pieces(bytes: &[u8]) {
    with_file(bytes, |path| pieces::read_pieces(path, &mut |_, _| ()).map(drop));
    let (key, value) = ([1; 17], b"value");
    let between = pieces::with_a_piece_before(bytes, &key, value).expect("written to memory");
    with_file(&between, |path| {
        let mut first = None;
        pieces::read_pieces(path, &mut |key, value| {
            first = first.take().or_else(|| Some((key.to_vec(), value.to_vec())));
        })?;
        assert_eq!(first, Some((key.to_vec(), value.to_vec())));
        Ok(())
    });
}

pub(crate) fn backup_list(bytes: &[u8]) {
    backup_list::read_loose(bytes);
}

/// A day's file as it is, and with an index of as many places as the first byte says.
pub(crate) fn day(bytes: &[u8]) {
    with_file(bytes, days::read_loose);
    if let Some((places, rest)) = bytes.split_first() {
        with_file(&days::with_foot(rest, *places), days::read_loose);
    }
}

/// What a checkpoint holds, unpacked; none but the state's own reader looks at it.
pub(crate) fn checkpoint(bytes: &[u8]) -> Option<Vec<u8>> {
    checkpoint::unpack(bytes)
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use pondreeve_core::input::{ProbeFault, Sample};
    use pondreeve_core::site::{PondIndex, ProbeIndex};
    use pondreeve_core::{Event, Input};

    use super::super::chunk::Rows;
    use super::super::keys::{Key, key, kind};
    use super::super::record::BatchWriter;
    use super::super::verdict::Verdicts;
    use super::*;
    use crate::audit::{Head, Note, Place};

    const AT: Timestamp = Timestamp(1_780_000_000_000);

    fn samples(shift: f64) -> Vec<Sample> {
        let probe = ProbeIndex(3);
        let sample =
            |quantity, channel, value, taken_at| Sample { probe, quantity, channel, value, taken_at };
        let taken = Some(Timestamp(AT.as_millis() - 1_500));
        vec![
            sample(Quantity::DoMgL, None, 5.1 + shift, taken),
            sample(Quantity::TemperatureC, Some(1), 28.25, taken),
            sample(Quantity::Ph, None, 8.1 - shift, None),
        ]
    }

    fn events() -> Vec<Event> {
        let by = || "ana".to_owned();
        vec![
            Event::Sweep { samples: samples(0.0) },
            Event::ProbeFault {
                probe: ProbeIndex(1),
                fault: ProbeFault::Undecodable("half a frame".to_owned()),
            },
            Event::ManualSample {
                pond: PondIndex(0),
                quantity: Quantity::TanMgL,
                value: 0.35,
                taken_at: None,
                by: by(),
            },
            Event::Acknowledge { alarm: "p1.do-low-critical".to_owned(), by: by() },
            Event::ClockStepped { from: Timestamp(0), to: AT },
            Event::Tick,
            Event::Stopped,
        ]
    }

    /// The file of a day with an hour in it, as the reader that puts the checksums right wants it.
    fn day_file(chunk: &[u8], shape: &[u8]) -> Vec<u8> {
        let (hour, of_shape) = (key(20_603 * 24, kind::CHUNK, 0, 7), key(0, kind::SHAPE, 0, 0));
        let value_of = |key: &Key| if *key == hour { chunk.to_vec() } else { shape.to_vec() };
        let file = days::whole_file(&[hour, of_shape], &value_of);
        let mut bytes = vec![2];
        bytes.extend_from_slice(&file[..file.len() - days::FOOT_BYTES]);
        bytes
    }

    /// What the journal itself writes is in the corpus, so that changes begin from there.
    /// PONDREEVE_WRITE_CORPUS=1 writes it anew.
    #[test]
    fn the_corpus_has_what_the_journal_writes() {
        let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/fuzz/corpus");
        let mut writer = BatchWriter::new(7, AT);
        let mut note = Note {
            at: AT,
            local: "2026-05-28T15:26:40-05:00".to_owned(),
            user: "ana".to_owned(),
            place: Place::Console,
            action: "acknowledge".to_owned(),
            object: "p1.do-low-critical".to_owned(),
            old: "unacknowledged".to_owned(),
            new: "acknowledged".to_owned(),
            reason: "the \"big\" aerator".to_owned(),
        };
        for (place, event) in events().into_iter().enumerate() {
            let input = Input { seq: 7 + place as u64, at: AT, event };
            writer.input(&input);
            if let Event::Sweep { samples } = &input.event {
                let verdicts = Verdicts::of_sweep(input.seq, samples, &[]);
                writer.verdicts(&verdicts);
            }
            writer.note(input.seq, &note);
        }
        let written = writer.finish();
        assert_eq!(read_batch(7, &written).inputs.len(), events().len());
        note.reason.clear();
        let row = Head::default().chain(&note).to_bytes();
        let shape = columns();
        let mut rows = Rows::of(&shape);
        for place in 0..40_u32 {
            let at = Timestamp(AT.as_millis() + i64::from(place) * 60_000);
            let samples = samples(f64::from(place) / 100.0);
            let values: Vec<f64> = samples.iter().map(|sample| sample.value).collect();
            let taken_at: Vec<Timestamp> = samples.iter().filter_map(|sample| sample.taken_at).collect();
            rows.push_said((u64::from(place) + 7, at), (&values, &taken_at), None);
        }
        let without = |bytes: Vec<u8>| bytes[..bytes.len() - 4].to_vec();
        let chunked = without(rows.to_bytes(KEY));
        for (name, bytes) in [
            ("journal-batch/written", written),
            ("audit-row/written", row),
            ("journal-chunk/written", chunked),
            ("journal-shape/written", without(shape.to_bytes())),
            ("journal-day/written", day_file(&rows.to_bytes(KEY), &shape.to_bytes())),
            ("backup-pieces/written", pieces::with_a_piece_before(&[], &key(1, 1, 1, 1), KEY).unwrap()),
            ("backup-list/written", backup_list::of_a_day(20_603, 36_012).into_bytes()),
        ] {
            let path = corpus.join(name);
            if std::env::var_os("PONDREEVE_WRITE_CORPUS").is_some() {
                fs::create_dir_all(path.parent().unwrap()).unwrap();
                fs::write(&path, &bytes).unwrap();
            }
            let kept = fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            assert!(!kept.is_empty());
        }
        chunk(&fs::read(corpus.join("journal-chunk/written")).unwrap());
    }
}
