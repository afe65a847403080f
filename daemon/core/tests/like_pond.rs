//! A like pond speaks as a neighbour where it is named, and only there.

mod farm;

use farm::{Farm, site};
use pondreeve_core::effect::{Effect, Flag};
use pondreeve_core::input::Sample;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Quantity};

/// Eight days of two ponds that go up and down alike, the second 0.4 mg/L lower; on the ninth the first
/// pond's probe reads `off` more. The flags that the neighbour test gave it on that day.
fn ninth_day(like: Option<PondIndex>, off: f64) -> Vec<Flag> {
    let mut farm = Farm::start(0);
    let mut named = site();
    named.ponds[0].like = like;
    farm.event(0, Event::SiteChanged { site: named });
    for step in 0..9 * 288_i64 {
        let minute = step * 5;
        let day = minute / 1440;
        let hour = (minute % 1440) as f64 / 60.0;
        let water = 6.5 + 2.0 * ((hour - 10.0) / 24.0 * std::f64::consts::TAU).sin();
        let wobble = 0.03 * ((step % 7) as f64 - 3.0);
        let sample = |probe, value| Sample {
            probe: ProbeIndex(probe),
            quantity: Quantity::DoMgL,
            channel: None,
            value,
            taken_at: None,
        };
        let first = water + wobble + if day == 8 { off } else { 0.0 };
        farm.event(minute, Event::Sweep { samples: vec![sample(2, water - 0.4 - wobble), sample(0, first)] });
        if day < 8 {
            farm.effects.clear();
        }
    }
    let flags = farm.effects.iter().filter_map(|effect| match effect {
        Effect::Reading(reading) if reading.probe == Some(ProbeIndex(0)) && reading.value.is_some() => {
            reading.tests.iter().find(|(test, _)| test.id() == "neighbour").map(|(_, flag)| *flag)
        }
        _ => None,
    });
    flags.collect()
}

#[test]
fn a_probe_far_from_its_like_pond_is_suspect_and_one_near_it_is_not() {
    let near = ninth_day(Some(PondIndex(1)), 0.3);
    assert!(near.len() > 200 && near.iter().all(|flag| *flag == Flag::Pass), "the usual difference is known");
    let far = ninth_day(Some(PondIndex(1)), 2.5);
    assert!(far.iter().filter(|flag| **flag == Flag::Suspect).count() > 200);
    assert!(!far.contains(&Flag::Fail), "a neighbour never fails anything");
}

#[test]
fn without_a_like_pond_there_is_no_neighbour() {
    assert!(ninth_day(None, 2.5).is_empty());
    assert!(ninth_day(Some(PondIndex(0)), 2.5).is_empty(), "a pond is not its own neighbour");
}
