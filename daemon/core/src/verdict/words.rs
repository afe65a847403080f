//! The clues in plain words.

use alloc::format;

use super::{Kind, Leaning, Sign};
use crate::message::spoken;
use crate::quantity::Quantity;
use crate::said::{Said, fixed, length, said, tenth};

impl Leaning {
    /// As a person says it.
    pub fn says(self) -> Said {
        match self {
            Self::Water => said!("leans-water", "looks like the water"),
            Self::Unsure => said!("leans-unsure", "cannot tell probe from water"),
            Self::Probe => said!("leans-probe", "looks like the probe"),
        }
    }

    /// For machines.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Water => "water",
            Self::Unsure => "unsure",
            Self::Probe => "probe",
        }
    }

    /// What to do about it. Whatever it looks like, aerators come first: they cost little.
    pub const fn what_to_do(self) -> &'static str {
        match self {
            Self::Water => "Act on the reading: start aerators and look.",
            Self::Unsure => {
                "Act as if the water were bad: start aerators, then measure beside the probe with a hand meter."
            }
            Self::Probe => {
                "Start aerators all the same, then measure beside the probe with a hand meter and enter it; clean the probe by daylight."
            }
        }
    }
}

impl Kind {
    /// As a person says it.
    pub const fn says(self) -> &'static str {
        match self {
            Self::Shape => "shape",
            Self::Companions => "companions",
            Self::Timing => "timing",
            Self::Response => "response",
            Self::Tests => "tests",
        }
    }
}

impl Sign {
    /// Which kind of clue it is.
    pub const fn kind(&self) -> Kind {
        match self {
            Self::Step(_)
            | Self::Jump(_)
            | Self::Jumpy(_)
            | Self::Flat(_)
            | Self::Sawtooth(_)
            | Self::Clipped(_)
            | Self::Smooth(_) => Kind::Shape,
            Self::PhMoved(..)
            | Self::PhStayed(_)
            | Self::OtherAgrees(_)
            | Self::OtherDiffers(_)
            | Self::TemperatureJumped(_)
            | Self::HandAgrees(..)
            | Self::HandDiffers(..)
            | Self::OthersFell(_) => Kind::Companions,
            Self::AfterSilence(_)
            | Self::AfterService(_)
            | Self::AeratorStopped(_)
            | Self::Rain(_)
            | Self::Night
            | Self::Usual(_)
            | Self::Unusual(_) => Kind::Timing,
            Self::AeratorsHelp(..) | Self::AeratorsDoNothing(_) => Kind::Response,
            Self::Stepped
            | Self::Restless
            | Self::Attenuated
            | Self::Unserviced
            | Self::OutOfRange
            | Self::Alone => Kind::Tests,
        }
    }

    /// What was noticed of `quantity`, in plain words with the numbers.
    pub fn says(&self, quantity: Quantity) -> Said {
        let what = spoken(quantity);
        let unit = unit_of(quantity);
        match *self {
            Self::Step(by) if by < 0.0 => said!(
                "clue-fell",
                "fell {by}{unit} between two readings and stayed there",
                by = tenth(-by),
                unit = unit
            ),
            Self::Step(by) => said!(
                "clue-rose",
                "rose {by}{unit} between two readings and stayed there",
                by = tenth(by),
                unit = unit
            ),
            Self::Jump(by) => said!(
                "clue-jump",
                "jumped by {by}{unit} with its newest reading, which nothing confirms yet",
                by = format!("{by:+.1}"),
                unit = unit
            ),
            Self::Jumpy(count) => {
                said!("clue-jumpy", "{count} of its newest readings jumped", count = format!("{count}"))
            }
            Self::Flat(span) => said!("clue-flat", "has not moved for {span}", span = length(span)),
            Self::Sawtooth(by) => said!(
                "clue-sawtooth",
                "goes to and fro by {by}{unit} from reading to reading",
                by = tenth(by),
                unit = unit
            ),
            Self::Clipped(at) => {
                said!(
                    "clue-clipped",
                    "stands at {at}{unit}, the end of its scale",
                    at = tenth(at),
                    unit = unit
                )
            }
            Self::Smooth(by) if by < 0.0 => {
                said!("clue-fell-smoothly", "fell smoothly by {by}{unit}", by = tenth(-by), unit = unit)
            }
            Self::Smooth(by) => {
                said!("clue-rose-smoothly", "rose smoothly by {by}{unit}", by = tenth(by), unit = unit)
            }
            Self::PhMoved(by, ph) => {
                let (moved, by) = (fixed(libm::fabs(ph), 2), tenth(by));
                if ph < 0.0 {
                    said!(
                        "clue-ph-fell",
                        "pH fell {moved} while oxygen fell {by} mg/L",
                        moved = moved,
                        by = by
                    )
                } else {
                    said!(
                        "clue-ph-rose",
                        "pH rose {moved} while oxygen fell {by} mg/L",
                        moved = moved,
                        by = by
                    )
                }
            }
            Self::PhStayed(by) => {
                said!("clue-ph-stayed", "pH stayed while oxygen fell {by} mg/L", by = tenth(by))
            }
            Self::OtherAgrees(value) => said!(
                "clue-other-agrees",
                "the pond's other probe agrees: {value}{unit}",
                value = tenth(value),
                unit = unit
            ),
            Self::OtherDiffers(value) => said!(
                "clue-other-differs",
                "the pond's other probe reads {value}{unit}",
                value = tenth(value),
                unit = unit
            ),
            Self::TemperatureJumped(by) => said!(
                "clue-temperature",
                "the probe's own temperature jumped {by} C, the pond's did not",
                by = tenth(by)
            ),
            Self::HandAgrees(hand, probe, ago) => said!(
                "clue-hand-agrees",
                "a hand meter agreed {ago} ago: {hand}{unit} beside {probe} of the probe",
                ago = length(ago),
                hand = tenth(hand),
                unit = unit,
                probe = tenth(probe)
            ),
            Self::HandDiffers(hand, probe, ago) => said!(
                "clue-hand-differs",
                "a hand meter read {hand}{unit} where the probe read {probe}, {ago} ago",
                hand = tenth(hand),
                unit = unit,
                probe = tenth(probe),
                ago = length(ago)
            ),
            Self::OthersFell(1) => {
                said!("clue-other-fell", "{what} of another pond fell at the same time", what = what)
            }
            Self::OthersFell(ponds) => said!(
                "clue-others-fell",
                "{what} of {ponds} other ponds fell at the same time",
                what = what,
                ponds = format!("{ponds}")
            ),
            Self::AfterSilence(span) => {
                said!("clue-after-silence", "began after {span} without a reading", span = length(span))
            }
            Self::AfterService(ago) => {
                said!("clue-after-service", "the probe was serviced {ago} ago", ago = length(ago))
            }
            Self::AeratorStopped(ago) => {
                said!("clue-aerator-stopped", "an aerator stopped {ago} ago", ago = length(ago))
            }
            Self::Rain(by) => {
                said!("clue-rain", "rain: the salt thinned by {by} PSU within the hour", by = tenth(by))
            }
            Self::Night => said!("clue-night", "it is night, when oxygen falls"),
            Self::Usual(value) => {
                said!("clue-usual", "as usual at this hour: {value}{unit}", value = tenth(value), unit = unit)
            }
            Self::Unusual(value) => said!(
                "clue-unusual",
                "unlike this hour of the last days: usual is {value}{unit}",
                value = tenth(value),
                unit = unit
            ),
            Self::AeratorsHelp(span, bend) => said!(
                "clue-aerators-help",
                "answers the aerators started {ago} ago: {bend} mg/L per hour",
                ago = length(span),
                bend = format!("{bend:+.1}")
            ),
            Self::AeratorsDoNothing(span) => said!(
                "clue-aerators-nothing",
                "does not answer the aerators started {ago} ago",
                ago = length(span)
            ),
            Self::Stepped => {
                said!("clue-stepped", "jumped between two readings some hours ago and stayed there")
            }
            Self::Restless => said!("clue-restless", "jumps about far more than it usually does"),
            Self::Attenuated => said!("clue-attenuated", "the day's swing has shrunk, as under a film"),
            Self::Unserviced => said!("clue-unserviced", "came back from a long failure without service"),
            Self::OutOfRange => {
                said!("clue-out-of-range", "reads beyond what this pond or probe can reach")
            }
            Self::Alone => said!("clue-alone", "does not go with what else is measured"),
        }
    }
}

fn unit_of(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::DoMgL => " mg/L",
        Quantity::TemperatureC => " C",
        Quantity::SalinityPsu => " PSU",
        _ => "",
    }
}
