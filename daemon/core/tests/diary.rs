//! What people do to a pond: arithmetic against hand-worked examples, refusals, corrections.

mod farm;

use farm::{Farm, at, minutes};
use pondreeve_chemistry::dose::{Basis, Slurry};
use pondreeve_core::diary::{
    Count, Dose, Entry, Feed, Harvest, Kind, Mortality, Sampling, Sludge, Stocking, WaterMove, What,
};
use pondreeve_core::effect::{Effect, Recorded};
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Event, Input, Quantity, State, Timestamp};
use proptest::prelude::*;

const DAY: i64 = 24 * 60;

/// An entry of something that happened a little before `minute`.
fn entry(minute: i64, what: What) -> Entry {
    Entry { number: 0, at: at(minute), corrects: None, basin: None, what }
}

/// Records as the shell does: completed first, journalled, then taken. The number, or why not.
fn record(farm: &mut Farm, pond: u16, minute: i64, entry: Entry) -> Result<u64, String> {
    let mut event = Event::Diary { pond: PondIndex(pond), entry, by: "technician".into() };
    farm.state.complete(&mut event, at(minute));
    let Event::Diary { entry: completed, .. } = event.clone() else { unreachable!() };
    let before = farm.effects.len();
    farm.event(minute, event);
    let mut new = farm.effects.drain(before..);
    let told = new.find_map(|effect| match effect {
        Effect::Recorded(Recorded { entry, .. }) => Some(Ok(entry.number)),
        Effect::Refused { reason, .. } => Some(Err(reason.into())),
        _ => None,
    });
    let told = told.expect("recorded or refused");
    // The journal alone tells which entries were refused.
    assert_eq!(completed.number, told.clone().unwrap_or(0));
    told
}

fn feed(kg: f64) -> What {
    What::Feed(Feed { kg, tray_left_percent: None })
}

fn stocking(count: u32) -> What {
    What::Stocking(Stocking { count, species: None, lot: None, size: Some("PL10".into()), abw_g: None })
}

fn harvest(kg: f64, abw_g: Option<f64>, is_final: bool) -> What {
    What::Harvest(Harvest { kg, abw_g, price_per_kg: Some(4.6), is_final })
}

fn levels(before: f64, after: f64) -> WaterMove {
    WaterMove { level_before_m: Some(before), level_after_m: Some(after), ..WaterMove::default() }
}

fn slurry(kg: Option<f64>, litres: Option<f64>, containers: Option<f64>) -> Dose {
    // Sixty percent solids of 2.36 kg/L in water make 1.53 kg/L.
    let density = Slurry::ideal_density_kg_l(60.0);
    Dose {
        slurry_kg: kg,
        slurry_l: litres,
        containers,
        lot: Some("A".into()),
        basis: Some(Basis::SlurryMass),
        solids_percent: Some(60.0),
        density_kg_l: Some((density * 100.0).round() / 100.0),
        container_kg: Some(25.0),
        ..Dose::default()
    }
}

/// Worked by hand for 7,500 m3, 60 % solids, 1.53 kg/L: "4 ppm" is 30.0 kg = 19.6 L counted as slurry, 50.0 kg =
/// 32.7 L counted as solids, and 30.0 L = 45.9 kg counted as millilitres of slurry.
#[test]
fn the_three_readings_of_four_ppm() {
    let tenth = |value: f64| (value * 10.0).round() / 10.0;
    let of = |dose: &Dose, basis| dose.strength(basis, 7_500.0).map(tenth);
    let mass = slurry(Some(30.0), None, None);
    assert_eq!((mass.litres().map(tenth), of(&mass, Basis::SlurryMass)), (Some(19.6), Some(4.0)));
    assert_eq!(of(&mass, Basis::SolidsMass), Some(2.4));
    // 2.4 mg/L of Mg(OH)2 at 100.09 g of CaCO3 for 58.32 g of it.
    assert_eq!(mass.alkalinity_added_mg_l(7_500.0).map(tenth), Some(4.1));
    let solids = slurry(Some(50.0), None, None);
    assert_eq!((solids.litres().map(tenth), of(&solids, Basis::SolidsMass)), (Some(32.7), Some(4.0)));
    let volume = slurry(None, Some(30.0), None);
    assert_eq!((volume.kg().map(tenth), of(&volume, Basis::SlurryVolume)), (Some(45.9), Some(4.0)));
    assert_eq!(of(&volume, Basis::SolidsMass), Some(3.7));
}

#[test]
fn amounts_that_differ_by_more_than_a_tenth_are_asked_about() {
    // 38.4 kg are 1.536 drums of 25 kg.
    assert_eq!(slurry(Some(38.4), None, Some(1.5)).mismatch(), None);
    assert_eq!(slurry(Some(30.0), Some(19.6), Some(1.2)).mismatch(), None);
    let poured = slurry(Some(38.4), None, Some(4.8)).mismatch().unwrap();
    assert!(poured.contains("38.4 kg weighed") && poured.contains("120.0 kg") && poured.contains("212 %"));
    let mut farm = Farm::start(0);
    let refused = record(&mut farm, 0, 1, entry(0, What::Dose(slurry(Some(30.0), Some(30.0), None))));
    assert!(refused.unwrap_err().contains("differ by 53 %"));
    let confirmed = Dose { is_confirmed: true, ..slurry(Some(30.0), Some(30.0), None) };
    assert_eq!(record(&mut farm, 0, 2, entry(0, What::Dose(confirmed))), Ok(1));
}

/// 712 g in 80 shrimp are 8.9 g each; 600,000 of them at most 5,340 kg, 4,272 kg if four fifths live.
#[test]
fn a_crop_from_stocking_to_harvest() {
    let mut farm = Farm::start(0);
    assert_eq!(record(&mut farm, 0, 10, entry(5, stocking(600_000))), Ok(1));
    let weighed = 58 * DAY;
    let sample = What::Sampling(Sampling { count: 80, total_g: 712.0 });
    assert_eq!(record(&mut farm, 0, weighed, entry(weighed - 30, sample)), Ok(2));
    let view = farm.state.view();
    let crop = view.ponds[0].diary.unwrap().crop.unwrap();
    assert_eq!((crop.day, crop.stocked, crop.abw_g), (58, 600_000.0, Some((8.9, at(weighed - 30)))));
    let near = |found: Option<f64>, wanted: f64| (found.unwrap() - wanted).abs() < 1e-6;
    assert!(near(crop.biomass_at_most_kg(), 5_340.0) && near(crop.biomass_guess_kg(), 4_272.0));
    let dead = What::Mortality(Mortality { count: Some(10_000), kg: None });
    assert_eq!(record(&mut farm, 0, weighed + 1, entry(weighed, dead)), Ok(3));
    // 1,800 kg at 9 g are 200,000.
    let day = 70 * DAY;
    assert_eq!(record(&mut farm, 0, day, entry(day, harvest(1_800.0, Some(9.0), false))), Ok(4));
    let crop = farm.state.view().ponds[0].diary.unwrap().crop.unwrap();
    assert_eq!((crop.harvested, crop.dead, crop.alive_at_most()), (200_000.0, 10_000.0, 390_000.0));
    // 390,000 are left by the books, and a tenth of the 600,000 for the error of counts: 6,750 kg at 15 g.
    let last = 105 * DAY;
    let refused = record(&mut farm, 0, last, entry(last, harvest(6_800.0, Some(15.0), true))).unwrap_err();
    assert!(refused.contains("453333 shrimp") && refused.contains("up to 6750 kg"), "{refused}");
    assert_eq!(record(&mut farm, 0, last, entry(last, harvest(6_500.0, Some(15.0), true))), Ok(5));
    assert_eq!(farm.state.view().ponds[0].diary.unwrap().crop, None);
    let refused = record(&mut farm, 0, last + 9, entry(last + 9, harvest(5.0, None, false))).unwrap_err();
    assert!(refused.contains("nothing was stocked since the final harvest"), "{refused}");
}

#[test]
fn what_cannot_be_is_refused_and_nothing_of_it_stays() {
    let water = |water: WaterMove| What::Drain(water);
    let volume = |m3: f64| WaterMove { volume_m3: Some(m3), ..WaterMove::default() };
    let words = |text: &str| What::Note { words: text.into() };
    let cases: Vec<(What, &str)> = vec![
        (feed(-3.0), "kg = -3 cannot be; accepted is 0.01 to 20000 kg"),
        (feed(f64::NAN), "kg = NaN cannot be"),
        (What::Feed(Feed { kg: 20.0, tray_left_percent: Some(130.0) }), "0 to 100 %"),
        (What::Dose(slurry(None, None, None)), "no amount of slurry"),
        (What::Dose(Dose { slurry_kg: Some(0.0), ..Dose::default() }), "slurry_kg = 0 cannot be"),
        (
            What::Dose(Dose { slurry_kg: Some(30.0), slurry_l: Some(20.0), ..Dose::default() }),
            "cannot be held against each other without the density",
        ),
        (What::Dose(Dose { containers: Some(2.0), ..Dose::default() }), "full container holds is not known"),
        (What::Dose(Dose { density_kg_l: Some(15.3), ..slurry(Some(1.0), None, None) }), "0.9"),
        (water(WaterMove::default()), "how much water is not said"),
        (water(levels(150.0, 130.0)), "level_before_m = 150 cannot be"),
        (water(levels(1.3, 1.5)), "the level rose from 1.3 to 1.5 m"),
        (water(WaterMove { volume_m3: Some(10.0), ..levels(1.5, 1.3) }), "levels and a volume cannot both"),
        (water(volume(8_000.0)), "107 % of the pond's 7500 m3"),
        (water(WaterMove { refilled_to_m: Some(1.0), ..levels(1.5, 1.3) }), "below level_after_m"),
        (water(WaterMove { stop: Some(at(-5)), ..volume(10.0) }), "ends 5 min before it begins"),
        (water(WaterMove { stop: Some(at(90)), ..volume(10.0) }), "its end lies 1 h 29 min in the future"),
        (What::Sampling(Sampling { count: 0, total_g: 10.0 }), "count = 0 cannot be"),
        (What::Sampling(Sampling { count: 2, total_g: 900.0 }), "average body weight = 450"),
        (stocking(0), "count = 0 cannot be"),
        (What::Mortality(Mortality { count: Some(3), kg: Some(1.0) }), "one of count and kg"),
        (harvest(-1.0, None, false), "kg = -1 cannot be"),
        (What::Sludge(Sludge::default()), "nothing of the sludge"),
        (What::Count(Count { left: -1.0, ..Count::default() }), "left = -1 cannot be"),
        (What::Sludge(Sludge { ph: Some(45.0), ..Sludge::default() }), "ph = 45 cannot be"),
        (words("  "), "the text is empty"),
        (words("a\u{1b}[2J"), "control characters"),
        (What::Cost { item: "power".into(), amount: -1.0 }, "amount = -1 cannot be"),
        (What::Withdrawal { reason: "mistyped".into() }, "a withdrawal of nothing"),
    ];
    let mut farm = Farm::start(0);
    let before = farm.state.view();
    for (what, why) in cases {
        let told = format!("{what:?}");
        let refused = record(&mut farm, 0, 1, entry(0, what)).expect_err(&told);
        assert!(refused.contains(why) && refused.contains("accepted"), "{told}: {refused}");
    }
    assert_eq!(farm.state.view().ponds[0].diary, before.ponds[0].diary);
    // The next that is accepted is the first.
    assert_eq!(record(&mut farm, 0, 1, entry(0, feed(30.0))), Ok(1));
    let refused = record(&mut farm, 0, 1, entry(7, feed(3.0))).unwrap_err();
    assert!(refused.contains("6 min in the future; up to 5 min is accepted"), "{refused}");
    let refused = record(&mut farm, 9, 1, entry(0, feed(3.0))).unwrap_err();
    assert!(refused.contains("pond number 9; the farm has 2 ponds"), "{refused}");
}

#[test]
fn a_correction_takes_the_place_and_the_old_one_counts_no_more() {
    let mut farm = Farm::start(0);
    let today = |farm: &Farm| farm.state.view().ponds[0].diary.unwrap().feed_today;
    record(&mut farm, 0, 10, entry(9, feed(300.0))).unwrap();
    let correct = |number, what| Entry { corrects: Some(number), ..entry(9, what) };
    assert_eq!(record(&mut farm, 0, 11, correct(1, feed(30.0))), Ok(2));
    assert_eq!((today(&farm).kg, today(&farm).meals), (30.0, 1));
    for (pond, what, why) in [
        (0, correct(1, feed(31.0)), "whose place entry 2 has taken"),
        (0, correct(77, feed(31.0)), "entry 77, which is none of this pond"),
        (1, correct(2, feed(31.0)), "entry 2, which is of pond p1"),
        (0, correct(2, What::Note { words: "x".into() }), "of another kind; accepted is feed"),
    ] {
        let refused = record(&mut farm, pond, 12, what).unwrap_err();
        assert!(refused.contains(why), "{refused}");
    }
    let withdrawal = What::Withdrawal { reason: "other pond".into() };
    assert_eq!(record(&mut farm, 0, 13, correct(2, withdrawal.clone())), Ok(3));
    assert_eq!(today(&farm).meals, 0);
    let refused = record(&mut farm, 0, 14, correct(3, withdrawal)).unwrap_err();
    assert!(refused.contains("which is a withdrawal"), "{refused}");
}

/// 0.2 m of 5,000 m2 are 1,000 m3; the next dose is reckoned with what is left.
#[test]
fn water_let_out_does_not_overlap_and_tells_the_depth() {
    let mut farm = Farm::start(0);
    let from_to = |from: i64, to: i64, water: WaterMove| {
        entry(from, What::Drain(WaterMove { stop: Some(at(to)), ..water }))
    };
    assert_eq!(record(&mut farm, 0, 200, from_to(60, 120, levels(1.5, 1.3))), Ok(1));
    let basin = farm.state.view().ponds[0].diary.unwrap().basin;
    assert!((basin.volume_m3() - 6_500.0).abs() < 1e-6 && basin.is_measured);
    assert_eq!(levels(1.5, 1.3).moved_m3(&basin).map(f64::round), Some(1_000.0));
    let exchange = |from, to| match from_to(from, to, levels(1.3, 1.2)) {
        Entry { what: What::Drain(water), at, .. } => Entry { at, ..entry(0, What::Exchange(water)) },
        other => other,
    };
    let refused = record(&mut farm, 0, 200, exchange(119, 150)).unwrap_err();
    assert!(refused.contains("it overlaps entry 1, drain of the same pond"), "{refused}");
    let same = entry(60, What::Exchange(levels(1.3, 1.2)));
    assert!(record(&mut farm, 0, 200, same).is_err(), "begun at the same time");
    assert_eq!(record(&mut farm, 0, 200, exchange(120, 150)), Ok(2), "one after the other");
    assert_eq!(record(&mut farm, 1, 200, exchange(100, 130)), Ok(3), "another pond");
    // An entry of long ago is not reckoned with today's depth.
    let old = entry(-9 * DAY, What::Drain(WaterMove { volume_m3: Some(7_000.0), ..WaterMove::default() }));
    assert_eq!(record(&mut farm, 1, 200, old.clone()), Ok(4), "of 7,500");
    assert_eq!(record(&mut farm, 0, 200, old), Ok(5));
    let now = WaterMove { volume_m3: Some(7_000.0), ..WaterMove::default() };
    assert!(record(&mut farm, 0, 200, entry(190, What::Drain(now))).is_err(), "of 6,500");
    // After a day the depth of the configuration holds again; a gauge or a dipstick is newer.
    farm.event(200 + 23 * 60, Event::Tick);
    farm.enter(210, Quantity::DepthM, 1.4);
    assert!((farm.state.view().ponds[0].diary.unwrap().basin.depth_m - 1.4).abs() < 1e-9);
    farm.enter(3 * DAY, Quantity::DoMgL, 5.0);
    assert!(!farm.state.view().ponds[0].diary.unwrap().basin.is_measured);
}

#[test]
fn memory_is_bounded_and_keeps_what_counts() {
    let mut farm = Farm::start(0);
    assert_eq!(record(&mut farm, 0, 1, entry(0, stocking(600_000))), Ok(1));
    for meal in 0..1_100 {
        let minute = 10 + meal * 32;
        record(&mut farm, 0, minute, entry(minute, feed(10.0))).unwrap();
    }
    let now = 10 + 1_100 * 32;
    let correct = |number, what| Entry { corrects: Some(number), ..entry(0, what) };
    let refused = record(&mut farm, 0, now, correct(2, feed(9.0))).unwrap_err();
    assert!(refused.contains("none of this pond that can still be corrected"), "{refused}");
    // The stocking counts for as long as the crop is in.
    assert_eq!(record(&mut farm, 0, now, correct(1, stocking(590_000))), Ok(1_102));
    assert_eq!(farm.state.view().ponds[0].diary.unwrap().crop.unwrap().stocked, 590_000.0);
}

/// Water that is let out stirs what lies at the probe.
#[test]
fn an_exchange_is_a_disturbance_for_the_quality_tests() {
    let rate_flags = |with_entry: bool| {
        let mut farm = Farm::start(12 * 60);
        farm.hold_oxygen(12 * 60, 13 * 60, 6.0);
        if with_entry {
            let begun = 13 * 60 - 2;
            record(&mut farm, 0, 13 * 60, entry(begun, What::Exchange(levels(1.5, 1.4)))).unwrap();
        }
        farm.hold_oxygen(13 * 60, 13 * 60 + 20, 8.2);
        let flags = farm.flags(Quantity::DoMgL);
        flags[60..].iter().filter(|flag| flag.code() > 1).count()
    };
    let (without, with) = (rate_flags(false), rate_flags(true));
    assert!(with < without, "{with} of {without}");
}

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![any::<f64>(), -1.0..50.0, 1.0..5_000.0]
}

fn any_what() -> impl Strategy<Value = What> {
    let some = || prop::option::of(any_number());
    let water = || {
        (some(), some(), some(), some(), prop::option::of(-500..90_000_i64)).prop_map(
            |(before, after, refilled, volume, stop)| WaterMove {
                stop: stop.map(at),
                level_before_m: before,
                level_after_m: after,
                refilled_to_m: refilled,
                volume_m3: volume,
                ph: None,
            },
        )
    };
    let dose = (some(), some(), some(), some(), some(), any::<bool>()).prop_map(
        |(kg, litres, containers, density, each, is_confirmed)| Dose {
            slurry_kg: kg,
            slurry_l: litres,
            containers,
            density_kg_l: density,
            container_kg: each,
            is_confirmed,
            ..Dose::default()
        },
    );
    prop_oneof![
        any_number().prop_map(feed),
        dose.prop_map(What::Dose),
        water().prop_map(What::Drain),
        water().prop_map(What::Exchange),
        (any::<u32>(), any_number()).prop_map(|(count, total_g)| What::Sampling(Sampling { count, total_g })),
        any::<u32>().prop_map(stocking),
        (prop::option::of(any::<u32>()), some())
            .prop_map(|(count, kg)| What::Mortality(Mortality { count, kg })),
        (any_number(), some(), any::<bool>()).prop_map(|(kg, abw, last)| harvest(kg, abw, last)),
        (any_number(), some(), some()).prop_map(|(left, delivered, container_kg)| {
            What::Count(Count { left, delivered, container_kg, ..Count::default() })
        }),
        ".{0,40}".prop_map(|words| What::Note { words }),
        ".{0,40}".prop_map(|reason| What::Withdrawal { reason }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 32, ..ProptestConfig::default() })]

    /// Whatever people record, in whatever order: no panic, and what was taken is never taken otherwise: the
    /// same numbers and the same entries come of the journal that was written, at once or as recalled.
    #[test]
    fn entries_only_ever_add(
        steps in prop::collection::vec(
            (0..2_u16, 0..40_000_i64, -100_000..200_i64, any_what(), prop::option::of(0..12_u64)),
            1..40,
        ),
    ) {
        let mut steps = steps;
        steps.sort_by_key(|(_, minute, ..)| *minute);
        let mut farm = Farm::start(0);
        let mut journal: Vec<(i64, Event)> = Vec::new();
        let mut taken: Vec<Recorded> = Vec::new();
        for (pond, minute, ago, what, corrects) in steps {
            let entry = Entry { corrects, ..entry(minute + ago, what) };
            let mut event = Event::Diary { pond: PondIndex(pond), entry, by: "t".into() };
            farm.state.complete(&mut event, at(minute));
            journal.push((minute, event.clone()));
            let before = farm.effects.len();
            farm.event(minute, event);
            let new = farm.effects.drain(before..).filter_map(|effect| match effect {
                Effect::Recorded(recorded) => Some(recorded),
                _ => None,
            });
            taken.extend(new);
            let diary = farm.state.view().ponds[usize::from(pond)].diary.unwrap();
            prop_assert!(diary.basin.volume_m3() > 0.0);
        }
        prop_assert!(taken.iter().map(|own| own.entry.number).eq(1..=taken.len() as u64));
        let (mut again, mut recalled) = (Farm::start(0), Farm::start(0));
        let mut retaken = Vec::new();
        for (minute, event) in &journal {
            let before = again.effects.len();
            again.event(*minute, event.clone());
            retaken.extend(again.effects.drain(before..).filter_map(|effect| match effect {
                Effect::Recorded(recorded) => Some(recorded),
                _ => None,
            }));
            recalled.state.recall(&Input { seq: 9, at: at(*minute), event: event.clone() });
        }
        prop_assert_eq!(&retaken, &taken);
        prop_assert!(again.state == farm.state);
        // Recalled without the time in between: the same crop, the same last dose.
        let mut state = State::new();
        state.step(&Input { seq: 1, at: at(0), event: Event::Started { site: farm::site() } }, &mut Vec::new());
        state.take_over_diary(&recalled.state);
        let last = journal.last().map_or(0, |(minute, _)| *minute);
        state.step(&Input { seq: 2, at: at(last), event: Event::Stopped }, &mut Vec::new());
        farm.event(last, Event::Stopped);
        for (one, other) in state.view().ponds.iter().zip(&farm.state.view().ponds) {
            prop_assert_eq!(one.diary, other.diary);
        }
    }
}

/// An entry from a journal whose earlier part is lost is still taken as it stands.
#[test]
fn what_was_accepted_once_is_taken_again() {
    let mut farm = Farm::start(0);
    let mut event = Event::Diary { pond: PondIndex(0), entry: entry(0, feed(12.0)), by: "t".into() };
    farm.state.complete(&mut event, at(1));
    if let Event::Diary { entry, .. } = &mut event {
        entry.number = 40;
        entry.corrects = Some(12);
    }
    farm.event(1, event);
    assert!(farm.refused().is_empty());
    assert_eq!(record(&mut farm, 0, 2, entry(1, feed(3.0))), Ok(41));
    assert_eq!(Kind::Feed.id(), "feed");
    assert!(Timestamp(0) < at(0) && minutes(1) > minutes(0));
}
