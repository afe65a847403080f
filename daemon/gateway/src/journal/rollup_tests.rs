//! Roll-ups against arithmetic by hand, and what is left when readings have aged out.

use pondreeve_core::effect::Flag;
use pondreeve_core::input::Sample;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Timestamp};
use tempfile::TempDir;

use super::record::BatchWriter;
use super::rollup::{Level, Rolled, from_bytes};
use super::thinning::Limits;
use super::verdict::{Late, Origin, Verdict, Verdicts, code};
use super::{Commit, Journal, Query};

/// Midnight UTC, 2026-05-28.
const START: i64 = 1_779_926_400_000;
const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;

fn commit(journal: &mut Journal, inputs: &[(u64, i64, f64, Option<i64>, Flag)]) {
    let at = |ms: i64| Timestamp(START + ms);
    let mut batch = BatchWriter::new(inputs[0].0, at(inputs[0].1));
    for &(seq, arrived, value, taken, flag) in inputs {
        if seq == 1 {
            let site = crate::engine::tests::farm(&std::env::temp_dir()).site;
            batch.input(&Input { seq, at: at(arrived), event: Event::Started { site } });
            continue;
        }
        let samples = vec![Sample {
            probe: ProbeIndex(0),
            quantity: Quantity::DoMgL,
            channel: None,
            value,
            taken_at: taken.map(at),
        }];
        batch.input(&Input { seq, at: at(arrived), event: Event::Sweep { samples } });
        let mut verdicts = Verdicts { seq, ..Verdicts::default() };
        let verdict = Verdict { flag, value: Some(value) };
        verdicts.codes.push(code(Some(verdict), value, &mut verdicts.told));
        batch.verdicts(&verdicts);
    }
    let last = at(inputs.last().unwrap().1);
    let batches = vec![(inputs[0].0, batch.finish()).into()];
    journal.commit(&Commit { batches, ..Commit::default() }, last).unwrap();
    journal.upkeep(last);
}

/// Days of readings each minute: the minute of the day in thousandths, and each tenth one suspect.
fn fill(journal: &mut Journal, days: std::ops::Range<i64>) {
    for day in days {
        for hour in 0..24 {
            let inputs: Vec<_> = (0..60)
                .map(|minute| {
                    let of_day = hour * 60 + minute;
                    let seq = (day * 1_440 + of_day + 2) as u64;
                    let flag = if of_day % 10 == 9 { Flag::Suspect } else { Flag::Pass };
                    (seq, day * DAY + of_day * MINUTE + 1, of_day as f64 / 1_000.0, None, flag)
                })
                .collect();
            commit(journal, &inputs);
        }
    }
}

fn ask(journal: &Journal, level: Level, from: i64, to: i64) -> Vec<Rolled> {
    let query = Query {
        pond: "pond".to_owned(),
        quantity: Quantity::DoMgL,
        from: Timestamp(START + from),
        to: Timestamp(START + to),
    };
    let mut found = Vec::new();
    journal.rolled(&query, level, &mut |rolled| found.push(*rolled)).unwrap();
    found
}

fn readings(journal: &Journal, from: i64, to: i64) -> usize {
    let query = Query {
        pond: "pond".to_owned(),
        quantity: Quantity::DoMgL,
        from: Timestamp(START + from),
        to: Timestamp(START + to),
    };
    let mut found = 0;
    journal.query(&query, &mut |_| found += 1).unwrap();
    found
}

/// By hand, for minutes 0 to 1,439 in thousandths without those that end in 9: lowest 0, highest 1.438;
/// the sum of all is 1,439 × 1,440 / 2 = 1,036,080, of those that end in 9 it is 144 × (9 + 1,439) / 2 =
/// 104,256; the mean of the other 1,296 is 931,824 / 1,296 = 719.0. The first quarter has 14 of them,
/// with the mean (105 − 9) / 14 = 6.857; the second hour 54, with the mean (5,370 − 564) / 54 = 89.0.
fn check(journal: &Journal, day: i64) {
    let close = |found: Option<f64>, by_hand: f64| (found.unwrap() - by_hand).abs() < 1e-4;
    let days = ask(journal, Level::Day, day * DAY, (day + 1) * DAY);
    assert_eq!(days.len(), 1);
    assert_eq!((days[0].usable, days[0].suspect, days[0].failed, days[0].missing), (1_296, 144, 0, 0));
    assert!(close(days[0].minimum, 0.0) && close(days[0].mean, 0.719) && close(days[0].maximum, 1.438));
    assert!((days[0].valid_share() - 0.9).abs() < 1e-12);
    let quarters = ask(journal, Level::Quarter, day * DAY, (day + 1) * DAY);
    assert_eq!((quarters.len(), quarters[0].usable, quarters[0].suspect), (96, 14, 1));
    assert!(close(quarters[0].mean, 0.006_857) && close(quarters[0].maximum, 0.014), "{:?}", quarters[0]);
    let hours = ask(journal, Level::Hour, day * DAY, (day + 1) * DAY);
    assert_eq!((hours.len(), hours[1].from.as_millis()), (24, START + day * DAY + 60 * MINUTE));
    assert!(close(hours[1].mean, 0.089) && close(hours[1].minimum, 0.06), "{:?}", hours[1]);
}

#[test]
fn roll_ups_outlive_the_readings() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = Journal::open(&path, Timestamp(START)).unwrap();
    commit(&mut journal, &[(1, 0, 0.0, None, Flag::Pass)]);
    fill(&mut journal, 0..4);
    // The first three are rolled up, of the last the tail has the end.
    (0..4).for_each(|day| check(&journal, day));
    assert_eq!(readings(&journal, 0, 4 * DAY), 4 * 1_440);
    journal.set_limits(Limits { raw_days: 2, ..Limits::default() });
    fill(&mut journal, 4..7);
    drop(journal);
    let (mut journal, notes) = Journal::open(&path, Timestamp(START)).unwrap();
    assert!(notes.is_empty(), "{notes:?}");
    assert_eq!(readings(&journal, 0, 3 * DAY), 0);
    assert_eq!(readings(&journal, 5 * DAY, 7 * DAY), 2 * 1_440);
    (0..7).for_each(|day| check(&journal, day));
    assert_eq!(ask(&journal, Level::Day, 0, 7 * DAY).len(), 7);
    // The farm is still known, so what is left can be replayed.
    let mut found = Vec::new();
    let reading = journal.read(Timestamp(START), &mut |input| found.push(input));
    assert!(matches!(found[0].event, Event::Started { .. }));
    assert_eq!((reading.damaged, reading.missing), (0, 0));
}

/// A clock that says next year makes every reading too old. Nothing goes for that before somebody had two weeks to see
/// what date it is, also where the daemon was started anew in between.
#[test]
fn nothing_goes_for_its_age_just_after_time_has_leapt() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let opened = || {
        let (mut journal, notes) = Journal::open(&path, Timestamp(START)).unwrap();
        assert!(notes.is_empty(), "{notes:?}");
        journal.set_limits(Limits { raw_days: 30, ..Limits::default() });
        journal
    };
    let mut journal = opened();
    commit(&mut journal, &[(1, 0, 0.0, None, Flag::Pass)]);
    fill(&mut journal, 0..3);
    fill(&mut journal, 400..407);
    drop(journal);
    let mut journal = opened();
    fill(&mut journal, 407..414);
    assert_eq!(readings(&journal, 0, 3 * DAY), 3 * 1_440);
    fill(&mut journal, 414..416);
    assert_eq!(readings(&journal, 0, 3 * DAY), 0);
    assert_eq!(readings(&journal, 400 * DAY, 415 * DAY), 15 * 1_440);
    // A week without readings is no leap: 31 days are too old at once.
    fill(&mut journal, 422..423);
    fill(&mut journal, 429..434);
    assert_eq!(readings(&journal, 400 * DAY, 403 * DAY), 0);
}

/// A node that counts from 1970, and one that knows the year while the gateway's clock does not: what they read counts from
/// when it came, in the tail, sealed and rolled up, and the input keeps the time that they gave.
#[test]
fn what_has_no_clock_is_found_when_it_came() {
    let folder = TempDir::new().unwrap();
    let (mut journal, _) = Journal::open(&folder.path().join("store"), Timestamp(START)).unwrap();
    commit(&mut journal, &[(1, 0, 0.0, None, Flag::Pass)]);
    let (since_1970, in_20_years) = (-START + 9_000, 20 * 365 * DAY);
    let came: Vec<_> = [Some(since_1970), Some(in_20_years), Some(3 * HOUR - MINUTE), None]
        .into_iter()
        .zip(2..)
        .map(|(taken, seq)| (seq, 3 * HOUR + seq as i64, seq as f64, taken, Flag::Suspect))
        .collect();
    commit(&mut journal, &came);
    assert_eq!(readings(&journal, 3 * HOUR, 4 * HOUR), 3, "in the tail");
    journal.seal_all(Timestamp(START + 4 * HOUR));
    assert_eq!(readings(&journal, 3 * HOUR, 4 * HOUR), 3, "sealed");
    assert_eq!(readings(&journal, 2 * HOUR, 3 * HOUR), 1, "a minute late");
    assert_eq!(readings(&journal, -START, 0) + readings(&journal, 4 * HOUR, 2 * in_20_years), 0);
    fill(&mut journal, 1..3);
    let hours = ask(&journal, Level::Hour, 3 * HOUR, 4 * HOUR);
    assert_eq!((hours.len(), hours[0].suspect), (1, 3));
    let mut found = Vec::new();
    journal.read(Timestamp(START), &mut |input| found.push(input));
    let taken = found.iter().filter_map(|input| match &input.event {
        Event::Sweep { samples } if input.seq <= 5 => Some(samples[0].taken_at),
        _ => None,
    });
    let given = came.iter().map(|(.., taken, _)| taken.map(|ms| Timestamp(START + ms)));
    assert_eq!(taken.collect::<Vec<_>>(), given.collect::<Vec<_>>());
}

/// A day is counted as its hours are sealed, or from what was sealed, or the one and the other where the program was
/// started in between: it comes to the same.
#[test]
fn a_day_comes_to_the_same_however_it_was_counted() {
    let flags = [Flag::Pass, Flag::Pass, Flag::Pass, Flag::Suspect, Flag::Fail, Flag::NotEvaluated];
    let rolled = |is_forgotten: &dyn Fn(i64) -> bool| {
        let folder = TempDir::new().unwrap();
        let (mut journal, _) = Journal::open(&folder.path().join("store"), Timestamp(START)).unwrap();
        journal.pace.most_hours = 1;
        commit(&mut journal, &[(1, 0, 0.0, None, Flag::Pass)]);
        for hour in 0..26 {
            let inputs: Vec<_> = (0..60)
                .map(|minute| {
                    let of_all = hour * 60 + minute;
                    // What a mixed-up order of large steps gives: no two quarters alike.
                    let value = ((of_all * 7_919) % 10_007) as f64 / 137.0 - 20.0;
                    let flag = flags[((of_all * 31) % 6) as usize];
                    ((of_all + 2) as u64, of_all * MINUTE + 1, value, None, flag)
                })
                .collect();
            commit(&mut journal, &inputs);
            assert!(!(2..24).contains(&hour) || !journal.tallies.is_empty());
            if is_forgotten(hour) {
                journal.tallies.clear();
            }
        }
        assert_eq!(i64::from(journal.rolled_before), START / DAY + 1);
        assert!(journal.tallies.len() <= 2, "those of the day are let go");
        ask(&journal, Level::Quarter, 0, DAY)
    };
    let counted = rolled(&|_| false);
    assert_eq!((counted.len(), counted[0].usable + counted[0].suspect + counted[0].failed), (96, 15));
    assert_eq!(counted, rolled(&|_| true));
    assert_eq!(counted, rolled(&|hour| hour == 11));
}

/// A reading that a probe kept while it was offline comes after its day was rolled up.
#[test]
fn a_late_reading_changes_its_day() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = Journal::open(&path, Timestamp(START)).unwrap();
    journal.pace.most_hours = 1;
    commit(&mut journal, &[(1, 0, 0.0, None, Flag::Pass)]);
    fill(&mut journal, 0..2);
    let seq = 2 * 1_440 + 2;
    let taken = Some(10 * 60 * MINUTE + 500);
    commit(&mut journal, &[(seq, 2 * DAY + 2, 9.5, taken, Flag::Pass)]);
    commit(&mut journal, &[(seq + 1, 2 * DAY + 90 * MINUTE, 0.5, None, Flag::Pass)]);
    commit(&mut journal, &[(seq + 2, 2 * DAY + 190 * MINUTE, 0.5, None, Flag::Pass)]);
    let day = ask(&journal, Level::Day, 0, DAY)[0];
    assert_eq!((day.usable, day.maximum), (1_297, Some(9.5)));
    assert_eq!(readings(&journal, 10 * 60 * MINUTE, 11 * 60 * MINUTE), 61);
}

#[test]
fn the_oldest_readings_go_when_there_are_too_many() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = Journal::open(&path, Timestamp(START)).unwrap();
    journal.set_limits(Limits { most_bytes: 16_000, ..Limits::default() });
    commit(&mut journal, &[(1, 0, 0.0, None, Flag::Pass)]);
    fill(&mut journal, 0..12);
    assert_eq!(readings(&journal, 0, DAY), 0);
    assert_eq!(readings(&journal, 11 * DAY, 12 * DAY), 1_440);
    (0..12).for_each(|day| check(&journal, day));
}

/// Others fill the disk, hour after hour. Deleting readings does not empty it, so no more go than make room
/// for new ones, and roll-ups stay.
#[test]
fn a_disk_that_others_fill_does_not_cost_all_readings() {
    let disk = super::disk_tests::SmallDisk::new(40);
    let (mut journal, _) = Journal::open(&disk.path().join("store"), Timestamp(START)).unwrap();
    commit(&mut journal, &[(1, 0, 0.0, None, Flag::Pass)]);
    fill(&mut journal, 0..12);
    disk.fill_up_to(6_000_000);
    for hours in 0..24 {
        let at = 12 * DAY + hours * 60 * MINUTE;
        let seq = (12 * 1_440 + hours + 2) as u64;
        commit(&mut journal, &[(seq, at, 7.0, None, Flag::Pass)]);
    }
    assert!(readings(&journal, 0, 12 * DAY) >= 10 * 1_440, "{}", readings(&journal, 0, 12 * DAY));
    assert_eq!(ask(&journal, Level::Day, 0, 12 * DAY).len(), 12);
}

/// A clock that was never set begins in 1970; the half century until it is set is passed over, and what was
/// measured before and after is rolled up.
#[test]
fn a_clock_that_is_set_late_costs_no_half_century_of_roll_ups() {
    let folder = TempDir::new().unwrap();
    let (mut journal, _) = Journal::open(&folder.path().join("store"), Timestamp(START)).unwrap();
    journal.pace.most_hours = 1;
    commit(&mut journal, &[(1, -START, 0.0, None, Flag::Pass)]);
    let early = -START + 5 * MINUTE;
    commit(&mut journal, &[(2, early, 4.0, None, Flag::Pass)]);
    commit(&mut journal, &[(3, 10 * MINUTE, 5.0, None, Flag::Pass)]);
    commit(&mut journal, &[(4, DAY + 10 * MINUTE, 6.0, None, Flag::Pass)]);
    commit(&mut journal, &[(5, DAY + 70 * MINUTE, 6.0, None, Flag::Pass)]);
    assert_eq!(i64::from(journal.rolled_before), (START + DAY) / DAY);
    let means = |from: i64, to: i64| -> Vec<Option<f64>> {
        ask(&journal, Level::Quarter, from, to).iter().map(|own| own.mean).collect()
    };
    assert_eq!(means(0, DAY), [Some(5.0)]);
    assert_eq!(means(-START, -START + DAY), [Some(4.0)]);
}

/// Before its day is rolled up, a reading of the last minute of it comes after midnight, and ten of ten o'clock are
/// found to have failed, minutes 600 to 609. By hand, from the figures of [`check`]: of those ten one was suspect, so
/// usable are 1,296 + 1 − 9 = 1,288, suspect 143, failed 10; their sum is 931,824 + 9,500 − 5,436 = 935,888 thousandths,
/// the mean 726.621. In the quarter from ten on five are left, 610 to 614.
#[test]
fn a_day_counts_what_came_late_and_what_was_judged_again() {
    let folder = TempDir::new().unwrap();
    let (mut journal, _) = Journal::open(&folder.path().join("store"), Timestamp(START)).unwrap();
    journal.pace.most_hours = 1;
    commit(&mut journal, &[(1, 0, 0.0, None, Flag::Pass)]);
    fill(&mut journal, 0..1);
    let mut batch = BatchWriter::new(1_442, Timestamp(START + DAY - 50));
    batch.input(&Input { seq: 1_442, at: Timestamp(START + DAY - 50), event: Event::Tick });
    let minute = |minute: i64| Timestamp(START + minute * MINUTE);
    batch.late(&Late {
        origin: Origin::Amended,
        pond: Some(PondIndex(0)),
        probe: Some(ProbeIndex(0)),
        quantity: Quantity::DoMgL,
        at: minute(600),
        value: None,
        flag: Flag::Fail,
        channel: None,
        until: minute(610),
    });
    journal.commit(&Commit { batches: vec![batch.into()], ..Commit::default() }, minute(1_440)).unwrap();
    commit(&mut journal, &[(1_443, DAY + 5_000, 9.5, Some(DAY - 10_000), Flag::Pass)]);
    commit(&mut journal, &[(1_444, DAY + 90 * MINUTE, 0.5, None, Flag::Pass)]);
    assert_eq!(i64::from(journal.rolled_before), START / DAY + 1);
    let day = ask(&journal, Level::Day, 0, DAY)[0];
    assert_eq!((day.usable, day.suspect, day.failed, day.missing), (1_288, 143, 10, 0));
    assert_eq!(day.maximum, Some(9.5));
    // Means of quarter hours are kept to four digits.
    assert!((day.mean.unwrap() - 0.726_621).abs() < 5e-5, "{day:?}");
    let quarters = ask(&journal, Level::Quarter, 0, DAY);
    assert_eq!((quarters[40].usable, quarters[40].suspect, quarters[40].failed), (5, 0, 10));
    assert_eq!((quarters[95].usable, quarters[95].maximum), (14, Some(9.5)));
}

/// As an export goes through a century: six hours at a time, and at once over what is said to be empty.
#[test]
fn what_is_empty_is_passed_over_and_nothing_else() {
    let folder = TempDir::new().unwrap();
    let (mut journal, _) = Journal::open(folder.path(), Timestamp(START)).unwrap();
    commit(&mut journal, &[(1, 0, 0.0, None, Flag::Pass)]);
    fill(&mut journal, 0..2);
    fill(&mut journal, 40..41);
    // A buoy that was offline tells of the twentieth day, of which nothing was known; the tail has the newest hour.
    let late: Vec<_> = (0..5_i64)
        .map(|turn| {
            (41 * 1_440 + 2 + turn as u64, 41 * DAY + 1, 5.0, Some(20 * DAY + turn * MINUTE), Flag::Pass)
        })
        .collect();
    commit(&mut journal, &late);
    fill(&mut journal, 42..43);
    let all = 4 * 1_440 + 5;
    let pages = |journal: &Journal, quantity: Quantity| {
        let six_hours = DAY / 4;
        let (mut found, mut pages, mut from) = (0, 0, -10_000 * DAY);
        while from < 10_000 * DAY {
            let to = (from.div_euclid(six_hours) + 1) * six_hours;
            let query = Query {
                pond: "pond".to_owned(),
                quantity,
                from: Timestamp(START + from),
                to: Timestamp(START + to),
            };
            let answered = journal.query(&query, &mut |_| ()).unwrap().readings;
            (found, pages, from) = (found + answered, pages + 1, to);
            if answered == 0 {
                let next = journal.next_kept(&query, false, query.to);
                from = next.map_or(10_000 * DAY, |next| next.as_millis() - START).max(to);
            }
        }
        (found, pages)
    };
    let (found, asked) = pages(&journal, Quantity::DoMgL);
    assert_eq!(found, all);
    // Of 80,000: those of five days, and of the three weeks that the late ones reach over when they are sealed.
    assert!(asked < 5 * 4 + 21 * 4 + 10, "{asked} pages");
    assert_eq!(pages(&journal, Quantity::Ph), (0, 1), "never measured");
    // Roll-ups stay when readings have gone.
    let of = Query {
        pond: "pond".to_owned(),
        quantity: Quantity::DoMgL,
        from: Timestamp(START),
        to: Timestamp(START),
    };
    let next = |rolled| journal.next_kept(&of, rolled, Timestamp(START - 10_000 * DAY));
    assert_eq!((next(true), next(false)), (Some(Timestamp(START)), Some(Timestamp(START))));
}

/// A checksum may fit what no day has: quarter hours beyond its 96, more readings than can come.
#[test]
fn what_no_day_can_have_is_damage() {
    // Whole numbers are zigzag LEB128: 95 is 190, 96 is 192, 2^20 + 1 is 2,097,154.
    let (last, beyond) = ([0xBE, 0x01], [0xC0, 0x01]);
    let too_many = [0x82, 0x80, 0x80, 0x01];
    let read = |rows: u8, place: &[u8], usable: &[u8]| {
        let value = [16, 0, 0];
        let none = [0, 0];
        let mut bytes =
            [&[1, rows, 0], place, &value, &value, &value, &[0], usable, &none, &none, &none].concat();
        let mut hasher = crc32fast::Hasher::new();
        hasher.update(b"key");
        hasher.update(&bytes);
        bytes.extend_from_slice(&hasher.finalize().to_le_bytes());
        from_bytes(b"key", &bytes, 20_000)
    };
    let sound = read(1, &last, &[2]).unwrap();
    assert_eq!((sound.len(), sound[0].usable), (1, 1));
    assert_eq!(sound[0].from, Timestamp(20_001 * DAY - 15 * MINUTE));
    assert!(read(1, &beyond, &[2]).is_err(), "the 97th quarter hour");
    assert!(read(1, &[1], &[2]).is_err(), "one before the day");
    assert!(read(97, &last, &[2]).is_err(), "97 quarter hours");
    assert!(read(1, &last, &too_many).is_err(), "too many readings");
}
