//! Reminders after doses and for doses, and containers held against doses: times and amounts worked out by hand.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::allow_attributes, missing_docs, reason = "a test")]

mod farm;

use farm::{Farm, at, minutes, site};
use pondreeve_core::diary::{Count, Dose, Entry, Harvest, What};
use pondreeve_core::effect::{AlarmState, Effect};
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Event, Quantity, Site, Span};

/// Twenty past seven, when the dose begins; all of it is in at twenty to eight.
const BEGUN: i64 = 7 * 60 + 20;
const IN: i64 = BEGUN + 20;
const HOUR: i64 = 60;
const DAY: i64 = 24 * HOUR;

/// Records as the shell does: completed first, then taken. Its number.
fn record(farm: &mut Farm, pond: u16, minute: i64, corrects: Option<u64>, when: i64, what: What) -> u64 {
    let entry = Entry { number: 0, at: at(when), corrects, basin: None, what };
    let mut event = Event::Diary { pond: PondIndex(pond), entry, by: "technician".into() };
    farm.state.complete(&mut event, at(minute));
    farm.event(minute, event);
    let recorded = farm.effects.iter().rev().find_map(|effect| match effect {
        Effect::Recorded(recorded) => Some(recorded.entry.number),
        Effect::Refused { reason, .. } => panic!("{reason}"),
        _ => None,
    });
    recorded.expect("recorded")
}

fn slurry(kg: f64) -> Dose {
    Dose {
        slurry_kg: Some(kg),
        lot: Some("M-17".into()),
        container_kg: Some(25.0),
        solids_percent: Some(60.0),
        density_kg_l: Some(1.53),
        stop: Some(at(IN)),
        ..Dose::default()
    }
}

fn dose(farm: &mut Farm, pond: u16, minute: i64, kg: f64) -> u64 {
    let stop = Some(at(minute));
    record(farm, pond, minute, None, minute - 20, What::Dose(Dose { stop, ..slurry(kg) }))
}

fn count(farm: &mut Farm, pond: u16, minute: i64, left: f64) -> u64 {
    counted(farm, pond, minute, Count { left, ..Count::default() })
}

fn counted(farm: &mut Farm, pond: u16, minute: i64, own: Count) -> u64 {
    let own = Count { lot: Some("M-17".into()), container_kg: Some(25.0), ..own };
    record(farm, pond, minute, None, minute, What::Count(own))
}

fn weekly() -> Site {
    let mut site = site();
    site.ponds[0].dose_every = Some(Span::from_hours(7 * 24));
    site
}

/// Each change of an alarm: the minute and the state.
fn course(farm: &Farm, id: &str) -> Vec<(i64, AlarmState)> {
    let changes = farm.effects.iter().filter_map(|effect| match effect {
        Effect::AlarmChanged(change) if change.id == id => {
            Some(((change.at - at(0)).as_millis() / 60_000, change.state))
        }
        _ => None,
    });
    changes.collect()
}

use AlarmState::{Normal, ReturnedUnacknowledged as Returned, Shelved, Suppressed, Unacknowledged as Alarm};

/// Asked for 1, 4 and 24 h after 07:40: at 08:40, 11:40 and 07:40 the next day; let go of at 10:40, an hour before the
/// second, at 01:40, six before the third, and after 48 h.
#[test]
fn ph_is_asked_for_three_times_where_nobody_reads_it() {
    let mut farm = Farm::start(6 * HOUR);
    dose(&mut farm, 0, IN, 30.0);
    farm.wake(IN + 3 * DAY);
    assert_eq!(course(&farm, "p1.ph-check-1h"), [(IN + HOUR, Alarm), (IN + 3 * HOUR, Returned)]);
    assert_eq!(course(&farm, "p1.ph-check-4h"), [(IN + 4 * HOUR, Alarm), (IN + 18 * HOUR, Returned)]);
    assert_eq!(course(&farm, "p1.ph-check-24h"), [(IN + DAY, Alarm), (IN + 2 * DAY, Returned)]);
    assert!(farm.message("p1.ph-check-1h").contains("no pH was read 1 h after"));
    assert!(course(&farm, "p2.ph-check-1h").is_empty(), "the other pond was not dosed");
}

#[test]
fn a_ph_that_somebody_enters_answers_it() {
    let mut farm = Farm::start(6 * HOUR);
    dose(&mut farm, 0, IN, 30.0);
    farm.enter(IN + 80, Quantity::Ph, 8.12);
    assert_eq!(course(&farm, "p1.ph-check-1h"), [(IN + HOUR, Alarm), (IN + 80, Returned)]);
    assert!(farm.message("p1.ph-check-1h").ends_with("pH was read 1 h after the dose: 8.12."));
    // An hour early will do for the second.
    farm.enter(IN + 3 * HOUR, Quantity::Ph, 8.2);
    farm.wake(IN + 20 * HOUR);
    assert!(course(&farm, "p1.ph-check-4h").is_empty());
}

#[test]
fn a_probe_that_passes_its_tests_answers_it_and_a_doubted_one_does_not() {
    for (ph, expected) in [(8.0, 0), (9.9, 1)] {
        let mut farm = Farm::start(6 * HOUR);
        dose(&mut farm, 0, IN, 30.0);
        for minute in IN..IN + 5 * HOUR {
            // 9.9 is beyond the range of a pond, and suspect.
            farm.sweep(minute, &[(Quantity::Ph, ph + 0.01 * (minute % 5) as f64)]);
        }
        assert_eq!(farm.raised("p1.ph-check-1h").len(), expected, "pH {ph}");
        assert_eq!(farm.raised("p1.ph-check-4h").len(), expected, "pH {ph}");
    }
}

#[test]
fn a_withdrawn_dose_asks_for_nothing() {
    let mut farm = Farm::start(6 * HOUR);
    let number = dose(&mut farm, 0, IN, 30.0);
    farm.wake(IN + HOUR);
    let withdrawal = What::Withdrawal { reason: "other pond".into() };
    record(&mut farm, 0, IN + 70, Some(number), IN, withdrawal);
    farm.wake(IN + 3 * DAY);
    assert_eq!(course(&farm, "p1.ph-check-1h"), [(IN + HOUR, Alarm), (IN + 70, Returned)]);
    assert!(course(&farm, "p1.ph-check-4h").is_empty());
}

/// At the equator in late November the sun rises at 05:43 by the sun dial of longitude 0 (noon is at 11:47, and the
/// day takes 12 h 7 min): due seven days later at 05:58.
#[test]
fn a_weekly_dose_falls_due_on_the_morning_of_its_day() {
    let mut farm = Farm::start_with(6 * HOUR, weekly());
    dose(&mut farm, 0, IN, 30.0);
    // Watched all week, so that the core does not take the farm for abandoned.
    for day in 1..8 {
        farm.oxygen(day * DAY, 6.0);
    }
    let due = course(&farm, "p1.dose-due");
    // No dose was known at the start: due at once that morning, until the first was entered.
    let [(first, Alarm), (IN, Returned)] = due[..] else { panic!("{due:?}") };
    assert!((6 * HOUR..IN).contains(&first), "{first}");
    farm.wake(7 * DAY + 12 * HOUR);
    let (again, state) = *course(&farm, "p1.dose-due").last().unwrap();
    assert!((again - (7 * DAY + 5 * HOUR + 58)).abs() <= 3 && state == Alarm, "{again}");
    let said = farm.message("p1.dose-due");
    assert!(said.contains("one each 7 days: the dose of 4.0 mg/L of slurry"), "{said}");
    assert!(said.contains("pondreeve plan dose --pond p1"), "{said}");
    dose(&mut farm, 0, 7 * DAY + 13 * HOUR, 30.0);
    assert_eq!(farm.state("p1.dose-due"), Returned);
    assert!(course(&farm, "p2.dose-due").is_empty(), "no programme");
}

#[test]
fn a_harvested_pond_is_not_dosed() {
    let mut farm = Farm::start_with(6 * HOUR, weekly());
    dose(&mut farm, 0, IN, 30.0);
    let harvest = Harvest { kg: 4_000.0, abw_g: Some(15.0), price_per_kg: None, is_final: true };
    record(&mut farm, 0, 2 * DAY, None, 2 * DAY, What::Harvest(harvest));
    for day in 3..9 {
        farm.oxygen(day * DAY, 6.0);
    }
    assert_eq!(farm.state("p1.dose-due"), Returned, "the first one, answered by the dose");
    assert_eq!(farm.raised("p1.dose-due").len(), 1);
}

/// The reminder of the next dose put aside silences what hangs on it, and what still holds is told afterwards.
#[test]
fn while_dosing_is_shelved_nothing_is_asked_for() {
    let mut farm = Farm::start_with(6 * HOUR, weekly());
    dose(&mut farm, 0, IN, 30.0);
    let shelve = |length| Event::Shelve {
        alarm: "p1.dose-due".into(),
        length: minutes(length),
        reason: "adviser: pause".into(),
        by: "technician".into(),
    };
    farm.acknowledge(IN + 1, "p1.dose-due");
    farm.event(IN + 5, shelve(2 * HOUR));
    farm.wake(IN + 4 * HOUR);
    assert_eq!(
        course(&farm, "p1.ph-check-1h"),
        [(IN + HOUR, Suppressed), (IN + 125, Alarm), (IN + 3 * HOUR, Returned)]
    );
    let shelved = course(&farm, "p1.dose-due");
    assert_eq!(shelved[shelved.len() - 2..], [(IN + 5, Shelved), (IN + 125, Normal)]);
}

/// 38.4 kg are 1.5 containers of 25 kg; 14 less 9.2 are 4.8 gone: 3.3 too many, 82 kg.
#[test]
fn more_gone_than_entered_is_told_until_the_dose_is_corrected() {
    let mut farm = Farm::start(6 * HOUR);
    count(&mut farm, 1, 6 * HOUR + 10, 14.0);
    let number = dose(&mut farm, 0, IN, 38.4);
    count(&mut farm, 0, IN + 30, 9.2);
    assert_eq!(course(&farm, "p1.dose-count"), [(IN + 30, Alarm)]);
    let said = farm.message("p1.dose-count");
    assert!(
        said.contains("lot M-17 disagree: 9.2 left of 14.0, doses of p1 (entry 2) used 1.5; 3.3 containers (82 kg) more are gone"),
        "{said}"
    );
    record(&mut farm, 0, IN + 60, Some(number), BEGUN, What::Dose(slurry(120.0)));
    assert_eq!(course(&farm, "p1.dose-count")[1..], [(IN + 60, Returned)]);
}

#[test]
fn a_recount_that_fits_settles_it_and_one_that_does_not_is_no_new_start() {
    let mut farm = Farm::start(6 * HOUR);
    count(&mut farm, 0, 6 * HOUR + 10, 14.0);
    dose(&mut farm, 0, IN, 38.4);
    count(&mut farm, 0, IN + 30, 9.2);
    // Within itself it fits the count before; against 14 it does not.
    count(&mut farm, 0, IN + 40, 9.2);
    assert_eq!(farm.state("p1.dose-count"), Alarm);
    // 14 less 1.5 are 12.5: half a container either way agrees.
    count(&mut farm, 0, IN + 50, 12.1);
    assert_eq!(course(&farm, "p1.dose-count"), [(IN + 30, Alarm), (IN + 50, Returned)]);
}

#[test]
fn a_reason_explains_what_is_gone_and_deliveries_count() {
    let mut farm = Farm::start(6 * HOUR);
    count(&mut farm, 0, 6 * HOUR + 10, 14.0);
    let spilt = Count { left: 9.0, reason: Some("five burst".into()), ..Count::default() };
    counted(&mut farm, 0, 6 * HOUR + 20, spilt);
    let delivered = Count { left: 29.0, delivered: Some(20.0), ..Count::default() };
    counted(&mut farm, 0, 6 * HOUR + 30, delivered);
    assert!(course(&farm, "p1.dose-count").is_empty());
    counted(&mut farm, 0, 6 * HOUR + 40, Count { left: 29.0, delivered: Some(5.0), ..Count::default() });
    assert_eq!(farm.state("p1.dose-count"), Alarm, "five that were delivered are not there");
}

/// Doses of both ponds draw on one lot: 50 kg and 25 kg are three containers, 10 less 3 are 7. The dose of p2 entered
/// twice would make it 6.
#[test]
fn a_dose_entered_twice_shows_as_fewer_gone() {
    let mut farm = Farm::start(6 * HOUR);
    count(&mut farm, 0, 6 * HOUR, 10.0);
    dose(&mut farm, 0, IN, 50.0);
    dose(&mut farm, 1, IN + 30, 25.0);
    // By another's watch it began when the first was in.
    let twice = dose(&mut farm, 1, IN + 50, 25.0);
    count(&mut farm, 1, IN + 60, 7.0);
    let said = farm.message("p2.dose-count");
    assert!(
        said.contains("1.0 container (25 kg) fewer are gone") && said.contains("entered twice"),
        "{said}"
    );
    assert!(course(&farm, "p1.dose-count").is_empty(), "told where it was counted");
    record(&mut farm, 1, IN + 65, Some(twice), IN, What::Withdrawal { reason: "twice".into() });
    assert_eq!(farm.state("p2.dose-count"), Returned);
}

/// 66 kg weighed, 3 x 25 = 75 kg by containers: 14 % apart, and somebody said that it was so.
#[test]
fn a_confirmed_contradiction_is_told_for_two_days_or_until_a_count_settles_it() {
    let odd =
        |minute| Dose { containers: Some(3.0), is_confirmed: true, stop: Some(at(minute)), ..slurry(66.0) };
    let mut farm = Farm::start(6 * HOUR);
    record(&mut farm, 0, IN, None, IN - 20, What::Dose(odd(IN)));
    farm.wake(IN + 3 * DAY);
    assert_eq!(course(&farm, "p1.dose-count"), [(IN, Alarm), (BEGUN + 2 * DAY, Returned)]);

    let mut farm = Farm::start(6 * HOUR);
    count(&mut farm, 0, 6 * HOUR, 10.0);
    record(&mut farm, 0, IN, None, IN - 20, What::Dose(odd(IN)));
    count(&mut farm, 0, IN + 5, 7.2);
    assert_eq!(course(&farm, "p1.dose-count"), [(IN, Alarm), (IN + 5, Returned)]);
}

/// Looking in between changes nothing, and every alarm of doses explains itself.
#[test]
fn ticks_do_not_matter_and_why_tells() {
    let run = |every: Option<i64>| {
        let mut farm = Farm::start_with(6 * HOUR, weekly());
        count(&mut farm, 0, 6 * HOUR + 10, 14.0);
        dose(&mut farm, 0, IN, 38.4);
        count(&mut farm, 0, IN + 30, 9.2);
        if let Some(every) = every {
            for minute in (IN + 31..IN + 3 * DAY).step_by(usize::try_from(every).unwrap()) {
                farm.wake(minute);
            }
        }
        farm.wake(IN + 3 * DAY);
        farm
    };
    let (calm, busy) = (run(None), run(Some(7)));
    assert_eq!(calm.effects, busy.effects);
    for id in ["dose-due", "ph-check-1h", "ph-check-4h", "ph-check-24h", "dose-count"] {
        let why = calm.state.why(&format!("p1.{id}")).expect("known");
        assert!(!why.raised_when.is_empty() && !why.clears_when.is_empty() && !why.says.is_empty(), "{id}");
    }
    let why = calm.state.why("p1.dose-count").unwrap();
    assert!(why.says.contains("more are gone") && why.raised_when.contains("deliveries"), "{why:?}");
}

/// The afternoon's pH typed in the next morning, after the morning's own.
#[test]
fn an_afternoon_s_ph_that_is_entered_late_is_known() {
    let mut farm = Farm::start(6 * HOUR);
    let now = 34 * HOUR;
    let enter = |farm: &mut Farm, quantity, value, hour: i64| {
        let taken_at = Some(at(hour * HOUR));
        farm.event(
            now,
            Event::ManualSample { pond: PondIndex(1), quantity, value, taken_at, by: "ana".into() },
        );
    };
    for (quantity, value) in [(Quantity::TanMgL, 0.9), (Quantity::Ph, 7.9)] {
        enter(&mut farm, quantity, value, 34);
    }
    let ask = pondreeve_core::dosing::DoseAsk {
        dose: 4.0,
        basis: pondreeve_chemistry::dose::Basis::SlurryMass,
        basis_is_said: true,
        slurry: pondreeve_chemistry::dose::Slurry::new(60.0, 1.53).unwrap(),
        container_kg: None,
        in_crop: true,
    };
    let is_missed = |farm: &Farm| {
        let plan = farm.state.plan_dose(PondIndex(1), &ask).unwrap();
        plan.objections.iter().any(|own| own.words.contains("no pH of the last afternoon"))
    };
    assert!(is_missed(&farm));
    // One of these hours is of the afternoon.
    for hour in 11..34 {
        enter(&mut farm, Quantity::Ph, 8.3, hour);
    }
    assert!(!is_missed(&farm));
}
