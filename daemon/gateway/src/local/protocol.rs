//! What is said over the local socket: one JSON object a line, each way.
//!
//! A client sends [`Request`]s; the daemon answers each with one [`Reply`], in order, except after
//! [`Ask::Watch`], where a [`Reply::Status`] follows each second and at once on an alarm change.

use serde::{Deserialize, Serialize};

pub use super::alarms::{AlarmLoadStatus, AlarmStatus, FrequentAlarm, ShelfStatus};
pub use super::calls::{CalledStatus, HornTestStatus, NextCallStatus};
use super::diary::{DeedStatus, DiaryStatus, RecordAsk, RecordedStatus};
use super::dose::{DosePlanStatus, DoseRequest};
use super::night::NightStatus;
use super::service::{ProbeStatus, StepAsk};
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
        /// Pond id.
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
        /// Pond id.
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
    /// Why an alarm stands or does not, or what a pond's advice rests on.
    Why {
        /// An alarm's id, or a pond's.
        id: String,
    },
    /// Plan a dose for a pond as it is now.
    PlanDose(DoseRequest),
    /// What the alarms have asked of people over the last thirty days.
    AlarmLoad,
    /// Tonight's expected course of a pond, and its last nights.
    Night {
        /// Pond id.
        pond: String,
    },
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
    /// Done and durable; `warning` where something should be known all the same.
    Done {
        /// Such as "the store is full: kept in memory only".
        warning: Option<String>,
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
    },
    /// What people did, oldest first.
    Deeds {
        /// The deeds.
        deeds: Vec<DeedStatus>,
        /// Whether there were more than were asked for.
        is_cut: bool,
    },
    /// The explanation.
    Why(Box<WhyStatus>),
    /// The planned dose.
    DosePlan(Box<DosePlanStatus>),
    /// The measures.
    AlarmLoad(Box<AlarmLoadStatus>),
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
    },
    /// Roll-ups, oldest first.
    RollUps {
        /// Those that had readings.
        roll_ups: Vec<RollUp>,
    },
    /// Records of the audit trail, oldest first; none where there are no more.
    AuditTrail {
        /// The records.
        records: Vec<AuditRecord>,
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

/// The farm at one moment. Times are RFC 3339 in UTC; `time_zone_offset_s` says how to show them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FarmStatus {
    /// Farm time now.
    pub at: String,
    /// Offset of the farm's local time from UTC, seconds.
    pub time_zone_offset_s: i32,
    /// The farm's name.
    pub farm: String,
    /// Gateway id.
    pub gateway: String,
    /// Program version.
    pub version: String,
    /// Since when more alarms come than anybody can read, while that lasts; RFC 3339, UTC.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flood_since: Option<String>,
    /// Whether the horn is sounding.
    pub horn: bool,
    /// Whether the lamp is lit.
    #[serde(default)]
    pub lamp: bool,
    /// The newest test of the horn.
    #[serde(default)]
    pub horn_test: Option<HornTestStatus>,
    /// Ponds.
    pub ponds: Vec<PondStatus>,
    /// Alarms not in the normal state, most urgent first; last those that are shelved, suppressed by design
    /// or out of service.
    pub alarms: Vec<AlarmStatus>,
    /// Faults of the gateway itself.
    pub faults: Vec<FaultStatus>,
    /// Probes that are out of service, due for it, or were serviced or checked by hand.
    #[serde(default)]
    pub probes: Vec<ProbeStatus>,
    /// Lots of mineral slurry in the configuration.
    #[serde(default)]
    pub lots: Vec<String>,
    /// Summaries and alarms waiting to be forwarded.
    pub waiting_to_forward: u64,
}

/// One pond.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PondStatus {
    /// Id.
    pub id: String,
    /// Name.
    pub name: String,
    /// Measured and entered values.
    pub readings: Vec<ReadingStatus>,
    /// Derived values.
    pub derived: Vec<ReadingStatus>,
    /// Tonight's forecast.
    pub forecast: Option<ForecastStatus>,
    /// How good the last nights' forecasts, made two hours after sunset, were.
    #[serde(default)]
    pub forecast_score: Option<ForecastScoreStatus>,
    /// Why there is none.
    pub no_forecast: Option<String>,
    /// Sensor or water in one line, where oxygen is in doubt, low, falling or missing.
    #[serde(default)]
    pub probe_or_water: Option<String>,
    /// Present advice.
    pub advice: Option<AdviceStatus>,
    /// Aeration of the last nights, newest last.
    #[serde(default)]
    pub aeration_nights: Vec<AerationNightStatus>,
    /// What the pond made and used up in the farm day that ended last.
    #[serde(default)]
    pub metabolism: Option<MetabolismStatus>,
    /// Sunset of the night that is on or comes next.
    pub sunset: Option<String>,
    /// Sunrise after it.
    pub sunrise: Option<String>,
    /// What people did to it, in short.
    #[serde(default)]
    pub diary: Option<DiaryStatus>,
    /// Aerator groups.
    pub aerators: Vec<AeratorStatus>,
    /// Oxygen limits: warn, critical, emergency, mg/L.
    pub do_low_mg_l: [f64; 3],
}

/// What a pond made and used up from sunset to sunset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MetabolismStatus {
    /// The sunset it ended with.
    pub ended: String,
    /// The balance, where it is known.
    pub balance: Option<BalanceStatus>,
    /// Why it is not known, where it is not.
    pub unknown: Option<String>,
    /// Change of the production in a week, mg/L in a day, where enough days are known.
    pub production_per_week_mg_l: Option<f64>,
    /// The same of the respiration.
    pub respiration_per_week_mg_l: Option<f64>,
    /// Known days behind the two.
    pub trend_days: usize,
}

/// The oxygen balance of one day, mg/L, which is g O2/m3.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BalanceStatus {
    /// Gross production.
    pub production_mg_l: f64,
    /// Respiration.
    pub respiration_mg_l: f64,
    /// Production less respiration.
    pub net_mg_l: f64,
    /// Through the surface; negative where the pond gave oxygen off.
    pub air_mg_l: f64,
    /// Through aerators.
    pub aerators_mg_l: f64,
}

/// The newest value of one quantity.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadingStatus {
    /// Quantity id.
    pub quantity: String,
    /// Unit as a person reads it.
    pub unit: String,
    /// Decimals worth showing.
    pub decimals: usize,
    /// The value, if there is one.
    pub value: Option<f64>,
    /// QARTOD flag.
    pub flag: u8,
    /// When it was measured.
    pub at: String,
    /// Its age, seconds.
    pub age_s: i64,
    /// Change per hour over the last half hour.
    pub per_hour: Option<f64>,
}

/// The night's forecast.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ForecastStatus {
    /// When it was made.
    pub at: String,
    /// Lowest oxygen expected, mg/L.
    pub do_min_mg_l: f64,
    /// When.
    pub do_min_at: String,
    /// 80 % interval, mg/L.
    pub low_80: f64,
    /// 80 % interval, mg/L.
    pub high_80: f64,
    /// At sunrise, mg/L.
    pub do_sunrise_mg_l: f64,
    /// Present slope, mg/L per hour.
    pub night_slope_mg_l_h: f64,
    /// The same if the aerators that run stopped now; absent where none is known to run.
    #[serde(default)]
    pub slope_if_aerators_stop_mg_l_h: Option<f64>,
    /// Limits: mg/L, time of crossing, probability.
    pub below: Vec<(f64, Option<String>, f64)>,
    /// What it rests on.
    pub basis: String,
}

/// The last nights' forecasts beside what came.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ForecastScoreStatus {
    /// Nights, 14 at most.
    pub nights: usize,
    /// Mean absolute error, mg/L.
    pub mean_error_mg_l: f64,
    /// Mean of forecast less what came, mg/L.
    pub bias_mg_l: f64,
    /// Nights inside the 80 % interval.
    pub inside_80: usize,
}

/// Advice.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AdviceStatus {
    /// When it was given. It is given anew only when what is to be done changes, so the numbers in the
    /// reason are those of this time.
    pub at: String,
    /// `start-now`, `start-at`, `rest` or `unknown`.
    pub action: String,
    /// Ids of aerator groups.
    pub aerators: Vec<String>,
    /// Start.
    pub start: Option<String>,
    /// Stop.
    pub stop: Option<String>,
    /// Energy, kWh.
    pub kwh: f64,
    /// Why.
    pub reason: String,
}

/// One night's aeration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AerationNightStatus {
    /// Its sunset.
    pub sunset: String,
    /// Energy of what ran, kWh.
    pub kwh: f64,
    /// Energy of every group from sunset to sunrise, kWh.
    pub habit_kwh: f64,
    /// Times at which starting something was advised.
    pub asked: u32,
    /// How many of them the motors followed within half an hour.
    pub followed: u32,
}

/// An aerator group.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AeratorStatus {
    /// Id.
    pub id: String,
    /// Running, stopped or not known.
    pub on: Option<bool>,
    /// Power, kW.
    pub power_kw: f64,
}

/// A fault of the gateway itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FaultStatus {
    /// Part and which.
    pub part: String,
    /// In plain words.
    pub detail: String,
    /// Since when.
    pub since: String,
}
