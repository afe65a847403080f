//! The farm and its ponds as they are said over the socket.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::alarms::AlarmStatus;
use super::calls::HornTestStatus;
use super::diary::DiaryStatus;
use super::limits::ChangedLimitStatus;
use super::machine::MachineStatus;
use super::said::SaidStatus;
use super::service::ProbeStatus;

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
    /// Limits that somebody changed and that hold over the configuration, oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changed_limits: Vec<ChangedLimitStatus>,
    /// Summaries and alarms waiting to be forwarded.
    pub waiting_to_forward: u64,
    /// What the gateway computer says of itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<MachineStatus>,
    /// Language of the console as configured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub language: Option<String>,
    /// Folder of the farm's own texts as configured, on this machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub texts: Option<PathBuf>,
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
    /// What that is made of, for other languages.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub no_forecast_said: Option<Box<SaidStatus>>,
    /// Sensor or water in one line, where oxygen is in doubt, low, falling or missing.
    #[serde(default)]
    pub probe_or_water: Option<String>,
    /// What that is made of, for other languages.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub probe_or_water_said: Option<Box<SaidStatus>>,
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
    /// What that is made of, for other languages.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unknown_said: Option<Box<SaidStatus>>,
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
    /// Which probe speaks for the pond, where several measure this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub probe: Option<String>,
}

impl PondStatus {
    /// Whether all that is advised to start ran tonight and has stopped: a trip to look at before anything else.
    pub fn advises_what_stopped(&self, advice: &AdviceStatus) -> bool {
        let stopped = |id: &String| self.aerators.iter().any(|group| group.id == *id && group.stopped);
        !advice.aerators.is_empty() && advice.aerators.iter().all(stopped)
    }
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
    /// What that is made of, for other languages.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub basis_said: Option<Box<SaidStatus>>,
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
    /// What the reason is made of, for other languages.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said: Option<Box<SaidStatus>>,
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
    /// It ran tonight and has stopped, without advice to rest.
    #[serde(default)]
    pub stopped: bool,
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
