//! A sealed chunk: the sweeps of one shape within an hour or less, as columns.
//!
//! Sweeps have the same shape where they bring the same channels of the same probes, under the same
//! configuration. A shape is kept once and says in plain what its columns are, so that a chunk can be
//! understood when the configuration of its day is long gone.
//! ```text
//! chunk   version 1 B, rows, positions, times of arrival, columns, checksum 4 B over key and all
//! column  length, values, where the probe has a clock: how long before arrival it measured (for
//!         further columns: what differs from the first), verdicts as runs, values told by verdicts
//! ```
//! How each column of numbers is written: [`super::columns`]; verdicts: [`super::verdict`]. What is
//! expected of a verdict is the reported value after the calibration of its channel.

use pondreeve_core::input::Sample;
use pondreeve_core::quality::is_of_no_clock;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Input, Quantity, Timestamp};

use super::codec::{Malformed, Reader, put_text, put_unsigned};
use super::columns::{MOST_ROWS, integers, put_integers, put_times, put_values, times, values};
use super::keys::{Key, parts};
use super::record::{quantity_code, quantity_of_code};
use super::tally::{OfHour, quarters_of};
use super::verdict::{self, Said, Verdict};

const VERSION: u8 = 1;

/// What one column is.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Column {
    /// Position of the probe in the farm of its day; the largest for a derived value.
    pub(super) probe: u16,
    pub(super) quantity: Quantity,
    pub(super) channel: Option<u16>,
    /// The probe tells when it measured.
    pub(super) timed: bool,
    /// Id of the pond, empty where the probe belongs to none.
    pub(super) pond: String,
    /// Id of the probe, empty for a derived value.
    pub(super) probe_id: String,
    /// Calibration of the day.
    pub(super) slope: f64,
    pub(super) offset: f64,
}

/// What the columns of a chunk are.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Shape {
    pub(super) columns: Vec<Column>,
}

impl Column {
    fn expected(&self, reported: f64) -> f64 {
        calibrated(reported, (self.slope, self.offset))
    }
}

/// When a value that arrived at a time was measured, `before` that; by the rule of the core, which judged it.
fn counts_from(arrived: i64, before: i64) -> i64 {
    let measured = arrived.wrapping_sub(before);
    if is_of_no_clock(Timestamp(measured), Timestamp(arrived)) { arrived } else { measured }
}

fn calibrated(reported: f64, (slope, offset): (f64, f64)) -> f64 {
    reported * slope + offset
}

impl Shape {
    pub(super) fn to_bytes(&self) -> Vec<u8> {
        let mut out = vec![VERSION];
        put_unsigned(&mut out, self.columns.len() as u64);
        for column in &self.columns {
            put_unsigned(&mut out, u64::from(column.probe));
            put_unsigned(&mut out, quantity_code(column.quantity));
            put_unsigned(&mut out, column.channel.map_or(0, |channel| u64::from(channel) + 1));
            out.push(u8::from(column.timed));
            put_text(&mut out, &column.pond);
            put_text(&mut out, &column.probe_id);
            out.extend_from_slice(&column.slope.to_le_bytes());
            out.extend_from_slice(&column.offset.to_le_bytes());
        }
        let sum = crc32fast::hash(&out);
        out.extend_from_slice(&sum.to_le_bytes());
        out
    }

    pub(super) fn from_bytes(bytes: &[u8]) -> Result<Self, Malformed> {
        let (body, sum) = bytes.split_last_chunk::<4>().ok_or(Malformed::CutShort)?;
        if crc32fast::hash(body) != u32::from_le_bytes(*sum) {
            return Err(Malformed::Unknown);
        }
        let mut reader = Reader::new(body);
        if reader.byte()? != VERSION {
            return Err(Malformed::Unknown);
        }
        let mut columns = Vec::new();
        for _ in 0..reader.unsigned()? {
            columns.push(Column {
                probe: reader.index()?,
                quantity: quantity_of_code(reader.unsigned()?)?,
                channel: match reader.unsigned()? {
                    0 => None,
                    more => Some(u16::try_from(more - 1).map_err(|_| Malformed::Unknown)?),
                },
                timed: reader.byte()? != 0,
                pond: reader.text()?,
                probe_id: reader.text()?,
                slope: f64::from_le_bytes(reader.array()?),
                offset: f64::from_le_bytes(reader.array()?),
            });
        }
        reader.end()?;
        Ok(Self { columns })
    }
}

/// Rows of one shape on their way into a chunk. They are kept as they come, row by row: a sweep then touches a few
/// places of memory, not two for each of its columns.
#[derive(Debug)]
pub(super) struct Rows {
    /// Slope and offset of each column.
    calibrations: Vec<(f64, f64)>,
    pub(super) seqs: Vec<i64>,
    pub(super) ats: Vec<i64>,
    values: Vec<f64>,
    codes: Vec<u8>,
    /// Columns whose probe tells when it measured, and how long before arrival.
    timed: Vec<usize>,
    taken: Vec<i64>,
    /// Column and value of what verdicts tell.
    told: Vec<(usize, f64)>,
}

/// Is told each column: its place, values, codes of verdicts and what these tell.
type EachColumn<'a> = &'a mut dyn FnMut(usize, &[f64], &[u8], &[f64]);

impl Rows {
    /// None yet.
    pub(super) fn of(shape: &Shape) -> Self {
        let timed = shape.columns.iter().enumerate().filter(|(_, column)| column.timed);
        Self {
            calibrations: shape.columns.iter().map(|column| (column.slope, column.offset)).collect(),
            seqs: Vec::new(),
            ats: Vec::new(),
            values: Vec::new(),
            codes: Vec::new(),
            timed: timed.map(|(place, _)| place).collect(),
            taken: Vec::new(),
            told: Vec::new(),
        }
    }

    /// Forgets them, and keeps the room of `most` at most for those that come next.
    pub(super) fn clear(&mut self, most: usize) {
        fn forget<T>(all: &mut Vec<T>, most: usize) {
            all.clear();
            all.shrink_to(most);
        }
        let width = self.calibrations.len();
        forget(&mut self.seqs, most);
        forget(&mut self.ats, most);
        forget(&mut self.values, most * width);
        forget(&mut self.codes, most * width);
        forget(&mut self.taken, most * self.timed.len());
        forget(&mut self.told, 0);
    }

    pub(super) fn is_empty(&self) -> bool {
        self.seqs.is_empty()
    }

    /// Adds values of this shape, none of which has a time of its own; verdicts on them, if any are known, in their
    /// order.
    pub(super) fn push(
        &mut self,
        input: (u64, Timestamp),
        values: &[f64],
        mut verdicts: impl Iterator<Item = Option<Verdict>>,
    ) {
        self.push_coded(input, values, |_, expected, told| {
            verdict::code(verdicts.next().flatten(), expected, told)
        });
    }

    /// Adds a sweep: its values, the times of those that have one of their own, and verdicts as they were written
    /// beside it.
    pub(super) fn push_said(
        &mut self,
        input: (u64, Timestamp),
        (values, taken_at): (&[f64], &[Timestamp]),
        said: Option<Said<'_>>,
    ) {
        let at = input.1.as_millis();
        self.taken.extend(taken_at.iter().map(|taken_at| at.wrapping_sub(taken_at.as_millis())));
        let as_expected = || {
            let mut expected = self.calibrations.iter().zip(values);
            expected.all(|(own, value)| calibrated(*value, *own).to_bits() == value.to_bits())
        };
        // Nearly all are so.
        if let Some(said) = said.filter(|said| said.all_good(values.len()) && as_expected()) {
            self.push_plain(input, values);
            return self.codes.extend_from_slice(said.codes);
        }
        let mut said = said.map(Said::recoder).unwrap_or_default();
        self.push_coded(input, values, |reported, expected, told| said.next(reported, expected, told));
    }

    fn push_plain(&mut self, (seq, at): (u64, Timestamp), values: &[f64]) {
        self.seqs.push(seq as i64);
        self.ats.push(at.as_millis());
        self.values.extend_from_slice(values);
    }

    fn push_coded(
        &mut self,
        input: (u64, Timestamp),
        values: &[f64],
        mut code: impl FnMut(f64, f64, &mut Vec<f64>) -> u8,
    ) {
        self.push_plain(input, values);
        let mut told = Vec::new();
        for (place, (calibration, value)) in self.calibrations.iter().zip(values).enumerate() {
            self.codes.push(code(*value, calibrated(*value, *calibration), &mut told));
            self.told.extend(told.drain(..).map(|value| (place, value)));
        }
    }

    /// Time from which the oldest measurement in it counts.
    pub(super) fn oldest(&self) -> i64 {
        let arrived = self.ats.iter().copied().min().unwrap_or(i64::MAX);
        let of_row = self.taken.chunks(self.timed.len().max(1));
        let taken = self.ats.iter().zip(of_row);
        let taken = taken.flat_map(|(at, taken)| taken.iter().map(|before| counts_from(*at, *before)));
        taken.fold(arrived, i64::min)
    }

    /// The chunk's bytes, checked against `key` when they are read.
    pub(super) fn to_bytes(&self, key: &[u8]) -> Vec<u8> {
        self.packed(key, &mut |_, _, _, _| {})
    }

    /// The same, and what each column comes to in the quarters of the hour that `key` is of; `None` where its readings
    /// lie elsewhere, or may do.
    pub(super) fn to_bytes_counted(&self, key: &Key) -> (Vec<u8>, Option<Vec<OfHour>>) {
        let hour = parts(key).map(|(hour, ..)| hour).filter(|_| self.timed.is_empty());
        let Some(quarters) = hour.and_then(|hour| quarters_of(hour, &self.ats)) else {
            return (self.to_bytes(key), None);
        };
        let mut counted: Vec<OfHour> = Vec::with_capacity(self.calibrations.len());
        let bytes = self.packed(key, &mut |place, values, codes, told| {
            let calibration = self.calibrations.get(place).copied().unwrap_or((1.0, 0.0));
            let mut told = told.iter().copied();
            let mut of_hour = OfHour::default();
            let mut rows = values.iter().zip(codes);
            let all_good = verdict::all_good(codes);
            for run in quarters.chunk_by(|a, b| a == b) {
                let of_run = rows.by_ref().take(run.len());
                let quarter = run.first().and_then(|quarter| of_hour.get_mut(usize::from(*quarter)));
                let Some(quarter) = quarter else {
                    // Its rows are passed over with it, or those after it would be counted elsewhere.
                    of_run.for_each(drop);
                    continue;
                };
                if all_good {
                    quarter.add_passed(of_run.map(|(value, _)| calibrated(*value, calibration)));
                    continue;
                }
                for (value, code) in of_run {
                    // As it was written, so that it can be read.
                    let verdict = verdict::decode(*code, calibrated(*value, calibration), &mut told);
                    let verdict = verdict.ok().flatten();
                    quarter.add(verdict.map(|own| own.flag), verdict.and_then(|own| own.value));
                }
            }
            counted.push(of_hour);
        });
        (bytes, Some(counted))
    }

    /// `each` is told each column.
    fn packed(&self, key: &[u8], each: EachColumn<'_>) -> Vec<u8> {
        let mut out = vec![VERSION];
        put_unsigned(&mut out, self.seqs.len() as u64);
        put_integers(&mut out, &self.seqs);
        put_times(&mut out, &self.ats);
        let width = self.values.len().checked_div(self.seqs.len()).unwrap_or(0);
        let mut first_taken: Option<Vec<i64>> = None;
        let (mut section, mut values, mut codes) = (Vec::new(), Vec::new(), Vec::new());
        for place in 0..width {
            section.clear();
            of_column(&self.values, place, width, &mut values);
            put_values(&mut section, &values);
            if let Some(nth) = self.timed.iter().position(|own| *own == place) {
                let mut taken = Vec::new();
                of_column(&self.taken, nth, self.timed.len(), &mut taken);
                match &first_taken {
                    None => {
                        put_integers(&mut section, &taken);
                        first_taken = Some(taken);
                    }
                    Some(first) => {
                        let differs = taken.iter().zip(first).map(|(own, first)| own.wrapping_sub(*first));
                        put_integers(&mut section, &differs.collect::<Vec<_>>());
                    }
                }
            }
            of_column(&self.codes, place, width, &mut codes);
            verdict::put_codes(&mut section, &codes);
            let told = self.told.iter().filter(|(of, _)| *of == place).map(|(_, value)| *value);
            let told: Vec<f64> = told.collect();
            if !told.is_empty() {
                put_values(&mut section, &told);
            }
            each(place, &values, &codes, &told);
            put_unsigned(&mut out, section.len() as u64);
            out.extend_from_slice(&section);
        }
        let sum = checksum(key, &out);
        out.extend_from_slice(&sum.to_le_bytes());
        // It may wait with many others.
        out.shrink_to_fit();
        out
    }
}

/// One column of what is kept row by row.
fn of_column<T: Copy>(rows: &[T], place: usize, width: usize, column: &mut Vec<T>) {
    column.clear();
    column.extend(rows.chunks_exact(width.max(1)).filter_map(|row| row.get(place)));
}

pub(super) fn checksum(key: &[u8], body: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(key);
    hasher.update(body);
    hasher.finalize()
}

/// A chunk that is being read: its rows are known, its columns still packed.
#[derive(Debug)]
pub(super) struct Chunk<'a> {
    shape: &'a Shape,
    pub(super) seqs: Vec<i64>,
    pub(super) ats: Vec<i64>,
    sections: Vec<&'a [u8]>,
}

/// One column of a chunk.
#[derive(Debug)]
pub(super) struct Unpacked {
    pub(super) values: Vec<f64>,
    /// From when each counts: when it was measured, or when it arrived where the probe's clock was never set.
    pub(super) measured: Vec<i64>,
    pub(super) verdicts: Vec<Option<Verdict>>,
}

impl<'a> Chunk<'a> {
    pub(super) fn open(shape: &'a Shape, key: &[u8], bytes: &'a [u8]) -> Result<Self, Malformed> {
        let (body, sum) = bytes.split_last_chunk::<4>().ok_or(Malformed::CutShort)?;
        if checksum(key, body) != u32::from_le_bytes(*sum) {
            return Err(Malformed::Unknown);
        }
        let mut reader = Reader::new(body);
        if reader.byte()? != VERSION {
            return Err(Malformed::Unknown);
        }
        let rows = usize::try_from(reader.unsigned()?).ok().filter(|rows| *rows <= MOST_ROWS);
        let rows = rows.ok_or(Malformed::Unknown)?;
        let seqs = integers(&mut reader, rows)?;
        let ats = times(&mut reader, rows)?;
        let mut sections = Vec::with_capacity(shape.columns.len());
        for _ in &shape.columns {
            let length = usize::try_from(reader.unsigned()?).map_err(|_| Malformed::CutShort)?;
            sections.push(reader.bytes(length)?);
        }
        reader.end()?;
        Ok(Self { shape, seqs, ats, sections })
    }

    fn rows(&self) -> usize {
        self.ats.len()
    }

    /// How long before arrival the values of a column were measured, and the reader after that.
    fn taken(&self, place: usize, reader: &mut Reader<'_>) -> Result<Option<Vec<i64>>, Malformed> {
        if !self.shape.columns.get(place).is_some_and(|column| column.timed) {
            return Ok(None);
        }
        let mut own = integers(reader, self.rows())?;
        let first = self.shape.columns.iter().position(|column| column.timed);
        if let Some(first) = first.filter(|first| *first != place) {
            let mut first_reader = Reader::new(self.sections.get(first).copied().unwrap_or_default());
            values(&mut first_reader, self.rows())?;
            let base = integers(&mut first_reader, self.rows())?;
            own.iter_mut().zip(base).for_each(|(own, base)| *own = own.wrapping_add(base));
        }
        Ok(Some(own))
    }

    /// Unpacks one column.
    pub(super) fn column(&self, place: usize) -> Result<Unpacked, Malformed> {
        let rows = self.rows();
        let mut column = Unpacked {
            values: Vec::with_capacity(rows),
            measured: Vec::with_capacity(rows),
            verdicts: Vec::with_capacity(rows),
        };
        self.each(place, &mut |measured, value, verdict| {
            column.measured.push(measured);
            column.values.push(value);
            column.verdicts.push(verdict);
        })?;
        Ok(column)
    }

    /// Hands out one column: from when each counts, what was reported and what was made of it.
    pub(super) fn each(
        &self,
        place: usize,
        each: &mut impl FnMut(i64, f64, Option<Verdict>),
    ) -> Result<(), Malformed> {
        let column = self.shape.columns.get(place).ok_or(Malformed::Unknown)?;
        let mut reader = Reader::new(self.sections.get(place).copied().unwrap_or_default());
        let reported = values(&mut reader, self.rows())?;
        let taken = self.taken(place, &mut reader)?;
        let codes = verdict::codes(&mut reader, self.rows(), true)?;
        let told = match verdict::count_told(&codes) {
            0 => Vec::new(),
            count => values(&mut reader, count)?,
        };
        reader.end()?;
        let mut told = told.into_iter();
        for (row, ((code, value), at)) in codes.into_iter().zip(reported).zip(&self.ats).enumerate() {
            let before = taken.as_ref().and_then(|taken| taken.get(row)).copied().unwrap_or(0);
            let verdict = verdict::decode(code, column.expected(value), &mut told)?;
            each(counts_from(*at, before), value, verdict);
        }
        Ok(())
    }

    /// The sweeps it was made from, bit for bit.
    pub(super) fn inputs(&self) -> Result<Vec<Input>, Malformed> {
        let mut sweeps = vec![Vec::with_capacity(self.shape.columns.len()); self.rows()];
        for (place, column) in self.shape.columns.iter().enumerate() {
            let mut reader = Reader::new(self.sections.get(place).copied().unwrap_or_default());
            let reported = values(&mut reader, self.rows())?;
            let taken = self.taken(place, &mut reader)?;
            for (row, (sweep, value)) in sweeps.iter_mut().zip(reported).enumerate() {
                let arrived = self.ats.get(row).copied().unwrap_or_default();
                let before = taken.as_ref().and_then(|taken| taken.get(row));
                let Column { probe, quantity, channel, .. } = *column;
                let taken_at = before.map(|before| Timestamp(arrived.wrapping_sub(*before)));
                sweep.push(Sample { probe: ProbeIndex(probe), quantity, channel, value, taken_at });
            }
        }
        let inputs = sweeps.into_iter().zip(self.seqs.iter().zip(&self.ats));
        Ok(inputs
            .map(|(samples, (seq, at))| Input {
                seq: *seq as u64,
                at: Timestamp(*at),
                event: Event::Sweep { samples },
            })
            .collect())
    }
}
