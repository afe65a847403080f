//! Our journal, fed as the daemon feeds it: an input a poll, with the flags that the core gave, one commit at
//! a time, upkeep after each.

use std::path::Path;

use anyhow::{Result, anyhow, ensure};
use pondreeve::journal::record::{BATCH_BYTES, BatchWriter};
use pondreeve::journal::verdict::Verdicts;
use pondreeve::journal::{Commit, From, Journal, Limits, Query};
use pondreeve_core::effect::{Effect, Flag, Reading};
use pondreeve_core::input::Sample;
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Event, Input, Span, Timestamp};

use super::contestant::Contestant;
use super::readings::{Poll, QUANTITIES, START_MS, farm, probe_of};

pub struct Ours {
    journal: Journal,
    next_seq: u64,
}

/// Numbers inputs.
pub struct Clerk {
    next_seq: u64,
}

impl Contestant for Ours {
    type Group = Commit;
    type Clerk = Clerk;

    fn open(folder: &Path) -> Result<Self> {
        let (mut journal, notes) = Journal::open(&folder.join("store"), Timestamp(0))?;
        ensure!(notes.is_empty(), "{notes:?}");
        // As a start from a checkpoint does: what came after it.
        let mut next_seq = 1;
        journal.read_from(From::Memory(Span::from_minutes(15)), Timestamp(0), &mut |input| {
            next_seq = input.seq + 1;
        });
        let mut ours = Self { journal, next_seq };
        if ours.next_seq == 1 {
            let site = Input { seq: 1, at: Timestamp(START_MS), event: Event::Started { site: farm() } };
            let mut batch = BatchWriter::new(1, site.at);
            batch.input(&site);
            let batches = vec![(1, batch.finish()).into()];
            ours.keep(&Commit { batches, ..Commit::default() })?;
            ours.next_seq = 2;
        }
        Ok(ours)
    }

    fn clerk(&self) -> Clerk {
        Clerk { next_seq: self.next_seq }
    }

    fn prepare(clerk: &mut Clerk, polls: Vec<Poll>) -> Commit {
        let mut batches = Vec::new();
        let mut open: Option<BatchWriter> = None;
        // In the same memory each time: what makes samples is no part of the store.
        let (mut samples, mut judged) = (Vec::new(), Vec::new());
        for poll in &polls {
            let seq = clerk.next_seq;
            clerk.next_seq += 1;
            let batch = open.get_or_insert_with(|| BatchWriter::holding(seq, poll.at));
            samples.clear();
            samples.extend(QUANTITIES.into_iter().zip(poll.values).map(|(quantity, value)| Sample {
                probe: probe_of(poll.pond),
                quantity,
                channel: None,
                value,
                taken_at: None,
            }));
            judged.resize_with(samples.len(), || judged_as(Flag::Pass));
            judged.iter_mut().zip(&samples).for_each(|(effect, sample)| judge(effect, poll, sample));
            batch.verdicts(&Verdicts::of_sweep(seq, &samples, &judged));
            let input = Input { seq, at: poll.at, event: Event::Sweep { samples } };
            batch.input(&input);
            let Event::Sweep { samples: used } = input.event else { unreachable!("it was made just now") };
            samples = used;
            if batch.size_bytes() >= BATCH_BYTES
                && let Some(full) = open.take()
            {
                batches.push(full.into());
            }
        }
        batches.extend(open.map(Into::into));
        Commit { batches, ..Commit::default() }
    }

    fn keep(&mut self, commit: &Commit) -> Result<()> {
        let notes = self.journal.commit(commit, Timestamp(0)).map_err(|error| anyhow!(error))?;
        ensure!(notes.is_empty(), "{notes:?}");
        self.journal.upkeep(Timestamp(0));
        Ok(())
    }

    fn scan(&self, pond: u16, from: Timestamp, to: Timestamp) -> Result<(u64, f64)> {
        let query = Query { pond: format!("p{pond}"), quantity: QUANTITIES[0], from, to };
        let (mut count, mut sum) = (0, 0.0);
        self.journal
            .query(&query, &mut |kept| {
                count += 1;
                sum += kept.value.unwrap_or(0.0);
            })
            .map_err(|error| anyhow!(error))?;
        Ok((count, sum))
    }
}

impl Ours {
    /// Lets readings age out.
    pub fn keep_days(&mut self, days: u32) {
        self.journal.set_limits(Limits { raw_days: days, ..Limits::default() });
    }
}

/// An effect to be filled in.
fn judged_as(flag: Flag) -> Effect {
    Effect::Reading(Reading {
        pond: None,
        probe: None,
        quantity: QUANTITIES[0],
        at: Timestamp(0),
        raw: None,
        value: None,
        flag,
        tests: Vec::new(),
    })
}

fn judge(effect: &mut Effect, poll: &Poll, sample: &Sample) {
    if let Effect::Reading(reading) = effect {
        (reading.pond, reading.probe) = (Some(PondIndex(poll.pond)), Some(sample.probe));
        (reading.quantity, reading.at) = (sample.quantity, poll.at);
        (reading.raw, reading.value) = (Some(sample.value), Some(sample.value));
    }
}
