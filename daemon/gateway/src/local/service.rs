//! Service of probes as it is asked for and told over the socket.

use pondreeve_core::quantity::Quantity;
use pondreeve_core::said::{Said, said};
use pondreeve_core::service::{Buffer, RETURNS_AFTER, Serviced, Step, air_saturated_mg_l, buffer_ph};
use pondreeve_core::site::{Channel, Probe};
use pondreeve_core::view::{ChannelView, FarmView, ProbeView, ServiceView};
use pondreeve_core::{Span, Timestamp};
use serde::{Deserialize, Serialize};

use super::status::rfc3339;
use crate::config::Farm;

/// One step of a service, as asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "step", rename_all = "kebab-case", deny_unknown_fields)]
pub enum StepAsk {
    /// Out of service.
    Begin {
        /// For so many seconds; half an hour where absent.
        seconds: Option<u64>,
    },
    /// Read before cleaning.
    Before(BesideAsk),
    /// Cleaned.
    Cleaned,
    /// Read after cleaning.
    After(BesideAsk),
    /// Read in a standard.
    Standard {
        /// Quantity id.
        quantity: String,
        /// A number, `air` or `zero` for oxygen, `buffer4`, `buffer7` or `buffer10` for pH.
        standard: String,
        /// What the probe reads; its newest reading where absent.
        reading: Option<f64>,
        /// By the electrode, mV.
        millivolts: Option<f64>,
        /// Temperature of the standard, °C; the probe's own where absent.
        temperature_c: Option<f64>,
        /// Salinity of air-saturated water, PSU; 0 where absent.
        salinity_psu: Option<f64>,
    },
    /// Take the adjustment.
    Adopt,
    /// Back in service.
    End,
}

/// A reading with the hand meter's beside it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BesideAsk {
    /// Quantity id.
    pub quantity: String,
    /// By the hand meter.
    pub hand: Option<f64>,
    /// By the probe; its newest reading where absent.
    pub reading: Option<f64>,
}

/// What is known of a probe's service.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProbeStatus {
    /// Probe id.
    pub id: String,
    /// Pond id, if it belongs to one.
    pub pond: Option<String>,
    /// Out of service, and what has been done to it.
    pub out_of_service: Option<OutStatus>,
    /// Per quantity that was serviced, checked by hand, or is overdue.
    pub channels: Vec<ChannelStatus>,
}

/// Out of service.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutStatus {
    /// Since when.
    pub since: String,
    /// It returns by itself then.
    pub until: String,
    /// Who took it out.
    pub by: String,
    /// Quantities it measures.
    pub measures: Vec<String>,
    /// Whether it is cleaned.
    pub cleaned: bool,
    /// Whether the adjustment is taken.
    pub adopted: bool,
    /// Its own temperature, or that of a bench, °C.
    pub temperature_c: f64,
    /// What adopting would do, or did.
    pub previews: Vec<PreviewStatus>,
}

/// What adopting would do to one quantity.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PreviewStatus {
    /// Quantity id.
    pub quantity: String,
    /// Unit as a person reads it.
    pub unit: String,
    /// To be added for fouling.
    pub fouling: Option<f64>,
    /// To be added for drift.
    pub drift: Option<f64>,
    /// Factor on readings from then on.
    pub gain: Option<f64>,
    /// Added after it.
    pub shift: Option<f64>,
    /// Slope of the sensor, percent of what it should be.
    pub slope_percent: Option<f64>,
    /// pH: millivolts at pH 7.
    pub offset_mv: Option<f64>,
    /// Whether the sensor is within what is accepted; otherwise replace it.
    pub sensor_good: Option<bool>,
    /// Whether the readings since the last service are beyond correcting.
    pub rejected: bool,
}

/// One quantity of a probe.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelStatus {
    /// Quantity id.
    pub quantity: String,
    /// Factor by calibrations in the field.
    pub gain: f64,
    /// Added after it.
    pub shift: f64,
    /// When it was last serviced.
    pub serviced_at: Option<String>,
    /// By how many seconds its service is overdue.
    pub overdue_s: Option<i64>,
    /// Newest hand reading: when, by hand, by the probe.
    pub hand_check: Option<(String, f64, f64)>,
    /// What its services found, oldest first.
    pub services: Vec<ServicedStatus>,
}

/// What a service found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ServicedStatus {
    /// The last good service before.
    pub from: String,
    /// This one.
    pub to: String,
    /// To be added to a reading of `to` for fouling.
    pub fouling: f64,
    /// To be added for drift.
    pub drift: f64,
    /// Factor adopted, if one was.
    pub gain: Option<f64>,
    /// Shift adopted.
    pub shift: Option<f64>,
    /// Whether what was read in between is rejected.
    pub rejected: bool,
}

/// Probes as the socket tells them.
pub(super) fn probes_status(view: &FarmView, farm: &Farm) -> Vec<ProbeStatus> {
    let told = view.probes.iter().filter_map(|own: &ProbeView| {
        let probe = farm.site.probes.get(usize::from(own.probe.0))?;
        let pond = probe.pond.and_then(|pond| farm.site.ponds.get(usize::from(pond.0)));
        Some(ProbeStatus {
            id: probe.id.clone(),
            pond: pond.map(|pond| pond.id.clone()),
            out_of_service: own.service.as_ref().map(|service| out_status(service, probe)),
            channels: own.channels.iter().map(channel_status).collect(),
        })
    });
    told.collect()
}

fn out_status(service: &ServiceView, probe: &Probe) -> OutStatus {
    OutStatus {
        since: rfc3339(service.out.since),
        until: rfc3339(service.out.until),
        by: service.out.by.clone(),
        measures: probe.channels.iter().map(|channel| channel.quantity.id().to_owned()).collect(),
        cleaned: service.cleaned,
        adopted: service.adopted,
        temperature_c: service.temperature_c,
        previews: service
            .previews
            .iter()
            .map(|own| PreviewStatus {
                quantity: own.quantity.id().to_owned(),
                unit: own.quantity.unit().to_owned(),
                fouling: own.fouling,
                drift: own.drift,
                gain: own.adjustment.map(|adjustment| adjustment.gain),
                shift: own.adjustment.map(|adjustment| adjustment.shift),
                slope_percent: own.health.map(|health| health.slope_percent),
                offset_mv: own.health.and_then(|health| health.offset_mv),
                sensor_good: own.health.map(|health| health.is_good),
                rejected: own.rejected,
            })
            .collect(),
    }
}

fn channel_status(own: &ChannelView) -> ChannelStatus {
    ChannelStatus {
        quantity: own.quantity.id().to_owned(),
        gain: own.adjustment.gain,
        shift: own.adjustment.shift,
        serviced_at: own.serviced_at.map(rfc3339),
        overdue_s: own.overdue.map(|late| late.as_millis() / 1_000),
        hand_check: own.hand_check.map(|check| (rfc3339(check.at), check.hand, check.probe)),
        services: own.services.iter().map(serviced_status).collect(),
    }
}

fn serviced_status(own: &Serviced) -> ServicedStatus {
    ServicedStatus {
        from: rfc3339(own.from),
        to: rfc3339(own.to),
        fouling: own.fouling,
        drift: own.drift,
        gain: own.adopted.map(|adjustment| adjustment.gain),
        shift: own.adopted.map(|adjustment| adjustment.shift),
        rejected: own.rejected,
    }
}

/// What is to be added to a reading of a probe for what its next service found, if that is over.
pub(super) fn correction(
    view: &FarmView,
    farm: &Farm,
    (probe, quantity): (&str, Quantity),
    at: Timestamp,
) -> Option<f64> {
    let own = view
        .probes
        .iter()
        .find(|own| farm.site.probes.get(usize::from(own.probe.0)).is_some_and(|known| known.id == probe))?;
    let channel = own.channels.iter().find(|channel| channel.quantity == quantity)?;
    channel.services.iter().filter(|service| !service.rejected).find_map(|service| service.correction(at))
}

/// The core's step for what was asked.
///
/// # Errors
/// With what was wrong with it and what would have been accepted.
pub(super) fn step(ask: &StepAsk, view: &FarmView, farm: &Farm, probe: usize) -> Result<Step, Said> {
    Ok(match ask {
        StepAsk::Begin { seconds } => Step::Begin {
            length: seconds.map_or(RETURNS_AFTER, |seconds| {
                Span::from_secs(i64::try_from(seconds).unwrap_or(i64::MAX / 1_000))
            }),
        },
        StepAsk::Before(own) => {
            Step::Before { quantity: quantity(&own.quantity)?, hand: own.hand, reading: own.reading }
        }
        StepAsk::Cleaned => Step::Cleaned,
        StepAsk::After(own) => {
            Step::After { quantity: quantity(&own.quantity)?, hand: own.hand, reading: own.reading }
        }
        StepAsk::Standard { quantity: id, standard, reading, millivolts, temperature_c, salinity_psu } => {
            let quantity = quantity(id)?;
            let own = view.probes.iter().find(|own| usize::from(own.probe.0) == probe);
            let bench =
                own.and_then(|own| own.service.as_ref()).map_or(27.0, |service| service.temperature_c);
            let temperature_c = temperature_c.unwrap_or(bench);
            let salinity_psu = air_salinity(quantity, *salinity_psu, farm, probe)?;
            let expected = expected(quantity, standard, temperature_c, salinity_psu, farm)?;
            Step::Standard { quantity, expected, reading: *reading, millivolts: *millivolts }
        }
        StepAsk::Adopt => Step::Adopt,
        StepAsk::End => Step::End,
    })
}

/// The salinity that an oxygen probe makes mg/L of a standard with, whatever it is held in: the fixed one it
/// reckons with, where the configuration knows it; else what is said; else 0 for a probe with a salt cell
/// of its own, which then lies in fresh water or air, and the pond's for any other: that is what it is
/// set to. Taken for 0, a probe set to 20 PSU would be adjusted to read 12 % too high, the unsafe side.
fn air_salinity(quantity: Quantity, given: Option<f64>, farm: &Farm, probe: usize) -> Result<f64, Said> {
    let channels = farm.site.probes.get(probe).into_iter().flat_map(|probe| &probe.channels);
    let mut own = channels.filter(|own| own.quantity == quantity && quantity == Quantity::DoMgL);
    match (own.find_map(|own| own.compensation.assumed_salinity_psu), given) {
        (Some(fixed), Some(given)) if (fixed - given).abs() > 0.5 => Err(said!(
            "refused-fixed-salinity",
            "the probe reckons with a fixed salinity of {fixed} PSU (probe_salinity_psu), in whatever it is held: {told} PSU would set it wrong; leave the salinity out",
            fixed = fixed.to_string(),
            told = given.to_string()
        )),
        (Some(fixed), _) => Ok(fixed),
        (None, Some(given)) => Ok(given),
        (None, None) => {
            let site = &farm.site;
            let probe = site.probes.get(probe);
            let has_cell = probe.is_some_and(|probe| {
                let is_salt = |own: &Channel| {
                    matches!(own.quantity, Quantity::SalinityPsu | Quantity::ConductivityMsCm)
                };
                probe.channels.iter().any(is_salt)
            });
            let pond = probe.and_then(|probe| site.ponds.get(usize::from(probe.pond?.0)));
            Ok(if has_cell { 0.0 } else { pond.map_or(0.0, |pond| pond.salinity_psu) })
        }
    }
}

fn quantity(id: &str) -> Result<Quantity, Said> {
    Quantity::from_id(id).filter(|quantity| !quantity.is_derived()).ok_or_else(|| {
        said!(
            "refused-not-measured",
            "{what} is no quantity that a probe measures, such as do_mg_l or ph",
            what = format!("{id:?}")
        )
    })
}

/// What a standard is worth.
fn expected(
    quantity: Quantity,
    standard: &str,
    temperature_c: f64,
    salinity_psu: f64,
    farm: &Farm,
) -> Result<f64, Said> {
    if let Ok(number) = standard.parse::<f64>() {
        return Ok(number);
    }
    match (quantity, standard) {
        (Quantity::DoMgL, "zero") => Ok(0.0),
        (Quantity::DoMgL, "air") => {
            air_saturated_mg_l(temperature_c, salinity_psu, farm.site.pressure_hpa).ok_or_else(|| {
                said!(
                    "refused-standard-air",
                    "air-saturated water at {temperature} C, {salinity} PSU, {pressure} hPa is beyond the formula: 0 to 40 C, 0 to 45 PSU, 850 to 1050 hPa are accepted",
                    temperature = temperature_c.to_string(),
                    salinity = salinity_psu.to_string(),
                    pressure = farm.site.pressure_hpa.to_string()
                )
            })
        }
        (Quantity::Ph, name) if Buffer::named(name).is_some() => {
            Buffer::named(name).and_then(|buffer| buffer_ph(buffer, temperature_c)).ok_or_else(|| {
                said!(
                    "refused-standard-buffer",
                    "a pH buffer at {temperature} C is beyond its table: 0 to 40 C is accepted",
                    temperature = temperature_c.to_string()
                )
            })
        }
        (_, name) => {
            let (standard, what) = (format!("{name:?}"), quantity.id());
            Err(match quantity {
                Quantity::DoMgL => said!(
                    "refused-standard-oxygen",
                    "{standard} is no standard of {what}: accepted is a number, `air` or `zero`",
                    standard = standard,
                    what = what
                ),
                Quantity::Ph => said!(
                    "refused-standard-ph",
                    "{standard} is no standard of {what}: accepted is a number, `buffer4`, `buffer7` or `buffer10`",
                    standard = standard,
                    what = what
                ),
                _ => said!(
                    "refused-standard",
                    "{standard} is no standard of {what}: accepted is a number",
                    standard = standard,
                    what = what
                ),
            })
        }
    }
}

#[cfg(test)]
mod tests {
    use pondreeve_core::compensation::Compensation;

    use super::*;

    /// Saturation at 30 C and sea level: 7.56 mg/L at 0 PSU, 6.77 at 20 (Benson & Krause 1984, USGS memo
    /// 2011.03). What a probe makes of saturated air is what it reckons with.
    #[test]
    fn a_probe_with_a_fixed_salinity_is_set_in_air_by_that_salinity() {
        let folder = tempfile::tempdir().unwrap();
        let mut farm = crate::engine::tests::farm(folder.path());
        let air = |farm: &Farm, said: Option<f64>| {
            let salinity = air_salinity(Quantity::DoMgL, said, farm, 0)?;
            expected(Quantity::DoMgL, "air", 30.0, salinity, farm)
        };
        let near = |found: Result<f64, Said>, wanted: f64| (found.unwrap() - wanted).abs() < 0.01;
        farm.site.ponds[0].salinity_psu = 20.0;
        assert!(near(air(&farm, None), 6.77), "set to its pond's salinity");
        assert!(near(air(&farm, Some(0.0)), 7.56) && near(air(&farm, Some(20.0)), 6.77), "as said");
        farm.site.probes[0].channels.push(Channel::uncorrected(Quantity::SalinityPsu));
        assert!(near(air(&farm, None), 7.56), "its own salt cell is in fresh water or air");
        farm.site.probes[0].channels[0].compensation =
            Compensation { assumed_salinity_psu: Some(20.0), assumed_pressure_hpa: None };
        assert!(near(air(&farm, None), 6.77) && near(air(&farm, Some(20.0)), 6.77));
        let refused = air(&farm, Some(0.0)).unwrap_err();
        assert!(
            refused.contains("20 PSU (probe_salinity_psu)") && refused.contains("leave the salinity out"),
            "{refused}"
        );
    }
}
