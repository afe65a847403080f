//! Sensor or water? Clues of shape, companions, timing and response, each with its points, added up.
//!
//! The clues are those a technician goes by; their points are common practice put into numbers, no
//! source. The verdict only words an alarm and adds what to do: it never raises, silences or delays
//! one. Where it cannot tell, people act as if the water were bad.

use crate::quality::Seen;
use crate::quantity::Quantity;
use crate::said::{Said, said};
use crate::site::ProbeIndex;
use crate::time::{Span, Timestamp};

mod clues;
#[cfg(test)]
mod tests;
mod words;

pub use clues::{Evidence, weigh};

/// From this many points on it looks like the probe.
pub const LOOKS_LIKE_PROBE: i16 = 3;

/// From this many points down it looks like the water. Nearer to zero than nothing at all would be
/// dangerous only the other way round.
pub const LOOKS_LIKE_WATER: i16 = -3;

/// No more clues are kept than there are kinds.
const MOST_CLUES: usize = 20;

/// Which way the clues point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Leaning {
    /// The water is as it reads, as far as can be told.
    Water,
    /// Cannot be told: act as if the water were bad.
    Unsure,
    /// The probe reads wrong, as far as can be told.
    Probe,
}

/// What was noticed, with the numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sign {
    /// Fell or rose by this much between two readings, and stayed there.
    Step(f64),
    /// The newest reading jumped by this much, and nothing has confirmed it yet.
    Jump(f64),
    /// So many of the newest readings jumped.
    Jumpy(u16),
    /// Has not moved for so long.
    Flat(Span),
    /// Goes to and fro by so much from reading to reading.
    Sawtooth(f64),
    /// Stands at the end of the scale.
    Clipped(f64),
    /// Fell smoothly by this much.
    Smooth(f64),
    /// pH went along: oxygen fell by the first, pH moved by the second.
    PhMoved(f64, f64),
    /// pH stayed while oxygen fell by this much.
    PhStayed(f64),
    /// The pond's other probe reads this, and is usual or near.
    OtherAgrees(f64),
    /// The pond's other probe reads this, and is far off.
    OtherDiffers(f64),
    /// The probe's own temperature jumped while another stayed.
    TemperatureJumped(f64),
    /// A hand meter read the first where the probe read the second, so long ago.
    HandAgrees(f64, f64, Span),
    /// The same, but far apart.
    HandDiffers(f64, f64, Span),
    /// So many of the farm's other ponds fell at the same time.
    OthersFell(u16),
    /// The readings began again after a silence of so long.
    AfterSilence(Span),
    /// It was serviced so long ago.
    AfterService(Span),
    /// An aerator stopped so long before.
    AeratorStopped(Span),
    /// The salt thinned by so much: rain.
    Rain(f64),
    /// It is night, when oxygen falls.
    Night,
    /// As on other days at this hour, where this is usual.
    Usual(f64),
    /// Unlike other days at this hour, where this is usual.
    Unusual(f64),
    /// Aerators have run for so long and the fall bent by this much, mg/L per hour.
    AeratorsHelp(Span, f64),
    /// Aerators have run for so long and nothing bent.
    AeratorsDoNothing(Span),
    /// It jumped between two readings some hours ago and has stayed there.
    Stepped,
    /// It jumps about far more than usual.
    Restless,
    /// The day's swing has shrunk.
    Attenuated,
    /// It came back from a long failure without service.
    Unserviced,
    /// It reads what it cannot.
    OutOfRange,
    /// It does not go with what else is measured.
    Alone,
}

/// One clue: points above zero speak for a probe fault, below zero for the water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clue {
    /// What was noticed.
    pub sign: Sign,
    /// Its weight.
    pub points: i16,
}

/// Which kind of clue it is, in the words of the trade's own table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Shape of the curve.
    Shape,
    /// What else is measured.
    Companions,
    /// What happened before.
    Timing,
    /// What aerators do to it.
    Response,
    /// What the quality tests say.
    Tests,
}

/// What the clues say about one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Verdict {
    /// Whose reading.
    pub probe: ProbeIndex,
    /// Of what.
    pub quantity: Quantity,
    /// When it was weighed.
    pub at: Timestamp,
    /// What it reads.
    pub seen: Option<Seen>,
    /// All points together.
    pub score: i16,
    clues: [Option<Clue>; MOST_CLUES],
}

impl Verdict {
    fn new(probe: ProbeIndex, quantity: Quantity, at: Timestamp, seen: Option<Seen>) -> Self {
        Self { probe, quantity, at, seen, score: 0, clues: [None; MOST_CLUES] }
    }

    fn add(&mut self, sign: Sign, points: i16) {
        if let Some(free) = self.clues.iter_mut().find(|place| place.is_none()) {
            *free = Some(Clue { sign, points });
            self.score = self.score.saturating_add(points);
        }
    }

    /// The clues, in the order in which they were looked for.
    pub fn clues(&self) -> impl Iterator<Item = &Clue> {
        self.clues.iter().flatten()
    }

    /// Which way they point.
    pub fn leaning(&self) -> Leaning {
        match self.score {
            score if score >= LOOKS_LIKE_PROBE => Leaning::Probe,
            score if score <= LOOKS_LIKE_WATER => Leaning::Water,
            _ => Leaning::Unsure,
        }
    }

    /// The weightiest clue on the side to which they point; on either side where they do not.
    pub fn weightiest(&self) -> Option<&Clue> {
        let leaning = self.leaning();
        self.clues()
            .filter(|clue| match leaning {
                Leaning::Probe => clue.points > 0,
                Leaning::Water => clue.points < 0,
                Leaning::Unsure => true,
            })
            .min_by_key(|clue| -i32::from(clue.points).abs())
    }

    /// One line: which way, and by what above all.
    pub fn line(&self) -> Said {
        let head = self.leaning().says();
        match self.weightiest() {
            Some(clue) => {
                said!("verdict-line", "{head}: {clue}", head = head, clue = clue.sign.says(self.quantity))
            }
            None => head,
        }
    }
}
