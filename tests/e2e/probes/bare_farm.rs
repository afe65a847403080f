//! A farm that consists of probes alone.

use std::time::Duration;

use pondreeve::config::farm::{Broker, Bus, Farm, LocalSettings, StoreSettings};
use pondreeve_core::Span;
use pondreeve_core::site::{Probe, Site};

/// With these probes, on these lines.
pub(crate) fn farm(probes: &[&str], buses: Vec<Bus>, brokers: Vec<Broker>) -> Farm {
    let probe = |id: &&str| Probe {
        id: (*id).to_owned(),
        pond: None,
        link: String::new(),
        node: None,
        channels: Vec::new(),
    };
    Farm {
        site: Site {
            gateway: "g1".into(),
            latitude_deg: 0.0,
            longitude_deg: 0.0,
            pressure_hpa: 1_013.25,
            ponds: Vec::new(),
            probes: probes.iter().map(probe).collect(),
            summary_every: Span::from_minutes(15),
            energy_price: None,
            calls: pondreeve_core::call::CallPlan::default(),
        },
        name: "Bench".into(),
        time_zone: jiff::tz::TimeZone::UTC,
        store: StoreSettings {
            path: "/nowhere".into(),
            durable_within: Duration::from_secs(5),
            limits: pondreeve::journal::Limits::default(),
            daily_files: None,
        },
        local: LocalSettings {
            socket: "/nowhere".into(),
            mode: 0o600,
            group: None,
            rights: pondreeve::local::rights::Rights::default(),
            texts: Default::default(),
        },
        buses,
        lines: Vec::new(),
        brokers,
        products: Vec::new(),
        annunciation: pondreeve::config::annunciation::Annunciation::default(),
        destinations: Vec::new(),
        outbox: pondreeve::outbox::Bounds::default(),
        metrics: None,
        limit_sources: Vec::new(),
        about_ponds: Vec::new(),
        machine: pondreeve::machine::Bounds::default(),
        commands: None,
    }
}
