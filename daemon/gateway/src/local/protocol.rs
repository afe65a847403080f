//! What is said over the local socket: one JSON object a line, each way.
//!
//! A client sends [`Request`]s; the daemon answers each with one [`Reply`], in order, except after
//! [`Ask::Watch`], where a [`Reply::Status`] follows each second and at once on an alarm change.

use pondreeve_core::said::Said;
use serde::{Deserialize, Serialize};

pub use super::alarms::{AlarmLoadStatus, AlarmStatus, FrequentAlarm, ShelfStatus};
pub use super::calls::{CalledStatus, HornTestStatus, NextCallStatus};
use super::devices::DeviceStatus;
use super::diary::{DeedStatus, RecordAsk, RecordedStatus};
use super::dose::{DosePlanStatus, DoseRequest};
use super::evidence::EvidenceStatus;
pub use super::facts::{FactsStatus, GroupEnergy, LimitInForce, PondFacts};
pub use super::farm::{
    AdviceStatus, AerationNightStatus, AeratorStatus, BalanceStatus, FarmStatus, FaultStatus,
    ForecastScoreStatus, ForecastStatus, MetabolismStatus, PondStatus, ReadingStatus,
};
use super::limits::LimitStatus;
pub use super::line::{LentKind, LentLine, LentProbe};
use super::mass_balance::{FeedAsk, FeedLoadStatus};
use super::night::NightStatus;
use super::said::SaidStatus;
use super::service::StepAsk;
use super::trial::{TrialAsk, TrialStatus};
use super::why::WhyStatus;
use crate::audit::Place;

/// One request.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Request {
    /// What is asked.
    pub ask: Ask,
    /// Where it is asked from, for the audit trail: `console`, or else `command`.
    #[serde(default = "plainly", skip_serializing_if = "is_plain")]
    pub place: Place,
}

fn plainly() -> Place {
    Place::Command
}

fn is_plain(place: &Place) -> bool {
    *place == Place::Command
}

/// What can be asked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Ask {
    /// The farm now.
    Status,
    /// The farm now and whenever it changes.
    Watch,
    /// Every probe as its line sees it.
    Devices,
    /// Sound the horn, or light the lamp, for a moment.
    TestOutput {
        /// `horn` or `lamp`.
        which: String,
    },
    /// Acknowledge an alarm.
    Acknowledge {
        /// Its id.
        id: String,
    },
    /// Put an alarm aside for a while.
    Shelve {
        /// Its id.
        id: String,
        /// For so long, seconds of farm time.
        seconds: u64,
        /// Why.
        reason: String,
    },
    /// Take a shelved alarm back before its time.
    Unshelve {
        /// Its id.
        id: String,
    },
    /// Say that what a latched alarm told of has been checked.
    Reset {
        /// Its id.
        id: String,
    },
    /// A test-kit or hand reading.
    Enter {
        /// Pond id.
        pond: String,
        /// Quantity ids and values.
        values: Vec<(String, f64)>,
        /// RFC 3339 time at which the water was sampled; now if absent.
        at: Option<String>,
    },
    /// What somebody did to a pond.
    Record(Box<RecordAsk>),
    /// What people did in a stretch of time: entries of the diary, readings by hand, acknowledgements,
    /// services.
    Deeds {
        /// Pond id; of all ponds and the farm if absent.
        pond: Option<String>,
        /// RFC 3339 time of the first.
        from: String,
        /// RFC 3339 time before which the last happened.
        to: String,
        /// At most so many, the newest.
        most: usize,
    },
    /// Everything kept of one quantity of a pond in a stretch of time, with flags.
    Readings {
        /// Pond id; empty for what is of the whole farm.
        pond: String,
        /// Quantity id.
        quantity: String,
        /// RFC 3339 time of the first.
        from: String,
        /// RFC 3339 time before which the last was measured.
        to: String,
    },
    /// Roll-ups of one quantity of a pond in a stretch of time.
    RollUps {
        /// Pond id; empty for what is of the whole farm.
        pond: String,
        /// Quantity id.
        quantity: String,
        /// RFC 3339 time of the first.
        from: String,
        /// RFC 3339 time before which the last begins.
        to: String,
        /// `quarter`, `hour` or `day`.
        every: String,
    },
    /// A step of a probe's service.
    Service {
        /// Probe id.
        probe: String,
        /// What was done.
        act: StepAsk,
    },
    /// The limits of a pond's alarms that can be changed.
    Limits {
        /// Pond id.
        pond: String,
    },
    /// Change a limit, or take such a change back.
    ChangeLimit {
        /// Pond id.
        pond: String,
        /// Key of the limit.
        key: String,
        /// The new value; as configured if absent.
        value: Option<f64>,
        /// Why.
        reason: String,
    },
    /// Why an alarm stands or does not, or what a pond's advice rests on.
    Why {
        /// An alarm's id, or a pond's.
        id: String,
    },
    /// Plan a dose for a pond as it is now.
    PlanDose(DoseRequest),
    /// What a day's feed brings into a pond's water.
    FeedLoad(FeedAsk),
    /// Fix what a trial will compare, before its first dose.
    FixTrial(Box<TrialAsk>),
    /// Every trial, those whose place another took too.
    Trials,
    /// What a trial came to.
    Evidence {
        /// Its number.
        trial: u64,
    },
    /// What the alarms have asked of people over the last thirty days.
    AlarmLoad,
    /// The farm as configured, for a report.
    Facts,
    /// Energy of a pond's aerators in a stretch of time.
    Energy {
        /// Pond id.
        pond: String,
        /// RFC 3339 time from which on.
        from: String,
        /// RFC 3339 time up to which, a day later at most.
        to: String,
    },
    /// Tonight's expected course of a pond, and its last nights.
    Night {
        /// Pond id.
        pond: String,
    },
    /// Lend the line of a serial device or server to who asks, until it is returned, recalled, or this connection ends.
    BorrowLine {
        /// Absolute path of the device, or `host:port` of the serial server.
        device: String,
        /// For so long, seconds; the answer says for how long it is lent.
        seconds: u64,
    },
    /// Give the borrowed line back.
    ReturnLine,
    /// Copy the store into a folder of the gateway while it goes on.
    Backup {
        /// Absolute path of the folder.
        folder: String,
    },
    /// Records of the audit trail, some hundreds.
    AuditTrail {
        /// Number of the first.
        from: u64,
    },
    /// Stored values of one quantity, thinned to at most `points`.
    History {
        /// Pond id.
        pond: String,
        /// Quantity id.
        quantity: String,
        /// How far back, seconds of farm time.
        seconds: u64,
        /// At most so many points.
        points: usize,
    },
}

/// One answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "is", rename_all = "kebab-case")]
pub enum Reply {
    /// The farm.
    Status(Box<FarmStatus>),
    /// The probes, in the order of the configuration.
    Devices {
        /// The probes.
        devices: Vec<DeviceStatus>,
    },
    /// What came of a test.
    Tested {
        /// Why it failed or was left out; nothing where it worked.
        why: Option<String>,
    },
    /// Done and durable; `warning` where something should be known all the same.
    Done {
        /// Such as "the store is full: kept in memory only".
        warning: Option<String>,
        /// What the warning is made of, for other languages.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        warning_said: Option<Box<SaidStatus>>,
        /// What was entered, held against the pond's probes; empty where there is nothing to compare.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        checks: Vec<CheckStatus>,
    },
    /// Recorded and durable.
    Recorded(Box<RecordedStatus>),
    /// Nothing is done yet: amounts contradict each other. Asked again with a confirmation, it is.
    Unsure {
        /// What contradicts what.
        message: String,
        /// What that is made of, for other languages.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        said: Option<Box<SaidStatus>>,
    },
    /// What people did, oldest first.
    Deeds {
        /// The deeds.
        deeds: Vec<DeedStatus>,
        /// Whether there were more than were asked for.
        is_cut: bool,
    },
    /// The limits.
    Limits {
        /// In the order of the configuration.
        limits: Vec<LimitStatus>,
    },
    /// The explanation.
    Why(Box<WhyStatus>),
    /// The planned dose.
    DosePlan(Box<DosePlanStatus>),
    /// What the feed comes to.
    FeedLoad(Box<FeedLoadStatus>),
    /// Every trial, oldest first.
    Trials {
        /// The trials.
        trials: Vec<TrialStatus>,
    },
    /// What a trial came to.
    Evidence(Box<EvidenceStatus>),
    /// The measures.
    AlarmLoad(Box<AlarmLoadStatus>),
    /// The farm as configured.
    Facts(Box<FactsStatus>),
    /// Energy of each aerator group.
    Energy {
        /// In the order of the configuration.
        groups: Vec<GroupEnergy>,
    },
    /// The pond's nights.
    Night(Box<NightStatus>),
    /// Stored values, oldest first: RFC 3339 time, value, flag.
    History {
        /// The points.
        points: Vec<HistoryPoint>,
    },
    /// What is kept, oldest first.
    Readings {
        /// The readings.
        readings: Vec<KeptReading>,
        /// Where there are none: RFC 3339 time before which there are none either.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        none_before: Option<String>,
    },
    /// Roll-ups, oldest first.
    RollUps {
        /// Those that had readings.
        roll_ups: Vec<RollUp>,
        /// Where there are none: RFC 3339 time before which there are none either.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        none_before: Option<String>,
    },
    /// Records of the audit trail, oldest first; none where there are no more.
    AuditTrail {
        /// The records.
        records: Vec<AuditRecord>,
    },
    /// The line is lent, and its port closed.
    LineLent(Box<LentLine>),
    /// The daemon has no such line: whoever wants it may take it.
    NotOurLine,
    /// The lent line is wanted back at once. Comes unasked.
    LineRecalled {
        /// Why.
        why: String,
    },
    /// The backup is whole and on disk.
    BackedUp {
        /// Pieces written.
        pieces: u64,
    },
    /// Not done.
    Error {
        /// What was attempted, on what, and what would have been accepted.
        message: String,
        /// What that is made of, for other languages.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        said: Option<Box<SaidStatus>>,
        /// Whether the request was at fault (exit 2) rather than the doing (exit 1).
        bad_request: bool,
    },
}

/// A record of the audit trail, as [`crate::audit::row`] describes it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AuditRecord {
    /// Its place.
    pub record: u64,
    /// What the hash covers.
    pub text: String,
    /// SHA-256, hexadecimal.
    pub hash: String,
}

/// A hand reading beside what a probe reads: a check of the probe, never a calibration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CheckStatus {
    /// Quantity id.
    pub quantity: String,
    /// Probe id.
    pub probe: String,
    /// As entered.
    pub hand: f64,
    /// The probe's corrected reading nearest in time to the sample; absent if none was within a quarter hour.
    pub probe_value: Option<f64>,
    /// When it was measured, RFC 3339, UTC.
    pub probe_at: Option<String>,
    /// Its QARTOD flag.
    pub flag: Option<u8>,
    /// Hand less probe.
    pub difference: Option<f64>,
    /// A larger difference is a reason to look at the probe.
    pub limit: f64,
    /// Whether it is larger.
    pub check_probe: bool,
}

/// One stored value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HistoryPoint {
    /// RFC 3339, UTC.
    pub at: String,
    /// Corrected value.
    pub value: f64,
    /// QARTOD flag.
    pub flag: u8,
}

/// One reading as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptReading {
    /// RFC 3339, UTC.
    pub at: String,
    /// Probe id; empty for a person's entry and for a derived value.
    pub probe: String,
    /// As reported, where it was a number.
    pub raw: Option<f64>,
    /// Calibrated.
    pub value: Option<f64>,
    /// The value with what its next service found spread back over it, where that service is over and did
    /// not reject it.
    #[serde(default)]
    pub corrected: Option<f64>,
    /// QARTOD flag; absent where it was never judged.
    pub flag: Option<u8>,
}

/// One quantity over a quarter of an hour, an hour or a day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RollUp {
    /// RFC 3339, UTC: start of it.
    pub from: String,
    /// Lowest usable value.
    pub minimum: Option<f64>,
    /// Mean of usable values.
    pub mean: Option<f64>,
    /// Highest usable value.
    pub maximum: Option<f64>,
    /// Usable readings.
    pub usable: u32,
    /// Suspect readings.
    pub suspect: u32,
    /// Failed readings.
    pub failed: u32,
    /// Readings that did not come.
    pub missing: u32,
}

impl Reply {
    /// Not done.
    pub fn refusal(why: &Said, bad_request: bool) -> Self {
        Self::Error { message: why.english().to_owned(), said: SaidStatus::of(why), bad_request }
    }

    /// Done, with what should be known all the same.
    pub fn done(warning: Option<&Said>) -> Self {
        Self::Done {
            warning: warning.map(|told| told.english().to_owned()),
            warning_said: warning.and_then(SaidStatus::of),
            checks: Vec::new(),
        }
    }
}
