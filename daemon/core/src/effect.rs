//! Everything that leaves the core. No effect expects an answer within the step.

use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::Shelf;
use crate::call::Call;
use crate::diary::Entry;
use crate::input::GatewayPart;
use crate::quantity::Quantity;
use crate::said::Said;
use crate::service::Serviced;
use crate::site::{PondIndex, ProbeIndex};
use crate::time::{Span, Timestamp};

/// Something the shell must carry out, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// Keep and show this judged reading.
    Reading(Reading),
    /// Readings that were judged before got another flag by a later verdict.
    Amended(Amended),
    /// A derived value changed.
    Derived(Derived),
    /// The night's forecast was made anew.
    Forecast(Forecast),
    /// An alarm changed state.
    AlarmChanged(AlarmChange),
    /// The advice for a pond changed.
    Advice(Advice),
    /// The horn should sound, or be silent.
    Horn {
        /// When.
        at: Timestamp,
        /// `true` to sound.
        sound: bool,
    },
    /// The lamp should be lit, or dark.
    Lamp {
        /// When.
        at: Timestamp,
        /// `true` to light it.
        lit: bool,
    },
    /// Call somebody, and report what came of it.
    Call(Call),
    /// Forward this summary.
    Summary(Summary),
    /// A probe went out of service, came back, or its service is over.
    Service(ServiceChange),
    /// An entry was taken into the diary.
    Recorded(Recorded),
    /// A limit was changed, or is as configured again.
    LimitChanged(LimitChanged),
    /// An input was refused; nothing else changed because of it.
    Refused {
        /// When.
        at: Timestamp,
        /// What was attempted, on what, and what would have been accepted.
        reason: Said,
    },
}

/// A limit that a person changed.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitChanged {
    /// When.
    pub at: Timestamp,
    /// Of which pond.
    pub pond: PondIndex,
    /// Key of the limit in the pond's table `limits`.
    pub key: String,
    /// What held before.
    pub old: f64,
    /// What holds now.
    pub new: f64,
    /// What the configuration says.
    pub configured: f64,
}

/// QARTOD flags.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Flag {
    /// Passed every test that ran.
    Pass = 1,
    /// Not evaluated.
    NotEvaluated = 2,
    /// Suspect, or of high interest.
    Suspect = 3,
    /// Failed.
    Fail = 4,
    /// Missing.
    Missing = 9,
}

/// QARTOD tests, and two of our own for what a gateway sees first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub enum Test {
    /// Readings arrive in time.
    Gap,
    /// The value is a finite number of this quantity.
    Syntax,
    /// The value is one the probe can read and the pond can reach.
    GrossRange,
    /// Not the same reading twice, not older than one already seen, not from the future.
    /// (Not a QARTOD test of its own; the manuals fold it into syntax.)
    Order,
    /// The value is like those of this hour on the last days.
    Climatology,
    /// The value does not stand out from its two neighbours in time. Known once the next has come.
    Spike,
    /// The value does not change faster than water can.
    RateOfChange,
    /// The values move.
    FlatLine,
    /// The day swings as days do here, and is not pinned to the bottom of the scale.
    AttenuatedSignal,
    /// What is measured together moves together.
    MultiVariate,
    /// Another probe in the same pond agrees.
    Neighbour,
    /// The probe did not fail for a day and come back without service. (Not a QARTOD test.)
    Recovery,
    /// No step between two readings that stays. (Not a QARTOD test.)
    Step,
    /// The readings do not jump about far more than they usually do. (Not a QARTOD test.)
    Restless,
    /// The probe was not out of service, and its next service did not reject the reading. (Not a QARTOD
    /// test.)
    Service,
}

impl Test {
    /// What a flag of 3 or 4 of it says, for people.
    pub const fn complaint(self) -> &'static str {
        match self {
            Self::Gap => "nothing came for too long",
            Self::Syntax => "not a possible value",
            Self::GrossRange => "outside what the probe can read or the pond can reach",
            Self::Order => "out of order, repeated, or from a clock that is not set",
            Self::Climatology => "unlike this hour of the last days",
            Self::Spike => "a spike between its neighbours",
            Self::RateOfChange => "changed faster than usual",
            Self::FlatLine => "has not moved: stuck",
            Self::AttenuatedSignal => {
                "the day's swing has shrunk: fouled, or pinned to the bottom of the scale"
            }
            Self::MultiVariate => "does not go with what else is measured",
            Self::Neighbour => "another probe in the pond, or that of a like pond, differs",
            Self::Recovery => "came back after a failure without being serviced",
            Self::Step => "jumped between two readings and stayed there",
            Self::Restless => "jumps about far more than usual",
            Self::Service => "read while out of service, or rejected by the next service",
        }
    }
}

/// An entry of the diary, as it was taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded {
    /// Which pond.
    pub pond: PondIndex,
    /// When it was recorded.
    pub at: Timestamp,
    /// The entry, with its number and the pond as it was.
    pub entry: Entry,
    /// Who recorded it.
    pub by: String,
}

/// Something changed about a probe's service.
#[derive(Debug, Clone, PartialEq)]
pub struct ServiceChange {
    /// Which pond; `None` for a probe that belongs to no pond.
    pub pond: Option<PondIndex>,
    /// Which probe.
    pub probe: ProbeIndex,
    /// When.
    pub at: Timestamp,
    /// Who; `None` where it came back by itself.
    pub by: Option<String>,
    /// What.
    pub what: ServiceNews,
}

/// What changed about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ServiceNews {
    /// Out of service until then.
    Out(Timestamp),
    /// Back in service.
    Back,
    /// What the readings of one quantity since the last service are off by, and what was adopted.
    Done(Serviced),
}

/// A verdict on readings that were judged before: a spike is known after its neighbour, a stuck run
/// after its time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amended {
    /// Which pond; `None` for a probe that belongs to no pond.
    pub pond: Option<PondIndex>,
    /// Which probe.
    pub probe: ProbeIndex,
    /// Which channel of it.
    pub channel: u16,
    /// What was measured.
    pub quantity: Quantity,
    /// First reading it is about.
    pub from: Timestamp,
    /// Last reading it is about.
    pub to: Timestamp,
    /// Which test.
    pub test: Test,
    /// Its flag; the reading's own is the merge of all.
    pub flag: Flag,
}

/// A judged reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Which pond; `None` for a probe that belongs to no pond.
    pub pond: Option<PondIndex>,
    /// Which probe; `None` for a person's entry.
    pub probe: Option<ProbeIndex>,
    /// What was measured.
    pub quantity: Quantity,
    /// When it was measured, as well as that is known.
    pub at: Timestamp,
    /// As reported, before calibration. `None` where nothing arrived.
    pub raw: Option<f64>,
    /// Corrected. `None` where nothing usable arrived.
    pub value: Option<f64>,
    /// All tests merged.
    pub flag: Flag,
    /// Each test that ran.
    pub tests: Vec<(Test, Flag)>,
}

/// A derived value.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Derived {
    /// Which pond.
    pub pond: PondIndex,
    /// What.
    pub quantity: Quantity,
    /// For when.
    pub at: Timestamp,
    /// In the unit of the quantity.
    pub value: f64,
    /// The worst flag of what it was computed from.
    pub flag: Flag,
}

/// Where the night's oxygen is heading.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Forecast {
    /// Which pond.
    pub pond: PondIndex,
    /// When it was made.
    pub at: Timestamp,
    /// When the oxygen it starts from was read: earlier than `at` where a forecast was kept.
    pub oxygen_at: Timestamp,
    /// The oxygen then, mg/L.
    pub oxygen_mg_l: f64,
    /// Start of this night.
    pub sunset: Timestamp,
    /// End of this night.
    pub sunrise: Timestamp,
    /// Lowest oxygen expected of this night up to sunrise + 1 h, mg/L: lowest that lasts about an hour,
    /// and not above what has been seen since sunset already.
    pub do_min_mg_l: f64,
    /// When that is expected.
    pub do_min_at: Timestamp,
    /// Lower bound of the 80 % interval of the minimum, mg/L.
    pub low_80: f64,
    /// Upper bound of the 80 % interval of the minimum, mg/L.
    pub high_80: f64,
    /// One night in ten falls lower than this, mg/L: what plans are made for. Below `low_80` where the interval ends at
    /// the oxygen seen already.
    pub low_tenth_mg_l: f64,
    /// Oxygen expected at sunrise, mg/L.
    pub do_sunrise_mg_l: f64,
    /// Present net slope, mg/L per hour; negative while it falls.
    pub night_slope_mg_l_h: f64,
    /// The same if the aerators that run stopped now, mg/L per hour; `None` where none is known to run.
    pub slope_if_aerators_stop_mg_l_h: Option<f64>,
    /// For each limit, mg/L, in descending order: when it will be crossed and with what probability
    /// the minimum lies below it.
    pub below: Vec<Crossing>,
    /// What the forecast rests on, in plain words.
    pub basis: Said,
}

/// When and how probably a limit is crossed.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Crossing {
    /// mg/L.
    pub limit_mg_l: f64,
    /// Expected time of crossing; `None` if the expected course stays above. Now if already below.
    pub at: Option<Timestamp>,
    /// 0 to 1.
    pub probability: f64,
}

/// Alarm states of ISA-18.2 (IEC 62682).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum AlarmState {
    /// Normal.
    Normal,
    /// In alarm, unacknowledged.
    Unacknowledged,
    /// In alarm, acknowledged.
    Acknowledged,
    /// Returned to normal, unacknowledged.
    ReturnedUnacknowledged,
    /// Over, but latched, unacknowledged.
    LatchedUnacknowledged,
    /// Over, acknowledged, and latched until a person resets it.
    LatchedAcknowledged,
    /// A person put it aside for a while.
    Shelved,
    /// Suppressed by design: another alarm tells of its cause.
    Suppressed,
    /// Out of service: what it watches is being serviced.
    OutOfService,
}

/// How soon a person must act.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Priority {
    /// Act within 15 minutes.
    Critical = 1,
    /// Act within the hour.
    High = 2,
    /// Act the same day.
    Medium = 3,
}

/// One alarm changed state.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct AlarmChange {
    /// The pond, if it is about one.
    pub pond: Option<PondIndex>,
    /// When: the deadline that fired, or the input's time.
    pub at: Timestamp,
    /// What to type to acknowledge it; the same for each occurrence, such as `p1.do-low-critical`.
    pub id: String,
    /// What a person calls it.
    pub name: String,
    /// How urgent.
    pub priority: Priority,
    /// The state it is in now.
    pub state: AlarmState,
    /// The state it was in.
    pub previous_state: AlarmState,
    /// One line: where, what, how sure, what to do.
    pub message: String,
    /// Who acknowledged, shelved, took back or reset it, where that is what happened.
    pub by: Option<String>,
    /// Until when, by whom and why, where it is shelved now.
    pub shelf: Option<Shelf>,
    /// The alarm that tells of its cause, where it is suppressed now.
    pub root: Option<String>,
}

/// What the core recommends for a pond.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Advice {
    /// Which pond.
    pub pond: PondIndex,
    /// When the advice was given.
    pub at: Timestamp,
    /// What to do.
    pub action: AdviceAction,
    /// Groups to start, to keep on or, with [`AdviceAction::Rest`], that run without need, as indices in the pond's
    /// aerators.
    pub aerators: Vec<u16>,
    /// Start them at.
    pub start: Option<Timestamp>,
    /// Stop them at.
    pub stop: Option<Timestamp>,
    /// Energy of that, kWh.
    pub kwh: f64,
    /// Why, in one or two sentences with the numbers.
    pub reason: Said,
}

/// What the advice says to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum AdviceAction {
    /// Start the aerators now and look.
    StartNow,
    /// Start the aerators at the given time.
    StartAt,
    /// No aeration needed in the coming hours.
    Rest,
    /// Nothing more to start: what runs is needed and is to go on.
    KeepOn,
    /// Nothing can be said; the reason says why, and to look.
    Unknown,
}

/// One pond over one interval.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Summary {
    /// Which pond.
    pub pond: PondIndex,
    /// Number of this summary on this gateway; a consumer drops a repeat by it.
    pub sequence: u64,
    /// Start of the interval.
    pub from: Timestamp,
    /// End of the interval, exclusive.
    pub to: Timestamp,
    /// Statistics per quantity that had readings.
    pub quantities: Vec<QuantitySummary>,
    /// Alarms standing at the end, by priority: critical, high, medium.
    pub alarms_standing: [u16; 3],
}

/// One quantity over one interval.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct QuantitySummary {
    /// What.
    pub quantity: Quantity,
    /// Lowest usable value.
    pub minimum: f64,
    /// Mean of usable values.
    pub mean: f64,
    /// Highest usable value.
    pub maximum: f64,
    /// Last usable value.
    pub last: f64,
    /// Usable readings (flags 1 and 2).
    pub usable: u32,
    /// Readings flagged 3 or 4.
    pub doubtful: u32,
}

/// What the gateway knows of itself, for `status` and the console.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct PartFault {
    /// Which part.
    pub part: GatewayPart,
    /// Which one.
    pub which: String,
    /// In plain words.
    pub detail: String,
    /// Since when.
    pub since: Timestamp,
}

/// The newest judged value of one quantity in one pond, for `status` and the console.
#[derive(Debug, Clone, PartialEq)]
pub struct Latest {
    /// What.
    pub quantity: Quantity,
    /// Which probe speaks, where several of the pond's measure this.
    pub probe: Option<ProbeIndex>,
    /// Value, if usable or suspect.
    pub value: Option<f64>,
    /// Its flag.
    pub flag: Flag,
    /// When it was measured.
    pub at: Timestamp,
    /// Change per hour over the last half hour, if known.
    pub per_hour: Option<f64>,
    /// Mean interval of updates, if known.
    pub every: Option<Span>,
}
