//! What a backup says of itself when files of it are missing, short or damaged, and what is still made of it.

use std::fs;
use std::path::{Path, PathBuf};

use pondreeve_core::input::Sample;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Input, Quantity, Span, Timestamp};
use tempfile::TempDir;

use super::archive::{Backup, salvage};
use super::record::BatchWriter;
use super::verify::{is_known, verify};
use super::{Commit, From, Journal};
use crate::audit::{Head, Note, Place};

/// Midnight UTC, 2026-05-28.
const START: Timestamp = Timestamp(1_779_926_400_000);
/// Two and a half days of an input each three minutes.
const LAST: u64 = 2 * 480 + 240;

fn at(seq: u64) -> Timestamp {
    START + Span::from_millis(seq as i64 * 180_000)
}

fn nth(seq: u64) -> Input {
    let event = if seq.is_multiple_of(3) {
        Event::Acknowledge { alarm: format!("p1.alarm-{seq}"), by: "ana".to_owned() }
    } else {
        let value = (500 + seq % 211) as f64 / 100.0;
        let sample =
            |quantity| Sample { probe: ProbeIndex(0), quantity, channel: None, value, taken_at: None };
        Event::Sweep { samples: vec![sample(Quantity::DoMgL), sample(Quantity::TemperatureC)] }
    };
    Input { seq, at: at(seq), event }
}

/// Of each input that has any.
const NOTES: u64 = 8;

/// Long enough that the audit trail alone is larger than what is asked of the store at a time.
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
        reason: "aerator was off ".repeat(200),
    }
}

fn store(folder: &TempDir) -> (Journal, PathBuf) {
    let path = folder.path().join("store");
    let (mut journal, _) = Journal::open(&path, START).unwrap();
    for seq in 1..=LAST {
        let mut batch = BatchWriter::new(seq, at(seq));
        batch.input(&nth(seq));
        if seq.is_multiple_of(3) {
            (0..NOTES).for_each(|_| batch.note(seq, &note(seq)));
        }
        let batches = vec![(seq, batch.finish()).into()];
        journal.commit(&Commit { batches, ..Commit::default() }, at(seq)).unwrap();
        journal.upkeep(at(seq));
    }
    journal.seal_all(START);
    (journal, path)
}

/// As the engine has it made.
fn back_up(journal: &Journal, to: &Path) {
    let mut backup = Backup::begin(to, &journal.backup_start().unwrap()).unwrap();
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
}

fn backed_up(folder: &TempDir) -> (PathBuf, Head) {
    let (journal, _) = store(folder);
    let to = folder.path().join("backup");
    back_up(&journal, &to);
    (to, journal.trail())
}

/// As versions before the list made them: the index once, no list.
fn made_earlier(backup: &Path) {
    fs::remove_file(backup.join("files.list")).unwrap();
    fs::remove_file(backup.join("index-again.pieces")).unwrap();
    for name in names(backup) {
        let mut bytes = fs::read(backup.join(&name)).unwrap();
        assert!(bytes.starts_with(b"pondreeve store pieces 2\n"));
        bytes[23] = b'1';
        fs::write(backup.join(&name), bytes).unwrap();
    }
}

fn names(backup: &Path) -> Vec<String> {
    let entries = fs::read_dir(backup).unwrap().map(|entry| entry.unwrap().file_name());
    let mut names: Vec<_> = entries.map(|name| name.into_string().unwrap()).collect();
    names.sort();
    names
}

/// Inputs of what is salvaged, read by a journal on it, each as it was.
fn salvaged(from: &Path, to: &Path) -> (usize, Vec<String>) {
    let _ = fs::remove_dir_all(to);
    let checked = salvage(from, to).unwrap();
    let mut journal = Journal::open(to, START).unwrap().0;
    let mut found = Vec::new();
    journal.read_from(From::Start, START, &mut |input| found.push(input));
    assert!(found.iter().all(|input| *input == nth(input.seq)));
    assert!(found.len() as u64 <= checked.inputs, "{} of {}", found.len(), checked.inputs);
    (found.len(), checked.faults)
}

#[test]
fn a_long_audit_trail_is_whole_in_a_backup() {
    let folder = TempDir::new().unwrap();
    let (backup, head) = backed_up(&folder);
    assert_eq!(
        names(&backup),
        [
            "files.list",
            "hours-020601.pieces",
            "hours-020602.pieces",
            "hours-020603.pieces",
            "index-again.pieces",
            "index.pieces"
        ]
    );
    assert!(fs::metadata(backup.join("index.pieces")).unwrap().len() > 1_200_000);
    let checked = verify(&backup, Some(head)).unwrap();
    assert_eq!((checked.damaged, checked.inputs, checked.trail.head), (0, LAST, head));
    assert!(checked.trail.is_whole() && checked.faults.is_empty() && !checked.without_list);
    assert_eq!(head.records, NOTES * LAST / 3);
    assert_eq!(salvaged(&backup, &folder.path().join("made")), (LAST as usize, vec![]));
}

#[test]
fn a_file_that_is_missing_or_cut_short_is_named() {
    let folder = TempDir::new().unwrap();
    let (backup, _) = backed_up(&folder);
    for name in names(&backup) {
        let path = backup.join(&name);
        let whole = fs::read(&path).unwrap();
        fs::remove_file(&path).unwrap();
        let checked = verify(&backup, None).unwrap();
        let named = format!("{name} is missing");
        assert!(checked.damaged > 0 && checked.faults.iter().any(|line| line.starts_with(&named)));
        // What is not in that file is found all the same.
        let (inputs, faults) = salvaged(&backup, &folder.path().join("made"));
        assert!(faults.iter().any(|line| line.starts_with(&named)), "{faults:?}");
        let kept = if name.starts_with("hours") { LAST as usize - 481 } else { LAST as usize };
        assert!(inputs >= kept, "{name}: {inputs}");
        for cut in [1, 40, whole.len() / 2, whole.len()] {
            fs::write(&path, &whole[..whole.len() - cut]).unwrap();
            let checked = verify(&backup, None).unwrap();
            assert!(checked.faults.iter().any(|line| line.starts_with(&name)), "{:?}", checked.faults);
            assert!(checked.damaged > 0);
        }
        fs::write(&path, &whole).unwrap();
    }
    assert_eq!(verify(&backup, None).unwrap().damaged, 0);
}

/// The index is there twice; what only one has costs what is damaged in it.
#[test]
fn a_flipped_byte_costs_its_own_piece() {
    let folder = TempDir::new().unwrap();
    let (backup, head) = backed_up(&folder);
    let whole = verify(&backup, None).unwrap();
    for twice in [true, false] {
        if !twice {
            made_earlier(&backup);
        }
        let names = names(&backup);
        for name in names.iter().filter(|name| name.ends_with(".pieces")) {
            let path = backup.join(name);
            let bytes = fs::read(&path).unwrap();
            for flip in 0..40 {
                let mut damaged = bytes.clone();
                damaged[(bytes.len() - 1) * flip / 39] ^= 1 << (flip % 8);
                fs::write(&path, &damaged).unwrap();
                let checked = verify(&backup, None).unwrap();
                assert!(checked.damaged > 0 && checked.faults.iter().any(|line| line.contains(name)));
                assert!(checked.inputs + 20 >= LAST, "{name} {flip}: {}", checked.inputs);
                let index = name.starts_with("index");
                if index {
                    assert_eq!(checked.inputs, LAST, "{name} {flip}");
                }
                let lost = u64::from(index && !twice);
                assert!(checked.pieces + 2 * lost.max(u64::from(!index)) >= whole.pieces, "{name} {flip}");
                let known = usize::try_from(head.records).unwrap();
                let breaks = checked.trail.breaks.len();
                assert!(breaks as u64 <= 2 * lost && checked.trail.head.records + lost >= known as u64);
            }
            fs::write(&path, &bytes).unwrap();
        }
    }
}

#[test]
fn without_any_index_the_days_are_found() {
    let folder = TempDir::new().unwrap();
    let (backup, _) = backed_up(&folder);
    for name in ["index.pieces", "index-again.pieces", "files.list"] {
        fs::remove_file(backup.join(name)).unwrap();
        let (inputs, faults) = salvaged(&backup, &folder.path().join("made"));
        assert_eq!(inputs, LAST as usize);
        assert!(faults.iter().any(|line| line.contains(name)), "{faults:?}");
    }
}

#[test]
fn a_backup_of_an_earlier_version_is_read_and_says_what_it_cannot() {
    let folder = TempDir::new().unwrap();
    let (backup, head) = backed_up(&folder);
    made_earlier(&backup);
    let checked = verify(&backup, Some(head)).unwrap();
    assert_eq!((checked.damaged, checked.inputs, checked.without_list), (0, LAST, true));
    assert_eq!(salvaged(&backup, &folder.path().join("made")), (LAST as usize, vec![]));
    // Where neither says any more how far sealing had come, the last input does.
    let path = backup.join("index.pieces");
    fs::remove_file(&path).unwrap();
    for name in names(&backup) {
        let mut bytes = fs::read(backup.join(&name)).unwrap();
        // The first piece of a day, its progress.
        bytes[25 + 12 + 17] ^= 1;
        fs::write(backup.join(&name), bytes).unwrap();
    }
    let (inputs, faults) = salvaged(&backup, &folder.path().join("made"));
    assert_eq!(inputs, LAST as usize);
    assert!(faults.contains(&"index.pieces is missing".to_owned()), "{faults:?}");
}

#[test]
fn a_second_backup_into_the_folder_keeps_what_the_store_has_no_more() {
    let folder = TempDir::new().unwrap();
    let (journal, _) = store(&folder);
    let to = folder.path().join("backup");
    back_up(&journal, &to);
    fs::rename(to.join("hours-020601.pieces"), to.join("hours-020600.pieces")).unwrap();
    back_up(&journal, &to);
    let checked = verify(&to, None).unwrap();
    assert_eq!((checked.damaged, checked.faults.len()), (0, 0));
    fs::remove_file(to.join("hours-020600.pieces")).unwrap();
    assert_eq!(verify(&to, None).unwrap().faults, ["hours-020600.pieces is missing"]);
}

#[test]
fn a_folder_of_other_things_is_no_damaged_store() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("letter.txt"), b"dear").unwrap();
    for told in [verify(folder.path(), None).unwrap_err(), is_known(Path::new("/nowhere")).unwrap_err()] {
        assert!(told.contains("neither a store nor a backup") && !told.contains("damaged"), "{told}");
    }
    assert!(!folder.path().with_extension("reading").exists());
}
