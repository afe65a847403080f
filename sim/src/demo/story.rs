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

/// What the plain lines tell of the simulated world, in order; the daemon has to find out by itself.
pub(crate) const EVENTS: [(f64, &str); 7] = [
    (17.5, "Heron's pH probe sticks: it repeats its last value"),
    (19.0, "slime begins to grow on the cap of Curlew's bottom probe"),
    (21.5, "timer: night set A, C runs at Heron and Ibis; B stays in reserve on feeder 2"),
    (23.0, "Curlew's solar node loses its radio link"),
    (23.75, "Curlew's solar node is back"),
    (TRIP_H, "feeder 1 trips: the aerators A, C of Heron stop"),
    (FEEDER_BACK_H, "the electrician has mended feeder 1: A, C of Heron have power again"),
];

/// Hours of local time between which the farm's own timers run an aerator group: as the configuration says.
pub(crate) fn timer(pond: &str, group: &str) -> Option<(f64, f64)> {
    match (pond, group) {
        // From when the water is no longer above saturation, until the sun makes oxygen again.
        ("p1" | "p2", "a" | "c") => Some((21.5, 7.75)),
        ("p3", "a") => Some((1.0, 7.75)),
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
    let mut faults = vec![
        // Ibis's pH probe reports a fault of its own for a while.
        fault("p2-ph", Kind::Exception(4), 24.5, 25.0),
        // Heron's answers, and says the same all night: three hours of that are suspect.
        fault("p1-ph", Kind::Stuck, 17.5, 32.0),
    ];
    // Oxygen alone slides away under the slime; the probe at the surface goes on reading what is there.
    faults.push(Fault {
        quantity: Some("do_mg_l".to_owned()),
        ..fault("p3-bottom", Kind::Fouling { per_hour: -0.35, at_most: 2.0 }, 19.0, 32.0)
    });
    // Curlew's solar node loses its radio link, and with it sight of the pond.
    for probe in ["p3-bottom", "p3-surface", "p3-node"] {
        faults.push(fault(probe, Kind::Silent, 23.0, 23.75));
    }
    faults
}

/// A clear day and a still night.
pub(crate) fn climate(latitude_deg: f64, longitude_deg: f64) -> Climate {
    Climate::clear_and_still(latitude_deg, longitude_deg)
}
