//! Trials through the state machine, and comparisons of anything with anything.

mod farm;

use farm::{Farm, at};
use pondreeve_core::diary::{Dose, Entry, What};
use pondreeve_core::evidence::bounce::Aside;
use pondreeve_core::evidence::trial::are_apart;
use pondreeve_core::evidence::{Method, Outcome, Periods, Series, Trial, Wanted, baci, bounce};
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Event, Span, Timestamp};
use proptest::prelude::*;

const DAY: i64 = 24 * 60;

fn trial(treated: &str, control: &str) -> Trial {
    Trial {
        number: 0,
        replaces: None,
        treated: treated.into(),
        control: control.into(),
        outcome: Outcome::DawnMinimum,
        wanted: Wanted::Rise,
        method: Method::BeforeAfter,
        from: at(0),
        to: at(60 * DAY),
        days_before: 14,
        days_after: 28,
        chosen_by: "adviser".into(),
        reason: "drawn by lot".into(),
        is_late: false,
    }
}

/// Fixes as the shell does: completed first, journalled, then taken. The number, or why not.
fn fix(farm: &mut Farm, minute: i64, trial: Trial) -> Result<u64, String> {
    let mut event = Event::Trial { trial, by: "ana".into() };
    farm.state.complete(&mut event, at(minute));
    let Event::Trial { trial: completed, .. } = event.clone() else { unreachable!() };
    let before = farm.state.trials().len();
    let refused = farm.refused().len();
    farm.event(minute, event);
    let why = farm.refused().get(refused).cloned();
    match why {
        Some(why) => {
            assert_eq!((completed.number, farm.state.trials().len()), (0, before), "nothing half-taken");
            Err(why)
        }
        None => {
            assert_eq!(farm.state.trials().last().map(|own| own.trial.number), Some(completed.number));
            Ok(completed.number)
        }
    }
}

fn dose(farm: &mut Farm, pond: u16, minute: i64) {
    let what = What::Dose(Dose { slurry_kg: Some(30.0), ..Dose::default() });
    let entry = Entry { number: 0, at: at(minute), corrects: None, basin: None, what };
    let mut event = Event::Diary { pond: PondIndex(pond), entry, by: "ana".into() };
    farm.state.complete(&mut event, at(minute));
    farm.event(minute, event);
}

/// The ids of two ponds.
fn two(farm: &Farm) -> (String, String) {
    let ponds = &farm.state.site().unwrap().ponds;
    (ponds[0].id.clone(), ponds[1].id.clone())
}

#[test]
fn a_trial_is_fixed_before_the_first_dose_and_replaced_openly() {
    let mut farm = Farm::start(0);
    let (one, two) = two(&farm);
    assert_eq!(fix(&mut farm, 10, trial(&one, &two)), Ok(1));
    let why = fix(&mut farm, 11, trial(&one, &two)).unwrap_err();
    assert!(why.contains("trial 1 already"), "{why}");
    let own = Trial { outcome: Outcome::DuskPeak, replaces: Some(1), ..trial(&one, &two) };
    assert_eq!(fix(&mut farm, 12, own.clone()), Ok(2));
    let why = fix(&mut farm, 13, own).unwrap_err();
    assert!(why.contains("whose place trial 2 has taken"), "{why}");
    dose(&mut farm, 0, 15 * DAY);
    let why =
        fix(&mut farm, 15 * DAY + 60, Trial { outcome: Outcome::Tan, ..trial(&one, &two) }).unwrap_err();
    assert!(why.contains("not chosen before the first dose") && why.contains("accepted"), "{why}");
    let late = Trial { outcome: Outcome::Tan, is_late: true, ..trial(&one, &two) };
    assert_eq!(fix(&mut farm, 15 * DAY + 61, late), Ok(3));
    // Who says that it is late when it is not is not taken at his word.
    let other = Trial { from: at(16 * DAY), to: at(70 * DAY), is_late: true, ..trial(&one, &two) };
    assert_eq!(fix(&mut farm, 15 * DAY + 62, other), Ok(4));
    let late: Vec<bool> = farm.state.trials().iter().map(|own| own.trial.is_late).collect();
    assert_eq!(late, [false, false, true, false]);
    dose(&mut farm, 1, 17 * DAY);
    let why =
        fix(&mut farm, 17 * DAY + 60, Trial { outcome: Outcome::Nh3N, ..trial(&one, &two) }).unwrap_err();
    assert!(why.contains("no untreated control"), "{why}");
    let places: Vec<Option<u64>> = farm.state.trials().iter().map(|own| own.replaced_by).collect();
    assert_eq!(places, [Some(2), None, None, None], "what was fixed stays");
}

/// One pond cannot vouch twice: neither with two controls, nor as the control of two, at the same time.
#[test]
fn the_same_ponds_at_the_same_time_are_one_pair() {
    let later = |own: Trial| Trial { from: at(60 * DAY), to: at(120 * DAY), ..own };
    assert!(are_apart(&trial("p1", "p2"), &trial("p3", "p4")));
    assert!(!are_apart(&trial("p1", "p2"), &trial("p1", "p4")));
    assert!(!are_apart(&trial("p1", "p2"), &trial("p3", "p2")));
    assert!(!are_apart(&trial("p1", "p2"), &trial("p2", "p1")));
    assert!(are_apart(&trial("p1", "p2"), &later(trial("p1", "p2"))), "another crop");
}

/// What the journal says was accepted is taken as it stands, and only once.
#[test]
fn a_trial_from_the_journal_is_taken_as_it_stands() {
    let mut farm = Farm::start(0);
    let (one, _) = two(&farm);
    let own = Trial { number: 7, ..trial(&one, "gone") };
    farm.event(5, Event::Trial { trial: own.clone(), by: "ana".into() });
    farm.event(6, Event::Trial { trial: own, by: "ana".into() });
    assert!(farm.refused().iter().all(|why| why.contains("gone")));
    assert_eq!(farm.state.trials().len(), 1);
}

fn any_series() -> impl Strategy<Value = Series> {
    prop::collection::vec((0_i64..80, prop_oneof![any::<f64>(), -5.0..15.0_f64]), 0..90).prop_map(Series::new)
}

proptest! {
    #[test]
    fn comparing_anything_ends_with_a_number_or_a_reason(
        treated in any_series(),
        control in any_series(),
        light in any_series(),
        doses in prop::collection::vec(-10_i64..100, 0..20),
        first_dose in -5_i64..90,
        apart in 1_i64..8,
    ) {
        let periods = Periods::around(0, first_dose, 79);
        if let Ok(own) = baci(&treated, &control, &periods, apart) {
            prop_assert!(own.interval.low <= own.interval.high, "{own:?}");
            prop_assert!((0.0..=1.0).contains(&own.shift_chance) && own.before.effective >= 1.0);
            prop_assert!(own.before.effective <= own.before.days as f64);
        }
        let aside = Aside { light, ..Aside::default() };
        let own = bounce(&treated, &control, &doses, &aside, (0, 79));
        let mut days = doses;
        days.sort_unstable();
        days.dedup();
        prop_assert_eq!(own.doses.len() + own.lost.len(), days.len(), "each dose counts or is lost");
    }

    #[test]
    fn no_trial_makes_a_step_fail(
        number in any::<u64>(),
        replaces in any::<Option<u64>>(),
        ids in any::<(String, String)>(),
        times in any::<(i64, i64)>(),
        days in any::<(u16, u16)>(),
        texts in any::<(String, String)>(),
        is_late in any::<bool>(),
    ) {
        let mut farm = Farm::start(0);
        let own = Trial {
            number,
            replaces,
            from: Timestamp(times.0),
            to: Timestamp(times.1) + Span::from_hours(1),
            days_before: days.0,
            days_after: days.1,
            chosen_by: texts.0,
            reason: texts.1,
            is_late,
            ..trial(&ids.0, &ids.1)
        };
        let mut event = Event::Trial { trial: own, by: "ana".into() };
        farm.event(1, event.clone());
        farm.state.complete(&mut event, at(2));
        farm.event(2, event);
    }
}
