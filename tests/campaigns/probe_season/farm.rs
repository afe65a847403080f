//! How the ponds of the season are equipped.

use pondreeve_core::site::{Channel, PondIndex, Probe};
use pondreeve_core::{Quantity, Site, Span};

use super::pond::{KINDS as PONDS, site_of};

/// How a pond is equipped.
#[derive(Debug, Clone, Copy)]
pub struct Setup {
    pub name: &'static str,
    /// Position among the simulated ponds.
    pub pond: usize,
    /// Two oxygen probes, or one.
    pub two: bool,
    /// Minutes between readings.
    pub every_min: i64,
}

/// A lined pond with two oxygen probes, one with one, and an earthen one whose node sends each quarter.
pub const SETUPS: [Setup; 3] = [
    Setup { name: "two oxygen probes, 1 min", pond: 0, two: true, every_min: 1 },
    Setup { name: "one oxygen probe, 1 min", pond: 1, two: false, every_min: 1 },
    Setup { name: "one oxygen probe, 15 min", pond: 2, two: false, every_min: 15 },
];

/// The farm of one such pond, and its probes' names but that of the motors.
pub fn site(setup: Setup) -> (Site, Vec<&'static str>) {
    let kind = PONDS[setup.pond];
    let every = Span::from_minutes(setup.every_min);
    let channel = |quantity: Quantity| {
        let plain = Channel::uncorrected(quantity);
        Channel { quality: plain.quality.reporting_every(every), ..plain }
    };
    let mut ids = vec!["oxygen-1", "ph", "salinity"];
    if setup.two {
        ids.push("oxygen-2");
    }
    let probes = ids.iter().map(|id| Probe {
        id: (*id).into(),
        pond: Some(PondIndex(0)),
        link: String::new(),
        node: None,
        channels: match *id {
            "ph" => vec![channel(Quantity::Ph)],
            "salinity" => vec![channel(Quantity::SalinityPsu)],
            _ => vec![channel(Quantity::DoMgL), channel(Quantity::TemperatureC)],
        },
    });
    let motors = (0..kind.groups.len() as u16)
        .map(|group| Channel { aerator: Some(group), ..channel(Quantity::AeratorOn) });
    let motors = Probe {
        id: "motors".into(),
        pond: Some(PondIndex(0)),
        link: String::new(),
        node: None,
        channels: motors.collect(),
    };
    let site = site_of(&kind, "season", probes.chain([motors]).collect());
    (site, ids)
}
