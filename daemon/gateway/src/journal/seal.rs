//! From inputs in a row to what the database keeps of them, and back.
//!
//! What is sealed together goes into the database in one step, with how far sealing has come: inputs are
//! in the tail or sealed, never neither, and never counted twice.

use std::collections::HashMap;
use std::hash::BuildHasherDefault;

use pondreeve_core::effect::Flag;
use pondreeve_core::input::Sample;
use pondreeve_core::site::Site;
use pondreeve_core::{Event, Input, Timestamp};

use super::chunk::{Chunk, Column, Shape};
use super::codec::{Malformed, Reader};
use super::flat::{Flat, Laid, Piece, What};
use super::hashing::Mixing;
use super::keys::{Key, hour_of, hour_of_ms, key, kind, parts};
use super::lanes::{Lanes, Signature, sign, signed};
use super::record::{Batch, BatchWriter, read_batch};
use super::seal_late::{MOST_LATE_HOURS, by_hours, seal_derived, seal_late};
use super::shapes::{MOST_SHAPES, Shapes};
use super::site_record;
use super::tally::OfHour;
use super::verdict::{Late, Origin, Said, Verdicts};
use crate::audit::Note;
use crate::outbox::Change;

/// Samples sealed together at most: what they take in memory, a few megabytes, stays in bounds however
/// fast they come.
const MOST_SAMPLES: usize = 1 << 16;

/// A sweep with more samples than this is kept as it came.
const MOST_COLUMNS: usize = 256;

/// What goes into the database in one step.
#[derive(Debug, Default)]
pub(super) struct Sealed {
    pub(super) entries: Vec<(Key, Vec<u8>)>,
    /// Position after the last input in it.
    pub(super) next_seq: u64,
    /// Inputs in it.
    pub(super) inputs: usize,
    /// Notes of the audit trail on them.
    pub(super) notes: Vec<Note>,
    /// What happened to what waits to go out.
    pub(super) outbox: Vec<Change>,
    /// What pieces of it come to, for the roll-up of their day.
    pub(super) tallies: Vec<(Key, Vec<OfHour>)>,
}

#[derive(Debug, Default)]
struct Scratch {
    signs: Signature,
    values: Vec<f64>,
    taken_at: Vec<Timestamp>,
}

/// Collects inputs until an hour is full.
#[derive(Debug, Default)]
pub(super) struct Sealer {
    site: Option<Site>,
    site_text: Option<String>,
    /// Numbers of shapes under the present farm.
    numbers: HashMap<Signature, Option<u32>, BuildHasherDefault<Mixing>>,
    /// The memory in which sweeps that were read back are laid out.
    scratch: Scratch,
    hour: u32,
    first_seq: Option<u64>,
    lanes: Lanes,
    others: Option<BatchWriter>,
    entries: Vec<(Key, Vec<u8>)>,
    late: Vec<Late>,
    entered: Vec<Late>,
    notes: Vec<Note>,
    outbox: Vec<Change>,
    settings: Option<String>,
    samples: usize,
    inputs: usize,
    next_seq: u64,
}

impl Sealer {
    /// Goes on after what is sealed, under the farm that was in force then.
    pub(super) fn new(site_text: Option<&str>, hour: u32, next_seq: u64) -> Self {
        let site = site_text.and_then(|text| site_record::from_text(text).ok());
        Self { site, hour, next_seq, ..Self::default() }
    }

    /// Takes a batch; hands what is full to `out`. Inputs that were taken already are passed over.
    pub(super) fn batch(&mut self, batch: &Batch, shapes: &mut Shapes, out: &mut dyn FnMut(Sealed)) {
        self.pieces(batch.pieces(), batch, shapes, out);
    }

    /// The same of one laid out by its writer.
    pub(super) fn flat(&mut self, flat: &Flat, shapes: &mut Shapes, out: &mut dyn FnMut(Sealed)) {
        self.pieces(flat.pieces(), &flat.rest, shapes, out);
    }

    fn pieces<'a>(
        &mut self,
        pieces: impl Iterator<Item = Piece<'a>>,
        beside: &Batch,
        shapes: &mut Shapes,
        out: &mut dyn FnMut(Sealed),
    ) {
        let mut notes = beside.notes.iter().peekable();
        let mut outbox = beside.outbox.iter().peekable();
        let mut any_new = false;
        self.lanes.begin_batch();
        for piece in pieces {
            let seq = piece.seq;
            while notes.next_if(|(of, _)| *of < seq).is_some() {}
            while outbox.next_if(|(of, _)| *of < seq).is_some() {}
            if seq < self.next_seq {
                continue;
            }
            any_new = true;
            let hour = hour_of(piece.at).max(self.hour);
            if (hour != self.hour || self.samples >= MOST_SAMPLES) && self.inputs > 0 {
                out(self.finish(shapes));
            }
            self.hour = hour;
            self.piece(&piece, shapes);
            while let Some((_, note)) = notes.next_if(|(of, _)| *of == seq) {
                self.notes.push(note.clone());
            }
            while let Some((_, change)) = outbox.next_if(|(of, _)| *of == seq) {
                self.outbox.push(change.clone());
            }
            let of_this = beside.settings.as_ref().filter(|(of, _)| *of == seq);
            self.settings = of_this.map(|(_, text)| text.clone()).or(self.settings.take());
        }
        // Those of a batch of which every input was taken already were taken with them.
        if any_new {
            self.late.extend(&beside.late);
        }
    }

    fn piece(&mut self, piece: &Piece<'_>, shapes: &mut Shapes) {
        self.first_seq.get_or_insert(piece.seq);
        self.next_seq = piece.seq.saturating_add(1);
        self.inputs += 1;
        match piece.what {
            What::Laid(sweep) => self.sweep(piece, &sweep, shapes),
            What::Sweep(samples) => {
                let mut scratch = std::mem::take(&mut self.scratch);
                scratch.lay_out(samples);
                let Scratch { signs, values, taken_at } = &scratch;
                self.sweep(piece, &Laid { form: None, signs, values, taken_at }, shapes);
                self.scratch = scratch;
            }
            What::Other(input) => self.input(input, piece.said),
        }
    }

    fn sweep(&mut self, piece: &Piece<'_>, sweep: &Laid<'_>, shapes: &mut Shapes) {
        self.samples += sweep.values.len().max(1);
        if self.lanes.turn_to_known(sweep) || self.find_lane(sweep, shapes) {
            self.lanes.push((piece.seq, piece.at), sweep, piece.said);
        } else {
            self.other(&piece.input(), piece.said);
        }
    }

    fn input(&mut self, input: &Input, said: Option<Said<'_>>) {
        match &input.event {
            Event::Tick | Event::ProbeFault { .. } => self.other(input, said),
            event => {
                let is_lasting = match event {
                    Event::Started { site } | Event::SiteChanged { site } => self.take_site(site),
                    event => {
                        matches!(
                            event,
                            Event::Service { .. }
                                | Event::Diary { .. }
                                | Event::Trial { .. }
                                | Event::LimitChange { .. }
                        )
                    }
                };
                if let Event::ManualSample { pond, quantity, value, taken_at, .. } = event {
                    let verdict = said.and_then(|own| own.on(std::iter::once(*value)).next().flatten());
                    self.entered.push(Late {
                        origin: Origin::Amended,
                        pond: Some(*pond),
                        probe: None,
                        quantity: *quantity,
                        at: taken_at.unwrap_or(input.at),
                        value: verdict.map_or(Some(*value), |verdict| verdict.value),
                        flag: verdict.map_or(Flag::NotEvaluated, |verdict| verdict.flag),
                        channel: None,
                        until: taken_at.unwrap_or(input.at),
                    });
                }
                let mut batch = BatchWriter::new(input.seq, input.at);
                batch.input(input);
                self.samples += 1;
                let batch = batch.finish();
                if is_lasting {
                    self.entries.push((key(0, kind::LASTING, 0, input.seq), batch.clone()));
                }
                self.entries.push((key(self.hour, kind::INPUT, 0, input.seq), batch));
            }
        }
    }

    fn other(&mut self, input: &Input, said: Option<Said<'_>>) {
        let batch = self.others.get_or_insert_with(|| BatchWriter::new(input.seq, input.at));
        batch.input(input);
        if let Some(said) = said {
            batch.verdicts(&Verdicts::of_said(input.seq, said));
        }
        self.samples += 1;
    }

    /// Whether it is another farm than the one in force.
    fn take_site(&mut self, site: &Site) -> bool {
        let is_new = self.site.as_ref() != Some(site);
        if is_new {
            self.numbers.clear();
            self.lanes.forget_signatures();
            self.site_text = Some(site_record::to_text(site));
            self.site = Some(site.clone());
        }
        is_new
    }

    /// Finds the lane for a sweep, or opens one; `false` where it is to be kept as it came.
    fn find_lane(&mut self, sweep: &Laid<'_>, shapes: &mut Shapes) -> bool {
        let Some(number) = self.shape_of(sweep, shapes) else { return false };
        let Some(shape) = shapes.get(number) else { return false };
        self.lanes.turn_to(number, shape, sweep);
        true
    }

    fn shape_of(&mut self, sweep: &Laid<'_>, shapes: &mut Shapes) -> Option<u32> {
        if sweep.signs.len() > MOST_COLUMNS {
            return None;
        }
        if let Some(number) = self.numbers.get(sweep.signs) {
            return *number;
        }
        let samples: Vec<Sample> = sweep.signs.iter().filter_map(|sign| signed(*sign, 0.0)).collect();
        let columns = samples.iter().enumerate().map(|(place, sample)| self.column(&samples, place, sample));
        let number = shapes.number(Shape { columns: columns.collect() });
        if number.is_some() || self.numbers.len() < MOST_SHAPES {
            self.numbers.insert(sweep.signs.to_vec(), number);
        }
        number
    }

    fn column(&self, samples: &[Sample], place: usize, sample: &Sample) -> Column {
        let probe = self.site.as_ref().and_then(|site| site.probes.get(usize::from(sample.probe.0)));
        let pond = probe.and_then(|probe| probe.pond);
        let pond = self.site.as_ref().zip(pond).and_then(|(site, pond)| site.ponds.get(usize::from(pond.0)));
        let channel = probe.and_then(|probe| match sample.channel {
            Some(channel) => probe.channels.get(usize::from(channel)),
            None => {
                let same = |other: &&Sample| other.probe == sample.probe && other.quantity == sample.quantity;
                let before = samples.iter().take(place).filter(same).count();
                probe.channels.iter().filter(|channel| channel.quantity == sample.quantity).nth(before)
            }
        });
        Column {
            probe: sample.probe.0,
            quantity: sample.quantity,
            channel: sample.channel,
            timed: sample.taken_at.is_some(),
            pond: pond.map(|pond| pond.id.clone()).unwrap_or_default(),
            probe_id: probe.map(|probe| probe.id.clone()).unwrap_or_default(),
            slope: channel.map_or(1.0, |channel| channel.calibration_slope),
            offset: channel.map_or(0.0, |channel| channel.calibration_offset),
        }
    }

    /// Whether there is anything to seal.
    pub(super) fn has_inputs(&self) -> bool {
        self.inputs > 0
    }

    /// Everything collected, and how far it goes.
    pub(super) fn finish(&mut self, shapes: &mut Shapes) -> Sealed {
        let mut entries = std::mem::take(&mut self.entries);
        let first_seq = self.first_seq.take().unwrap_or(self.next_seq);
        let mut tallies = Vec::new();
        let own_hour = self.hour;
        self.lanes.finish(&mut |number, rows| {
            let key_of_chunk = key(own_hour, kind::CHUNK, number, first_seq);
            for hour in hour_of_ms(rows.oldest()).max(own_hour.saturating_sub(MOST_LATE_HOURS))..own_hour {
                entries.push((key(hour, kind::LATE_CHUNK, number, first_seq), key_of_chunk.to_vec()));
            }
            let (bytes, counted) = rows.to_bytes_counted(&key_of_chunk);
            tallies.extend(counted.map(|counted| (key_of_chunk, counted)));
            entries.push((key_of_chunk, bytes));
        });
        if let Some(others) = self.others.take() {
            entries.push((key(self.hour, kind::OTHER, 0, first_seq), {
                let start = others.key().to_be_bytes();
                [&start[..], &others.finish()].concat()
            }));
        }
        let late = std::mem::take(&mut self.late);
        let (derived, late): (Vec<Late>, Vec<Late>) =
            late.into_iter().partition(|late| late.origin == Origin::Derived);
        seal_derived(self.site.as_ref(), derived, first_seq, shapes, &mut entries);
        let late = late.into_iter().flat_map(|late| match late.origin {
            Origin::Missing => vec![(kind::MISSING, late)],
            _ => by_hours(late).into_iter().map(|late| (kind::AMENDED, late)).collect(),
        });
        let entered = std::mem::take(&mut self.entered).into_iter().map(|late| (kind::ENTRY, late));
        seal_late(self.site.as_ref(), late.chain(entered), first_seq, shapes, &mut entries);
        for number in shapes.take_fresh() {
            let bytes = shapes.get(number).map(Shape::to_bytes).unwrap_or_default();
            entries.push((key(0, kind::SHAPE, number, 0), bytes));
        }
        if let Some(text) = self.site_text.take() {
            entries.push((key(0, kind::SITE, 0, 0), text.into_bytes()));
        }
        if let Some(text) = self.settings.take() {
            entries.push((key(0, kind::SETTINGS, 0, 0), text.into_bytes()));
        }
        entries.push((key(0, kind::PROGRESS, 0, 0), progress_bytes(self.next_seq, self.hour)));
        self.samples = 0;
        let (inputs, notes) = (std::mem::take(&mut self.inputs), std::mem::take(&mut self.notes));
        let outbox = std::mem::take(&mut self.outbox);
        Sealed { entries, next_seq: self.next_seq, inputs, notes, outbox, tallies }
    }
}

impl Scratch {
    fn lay_out(&mut self, samples: &[Sample]) {
        let Self { signs, values, taken_at } = self;
        signs.clear();
        signs.extend(samples.iter().map(sign));
        values.clear();
        values.extend(samples.iter().map(|sample| sample.value));
        taken_at.clear();
        taken_at.extend(samples.iter().filter_map(|sample| sample.taken_at));
    }
}

pub(super) fn progress_bytes(next_seq: u64, hour: u32) -> Vec<u8> {
    let mut bytes = next_seq.to_be_bytes().to_vec();
    bytes.extend_from_slice(&hour.to_be_bytes());
    let sum = crc32fast::hash(&bytes);
    bytes.extend_from_slice(&sum.to_be_bytes());
    bytes
}

/// Position up to which everything is sealed, and the hour of the last of it.
pub(super) fn progress_of(bytes: &[u8]) -> Option<(u64, u32)> {
    let (body, sum) = bytes.split_last_chunk::<4>()?;
    let (seq, hour) = body.split_first_chunk::<8>()?;
    let hour = u32::from_be_bytes(hour.try_into().ok()?);
    (crc32fast::hash(body) == u32::from_be_bytes(*sum)).then_some((u64::from_be_bytes(*seq), hour))
}

/// The other inputs of an hour.
pub(super) fn others_of(bytes: &[u8]) -> Batch {
    match bytes.split_first_chunk::<8>() {
        Some((start, batch)) => read_batch(u64::from_be_bytes(*start), batch),
        None => Batch { damaged: 1, ..Batch::default() },
    }
}

/// The inputs in entries that were sealed in one hour, in the order in which they came, and how many
/// places are damaged.
pub(super) fn inputs_of<'a>(
    entries: impl Iterator<Item = (&'a [u8], &'a [u8])>,
    shapes: &Shapes,
) -> (Vec<Input>, u64) {
    let (mut inputs, mut damaged) = (Vec::new(), 0);
    for (key, value) in entries {
        let Some((_, kind, number, seq)) = parts(key) else {
            damaged += 1;
            continue;
        };
        match kind {
            kind::CHUNK => {
                let chunk = shapes.get(number).ok_or(Malformed::Unknown);
                match chunk.and_then(|shape| Chunk::open(shape, key, value)?.inputs()) {
                    Ok(sweeps) => inputs.extend(sweeps),
                    Err(_) => damaged += 1,
                }
            }
            kind::INPUT | kind::OTHER => {
                let batch = if kind == kind::INPUT { read_batch(seq, value) } else { others_of(value) };
                damaged += batch.damaged;
                inputs.extend(batch.inputs);
            }
            _ => {}
        }
    }
    inputs.sort_by_key(|input| input.seq);
    (inputs, damaged)
}

/// A number kept alone.
pub(super) fn number_of(bytes: &[u8]) -> Option<u64> {
    let mut reader = Reader::new(bytes);
    let number = u64::from_be_bytes(reader.array().ok()?);
    reader.end().ok()?;
    Some(number)
}
