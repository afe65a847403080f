//! Worked examples and rules, by hand.

use alloc::vec;
use alloc::vec::Vec;

use super::baci::{effective, from_summary};
use super::bounce::{Aside, Lost};
use super::differed::{Factor, differed};
use super::outcome::DOSES;
use super::verdict::{
    Reason, gaps, of_baci, of_bounce, together, unlike, with_and_without, with_doses_in_time,
};
use super::*;
use crate::diary::Disturbance;
use crate::time::{Span, Timestamp};

/// TAN of a treated pond 0.92 to 0.71 mg/L, of its control 0.88 to 0.95; daily difference with a standard
/// deviation of 0.22, 14 days before and 28 after, correlation 0.6. By hand: effective days 3.5 and 7, standard
/// error 0.14 where the usual test has 0.07, interval about -0.6 to +0.05.
#[test]
fn the_worked_example_is_not_enough_evidence() {
    let estimate = (0.71 - 0.92) - (0.95 - 0.88);
    assert!((estimate + 0.28_f64).abs() < 1e-9);
    assert!((effective(14.0, 0.6) - 3.5).abs() < 1e-9 && (effective(28.0, 0.6) - 7.0).abs() < 1e-9);
    let own = from_summary(estimate, 0.22, (14.0, 28.0), 0.6).unwrap();
    assert!((own.standard_error - 0.14).abs() < 0.005, "{own:?}");
    assert!((own.low + 0.6).abs() < 0.02 && (own.high - 0.05).abs() < 0.005, "{own:?}");
    assert!(!own.excludes_zero());
    let naive = from_summary(estimate, 0.22, (14.0, 28.0), 0.0).unwrap();
    assert!((naive.standard_error - 0.07).abs() < 0.005 && naive.excludes_zero(), "{naive:?}");
}

/// A series that goes up and down by the sine of its day: no two days alike, correlation known.
fn wave(days: core::ops::Range<i64>, level: impl Fn(i64) -> f64) -> Series {
    Series::new(days.map(|day| (day, level(day))))
}

fn rough(day: i64) -> f64 {
    0.3 * libm::sin(day as f64 * 2.4) + 0.2 * libm::sin(day as f64 * 1.1)
}

fn fortnight() -> Periods {
    Periods::around(0, 20, 60)
}

#[test]
fn a_large_step_is_found_on_either_side_and_nothing_in_none() {
    let control = wave(0..61, |day| 4.0 + 0.5 * libm::sin(day as f64 / 5.0));
    for (step, level) in [(1.0, Level::Consistent), (-1.0, Level::Contradicted), (0.0, Level::NotEnough)] {
        let treated = wave(0..61, |day| {
            4.2 + 0.5 * libm::sin(day as f64 / 5.0) + rough(day) + if day > 20 { step } else { 0.0 }
        });
        let found = baci(&treated, &control, &fortnight(), 1);
        let own = of_baci(&found, Wanted::Rise, Vec::new());
        assert_eq!(own.level, level, "{step}: {found:?} {own:?}");
        let interval = found.unwrap().interval;
        assert!(interval.low <= step && step <= interval.high, "{interval:?} around {step}");
    }
}

#[test]
fn days_that_resemble_each_other_are_worth_few() {
    // A slow swing that has nothing to do with the first dose.
    let treated = wave(0..61, |day| 4.0 + libm::sin(day as f64 / 12.0));
    let control = wave(0..61, |_| 4.0);
    let found = baci(&treated, &control, &fortnight(), 1);
    assert!(matches!(found, Err(NoEstimate::NothingIndependent { .. })), "{found:?}");
    assert_eq!(of_baci(&found, Wanted::Rise, Vec::new()).level, Level::NotEnough);
}

#[test]
fn what_is_missing_is_named() {
    let full = wave(0..61, |day| 4.0 + rough(day));
    let holes = Series::new((0..61).filter(|day| day % 5 != 0).map(|day| (day, 4.0 + rough(day))));
    let ponds = (&full, &full);
    assert_eq!(gaps(Outcome::DawnMinimum, ponds, &fortnight(), (14, 28)), vec![]);
    let few = gaps(Outcome::DawnMinimum, (&holes, &full), &fortnight(), (14, 28));
    assert!(matches!(few.as_slice(), [Reason::FewValid(share)] if (*share - 0.8).abs() < 0.02), "{few:?}");
    let short = Periods::around(0, 10, 30);
    let few = gaps(Outcome::DawnMinimum, ponds, &short, (14, 28));
    assert_eq!(few, vec![Reason::FewBefore(10, 14), Reason::FewAfter(20, 28)]);
    let kit = Series::new((0..61).step_by(4).map(|day| (day, 0.8)));
    let few = gaps(Outcome::Tan, (&kit, &kit), &fortnight(), (14, 28));
    assert!(matches!(few.as_slice(), [Reason::FewTests(rate)] if *rate < 2.0), "{few:?}");
    let kit = Series::new((0..61).step_by(3).map(|day| (day, 0.8)));
    assert_eq!(gaps(Outcome::Tan, (&kit, &kit), &fortnight(), (14, 28)), vec![]);
}

#[test]
fn what_else_differed_speaks_against_it() {
    let level = |before: f64, after: f64| wave(0..61, move |day| if day < 20 { before } else { after });
    // 300 to 270 kWh a day against 300 to 303: 11 % less than the control's course.
    let own = differed(Factor::Aeration, &level(300.0, 270.0), &level(300.0, 303.0), &fortnight());
    assert!((own.share.unwrap() + 0.109).abs() < 0.001, "{own:?}");
    assert_eq!(unlike(Outcome::DawnMinimum, &[own]), vec![Reason::Differed(Factor::Aeration)]);
    assert_eq!(unlike(Outcome::AerationKwh, &[own]), vec![]);
    // Both fed 20 % more: alike.
    let own = differed(Factor::Feed, &level(150.0, 180.0), &level(100.0, 120.0), &fortnight());
    assert_eq!((own.is_balanced, unlike(Outcome::Tan, &[own])), (Some(true), vec![]));
    // 5 % of the water a day let out before, none since the treatment, and 5 % in the control all along.
    let own = differed(Factor::Water, &level(5.0, 0.0), &level(5.0, 5.0), &fortnight());
    assert_eq!(unlike(Outcome::Tan, &[own]), vec![Reason::Differed(Factor::Water)]);
    let none = differed(Factor::Feed, &Series::default(), &level(1.0, 1.0), &fortnight());
    assert_eq!(unlike(Outcome::Tan, &[none]), vec![Reason::NotLogged(Factor::Feed)]);
    let none = differed(Factor::Light, &Series::default(), &Series::default(), &fortnight());
    assert_eq!(unlike(Outcome::Tan, &[none]), vec![], "light may not be measured");
}

/// Doses each seventh day from day 25; the day after each is 0.6 higher in the treated pond.
fn dosed(rise: f64) -> (Series, Series, Vec<i64>) {
    let doses: Vec<i64> = (0..10).map(|week| 25 + 7 * week).collect();
    let days = doses.clone();
    let treated =
        wave(0..100, move |day| 4.0 + rough(day) * 0.5 + if days.contains(&(day - 1)) { rise } else { 0.0 });
    (treated, wave(0..100, |day| 4.5 + 0.1 * libm::sin(day as f64 * 1.7)), doses)
}

#[test]
fn a_bounce_is_found_and_none_is_not() {
    for (rise, level) in [(0.6, Level::Consistent), (-0.6, Level::Contradicted), (0.0, Level::NotEnough)] {
        let (treated, control, doses) = dosed(rise);
        let found = bounce(&treated, &control, &doses, &Aside::default(), (0, 99));
        assert_eq!((found.doses.len(), found.lost.len()), (10, 0));
        assert!(found.shams.is_some_and(|(count, _)| count >= 18), "{:?}", found.shams);
        assert_eq!(of_bounce(&found, Wanted::Rise, Vec::new()).level, level, "{rise}: {found:?}");
    }
}

#[test]
fn a_dose_on_an_odd_day_does_not_count() {
    let (treated, control, mut doses) = dosed(0.6);
    // With 81 doses each second day: before the last there is none on which no dose shows.
    doses.extend([77, 79, 83]);
    let aside = Aside {
        light: wave(0..100, |day| if day == 33 { 20.0 } else { 40.0 }),
        aeration: [wave(0..100, |_| 300.0), wave(0..100, |day| if day == 40 { 340.0 } else { 300.0 })],
        serviced: vec![47],
        disturbed: vec![54],
        is_before_dose: false,
    };
    let found = bounce(&treated, &control, &doses, &aside, (0, 99));
    let why = |day: i64| found.lost.iter().find(|own| own.0 == day).map(|own| own.1);
    assert_eq!(why(32), Some(Lost::Light), "the day after was dark");
    assert_eq!(why(39), Some(Lost::Aeration), "the control's aerators ran 13 % longer the day after");
    assert_eq!(why(46), Some(Lost::Service), "a probe was serviced the day after");
    assert_eq!(why(53), Some(Lost::Disturbed));
    assert_eq!(why(83), Some(Lost::Dosed));
    let few = bounce(&treated, &control, &doses[..9], &aside, (0, 99));
    let own = of_bounce(&few, Wanted::Rise, Vec::new());
    assert!(few.doses.len() < DOSES && own.reasons.contains(&Reason::FewDoses(few.doses.len())), "{own:?}");
    assert_eq!(own.level, Level::NotEnough);
}

/// By hand: 5.0 the day after; 4.0, 4.2 and 4.4 on the three days before, of which the middle one was dark, so
/// that 4.1 four days before takes its place. Control 4.0 throughout. 5.0 - (4.0 + 4.4 + 4.1) / 3 = 0.8333.
#[test]
fn an_odd_day_before_gives_way_to_an_older_one() {
    let treated = Series::new([(5, 4.6), (6, 4.1), (7, 4.4), (8, 4.2), (9, 4.0), (10, 4.3), (11, 5.0)]);
    let control = wave(0..20, |_| 4.0);
    let light = || wave(0..20, |day| if day == 8 { 15.0 } else { 40.0 });
    let found = bounce(&treated, &control, &[10], &Aside { light: light(), ..Aside::default() }, (0, 19));
    let [(10, change)] = found.doses.as_slice() else { panic!("{found:?}") };
    assert!((change - 5.0 / 6.0).abs() < 1e-12, "{change}");
    // Lowest oxygen of the night: the day of the dose is one before. 5.0 - (4.3 + 4.0 + 4.4) / 3 = 0.7667.
    let aside = Aside { light: light(), is_before_dose: true, ..Aside::default() };
    let found = bounce(&treated, &control, &[10], &aside, (0, 19));
    assert!(found.doses.iter().all(|(_, change)| (change - 2.3 / 3.0).abs() < 1e-12), "{found:?}");
    assert!(found.interval.is_none(), "one dose has no interval");
}

#[test]
fn three_pairs_that_agree_support_it() {
    let of = |level| Verdict { level, reasons: vec![] };
    let (yes, no, unclear) = (Level::Consistent, Level::Contradicted, Level::NotEnough);
    let all = |levels: &[(Level, f64)]| {
        let pairs: Vec<(Verdict, Option<f64>)> =
            levels.iter().map(|&(level, size)| (of(level), Some(size))).collect();
        together(&pairs, Wanted::Rise)
    };
    assert_eq!(all(&[(yes, 0.3), (yes, 0.2), (yes, 0.4)]), Level::Supported);
    assert_eq!(all(&[(yes, 0.3), (yes, 0.2), (unclear, 0.1)]), Level::Consistent);
    assert_eq!(all(&[(yes, 0.3), (yes, 0.2), (yes, 0.4), (unclear, -0.1)]), Level::Consistent);
    assert_eq!(all(&[(yes, 0.3), (no, -0.2)]), Level::NotEnough);
    // One clear pair of many is not picked out.
    assert_eq!(all(&[(yes, 0.3), (unclear, -0.1), (unclear, -0.2)]), Level::NotEnough);
    assert_eq!(all(&[(no, -0.3), (unclear, 0.1), (unclear, 0.2)]), Level::NotEnough);
    assert_eq!(all(&[(unclear, 0.3)]), Level::NotEnough);
    assert_eq!(all(&[(no, -0.3), (unclear, -0.1)]), Level::Contradicted);
}

#[test]
fn nothing_is_ever_called_proved() {
    for level in [Level::NotEnough, Level::Consistent, Level::Supported, Level::Contradicted] {
        assert!(!level.words().to_lowercase().contains("prove"));
    }
    assert!(!verdict::caution().to_lowercase().contains("prove"));
}

/// By hand: the sun's day at 60° west begins at 04:00. What begins at 16:00 of the first and is over at 10:00 of
/// the third touches three days, and the low of the night after.
#[test]
fn marks_count_that_were_made_in_time() {
    let hours = |hours| Timestamp::default() + Span::from_hours(hours);
    let own = Disturbance { stop: Some(hours(4 + 2 * 24 + 10)), words: "bank broke".into() };
    let marks = |recorded, outcome| marks::days(&own, (hours(4 + 16), hours(recorded)), outcome, -60.0);
    let first = crate::diary::book::local_day(hours(4 + 16), -60.0);
    let of =
        |marks: &[marks::Mark]| marks.iter().map(|own| (own.day - first, own.counts)).collect::<Vec<_>>();
    // Recorded 47 h after the first day's end, then 49 h, then 49 h after the last one's.
    let all = marks(4 + 24 + 47, Outcome::DawnMinimum);
    assert_eq!(of(&all), [(0, true), (1, true), (2, true), (3, true)]);
    assert_eq!(of(&marks(4 + 24 + 49, Outcome::DuskPeak)), [(0, false), (1, true), (2, true)]);
    assert!(marks(4 + 3 * 24 + 49, Outcome::DawnMinimum).iter().all(|own| !own.counts));
    let brief = Disturbance { stop: None, words: "power cut".into() };
    let own = marks::days(&brief, (hours(4 + 16), hours(4 + 17)), Outcome::DuskPeak, -60.0);
    assert_eq!(of(&own), [(0, true)]);
}

#[test]
fn what_hangs_on_marks_is_not_said() {
    let of = |level| Verdict { level, reasons: Vec::new() };
    let all = [Level::NotEnough, Level::Consistent, Level::Contradicted];
    for without in all {
        for with in all {
            let own = with_and_without(of(without), &of(with), 3);
            let stands = without == with || without == Level::NotEnough;
            assert_eq!(own.level, if stands { without } else { Level::NotEnough });
            assert_eq!(own.reasons.contains(&Reason::MarksDecide(3)), !stands);
            assert_eq!(with_and_without(of(without), &of(with), 0).level, without, "nothing was left out");
            // The same rule for doses that were entered, corrected or withdrawn late.
            let own = with_doses_in_time(of(without), &of(with), 2);
            assert_eq!(own.level, if stands { without } else { Level::NotEnough });
            assert_eq!(own.reasons.contains(&Reason::DosesDecide(2)), !stands);
            assert_eq!(with_doses_in_time(of(without), &of(with), 0).level, without, "all of them in time");
        }
    }
}
