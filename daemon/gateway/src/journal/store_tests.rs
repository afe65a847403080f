//! Opening, refusing, setting aside; and kills at random moments.

use std::fs;
use std::io::{self, BufRead, BufReader, Write};
use std::process::{Command, Stdio};

use pondreeve_core::{Event, Input};
use tempfile::TempDir;

use super::*;
use crate::journal::database::FORMAT_KEY;
use crate::journal::keys::{key, kind, parts};
use crate::journal::record::BatchWriter;

const NOW: Timestamp = Timestamp(1_780_000_000_000);

fn input(seq: u64) -> Input {
    let event = Event::Acknowledge { alarm: format!("p1.alarm-{seq}"), by: "ana".to_owned() };
    Input { seq, at: Timestamp(NOW.as_millis() + seq as i64), event }
}

fn batch(seqs: std::ops::Range<u64>) -> KeyedBatch {
    let mut batch = BatchWriter::new(seqs.start, input(seqs.start).at);
    seqs.for_each(|seq| batch.input(&input(seq)));
    batch.into()
}

fn open(path: &Path) -> (Journal, Vec<String>) {
    Journal::open(path, NOW).expect("opens")
}

fn read(journal: &mut Journal) -> (Vec<Input>, Reading) {
    let mut inputs = Vec::new();
    let reading = journal.read(NOW, &mut |input| inputs.push(input));
    (inputs, reading)
}

#[test]
fn what_was_committed_is_there_after_reopening() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("deep/below/store");
    let (mut journal, notes) = open(&path);
    assert_eq!((notes.len(), read(&mut journal)), (0, (Vec::new(), Reading::default())));
    journal.commit(&Commit { batches: vec![batch(1..4), batch(4..5)], left_out: vec![2] }, NOW).unwrap();
    // Handing the same in again changes nothing.
    journal.commit(&Commit { batches: vec![batch(4..5), batch(5..9)], left_out: vec![2] }, NOW).unwrap();
    drop(journal);
    let (mut journal, notes) = open(&path);
    let (inputs, reading) = read(&mut journal);
    assert!(notes.is_empty());
    assert_eq!(inputs, (1..9).map(input).collect::<Vec<_>>());
    assert_eq!(reading, Reading { inputs: 8, damaged: 0, missing: 0, ..Reading::default() });
    assert_eq!(journal.left_out(), BTreeSet::from([2]));
}

#[test]
fn a_second_daemon_is_told_who_has_the_store() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (journal, _) = open(&path);
    let error = Journal::open(&path, NOW).expect_err("the lock is held");
    let text = error.to_string();
    assert!(
        matches!(error, OpenError::InUse { holder: Some(pid), .. } if pid == std::process::id()),
        "{text}"
    );
    assert!(text.contains(&path.display().to_string()) && text.contains("ps -fp"), "{text}");
    drop(journal);
    open(&path);
}

#[test]
fn a_store_of_a_later_version_is_refused_and_left_as_it_is() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = open(&path);
    journal.commit(&Commit { batches: vec![batch(1..2)], left_out: vec![] }, NOW).unwrap();
    let store = journal.store.as_ref().unwrap();
    let about = store.db.open_tree("about").unwrap();
    about.insert(FORMAT_KEY, &7_u64.to_be_bytes()).unwrap();
    store.db.flush().unwrap();
    drop(about);
    drop(journal);
    let error = Journal::open(&path, NOW).expect_err("too new");
    let text = error.to_string();
    assert!(matches!(error, OpenError::Newer { found: 7, known: 4, .. }), "{text}");
    assert!(text.contains("format 7") && text.contains("up to 4"), "{text}");
    let left: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left.len(), 2, "store and lock only: {left:?}");
}

/// What a power cut leaves while a store is made is thrown away and made anew; it never was in use.
#[test]
fn a_half_made_store_is_no_obstacle() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    fs::create_dir(folder.path().join("store.making")).unwrap();
    fs::write(folder.path().join("store.making/db"), b"half a segment").unwrap();
    let (mut journal, notes) = open(&path);
    assert!(notes.is_empty());
    journal.commit(&Commit { batches: vec![batch(1..3)], left_out: vec![] }, NOW).unwrap();
    assert_eq!(read(&mut journal).1.inputs, 2);
    assert!(!folder.path().join("store.making").exists());
}

#[test]
fn a_store_that_will_not_open_is_set_aside_whole() {
    for spoil in [
        (|path: &Path| fs::write(path.join("conf"), b"segment_size: nonsense").unwrap()) as fn(&Path),
        |path| fs::remove_file(path.join("db")).unwrap(),
        |path| fs::write(path.join("db"), vec![0xa5; 1_000_000]).unwrap(),
        |path| {
            fs::remove_dir_all(path).unwrap();
            fs::write(path, b"a file where the folder should be").unwrap();
        },
    ] {
        let folder = TempDir::new().unwrap();
        let path = folder.path().join("store");
        let (mut journal, _) = open(&path);
        journal.commit(&Commit { batches: vec![batch(1..3)], left_out: vec![] }, NOW).unwrap();
        drop(journal);
        spoil(&path);
        let (mut journal, notes) = open(&path);
        assert_eq!(notes.len(), 1, "{notes:?}");
        let aside = folder.path().join("store.damaged-20260528T202640Z");
        assert!(notes[0].contains(&aside.display().to_string()), "{notes:?}");
        assert!(aside.exists());
        // The new one works, and begins with what the tail of the old one held, where that was left.
        journal.commit(&Commit { batches: vec![batch(10..12)], left_out: vec![] }, NOW).unwrap();
        let reading = read(&mut journal).1;
        let (inputs, missing) = if aside.is_dir() { (4, 7) } else { (2, 0) };
        assert_eq!(reading, Reading { inputs, damaged: 0, missing, ..Reading::default() });
    }
}

/// A bit that flips in a sealed piece costs that piece, and nothing is made up in its place.
#[test]
fn damaged_values_and_gaps_are_counted_and_skipped() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = open(&path);
    journal
        .commit(&Commit { batches: vec![batch(1..4), batch(4..8), batch(10..11)], left_out: vec![] }, NOW)
        .unwrap();
    journal.seal_all(NOW);
    let sealed = journal.store.as_ref().unwrap().sealed.clone();
    let found = sealed.iter().keys().map(Result::unwrap);
    let of_5 = found.into_iter().find(|key| matches!(parts(key), Some((_, kind::INPUT, _, 5)))).unwrap();
    let mut spoilt = sealed.get(&of_5).unwrap().unwrap().to_vec();
    let middle = spoilt.len() / 2;
    spoilt[middle] ^= 0x10;
    sealed.insert(of_5, spoilt).unwrap();
    fs::read_dir(&path).unwrap().map(Result::unwrap).for_each(|entry| {
        // Only the database is left to read from.
        if entry.file_name().to_str().unwrap().starts_with("tail-") {
            fs::write(entry.path(), []).unwrap();
        }
    });
    let (found, reading) = read(&mut journal);
    let expected: Vec<Input> = (1..8).filter(|seq| *seq != 5).chain(10..11).map(input).collect();
    assert_eq!(found, expected);
    assert_eq!(reading, Reading { inputs: 7, damaged: 1, missing: 3, ..Reading::default() });
}

/// Environment variable by which the killed child learns where to write.
const CHILD_STORE: &str = "PONDREEVE_TEST_KILL_STORE";

/// Not a test of its own: what the killed process does. It prints how far the store goes, then each
/// position once it is committed.
#[test]
#[ignore = "the child of the kill test, which starts it"]
fn kill_child() {
    let Some(path) = std::env::var_os(CHILD_STORE) else { return };
    let (mut journal, notes) = open(Path::new(&path));
    assert!(notes.is_empty() && journal.store.is_some(), "{notes:?} {}", journal.trouble);
    let mut next = 1;
    let reading = journal.read(NOW, &mut |found| {
        assert_eq!(found, input(next));
        next += 1;
    });
    assert_eq!((reading.damaged, reading.missing), (0, 0));
    let mut out = io::stdout();
    writeln!(out, "found {}", next - 1).unwrap();
    out.flush().unwrap();
    loop {
        let end = next + 1 + next % 7;
        journal.commit(&Commit { batches: vec![batch(next..end)], left_out: vec![] }, NOW).unwrap();
        writeln!(out, "kept {}", end - 1).unwrap();
        out.flush().unwrap();
        next = end;
    }
}

/// sled makes a snapshot when it opens; a cut may leave half of one.
#[test]
fn half_a_snapshot_is_passed_over() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = open(&path);
    commit_many(&mut journal, 0..10);
    journal.seal_all(NOW);
    drop(journal);
    for half in [&b""[..], &[0; 7], &[0xa5; 300]] {
        fs::write(path.join("snap.00000000000FFFFF.generating"), half).unwrap();
        let (mut journal, notes) = open(&path);
        assert!(notes.is_empty(), "{notes:?}");
        assert_eq!(read(&mut journal).0, (1..51).map(input).collect::<Vec<_>>());
    }
}

/// A process that commits without a pause is killed at random moments, each time on the same store.
/// What it said it kept is there, in order and without a gap.
#[test]
fn nothing_acknowledged_is_lost_by_kill_9() {
    const ROUNDS: u64 = 25;
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let mut acknowledged = 0;
    for round in 0..ROUNDS {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "journal::store::tests::kill_child", "--ignored", "--nocapture"])
            .env(CHILD_STORE, &path)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut take = |line: &str| {
            let seq = line.strip_prefix("kept ").map(|seq| seq.parse::<u64>().unwrap());
            acknowledged = seq.unwrap_or(acknowledged);
            seq.is_some()
        };
        // The first rounds hit the making of the store. Later ones the middle of commits, however long a busy machine
        // takes to come to the first.
        if round >= 5 {
            let _ = lines.by_ref().map_while(Result::ok).find(|line| take(line));
        }
        std::thread::sleep(Duration::from_millis(if round < 5 { 2 + round * 4 } else { (round * 37) % 90 }));
        child.kill().unwrap();
        child.wait().unwrap();
        lines.by_ref().map_while(Result::ok).for_each(|line| {
            take(&line);
        });
        let (mut journal, notes) = open(&path);
        let (inputs, reading) = read(&mut journal);
        assert!(notes.is_empty(), "round {round}: {notes:?}");
        assert_eq!((reading.damaged, reading.missing), (0, 0), "round {round}");
        assert!(
            inputs.len() as u64 >= acknowledged,
            "round {round}: {acknowledged} kept, {} there",
            inputs.len()
        );
        assert!(inputs.iter().zip(1..).all(|(found, seq)| *found == input(seq)), "round {round}");
    }
    assert!(acknowledged > 0, "no round got as far as a commit");
}

fn copy_store(from: &Path, to: &Path) {
    fs::create_dir_all(to.join("blobs")).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        if entry.file_type().unwrap().is_file() {
            fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
        }
    }
}

/// Flips a bit in each of sixty places of a file, one at a time, and hands what is then read to `check`.
fn with_flips(store: &Path, file: &str, mut check: impl FnMut(usize, &[Input], &Reading, &[String])) {
    let whole = fs::read(store.join(file)).unwrap();
    let used: Vec<usize> = (0..whole.len()).filter(|&at| whole[at] != 0).collect();
    for flip in 0..60 {
        let copy = store.with_extension(format!("copy-{flip}"));
        copy_store(store, &copy.join("store"));
        let mut damaged = whole.clone();
        // Spread evenly over what is used, each time another bit.
        damaged[used[used.len() * flip / 60]] ^= 1 << (flip % 8);
        fs::write(copy.join("store").join(file), damaged).unwrap();
        let (mut journal, notes) = open(&copy.join("store"));
        let (found, reading) = read(&mut journal);
        check(flip, &found, &reading, &notes);
        drop(journal);
        fs::remove_dir_all(&copy).unwrap();
    }
}

/// Commits of five inputs each.
fn commit_many(journal: &mut Journal, commits: std::ops::Range<u64>) {
    for commit in commits {
        let batches = vec![batch(1 + commit * 5..6 + commit * 5)];
        journal.commit(&Commit { batches, ..Commit::default() }, NOW).unwrap();
    }
}

/// Any bit of the database's own file is flipped. Nothing that was acknowledged is lost: it is read as
/// it is, or put back from the copy, and then people are told.
#[test]
fn a_flipped_bit_in_the_database_file_costs_nothing_recent() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = open(&path);
    for commit in 0..60 {
        commit_many(&mut journal, commit..commit + 1);
        journal.seal_all(NOW);
    }
    drop(journal);
    // What the tail still holds would otherwise be sealed from there again, and nobody told.
    let tail = path.join("tail-0");
    fs::write(&tail, vec![0; fs::metadata(&tail).unwrap().len() as usize]).unwrap();
    let mut told = 0;
    with_flips(&path, "db", |flip, found, reading, notes| {
        assert_eq!(found, (1..301).map(input).collect::<Vec<_>>(), "flip {flip}: {notes:?}");
        told += usize::from(!notes.is_empty() || !reading.notes.is_empty());
    });
    assert!(told > 30, "most flips hit something that sled then no longer has; {told} were told");
}

/// Any bit of the tail is flipped. It is noticed and costs the one record it is in; a flipped head hides
/// its commit, which is noticed too.
#[test]
fn a_flipped_bit_in_the_tail_costs_its_own_record() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = open(&path);
    commit_many(&mut journal, 0..60);
    drop(journal);
    let mut in_record = 0;
    with_flips(&path, "tail-0", |flip, found, reading, notes| {
        assert!(notes.is_empty(), "flip {flip}: {notes:?}");
        let lost: Vec<u64> = (1..301).filter(|seq| !found.contains(&input(*seq))).collect();
        let one_commit = lost.first().zip(lost.last()).is_none_or(|(a, b)| (a - 1) / 5 == (b - 1) / 5);
        assert!(found.len() + lost.len() == 300 && one_commit, "flip {flip}: {lost:?}");
        assert!(reading.damaged > 0, "flip {flip}: {reading:?}");
        in_record += usize::from(lost.len() == 1);
    });
    assert!(in_record > 20, "{in_record}");
}

/// The files of the tail take turns, what is in them is found again, and they do not grow in number.
#[test]
fn the_tail_takes_turns_and_the_store_goes_on() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = open(&path);
    let mut seq = 1;
    while seq < 400 {
        let event = Event::Acknowledge { alarm: "x".repeat(60_000), by: "ana".to_owned() };
        let mut batch = BatchWriter::new(seq, NOW);
        batch.input(&Input { seq, at: NOW, event });
        let batches = vec![(seq, batch.finish()).into()];
        let notes = journal.commit(&Commit { batches, ..Commit::default() }, NOW).unwrap();
        assert!(notes.is_empty(), "{notes:?}");
        journal.upkeep(NOW);
        seq += 1;
    }
    assert_eq!(read(&mut journal).1, Reading { inputs: seq - 1, ..Reading::default() });
    drop(journal);
    let (mut journal, notes) = open(&path);
    assert!(notes.is_empty(), "{notes:?}");
    assert_eq!(read(&mut journal).1, Reading { inputs: seq - 1, ..Reading::default() });
    assert!(path.join("tail-1").exists() && !path.join("tail-3").exists());
}

/// What a power cut leaves of the last commit is no damage, and what can be read of it is read the same
/// way ever after.
#[test]
fn an_unfinished_commit_is_no_damage() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = open(&path);
    commit_many(&mut journal, 0..3);
    let before = fs::read(path.join("tail-0")).unwrap();
    commit_many(&mut journal, 3..4);
    let after = fs::read(path.join("tail-0")).unwrap();
    std::mem::forget(journal.tail.take());
    drop(journal);
    let first = (0..after.len()).find(|&at| before[at] != after[at]).unwrap();
    let last = (0..after.len()).rfind(|&at| before[at] != after[at]).unwrap();
    // Cut short, and with a hole in the middle: sectors reach the disk in any order.
    let cuts = (first..=last).step_by(7).map(|cut| (cut, after.len()));
    let holes = (first..=last).step_by(7).map(|hole| (hole, (hole + 16).min(after.len())));
    for (cut, end) in cuts.chain(holes) {
        let copy = folder.path().join("copy/store");
        copy_store(&path, &copy);
        let torn = [&after[..cut], &before[cut..end], &after[end..]].concat();
        fs::write(copy.join("tail-0"), torn).unwrap();
        let mut once = Vec::new();
        for round in 0..3 {
            let (mut journal, notes) = open(&copy);
            let (found, reading) = read(&mut journal);
            assert!(notes.is_empty() && reading.damaged == 0 && reading.missing == 0, "{cut}: {reading:?}");
            assert!(found.len() >= 15 && found.iter().zip(1..).all(|(found, seq)| *found == input(seq)));
            if round > 0 {
                assert_eq!(found, once, "{cut}");
            }
            once = found;
            let next = once.len() as u64 + 1;
            if round == 1 {
                let batches = vec![batch(next..next + 2)];
                journal.commit(&Commit { batches, ..Commit::default() }, NOW).unwrap();
                once.extend((next..next + 2).map(input));
            }
        }
        fs::remove_dir_all(&copy).unwrap();
    }
}

/// Inputs of several hours, sealed in pieces, come back bit for bit in their order; the shape of the farm
/// is known at any place from which reading begins.
#[test]
fn sealed_hours_come_back_bit_for_bit() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = open(&path);
    journal.pace.most_hours = 1;
    let inputs = crate::journal::seal_tests::mixed(4_000, 7_000);
    for (number, part) in inputs.chunks(23).enumerate() {
        let mut batch = BatchWriter::new(part[0].seq, part[0].at);
        part.iter().for_each(|input| batch.input(input));
        journal
            .commit(&Commit { batches: vec![(part[0].seq, batch.finish()).into()], ..Commit::default() }, NOW)
            .unwrap();
        journal.upkeep(NOW);
        if number % 60 == 59 {
            journal.seal_all(NOW);
        }
    }
    let bits = |inputs: &[Input]| inputs.iter().map(|input| format!("{input:?}")).collect::<Vec<_>>();
    assert!(journal.sealed_before > 3_000, "{}", journal.sealed_before);
    assert!(bits(&read(&mut journal).0) == bits(&inputs));
    drop(journal);
    let (mut journal, _) = open(&path);
    let (found, reading) = read(&mut journal);
    assert!(bits(&found) == bits(&inputs));
    assert_eq!((reading.damaged, reading.missing), (0, 0));
    for from in [2_u64, 777, 2_000, 3_999] {
        let mut found = Vec::new();
        journal.read_from(crate::journal::From::Position(from), NOW, &mut |input| found.push(input));
        assert!(bits(&found) == bits(&inputs[from as usize - 1..]), "from {from}");
    }
    let mut found = Vec::new();
    let hours = pondreeve_core::Span::from_hours(2);
    journal.read_from(crate::journal::From::Memory(hours), NOW, &mut |input| found.push(input));
    assert!(matches!(found[0].event, Event::Started { .. }));
    let newest = inputs.last().unwrap().at;
    assert!(found.len() > 1_000 && found.len() < 2_500, "{}", found.len());
    assert!(found[1].at <= newest - hours && bits(&inputs).ends_with(&bits(&found[1..])));
}

/// Losing the whole database after a seal costs nothing that the copy and the tail have.
#[test]
fn a_lost_database_is_put_back_from_copy_and_tail() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = open(&path);
    commit_many(&mut journal, 0..10);
    journal.seal_all(NOW);
    let sealed = journal.store.as_ref().unwrap().sealed.clone();
    commit_many(&mut journal, 10..12);
    sealed.clear().unwrap();
    sealed.insert(key(0, kind::THINNED, 0, 0), &0_u64.to_be_bytes()).unwrap();
    drop(sealed);
    drop(journal);
    let (mut journal, _) = open(&path);
    assert_eq!(read(&mut journal).0, (1..61).map(input).collect::<Vec<_>>());
}
