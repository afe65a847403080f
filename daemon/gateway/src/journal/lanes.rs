//! Where the sweeps of an hour go: one lane for each shape.
//!
//! Probes are asked in turn, so that after a sweep of one shape nearly always the same other comes as the last time.
//! That is tried before anything is looked up.

use std::collections::HashMap;
use std::hash::BuildHasherDefault;

use pondreeve_core::input::Sample;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Quantity, Timestamp};

use super::chunk::{Rows, Shape};
use super::flat::Laid;
use super::hashing::Mixing;
use super::verdict::Said;

/// Rows that room is kept for: an hour of a reading each ten seconds, and a little of the next poll.
const MOST_ROOM: usize = 384;

/// Of each sample: probe, quantity, channel and whether it has a time of its own, in one number.
pub(super) type Signature = Vec<u64>;

pub(super) fn sign(sample: &Sample) -> u64 {
    let channel = sample.channel.map_or(0, |channel| u64::from(channel) + 1);
    let timed = u64::from(sample.taken_at.is_some());
    u64::from(sample.probe.0) << 48 | (sample.quantity as u64) << 24 | channel << 1 | timed
}

/// The sample of this value that is signed so; where it has a time of its own, that time is yet to be told.
pub(super) fn signed(sign: u64, value: f64) -> Option<Sample> {
    let channel = (sign >> 1) as u32 & 0x1_ffff;
    Some(Sample {
        probe: ProbeIndex((sign >> 48) as u16),
        quantity: *Quantity::ALL.get((sign >> 24) as usize & 0xff_ffff)?,
        channel: channel.checked_sub(1).and_then(|channel| u16::try_from(channel).ok()),
        value,
        taken_at: (sign & 1 == 1).then_some(Timestamp(0)),
    })
}

#[derive(Debug)]
struct Lane {
    number: u32,
    /// Of its sweeps under the present farm.
    signature: Option<Signature>,
    rows: Rows,
    /// The lane of the sweep that came after the last one of this.
    followed_by: usize,
}

/// The lanes of an hour.
#[derive(Debug, Default)]
pub(super) struct Lanes {
    lanes: Vec<Lane>,
    by_number: HashMap<u32, usize, BuildHasherDefault<Mixing>>,
    /// Where the next sweep goes.
    place: usize,
    /// Where sweeps of each form of the present batch go, as far as any came.
    of_forms: Vec<Option<usize>>,
}

impl Lanes {
    /// Another batch begins: its forms are its own.
    pub(super) fn begin_batch(&mut self) {
        self.of_forms.clear();
    }

    /// Turns to the lane of such sweeps if it can be told at once: an earlier one of the batch had the same form, or it
    /// is the lane that followed last time. Whether it could.
    pub(super) fn turn_to_known(&mut self, sweep: &Laid<'_>) -> bool {
        if let Some(place) = sweep.form.and_then(|form| self.of_forms.get(form).copied().flatten()) {
            self.place = place;
            return true;
        }
        let Some(next) = self.lanes.get(self.place).map(|lane| lane.followed_by) else { return false };
        let signature = self.lanes.get(next).and_then(|lane| lane.signature.as_ref());
        let fits = signature.is_some_and(|signature| signature == sweep.signs);
        if fits {
            self.place = next;
            self.note_form(sweep.form);
        }
        fits
    }

    fn note_form(&mut self, form: Option<usize>) {
        let Some(form) = form else { return };
        if self.of_forms.len() <= form {
            self.of_forms.resize(form + 1, None);
        }
        if let Some(own) = self.of_forms.get_mut(form) {
            *own = Some(self.place);
        }
    }

    /// Turns to the lane of a shape, which such sweeps have now.
    pub(super) fn turn_to(&mut self, number: u32, shape: &Shape, sweep: &Laid<'_>) {
        let place = *self.by_number.entry(number).or_insert(self.lanes.len());
        if place == self.lanes.len() {
            let rows = Rows::of(shape);
            self.lanes.push(Lane { number, signature: None, rows, followed_by: place });
        }
        if let Some(lane) = self.lanes.get_mut(place) {
            lane.signature = Some(sweep.signs.to_vec());
        }
        if let Some(before) = self.lanes.get_mut(self.place) {
            before.followed_by = place;
        }
        self.place = place;
        self.note_form(sweep.form);
    }

    /// Adds a sweep to the lane that was turned to.
    pub(super) fn push(&mut self, input: (u64, Timestamp), sweep: &Laid<'_>, said: Option<Said<'_>>) {
        if let Some(lane) = self.lanes.get_mut(self.place) {
            lane.rows.push_said(input, (sweep.values, sweep.taken_at), said);
        }
    }

    /// Another farm is in force: the same samples may mean something else.
    pub(super) fn forget_signatures(&mut self) {
        self.lanes.iter_mut().for_each(|lane| lane.signature = None);
        self.of_forms.clear();
    }

    /// Hands out what came in the hour, by the number of its shape. Lanes in which something came stay for the next.
    pub(super) fn finish(&mut self, each: &mut dyn FnMut(u32, &Rows)) {
        if self.lanes.iter().any(|lane| lane.rows.is_empty()) {
            self.lanes.retain(|lane| !lane.rows.is_empty());
            self.by_number = self.lanes.iter().map(|lane| lane.number).zip(0..).collect();
            // Places have moved; they are found again as sweeps come.
            self.of_forms.clear();
            self.lanes.iter_mut().zip(0..).for_each(|(lane, place)| lane.followed_by = place);
            self.place = 0;
        }
        let mut by_number: Vec<&mut Lane> = self.lanes.iter_mut().collect();
        by_number.sort_unstable_by_key(|lane| lane.number);
        for lane in by_number {
            each(lane.number, &lane.rows);
            lane.rows.clear(MOST_ROOM);
        }
    }
}
