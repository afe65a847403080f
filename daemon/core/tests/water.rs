//! Alarms of temperature, salt, layers and test kits: expected times and limits are worked out by hand.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::allow_attributes, missing_docs, reason = "a test")]

mod farm;

use farm::{Farm, at, minutes, site};
use pondreeve_core::effect::{AlarmState, Effect};
use pondreeve_core::input::Sample;
use pondreeve_core::site::{Channel, Layer, PondIndex, Probe, ProbeIndex};
use pondreeve_core::water_limits::Water;
use pondreeve_core::{Event, Quantity, Site};

/// Seven in the morning: no night is near.
const MORNING: i64 = 7 * 60;

/// Each kit value, the alarms it raises at once, and those it must not raise; at the farm's 18 PSU.
#[test]
fn a_kit_value_alarms_when_it_is_entered() {
    use Quantity as Q;
    // Total ammonia that is safe at 18 PSU: 2.4 x (18/15)^(ln(3.6/2.4)/ln(25/15)) = 2.4 x 1.2^0.794 = 2.77.
    // Nitrite: 6.1 x (18/15)^1.787 = 8.45, half of it 4.2: the plain limits 2 and 5 hold.
    let table: [(Quantity, f64, &[&str], &[&str]); 22] = [
        (Q::TanMgL, 1.9, &[], &["tan-warn"]),
        (Q::TanMgL, 2.1, &["tan-warn"], &["tan-critical"]),
        (Q::TanMgL, 2.7, &["tan-warn"], &["tan-critical"]),
        (Q::TanMgL, 2.8, &["tan-warn", "tan-critical"], &[]),
        (Q::NitriteMgL, 1.9, &[], &["nitrite-warn"]),
        (Q::NitriteMgL, 2.1, &["nitrite-warn"], &["nitrite-critical"]),
        (Q::NitriteMgL, 5.1, &["nitrite-warn", "nitrite-critical"], &[]),
        (Q::AlkalinityMgL, 100.0, &[], &["alkalinity-low-warn", "alkalinity-high"]),
        (Q::AlkalinityMgL, 79.0, &["alkalinity-low-warn"], &["alkalinity-low-critical"]),
        (Q::AlkalinityMgL, 49.0, &["alkalinity-low-warn", "alkalinity-low-critical"], &[]),
        (Q::AlkalinityMgL, 221.0, &["alkalinity-high"], &["alkalinity-low-warn"]),
        (Q::SecchiCm, 30.0, &[], &["secchi-low", "secchi-high-warn", "secchi-change"]),
        (Q::SecchiCm, 19.0, &["secchi-low"], &["secchi-change"]),
        (Q::SecchiCm, 51.0, &["secchi-high-warn"], &["secchi-change"]),
        (Q::PhosphateMgL, 0.45, &[], &["phosphate-high"]),
        (Q::PhosphateMgL, 0.55, &["phosphate-high"], &[]),
        (Q::IronMgL, 0.5, &[], &["iron-warn"]),
        (Q::IronMgL, 0.6, &["iron-warn"], &["iron-critical"]),
        (Q::IronMgL, 1.1, &["iron-warn", "iron-critical"], &[]),
        (Q::SludgePh, 6.4, &[], &["sludge-ph-low-warn"]),
        (Q::SludgePh, 6.2, &["sludge-ph-low-warn"], &["sludge-ph-low-critical"]),
        (Q::SludgePh, 5.4, &["sludge-ph-low-warn", "sludge-ph-low-critical"], &[]),
    ];
    for (quantity, value, raised, quiet) in table {
        let mut farm = Farm::start(MORNING);
        farm.enter(MORNING + 10, quantity, value);
        for alarm in raised {
            let id = format!("p1.{alarm}");
            assert_eq!(farm.raised(&id), [at(MORNING + 10)], "{} {value}: {alarm}", quantity.id());
            assert!(farm.message(&id).starts_with("Heron (p1): "), "{}", farm.message(&id));
        }
        for alarm in quiet {
            let raised = farm.raised(&format!("p1.{alarm}"));
            assert!(raised.is_empty(), "{} {value}: {alarm}", quantity.id());
        }
    }
}

/// At 5 PSU about 1.56 mg/L of nitrite are safe: critical beyond it, a warning beyond half of it, 0.78.
#[test]
fn nitrite_is_judged_by_the_salinity_entered() {
    for (nitrite, warns, is_critical) in [(0.75, false, false), (0.82, true, false), (1.6, true, true)] {
        let mut farm = Farm::start(MORNING);
        farm.enter(MORNING + 5, Quantity::SalinityPsu, 5.0);
        farm.enter(MORNING + 10, Quantity::NitriteMgL, nitrite);
        assert_eq!(farm.raised("p1.nitrite-warn").len(), usize::from(warns), "{nitrite} mg/L");
        assert_eq!(farm.raised("p1.nitrite-critical").len(), usize::from(is_critical), "{nitrite} mg/L");
        if warns {
            let said = farm.message("p1.nitrite-warn");
            assert!(said.contains("above 0.78") && said.contains("5.0 PSU"), "{said}");
        }
    }
}

/// Sulfide at pH 7 and 30 °C in brackish water: about two fifths of it un-ionised (fresh water has 49 %, sea
/// water 29 %), so 0.1 mg/L is beyond 0.02; at pH 9 a hundredth and less, so it is not beyond 0.005.
#[test]
fn sulfide_is_judged_by_its_un_ionised_share() {
    for (ph, alarms) in [(7.0, 1), (9.0, 0)] {
        let mut farm = Farm::start(MORNING);
        farm.sweep(MORNING + 1, &[(Quantity::Ph, ph), (Quantity::TemperatureC, 30.0)]);
        farm.enter(MORNING + 2, Quantity::SulfideMgL, 0.1);
        assert_eq!(farm.raised("p1.h2s-critical").len(), alarms, "pH {ph}");
    }
}

/// Two discs within a day: 28 cm and 65 cm. After a day the change is over; one of two days ago is none.
#[test]
fn the_disc_is_compared_with_that_of_the_day_before() {
    let day = 24 * 60;
    let mut farm = Farm::start(MORNING);
    farm.enter(MORNING + 60, Quantity::SecchiCm, 28.0);
    farm.enter(MORNING + 60 + day, Quantity::SecchiCm, 65.0);
    assert_eq!(farm.raised("p1.secchi-change"), [at(MORNING + 60 + day)]);
    let said = farm.message("p1.secchi-change");
    assert!(said.contains("at 28 cm") && said.contains("at 65 cm") && said.contains("TAN"), "{said}");
    farm.wake(MORNING + 60 + day + 27 * 60);
    assert_eq!(farm.state("p1.secchi-change"), AlarmState::ReturnedUnacknowledged);

    let mut rare = Farm::start(MORNING);
    rare.enter(MORNING + 60, Quantity::SecchiCm, 28.0);
    rare.enter(MORNING + 60 + 2 * day, Quantity::SecchiCm, 65.0);
    assert!(rare.raised("p1.secchi-change").is_empty());
}

fn temperature(farm: &mut Farm, minute: i64, value: f64) {
    // A value that never moved would be a stuck probe.
    let value = value + 0.03 * ((minute % 3) as f64 - 1.0);
    farm.sweep(minute, &[(Quantity::Ph, 8.0 + 0.01 * (minute % 5) as f64), (Quantity::TemperatureC, value)]);
}

/// Warm water counts from 32.5 °C on after half an hour; the water is looked at each five minutes.
#[test]
fn warm_water_alarms_after_half_an_hour() {
    let mut farm = Farm::start(MORNING);
    for minute in 0..120 {
        temperature(&mut farm, MORNING + minute, 32.3);
    }
    assert!(farm.raised("p1.temperature-high-warn").is_empty());
    for minute in 120..200 {
        temperature(&mut farm, MORNING + minute, 32.8);
    }
    let raised = farm.raised("p1.temperature-high-warn");
    let after = raised.first().map(|&at_it| at_it - at(MORNING + 120)).expect("raised");
    assert!(after >= minutes(30) && after <= minutes(36), "{raised:?}");
}

/// 2.4 °C lost within 40 minutes is more than 2 °C in an hour; the same over two hours is not.
#[test]
fn a_fast_change_of_temperature_alarms_and_a_slow_one_does_not() {
    for (per_minute, alarms) in [(0.06, 1), (0.02, 0)] {
        let mut farm = Farm::start(MORNING);
        for minute in 0..180 {
            let lost = (per_minute * (minute - 60).max(0) as f64).min(2.4);
            temperature(&mut farm, MORNING + minute, 30.0 - lost);
        }
        assert_eq!(farm.raised("p1.temperature-change-hour").len(), alarms, "{per_minute} C a minute");
        if alarms == 1 {
            let said = farm.effects.iter().find_map(|effect| match effect {
                Effect::AlarmChanged(change) if change.id == "p1.temperature-change-hour" => {
                    Some(change.message.clone())
                }
                _ => None,
            });
            assert!(said.as_ref().is_some_and(|said| said.contains("changed by -2.")), "{said:?}");
        }
    }
}

/// The farm with a salt probe at the surface, and one at the bottom if wanted.
fn layered_site(with_bottom: bool) -> Site {
    let mut site = site();
    let mut add = |id: &str, layer: Layer, quantities: &[Quantity]| {
        let channels = quantities
            .iter()
            .map(|&quantity| Channel { layer: Some(layer), ..Channel::uncorrected(quantity) });
        site.probes.push(Probe {
            id: id.into(),
            pond: Some(PondIndex(0)),
            link: "line".into(),
            node: None,
            channels: channels.collect(),
        });
    };
    add("surface", Layer::Surface, &[Quantity::SalinityPsu, Quantity::TemperatureC]);
    if with_bottom {
        add("bottom", Layer::Bottom, &[Quantity::SalinityPsu, Quantity::TemperatureC]);
    }
    site
}

fn layers(farm: &mut Farm, minute: i64, psu: &[f64]) {
    for (nr, psu) in (0_u16..).zip(psu) {
        let wobble = 0.02 * ((minute % 3) as f64 - 1.0);
        // Rain is cool.
        let cool = if nr == 0 { 18.0 - psu } else { 0.0 };
        let sample = |quantity, value| Sample {
            probe: ProbeIndex(4 + nr),
            quantity,
            channel: None,
            value,
            taken_at: None,
        };
        let samples = vec![
            sample(Quantity::SalinityPsu, psu + wobble),
            sample(Quantity::TemperatureC, 29.0 - cool + wobble),
        ];
        farm.event(minute, Event::Sweep { samples });
    }
}

/// Rain takes 0.1 PSU a minute from the surface until it is 2.5 PSU fresher than the bottom: beyond 2 after 20
/// minutes, told a quarter of an hour later. Cool rain on top says nothing against either thermometer.
#[test]
fn fresh_water_on_top_of_a_measured_bottom_alarms() {
    let mut farm = Farm::start(MORNING);
    farm.event(MORNING, Event::SiteChanged { site: layered_site(true) });
    for minute in 1..240 {
        let surface = 18.0 - (0.1 * (minute - 120) as f64).clamp(0.0, 2.5);
        layers(&mut farm, MORNING + minute, &[surface, 18.0]);
    }
    let raised = farm.raised("p1.stratified");
    let after = raised.first().map(|&at_it| at_it - at(MORNING + 120)).expect("raised");
    assert!(after >= minutes(35) && after <= minutes(43), "{raised:?}");
    let said = farm.message("p1.stratified");
    assert!(said.contains("15.5 PSU") && said.contains("at the bottom") && said.contains("cooler"), "{said}");
    for probe in ["surface", "bottom"] {
        assert!(farm.raised(&format!("p1.probe-fault.{probe}")).is_empty(), "{probe} is doubted");
    }
}

/// Without a probe at the bottom, what the surface had half a day before speaks for the deep water.
#[test]
fn fresh_water_on_top_is_told_from_the_surface_alone() {
    let mut farm = Farm::start(MORNING);
    farm.event(MORNING, Event::SiteChanged { site: layered_site(false) });
    let rain = 14 * 60;
    for minute in 1..rain + 120 {
        let surface = if minute < rain { 18.0 } else { 14.5 };
        layers(&mut farm, MORNING + minute, &[surface]);
    }
    let raised = farm.raised("p1.stratified");
    let after = raised.first().map(|&at_it| at_it - at(MORNING + rain)).expect("raised");
    assert!(after >= minutes(15) && after <= minutes(23), "{raised:?}");
    // 3.5 PSU are more than 3 in a day, for half an hour.
    let raised = farm.raised("p1.salinity-change-warn");
    let after = raised.first().map(|&at_it| at_it - at(MORNING + rain)).expect("raised");
    assert!(after >= minutes(30) && after <= minutes(38), "{raised:?}");
    assert!(farm.raised("p1.salinity-change-critical").is_empty());
}

/// Every alarm of the water explains itself, in alarm or not.
#[test]
fn every_alarm_of_the_water_explains_itself() {
    let mut farm = Farm::start(MORNING);
    farm.enter(MORNING + 10, Quantity::TanMgL, 2.5);
    for water in Water::ALL {
        let why = farm.state.why(&format!("p1.{}", water.suffix())).expect("a known alarm");
        assert_eq!(why.limit_key, Some(water.key()));
        assert!(!why.raised_when.is_empty() && !why.clears_when.is_empty());
        assert!(why.says.is_ascii(), "{}", why.says);
    }
    let why = farm.state.why("p1.tan-warn").expect("known");
    assert_eq!(why.raised_when.english(), "total ammonia above 2.00 mg/L as N");
    let why = farm.state.why("p1.tan-critical").expect("known");
    assert!(why.raised_when.contains("2.77") && why.raised_when.contains("18.0 PSU"), "{}", why.raised_when);
    assert_eq!(why.says.english(), "Not in alarm: total ammonia 2.50 mg/L as N.");
}

/// TAN 1.5 mg/L at pH 8 and 28 °C: about 0.075 mg/L un-ionised (the share in brackish water is about 5 %), between
/// half of 0.12 and 0.12. Oxygen of 6 mg/L leaves the critical limit whole, 3.5 halves it.
#[test]
fn ammonia_is_more_toxic_where_oxygen_is_short() {
    for (oxygen, alarms) in [(6.0, 0), (3.5, 1)] {
        let mut farm = Farm::start(MORNING);
        for minute in 0..20 {
            let water = [
                (Quantity::DoMgL, oxygen + 0.01 * f64::from(minute % 3)),
                (Quantity::Ph, 8.0),
                (Quantity::TemperatureC, 28.0),
            ];
            farm.sweep(MORNING + i64::from(minute), &water);
        }
        farm.enter(MORNING + 20, Quantity::TanMgL, 1.5);
        let id = "p1.nh3-mean-critical";
        assert_eq!(farm.raised(id).len(), alarms, "oxygen {oxygen}");
        if alarms > 0 {
            let said = farm.message(id);
            assert!(said.contains("limit 0.06, half of 0.12: oxygen is below 3.7"), "{said}");
        }
    }
}
