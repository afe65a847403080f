//! What cannot come out of a pond or a store room: more than went into it, whatever the order of the entries.

mod farm;

use farm::{Farm, at};
use pondreeve_core::Event;
use pondreeve_core::diary::{Count, Dose, Entry, Feed, Harvest, Mortality, Sampling, Stocking, What};
use pondreeve_core::effect::{Effect, Recorded};
use pondreeve_core::site::PondIndex;

const DAY: i64 = 24 * 60;

/// Records at `now` what happened at `minute`, perhaps in place of another entry: its number, or why not.
fn record(
    farm: &mut Farm,
    (now, minute): (i64, i64),
    corrects: Option<u64>,
    what: What,
) -> Result<u64, String> {
    let entry = Entry { number: 0, at: at(minute), corrects, basin: None, what };
    let mut event = Event::Diary { pond: PondIndex(0), entry, by: "technician".into() };
    farm.state.complete(&mut event, at(now));
    let before = farm.effects.len();
    farm.event(now, event);
    let told = farm.effects.drain(before..).find_map(|effect| match effect {
        Effect::Recorded(Recorded { entry, .. }) => Some(Ok(entry.number)),
        Effect::Refused { reason, .. } => Some(Err(reason.into())),
        _ => None,
    });
    told.expect("recorded or refused")
}

fn stocking(count: u32) -> What {
    What::Stocking(Stocking { count, species: None, lot: None, size: None, abw_g: Some(0.002) })
}

fn dead(count: u32) -> What {
    What::Mortality(Mortality { count: Some(count), kg: None })
}

fn harvest(kg: f64, abw_g: f64) -> What {
    What::Harvest(Harvest { kg, abw_g: Some(abw_g), price_per_kg: None, is_final: false })
}

fn sample(count: u32, total_g: f64) -> What {
    What::Sampling(Sampling { count, total_g })
}

fn stocked() -> Farm {
    let mut farm = Farm::start(0);
    assert_eq!(record(&mut farm, (10, 5), None, stocking(600_000)), Ok(1));
    farm
}

/// 8,000 kg at 15 g are 533,333 shrimp; of 600,000 with a tenth for the error of counts, 660,000 can come out.
#[test]
fn no_more_die_than_were_stocked() {
    let mut farm = stocked();
    let now = 100 * DAY;
    let refused = record(&mut farm, (now, now), None, dead(700_000)).unwrap_err();
    assert!(
        refused.contains("700000 shrimp") && refused.contains("accepted are 660000 at most"),
        "{refused}"
    );
    assert_eq!(record(&mut farm, (now, now), None, dead(130_000)), Ok(2));
    let refused = record(&mut farm, (now, now), None, harvest(8_000.0, 15.0)).unwrap_err();
    // 470,000 by the books and a tenth of 600,000: 530,000 of 15 g.
    assert!(refused.contains("130000 found dead before; up to 7950 kg"), "{refused}");
    assert_eq!(record(&mut farm, (now, now), None, harvest(7_900.0, 15.0)), Ok(3));
}

#[test]
fn what_comes_late_or_is_corrected_adds_up_too() {
    let mut farm = stocked();
    let now = 100 * DAY;
    assert_eq!(record(&mut farm, (now, now - DAY), None, harvest(8_000.0, 15.0)), Ok(2));
    // Ten days before the harvest that is on record: alone it would fit.
    let late = record(&mut farm, (now, now - 11 * DAY), None, harvest(8_000.0, 15.0)).unwrap_err();
    assert!(late.contains("1066667 shrimp") && late.contains("of 600000 stocked"), "{late}");
    let fewer = record(&mut farm, (now, 5), Some(1), stocking(60_000)).unwrap_err();
    assert!(fewer.contains("533333 shrimp") && fewer.contains("66000 at most"), "{fewer}");
    assert_eq!(record(&mut farm, (now, 5), Some(1), stocking(590_000)), Ok(3), "485,000 would do");
    // 8,800 kg instead: 586,667.
    assert_eq!(record(&mut farm, (now, now - DAY), Some(2), harvest(8_800.0, 15.0)), Ok(4));
}

/// 80 shrimp of 712 g are 8.9 g each; the same in kg comes out at 9 mg.
#[test]
fn another_unit_is_seen_by_shrimp_that_shrink() {
    let mut farm = stocked();
    let now = 58 * DAY;
    assert_eq!(record(&mut farm, (now, now), None, sample(80, 712.0)), Ok(2));
    for what in [sample(80, 0.712), harvest(100.0, 0.009)] {
        let refused = record(&mut farm, (now + DAY, now + DAY), None, what).unwrap_err();
        assert!(refused.contains("accepted are 4.45 g each and more"), "{refused}");
    }
    assert_eq!(record(&mut farm, (now + DAY, now + DAY), None, sample(80, 690.0)), Ok(3), "a sample is off");
    assert_eq!(record(&mut farm, (now + DAY, now), Some(2), sample(80, 71.2)), Ok(4), "itself was wrong");
}

#[test]
fn the_same_is_not_told_twice() {
    let mut farm = stocked();
    let feed = |kg| What::Feed(Feed { kg, tray_left_percent: None });
    assert_eq!(record(&mut farm, (20, 15), None, feed(38.0)), Ok(2));
    let twice = record(&mut farm, (21, 15), None, feed(38.0)).unwrap_err();
    assert!(twice.contains("entry 2 says the same of the same time; accepted is another time"), "{twice}");
    assert_eq!(record(&mut farm, (21, 16), None, feed(38.0)), Ok(3));
    assert_eq!(record(&mut farm, (21, 15), None, feed(12.0)), Ok(4), "a second feeder");
    let dose = |stop| What::Dose(Dose { slurry_kg: Some(30.0), stop, ..Dose::default() });
    assert_eq!(record(&mut farm, (200, 60), None, dose(Some(at(90)))), Ok(5));
    let over = record(&mut farm, (200, 80), None, dose(Some(at(100)))).unwrap_err();
    assert!(over.contains("it overlaps entry 5, dose of the same pond"), "{over}");
    assert_eq!(record(&mut farm, (200, 90), None, dose(Some(at(100)))), Ok(6));
    assert_eq!(record(&mut farm, (200, 60), Some(5), dose(Some(at(85)))), Ok(7));
}

/// Twelve containers of 25 kg, 30 kg of them given: 10.8 are left.
#[test]
fn no_dose_takes_more_than_the_store_room_has() {
    let mut farm = stocked();
    let lot = || Some("M-17".into());
    let dose = |kg| Dose { slurry_kg: Some(kg), lot: lot(), container_kg: Some(25.0), ..Dose::default() };
    let count = |left, delivered| {
        What::Count(Count { lot: lot(), left, delivered, container_kg: Some(25.0), reason: None })
    };
    assert_eq!(record(&mut farm, (10, 10), None, count(12.0, None)), Ok(2));
    assert_eq!(record(&mut farm, (20, 20), None, What::Dose(dose(30.0))), Ok(3));
    let refused = record(&mut farm, (30, 30), None, What::Dose(dose(400.0))).unwrap_err();
    assert!(refused.contains("it takes 16.0 containers of lot M-17"), "{refused}");
    assert!(refused.contains("entry 2 and the doses since 10.8 are left"), "{refused}");
    assert_eq!(record(&mut farm, (30, 30), None, What::Dose(dose(275.0))), Ok(4), "11 of 10.8: near enough");
    // Before the first count nothing is known; another lot was never counted.
    assert_eq!(record(&mut farm, (40, 5), None, What::Dose(dose(400.0))), Ok(5));
    let other = Dose { lot: Some("M-18".into()), ..dose(400.0) };
    assert_eq!(record(&mut farm, (40, 39), None, What::Dose(other)), Ok(6));
    let confirmed = Dose { is_confirmed: true, ..dose(400.0) };
    assert_eq!(record(&mut farm, (41, 41), None, What::Dose(confirmed)), Ok(7));
}
