//! Entries of the diary.

use alloc::collections::BTreeMap;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::State;
use crate::diary::check::check;
use crate::diary::stock::Stock;
use crate::diary::{Basin, Book, Entry, What, book, kind_said};
use crate::effect::{Effect, Recorded};
use crate::input::{Event, Input};
use crate::pond::Scene;
use crate::quantity::Quantity;
use crate::said::{Said, said};
use crate::site::{Pond, PondIndex};
use crate::time::Timestamp;

/// What the core knows of everything that was recorded.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub(crate) struct Diary {
    /// Number of the newest entry.
    newest: u64,
    /// By pond id: a pond that leaves the farm and comes back is the same.
    books: BTreeMap<String, Book>,
    /// Containers of all ponds.
    pub(crate) stock: Stock,
}

impl Diary {
    /// What is known of a pond.
    pub(crate) fn book(&self, pond: &str) -> Option<&Book> {
        self.books.get(pond)
    }

    /// Changes with each entry.
    pub(crate) const fn revision(&self) -> u64 {
        self.newest
    }

    fn accept(&self, pond: &str, entry: &Entry, basin: &Basin, now: Timestamp) -> Result<(), Said> {
        check(entry, basin, now)?;
        let other = |number: u64| {
            let mut others = self.books.iter().filter(|(id, book)| *id != pond && book.knows(number));
            others.next().map(|(id, _)| id)
        };
        if let Some((number, id)) = entry.corrects.and_then(|number| Some((number, other(number)?))) {
            return Err(said!(
                "refused-other-pond",
                "it corrects entry {number}, which is of pond {pond}; accepted is an entry of this pond",
                number = format!("{number}"),
                pond = id
            ));
        }
        match self.books.get(pond) {
            Some(book) => book.contradiction(entry),
            None => Book::default().contradiction(entry),
        }?;
        self.stock.has_enough(entry)
    }

    fn take(&mut self, pond: &str, entry: &Entry, recorded: Timestamp) {
        self.newest = self.newest.max(entry.number);
        self.stock.take(pond, entry, recorded);
        if !self.books.contains_key(pond) {
            self.books.insert(String::from(pond), Book::default());
        }
        if let Some(book) = self.books.get_mut(pond) {
            book.take(entry, recorded);
        }
    }
}

impl State {
    /// Gives an entry of the diary its number and the pond as it is now, if it is acceptable.
    pub(super) fn complete_entry(&self, pond: PondIndex, entry: &mut Entry, now: Timestamp) {
        entry.number = 0;
        entry.basin = None;
        if let Ok(completed) = self.completed(pond, entry, now) {
            *entry = completed;
        }
    }

    fn completed(&self, index: PondIndex, entry: &Entry, now: Timestamp) -> Result<Entry, Said> {
        let Some(pond) = self.site.as_ref().and_then(|site| site.ponds.get(usize::from(index.0))) else {
            return Err(Said::plain(format!(
                "{} was not recorded for pond number {}; the farm has {} ponds",
                entry.what.kind().id(),
                index.0,
                self.ponds.len()
            )));
        };
        // Of what was done long ago today's depth says nothing.
        let basin = self.basin(index, pond, entry.at.min(now));
        self.diary.accept(&pond.id, entry, &basin, now).map_err(|why| {
            said!(
                "refused-record",
                "{kind} for pond {pond} was not recorded: {why}",
                kind = kind_said(entry.what.kind()),
                pond = &pond.id,
                why = why
            )
        })?;
        let number = self.diary.newest.saturating_add(1);
        Ok(Entry { number, basin: Some(basin), ..entry.clone() })
    }

    /// A pond's surface and water at a time.
    pub(crate) fn basin(&self, index: PondIndex, pond: &Pond, now: Timestamp) -> Basin {
        let (Some(site), Some(night), Some(state)) =
            (&self.site, self.night, self.ponds.get(usize::from(index.0)))
        else {
            return book::basin(pond.area_m2, pond.depth_m, None, None, now);
        };
        let scene = Scene {
            site,
            probes: &self.probes,
            night,
            now,
            falls: &self.falls,
            power_lost: self.power.lost(),
            diary: &self.diary,
        };
        let by_hand = state.hand.get(&Quantity::DepthM);
        let gauges = state.own_channels(&scene).filter_map(|(_, channel, known)| {
            known.seen.filter(|seen| channel.quantity == Quantity::DepthM && seen.flag.is_usable())
        });
        let measured = gauges.chain(by_hand.copied()).max_by_key(|seen| seen.at);
        let said = self.diary.book(&pond.id).and_then(Book::level_m);
        let measured = measured.map(|seen| (seen.value, seen.at));
        book::basin(pond.area_m2, pond.depth_m, measured, said, now)
    }

    /// Takes an entry. One that [`State::complete`] has numbered was accepted when it was recorded, and is
    /// taken as it stands: what spoke for it may be lost, and it is still what somebody said was done.
    pub(super) fn take_diary(
        &mut self,
        index: PondIndex,
        entry: &Entry,
        by: &str,
        effects: &mut Vec<Effect>,
    ) {
        let now = self.now;
        let is_numbered = entry.number > self.diary.newest && entry.basin.is_some();
        let known = self.site.as_ref().and_then(|site| site.ponds.get(usize::from(index.0)));
        let entry = match (is_numbered, known) {
            (true, Some(_)) => entry.clone(),
            _ => match self.completed(index, entry, now) {
                Ok(entry) => entry,
                Err(reason) => return self.refuse(reason, effects),
            },
        };
        if let Some(pond) = known {
            self.diary.take(&pond.id, &entry, now);
        }
        let may_settle = entry.corrects.is_some()
            || matches!(entry.what, What::Dose(_) | What::Count(_) | What::Stocking(_) | What::Harvest(_));
        effects.push(Effect::Recorded(Recorded { pond: index, at: now, entry, by: String::from(by) }));
        if may_settle {
            // A dose draws on containers of all ponds.
            self.settle_ponds(effects);
        }
    }

    /// Takes an entry or a trial of long ago into the diary and nothing else: no time passes. For a start that does not
    /// read everything that was measured in between.
    pub fn recall(&mut self, input: &Input) {
        if let Event::Trial { trial, by } = &input.event
            && trial.number > 0
        {
            return self.trials.take(trial, input.at, by);
        }
        let Event::Diary { pond, entry, .. } = &input.event else { return };
        let known = self.site.as_ref().and_then(|site| site.ponds.get(usize::from(pond.0)));
        if let Some(pond) = known.filter(|_| entry.number > self.diary.newest && entry.basin.is_some()) {
            self.diary.take(&pond.id, entry, input.at);
        }
    }

    /// Takes over what an earlier life was told by people.
    pub fn take_over_diary(&mut self, earlier: &Self) {
        if self.diary.newest <= earlier.diary.newest {
            self.diary = earlier.diary.clone();
        }
        if self.trials.newest() <= earlier.trials.newest() {
            self.trials = earlier.trials.clone();
        }
    }
}
