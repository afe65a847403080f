//! Roll-ups: what is left of a reading when it ages out, and what long plots are drawn from.
//!
//! When a day is sealed, each pond's quantity gets one value for it: the quarter hours that had readings,
//! with lowest, mean and highest usable value and how many readings were usable, suspect, failed and
//! missing. A day is always computed from its readings, never from what was rolled up before, so doing it
//! again is right: it happens where readings or verdicts come in late.
//! ```text
//! key    hour 0, kind, quantity's code, day 8 B, id of the pond
//! value  version 1 B, rows, quarter hours, lowest, mean, highest, four counts; checksum 4 B over key and all
//! ```

use pondreeve_core::effect::Flag;
use pondreeve_core::{Quantity, Span, Timestamp};

use super::codec::{Malformed, Reader, put_unsigned};
use super::columns::{integers, put_integers, put_values, values};
use super::keys::{Key, key, kind};
use super::query::Query;
use super::record::quantity_code;
use super::store::Journal;

const VERSION: u8 = 1;

pub(super) const DAY_MS: i64 = 86_400_000;
pub(super) const QUARTER_MS: i64 = 900_000;

const QUARTERS: usize = (DAY_MS / QUARTER_MS) as usize;

/// More readings than this no quarter of an hour has, a thousand a second; sums of a day's never overflow.
const MOST_READINGS: u32 = 1 << 20;

/// How fine an answer is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// Quarter hours.
    Quarter,
    /// Hours.
    Hour,
    /// Days, from midnight UTC.
    Day,
}

impl Level {
    /// Length of one piece.
    pub fn length(self) -> Span {
        match self {
            Self::Quarter => Span::from_millis(QUARTER_MS),
            Self::Hour => Span::from_hours(1),
            Self::Day => Span::from_hours(24),
        }
    }

    /// The finest that gives at most so many pieces for a stretch of time.
    pub fn for_pieces(stretch: Span, most: usize) -> Self {
        let fits = |level: &Self| stretch.as_millis() / level.length().as_millis() <= most as i64;
        [Self::Quarter, Self::Hour].into_iter().find(fits).unwrap_or(Self::Day)
    }
}

/// One quantity of a pond over a quarter of an hour, an hour or a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rolled {
    /// Start of it.
    pub from: Timestamp,
    /// Lowest usable value, in the unit of the quantity; `None` where there was none.
    pub minimum: Option<f64>,
    /// Mean of usable values.
    pub mean: Option<f64>,
    /// Highest usable value.
    pub maximum: Option<f64>,
    /// Readings that passed or were not evaluated.
    pub usable: u32,
    /// Readings that are suspect.
    pub suspect: u32,
    /// Readings that failed.
    pub failed: u32,
    /// Readings that did not come.
    pub missing: u32,
}

impl Rolled {
    fn empty(from: Timestamp) -> Self {
        let nothing = None;
        Self {
            from,
            minimum: nothing,
            mean: nothing,
            maximum: nothing,
            usable: 0,
            suspect: 0,
            failed: 0,
            missing: 0,
        }
    }

    /// Usable readings out of all that came or should have, 0 to 1.
    pub fn valid_share(&self) -> f64 {
        let all = self.usable + self.suspect + self.failed + self.missing;
        f64::from(self.usable) / f64::from(all.max(1))
    }

    fn add(&mut self, flag: Option<Flag>, value: Option<f64>) {
        match flag {
            Some(Flag::Pass | Flag::NotEvaluated) => {
                if let Some(value) = value.filter(|value| value.is_finite()) {
                    self.join(value, value, value, 1);
                }
            }
            Some(Flag::Suspect) => self.suspect += 1,
            Some(Flag::Fail) => self.failed += 1,
            Some(Flag::Missing) => self.missing += 1,
            None => {}
        }
    }

    fn join(&mut self, minimum: f64, mean: f64, maximum: f64, usable: u32) {
        if usable == 0 {
            return;
        }
        self.minimum = Some(self.minimum.map_or(minimum, |own| own.min(minimum)));
        self.maximum = Some(self.maximum.map_or(maximum, |own| own.max(maximum)));
        let share = f64::from(usable) / f64::from(self.usable + usable);
        self.mean = Some(self.mean.map_or(mean, |own| own + (mean - own) * share));
        self.usable += usable;
    }

    fn merge(&mut self, finer: &Self) {
        if let (Some(minimum), Some(mean), Some(maximum)) = (finer.minimum, finer.mean, finer.maximum) {
            self.join(minimum, mean, maximum, finer.usable);
        }
        self.suspect += finer.suspect;
        self.failed += finer.failed;
        self.missing += finer.missing;
    }
}

/// Readings in order of time to pieces of `length`.
pub(super) fn roll(
    readings: impl Iterator<Item = (Timestamp, Option<Flag>, Option<f64>)>,
    length: i64,
) -> Vec<Rolled> {
    let mut rolled: Vec<Rolled> = Vec::new();
    for (at, flag, value) in readings {
        let from = Timestamp(at.as_millis().div_euclid(length) * length);
        if rolled.last().is_none_or(|last| last.from != from) {
            rolled.push(Rolled::empty(from));
        }
        if let Some(last) = rolled.last_mut() {
            last.add(flag, value);
        }
    }
    rolled
}

/// Quarter hours to pieces of `level`.
fn coarser(quarters: &[Rolled], level: Level) -> Vec<Rolled> {
    let length = level.length().as_millis();
    let mut rolled: Vec<Rolled> = Vec::new();
    for quarter in quarters {
        let from = Timestamp(quarter.from.as_millis().div_euclid(length) * length);
        if rolled.last().is_none_or(|last| last.from != from) {
            rolled.push(Rolled::empty(from));
        }
        if let Some(last) = rolled.last_mut() {
            last.merge(quarter);
        }
    }
    rolled
}

pub(super) fn day_key(pond: &str, quantity: Quantity, day: u32) -> Vec<u8> {
    let code = u32::try_from(quantity_code(quantity)).unwrap_or(u32::MAX);
    let mut bytes = key(0, kind::ROLLED, code, u64::from(day)).to_vec();
    bytes.extend_from_slice(pond.as_bytes());
    bytes
}

fn checksum(key: &[u8], body: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(key);
    hasher.update(body);
    hasher.finalize()
}

pub(super) fn to_bytes(key: &[u8], quarters: &[Rolled], quantity: Quantity) -> Vec<u8> {
    let scale = 10_f64.powi(i32::try_from(quantity.decimals() + 2).unwrap_or(6));
    // Two digits more than people are shown; what has no value is told by the count.
    let short = |value: Option<f64>| value.map_or(0.0, |value| (value * scale).round() / scale);
    let mut out = vec![VERSION];
    put_unsigned(&mut out, quarters.len() as u64);
    let places = quarters.iter().map(|own| own.from.as_millis().rem_euclid(DAY_MS) / QUARTER_MS);
    put_integers(&mut out, &places.collect::<Vec<_>>());
    for value in [|own: &Rolled| own.minimum, |own: &Rolled| own.mean, |own: &Rolled| own.maximum] {
        put_values(&mut out, &quarters.iter().map(|own| short(value(own))).collect::<Vec<_>>());
    }
    let counts = [
        |own: &Rolled| own.usable,
        |own: &Rolled| own.suspect,
        |own: &Rolled| own.failed,
        |own: &Rolled| own.missing,
    ];
    for count in counts {
        put_integers(&mut out, &quarters.iter().map(|own| i64::from(count(own))).collect::<Vec<_>>());
    }
    let sum = checksum(key, &out);
    out.extend_from_slice(&sum.to_le_bytes());
    out
}

/// The same with a checksum that fits.
pub(super) fn read_loose(key: &[u8], body: &[u8]) {
    let mut whole = body.to_vec();
    whole.extend_from_slice(&checksum(key, body).to_le_bytes());
    for rolled in coarser(&from_bytes(key, &whole, 20_000).unwrap_or_default(), Level::Day) {
        let _ = rolled.valid_share();
    }
}

/// The quarter hours of a day that were kept.
pub(super) fn from_bytes(key: &[u8], bytes: &[u8], day: u32) -> Result<Vec<Rolled>, Malformed> {
    let (body, sum) = bytes.split_last_chunk::<4>().ok_or(Malformed::CutShort)?;
    if checksum(key, body) != u32::from_le_bytes(*sum) {
        return Err(Malformed::Unknown);
    }
    let mut reader = Reader::new(body);
    if reader.byte()? != VERSION {
        return Err(Malformed::Unknown);
    }
    let rows = usize::try_from(reader.unsigned()?).map_err(|_| Malformed::Unknown)?;
    if rows > QUARTERS {
        return Err(Malformed::Unknown);
    }
    let places = integers(&mut reader, rows)?;
    if places.iter().any(|place| !(0..QUARTERS as i64).contains(place)) {
        return Err(Malformed::Unknown);
    }
    let mut numbers = [values(&mut reader, rows)?, values(&mut reader, rows)?, values(&mut reader, rows)?]
        .map(Vec::into_iter);
    let mut counts = Vec::with_capacity(4);
    for _ in 0..4 {
        let count = integers(&mut reader, rows)?.into_iter().map(|count| match u32::try_from(count) {
            Ok(count) if count <= MOST_READINGS => Ok(count),
            _ => Err(Malformed::Unknown),
        });
        counts.push(count.collect::<Result<Vec<_>, _>>()?.into_iter());
    }
    reader.end()?;
    let start = i64::from(day) * DAY_MS;
    let rolled = places.into_iter().map(|place| {
        let [minimum, mean, maximum] = numbers.each_mut().map(Iterator::next);
        let mut count = |which: usize| counts.get_mut(which).and_then(Iterator::next).unwrap_or(0);
        let usable = count(0);
        let known = |value: Option<f64>| value.filter(|_| usable > 0);
        Rolled {
            from: Timestamp(start + place * QUARTER_MS),
            minimum: known(minimum),
            mean: known(mean),
            maximum: known(maximum),
            usable,
            suspect: count(1),
            failed: count(2),
            missing: count(3),
        }
    });
    Ok(rolled.collect())
}

impl Journal {
    /// The first day from a time on of which a quantity is rolled up, in any pond.
    pub(super) fn day_rolled_from(&self, quantity: Quantity, from: Timestamp) -> Option<u32> {
        let store = self.store.as_ref()?;
        let day = u32::try_from(from.as_millis().div_euclid(DAY_MS).max(0)).ok()?;
        let range = day_key("", quantity, day)..day_key("", quantity, u32::MAX);
        let (found, _) = store.sealed.range(range).next()?.ok()?;
        let (.., day) = super::keys::parts(found.get(..super::keys::KEY_BYTES)?)?;
        u32::try_from(day).ok()
    }

    /// Hands out a quantity of a pond at a level, oldest first: from roll-ups where they are, from readings
    /// where not.
    ///
    /// # Errors
    /// Where the database is closed or cannot be read; the text says why.
    pub fn rolled(&self, query: &Query, level: Level, each: &mut dyn FnMut(&Rolled)) -> Result<(), String> {
        let Some(store) = &self.store else { return Err(self.trouble.clone()) };
        let day_of =
            |at: Timestamp| u32::try_from(at.as_millis().div_euclid(DAY_MS).max(0)).unwrap_or(u32::MAX);
        let mut quarters: Vec<Rolled> = Vec::new();
        let last = Timestamp(query.to.as_millis().saturating_sub(1));
        let newest = self.newest_known().map_or(0, day_of);
        for day in day_of(query.from)..=day_of(last).min(newest) {
            let found = day_key(&query.pond, query.quantity, day);
            let known = if day < self.rolled_before { store.sealed.get(&found) } else { Ok(None) };
            let known = known.map_err(|error| format!("the store cannot be read: {error}"))?;
            match known.and_then(|value| from_bytes(&found, &value, day).ok()) {
                Some(rolled) => quarters.extend(rolled),
                None if day < self.rolled_before && u64::from(day) * 24 < self.thinned_before => {}
                None => {
                    let from = Timestamp(i64::from(day) * DAY_MS);
                    let to = Timestamp(from.as_millis() + DAY_MS);
                    let of_day = Query { from, to, ..query.clone() };
                    let mut readings = Vec::new();
                    self.query(&of_day, &mut |kept| readings.push((kept.at, kept.flag, kept.value)))?;
                    quarters.extend(roll(readings.into_iter(), QUARTER_MS));
                }
            }
        }
        // Whole pieces only: one that begins before the stretch belongs to the one before.
        let rolled = if level == Level::Quarter { quarters } else { coarser(&quarters, level) };
        rolled.iter().filter(|own| own.from >= query.from && own.from < query.to).for_each(each);
        Ok(())
    }
}

/// Days whose roll-ups no longer say what is kept, by what is about to be sealed.
pub(super) fn stale_days(entries: &[(Key, Vec<u8>)], rolled_before: u32) -> Vec<(Key, Vec<u8>)> {
    let hours = entries.iter().filter_map(|(found, _)| super::keys::parts(found));
    let mut days: Vec<u32> = hours
        .filter(|(hour, kind, ..)| *hour > 0 && *kind != kind::INPUT && *kind != kind::OTHER)
        .map(|(hour, ..)| hour / 24)
        .filter(|day| *day < rolled_before)
        .collect();
    days.sort_unstable();
    days.dedup();
    days.into_iter().map(|day| (key(0, kind::STALE_DAY, day, 0), Vec::new())).collect()
}
