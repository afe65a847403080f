//! Putting an alarm aside: for how long, and why. One digit says why and sends it.

use crate::local::protocol::{AlarmStatus, Ask};

use super::keys::Key;
use crate::texts::{Words, say};

/// Why alarms are put aside, as the daemon keeps it. Whatever else there is can be said with `pondreeve shelve`.
pub(crate) const REASONS: [&str; 5] = [
    "known, and being mended",
    "a probe or a part is being serviced",
    "false alarm, a probe is to be changed",
    "adviser has agreed to it",
    "test",
];

/// Recorded where a script shelves without a reason.
pub(crate) const NO_REASON: &str = "no reason given";

/// Minutes that can be chosen, by priority: as long as the daemon accepts, and less.
const fn lengths(priority: u8) -> &'static [u16] {
    match priority {
        1 => &[10, 20, 30],
        2 => &[10, 20, 30, 60],
        _ => &[30, 60, 120, 240, 480, 720],
    }
}

/// What a key led to.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Outcome {
    /// Nothing to do yet.
    Editing,
    /// Refused, with what is accepted.
    Wrong(String),
    /// Complete: send this.
    Send(Ask),
}

/// The form.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Shelving {
    /// Id of the alarm.
    pub(crate) id: String,
    priority: u8,
    choice: usize,
    /// Whether the daemon has it and has not answered.
    pub(crate) sending: bool,
}

impl Shelving {
    /// For this alarm; half an hour to begin with.
    pub(crate) fn new(alarm: &AlarmStatus) -> Self {
        let choice = lengths(alarm.priority).iter().position(|&minutes| minutes == 30).unwrap_or(0);
        Self { id: alarm.id.clone(), priority: alarm.priority, choice, sending: false }
    }

    /// For so long, minutes.
    pub(crate) fn minutes(&self) -> u16 {
        lengths(self.priority).get(self.choice).copied().unwrap_or(10)
    }

    /// The longest that is accepted, minutes.
    pub(crate) fn longest(&self) -> u16 {
        lengths(self.priority).last().copied().unwrap_or(10)
    }

    /// Handles one key.
    pub(crate) fn key(&mut self, key: Key, words: Words) -> Outcome {
        if self.sending {
            return Outcome::Wrong(say!(words, "sending-wait"));
        }
        match key {
            Key::Up | Key::Right => {
                self.choice = (self.choice + 1).min(lengths(self.priority).len() - 1);
                Outcome::Editing
            }
            Key::Down | Key::Left => {
                self.choice = self.choice.saturating_sub(1);
                Outcome::Editing
            }
            Key::Char(digit) => {
                let chosen = digit.to_digit(10).and_then(|digit| (digit as usize).checked_sub(1));
                match chosen.and_then(|place| REASONS.get(place)) {
                    Some(reason) => Outcome::Send(Ask::Shelve {
                        id: self.id.clone(),
                        seconds: u64::from(self.minutes()) * 60,
                        reason: (*reason).to_owned(),
                    }),
                    None => Outcome::Wrong(say!(words, "shelve-press-why", last = REASONS.len())),
                }
            }
            Key::Enter => Outcome::Wrong(say!(words, "shelve-needs-why", last = REASONS.len())),
            _ => Outcome::Editing,
        }
    }
}

/// How long, as a person says it.
pub(crate) fn length_words(words: Words, minutes: u16) -> String {
    if minutes >= 60 && minutes.is_multiple_of(60) {
        say!(words, "length-hours", hours = minutes / 60)
    } else {
        say!(words, "age-minutes", minutes = minutes)
    }
}

/// Key of a reason by its place.
pub(crate) fn reason_key(place: usize) -> String {
    format!("shelve-reason-{}", place + 1)
}

/// A reason as a person reads it: one of [`REASONS`] in their language, else as it was given.
pub(crate) fn reason_words(words: Words, reason: &str) -> String {
    if reason == NO_REASON {
        return say!(words, "no-reason");
    }
    let place = REASONS.iter().position(|own| *own == reason);
    place.map_or_else(|| reason.to_owned(), |place| words.get(&reason_key(place)))
}
