//! Oxygen of a probe that does not follow the salinity, and a probe that is set wrongly.

mod farm;

use farm::{Farm, at, site};
use pondreeve_core::compensation::Compensation;
use pondreeve_core::effect::{AlarmState, Effect};
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Quantity};

const NOON: i64 = 12 * 60;

fn oxygen(farm: &Farm) -> (Option<f64>, Option<f64>) {
    let reading = farm.effects.iter().rev().find_map(|effect| match effect {
        Effect::Reading(reading) if reading.quantity == Quantity::DoMgL => Some((reading.raw, reading.value)),
        _ => None,
    });
    reading.expect("a reading")
}

/// By Benson & Krause 1984 water of 30 C at sea level holds 7.56 mg/L at 0 PSU and 6.77 at 20.
#[test]
fn what_a_fresh_water_setting_reads_is_brought_to_the_ponds_salinity_and_raw_is_kept() {
    let mut site = site();
    site.probes[0].channels[0].compensation =
        Compensation { assumed_salinity_psu: Some(0.0), assumed_pressure_hpa: None };
    let mut farm = Farm::start(NOON);
    farm.event(NOON, Event::SiteChanged { site });
    farm.enter(NOON, Quantity::SalinityPsu, 20.0);
    farm.sweep(NOON + 1, &[(Quantity::TemperatureC, 30.0)]);
    farm.oxygen(NOON + 1, 7.56);
    let (raw, value) = oxygen(&farm);
    assert_eq!(raw, Some(7.56));
    assert!((value.unwrap() - 6.77).abs() < 0.01, "{value:?}");
}

#[test]
fn a_probe_that_follows_the_salinity_itself_is_left_alone() {
    let mut farm = Farm::start(NOON);
    farm.enter(NOON, Quantity::SalinityPsu, 20.0);
    farm.sweep(NOON + 1, &[(Quantity::TemperatureC, 30.0)]);
    farm.oxygen(NOON + 1, 6.77);
    assert_eq!(oxygen(&farm), (Some(6.77), Some(6.77)));
}

#[test]
fn a_setting_that_does_not_fit_the_pond_is_an_alarm_with_both_numbers() {
    let mut farm = Farm::start(NOON);
    let set = |salinity_psu| Event::ProbeSetting { probe: ProbeIndex(0), salinity_psu };
    farm.event(NOON, set(18.5));
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::Normal);
    farm.event(NOON + 1, set(0.0));
    assert_eq!(farm.raised("p1.probe-fault.do11"), [at(NOON + 1)]);
    let told = farm.message("p1.probe-fault.do11");
    assert!(told.contains("0.0 PSU instead of the 18.0 PSU of its pond"), "{told}");
    assert!(told.contains("too high, the unsafe side"), "{told}");
    farm.event(NOON + 2, set(18.0));
    farm.wake(NOON + 8);
    assert_eq!(farm.state("p1.probe-fault.do11"), AlarmState::ReturnedUnacknowledged);
}
