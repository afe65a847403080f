//! Days that have a file of their own: read as before, whole after a cut at any step, and damage costs its own piece.

use std::fs;
use std::path::{Path, PathBuf};

use pondreeve_core::effect::Flag;
use pondreeve_core::input::Sample;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Input, Quantity, Span, Timestamp};
use tempfile::TempDir;

use super::archive::{Backup, salvage};
use super::database::{FORMAT, FORMAT_KEY};
use super::keys::{is_for_ever, key, kind, parts};
use super::query::Remembered;
use super::record::BatchWriter;
use super::thinning::Limits;
use super::verdict::{Verdict, Verdicts, code};
use super::verify::verify;
use super::{Commit, From, Journal, Query};

/// Midnight UTC, 2026-05-28.
const START: Timestamp = Timestamp(1_779_926_400_000);
const FIRST_DAY: u32 = 20_601;
/// Three minutes: twenty inputs an hour, 480 a day.
const EVERY_MS: i64 = 180_000;

fn at(seq: u64) -> Timestamp {
    START + Span::from_millis(seq as i64 * EVERY_MS)
}

/// Input number `seq`: sweeps, of which some were measured two hours before, and what people did.
fn nth(seq: u64) -> Input {
    let event = match seq {
        1 => Event::Started { site: crate::engine::tests::farm(Path::new("/nowhere")).site },
        _ if seq.is_multiple_of(7) => {
            Event::Acknowledge { alarm: format!("p1.alarm-{seq}"), by: "ana".to_owned() }
        }
        _ => {
            let taken_at = seq.is_multiple_of(50).then(|| at(seq) - Span::from_hours(2));
            let value = (500 + seq % 211) as f64 / 100.0;
            let sample = |quantity| Sample { probe: ProbeIndex(0), quantity, channel: None, value, taken_at };
            Event::Sweep { samples: vec![sample(Quantity::DoMgL), sample(Quantity::TemperatureC)] }
        }
    };
    Input { seq, at: at(seq), event }
}

fn fill(journal: &mut Journal, seqs: std::ops::RangeInclusive<u64>) {
    for seq in seqs {
        let mut batch = BatchWriter::new(seq, at(seq));
        batch.input(&nth(seq));
        if let Event::Sweep { samples } = nth(seq).event {
            let mut verdicts = Verdicts { seq, ..Verdicts::default() };
            for Sample { value, .. } in samples {
                let verdict = Verdict { flag: Flag::Pass, value: Some(value) };
                verdicts.codes.push(code(Some(verdict), value, &mut verdicts.told));
            }
            batch.verdicts(&verdicts);
        }
        let batches = vec![(seq, batch.finish()).into()];
        journal.commit(&Commit { batches, ..Commit::default() }, at(seq)).unwrap();
        journal.upkeep(at(seq));
    }
}

/// Up to noon of the third day: two days have files.
const NOON: u64 = 2 * 480 + 240;

fn filled(folder: &TempDir) -> (Journal, PathBuf) {
    let path = folder.path().join("store");
    let (mut journal, _) = Journal::open(&path, START).unwrap();
    journal.pace.most_hours = 1;
    fill(&mut journal, 1..=NOON);
    (journal, path)
}

fn read(journal: &mut Journal, from: From) -> Vec<Input> {
    let mut found = Vec::new();
    let reading = journal.read_from(from, START, &mut |input| found.push(input));
    assert_eq!((reading.damaged, reading.missing, &reading.notes[..]), (0, 0, &[][..]));
    found
}

fn written(seqs: std::ops::RangeInclusive<u64>) -> Vec<Input> {
    seqs.map(nth).collect()
}

/// When oxygen was measured, in order of time, in a stretch of hours from the start.
fn measured(from: i64, to: i64) -> Vec<Timestamp> {
    let sweeps = written(1..=NOON);
    let times = sweeps.iter().filter_map(|input| match &input.event {
        Event::Sweep { samples } => Some(samples[0].taken_at.unwrap_or(input.at)),
        _ => None,
    });
    let (from, to) = (START + Span::from_hours(from), START + Span::from_hours(to));
    let mut times: Vec<_> = times.filter(|time| *time >= from && *time < to).collect();
    times.sort();
    times
}

fn asked(journal: &Journal, from: i64, to: i64) -> Vec<Timestamp> {
    let (from, to) = (START + Span::from_hours(from), START + Span::from_hours(to));
    let query = Query { pond: "pond".to_owned(), quantity: Quantity::DoMgL, from, to };
    let mut found = Vec::new();
    let answered = journal.query(&query, &mut |kept| found.push(kept.at)).unwrap();
    assert_eq!(answered.damaged, 0);
    found
}

fn files(path: &Path) -> Vec<String> {
    let entries = fs::read_dir(path.join("days")).unwrap().map(Result::unwrap);
    let mut names: Vec<_> = entries.map(|entry| entry.file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// Days of which the database itself holds readings.
fn days_in_database(journal: &Journal) -> Vec<u32> {
    let keys = journal.store.as_ref().unwrap().sealed.range(key(1, 0, 0, 0)..).keys();
    let found = keys.filter_map(|found| parts(&found.unwrap()));
    let mut days: Vec<_> =
        found.filter(|(_, kind, ..)| !is_for_ever(*kind)).map(|(hour, ..)| hour / 24).collect();
    days.dedup();
    days
}

#[test]
fn days_that_are_over_are_read_as_before() {
    let folder = TempDir::new().unwrap();
    let (mut journal, path) = filled(&folder);
    for _ in 0..2 {
        assert_eq!(files(&path), ["day-020601", "day-020602"]);
        assert_eq!(days_in_database(&journal), [FIRST_DAY + 2]);
        assert_eq!(read(&mut journal, From::Start), written(1..=NOON));
        assert_eq!(read(&mut journal, From::Position(470)), written(470..=NOON));
        // Stretches within a day, over midnight, and into what the tail has.
        for (from, to) in [(5, 9), (20, 30), (0, 48), (22, 24), (47, 60)] {
            assert_eq!(asked(&journal, from, to), measured(from, to), "{from} to {to}");
        }
        let mut remembered = 0;
        let mut count = |values: Remembered| {
            remembered += usize::from(values.quantity == Quantity::DoMgL) * values.values.len();
            true
        };
        journal.remember(START, &mut count).unwrap();
        assert_eq!(remembered, measured(-3, 60).len());
        drop(journal);
        journal = Journal::open(&path, START).unwrap().0;
    }
}

/// After a cut between the writing of a file and its removal from the database, both have the day.
#[test]
fn a_cut_in_the_middle_of_filing_costs_nothing_and_counts_nothing_twice() {
    let folder = TempDir::new().unwrap();
    let (mut journal, path) = filled(&folder);
    back_into_database(&journal, &[0, 1]);
    drop(journal);
    fs::write(path.join("days/day-020603.making"), b"half").unwrap();
    journal = Journal::open(&path, START).unwrap().0;
    journal.pace.most_hours = 1;
    assert_eq!(files(&path), ["day-020601", "day-020602"]);
    assert_eq!(days_in_database(&journal).len(), 3);
    assert_eq!(read(&mut journal, From::Start), written(1..=NOON));
    assert_eq!(asked(&journal, 0, 60), measured(0, 60));
    // The next hours file them again.
    fill(&mut journal, NOON + 1..=NOON + 60);
    assert_eq!(days_in_database(&journal), [FIRST_DAY + 2]);
    assert_eq!(read(&mut journal, From::Start), written(1..=NOON + 60));
    drop(journal);
    let checked = verify(&path, None).unwrap();
    assert_eq!(checked.damaged, 0);
}

/// Puts what the files of days have back into the database, as before they were written.
fn back_into_database(journal: &Journal, days: &[u32]) {
    let store = journal.store.as_ref().unwrap();
    for day in days {
        for key in store.days.keys_of(FIRST_DAY + day) {
            store.sealed.insert(key, store.days.get(&key).unwrap()).unwrap();
        }
    }
    store.sealed.remove(key(0, kind::FILED_BEFORE, 0, 0)).unwrap();
    store.db.flush().unwrap();
}

/// Format 2 had no files of days.
#[test]
fn a_store_of_format_2_is_read_and_gets_its_files() {
    let folder = TempDir::new().unwrap();
    let (journal, path) = filled(&folder);
    back_into_database(&journal, &[0, 1]);
    let about = journal.store.as_ref().unwrap().db.open_tree("about").unwrap();
    about.insert(FORMAT_KEY, &2_u64.to_be_bytes()).unwrap();
    drop((about, journal));
    fs::remove_dir_all(path.join("days")).unwrap();
    let (mut journal, notes) = Journal::open(&path, START).unwrap();
    journal.pace.most_hours = 1;
    assert!(notes.is_empty(), "{notes:?}");
    assert_eq!(read(&mut journal, From::Start), written(1..=NOON));
    // A program that knows only format 2 must not take the days for lost.
    let about = journal.store.as_ref().unwrap().db.open_tree("about").unwrap();
    assert_eq!(about.get(FORMAT_KEY).unwrap().unwrap(), &FORMAT.to_be_bytes());
    drop(about);
    fill(&mut journal, NOON + 1..=NOON + 60);
    assert_eq!(files(&path), ["day-020601", "day-020602"]);
    assert_eq!(days_in_database(&journal), [FIRST_DAY + 2]);
    assert_eq!(read(&mut journal, From::Start), written(1..=NOON + 60));
    assert_eq!(asked(&journal, 0, 48), measured(0, 48));
}

/// A flipped bit costs the piece it is in, an hour of one shape: seventeen sweeps at most, of twenty inputs.
/// In the index it costs nothing.
#[test]
fn damage_in_a_days_file_costs_its_own_piece() {
    let folder = TempDir::new().unwrap();
    let (journal, path) = filled(&folder);
    drop(journal);
    let file = path.join("days/day-020601");
    let whole = fs::read(&file).unwrap();
    let all = written(1..=NOON);
    let mut lost_most = 0;
    for flip in 0..80 {
        let mut damaged = whole.clone();
        damaged[(whole.len() - 1) * flip / 79] ^= 1 << (flip % 8);
        fs::write(&file, &damaged).unwrap();
        let (mut journal, notes) = Journal::open(&path, START).unwrap();
        assert!(notes.is_empty(), "{notes:?}");
        let mut found = Vec::new();
        let reading = journal.read(START, &mut |input| found.push(input));
        let lost = all.len() - found.len();
        assert!(found.iter().all(|input| *input == nth(input.seq)), "flip {flip}");
        // What is gone is told, by its place or by its number.
        assert!(lost <= 18 && (lost == 0 || reading.damaged + reading.missing > 0), "flip {flip}: {lost}");
        lost_most = lost_most.max(lost);
        drop(journal);
        assert!(verify(&path, None).unwrap().damaged > 0, "flip {flip}");
    }
    assert!(lost_most > 0);
    fs::write(&file, &whole).unwrap();
    assert_eq!(verify(&path, None).unwrap().damaged, 0);
}

#[test]
fn days_are_in_a_backup_and_salvaged() {
    let folder = TempDir::new().unwrap();
    let (mut journal, path) = filled(&folder);
    journal.seal_all(START);
    let to = folder.path().join("backup");
    let mut backup = Backup::begin(&to, &journal.pieces(&Backup::index()).unwrap().0).unwrap();
    for (first, hours) in [(Backup::hours(), true), (Backup::index(), false)] {
        let (pieces, next) = journal.pieces(&first).unwrap();
        assert_eq!(next, None);
        let pieces = pieces.iter().filter(|(key, _)| hours || key[..] < Backup::hours()[..]);
        pieces.for_each(|(key, value)| backup.put(key, value).unwrap());
    }
    backup.finish().unwrap();
    drop(journal);
    let store = verify(&path, None).unwrap();
    assert_eq!((verify(&to, None).unwrap().inputs, store.damaged), (NOON, 0));
    // From the backup, from the store, and from a store whose database is gone.
    fs::create_dir(folder.path().join("bare")).unwrap();
    fs::rename(path.join("days"), folder.path().join("bare/days")).unwrap();
    let bare = salvage(&folder.path().join("bare"), &folder.path().join("of-bare")).unwrap();
    assert!(bare.inputs > 700, "{bare:?}");
    fs::rename(folder.path().join("bare/days"), path.join("days")).unwrap();
    for (from, to) in [(&to, "of-backup"), (&path, "of-store")] {
        let made = folder.path().join(to);
        let checked = salvage(from, &made).unwrap();
        assert_eq!(checked.damaged, 0, "{checked:?}");
        let mut journal = Journal::open(&made, START).unwrap().0;
        assert_eq!(read(&mut journal, From::Start), written(1..=NOON));
        assert_eq!(asked(&journal, 0, 60), measured(0, 60));
    }
}

#[test]
fn a_days_file_goes_when_its_readings_have_aged_out() {
    let folder = TempDir::new().unwrap();
    let (mut journal, path) = filled(&folder);
    let before = fs::read(path.join("days/day-020601")).unwrap();
    journal.set_limits(Limits { raw_days: 2, ..Limits::default() });
    fill(&mut journal, NOON + 1..=3 * 480 + 240);
    assert_eq!(files(&path), ["day-020602", "day-020603"]);
    assert_eq!(asked(&journal, 0, 23), []);
    let live_bytes = journal.live_bytes;
    let pieces = journal.pieces(&Backup::hours()).unwrap().0;
    assert_eq!(live_bytes, pieces.iter().map(|(key, value)| (key.len() + value.len()) as u64).sum::<u64>());
    drop(journal);
    // A cut before it was removed.
    fs::write(path.join("days/day-020601"), before).unwrap();
    let journal = Journal::open(&path, START).unwrap().0;
    assert_eq!(files(&path), ["day-020602", "day-020603"]);
    assert_eq!(asked(&journal, 0, 23), []);
}
