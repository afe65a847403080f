//! Whether a profile of text fits what came: every value it knows is there and can be.
//!
//! Neither SDI-12 nor a line of text says what a number means, so a fit is a guess with its evidence shown.

use pondreeve_protocol::reported::{NoValue, Reported};

use super::super::fit::{Seen, Verdict, judge, no_value};
use crate::config::profile::Profile;

/// A profile that fits.
#[derive(Debug, Clone, PartialEq)]
pub struct Guess {
    /// The profile.
    pub profile: Profile,
    /// Its values, one a look.
    pub seen: Vec<Seen>,
    /// It accounts for every value that came, or for every character of the line, or a person has named it.
    pub is_exact: bool,
    /// Another profile fits as well.
    pub in_doubt: bool,
    /// So many of its values the sensor itself calls by the quantity that the profile takes them for.
    pub told: usize,
}

impl Guess {
    /// More is better.
    fn rank(&self) -> (bool, usize, usize, usize) {
        let usual = self.seen.iter().filter(|seen| seen.counts && seen.verdict == Verdict::Usual).count();
        (self.is_exact, self.told, usual, self.seen.len())
    }

    /// Whether its values are evidence enough to be written down as found.
    pub fn is_evident(&self) -> bool {
        self.is_exact && !self.in_doubt && self.rank().2 > 0
    }
}

/// What one value says.
///
/// # Errors
/// Why it cannot be a value of this kind.
pub(super) fn look(reported: &Reported, raw: f64) -> Result<Seen, String> {
    told(reported, reported.value(raw), raw)
}

/// The same of a value that was read already.
pub(super) fn told(reported: &Reported, value: Result<f64, NoValue>, raw: f64) -> Result<Seen, String> {
    match value {
        Ok(value) => judge(&reported.channel, &reported.unit, raw, value),
        // The very mark that the profile expects: it is such a probe, and not ready.
        Err(NoValue::Marked(_)) => Ok(no_value(&reported.channel, &reported.unit)),
        Err(why) => Err(format!("{}: {why}", reported.channel)),
    }
}

/// Orders guesses, best first, and marks those that others come near. Where one knows all that came, those that know
/// only part of it are none: they go to the others.
pub(super) fn sort(guesses: &mut Vec<Guess>, others: &mut Vec<(String, String)>) {
    if guesses.iter().any(|guess| guess.is_exact) {
        let part = guesses.extract_if(.., |guess| !guess.is_exact);
        let told =
            |guess: Guess| (guess.profile.id().to_owned(), "it knows only part of what came".to_owned());
        others.extend(part.map(told));
    }
    guesses.sort_by(|a, b| b.rank().cmp(&a.rank()).then_with(|| a.profile.id().cmp(b.profile.id())));
    let ranks: Vec<_> = guesses.iter().map(Guess::rank).collect();
    for (place, guess) in guesses.iter_mut().enumerate() {
        let mut others = ranks.iter().enumerate().filter(|(other, _)| *other != place);
        // One usual value alone does not stand against two of another profile.
        guess.in_doubt = others.any(|(_, rank)| *rank >= guess.rank());
    }
}
