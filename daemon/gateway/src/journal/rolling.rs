//! Rolling a day up: all series of a day in one pass over what is sealed of it.
//!
//! Asking for each series by itself opened every piece of the day once for each of its columns and searched the
//! database thousands of times, a third of the time that taking in a backlog took. So every piece is opened once, and
//! its readings are added to their quarter hours as they come; what was sealed since the start was counted then, and need
//! not even be opened. Only where a later verdict fell on a series is that
//! one asked for in the ordinary way, which merges such verdicts.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::panic::{AssertUnwindSafe, catch_unwind};

use pondreeve_core::{Quantity, Timestamp};

use super::chunk::{Chunk, Shape};
use super::codec::Malformed;
use super::keys::{Key, key, kind, parts};
use super::query::Query;
use super::rollup::{DAY_MS, QUARTER_MS, Rolled, day_key, roll, to_bytes};
use super::sealed::Batch;
use super::store::Journal;
use super::tally::{HOUR_MS, OfHour, Tally};

const HOURS_OF_DAY: u32 = 24;
const QUARTERS_OF_DAY: usize = (DAY_MS / QUARTER_MS) as usize;

type Series = (String, Quantity);

/// The quarter hours of a day, for every series.
struct Day {
    from_ms: i64,
    series: Vec<Series>,
    by_name: HashMap<Series, usize>,
    /// For each shape that was met: which series each of its columns is.
    of_shape: BTreeMap<u32, Vec<Option<usize>>>,
    quarters: Vec<Option<Box<[Tally; QUARTERS_OF_DAY]>>>,
    /// Series on which later verdicts fell.
    amended: BTreeSet<usize>,
}

fn no_quarters() -> Box<[Tally; QUARTERS_OF_DAY]> {
    Box::new([Tally::default(); QUARTERS_OF_DAY])
}

impl Day {
    fn new(day: u32, series: Vec<Series>) -> Self {
        let by_name = series.iter().cloned().zip(0..).collect();
        let quarters = series.iter().map(|_| None).collect();
        let from_ms = i64::from(day) * DAY_MS;
        Self { from_ms, series, by_name, of_shape: BTreeMap::new(), quarters, amended: BTreeSet::new() }
    }

    /// Counts a piece; one that was counted while it was sealed is not opened.
    fn piece(
        &mut self,
        shape: &Shape,
        (found, value): (&[u8], &[u8]),
        counted: Option<&[OfHour]>,
    ) -> Result<(), Malformed> {
        let (hour, kind, number, _) = parts(found).ok_or(Malformed::Unknown)?;
        let of_shape = self.of_shape.entry(number).or_insert_with(|| {
            let column =
                |own: &super::chunk::Column| self.by_name.get(&(own.pond.clone(), own.quantity)).copied();
            shape.columns.iter().map(column).collect()
        });
        if kind == kind::AMENDED {
            self.amended.extend(of_shape.iter().flatten());
            return Ok(());
        }
        let of_this_day = i64::from(hour) * HOUR_MS - self.from_ms;
        if let Some(counted) = counted.filter(|_| (0..DAY_MS).contains(&of_this_day)) {
            let first = (of_this_day / QUARTER_MS) as usize;
            for (series, of_hour) in of_shape.iter().zip(counted) {
                let Some(quarters) = series.and_then(|series| self.quarters.get_mut(series)) else {
                    continue;
                };
                let quarters = quarters.get_or_insert_with(no_quarters);
                let own = quarters.iter_mut().skip(first);
                own.zip(of_hour).for_each(|(own, of_hour)| own.merge(of_hour));
            }
            return Ok(());
        }
        let chunk = Chunk::open(shape, found, value)?;
        for (place, series) in of_shape.iter().enumerate() {
            let Some(quarters) = series.and_then(|series| self.quarters.get_mut(series)) else { continue };
            chunk.each(place, &mut |at, _, verdict| {
                let (flag, value) = (verdict.map(|own| own.flag), verdict.and_then(|own| own.value));
                let since = at.wrapping_sub(self.from_ms);
                let outside = !(0..DAY_MS).contains(&since);
                // A derived value may not have been computed for this time.
                if outside || (kind == kind::DERIVED && flag.is_none()) {
                    return;
                }
                let quarters = quarters.get_or_insert_with(no_quarters);
                let quarter = since / QUARTER_MS;
                if let Some(own) = quarters.get_mut(quarter as usize) {
                    own.add(flag, value);
                }
            })?;
        }
        Ok(())
    }
}

impl Journal {
    /// Rolls one day up, from its readings.
    pub(super) fn roll_day(&self, day: u32) -> Result<(), String> {
        let Some(store) = &self.store else { return Err(self.trouble.clone()) };
        let mut of_day = Day::new(day, self.shapes.series().into_iter().collect());
        match catch_unwind(AssertUnwindSafe(|| self.gather_day(store, day, &mut of_day))) {
            Ok(Ok(())) => {}
            Ok(Err(error)) => {
                return Err(format!("the store {} cannot be read: {error}", self.path.display()));
            }
            Err(_) => return Err(format!("the store {} cannot be read", self.path.display())),
        }
        let mut batch = Batch::default();
        let Day { from_ms, series, mut quarters, amended, .. } = of_day;
        for (place, (pond, quantity)) in series.into_iter().enumerate() {
            let quarters: Vec<Rolled> = if amended.contains(&place) {
                let (from, to) = (Timestamp(from_ms), Timestamp(from_ms + DAY_MS));
                let readings = self.query_stored(&Query { pond: pond.clone(), quantity, from, to })?;
                roll(readings.iter().map(|own| (own.at, own.flag, own.value)), QUARTER_MS)
            } else {
                let own = quarters.get_mut(place).and_then(Option::take);
                let from = (from_ms..).step_by(QUARTER_MS as usize).map(Timestamp);
                let rolled = own.into_iter().flat_map(|own| own.into_iter().zip(from.clone()));
                rolled.filter_map(|(own, from)| own.rolled(from)).collect()
            };
            if quarters.is_empty() {
                continue;
            }
            let key = day_key(&pond, quantity, day);
            let value = to_bytes(&key, &quarters, quantity);
            batch.insert(key, value);
        }
        batch.insert(
            &key(0, kind::ROLLED_BEFORE, 0, 0)[..],
            &u64::from(self.rolled_before.max(day + 1)).to_be_bytes(),
        );
        batch.remove(&key(0, kind::STALE_DAY, day, 0)[..]);
        // Lost to a cut, it is rolled up again: what removes its readings is on disk for good no sooner than this.
        store.change_in_time(batch).map_err(|error| error.to_string())
    }

    fn gather_day(
        &self,
        store: &super::database::Store,
        day: u32,
        of_day: &mut Day,
    ) -> Result<(), sled::Error> {
        let end = day.saturating_add(1).saturating_mul(HOURS_OF_DAY);
        // Hour 0 holds what belongs to no hour.
        let first = day.saturating_mul(HOURS_OF_DAY).max(1);
        // Pieces of later hours with readings that were measured on this day.
        let mut late: BTreeSet<Key> = BTreeSet::new();
        let mut take = |found: &[u8], value: &[u8]| {
            let shape = parts(found).and_then(|(_, _, number, _)| self.shapes.get(number));
            // A damaged piece is passed over, as in every answer; `verify` counts it.
            let counted = self.tallies.get(found).map(Vec::as_slice);
            let _ = shape.map(|shape| of_day.piece(shape, (found, value), counted));
        };
        for entry in store.range(key(first, 0, 0, 0), key(end, 0, 0, 0)) {
            let (found, value) = entry?;
            match parts(&found).map(|(hour, kind, ..)| (hour, kind)) {
                Some((hour, _)) if hour < first || hour >= end => {}
                Some((_, kind::LATE_CHUNK)) => {
                    let of = Key::try_from(&value[..]).ok();
                    let is_later = |of: &Key| parts(of).is_some_and(|(hour, ..)| hour >= end);
                    late.extend(of.filter(is_later));
                }
                Some((_, kind::CHUNK | kind::DERIVED | kind::ENTRY | kind::MISSING | kind::AMENDED)) => {
                    take(&found, &value);
                }
                _ => {}
            }
        }
        for found in late {
            if let Some(value) = store.get(&found)? {
                take(&found, &value);
            }
        }
        Ok(())
    }
}
