//! What a batch holds on its way to being sealed: its sweeps in a row, without a piece of memory for each.
//!
//! Reading back what had just been written took a quarter of the time in which a backlog is taken in, and asking for
//! memory for every sweep as much again. So the writer of a batch notes here what it writes: sweeps and what the core
//! made of them as they come, everything else, which is rare, as it reads back from the very bytes that were written.
//! Of a sweep only the values are noted; what they are of, the same for poll after poll, stands once for all of them.

use pondreeve_core::input::Sample;
use pondreeve_core::{Event, Input, Timestamp};

use super::batch::Batch;
use super::lanes::{sign, signed};
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
    /// A sweep, laid out.
    Laid(Laid<'a>),
    /// The samples of a sweep.
    Sweep(&'a [Sample]),
    /// Anything else.
    Other(&'a Input),
}

impl Piece<'_> {
    /// The input by itself.
    pub(super) fn input(&self) -> Input {
        let sweep = |samples| Input { seq: self.seq, at: self.at, event: Event::Sweep { samples } };
        match self.what {
            What::Laid(laid) => sweep(laid.samples()),
            What::Sweep(samples) => sweep(samples.to_vec()),
            What::Other(input) => input.clone(),
        }
    }
}

/// A sweep, what its samples have in common with others aside.
#[derive(Debug, Clone, Copy)]
pub(super) struct Laid<'a> {
    /// Number of its form in a batch that was laid out by its writer.
    pub(super) form: Option<usize>,
    /// What each value is of ([`sign`]).
    pub(super) signs: &'a [u64],
    pub(super) values: &'a [f64],
    /// Times of those whose probe tells when it measured.
    pub(super) taken_at: &'a [Timestamp],
}

impl Laid<'_> {
    /// The samples as they came.
    pub(super) fn samples(&self) -> Vec<Sample> {
        let mut taken_at = self.taken_at.iter();
        let samples = self.signs.iter().zip(self.values).filter_map(|(sign, value)| {
            let mut sample = signed(*sign, *value)?;
            if let Some(own) = &mut sample.taken_at {
                *own = *taken_at.next()?;
            }
            Some(sample)
        });
        samples.collect()
    }
}

#[derive(Debug, Clone, Copy)]
struct Sweep {
    seq: u64,
    at: Timestamp,
    form: usize,
    /// Where its values and times end; they begin where those of the sweep before end.
    values_end: usize,
    taken_end: usize,
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
    /// What the values of a sweep are of, form after form, and where each form ends.
    signs: Vec<u64>,
    forms: Vec<usize>,
    values: Vec<f64>,
    taken_at: Vec<Timestamp>,
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
        const SAMPLES: usize = BATCH_BYTES / 10;
        Self {
            sweeps: Vec::with_capacity(SAMPLES / 4),
            signs: Vec::with_capacity(SAMPLES / 4),
            values: Vec::with_capacity(SAMPLES),
            said: Vec::with_capacity(SAMPLES / 4),
            codes: Vec::with_capacity(SAMPLES),
            ..Self::default()
        }
    }

    pub(super) fn sweep(&mut self, seq: u64, at: Timestamp, samples: &[Sample]) {
        let form = self.form_of(samples);
        self.values.extend(samples.iter().map(|sample| sample.value));
        self.taken_at.extend(samples.iter().filter_map(|sample| sample.taken_at));
        let (values_end, taken_end) = (self.values.len(), self.taken_at.len());
        self.sweeps.push(Sweep { seq, at, form, values_end, taken_end });
        self.rest.next_seq = self.rest.next_seq.max(seq.saturating_add(1));
    }

    /// The form that these samples have. Probes are asked in turn, so it is nearly always the one that first came after
    /// that of the sweep before.
    fn form_of(&mut self, samples: &[Sample]) -> usize {
        let fits = |form: &usize| {
            let signs = self.signs_of(*form);
            signs.len() == samples.len()
                && signs.iter().zip(samples).all(|(own, sample)| *own == sign(sample))
        };
        let count = self.forms.len();
        let next = self.sweeps.last().map_or(0, |before| (before.form + 1) % count.max(1));
        let found = (next..count).chain(0..next.min(count)).find(fits);
        found.unwrap_or_else(|| {
            self.signs.extend(samples.iter().map(sign));
            self.forms.push(self.signs.len());
            count
        })
    }

    fn signs_of(&self, form: usize) -> &[u64] {
        let from = form.checked_sub(1).and_then(|before| self.forms.get(before)).copied().unwrap_or(0);
        let end = self.forms.get(form).copied().unwrap_or(from);
        self.signs.get(from..end).unwrap_or_default()
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
                    let before = sweep.checked_sub(1).and_then(|before| self.sweeps.get(before));
                    let (values, taken) =
                        before.map_or((0, 0), |before| (before.values_end, before.taken_end));
                    sweep += 1;
                    let laid = Laid {
                        form: Some(next.form),
                        signs: self.signs_of(next.form),
                        values: self.values.get(values..next.values_end).unwrap_or_default(),
                        taken_at: self.taken_at.get(taken..next.taken_end).unwrap_or_default(),
                    };
                    (next.seq, next.at, What::Laid(laid))
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
