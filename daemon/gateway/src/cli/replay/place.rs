//! Where a recording was made, and the farm of one pond that it is replayed on.

use std::collections::BTreeMap;

use pondreeve_core::site::{Channel, Pond, PondIndex, Probe, QualityLimits};
use pondreeve_core::{Quantity, Site, Span};

use super::Arguments;
use crate::config::Farm;
use crate::exit_code::Failure;

/// Salinity assumed where neither a column nor the command line says: what the example farm has.
pub(super) const SALINITY_PSU: f64 = 18.0;

/// Interval assumed for a quantity with fewer than two readings to measure it by.
pub(super) const STEP_UNKNOWN: Span = Span::from_minutes(15);

/// Longer than any recording.
const NEVER: Span = Span::from_hours(100 * 366 * 24);

/// Whether a quantity is counted by a test kit, by the time it is given before it counts as missing: days.
fn is_counted_by_kit(quantity: Quantity) -> bool {
    QualityLimits::for_quantity(quantity).missing_after >= Span::from_hours(7 * 24)
}

/// Where the recording was made.
#[derive(Debug, Clone)]
pub(super) enum Place {
    /// A pond of a configured farm.
    Configured(Box<Farm>, usize),
    /// A pond of which only this is known; its salinity may not be.
    Bare { latitude: f64, longitude: f64, salinity_psu: Option<f64>, id: String },
}

impl Place {
    /// The place that the command line names.
    ///
    /// # Errors
    /// When the configuration or a number is not accepted.
    pub(super) fn of(arguments: &Arguments) -> Result<Self, Failure> {
        if let (Some(path), Some(id)) = (&arguments.config, &arguments.pond) {
            let farm = crate::cli::load_farm(path)?;
            let Some(index) = farm.site.ponds.iter().position(|pond| pond.id == *id) else {
                let known: Vec<&str> = farm.site.ponds.iter().map(|pond| pond.id.as_str()).collect();
                return Err(Failure::usage(format!(
                    "{} has no pond '{id}'; accepted is {}",
                    path.display(),
                    known.join(", ")
                )));
            };
            return Ok(Self::Configured(Box::new(farm), index));
        }
        let within = |name: &str, value: Option<f64>, low: f64, high: f64, unit: &str| match value {
            Some(value) if value >= low && value <= high => Ok(value),
            Some(value) => {
                Err(Failure::usage(format!("--{name} is {value}; accepted is {low} to {high} {unit}")))
            }
            None => Err(Failure::usage(format!("--{name} is missing; accepted is {low} to {high} {unit}"))),
        };
        Ok(Self::Bare {
            latitude: within("latitude", arguments.latitude, -90.0, 90.0, "degrees north")?,
            longitude: within("longitude", arguments.longitude, -180.0, 180.0, "degrees east")?,
            salinity_psu: match arguments.salinity_psu {
                given @ Some(_) => Some(within("salinity-psu", given, 0.0, 45.0, "PSU")?),
                None => None,
            },
            id: arguments.pond.clone().unwrap_or_else(|| "p1".to_owned()),
        })
    }
}

/// The farm of one pond and one probe that the recording is replayed on.
pub(super) fn site(place: &Place, steps: &BTreeMap<Quantity, Span>) -> Site {
    let quantities: Vec<Quantity> = steps.keys().copied().collect();
    let shortest = steps.values().min().copied().unwrap_or(STEP_UNKNOWN);
    let mut site = match place {
        Place::Bare { latitude, longitude, salinity_psu, id } => {
            let salinity_psu = salinity_psu.unwrap_or(SALINITY_PSU);
            let mut site = Site::single_pond(*latitude, *longitude, salinity_psu, &quantities, shortest);
            for pond in &mut site.ponds {
                pond.id.clone_from(id);
                pond.name.clone_from(id);
            }
            site
        }
        Place::Configured(farm, index) => of_configured(&farm.site, *index, &quantities),
    };
    for channel in site.probes.iter_mut().flat_map(|probe| &mut probe.channels) {
        if let Some(&step) = steps.get(&channel.quantity) {
            channel.quality = channel.quality.reporting_every(step);
        }
        if is_counted_by_kit(channel.quantity) {
            // It comes when somebody tests: that nobody has is no fault of a probe.
            (channel.quality.stale_after, channel.quality.missing_after) = (NEVER, NEVER);
        }
    }
    if let Some(&step) = steps.get(&Quantity::DoMgL) {
        for pond in &mut site.ponds {
            see_at(pond, step);
        }
    }
    site
}

/// One pond of a configured farm, with a probe that reports what was recorded: the limits of the quality
/// tests are those configured for the quantity in that pond.
fn of_configured(farm: &Site, index: usize, quantities: &[Quantity]) -> Site {
    let pond = PondIndex(u16::try_from(index).unwrap_or(u16::MAX));
    let configured = |quantity: Quantity| {
        farm.probes
            .iter()
            .filter(|probe| probe.pond.is_none_or(|of| of == pond))
            .flat_map(|probe| &probe.channels)
            .find(|channel| channel.quantity == quantity)
    };
    let channels = quantities
        .iter()
        .map(|&quantity| match configured(quantity) {
            // What was recorded is corrected already, for its salt as well.
            Some(channel) => Channel {
                quality: channel.quality,
                aerator: channel.aerator,
                layer: channel.layer,
                ..Channel::uncorrected(quantity)
            },
            None => Channel::uncorrected(quantity),
        })
        .collect();
    Site {
        ponds: farm.ponds.get(index).cloned().into_iter().collect(),
        probes: vec![Probe {
            id: "recorded".to_owned(),
            pond: Some(PondIndex(0)),
            link: String::new(),
            node: None,
            channels,
        }],
        ..farm.clone()
    }
}

/// Widens the limits for not seeing the oxygen at night to what a recording with this step can show:
/// one missed reading, two missed readings. Never narrows them.
fn see_at(pond: &mut Pond, step: Span) {
    let [high, critical] = &mut pond.limits.do_blind_after;
    *high = (*high).max(Span::from_millis(step.as_millis().saturating_mul(3) / 2));
    *critical = (*critical).max(Span::from_millis(step.as_millis().saturating_mul(5) / 2));
}

#[cfg(test)]
mod tests {
    use pondreeve_core::compensation::Compensation;

    use super::*;

    #[test]
    fn a_recording_is_not_corrected_once_more() {
        let mut farm = Site::single_pond(10.0, -60.0, 20.0, &[Quantity::DoMgL], Span::from_minutes(1));
        let own = &mut farm.probes[0].channels[0];
        (own.calibration_slope, own.calibration_offset) = (1.1, 0.2);
        own.compensation =
            Compensation { assumed_salinity_psu: Some(0.0), assumed_pressure_hpa: Some(990.0) };
        own.quality.suspect = (0.5, 19.0);
        let quality = own.quality;
        let replayed = of_configured(&farm, 0, &[Quantity::DoMgL]);
        assert_eq!(
            replayed.probes[0].channels,
            [Channel { quality, ..Channel::uncorrected(Quantity::DoMgL) }],
            "its tests' limits, and nothing else"
        );
    }
}
