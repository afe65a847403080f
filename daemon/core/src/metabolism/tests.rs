//! Balances worked out by hand, and what may and may not pass for a crash or a bloom.

use super::*;
use crate::derived::Water;
use crate::effect::Flag;
use crate::quality::Seen;

const MARKS: Marks = Marks { ph_high: 8.8, ample_mg_l: 5.0, has_cleared: false };
const DAY: i64 = 24 * 60;
const SUNRISE: i64 = 12 * 60;

/// Minutes since a sunset.
fn at(minutes: i64) -> Timestamp {
    Timestamp(0) + Span::from_minutes(minutes)
}

fn tank(temperature_c: f64) -> Tank {
    let water = Water {
        temperature_c: Some(Seen { value: temperature_c, at: at(0), flag: Flag::Pass }),
        salinity_psu: 18.0,
        salinity_flag: Flag::NotEvaluated,
        pressure_hpa: 1013.25,
        pressure_flag: Flag::NotEvaluated,
    };
    Tank::new(5_000.0, 1.5, &water).unwrap()
}

fn look(oxygen: f64) -> Look {
    Look {
        oxygen: Some((0, oxygen)),
        serviced_at: None,
        aerators_known: true,
        ph: None,
        temperature_c: None,
        salinity_psu: Some(18.0),
        depth_m: None,
        light_umol_m2_s: None,
    }
}

/// Looks each quarter of an hour over two nights and days; `see` is asked with the minutes since the
/// first sunset and may change what is seen. What is seen stands for the middle of the quarter before, and
/// so does what runs.
fn two_days(tank: &Tank, sotr: impl Fn(i64) -> f64, see: impl Fn(i64) -> Look) -> Metabolism {
    let (mut known, mut aeration) = (Metabolism::default(), Respiration::default());
    aeration.run(at(-60), sotr(-60));
    for minute in (0..=2 * DAY).step_by(15) {
        aeration.run(at(minute) - Span::from_millis(EVERY.as_millis() / 2), sotr(minute));
        let sunset = minute.div_euclid(DAY) * DAY;
        known.look(at(minute), Some((at(sunset), at(sunset + SUNRISE))), &see(minute), Some(tank), &aeration);
    }
    known
}

fn is_night(minute: i64) -> bool {
    minute.rem_euclid(DAY) < SUNRISE
}

/// 4 mg/L all the time in 7500 m3 at 29 °C and 18 PSU, 5.4 kg/h of aerators at night and none by day.
/// Worked out by hand: saturation is 7.69 mg/L in fresh water, times exp(-18 x 0.00553) is 6.96, times 0.98
/// less 4 is 2.82. Aerators bring 5.4 x 0.9 x 2.82 / 9.09 x 1.024^9 / 7.5 = 0.249 mg/L in an hour, air brings
/// 0.014 / 1.5 x 2.82 = 0.0263. At night that is what is used up: 0.275 in an hour, 6.61 in a day. By day
/// the production must make up for it but for the air: 0.249 x 12 = 2.99.
#[test]
fn water_that_stays_as_it_is_makes_up_for_what_it_uses() {
    let known = two_days(&tank(29.0), |minute| if is_night(minute) { 5.4 } else { 0.0 }, |_| look(4.0));
    assert_eq!(known.days().count(), 2);
    for day in known.days() {
        let balance = day.balance.unwrap();
        assert!((balance.production_mg_l - 2.99).abs() < 0.02, "{balance:?}");
        assert!((balance.respiration_mg_l - 6.61).abs() < 0.02, "{balance:?}");
        assert!((balance.aerators_mg_l - 2.99).abs() < 0.02, "{balance:?}");
        assert!((balance.air_mg_l - 0.63).abs() < 0.01, "{balance:?}");
    }
}

/// Up from 4 to 10 mg/L by day and back by night, no aerators, 28 °C. Air hardly matters (below 0.03 mg/L
/// in an hour either way), so 6 mg/L are used up at night, 6 by day, and 12 are made.
#[test]
fn a_rise_by_day_is_net_of_what_is_used_up_meanwhile() {
    let course = |minute: i64| {
        let share = minute.rem_euclid(DAY) as f64 / SUNRISE as f64;
        if is_night(minute) { 10.0 - 6.0 * share } else { 4.0 + 6.0 * (share - 1.0) }
    };
    let known = two_days(&tank(28.0), |_| 0.0, |minute| look(course(minute)));
    let balance = known.days().next_back().unwrap().balance.unwrap();
    assert!((balance.production_mg_l - 12.0).abs() < 0.2, "{balance:?}");
    assert!((balance.respiration_mg_l - 12.0).abs() < 0.2, "{balance:?}");
    assert!(balance.net_mg_l().abs() < 0.1, "{balance:?}");
    // Twice as much per degree-ten: the same course at 38 °C is half as much at 28.
    assert!((balance.night_mg_l_h - 0.53).abs() < 0.02, "6 / 12 over a supply near 0.94: {balance:?}");
}

#[test]
fn what_cannot_be_known_is_told_with_its_reason_and_not_guessed() {
    let still = tank(28.0);
    let first = |known: &Metabolism| known.days().next().unwrap().balance.unwrap_err();
    let second_is_known = |known: &Metabolism| known.days().nth(1).unwrap().balance.is_ok();

    // Four of twelve hours of the first night unseen: at most 67 %.
    let blind = |minute: i64| (120..360).contains(&minute);
    let gap = |minute| if blind(minute) { Look { oxygen: None, ..look(5.0) } } else { look(5.0) };
    let known = two_days(&still, |_| 0.0, gap);
    assert!(matches!(first(&known), Unknown::FewReadings(share) if (0.6..=0.67).contains(&share)));
    assert!(first(&known).words().contains("75 % are needed"), "{}", first(&known).words());
    assert!(second_is_known(&known));

    let dark = |minute| Look { aerators_known: minute > DAY, ..look(5.0) };
    let known = two_days(&still, |_| 0.0, dark);
    assert_eq!(first(&known), Unknown::Aerators);
    assert!(second_is_known(&known));

    // 18 to 17.2 PSU within the hour; and the same over twelve hours, as by slow rain.
    let salt = |minute: i64| Look {
        salinity_psu: Some(18.0 - 0.8 * ((minute - 900) as f64 / 60.0).clamp(0.0, 1.0)),
        ..look(5.0)
    };
    assert_eq!(first(&two_days(&still, |_| 0.0, salt)), Unknown::Exchange);
    let rain = |minute: i64| Look {
        salinity_psu: Some(18.0 - 0.8 * ((minute - 60) as f64 / 720.0).clamp(0.0, 1.0)),
        ..look(5.0)
    };
    assert!(two_days(&still, |_| 0.0, rain).days().next().unwrap().balance.is_ok());
    let filled = |minute| Look { depth_m: Some(if minute < 900 { 1.4 } else { 1.5 }), ..look(5.0) };
    assert_eq!(first(&two_days(&still, |_| 0.0, filled)), Unknown::Exchange);

    // A cleaned probe that reads 3 mg/L more is no production: that stretch is left out.
    let cleaned = |minute: i64| Look {
        serviced_at: (minute >= 900).then(|| at(895)),
        ..look(if minute >= 900 { 6.5 } else { 3.5 })
    };
    let balance = two_days(&still, |_| 0.0, cleaned).days().next().unwrap().balance.unwrap();
    assert!(balance.production_mg_l < 1.0, "{balance:?}");
}

/// A day as hundreds before it.
fn usual() -> Balance {
    Balance {
        production_mg_l: 10.0,
        respiration_mg_l: 10.0,
        air_mg_l: 0.0,
        aerators_mg_l: 0.0,
        night_mg_l_h: 0.4,
        do_range_mg_l: (5.0, 11.0),
        ph_range: Some((8.0, 8.4)),
        light_umol_m2_s: None,
        warming_c: Some(2.0),
    }
}

/// These days one after the other, each judged in its evening beside the other ponds' shares.
fn judged(days: &[Balance], others: &[f64]) -> Metabolism {
    let mut known = Metabolism::default();
    for (day, balance) in (1_i64..).zip(days) {
        add(&mut known, day, Ok(*balance), others);
    }
    known
}

/// The same, the disc having vanished much deeper on the last of them.
fn judged_as_cleared(days: &[Balance], others: &[f64]) -> Metabolism {
    let (newest, before) = days.split_last().unwrap();
    let mut known = judged(before, &[]);
    let marks = Marks { has_cleared: true, ..MARKS };
    add_seen(&mut known, days.len() as i64, Ok(*newest), others, marks);
    known
}

fn add(known: &mut Metabolism, day: i64, balance: Result<Balance, Unknown>, others: &[f64]) {
    add_seen(known, day, balance, others, MARKS);
}

fn add_seen(
    known: &mut Metabolism,
    day: i64,
    balance: Result<Balance, Unknown>,
    others: &[f64],
    marks: Marks,
) {
    let ended = at(day * DAY);
    known.days.push_back(Day { ended, balance });
    known.unjudged = true;
    let others = others.iter().map(|&share| Fall { ended, share });
    known.judge(ended + EVERY, marks, others);
}

#[test]
fn a_collapse_is_a_crash_only_where_nothing_else_explains_it() {
    let low = Balance { production_mg_l: 4.0, ph_range: Some((7.9, 8.0)), ..usual() };
    let rots = Balance { night_mg_l_h: 0.5, ..low };
    let unlike_ph = Some((8.0, 8.4));
    let table: [(&str, Balance, &[f64], bool); 13] = [
        ("production down, pH flat, night up", rots, &[], true),
        ("the same without pH", Balance { ph_range: None, ..rots }, &[], true),
        ("a bright day with pH flat", low, &[], true),
        ("a dark day", Balance { warming_c: Some(0.5), ..low }, &[], false),
        ("a dull day", Balance { warming_c: Some(1.0), ..low }, &[], false),
        ("nothing tells of light, night as usual", Balance { warming_c: None, ..low }, &[], false),
        ("other ponds fell alike", rots, &[0.45, 0.5], false),
        ("other ponds made as usual", Balance { warming_c: None, ..low }, &[0.9, 1.0], true),
        ("pH rose as usual: the oxygen probe", Balance { ph_range: unlike_ph, ..rots }, &[], false),
        ("less of everything: a fouled probe", Balance { night_mg_l_h: 0.3, ..low }, &[], false),
        ("0.55 on a bright day, night up", Balance { production_mg_l: 5.5, ..rots }, &[], true),
        ("0.55, night as usual", Balance { production_mg_l: 5.5, ..low }, &[], false),
        ("0.65 is no collapse", Balance { production_mg_l: 6.5, ..rots }, &[], false),
    ];
    for (what, newest, others, expected) in table {
        let mut days = [usual(); 8];
        days[7] = newest;
        assert_eq!(judged(&days, others).crash().is_some(), expected, "{what}");
    }
    let mut few = [usual(); 7];
    few[6] = rots;
    assert_eq!(judged(&few, &[]).crash(), None, "six days to compare with");
    // A pond that makes next to nothing yet.
    let mut young = [Balance { production_mg_l: 2.0, ..usual() }; 8];
    young[7] = Balance { production_mg_l: 0.5, ..rots };
    assert_eq!(judged(&young, &[]).crash(), None);
}

/// The limits are 0.7 of the usual and 0.75 of what the others made of theirs, in the evening of the day itself.
#[test]
fn where_the_disc_shows_that_the_water_cleared_less_of_a_fall_is_enough() {
    let fallen = Balance { production_mg_l: 6.5, ph_range: Some((8.0, 8.2)), ..usual() };
    let further = Balance { production_mg_l: 5.5, ..fallen };
    let table: [(&str, Balance, &[f64], bool); 7] = [
        ("0.65 where others made 0.95", fallen, &[0.9, 1.0], true),
        ("0.65 where others made 0.8", fallen, &[0.8], false),
        ("0.65, and no other pond", fallen, &[], false),
        ("0.55, and no other pond", further, &[], true),
        ("0.55 on a dark day, and no other pond", Balance { warming_c: Some(0.5), ..further }, &[], false),
        ("pH rose as usual", Balance { ph_range: Some((8.0, 8.4)), ..fallen }, &[0.9, 1.0], false),
        ("0.75", Balance { production_mg_l: 7.5, ..fallen }, &[1.1], false),
    ];
    for (what, newest, others, expected) in table {
        let mut days = [usual(); 4];
        days[3] = newest;
        let known = judged_as_cleared(&days, others);
        assert_eq!(known.crash().is_some(), expected, "{what}");
        assert_eq!(judged(&days, others).crash(), None, "{what}, as far as oxygen tells");
    }
}

#[test]
fn a_crash_stands_until_the_production_is_back_or_a_week_is_over() {
    let rots = Balance { production_mg_l: 4.0, ph_range: Some((7.9, 8.0)), night_mg_l_h: 0.5, ..usual() };
    let crashed = || {
        let mut days = [usual(); 8];
        days[7] = rots;
        judged(&days, &[])
    };
    let mut known = crashed();
    add(&mut known, 9, Err(Unknown::Aerators), &[]);
    assert!(known.crash().is_some(), "an unknown day ends nothing");
    add(&mut known, 10, Ok(Balance { production_mg_l: 6.9, ..rots }), &[]);
    assert!(known.crash().is_some(), "0.7 of the usual 10 is 7");
    add(&mut known, 11, Ok(Balance { production_mg_l: 7.1, ..rots }), &[]);
    assert_eq!(known.crash(), None);
    let mut known = crashed();
    for day in 9..=15 {
        add(&mut known, day, Ok(rots), &[]);
        assert!(known.crash().is_some(), "day {day}");
    }
    add(&mut known, 16, Ok(rots), &[]);
    assert_eq!(known.crash(), None, "found in the evening of day 8; in that of day 16 it is the usual");
}

/// Five days as usual, then three at 1.5 times the production and 1.33 times the swing.
#[test]
fn a_bloom_needs_days_of_rise_a_high_afternoon_and_a_low_night() {
    let rich = Balance { production_mg_l: 15.0, do_range_mg_l: (4.5, 12.5), ..usual() };
    let of = |newest: [Balance; 3]| {
        let days = [[usual(); 5].as_slice(), &newest].concat();
        judged(&days, &[]).bloom()
    };
    let bloom = of([rich; 3]).unwrap();
    assert_eq!((bloom.production_mg_l, bloom.usual_mg_l), (15.0, 10.0));
    assert_eq!(of([usual(), rich, rich]), None, "two days");
    assert_eq!(of([rich, rich, Balance { do_range_mg_l: (5.5, 13.5), ..rich }]), None, "a mild night");
    let low = Balance { do_range_mg_l: (2.0, 10.0), ..rich };
    assert_eq!(of([low; 3]), None, "no high afternoon");
    assert!(of([Balance { ph_range: Some((8.2, 9.0)), ..low }; 3]).is_some(), "high pH");
    assert_eq!(of([Balance { warming_c: Some(2.8), ..rich }; 3]), None, "brighter days");
    assert_eq!(judged(&[[usual(); 3].as_slice(), &[rich; 3]].concat(), &[]).bloom(), None, "six known days");
    // After dull days a pond comes back to what it made before them.
    let dull = Balance { production_mg_l: 8.0, ..usual() };
    let back = [[rich; 4].as_slice(), &[dull; 5], &[Balance { production_mg_l: 14.5, ..rich }; 3]].concat();
    assert_eq!(judged(&back, &[]).bloom(), None);
}

/// One more mg/L each day is seven in a week; one wild day does not bend the median slope.
#[test]
fn the_trend_is_per_week_and_holds_against_one_odd_day() {
    let mut known = Metabolism::default();
    for day in 0..5 {
        assert_eq!(known.trend(), None, "{day} days");
        let grown = Balance { production_mg_l: 8.0 + day as f64, respiration_mg_l: 9.0, ..usual() };
        add(&mut known, day, Ok(grown), &[]);
    }
    let trend = known.trend().unwrap();
    assert!((trend.production_mg_l - 7.0).abs() < 1e-9, "{trend:?}");
    assert_eq!((trend.respiration_mg_l, trend.days), (0.0, 5));
    add(&mut known, 5, Err(Unknown::Exchange), &[]);
    add(&mut known, 6, Ok(Balance { production_mg_l: 14.0, ..usual() }), &[]);
    add(&mut known, 7, Ok(Balance { production_mg_l: 90.0, ..usual() }), &[]);
    assert!((known.trend().unwrap().production_mg_l - 7.0).abs() < 0.1);
}
