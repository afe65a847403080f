//! The words in which tests, states and actions appear on every interface of the program: replayed
//! lines, the local socket, MQTT. Scripts rely on them, so they stand in one place.

use crate::diary::Kind;
use crate::effect::{AdviceAction, AlarmState, Flag, Priority, Test};
use crate::input::GatewayPart;
use crate::verdict::{Kind as ClueKind, Leaning};

/// Lists of all there is of a kind, so that catalogues and tests can go through them. A variant that does not stand
/// in its list does not compile.
macro_rules! every {
    ($($kind:ty: $($variant:ident),+;)+) => {
        $(
            impl $kind {
                /// Every one there is.
                pub const ALL: &'static [Self] = &[$(Self::$variant),+];
            }

            const _: fn($kind) = |own| match own { $(<$kind>::$variant => {})+ };
        )+
    };
}

every! {
    Test: Gap, Syntax, GrossRange, Order, Climatology, Spike, RateOfChange, FlatLine, AttenuatedSignal, MultiVariate,
        Neighbour, Recovery, Step, Restless, Service;
    AlarmState: Normal, Unacknowledged, Acknowledged, ReturnedUnacknowledged, LatchedUnacknowledged,
        LatchedAcknowledged, Shelved, Suppressed, OutOfService;
    AdviceAction: StartNow, StartAt, Rest, KeepOn, Unknown;
    GatewayPart: Store, Bus, Broker, Forward, Clock, Quarantine, Horn, Call, Machine;
    Kind: Dose, Feed, Drain, Exchange, Sampling, Stocking, Mortality, Harvest, Sludge, Count, Weather, Cost, Price, Note,
        Disturbance, Withdrawal;
    Leaning: Water, Unsure, Probe;
    ClueKind: Shape, Companions, Timing, Response, Tests;
}

impl Test {
    /// The test's name, in QARTOD's words where the test is QARTOD's.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Gap => "gap",
            Self::Syntax => "syntax",
            Self::GrossRange => "gross_range",
            Self::Order => "order",
            Self::Climatology => "climatology",
            Self::Spike => "spike",
            Self::RateOfChange => "rate_of_change",
            Self::FlatLine => "flat_line",
            Self::AttenuatedSignal => "attenuated_signal",
            Self::MultiVariate => "multi_variate",
            Self::Neighbour => "neighbour",
            Self::Recovery => "recovery",
            Self::Step => "step",
            Self::Restless => "restless",
            Self::Service => "service",
        }
    }
}

impl Flag {
    /// QARTOD's number for the flag.
    pub const fn code(self) -> u8 {
        self as u8
    }
}

impl Priority {
    /// 1 critical, 2 high, 3 medium.
    pub const fn number(self) -> u8 {
        self as u8
    }
}

impl AlarmState {
    /// The state in the words of ISA-18.2, shortened.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned-unacknowledged",
            Self::LatchedUnacknowledged => "latched-unacknowledged",
            Self::LatchedAcknowledged => "latched-acknowledged",
            Self::Shelved => "shelved",
            Self::Suppressed => "suppressed-by-design",
            Self::OutOfService => "out-of-service",
        }
    }
}

impl AdviceAction {
    /// What to do, as one word for scripts.
    pub const fn id(self) -> &'static str {
        match self {
            Self::StartNow => "start-now",
            Self::StartAt => "start-at",
            Self::Rest => "rest",
            Self::KeepOn => "keep-on",
            Self::Unknown => "unknown",
        }
    }
}

impl GatewayPart {
    /// The part, as one word.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Store => "store",
            Self::Bus => "bus",
            Self::Broker => "broker",
            Self::Forward => "forward",
            Self::Clock => "clock",
            Self::Quarantine => "program",
            Self::Horn => "horn",
            Self::Call => "call",
            Self::Machine => "machine",
        }
    }
}
