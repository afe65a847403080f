//! What was measured in a pond in a stretch of time, with what the core made of it.
//!
//! Readings are found by the time they were measured. A long stretch is asked for piece by piece, so that
//! commits come in between.

use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};

use pondreeve_core::effect::Flag;
use pondreeve_core::{Quantity, Span, Timestamp};

use super::chunk::Chunk;
use super::codec::Malformed;
use super::keys::{Key, LAST, hour_of, key, kind, parts};
use super::rollup::DAY_MS;
use super::shapes::Shapes;
use super::store::Journal;

/// What is asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Query {
    /// Id of the pond.
    pub pond: String,
    /// What was measured.
    pub quantity: Quantity,
    /// From this time on.
    pub from: Timestamp,
    /// Up to this time, exclusive.
    pub to: Timestamp,
}

/// One reading as it is kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// When it was measured, missed or computed for.
    pub at: Timestamp,
    /// Id of the probe; empty for a person's entry and for a derived value.
    pub probe: String,
    /// Position among the probe's channels, where that is known.
    pub channel: Option<u16>,
    /// As reported, before calibration.
    pub raw: Option<f64>,
    /// Corrected.
    pub value: Option<f64>,
    /// All tests merged; `None` where it was never judged.
    pub flag: Option<Flag>,
}

/// What came of a query.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Answered {
    /// Readings handed out.
    pub readings: u64,
    /// Damaged pieces that were passed over.
    pub damaged: u64,
}

/// Values of one pond and quantity, at most one a minute, for plots.
#[derive(Debug, Clone, PartialEq)]
pub struct Remembered {
    /// Id of the pond.
    pub pond: String,
    /// What was measured.
    pub quantity: Quantity,
    /// By which probe; empty where a person entered it or the program computed it.
    pub probe: String,
    /// When, value and flag at first.
    pub values: Vec<(Timestamp, f64, Flag)>,
    /// Later verdicts on readings of the probe: from, to, flag. Not merged into the values, which may come
    /// before or after.
    pub amended: Vec<(Timestamp, Timestamp, Flag)>,
}

/// So long before the newest sealed hour something may have been measured that is not sealed yet.
const UNSEALED_BACK: Span = Span::from_hours(24);

/// Kinds of chunks whose rows are asked for, beside those of sweeps.
const BESIDE: [u8; 4] = [kind::DERIVED, kind::ENTRY, kind::MISSING, kind::AMENDED];

/// A later verdict.
#[derive(Debug)]
struct Later {
    probe: usize,
    channel: Option<u16>,
    from: Timestamp,
    to: Timestamp,
    flag: Flag,
}

/// The merge of a reading's flag with a later one: the worse of the two.
fn merged(flag: Option<Flag>, later: Flag) -> Flag {
    let rank = |flag: Flag| match flag {
        Flag::Fail => 3,
        Flag::Suspect => 2,
        Flag::Missing => 4,
        Flag::Pass | Flag::NotEvaluated => 1,
    };
    flag.filter(|flag| rank(*flag) >= rank(later)).unwrap_or(later)
}

/// A reading as it is found.
#[derive(Debug, Clone, Copy)]
pub(super) struct Found {
    pub(super) at: Timestamp,
    /// Its place among the answer's probes.
    probe: usize,
    channel: Option<u16>,
    raw: Option<f64>,
    pub(super) value: Option<f64>,
    pub(super) flag: Option<Flag>,
}

struct Answer<'a> {
    query: &'a Query,
    readings: Vec<Found>,
    /// Ids of the probes that measured them: few.
    probes: Vec<String>,
    amended: Vec<Later>,
    damaged: u64,
}

impl<'a> Answer<'a> {
    fn new(query: &'a Query) -> Self {
        Self { query, readings: Vec::new(), probes: Vec::new(), amended: Vec::new(), damaged: 0 }
    }

    /// Oldest first, with later verdicts merged in.
    fn settle(&mut self) {
        self.readings.sort_by_key(|reading| reading.at);
        for later in &self.amended {
            let first = self.readings.partition_point(|reading| reading.at < later.from);
            let about = self.readings.iter_mut().skip(first).take_while(|reading| reading.at <= later.to);
            for reading in about {
                let other = reading.channel.zip(later.channel).is_some_and(|(own, later)| own != later);
                if reading.probe == later.probe && !other {
                    reading.flag = Some(merged(reading.flag, later.flag));
                }
            }
        }
    }

    fn place_of(&mut self, probe: &str) -> usize {
        self.probes.iter().position(|known| known == probe).unwrap_or_else(|| {
            self.probes.push(probe.to_owned());
            self.probes.len() - 1
        })
    }

    fn kept(&self, found: &Found) -> Kept {
        let Found { at, channel, raw, value, flag, .. } = *found;
        let probe = self.probes.get(found.probe).cloned().unwrap_or_default();
        Kept { at, probe, channel, raw, value, flag }
    }

    fn piece(&mut self, key: &[u8], value: &[u8], shapes: &Shapes, places: &[usize]) {
        if self.try_piece(key, value, shapes, places).is_err() {
            self.damaged += 1;
        }
    }

    fn try_piece(
        &mut self,
        key: &[u8],
        value: &[u8],
        shapes: &Shapes,
        places: &[usize],
    ) -> Result<(), Malformed> {
        let (_, kind, number, _) = parts(key).ok_or(Malformed::Unknown)?;
        let shape = shapes.get(number).ok_or(Malformed::Unknown)?;
        let chunk = Chunk::open(shape, key, value)?;
        for &place in places {
            let Some(of) = shape.columns.get(place) else { continue };
            let (probe, channel) = (self.place_of(&of.probe_id), of.channel);
            let column = chunk.column(place)?;
            let rows = column.measured.iter().zip(&column.values).zip(&column.verdicts);
            for ((at, raw), verdict) in rows {
                let at = Timestamp(*at);
                let (flag, value) = (verdict.map(|own| own.flag), verdict.and_then(|own| own.value));
                if let (kind::AMENDED, Some(flag)) = (kind, flag) {
                    let to = Timestamp(*raw as i64);
                    self.amended.push(Later { probe, channel, from: at, to, flag });
                    continue;
                }
                // A derived value may not have been computed for this time.
                let none = kind == kind::DERIVED && flag.is_none();
                if none || at < self.query.from || at >= self.query.to {
                    continue;
                }
                let raw = match kind {
                    kind::CHUNK => Some(*raw),
                    kind::ENTRY => value,
                    _ => None,
                };
                self.readings.push(Found { at, probe, channel, raw, value, flag });
            }
        }
        Ok(())
    }
}

impl Journal {
    /// Hands the readings of a stretch of time to `each`, oldest first. All of the stretch is in memory
    /// meanwhile: 40 bytes a reading.
    ///
    /// # Errors
    /// Where the database is closed or cannot be read; the text says why.
    pub fn query(&self, query: &Query, each: &mut dyn FnMut(&Kept)) -> Result<Answered, String> {
        let mut answer = Answer::new(query);
        let newest_sealed = super::keys::start_of(self.sealed_hour.saturating_add(1));
        self.answer_stored(&mut answer)?;
        // The tail holds nothing that was measured long before it came, but for probes that were offline;
        // those are found once they are sealed.
        if query.to >= newest_sealed - UNSEALED_BACK {
            let unsealed = self.unsealed();
            let (shapes, entries) = &*unsealed;
            let wanted: BTreeMap<u32, Vec<usize>> =
                shapes.of(&query.pond, query.quantity).into_iter().collect();
            for (key, value) in entries {
                let Some((_, kind, number, _)) = parts(key) else { continue };
                if (kind == kind::CHUNK || BESIDE.contains(&kind))
                    && let Some(places) = wanted.get(&number)
                {
                    answer.piece(key, value, shapes, places);
                }
            }
        }
        answer.settle();
        answer.readings.iter().for_each(|found| each(&answer.kept(found)));
        Ok(Answered { readings: answer.readings.len() as u64, damaged: answer.damaged })
    }

    /// A time from which on there may be something again, `from` or later; `None` where there is nothing more. So whoever
    /// goes through years of which most are empty need not ask for each of their hours.
    ///
    /// `of` names pond and quantity; its stretch says nothing here. With `rolled` roll-ups count too, which are kept for
    /// longer than readings.
    pub fn next_kept(&self, of: &Query, rolled: bool, from: Timestamp) -> Option<Timestamp> {
        let store = self.store.as_ref()?;
        let hour = hour_of(from);
        let sealed = || store.hour_from(hour).filter(|next| *next <= self.sealed_hour);
        let sealed = (!self.shapes.of(&of.pond, of.quantity).is_empty()).then(sealed).flatten();
        let day = || self.day_rolled_from(of.quantity, from);
        let day = rolled.then(day).flatten().map(|day| Timestamp(i64::from(day) * DAY_MS));
        let unsealed = self.newest_known().filter(|newest| from <= *newest).and_then(|_| {
            let (shapes, entries) = &*self.unsealed();
            let wanted: BTreeSet<u32> =
                shapes.of(&of.pond, of.quantity).into_iter().map(|(number, _)| number).collect();
            let hours = entries.iter().filter_map(|(found, _)| parts(found));
            let hours = hours.filter(|(hour, _, number, _)| *hour > 0 && wanted.contains(number));
            let begins = hours.map(|(hour, ..)| super::keys::start_of(hour));
            Some(begins.filter(|begin| *begin + UNSEALED_BACK >= from).min()? - UNSEALED_BACK)
        });
        let next = [sealed.map(super::keys::start_of), day, unsealed].into_iter().flatten().min();
        next.map(|next| next.max(from))
    }

    /// Hands what every pond measured since a time to `each`, until that returns `false`.
    ///
    /// # Errors
    /// Where the database is closed or cannot be read; the text says why.
    pub fn remember(&self, from: Timestamp, each: &mut dyn FnMut(Remembered) -> bool) -> Result<(), String> {
        let Some(store) = &self.store else { return Err(self.trouble.clone()) };
        let mut go_on = true;
        let sealed = catch_unwind(AssertUnwindSafe(|| -> Result<(), sled::Error> {
            for entry in store.range(key(hour_of(from), 0, 0, 0), LAST) {
                let (found, value) = entry?;
                if !go_on {
                    break;
                }
                go_on = remember_piece(&found, &value, &self.shapes, each);
            }
            Ok(())
        }));
        match sealed {
            Ok(Ok(())) => {}
            _ => return Err(format!("the store {} cannot be read", self.path.display())),
        }
        let unsealed = self.unsealed();
        let (shapes, entries) = &*unsealed;
        for (found, value) in entries {
            go_on = go_on && remember_piece(found, value, shapes, each);
        }
        Ok(())
    }

    /// The same of what is sealed only.
    pub(super) fn query_stored(&self, query: &Query) -> Result<Vec<Found>, String> {
        let mut answer = Answer::new(query);
        self.answer_stored(&mut answer)?;
        answer.settle();
        Ok(answer.readings)
    }

    fn answer_stored(&self, answer: &mut Answer<'_>) -> Result<(), String> {
        let Some(store) = &self.store else { return Err(self.trouble.clone()) };
        match catch_unwind(AssertUnwindSafe(|| self.query_sealed(store, answer))) {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(format!("the store {} cannot be read: {error}", self.path.display())),
            Err(_) => Err(format!("the store {} cannot be read", self.path.display())),
        }
    }

    fn query_sealed(
        &self,
        store: &super::database::Store,
        answer: &mut Answer<'_>,
    ) -> Result<(), sled::Error> {
        let (first, last) = (hour_of(answer.query.from), hour_of(answer.query.to));
        let wanted = self.shapes.of(&answer.query.pond, answer.query.quantity);
        let last = last.min(self.sealed_hour);
        let mut hour = first;
        while hour <= last {
            // Hours without anything are passed over in one step.
            match store.hour_from(hour) {
                Some(next) if next <= last => hour = next,
                _ => break,
            }
            let mut late: BTreeSet<Key> = BTreeSet::new();
            for (number, places) in &wanted {
                for kind in [kind::CHUNK].into_iter().chain(BESIDE) {
                    for entry in store.range(key(hour, kind, *number, 0), key(hour, kind, *number, u64::MAX))
                    {
                        let (found, value) = entry?;
                        answer.piece(&found, &value, &self.shapes, places);
                    }
                }
                let of_late = |seq| key(hour, kind::LATE_CHUNK, *number, seq);
                for entry in store.range(of_late(0), of_late(u64::MAX)) {
                    if let Ok(chunk) = Key::try_from(&entry?.1[..]) {
                        late.insert(chunk);
                    }
                }
            }
            for chunk in late {
                let Some((of, _, number, _)) = parts(&chunk) else { continue };
                // One that lies in the stretch is found there, and one that reaches into several of its
                // hours is taken with the first.
                let again = store.get(&key(
                    hour.saturating_sub(1),
                    kind::LATE_CHUNK,
                    number,
                    parts(&chunk).map_or(0, |(.., seq)| seq),
                ))?;
                if of <= last || (hour > first && again.is_some()) {
                    continue;
                }
                let places = wanted.iter().find(|(wanted, _)| *wanted == number);
                if let (Some((_, places)), Some(value)) = (places, store.get(&chunk)?) {
                    answer.piece(&chunk, &value, &self.shapes, places);
                }
            }
            hour = hour.saturating_add(1);
        }
        Ok(())
    }
}

/// Hands out the columns of a piece; `false` where nobody wants more. A damaged piece is passed over.
fn remember_piece(
    found: &[u8],
    value: &[u8],
    shapes: &Shapes,
    each: &mut dyn FnMut(Remembered) -> bool,
) -> bool {
    let Some((_, kind, number, _)) = parts(found) else { return true };
    if !matches!(kind, kind::CHUNK | kind::DERIVED | kind::ENTRY | kind::AMENDED) {
        return true;
    }
    let Some(shape) = shapes.get(number) else { return true };
    let Ok(chunk) = Chunk::open(shape, found, value) else { return true };
    for (place, of) in shape.columns.iter().enumerate().filter(|(_, of)| !of.pond.is_empty()) {
        let Ok(column) = chunk.column(place) else { continue };
        let (pond, quantity, probe) = (of.pond.clone(), of.quantity, of.probe_id.clone());
        if kind == kind::AMENDED {
            let rows = column.measured.iter().zip(&column.values).zip(&column.verdicts);
            let amended: Vec<_> = rows
                .filter_map(|((from, to), verdict)| {
                    Some((Timestamp(*from), Timestamp(*to as i64), verdict.map(|own| own.flag)?))
                })
                .collect();
            if !amended.is_empty() && !each(Remembered { pond, quantity, probe, values: Vec::new(), amended })
            {
                return false;
            }
            continue;
        }
        let mut values: Vec<(Timestamp, f64, Flag)> = Vec::new();
        for (at, verdict) in column.measured.iter().zip(column.verdicts) {
            let Some((value, flag)) = verdict.and_then(|own| Some((own.value?, own.flag))) else { continue };
            match values.last_mut() {
                Some(last) if last.0.as_millis().div_euclid(60_000) == at.div_euclid(60_000) => {
                    *last = (Timestamp(*at), value, flag);
                }
                _ => values.push((Timestamp(*at), value, flag)),
            }
        }
        if !values.is_empty() && !each(Remembered { pond, quantity, probe, values, amended: Vec::new() }) {
            return false;
        }
    }
    true
}
