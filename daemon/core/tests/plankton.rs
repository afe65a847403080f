//! Weeks of two ponds whose plankton does well, crashes or blooms, and of weather over both.
//!
//! The water is a model of a few lines, stepped each quarter of an hour and unlike the core's own in every
//! constant: production follows the light, respiration is steady, air gives a fixed share of what lacks.

mod farm;

use farm::{Farm, at};
use pondreeve_core::effect::{AlarmState, Effect, Priority};
use pondreeve_core::input::Sample;
use pondreeve_core::site::{Channel, PondIndex, Probe, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Site, Span, State};

const DAY: i64 = 24 * 60;
const EVERY: i64 = 15;

/// What one day of one pond is like.
#[derive(Clone, Copy)]
struct Water {
    /// Gross production of a bright day, mg/L.
    production: f64,
    /// Respiration, mg/L per hour.
    respiration: f64,
}

const WELL: Water = Water { production: 9.6, respiration: 0.4 };

/// The farm of the other tests with readings each quarter of an hour and proof of what runs.
fn site() -> Site {
    let mut site = farm::site();
    for pond in 0..2 {
        let channel = |group| Channel { aerator: Some(group), ..Channel::uncorrected(Quantity::AeratorOn) };
        site.probes.push(Probe {
            id: format!("motors{pond}"),
            pond: Some(PondIndex(pond)),
            link: String::new(),
            node: None,
            channels: vec![channel(0), channel(1)],
        });
    }
    for channel in site.probes.iter_mut().flat_map(|probe| &mut probe.channels) {
        channel.quality = channel.quality.reporting_every(Span::from_minutes(EVERY));
    }
    site
}

/// Inputs of so many days from a sunset at the equator on. `light` is the day's share of a bright day's.
fn weeks(days: i64, light: impl Fn(i64) -> f64, water: impl Fn(i64, usize) -> Water) -> Vec<Input> {
    let start = 18 * 60;
    let mut inputs = vec![Input { seq: 0, at: at(start), event: Event::Started { site: site() } }];
    let mut oxygen = [7.0_f64; 2];
    for step in 0..days * DAY / EVERY {
        let since = step * EVERY;
        // The day that a sunset begins; its own light comes in the second half.
        let day = since / DAY;
        let hour = (since % DAY) as f64 / 60.0;
        let sun = if hour < 12.0 { 0.0 } else { ((hour - 12.0) / 12.0 * std::f64::consts::PI).sin() };
        let sun = sun * light(day);
        let mut samples = Vec::new();
        for (pond, oxygen) in oxygen.iter_mut().enumerate() {
            let Water { production, respiration } = water(day, pond);
            // The mean of a half sine is 2 / pi.
            let made = production * sun * std::f64::consts::PI / 2.0 / 12.0;
            *oxygen = (*oxygen + 0.25 * (made - respiration + 0.012 * (6.8 - *oxygen))).max(0.3);
            let jitter = 0.02 * ((step + pond as i64) % 3 - 1) as f64;
            // Water takes up carbon dioxide as it gives oxygen, and warms by what light it gets.
            let warm = 28.5 + light(day) * (hour / 24.0 * std::f64::consts::TAU - 2.6).cos();
            let values = [
                (2 * pond, Quantity::DoMgL, None, *oxygen + jitter),
                (2 * pond + 1, Quantity::Ph, None, 7.7 + 0.06 * *oxygen + jitter / 4.0),
                (2 * pond + 1, Quantity::TemperatureC, None, warm + jitter),
                (4 + pond, Quantity::AeratorOn, Some(0), 0.0),
                (4 + pond, Quantity::AeratorOn, Some(1), 0.0),
            ];
            samples.extend(values.map(|(probe, quantity, channel, value)| Sample {
                probe: ProbeIndex(probe as u16),
                quantity,
                channel,
                value,
                taken_at: None,
            }));
        }
        inputs.push(Input { seq: step as u64 + 1, at: at(start + since), event: Event::Sweep { samples } });
    }
    inputs
}

fn run(inputs: &[Input]) -> Farm {
    let mut farm = Farm::start(0);
    (farm.state, farm.effects) = (State::new(), Vec::new());
    for input in inputs {
        farm.state.step(input, &mut farm.effects);
    }
    farm
}

/// When a notice was raised, in days since the first sunset.
fn notices(farm: &Farm, id: &str) -> Vec<f64> {
    farm.raised(id).iter().map(|&raised| (raised - at(18 * 60)).as_hours() / 24.0).collect()
}

fn none(farm: &Farm) {
    for id in ["p1.plankton-crash", "p2.plankton-crash", "p1.plankton-bloom", "p2.plankton-bloom"] {
        assert_eq!(notices(farm, id), [], "{id}");
    }
}

#[test]
fn a_crash_is_noticed_within_two_days_in_its_own_pond_only() {
    let crashed = |day, pond| match (day, pond) {
        // Dead plankton makes a quarter and rots.
        (10.., 0) => Water { production: 2.4, respiration: 0.52 },
        _ => WELL,
    };
    let farm = run(&weeks(13, |_| 1.0, crashed));
    let raised = notices(&farm, "p1.plankton-crash");
    // The night that begins day 10 is the first; the day ends with sunset 11.
    assert!(matches!(raised[..], [day] if (11.0..12.0).contains(&day)), "{raised:?}");
    assert_eq!(notices(&farm, "p2.plankton-crash"), []);
    let message = farm.message("p1.plankton-crash");
    assert!(message.starts_with("Heron (p1): the plankton may have crashed: "), "{message}");
    assert!(message.contains("all aerators, cut feed, exchange part of the water"), "{message}");
    assert!(message.contains("Do not lime or fertilise"), "{message}");
    assert!(message.contains("other ponds made"), "{message}");
    let change = farm.effects.iter().find_map(|effect| match effect {
        Effect::AlarmChanged(change) if change.id == "p1.plankton-crash" => Some(change.priority),
        _ => None,
    });
    assert_eq!(change, Some(Priority::Medium), "advice: the horn is silent");
    // Oxygen that the crash makes low is alarmed all the same.
    assert_ne!(farm.state("p1.do-low-critical"), AlarmState::Normal);
}

/// Two days at a third of the light over the whole farm, and one at a third seen by one pond alone, the
/// other's oxygen probe being silent.
#[test]
fn clouds_over_the_whole_farm_are_no_crash() {
    let dull = |day| if (10..12).contains(&day) { 0.33 } else { 1.0 };
    none(&run(&weeks(15, dull, |_, _| WELL)));
    let one_dark = |day| if day == 10 { 0.3 } else { 1.0 };
    let mut inputs = weeks(13, one_dark, |_, _| WELL);
    for input in &mut inputs {
        if let Event::Sweep { samples } = &mut input.event {
            samples.retain(|sample| sample.probe != ProbeIndex(2));
        }
    }
    none(&run(&inputs));
}

#[test]
fn a_bloom_is_noticed_once_it_has_risen_for_days() {
    // An eighth more each day from day 8 on, and more that breathes, though less than is made.
    let blooming = |day: i64, pond| {
        let rise = if pond == 0 { 1.12_f64.powi((day - 8).max(0) as i32) } else { 1.0 };
        Water { production: WELL.production * rise, respiration: WELL.respiration * rise.powf(0.8) }
    };
    let farm = run(&weeks(16, |_| 1.0, blooming));
    let raised = notices(&farm, "p1.plankton-bloom");
    // 1.12^3 is the first above 1.4: days 11, 12 and 13 are so high, and day 13 ends with sunset 14. By
    // sunset 16 it is 2.2 times as much.
    assert!(matches!(raised[..], [day] if (14.0..16.0).contains(&day)), "{raised:?}");
    assert_eq!(notices(&farm, "p2.plankton-bloom"), []);
    let message = farm.message("p1.plankton-bloom");
    assert!(message.starts_with("Heron (p1): the plankton blooms: "), "{message}");
    assert!(message.contains("Dose nothing alkaline in the afternoon"), "{message}");
    none(&run(&weeks(16, |day| if day < 10 { 0.6 } else { 1.0 }, |_, _| WELL)));
}

/// A journal cut anywhere and read again gives the same farm days and notices.
#[test]
fn a_restart_forgets_no_farm_day() {
    let crashed = |day, pond| match (day, pond) {
        (10.., 0) => Water { production: 2.4, respiration: 0.52 },
        _ => WELL,
    };
    let inputs = weeks(12, |_| 1.0, crashed);
    let whole = run(&inputs);
    for cut in [inputs.len() / 3, inputs.len() - 96, inputs.len() - 40] {
        let mut rebuilt = run(&inputs[..cut]);
        let again = run(&inputs[..cut]);
        assert_eq!(rebuilt.state, again.state);
        // Woken meanwhile or not.
        let between = inputs[cut].at;
        rebuilt.state.wake(between, &mut rebuilt.effects);
        for input in &inputs[cut..] {
            rebuilt.state.step(input, &mut rebuilt.effects);
        }
        assert_eq!(rebuilt.state, whole.state);
        assert_eq!(rebuilt.effects, whole.effects);
    }
    let view = whole.state.view();
    let day = view.ponds[0].turnover.and_then(|day| day.balance.ok());
    assert!(day.is_some_and(|balance| balance.production_mg_l < 5.0), "{day:?}");
    assert!(view.ponds[1].turnover_trend.is_some_and(|trend| trend.production_mg_l.abs() < 0.3));
}
