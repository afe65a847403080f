//! What is kept how long: readings for some time and up to some size, roll-ups and what people did for
//! ever.

use super::folder::free_bytes;
use super::keys::{LAST, is_for_ever, key, kind, parts};
use super::rollup::DAY_MS;
use super::sealed::Batch;
use super::store::Journal;

/// How much is kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Readings are kept this long, days.
    pub raw_days: u32,
    /// Readings take this much at most, bytes.
    pub most_bytes: u64,
    /// What the maker of the card says can be written to it, bytes.
    pub card_life_bytes: Option<u64>,
}

impl Default for Limits {
    fn default() -> Self {
        Self { raw_days: 400, most_bytes: 4_000_000_000, card_life_bytes: None }
    }
}

/// Time that goes on by more than so many days at once has leapt: the gateway was off, or somebody set a clock wrong.
const LEAP_DAYS: u32 = 7;

/// Days after a leap in which nothing is deleted for its age. A clock that says next year makes every reading too old;
/// until then somebody has seen what date it is.
const PAUSE_DAYS: u32 = 14;

/// When readings were last judged by their age, as days since 1970; 0 before the first time.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Aged {
    on: u32,
    leapt_to: u32,
}

impl Aged {
    pub(super) fn read(value: &[u8]) -> Self {
        let (own, _) = value.as_chunks::<4>();
        let day = |place: usize| own.get(place).map_or(0, |day| u32::from_be_bytes(*day));
        Self { on: day(0), leapt_to: day(1) }
    }

    fn bytes(self) -> [u8; 8] {
        let [a, b, c, d] = self.on.to_be_bytes();
        let [e, f, g, h] = self.leapt_to.to_be_bytes();
        [a, b, c, d, e, f, g, h]
    }

    fn at(self, today: u32) -> Self {
        let is_leap = self.on > 0 && today > self.on.saturating_add(LEAP_DAYS);
        Self { on: today, leapt_to: if is_leap { today } else { self.leapt_to } }
    }

    fn is_paused(self) -> bool {
        self.leapt_to > 0 && self.on < self.leapt_to.saturating_add(PAUSE_DAYS)
    }
}

/// This part of a card's rated life calls for a new one.
const WORN: f64 = 0.8;

/// The database takes more on disk than what is put into it, measured after weeks of sealing.
const OVERHEAD: f64 = 1.3;

/// What the device is given for a byte that is sealed: the copy, and the database, which writes its pages
/// anew as they fill. Rather more than measured: the kernel's own count cannot be used, since it takes a
/// page of its cache, up to two megabytes, for written where one block of it was.
pub(super) const WRITTEN_PER_SEALED_BYTE: u64 = 5;

impl Journal {
    /// Sets how much is kept, from the next [`Journal::upkeep`] on.
    pub fn set_limits(&mut self, limits: Limits) {
        self.limits = limits;
    }

    /// Rolls up days that are sealed, deletes what is too old or too much, and counts the card's wear.
    pub(super) fn tidy(&mut self) -> Result<(), String> {
        self.roll_days()?;
        self.thin()?;
        self.file_day()?;
        self.tidy_outbox()?;
        self.count_wear()
    }

    fn roll_days(&mut self) -> Result<(), String> {
        let Some(store) = &self.store else { return Ok(()) };
        let today = self.sealed_hour / 24;
        let mut days: Vec<u32> = Vec::new();
        for entry in store.sealed.scan_prefix(&key(0, kind::STALE_DAY, 0, 0)[..5]) {
            let (found, _) = entry.map_err(|error| error.to_string())?;
            days.extend(parts(&found).map(|(_, _, day, _)| day));
        }
        // Of a day that was thinned nothing is left to compute from.
        days.retain(|day| u64::from(*day) * 24 >= self.thinned_before && *day < today);
        let first = match self.rolled_before {
            0 => self.first_hour_from(1).map_or(today, |hour| hour / 24),
            before => before,
        };
        for day in days {
            self.roll_day(day)?;
            self.rolled_before = self.rolled_before.max(day + 1);
        }
        // Days in which the gateway was off are passed over in one step, however many: a clock that was
        // never set begins in 1970.
        let mut next = first;
        while let Some(day) = self.first_hour_from(next.saturating_mul(24)).map(|hour| hour / 24)
            && day < today
        {
            self.roll_day(day)?;
            next = day + 1;
            self.rolled_before = self.rolled_before.max(next);
        }
        self.rolled_before = self.rolled_before.max(today);
        self.tallies = self.tallies.split_off(&key(today.saturating_mul(24), 0, 0, 0));
        Ok(())
    }

    fn first_hour_from(&self, hour: u32) -> Option<u32> {
        self.store.as_ref()?.hour_from(hour)
    }

    /// Deletes one day of readings at most, so that nobody waits long; the next call goes on.
    fn thin(&mut self) -> Result<(), String> {
        let Some(newest) = self.newest_known() else { return Ok(()) };
        let today = u32::try_from(newest.as_millis().div_euclid(DAY_MS)).unwrap_or(0);
        self.age(today)?;
        let keep_from = match self.aged.is_paused() {
            true => 0,
            false => today.saturating_sub(self.limits.raw_days) * 24,
        };
        let too_much = self.live_bytes as f64 * OVERHEAD > self.limits.most_bytes as f64;
        let full = free_bytes(&self.path).is_ok_and(|free| free < self.least_free_bytes.saturating_mul(2));
        let Some(oldest) = self.oldest_reading_hour() else { return Ok(()) };
        // A day's file makes room, which others may take as well: one a day is deleted at most, as much as newer
        // readings need, or a disk that others fill would cost all readings. The database's file never shrinks:
        // what is deleted of it makes room in it, and no more is before that room is used up.
        let days = today.saturating_sub(oldest / 24).max(1);
        let of_a_day = self.live_bytes as f64 * OVERHEAD / f64::from(days);
        let is_filed = self.store.as_ref().is_some_and(|store| store.days.has(oldest / 24));
        let helps = if is_filed { today > self.made_room_on } else { self.room_within() < of_a_day };
        let full = full && helps;
        let end = (oldest / 24 + 1) * 24;
        if !(end <= keep_from || too_much || full) || end > self.rolled_before.saturating_mul(24) {
            return Ok(());
        }
        let Some(store) = &mut self.store else { return Ok(()) };
        let mut batch = Batch::default();
        // What of it is in both is left by a cut and counted twice, which the next day evens out.
        let mut deleted = store.days.file(oldest / 24).map_or(0, |file| file.live_bytes());
        for entry in store.sealed.range(key(oldest, 0, 0, 0)..key(end, 0, 0, 0)) {
            let (found, value) = entry.map_err(|error| error.to_string())?;
            if parts(&found).is_some_and(|(_, kind, ..)| !is_for_ever(kind)) {
                deleted += (found.len() + value.len()) as u64;
                batch.remove(found);
            }
        }
        let live_bytes = self.live_bytes.saturating_sub(deleted);
        batch.insert(&key(0, kind::THINNED, 0, 0)[..], &u64::from(end).to_be_bytes());
        batch.insert(&key(0, kind::LIVE_BYTES, 0, 0)[..], &live_bytes.to_be_bytes());
        if full {
            batch.insert(&key(0, kind::MADE_ROOM, 0, 0)[..], &u64::from(today).to_be_bytes());
            self.made_room_on = today;
        }
        store.change(batch).map_err(|error| error.to_string())?;
        self.live_bytes = live_bytes;
        self.thinned_before = u64::from(end);
        // A cut before this leaves a file that the next start removes.
        store.days.remove_before(end / 24).map_err(|error| error.to_string())?;
        if full && end > keep_from {
            self.notes.push(format!(
                "the disk of {} is nearly full: the oldest day of readings was deleted to go on; its roll-ups are kept. Make room, or lower [store] max_megabytes",
                self.path.display()
            ));
        }
        Ok(())
    }

    fn age(&mut self, today: u32) -> Result<(), String> {
        let aged = self.aged.at(today);
        if let Some(store) = &self.store
            && aged != self.aged
        {
            let bytes = aged.bytes();
            store
                .sealed
                .insert(&key(0, kind::AGED, 0, 0)[..], &bytes[..])
                .map_err(|error| error.to_string())?;
            self.aged = aged;
        }
        Ok(())
    }

    /// Bytes in the database's file that hold nothing any more, about.
    fn room_within(&self) -> f64 {
        let size = std::fs::metadata(self.path.join("db")).map_or(0, |meta| meta.len());
        let filed = self.store.as_ref().map_or(0, |store| store.days.size_bytes());
        size as f64 - self.live_bytes.saturating_sub(filed) as f64 * OVERHEAD
    }

    fn oldest_reading_hour(&self) -> Option<u32> {
        let store = self.store.as_ref()?;
        let from = u32::try_from(self.thinned_before).unwrap_or(u32::MAX).max(1);
        let pieces = store.range(key(from, 0, 0, 0), LAST).map_while(Result::ok);
        let mut found = pieces.filter_map(|(found, _)| parts(&found));
        found.find(|(_, kind, ..)| !is_for_ever(*kind)).map(|(hour, ..)| hour)
    }

    /// Adds what was written since the last time to what was ever written.
    fn count_wear(&mut self) -> Result<(), String> {
        let tail = self.tail.as_mut().map_or(0, super::tail::Tail::take_written);
        let beside = std::mem::take(&mut self.written_beside);
        self.written_ever = self.written_ever.saturating_add(tail).saturating_add(beside);
        let Some(store) = &self.store else { return Ok(()) };
        // Goes to disk with the next seal; a page of its own would be wear for the sake of counting it.
        let total = self.written_ever.to_be_bytes();
        store
            .sealed
            .insert(&key(0, kind::WRITTEN, 0, 0)[..], &total[..])
            .map_err(|error| error.to_string())?;
        if let Some(life) = self.limits.card_life_bytes
            && self.written_ever as f64 > life as f64 * WORN
            && !std::mem::replace(&mut self.wear_told, true)
        {
            self.notes.push(format!(
                "{} GB were written to the disk of {} so far, {:.0} % of the card's rated life: replace the card",
                self.written_ever / 1_000_000_000,
                self.path.display(),
                self.written_ever as f64 / life as f64 * 100.0
            ));
        }
        Ok(())
    }

    /// Bytes ever written to the disk, as the journal counts them: pages of the tail, what is sealed with
    /// its copy and what the database rewrites for it, checkpoints.
    pub fn written_ever(&self) -> u64 {
        self.written_ever
    }
}
