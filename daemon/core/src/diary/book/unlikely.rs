//! What can be, but is more often a slip.

use alloc::format;
use alloc::vec::Vec;

use super::super::entry::{Entry, What};
use super::agree::weight;
use super::{Book, Fact, crop_of};
use crate::said::{Said, length, said};
use crate::time::Span;

/// Growth within a week beyond both of these is doubted: as a share of the weight before, and in g. Vannamei put on 1
/// to 2.5 g a week. (Common practice, no source.)
const GROWN_BY_SHARE: f64 = 0.60;
const GROWN_BY_G: f64 = 4.0;
const WEEK: Span = Span::from_hours(7 * 24);
/// The same money for the same within this is doubted.
const SAME_COST: Span = Span::from_hours(48);

/// What stands for the name of something money is spent on, whatever its letters' case (FNV-1a).
pub(super) fn item(name: &str) -> u64 {
    let letters = name.trim().chars().flat_map(char::to_lowercase);
    letters.fold(0xcbf2_9ce4_8422_2325, |hash, own| (hash ^ u64::from(own)).wrapping_mul(0x0100_0000_01b3))
}

impl Book {
    /// What is odd about an entry beside the others.
    pub fn unlikely(&self, entry: &Entry) -> Vec<Said> {
        let own = match &entry.what {
            What::Sampling(sample) => self.grew_fast(entry, sample.abw_g()),
            What::Harvest(taken) => taken.abw_g.and_then(|abw_g| self.grew_fast(entry, abw_g)),
            What::Cost { .. } => self.paid_twice(entry),
            _ => None,
        };
        own.into_iter().collect()
    }

    /// A weight that would be growth such as shrimp hardly have: of a week what is doubted, of longer as much for
    /// each.
    fn grew_fast(&self, entry: &Entry, abw_g: f64) -> Option<Said> {
        let (before_g, at) = crop_of(self.others(entry), entry.at, 0.0)?.abw_g?;
        let since = entry.at - at;
        let weeks = (since.as_hours() / WEEK.as_hours()).max(1.0);
        // Growth in share multiplies, growth in grams adds up.
        let most_g = (before_g * libm::pow(1.0 + GROWN_BY_SHARE, weeks)).max(before_g + GROWN_BY_G * weeks);
        (abw_g > most_g).then(|| {
            said!(
                "mind-grew-fast",
                "{abw} g each, {before} g each {ago} before: shrimp hardly grow so fast. Are all counted that were weighed, is it grams, and is it this pond? If not so, correct the entry.",
                abw = weight(abw_g),
                before = weight(before_g),
                ago = length(since)
            )
        })
    }

    /// The same cost a little while ago.
    fn paid_twice(&self, entry: &Entry) -> Option<Said> {
        let fact = Fact::of(entry);
        let is_near = |apart: Span| apart.as_millis().saturating_abs() <= SAME_COST.as_millis();
        let own = self.others(entry).find(|kept| kept.fact == fact && is_near(kept.at - entry.at))?;
        Some(said!(
            "mind-paid-twice",
            "Entry {number} has the same cost within two days of it. If it was entered twice, withdraw one of them.",
            number = format!("{}", own.number)
        ))
    }
}
