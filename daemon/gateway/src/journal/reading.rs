//! Reading the journal back: what is sealed, hour by hour, then the tail.

use std::panic::{AssertUnwindSafe, catch_unwind};

use pondreeve_core::{Event, Input, Span, Timestamp};

use super::keys::{LAST, hour_of, key, kind, parts, start_of};
use super::record::{Batch, read_batch};
use super::seal::inputs_of;
use super::store::{Journal, Reading, SEQ_JUMP};
use super::tail::{self, Kind};

/// Where reading begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum From {
    /// With the first input there is.
    Start,
    /// With the input of this position.
    Position(u64),
    /// With what the core can remember: inputs of this long before the newest, after the farm that was in
    /// force, which takes the time at which they begin.
    Memory(Span),
    /// Only what lasts of the inputs before those: steps of services, and the farms they belong to.
    Lasting(Span),
}

/// Carries on where reading stopped.
struct Course<'a> {
    reading: Reading,
    next_seq: Option<u64>,
    from: u64,
    /// The hour being read lost its readings to their age, and so did the one before.
    thinned: bool,
    gap_expected: bool,
    each: &'a mut dyn FnMut(Input),
}

impl Course<'_> {
    fn take(&mut self, input: Input) {
        if input.seq < self.from.max(self.next_seq.unwrap_or(0)) {
            return;
        }
        if let Some(expected) = self.next_seq.filter(|_| !self.gap_expected) {
            let gap = input.seq - expected;
            self.reading.missing += if gap < SEQ_JUMP / 2 { gap } else { 0 };
        }
        self.gap_expected = self.thinned;
        self.next_seq = Some(input.seq.saturating_add(1));
        self.reading.inputs += 1;
        (self.each)(input);
    }
}

impl Journal {
    /// Hands every readable input to `each`, in order; see [`Journal::read_from`].
    pub fn read(&mut self, now: Timestamp, each: &mut dyn FnMut(Input)) -> Reading {
        self.read_from(From::Start, now, each)
    }

    /// Hands readable inputs to `each`, in order. Where the database itself cannot read on, what can be
    /// read before and after that place is carried over into a new store, and the damaged one set aside.
    pub fn read_from(&mut self, from: From, now: Timestamp, each: &mut dyn FnMut(Input)) -> Reading {
        let mut course = Course {
            reading: Reading::default(),
            next_seq: None,
            from: 0,
            thinned: false,
            gap_expected: false,
            each,
        };
        let mut hour = 1;
        match from {
            From::Start | From::Lasting(_) => {}
            From::Position(seq) => {
                course.from = seq;
                course.next_seq = Some(seq);
                hour = if seq >= self.sealed_before { u32::MAX } else { self.hour_of_position(seq) };
            }
            From::Memory(span) => {
                if let Some(newest) = self.newest_known() {
                    hour = hour_of(newest - span);
                    course.reading.cut_short = self.has_hour_before(hour);
                    if let Some(mut farm) = self.farm_before(hour) {
                        // Nothing fell due in the time that is left out.
                        farm.at = farm.at.max(start_of(hour));
                        course.take(farm);
                        // What lies between was left out on purpose.
                        course.next_seq = None;
                    }
                }
            }
        }
        if let From::Lasting(span) = from {
            if let Some(newest) = self.newest_known() {
                self.read_lasting(hour_of(newest - span), &mut course);
            }
            return course.reading;
        }
        if !self.read_sealed(&mut hour, &mut course) {
            course.reading.damaged += 1;
            match self.carry_over(now) {
                Ok(()) => {
                    course.reading.notes.append(&mut self.notes);
                    self.read_sealed(&mut hour, &mut course);
                }
                Err(trouble) => self.failed(trouble.to_string()),
            }
        }
        course.reading.partial = self.store.is_none();
        let found = tail::read(&self.path, &mut |entry| {
            if entry.kind == Kind::Batch {
                let batch = read_batch(entry.key, entry.body);
                course.reading.damaged += batch.damaged;
                batch.inputs.into_iter().for_each(|input| course.take(input));
            }
        });
        match found {
            // An entry that is not whole was counted with its records, if it lost any.
            Ok(found) => course.reading.damaged += found.damaged,
            Err(error) => tracing::error!(%error, "the newest inputs cannot be read"),
        }
        course.reading
    }

    /// Reads the sealed hours from `hour` on, moving it along; `false` where the database failed.
    fn read_sealed(&self, hour: &mut u32, course: &mut Course<'_>) -> bool {
        let Some(store) = &self.store else { return true };
        let outcome = catch_unwind(AssertUnwindSafe(|| {
            let mut entries: Vec<(u64, sled::IVec, sled::IVec)> = Vec::new();
            let mut give = |hour: u32, entries: &mut Vec<(u64, sled::IVec, sled::IVec)>| {
                // What was sealed together was in a row; what is kept for ever has a position of its own
                // and belongs to the last seal that began before it.
                course.thinned = u64::from(hour) < self.thinned_before;
                entries.sort_by_key(|(seq, ..)| *seq);
                let begins = |key: &[u8]| parts(key).is_some_and(|(_, kind, ..)| kind != kind::INPUT);
                let mut rest = &entries[..];
                while let Some((first, ..)) = rest.first() {
                    let end = rest.iter().position(|(seq, key, _)| seq != first && begins(key));
                    let (together, later) = rest.split_at(end.unwrap_or(rest.len()));
                    let pairs = together.iter().map(|(_, key, value)| (&key[..], &value[..]));
                    let (inputs, damaged) = inputs_of(pairs, &self.shapes);
                    course.reading.damaged += damaged;
                    inputs.into_iter().for_each(|input| course.take(input));
                    rest = later;
                }
                entries.clear();
                course.thinned = false;
            };
            for entry in store.range(key(*hour, 0, 0, 0), LAST) {
                let Ok((found, value)) = entry else { return false };
                let Some((at, kind, _, seq)) = parts(&found) else { continue };
                if at != *hour {
                    give(*hour, &mut entries);
                    *hour = at;
                }
                if matches!(kind, kind::CHUNK | kind::INPUT | kind::OTHER) {
                    entries.push((seq, found, value));
                }
            }
            give(*hour, &mut entries);
            *hour = u32::MAX;
            true
        }));
        outcome.unwrap_or(false)
    }

    /// What lasts of the hours before one.
    fn read_lasting(&self, hour: u32, course: &mut Course<'_>) {
        let Some(store) = &self.store else { return };
        let outcome = catch_unwind(AssertUnwindSafe(|| {
            for entry in store.sealed.range(key(0, kind::LASTING, 0, 0)..key(0, kind::LASTING + 1, 0, 0)) {
                let Some((found, value)) = entry.ok() else { return false };
                let Some((.., seq)) = parts(&found) else { continue };
                let batch = read_batch(seq, &value);
                course.reading.damaged += batch.damaged;
                for input in batch.inputs.into_iter().filter(|input| hour_of(input.at) < hour) {
                    course.gap_expected = true;
                    course.take(input);
                }
            }
            true
        }));
        course.reading.partial = !outcome.unwrap_or(false);
    }

    fn has_hour_before(&self, hour: u32) -> bool {
        let Some(store) = &self.store else { return false };
        store.hour_before(hour).is_some()
    }

    pub(super) fn newest_known(&self) -> Option<Timestamp> {
        let sealed = (self.sealed_hour > 0).then(|| start_of(self.sealed_hour));
        self.newest_at.max(sealed)
    }

    /// The hour in which an input of a position lies, or one before it.
    fn hour_of_position(&self, seq: u64) -> u32 {
        let Some(store) = &self.store else { return 1 };
        let mut hour = self.sealed_hour;
        // Most often it is one of the last few.
        while hour > 1 {
            let first = store.range(key(hour, 0, 0, 0), key(hour + 1, 0, 0, 0)).find_map(|entry| {
                let (found, _) = entry.ok()?;
                let (_, kind, _, seq) = parts(&found)?;
                matches!(kind, kind::CHUNK | kind::INPUT | kind::OTHER).then_some(seq)
            });
            if first.is_some_and(|first| first <= seq) {
                return hour;
            }
            hour = store.hour_before(hour).unwrap_or(1);
        }
        1
    }

    /// The newest farm before an hour.
    pub(super) fn farm_before(&self, hour: u32) -> Option<Input> {
        let store = self.store.as_ref()?;
        let mut at = hour;
        loop {
            // It is kept for ever, so never in a day's file.
            let before = store.sealed.backward(key(1, 0, 0, 0), Some(key(at, 0, 0, 0))).next()?.ok()?;
            at = parts(&before.0)?.0;
            let of_hour =
                store.sealed.backward(key(at, kind::INPUT, 0, 0), Some(key(at, kind::INPUT + 1, 0, 0)));
            let batches = of_hour.filter_map(Result::ok);
            let farm = batches.filter_map(|(found, value)| {
                let batch: Batch = read_batch(parts(&found)?.3, &value);
                let is_farm =
                    |input: &Input| matches!(input.event, Event::Started { .. } | Event::SiteChanged { .. });
                batch.inputs.into_iter().find(is_farm)
            });
            if let Some(farm) = farm.into_iter().next() {
                return Some(farm);
            }
        }
    }
}
