//! What can be but is odd: it is recorded, and what is odd about it is said.

mod farm;

use farm::{Farm, at};
use pondreeve_core::diary::{Dose, Entry, Sampling, Stocking, What};
use pondreeve_core::effect::Effect;
use pondreeve_core::said::Said;
use pondreeve_core::site::PondIndex;
use pondreeve_core::state::Doubts;
use pondreeve_core::{Event, Quantity};

const HOUR: i64 = 60;
const DAY: i64 = 24 * HOUR;

/// What is odd about it, and its number once it is recorded.
fn record(farm: &mut Farm, minute: i64, when: i64, what: What) -> (Doubts, u64) {
    let entry = Entry { number: 0, at: at(when), corrects: None, basin: None, what };
    farm.wake(minute);
    let doubts = farm.state.doubts(PondIndex(0), &entry);
    let mut event = Event::Diary { pond: PondIndex(0), entry, by: "technician".into() };
    farm.state.complete(&mut event, at(minute));
    farm.event(minute, event);
    let number = farm.effects.iter().rev().find_map(|effect| match effect {
        Effect::Recorded(recorded) => Some(recorded.entry.number),
        _ => None,
    });
    (doubts, number.expect("recorded"))
}

fn dose() -> What {
    What::Dose(Dose { slurry_kg: Some(30.0), solids_percent: Some(60.0), ..Dose::default() })
}

fn keys(doubts: &Doubts) -> Vec<&str> {
    doubts.against.iter().map(Said::key).collect()
}

/// The gate's rules of the trade: what is not known or above its limit speaks against it, and the dose is recorded.
#[test]
fn a_dose_against_advice_is_recorded_and_told() {
    let mut farm = Farm::start(6 * HOUR);
    let now = 7 * HOUR;
    let enter = |farm: &mut Farm, quantity, value| {
        let event =
            Event::ManualSample { pond: PondIndex(0), quantity, value, taken_at: None, by: "ana".into() };
        farm.event(now, event);
    };
    enter(&mut farm, Quantity::Ph, 8.6);
    enter(&mut farm, Quantity::TanMgL, 0.1);
    let (doubts, number) = record(&mut farm, now + 5, now, dose());
    assert_eq!(number, 1);
    let said: Vec<&str> = doubts.against.iter().map(Said::english).collect();
    assert!(said.contains(&"pH 8.60 (limit 8.5)"), "{said:?}");
    assert!(keys(&doubts).contains(&"against-untested"), "{said:?}");

    // Two days later, entered three hours afterwards: how the water was is not known any more, what the diary and
    // the sun tell is. It was noon.
    let noon = now + 2 * DAY + 5 * HOUR;
    let (doubts, number) = record(&mut farm, noon + 3 * HOUR, noon, dose());
    assert_eq!((keys(&doubts), number), (vec!["against-apart", "against-hour"], 2));
    assert!(doubts.against[0].contains("dosed 2 days ago (at least 5 days apart)"), "{}", doubts.against[0]);

    // One of last week that comes late is held against none that came after it.
    let (doubts, _) = record(&mut farm, noon + 4 * HOUR, now - 7 * DAY, dose());
    assert_eq!(keys(&doubts), [""; 0]);
    let (doubts, _) =
        record(&mut farm, noon + 5 * HOUR, noon + 5 * HOUR, What::Note { words: "calm".into() });
    assert_eq!(doubts, Doubts::default());
}

/// 8.9 g a week ago: 60 % more are 14.24 g, 4 g more 12.9; 1.0 g: 60 % more are 1.6 g, 4 g more 5.0. Doubted is what
/// is above both.
#[test]
fn growth_that_hardly_is_and_a_cost_entered_twice_are_doubted() {
    let weighed = |abw_g: f64| What::Sampling(Sampling { count: 100, total_g: 100.0 * abw_g });
    for (before, after, days, is_odd) in [
        (8.9, 14.2, 7, false),
        (8.9, 14.3, 7, true),
        (8.9, 14.3, 1, true),
        (8.9, 14.3, 14, false),
        (1.0, 4.9, 7, false),
        (1.0, 5.1, 7, true),
    ] {
        let mut farm = Farm::start(6 * HOUR);
        let stocked = Stocking { count: 600_000, species: None, lot: None, size: None, abw_g: Some(before) };
        record(&mut farm, 6 * HOUR, 6 * HOUR, What::Stocking(stocked));
        let later = 6 * HOUR + days * DAY;
        let (doubts, number) = record(&mut farm, later, later, weighed(after));
        let told: Vec<&str> = doubts.unlikely.iter().map(Said::key).collect();
        assert_eq!(told.contains(&"mind-grew-fast"), is_odd, "{before} {after} {days}: {told:?}");
        assert_eq!(number, 2, "recorded all the same");
    }

    let cost = |item: &str, amount| What::Cost { item: item.into(), amount };
    let mut farm = Farm::start(6 * HOUR);
    let mut is_odd = |minute: i64, what| {
        let (doubts, _) = record(&mut farm, minute, minute, what);
        doubts.unlikely.iter().any(|own| own.contains("Entry 1 has the same cost"))
    };
    assert!(!is_odd(7 * HOUR, cost("Feed", 812.5)));
    assert!(is_odd(7 * HOUR, cost("Feed", 812.5)), "sent twice at once");
    assert!(is_odd(30 * HOUR, cost("feed ", 812.5)));
    assert!(!is_odd(31 * HOUR, cost("feed", 812.0)) && !is_odd(31 * HOUR, cost("ice", 812.5)));
    assert!(!is_odd(9 * DAY, cost("Feed", 812.5)));
}
