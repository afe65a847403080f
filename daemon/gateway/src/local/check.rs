//! A hand reading held against the probes of its pond: a check of them, never a calibration.
//!
//! Both are in the store, the entry beside the probes' readings, so the check can be drawn up again at any
//! time; nothing of it changes what a probe reads.

use pondreeve_core::quality::HandCheck;
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Quantity, Site, Span, Timestamp};

use super::protocol::CheckStatus;
use super::status::rfc3339;
use crate::engine::Shelf;
use crate::journal::Query;

/// A hand reading and a probe's reading so close in time are of the same water: oxygen at night seldom
/// moves 0.3 mg/L in it. (Common practice, no source.)
pub const SAME_TIME: Span = Span::from_minutes(15);

/// A probe further than this from a hand meter should be looked at, in the unit of the quantity; `None`
/// where hand meters are not held against probes.
pub fn limit(quantity: Quantity) -> Option<f64> {
    HandCheck::allowed(quantity).map(|(look, _)| look)
}

/// Whether a difference is beyond the limit. 8.4 less 8.2 in binary is a hair more than 0.2, and is not.
pub fn is_beyond(difference: f64, limit: f64) -> bool {
    difference.abs() > limit + 1e-9
}

/// Holds a hand reading of water sampled at `sampled` against every probe of the pond that measures it:
/// the reading nearest in time, if one was taken within [`SAME_TIME`].
///
/// # Errors
/// In plain words, where the store cannot be read.
pub(super) async fn against_probes(
    site: &Site,
    shelf: &Shelf,
    pond: PondIndex,
    (quantity, hand): (Quantity, f64),
    sampled: Timestamp,
) -> Result<Vec<CheckStatus>, String> {
    let (Some(limit), Some(place)) = (limit(quantity), site.ponds.get(usize::from(pond.0))) else {
        return Ok(Vec::new());
    };
    let probes = site.probes.iter().filter(|probe| {
        probe.pond == Some(pond) && probe.channels.iter().any(|channel| channel.quantity == quantity)
    });
    let probes: Vec<&str> = probes.map(|probe| probe.id.as_str()).collect();
    if probes.is_empty() {
        return Ok(Vec::new());
    }
    let (from, to) = (sampled - SAME_TIME, sampled + SAME_TIME);
    let kept = shelf.readings(Query { pond: place.id.clone(), quantity, from, to }).await?;
    let checks = probes.into_iter().map(|probe| {
        let nearest = kept
            .iter()
            .filter(|reading| reading.probe == probe)
            .filter_map(|reading| {
                let value = reading.value.or(reading.raw).filter(|value| value.is_finite())?;
                Some((reading.at, value, reading.flag.map(|flag| flag as u8)))
            })
            .min_by_key(|(at, ..)| (*at - sampled).as_millis().abs());
        let difference = nearest.map(|(_, value, _)| hand - value);
        CheckStatus {
            quantity: quantity.id().to_owned(),
            probe: probe.to_owned(),
            hand,
            probe_value: nearest.map(|(_, value, _)| value),
            probe_at: nearest.map(|(at, ..)| rfc3339(at)),
            flag: nearest.and_then(|(.., flag)| flag),
            difference,
            limit,
            check_probe: difference.is_some_and(|difference| is_beyond(difference, limit)),
        }
    });
    Ok(checks.collect())
}

#[cfg(test)]
mod tests {
    use pondreeve_core::Event;
    use tempfile::TempDir;

    use super::*;
    use crate::engine::tests::{Rig, farm};
    use crate::inbox::Applied;

    /// Evening on the farm of the rig.
    const EVENING: Timestamp = Timestamp(1_780_000_000_000);

    fn after(seconds: i64) -> Timestamp {
        EVENING + Span::from_secs(seconds)
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn a_hand_reading_is_held_against_the_probes_reading_nearest_in_time() {
        let folder = TempDir::new().unwrap();
        let farm = farm(folder.path());
        let rig = Rig::start(&farm, EVENING).await;
        // Oxygen 6.0, 6.1 and 6.2 at 30, 60 and 90 s.
        rig.readings(&[6.0, 6.1, 6.2]).await;
        let pond = PondIndex(0);
        let against = async |hand, sampled| {
            let entered = (Quantity::DoMgL, hand);
            let mut checks =
                against_probes(&farm.site, rig.desk.shelf(), pond, entered, sampled).await.unwrap();
            assert_eq!(checks.len(), 1);
            checks.remove(0)
        };
        let check = against(4.7, after(95)).await;
        assert_eq!((check.probe.as_str(), check.probe_value), ("recorded", Some(6.2)));
        assert!((check.difference.unwrap() + 1.5).abs() < 1e-9 && check.check_probe, "{check:?}");
        let check = against(5.6, after(35)).await;
        assert_eq!((check.probe_value, check.check_probe), (Some(6.0), false));
        assert_eq!(check.probe_at, Some(rfc3339(after(30))));

        // An entry a moment ago is no probe's reading, and changes none.
        let by = "technician".to_owned();
        let entry = Event::ManualSample { pond, quantity: Quantity::DoMgL, value: 4.7, taken_at: None, by };
        assert_eq!(rig.send(entry).await, Applied::Done);
        assert_eq!(against(4.7, after(90)).await.probe_value, Some(6.2));

        // Of another hour: nothing to compare with, and no fault of the probe.
        let check = against(4.7, after(90 + 16 * 60)).await;
        assert_eq!((check.probe_value, check.difference, check.check_probe), (None, None, false));
        let shelf = rig.desk.shelf();
        let salt = (Quantity::SalinityPsu, 18.0);
        assert_eq!(against_probes(&farm.site, shelf, pond, salt, after(90)).await, Ok(Vec::new()));
        rig.end().await;
    }

    #[test]
    fn exactly_at_the_limit_is_within_it() {
        for (quantity, at, beyond) in [
            (Quantity::DoMgL, 5.5 - 5.0, 0.51),
            (Quantity::Ph, 8.4 - 8.2, -0.21),
            (Quantity::TemperatureC, 28.3 - 28.8, 0.6),
            (Quantity::SalinityPsu, 17.3 - 18.3, -1.1),
        ] {
            let limit = limit(quantity).unwrap();
            assert!(!is_beyond(at, limit), "{} {at}", quantity.id());
            assert!(is_beyond(beyond, limit), "{} {beyond}", quantity.id());
        }
        assert_eq!(limit(Quantity::TanMgL), None);
    }
}
