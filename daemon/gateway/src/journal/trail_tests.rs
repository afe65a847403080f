//! The audit trail in the store: kept with its inputs, the same before and after sealing, told where it is broken.

use std::path::Path;

use pondreeve_core::{Event, Input, Timestamp};
use tempfile::TempDir;

use super::archive::{Backup, salvage};
use super::keys::{Key, kind, parts};
use super::record::{BatchWriter, read_batch};
use super::store::{Commit, Journal};
use super::trail::{head_bytes, head_key, row_key};
use super::verify::verify;
use crate::audit::{Break, Check, Head, Note, Place, Row};

const NOW: Timestamp = Timestamp(1_780_000_000_000);
const HOUR_MS: i64 = 3_600_000;

fn at(seq: u64) -> Timestamp {
    Timestamp(NOW.as_millis() + seq as i64 * HOUR_MS / 4)
}

fn note(seq: u64) -> Note {
    Note {
        at: at(seq),
        local: "2026-05-28T15:26:40-05:00".to_owned(),
        user: "ana".to_owned(),
        place: Place::Console,
        action: "acknowledge".to_owned(),
        object: format!("p1.alarm-{seq}"),
        old: "unacknowledged".to_owned(),
        new: "acknowledged".to_owned(),
        reason: "aerator \"2\" was off".to_owned(),
    }
}

/// Inputs `from` to `to`, each an acknowledgement with its note, in commits of three.
fn fill(journal: &mut Journal, from: u64, to: u64, seal: bool) {
    let seqs: Vec<u64> = (from..=to).collect();
    for group in seqs.chunks(3) {
        let mut batch = BatchWriter::new(group[0], at(group[0]));
        for &seq in group {
            let event = Event::Acknowledge { alarm: format!("p1.alarm-{seq}"), by: "ana".to_owned() };
            batch.input(&Input { seq, at: at(seq), event });
            batch.note(seq, &note(seq));
        }
        let batches = vec![(group[0], batch.finish()).into()];
        journal.commit(&Commit { batches, ..Commit::default() }, NOW).unwrap();
        if seal {
            journal.upkeep(NOW);
        }
    }
}

fn open(path: &Path) -> Journal {
    let (journal, notes) = Journal::open(path, NOW).unwrap();
    assert_eq!(notes, Vec::<String>::new());
    journal
}

fn rows(journal: &Journal) -> Vec<(u64, Row)> {
    let (mut all, mut next) = (Vec::new(), 1);
    loop {
        let found = journal.trail_rows(next).unwrap();
        let Some((last, _)) = found.last() else { return all };
        next = last + 1;
        all.extend(found);
    }
}

/// What the records are, worked out from the notes alone.
fn expected(count: u64) -> (Vec<(u64, Row)>, Head) {
    let mut head = Head::default();
    let rows = (1..=count).map(|seq| (seq, head.chain(&note(seq)))).collect();
    (rows, head)
}

#[test]
fn records_are_the_same_in_the_tail_sealed_and_after_a_kill() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (all, head) = expected(700);
    let mut journal = open(&path);
    fill(&mut journal, 1, 200, true);
    fill(&mut journal, 201, 203, false);
    assert_eq!((rows(&journal), journal.trail()), (all[..203].to_vec(), expected(203).1));
    assert!(journal.trail.sealed.records < 203, "some lie in the tail only");
    // A kill: the lock is let go, nothing is closed in order.
    std::mem::forget(journal.tail.take());
    drop(journal);
    let mut journal = open(&path);
    assert_eq!((rows(&journal), journal.trail()), (all[..203].to_vec(), expected(203).1));
    fill(&mut journal, 204, 700, true);
    journal.seal_all(NOW);
    assert_eq!((rows(&journal), journal.trail()), (all, head));
    assert_eq!(journal.trail.sealed, head);
    drop(journal);
    let checked = verify(&path, Some(head)).unwrap();
    assert_eq!((checked.damaged, checked.trail.is_whole(), checked.trail.head), (0, true, head));
}

/// The same commit handed in twice, as after an error that came too late, is in the trail once.
#[test]
fn a_commit_that_is_handed_in_again_counts_once() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let mut journal = open(&path);
    for _ in 0..2 {
        fill(&mut journal, 1, 3, false);
    }
    assert_eq!((rows(&journal), journal.trail()), expected(3));
    journal.seal_all(NOW);
    assert_eq!(rows(&journal), expected(3).0);
}

/// Changes what the closed store holds, as someone with the disk could.
fn tamper(path: &Path, change: &dyn Fn(&sled::Tree)) -> crate::audit::check::Checked {
    let copy = TempDir::new().unwrap();
    let to = copy.path().join("store");
    salvage(path, &to).unwrap();
    let db = super::database::settings(&to).open().unwrap();
    change(&db.open_tree("sealed").unwrap());
    db.flush().unwrap();
    drop(db);
    verify(&to, None).unwrap().trail
}

#[test]
fn what_is_done_to_the_store_is_told_with_the_record() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let mut journal = open(&path);
    fill(&mut journal, 1, 12, true);
    journal.seal_all(NOW);
    drop(journal);
    let (all, head) = expected(12);
    assert_eq!(tamper(&path, &|_| ()).head, head);
    for (record, row) in &all {
        let mut flipped = row.to_bytes();
        flipped[100] ^= 1;
        let found = tamper(&path, &|tree| drop(tree.insert(row_key(*record), &flipped[..]).unwrap()));
        assert_eq!(found.breaks, [Break::Changed { record: *record }]);
        let found = tamper(&path, &|tree| drop(tree.remove(row_key(*record)).unwrap()));
        let gone = match record {
            12 => Break::CutShort { counted: 12, found: 11 },
            _ => Break::Missing { from: *record, to: *record },
        };
        assert_eq!(found.breaks, [gone]);
    }
    let (third, fifth) = (all[2].1.to_bytes(), all[4].1.to_bytes());
    let found = tamper(&path, &|tree| {
        tree.insert(row_key(3), &fifth[..]).unwrap();
        tree.insert(row_key(5), &third[..]).unwrap();
    });
    assert_eq!(found.breaks[0], Break::Moved { record: 3, says: "5".to_owned() });
    // The end cut off with its count still shows by a hash that was noted elsewhere.
    let short = expected(9).1;
    let copy = TempDir::new().unwrap();
    let to = copy.path().join("store");
    salvage(&path, &to).unwrap();
    let db = super::database::settings(&to).open().unwrap();
    let tree = db.open_tree("sealed").unwrap();
    (10..=12).for_each(|record| drop(tree.remove(row_key(record)).unwrap()));
    tree.insert(head_key(), head_bytes(short)).unwrap();
    db.flush().unwrap();
    drop((tree, db));
    assert!(verify(&to, None).unwrap().trail.is_whole());
    assert_eq!(verify(&to, Some(head)).unwrap().trail.breaks, [Break::NotAsExported { record: 12 }]);
    assert!(verify(&to, Some(short)).unwrap().trail.is_whole());
}

/// A day's files are made and removed, readings age out: the trail stays.
#[test]
fn the_trail_outlasts_the_readings() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let mut journal = open(&path);
    journal.set_limits(super::Limits { raw_days: 1, ..super::Limits::default() });
    let (mut head, mut expected) = (Head::default(), Vec::new());
    for seq in 1..=900 {
        let mut batch = BatchWriter::new(seq, at(seq));
        if seq % 3 == 0 {
            batch.input(&Input { seq, at: at(seq), event: Event::Stopped });
            batch.note(seq, &note(seq));
            let row = head.chain(&note(seq));
            expected.push((head.records, row));
        } else {
            batch.input(&Input { seq, at: at(seq), event: crate::engine::tests::oxygen(6.0) });
        }
        let batches = vec![(seq, batch.finish()).into()];
        journal.commit(&Commit { batches, ..Commit::default() }, NOW).unwrap();
        journal.upkeep(NOW);
    }
    assert!(journal.thinned_before > 0, "readings of old days are gone");
    assert_eq!((rows(&journal), journal.trail()), (expected, head));
}

#[test]
fn a_backup_and_a_salvaged_store_have_the_trail() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let mut journal = open(&path);
    fill(&mut journal, 1, 40, true);
    journal.seal_all(NOW);
    let (index, _) = journal.pieces(&Backup::index()).unwrap();
    let to = folder.path().join("backup");
    let mut backup = Backup::begin(&to, &index).unwrap();
    // While the backup is made the farm goes on.
    fill(&mut journal, 41, 60, true);
    journal.seal_all(NOW);
    for first in [Backup::hours(), Backup::index()] {
        let mut next = Some(first.clone());
        while let Some(from) = next {
            let (pieces, then) = journal.pieces(&from).unwrap();
            let end = |key: &[u8]| first == Backup::index() && key >= &Backup::hours()[..];
            next = then.filter(|key| !end(key));
            let mut own = pieces.iter().take_while(|(key, _)| !end(key));
            own.try_for_each(|(key, value)| backup.put(key, value)).unwrap();
        }
    }
    backup.finish().unwrap();
    let checked = verify(&to, None).unwrap();
    assert_eq!((checked.damaged, checked.trail.is_whole(), checked.trail.head), (0, true, expected(40).1));
    let restored = folder.path().join("restored");
    let checked = salvage(&to, &restored).unwrap();
    assert_eq!((checked.trail.is_whole(), checked.trail.head), (true, expected(40).1));
    let journal = open(&restored);
    assert_eq!(rows(&journal), expected(40).0);
    let told = journal.salvaged().unwrap();
    assert!(told.contains("unbroken, 40 records") && told.contains("backup"), "{told}");
}

/// sled gone whole: the new store has the tail and the second copy, and the chain goes on from there.
#[test]
fn a_store_that_is_set_aside_hands_its_trail_on() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let mut journal = open(&path);
    fill(&mut journal, 1, 50, true);
    let head = journal.trail();
    drop(journal);
    std::fs::write(path.join("conf"), b"no configuration at all").unwrap();
    let (mut journal, notes) = Journal::open(&path, NOW).unwrap();
    assert!(notes.iter().any(|note| note.contains("set aside")), "{notes:?}");
    assert_eq!((rows(&journal), journal.trail()), (expected(50).0, head));
    fill(&mut journal, 51, 70, true);
    journal.seal_all(NOW);
    let mut check = Check::new(Some(head));
    rows(&journal).iter().for_each(|(record, row)| check.row(*record, row));
    assert_eq!(check.end().breaks, []);
    assert_eq!(rows(&journal), expected(70).0);
}

/// Figures for the documents: what a busy farm's year of records takes.
#[test]
fn a_years_records_stay_small() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let mut journal = open(&path);
    // Twenty a day.
    fill(&mut journal, 1, 7_300, true);
    journal.seal_all(NOW);
    let store = journal.store.as_ref().unwrap();
    let rows = store.sealed.range(row_key(0)..row_key(u64::MAX)).map(Result::unwrap);
    let bytes: usize = rows.map(|(key, value)| key.len() + value.len()).sum();
    println!("{bytes} bytes, {} in the file", std::fs::metadata(path.join("db")).unwrap().len());
    assert!((1_500_000..3_000_000).contains(&bytes), "{bytes}");
}

#[test]
fn notes_and_settings_come_back_from_a_batch() {
    let mut batch = BatchWriter::new(5, at(5));
    let event = Event::Stopped;
    batch.input(&Input { seq: 5, at: at(5), event });
    batch.settings(5, "{\"name\":\"Süd\"}");
    batch.note(5, &note(9));
    let bytes = batch.finish();
    let found = read_batch(5, &bytes);
    assert_eq!((found.damaged, found.inputs.len()), (0, 1));
    assert_eq!(found.notes, [(5, note(9))]);
    assert_eq!(found.settings, Some((5, "{\"name\":\"Süd\"}".to_owned())));
    // Damage to one costs that one.
    for place in 13..bytes.len() - 13 {
        let mut damaged = bytes.clone();
        damaged[place] ^= 0x10;
        let found = read_batch(5, &damaged);
        assert!(found.damaged > 0);
        assert!(found.notes.iter().all(|(_, own)| *own == note(9)));
    }
    let is_row = |key: &Key| matches!(parts(key), Some((0, kind::AUDIT, 0, 7)));
    assert!(is_row(&row_key(7)));
}
