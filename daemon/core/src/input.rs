//! Everything that can happen, in one closed list.

use alloc::string::String;
use alloc::vec::Vec;

use crate::call::{Carried, Outcome};
use crate::diary::Entry;
use crate::evidence::Trial;
use crate::quantity::Quantity;
use crate::service::Step;
use crate::site::{PondIndex, ProbeIndex, Site};
use crate::time::{Span, Timestamp};

/// One thing that happened, in the order in which the shell journalled it.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    /// Position in the journal; strictly increasing.
    pub seq: u64,
    /// When it reached the gateway. The shell never lets this run backwards; if it did, the input would
    /// count as having come at the newest time seen.
    pub at: Timestamp,
    /// What happened.
    pub event: Event,
}

/// What happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// The daemon started with this farm. Also opens each journal segment, so that the readings of a
    /// segment can be understood without the configuration of that day.
    Started {
        /// The farm.
        site: Site,
    },
    /// The daemon stopped in an orderly way.
    Stopped,
    /// The configuration changed while running.
    SiteChanged {
        /// The farm as it is now.
        site: Site,
    },
    /// Samples that arrived together: one poll of a probe, or one message.
    Sweep {
        /// As decoded; values may be anything a float can be.
        samples: Vec<Sample>,
    },
    /// A probe did not answer, or answered nonsense.
    ProbeFault {
        /// Which probe.
        probe: ProbeIndex,
        /// What went wrong.
        fault: ProbeFault,
    },
    /// A person entered a value: a test kit, a hand meter.
    ManualSample {
        /// Which pond.
        pond: PondIndex,
        /// What was measured.
        quantity: Quantity,
        /// In the unit of the quantity.
        value: f64,
        /// When the water was sampled, if not now.
        taken_at: Option<Timestamp>,
        /// Who entered it.
        by: String,
    },
    /// A probe says which salinity it is set to.
    ProbeSetting {
        /// Which probe.
        probe: ProbeIndex,
        /// PSU.
        salinity_psu: f64,
    },
    /// A person services a probe: takes it out of service, cleans it, reads it in standards.
    Service {
        /// Which probe.
        probe: ProbeIndex,
        /// What was done.
        step: Step,
        /// Who.
        by: String,
    },
    /// A person did something to a pond, or corrects what was recorded.
    Diary {
        /// Which pond.
        pond: PondIndex,
        /// What was done, and when.
        entry: Entry,
        /// Who recorded it.
        by: String,
    },
    /// A person fixes what a trial will compare.
    Trial {
        /// What, in which ponds, from when to when.
        trial: Trial,
        /// Who fixed it.
        by: String,
    },
    /// A person changes a limit of a pond's alarms, or takes such a change back.
    LimitChange {
        /// Which pond.
        pond: PondIndex,
        /// Key of the limit in the pond's table `limits`, such as `do_low_mg_l.warn`.
        key: String,
        /// What holds from now on; `None` for what the configuration says.
        value: Option<f64>,
        /// Why.
        reason: String,
        /// Who.
        by: String,
    },
    /// A person acknowledged an alarm.
    Acknowledge {
        /// The alarm's id, as printed.
        alarm: String,
        /// Who: the name or number of the local user.
        by: String,
    },
    /// A person puts an alarm aside for a while.
    Shelve {
        /// The alarm's id, as printed.
        alarm: String,
        /// For so long.
        length: Span,
        /// Why.
        reason: String,
        /// Who.
        by: String,
    },
    /// A person takes a shelved alarm back before its time.
    Unshelve {
        /// The alarm's id, as printed.
        alarm: String,
        /// Who.
        by: String,
    },
    /// A person has checked what a latched alarm told of.
    Reset {
        /// The alarm's id, as printed.
        alarm: String,
        /// Who.
        by: String,
    },
    /// The gateway itself has, or no longer has, a fault that people must know of.
    GatewayFault {
        /// Which part.
        part: GatewayPart,
        /// Which one of them: a bus, a broker, a path; empty where there is only one.
        which: String,
        /// The fault in plain words; `None` when it is over.
        detail: Option<String>,
    },
    /// It was said of a device that carries several probes whether it is there: by its last will, as a rule.
    NodeSaid {
        /// Its id.
        node: String,
        /// Whether it is.
        is_there: bool,
    },
    /// The shell has carried out, or could not, what is worth remembering: a call, the horn's test.
    Carried {
        /// What.
        what: Carried,
        /// What came of it.
        outcome: Outcome,
    },
    /// The wall clock was set. If it went forward, `Input::at` is of before, and all that comes bears times of after: what
    /// lies between did not pass. If it went back, the shell holds `at` back until the wall clock has caught up.
    ClockStepped {
        /// The wall clock before.
        from: Timestamp,
        /// The wall clock after.
        to: Timestamp,
    },
    /// Nothing but the passing of time. Never needed for correctness.
    Tick,
}

/// One value from one probe, not yet judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Which probe.
    pub probe: ProbeIndex,
    /// What it says it measured.
    pub quantity: Quantity,
    /// Position in [`crate::site::Probe::channels`], where the sender knows it. `None`: the first,
    /// second, third sample of a quantity within one sweep belongs to the first, second, third
    /// channel of that quantity. Matters only where one probe reports a quantity more than once, as
    /// a current meter does for several aerator groups.
    pub channel: Option<u16>,
    /// In the unit of the quantity, before calibration.
    pub value: f64,
    /// When the probe says it measured, if it has a clock of its own.
    pub taken_at: Option<Timestamp>,
}

/// Ways in which a probe fails to report.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum ProbeFault {
    /// No answer within the time-out, after all retries.
    Silent,
    /// Bytes came, but no valid frame: wrong checksum, cut short, from another address.
    Garbled,
    /// The probe answered with a Modbus exception code.
    Exception(u8),
    /// The answer was well formed but could not be read as the configured quantities.
    Undecodable(String),
    /// The bus or broker it hangs on is not there.
    Unreachable,
    /// Its line is lent to somebody who looks for probes on it: nothing is wrong with the probe.
    Lent,
}

/// Parts of the gateway that can fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum GatewayPart {
    /// The readings store: full, read-only, damaged.
    Store,
    /// A serial bus: missing, unplugged.
    Bus,
    /// A broker readings come from.
    Broker,
    /// A destination summaries go to.
    Forward,
    /// The clock: not set, stepped.
    Clock,
    /// An input made the program fail and was set aside.
    Quarantine,
    /// The horn, or the lamp beside it: nobody would hear or see an alarm.
    Horn,
    /// The calling of people.
    Call,
    /// The machine itself: heat, supply, room, wear of its disk, nobody who sets its clock.
    Machine,
}
