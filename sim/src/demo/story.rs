//! What happens in the demo's night. All times are hours of farm time on the evening (17 to 24) and
//! the morning after (24 and on).

use sim::faults::{Fault, Kind};
use sim::weather::Climate;

/// Feeder 1 trips and takes the running groups of the first pond with it.
pub(crate) const TRIP_H: f64 = 26.0 + 10.0 / 60.0;
/// The electrician has found the fault and switches feeder 1 on again.
pub(crate) const FEEDER_BACK_H: f64 = 29.0 + 20.0 / 60.0;
/// The pond it happens to, and its groups on feeder 1.
pub(crate) const TRIP_POND: &str = "p1";
pub(crate) const TRIP_GROUPS: [&str; 2] = ["a", "c"];

/// Hours of local time between which the farm's own timers run an aerator group.
pub(crate) fn timer(pond: &str, group: &str) -> Option<(f64, f64)> {
    match (pond, group) {
        // From when the water is no longer above saturation, until the sun makes oxygen again.
        ("p1" | "p2", "a" | "c") => Some((21.5, 9.0)),
        ("p3", "a") => Some((1.0, 9.0)),
        _ => None,
    }
}

/// Probes that fail in the course of the night: probe, kind, from and until.
pub(crate) fn probe_faults(at: impl Fn(f64) -> i64) -> Vec<Fault> {
    let fault = |probe: &str, kind: Kind, from_h: f64, until_h: f64| Fault {
        probe: probe.to_owned(),
        quantity: None,
        from_ms: at(from_h),
        until_ms: at(until_h),
        kind,
    };
    vec![
        // Curlew's node loses its radio link, and with it the pond's oxygen.
        fault("p3-bottom", Kind::Silent, 23.0, 23.0 + 50.0 / 60.0),
        // Water in a gland of Ibis's pH probe garbles its answers for a while.
        fault("p2-ph", Kind::BadChecksum, 24.5, 25.0),
    ]
}

/// A clear day and a still night.
pub(crate) fn climate(latitude_deg: f64, longitude_deg: f64) -> Climate {
    Climate::clear_and_still(latitude_deg, longitude_deg)
}
