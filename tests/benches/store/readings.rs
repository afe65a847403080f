//! What the probes of forty ponds say: four quantities each, every ten seconds, with a daily swing and the
//! scatter of a probe, to its resolution.

use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Quantity, Site, Span, Timestamp};

/// Ponds, one probe each.
pub const PONDS: u16 = 40;
/// What each probe measures.
pub const QUANTITIES: [Quantity; 4] =
    [Quantity::DoMgL, Quantity::TemperatureC, Quantity::Ph, Quantity::SalinityPsu];
/// Series in all.
pub const SERIES: u64 = PONDS as u64 * QUANTITIES.len() as u64;
/// Between two readings of a probe, ms.
pub const EVERY_MS: i64 = 10_000;
/// When it begins, ms since 1970.
pub const START_MS: i64 = 1_772_323_200_000;

/// One poll of one probe.
#[derive(Debug, Clone, Copy)]
pub struct Poll {
    pub at: Timestamp,
    pub pond: u16,
    pub values: [f64; 4],
}

/// Polls number `from..to`; forty a ten seconds, evenly spread.
pub fn polls(from: u64, to: u64) -> impl Iterator<Item = Poll> {
    (from..to).map(poll)
}

/// How many polls so many hours bring.
pub fn polls_in(hours: f64) -> u64 {
    (hours * 3_600_000.0 / EVERY_MS as f64 * f64::from(PONDS)) as u64
}

/// Uniform in 0 to 1, always the same for the same numbers (splitmix64).
fn dice(number: u64) -> f64 {
    let mut z = number.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

fn poll(number: u64) -> Poll {
    let pond = (number % u64::from(PONDS)) as u16;
    let at_ms = START_MS + (number as i64) * EVERY_MS / i64::from(PONDS);
    let day = std::f64::consts::TAU * ((at_ms % 86_400_000) as f64 / 86_400_000.0 + 0.002 * f64::from(pond));
    let slow = std::f64::consts::TAU * at_ms as f64 / (9.3 * 86_400_000.0) + f64::from(pond);
    // Mean, swing of a day, swing of days, scatter (sum of three dice: 0.5 of it is one standard deviation).
    let shapes =
        [(6.2, 2.6, 0.6, 0.08), (29.0, 1.4, 0.8, 0.03), (8.1, 0.3, 0.1, 0.02), (18.0, 0.05, 1.5, 0.06)];
    // Making readings shall not take a core from those who keep them: two sines for all four, and no call to round.
    let (day, slow) = (day.sin(), slow.sin());
    let mut values = [0.0; 4];
    for (place, (value, (mean, daily, days, scatter))) in values.iter_mut().zip(shapes).enumerate() {
        let seed = number * 16 + place as u64 * 4;
        let noise = dice(seed) + dice(seed + 1) + dice(seed + 2) - 1.5;
        let hundredths = (mean + daily * day + days * slow + scatter * noise) * 100.0;
        // None is below 0.
        *value = (hundredths + 0.5) as i64 as f64 / 100.0;
    }
    Poll { at: Timestamp(at_ms), pond, values }
}

/// The farm they belong to.
pub fn farm() -> Site {
    let mut site = Site::single_pond(-2.6, -80.4, 18.0, &QUANTITIES, Span::from_millis(EVERY_MS));
    let (pond, probe) = (site.ponds[0].clone(), site.probes[0].clone());
    site.ponds.clear();
    site.probes.clear();
    for number in 0..PONDS {
        let mut pond = pond.clone();
        pond.id = format!("p{number}");
        site.ponds.push(pond);
        let mut probe = probe.clone();
        probe.id = format!("sonde-{number}");
        probe.pond = Some(PondIndex(number));
        site.probes.push(probe);
    }
    site
}

/// The probe of a pond.
pub fn probe_of(pond: u16) -> ProbeIndex {
    ProbeIndex(pond)
}
