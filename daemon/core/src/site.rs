//! The farm as the core sees it: ponds, probes, aerators and limits, already validated.
//!
//! The shell resolves configuration into these types once; the core never sees an unchecked one.
//! Ponds and probes are named by index within one [`Site`]; a new `Site` arrives as
//! [`crate::Event::SiteChanged`] and carries the ids that tie old to new.

use alloc::string::String;
use alloc::vec::Vec;

use crate::call::CallPlan;
use crate::compensation::Compensation;
use crate::quantity::Quantity;
use crate::time::{Span, Timestamp};
use crate::water_limits::WaterLimits;

/// Position of a pond in [`Site::ponds`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct PondIndex(pub u16);

/// Position of a probe in [`Site::probes`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ProbeIndex(pub u16);

/// One farm behind one gateway.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Site {
    /// Short id of the gateway, as in MQTT topics.
    pub gateway: String,
    /// Degrees north, −90 to 90.
    pub latitude_deg: f64,
    /// Degrees east, −180 to 180.
    pub longitude_deg: f64,
    /// Air pressure assumed while no probe reports it, hPa.
    pub pressure_hpa: f64,
    /// Ponds in the order of the configuration.
    pub ponds: Vec<Pond>,
    /// Probes in the order of the configuration.
    pub probes: Vec<Probe>,
    /// How often each pond is summarised for other systems.
    pub summary_every: Span,
    /// What electricity costs, where it is known.
    pub energy_price: Option<EnergyPrice>,
    /// Who is called while an alarm waits for somebody.
    pub calls: CallPlan,
}

/// What electricity costs.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct EnergyPrice {
    /// Per kWh, in the currency.
    pub per_kwh: f64,
    /// As printed behind amounts.
    pub currency: String,
}

/// One pond.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Pond {
    /// Short id, as in commands and topics: lower case letters, digits, `-` and `_`.
    pub id: String,
    /// Name shown to people.
    pub name: String,
    /// Water surface, m2.
    pub area_m2: f64,
    /// Mean depth, m, while no gauge reports it.
    pub depth_m: f64,
    /// Salinity assumed while no probe or test reports it, PSU.
    pub salinity_psu: f64,
    /// Aerator groups, each switched as one.
    pub aerators: Vec<AeratorGroup>,
    /// Limits for alarms.
    pub limits: Limits,
    /// Chance, 0 to 1, of oxygen falling below its forecast limit that the aeration plan accepts.
    pub aeration_risk: f64,
    /// A pond alike in build, stocking and water, whose probes speak as neighbours where this one has no
    /// second probe.
    pub like: Option<PondIndex>,
    /// How often mineral slurry is given, where the pond has such a programme.
    pub dose_every: Option<Span>,
}

/// Aerators that are switched together.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct AeratorGroup {
    /// Short id within the pond, such as `a`.
    pub id: String,
    /// Electrical power of the whole group, kW.
    pub power_kw: f64,
    /// Standard aeration efficiency, kg O2 per kWh at 20 °C, no oxygen, clean water.
    pub sae_kg_kwh: f64,
    /// It runs through every night whatever a plan says: for mixing, or as the farm's rule.
    pub must_run: bool,
    /// The panel's own clock that switches it each day, where it has one.
    pub timer: Option<Timer>,
}

/// A clock in a panel that switches aerators each day, whatever anybody advises. It knows of no summer time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Timer {
    /// Switches on so long after midnight UTC, less than a day.
    pub on: Span,
    /// Switches off so long after midnight UTC, less than a day; another time than `on`.
    pub off: Span,
}

impl Timer {
    /// How long ago it last switched on, if it is on at `at`.
    pub fn on_for(&self, at: Timestamp) -> Option<Span> {
        const DAY_MS: i64 = 24 * 3_600_000;
        let since = |then: Span| at.as_millis().wrapping_sub(then.as_millis()).rem_euclid(DAY_MS);
        let (on, off) = (since(self.on), since(self.off));
        (on < off).then(|| Span::from_millis(on))
    }

    /// When it switches on next, if it is off at `at`.
    pub fn next_on(&self, at: Timestamp) -> Option<Timestamp> {
        const DAY_MS: i64 = 24 * 3_600_000;
        let left = self.on.as_millis().wrapping_sub(at.as_millis()).rem_euclid(DAY_MS);
        (!self.is_on(at)).then(|| at + Span::from_millis(left))
    }

    /// Whether it is on from one time to another without a break.
    pub fn stays_on(&self, from: Timestamp, to: Timestamp) -> bool {
        self.on_for(from).zip(self.on_for(to)).is_some_and(|(then, now)| from + now == to + then)
    }

    /// Whether it is on at `at`.
    pub fn is_on(&self, at: Timestamp) -> bool {
        self.on_for(at).is_some()
    }
}

/// What a probe is asked for and how its silence is judged.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Probe {
    /// Short id, unique on the farm.
    pub id: String,
    /// The pond it stands in; `None` for a probe shared by all (weather mast).
    pub pond: Option<PondIndex>,
    /// Id of the line or broker it hangs on, as its faults name it; empty where there is none.
    pub link: String,
    /// What carries it together with others, which fall silent with it; `None` where it speaks for itself.
    pub node: Option<Node>,
    /// The quantities it reports.
    pub channels: Vec<Channel>,
}

/// Something that carries several probes: a device with a radio beside the pond, or a serial line with the power of
/// its probes.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Node {
    /// Short id, the same for every probe it carries.
    pub id: String,
    /// Its power is the mains without a battery: it falls silent with them.
    pub is_on_mains: bool,
}

/// One quantity of one probe.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Channel {
    /// What it measures.
    pub quantity: Quantity,
    /// Aerator group this channel tells about, for `aerator_on` and `aerator_kw`: index in
    /// [`Pond::aerators`].
    pub aerator: Option<u16>,
    /// Value = raw × `calibration_slope` + `calibration_offset`.
    pub calibration_slope: f64,
    /// Added after the slope, in the unit of the quantity.
    pub calibration_offset: f64,
    /// How deep it hangs, where that is told.
    pub layer: Option<Layer>,
    /// What an oxygen probe does not take into account itself.
    pub compensation: Compensation,
    /// Parameters of the quality tests.
    pub quality: QualityLimits,
}

/// How deep a probe hangs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Layer {
    /// Just below the surface.
    Surface,
    /// Near the bottom.
    Bottom,
}

/// Parameters of the QARTOD tests for one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct QualityLimits {
    /// Outside `(lowest, highest)` the reading fails.
    pub fail: (f64, f64),
    /// Outside `(lowest, highest)` the reading is suspect.
    pub suspect: (f64, f64),
    /// No reading for this long: gap, suspect.
    pub stale_after: Span,
    /// No reading for this long: missing.
    pub missing_after: Span,
    /// Spike, suspect and fail: distance from the middle of the two neighbours, for readings each minute;
    /// `None` for no such test, here and below.
    pub spike: Option<(f64, f64)>,
    /// Change per hour that is suspect.
    pub rate_per_h: Option<f64>,
    /// Flat line: highest less lowest that counts as flat, and how long until suspect and until fail.
    pub flat_line: Option<(f64, Span, Span)>,
    /// Distance from what is usual at the hour: in robust standard deviations, and at least so much.
    pub climatology: Option<(f64, f64)>,
    /// Share of the usual range of a day below which the signal counts as attenuated.
    pub attenuated_share: Option<f64>,
    /// A day and night whose hours stay below this is pinned to the bottom of the scale.
    pub pinned_below: Option<f64>,
    /// Least difference from another probe in the pond, beyond the usual one, that is suspect.
    pub neighbour: Option<f64>,
    /// Cleaned and read in a standard at least this often; `None` for never.
    pub service_every: Option<Span>,
}

/// Limits of one pond's alarms. Each default stands in `config/limits/` with its source.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Limits {
    /// Oxygen low, mg/L: warn, critical, emergency. Descending.
    pub do_low_mg_l: [Threshold; 3],
    /// Oxygen that must not be reached before sunrise + 1 h, mg/L: warn, critical.
    pub do_forecast_mg_l: [f64; 2],
    /// Fall of oxygen within 30 minutes that alarms, mg/L.
    pub do_fall_30min_mg_l: f64,
    /// No valid oxygen at night for this long: high, then critical.
    pub do_blind_after: [Span; 2],
    /// pH low: warn, critical. Descending.
    pub ph_low: [Threshold; 2],
    /// pH high: warn, critical. Ascending.
    pub ph_high: [Threshold; 2],
    /// Un-ionised ammonia as the mean of the last 24 h, mg/L as N: warn, critical. Ascending.
    pub nh3_mean_mg_l: [Threshold; 2],
    /// Un-ionised ammonia at its peak, mg/L as N: warn, critical. Ascending.
    pub nh3_peak_mg_l: [Threshold; 2],
    /// Everything else.
    pub water: WaterLimits,
}

/// One alarm limit with what keeps it from chattering.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Threshold {
    /// The limit, in the unit of its quantity.
    pub limit: f64,
    /// How far back past the limit the value must come before the alarm clears.
    pub deadband: f64,
    /// How long the value must stay beyond the limit before the alarm is raised.
    pub on_delay: Span,
    /// How long the value must stay clear before the alarm returns to normal.
    pub off_delay: Span,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hour: i64, minute: i64) -> Timestamp {
        Timestamp(0) + Span::from_minutes(60 * hour + minute)
    }

    #[test]
    fn a_timer_runs_past_midnight_and_each_day_anew() {
        let timer = Timer { on: Span::from_minutes(21 * 60 + 30), off: Span::from_minutes(7 * 60 + 45) };
        for (hour, minute, on_for_min) in [
            (21, 29, None),
            (21, 30, Some(0)),
            (23, 59, Some(149)),
            (24, 0, Some(150)),
            (24 + 7, 44, Some(614)),
            (24 + 7, 45, None),
            (45, 30, Some(0)),
        ] {
            assert_eq!(timer.on_for(at(hour, minute)), on_for_min.map(Span::from_minutes), "{hour}:{minute}");
        }
        assert_eq!(timer.next_on(at(20, 0)), Some(at(21, 30)));
        assert_eq!(timer.next_on(at(24 + 8, 0)), Some(at(24 + 21, 30)));
        assert_eq!(timer.next_on(at(21, 30)), None, "it is on");
        assert!(timer.stays_on(at(21, 30), at(24 + 7, 44)) && !timer.stays_on(at(21, 30), at(24 + 7, 45)));
        assert!(!timer.stays_on(at(22, 0), at(24 + 22, 0)), "off in between");
        let by_day = Timer { on: Span::from_hours(9), off: Span::from_hours(11) };
        assert!(by_day.is_on(at(10, 0)) && !by_day.is_on(at(11, 0)) && !by_day.is_on(at(3, 0)));
    }
}
