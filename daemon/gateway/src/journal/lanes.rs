//! Where the sweeps of an hour go: one lane for each shape.
//!
//! Probes are asked in turn, so that after a sweep of one shape nearly always the same other comes as the last time.
//! That is tried before anything is looked up.

use std::collections::HashMap;
use std::hash::BuildHasherDefault;

use pondreeve_core::Timestamp;
use pondreeve_core::input::Sample;

use super::chunk::{Rows, Shape};
use super::hashing::Mixing;
use super::verdict::Said;

/// Rows that room is made for ahead: an hour of a reading each ten seconds.
const MOST_ROOM: usize = 360;

/// Of each sample: probe, quantity, channel and whether it has a time of its own, in one number.
pub(super) type Signature = Vec<u64>;

pub(super) fn sign(sample: &Sample) -> u64 {
    let channel = sample.channel.map_or(0, |channel| u64::from(channel) + 1);
    let timed = u64::from(sample.taken_at.is_some());
    u64::from(sample.probe.0) << 48 | (sample.quantity as u64) << 24 | channel << 1 | timed
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
}

impl Lanes {
    /// Turns to the lane that followed last time; whether a sweep of these samples belongs there.
    pub(super) fn next_fits(&mut self, samples: &[Sample]) -> bool {
        let Some(next) = self.lanes.get(self.place).map(|lane| lane.followed_by) else { return false };
        let signature = self.lanes.get(next).and_then(|lane| lane.signature.as_ref());
        let fits = signature.is_some_and(|signature| {
            signature.len() == samples.len()
                && signature.iter().zip(samples).all(|(own, sample)| *own == sign(sample))
        });
        if fits {
            self.place = next;
        }
        fits
    }

    /// Turns to the lane of a shape, which these samples have now.
    pub(super) fn turn_to(&mut self, number: u32, shape: &Shape, signature: &Signature) {
        let place = *self.by_number.entry(number).or_insert(self.lanes.len());
        if place == self.lanes.len() {
            let rows = Rows::of(shape);
            self.lanes.push(Lane { number, signature: None, rows, followed_by: place });
        }
        if let Some(lane) = self.lanes.get_mut(place) {
            lane.signature = Some(signature.clone());
        }
        if let Some(before) = self.lanes.get_mut(self.place) {
            before.followed_by = place;
        }
        self.place = place;
    }

    /// Adds a sweep to the lane that was turned to.
    pub(super) fn push(&mut self, input: (u64, Timestamp), samples: &[Sample], said: Option<Said<'_>>) {
        if let Some(lane) = self.lanes.get_mut(self.place) {
            lane.rows.push_said(input, samples, said);
        }
    }

    /// Another farm is in force: the same samples may mean something else.
    pub(super) fn forget_signatures(&mut self) {
        self.lanes.iter_mut().for_each(|lane| lane.signature = None);
    }

    /// What came in the hour, by the number of its shape. Lanes in which something came stay for the next.
    pub(super) fn finish(&mut self) -> Vec<(u32, Rows)> {
        if self.lanes.iter().any(|lane| lane.rows.is_empty()) {
            self.lanes.retain(|lane| !lane.rows.is_empty());
            self.by_number = self.lanes.iter().map(|lane| lane.number).zip(0..).collect();
            // Places have moved; they are found again as sweeps come.
            self.lanes.iter_mut().zip(0..).for_each(|(lane, place)| lane.followed_by = place);
            self.place = 0;
        }
        let most = self.lanes.iter().map(|lane| lane.rows.seqs.len()).max().unwrap_or(0).min(MOST_ROOM);
        let taken = self.lanes.iter_mut().map(|lane| {
            let next = lane.rows.next(most);
            (lane.number, std::mem::replace(&mut lane.rows, next))
        });
        let mut taken: Vec<(u32, Rows)> = taken.collect();
        taken.sort_by_key(|(number, _)| *number);
        taken
    }
}
