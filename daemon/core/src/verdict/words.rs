//! The clues in plain words.

use alloc::format;
use alloc::string::String;

use super::{Kind, Leaning, Sign};
use crate::message::{length, word};
use crate::quantity::Quantity;

impl Leaning {
    /// As a person says it.
    pub const fn says(self) -> &'static str {
        match self {
            Self::Water => "looks like the water",
            Self::Unsure => "cannot tell probe from water",
            Self::Probe => "looks like the probe",
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
    pub fn says(&self, quantity: Quantity) -> String {
        let what = word(quantity);
        let unit = unit_of(quantity);
        match *self {
            Self::Step(by) if by < 0.0 => {
                format!("fell {:.1}{unit} between two readings and stayed there", -by)
            }
            Self::Step(by) => format!("rose {by:.1}{unit} between two readings and stayed there"),
            Self::Jump(by) => {
                format!("jumped by {by:+.1}{unit} with its newest reading, which nothing confirms yet")
            }
            Self::Jumpy(count) => format!("{count} of its newest readings jumped"),
            Self::Flat(span) => format!("has not moved for {}", length(span)),
            Self::Sawtooth(by) => format!("goes to and fro by {by:.1}{unit} from reading to reading"),
            Self::Clipped(at) => format!("stands at {at:.1}{unit}, the end of its scale"),
            Self::Smooth(by) if by < 0.0 => format!("fell smoothly by {:.1}{unit}", -by),
            Self::Smooth(by) => format!("rose smoothly by {by:.1}{unit}"),
            Self::PhMoved(by, ph) => {
                let way = if ph < 0.0 { "fell" } else { "rose" };
                format!("pH {way} {:.2} while oxygen fell {by:.1} mg/L", libm::fabs(ph))
            }
            Self::PhStayed(by) => format!("pH stayed while oxygen fell {by:.1} mg/L"),
            Self::OtherAgrees(value) => format!("the pond's other probe agrees: {value:.1}{unit}"),
            Self::OtherDiffers(value) => format!("the pond's other probe reads {value:.1}{unit}"),
            Self::TemperatureJumped(by) => {
                format!("the probe's own temperature jumped {by:.1} C, the pond's did not")
            }
            Self::HandAgrees(hand, probe, ago) => format!(
                "a hand meter agreed {} ago: {hand:.1}{unit} beside {probe:.1} of the probe",
                length(ago)
            ),
            Self::HandDiffers(hand, probe, ago) => format!(
                "a hand meter read {hand:.1}{unit} where the probe read {probe:.1}, {} ago",
                length(ago)
            ),
            Self::OthersFell(1) => format!("{what} of another pond fell at the same time"),
            Self::OthersFell(ponds) => format!("{what} of {ponds} other ponds fell at the same time"),
            Self::AfterSilence(span) => format!("began after {} without a reading", length(span)),
            Self::AfterService(ago) => format!("the probe was serviced {} ago", length(ago)),
            Self::AeratorStopped(ago) => format!("an aerator stopped {} ago", length(ago)),
            Self::Rain(by) => format!("rain: the salt thinned by {by:.1} PSU within the hour"),
            Self::Night => String::from("it is night, when oxygen falls"),
            Self::Usual(value) => format!("as usual at this hour: {value:.1}{unit}"),
            Self::Unusual(value) => format!("unlike this hour of the last days: usual is {value:.1}{unit}"),
            Self::AeratorsHelp(span, bend) => {
                format!("answers the aerators started {} ago: {bend:+.1} mg/L per hour", length(span))
            }
            Self::AeratorsDoNothing(span) => {
                format!("does not answer the aerators started {} ago", length(span))
            }
            Self::Stepped => String::from("jumped between two readings some hours ago and stayed there"),
            Self::Restless => String::from("jumps about far more than it usually does"),
            Self::Attenuated => String::from("the day's swing has shrunk, as under a film"),
            Self::Unserviced => String::from("came back from a long failure without service"),
            Self::OutOfRange => String::from("reads beyond what this pond or probe can reach"),
            Self::Alone => String::from("does not go with what else is measured"),
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
