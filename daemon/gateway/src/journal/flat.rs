//! What a batch holds on its way to being sealed: its sweeps in a row, without a piece of memory for each.
//!
//! Reading back what had just been written took a quarter of the time in which a backlog is taken in, and asking for
//! memory for every sweep as much again. So the writer of a batch notes here what it writes: sweeps and what the core
//! made of them as they come, everything else, which is rare, as it reads back from the very bytes that were written.

use pondreeve_core::input::Sample;
use pondreeve_core::{Event, Input, Timestamp};

use super::batch::Batch;
use super::verdict::{Said, Verdicts};

/// One input of a batch.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece<'a> {
    pub(super) seq: u64,
    pub(super) at: Timestamp,
    pub(super) what: What<'a>,
    /// What the core made of it, where that was written.
    pub(super) said: Option<Said<'a>>,
}

/// What one input is.
#[derive(Debug, Clone, Copy)]
pub(super) enum What<'a> {
    /// The samples of a sweep.
    Sweep(&'a [Sample]),
    /// Anything else.
    Other(&'a Input),
}

impl Piece<'_> {
    /// The input by itself.
    pub(super) fn input(&self) -> Input {
        match self.what {
            What::Sweep(samples) => {
                let event = Event::Sweep { samples: samples.to_vec() };
                Input { seq: self.seq, at: self.at, event }
            }
            What::Other(input) => input.clone(),
        }
    }
}

#[derive(Debug, Clone, Copy)]
struct Sweep {
    seq: u64,
    at: Timestamp,
    /// Where its samples end; they begin where those of the sweep before end.
    end: usize,
}

#[derive(Debug, Clone, Copy)]
struct SaidAt {
    seq: u64,
    codes_end: usize,
    told_end: usize,
}

/// A batch laid out for sealing.
#[derive(Debug, Default)]
pub(super) struct Flat {
    sweeps: Vec<Sweep>,
    samples: Vec<Sample>,
    said: Vec<SaidAt>,
    codes: Vec<u8>,
    told: Vec<f64>,
    /// Inputs that are no sweeps, what no single input brought, and how far all of it goes.
    pub(super) rest: Batch,
}

/// A batch is closed at this size, or little above: values that share a database page stay cheap to rewrite.
pub const BATCH_BYTES: usize = 8 * 1024;

impl Flat {
    /// With room for about what a batch takes, so that it need not be made again and again.
    pub(super) fn with_room() -> Self {
        const SAMPLES: usize = BATCH_BYTES / 12;
        Self {
            sweeps: Vec::with_capacity(SAMPLES / 4),
            samples: Vec::with_capacity(SAMPLES),
            said: Vec::with_capacity(SAMPLES / 4),
            codes: Vec::with_capacity(SAMPLES),
            ..Self::default()
        }
    }

    pub(super) fn sweep(&mut self, seq: u64, at: Timestamp, samples: &[Sample]) {
        self.samples.extend_from_slice(samples);
        self.sweeps.push(Sweep { seq, at, end: self.samples.len() });
        self.rest.next_seq = self.rest.next_seq.max(seq.saturating_add(1));
    }

    pub(super) fn verdicts(&mut self, verdicts: &Verdicts) {
        self.codes.extend_from_slice(&verdicts.codes);
        self.told.extend_from_slice(&verdicts.told);
        let (codes_end, told_end) = (self.codes.len(), self.told.len());
        self.said.push(SaidAt { seq: verdicts.seq, codes_end, told_end });
    }

    /// Newest time of its inputs.
    pub(super) fn newest_at(&self) -> Option<Timestamp> {
        let swept = self.sweeps.iter().map(|sweep| sweep.at).max();
        swept.max(self.rest.inputs.iter().map(|input| input.at).max())
    }

    /// Its inputs in their order.
    pub(super) fn pieces(&self) -> impl Iterator<Item = Piece<'_>> {
        let mut said = 0;
        let (mut sweep, mut other) = (0, 0);
        std::iter::from_fn(move || {
            let next = (self.sweeps.get(sweep), self.rest.inputs.get(other));
            let (seq, at, what) = match next {
                (Some(next), input) if input.is_none_or(|input| next.seq < input.seq) => {
                    let from = sweep.checked_sub(1).and_then(|before| self.sweeps.get(before));
                    let samples = self.samples.get(from.map_or(0, |before| before.end)..next.end);
                    sweep += 1;
                    (next.seq, next.at, What::Sweep(samples.unwrap_or_default()))
                }
                (_, Some(input)) => {
                    other += 1;
                    (input.seq, input.at, What::Other(input))
                }
                _ => return None,
            };
            while self.said.get(said).is_some_and(|own| own.seq < seq) {
                said += 1;
            }
            let own = self.said.get(said).filter(|own| own.seq == seq).map(|own| {
                let before = said.checked_sub(1).and_then(|before| self.said.get(before));
                let (codes, told) = before.map_or((0, 0), |before| (before.codes_end, before.told_end));
                let codes = self.codes.get(codes..own.codes_end).unwrap_or_default();
                Said { codes, told: self.told.get(told..own.told_end).unwrap_or_default() }
            });
            said += usize::from(own.is_some());
            Some(Piece { seq, at, what, said: own })
        })
    }
}

impl Batch {
    /// Its inputs in their order.
    pub(super) fn pieces(&self) -> impl Iterator<Item = Piece<'_>> {
        let mut verdicts = self.verdicts.iter().peekable();
        self.inputs.iter().map(move |input| {
            while verdicts.next_if(|verdicts| verdicts.seq < input.seq).is_some() {}
            let said = verdicts.next_if(|verdicts| verdicts.seq == input.seq).map(Verdicts::said);
            let what = match &input.event {
                Event::Sweep { samples } => What::Sweep(samples),
                _ => What::Other(input),
            };
            Piece { seq: input.seq, at: input.at, what, said }
        })
    }
}
