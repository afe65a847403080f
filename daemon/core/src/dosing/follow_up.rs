//! What follows from a pond's doses: the pH to be read after each, the next one that is due, and whether what was
//! counted fits what was recorded.

use alloc::format;

use pondreeve_chemistry::sun::{SunDay, sun_day};

use super::{APART, HOURS_AFTER_SUNRISE};
use crate::diary::book::{KEPT_AFTER_DOSE, local_day};
use crate::diary::stock::Odd;
use crate::diary::{Book, LastDose};
use crate::said::{Said, said, tenth};
use crate::site::{Pond, Site};
use crate::state::Diary;
use crate::time::{Span, Timestamp};
use crate::window::Window;

/// pH is read so long after all of a dose is in. (Common practice, no source.)
pub const CHECKS: [Span; 3] = [Span::from_hours(1), Span::from_hours(4), Span::from_hours(24)];

/// A reading this much before its hour will do. (Common practice, no source.)
const EARLY: [Span; 3] = [Span::from_minutes(15), Span::from_hours(1), Span::from_hours(6)];

/// What a pond's doses ask for.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct FollowUp {
    /// The diary's revision it was made from; `None` when it must be made anew.
    revision: Option<u64>,
    /// The newest dose.
    pub last: Option<LastDose>,
    /// When the next dose falls due, where the pond has a programme.
    pub due: Option<Timestamp>,
    /// What speaks against what was recorded.
    pub odd: Option<Odd>,
    /// Which of [`CHECKS`] after the newest dose was made, and what pH it found.
    made: [Option<f64>; 3],
    /// pH that people read, for ponds without a probe of it.
    by_hand: Window,
}

impl FollowUp {
    /// Keeps a pH that somebody read.
    pub(crate) fn note_hand(&mut self, ph: f64, at: Timestamp) {
        self.by_hand.add(at, ph);
    }

    /// pH of the last day as people read it.
    pub(crate) const fn ph_by_hand(&self) -> &Window {
        &self.by_hand
    }

    /// Must be made anew: the farm or the watch has changed.
    pub fn outdate(&mut self) {
        self.revision = None;
    }

    /// Made anew where something was recorded since.
    pub(crate) fn renew(
        &mut self,
        (site, pond): (&Site, &Pond),
        diary: &Diary,
        since: Timestamp,
        now: Timestamp,
    ) {
        if self.revision == Some(diary.revision()) {
            return;
        }
        self.revision = Some(diary.revision());
        let book = diary.book(&pond.id);
        let last = book.and_then(Book::last_dose);
        if last.map(|dose| (dose.number, dose.stop)) != self.last.map(|dose| (dose.number, dose.stop)) {
            self.made = [None; 3];
        }
        self.last = last;
        self.odd = diary.stock.odd(&pond.id, now);
        self.due =
            pond.dose_every.filter(|_| !book.is_some_and(|book| book.is_harvested(now))).map(|every| {
                let stocked =
                    book.and_then(|book| book.crop(now, site.longitude_deg)).map(|crop| crop.stocked_at);
                match (last, stocked) {
                    (Some(last), stocked) if stocked.is_none_or(|stocked| stocked <= last.at) => {
                        next_hour(site, last.at + every, Some(last.at))
                    }
                    (last, Some(stocked)) => next_hour(site, stocked + every, last.map(|last| last.at)),
                    (last, None) => next_hour(site, since, last.map(|last| last.at)),
                }
            });
    }

    /// From when to when a check is asked for.
    pub fn check_window(&self, which: usize) -> Option<(Timestamp, Timestamp)> {
        let stop = self.last?.stop;
        let to = match (CHECKS.get(which + 1), EARLY.get(which + 1)) {
            (Some(&next), Some(&early)) => (stop + next) - early,
            _ => stop + KEPT_AFTER_DOSE,
        };
        Some((stop + *CHECKS.get(which)?, to))
    }

    /// Whether a check is asked for now and not made.
    pub fn is_check_due(&self, which: usize, now: Timestamp) -> bool {
        self.made(which).is_none()
            && self.check_window(which).is_some_and(|(from, to)| (from..to).contains(&now))
    }

    /// What pH a check found.
    pub fn made(&self, which: usize) -> Option<f64> {
        self.made.get(which).copied().flatten()
    }

    /// Takes a pH that nothing doubts, or that somebody read by hand.
    pub fn take_ph(&mut self, ph: f64, at: Timestamp) {
        for which in 0..CHECKS.len() {
            let Some((from, to)) = self.check_window(which) else { return };
            let early = EARLY.get(which).copied().unwrap_or(Span::ZERO);
            if let Some(made) = self.made.get_mut(which)
                && made.is_none()
                && at >= from - early
                && at < to
            {
                *made = Some(ph);
            }
        }
    }

    /// What speaks against what was recorded, now.
    pub fn odd_now(&self, now: Timestamp) -> Option<&Odd> {
        self.odd.as_ref().filter(|odd| !matches!(odd, Odd::Dose { until, .. } if *until <= now))
    }

    /// When a check is next asked for, or its time is over.
    pub fn check_turn(&self, which: usize, now: Timestamp) -> Option<Timestamp> {
        let (from, to) = self.check_window(which).filter(|_| self.made(which).is_none())?;
        [from, to].into_iter().find(|&turn| turn > now)
    }

    /// The newest dose in words.
    pub fn dose_words(&self) -> Said {
        match self.last {
            Some(LastDose { number, mg_l: Some(mg_l), .. }) => {
                said!(
                    "the-dose-strength",
                    "the dose of {strength} mg/L of slurry (entry {number})",
                    strength = tenth(mg_l),
                    number = format!("{number}")
                )
            }
            Some(LastDose { number, .. }) => {
                said!("the-dose", "the dose of entry {number}", number = format!("{number}"))
            }
            None => said!("a-dose", "a dose"),
        }
    }
}

/// The first hour for a dose on the day of a time by the sun, and not too soon after the last one.
fn next_hour(site: &Site, day_of: Timestamp, last: Option<Timestamp>) -> Timestamp {
    let day = local_day(day_of, site.longitude_deg);
    let hour = |day: i64| match sun_day(site.latitude_deg, site.longitude_deg, day) {
        SunDay::Normal { sunrise_ms, .. } => Some(Timestamp(sunrise_ms) + HOURS_AFTER_SUNRISE.0),
        _ => None,
    };
    // A dose late in the day may fall due a few hours before two may follow each other: then the day after.
    let apart = |at: &Timestamp| last.is_none_or(|last| *at - last >= APART);
    let mut hours = [day, day.saturating_add(1)].into_iter().filter_map(hour);
    hours.find(apart).unwrap_or(day_of)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Timestamp {
        Timestamp(1_795_564_800_000) + Span::from_minutes(minutes)
    }

    fn dosed(stop: Timestamp) -> FollowUp {
        let last = LastDose { number: 1, at: stop, stop, slurry_kg: Some(30.0), mg_l: Some(4.0) };
        FollowUp { last: Some(last), ..FollowUp::default() }
    }

    /// All in at 0: the checks are asked for from 60 to 180, from 240 to 1080 and from 1440 to 2880 minutes.
    #[test]
    fn three_checks_are_asked_for_one_after_another() {
        let follow = dosed(at(0));
        for (minute, expected) in [
            (59, [false, false, false]),
            (60, [true, false, false]),
            (179, [true, false, false]),
            (180, [false, false, false]),
            (240, [false, true, false]),
            (1_079, [false, true, false]),
            (1_080, [false, false, false]),
            (1_440, [false, false, true]),
            (2_879, [false, false, true]),
            (2_880, [false, false, false]),
        ] {
            assert_eq!([0, 1, 2].map(|which| follow.is_check_due(which, at(minute))), expected, "{minute}");
        }
    }

    #[test]
    fn a_reading_a_little_early_will_do_and_one_long_before_does_not() {
        let mut follow = dosed(at(0));
        follow.take_ph(8.1, at(44));
        assert_eq!(follow.made(0), None);
        follow.take_ph(8.2, at(45));
        assert_eq!((follow.made(0), follow.made(1)), (Some(8.2), None));
        follow.take_ph(8.3, at(180));
        assert_eq!((follow.made(0), follow.made(1), follow.made(2)), (Some(8.2), Some(8.3), None));
    }
}
