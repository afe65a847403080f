//! What the campaigns in `tests/faults` start: a process that commits, seals, rolls up, thins and
//! checkpoints without a pause, and one that looks at what a cut left of it. Neither is a test of its own.

use std::collections::BTreeSet;
use std::io::{self, BufRead, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use pondreeve_core::input::Sample;
use pondreeve_core::service::Step;
use pondreeve_core::site::{Pond, ProbeIndex, Site};
use pondreeve_core::{Event, Input, Quantity, Timestamp};

use super::keys::hour_of;
use super::record::BatchWriter;
use super::store::{Commit, Journal};
use super::thinning::Limits;
use crate::audit::{Head, Note, Place};

const NOW: Timestamp = Timestamp(1_780_000_000_000);

/// Between inputs, ms: an hour is twenty of them, a day 480.
const EVERY_MS: i64 = 180_000;

const RAW_DAYS: u32 = 1;

/// Inputs of a day.
const DAY: usize = 480;

/// Inputs of a piece of a backlog, large enough to be written while it is made ready for sealing.
const PIECE: u64 = 900;

/// So many ponds that what the database keeps of them does not fit into its log, and lies in files beside it.
fn large_farm() -> Site {
    let mut site = crate::engine::tests::farm(Path::new("/nowhere")).site;
    let pond = site.ponds[0].clone();
    site.ponds.extend((1..60).map(|number| Pond { id: format!("pond-{number}"), ..pond.clone() }));
    site
}

/// Input number `seq`, the same whoever asks.
fn nth(seq: u64) -> Input {
    let at = Timestamp(NOW.as_millis() + seq as i64 * EVERY_MS);
    let event = match seq {
        1 => Event::Started { site: large_farm() },
        _ if seq.is_multiple_of(97) => {
            Event::Service { probe: ProbeIndex(0), step: Step::Cleaned, by: "ana".to_owned() }
        }
        _ if seq.is_multiple_of(5) => {
            Event::Acknowledge { alarm: format!("p1.alarm-{seq}"), by: "ana".to_owned() }
        }
        _ => {
            let value = |place: u64| (500.0 + ((seq * 37 + place * 101) % 211) as f64) / 100.0;
            let sample = |place: u64| Sample {
                probe: ProbeIndex(0),
                quantity: if place == 0 { Quantity::DoMgL } else { Quantity::TemperatureC },
                channel: None,
                value: value(place),
                taken_at: None,
            };
            // Now and then as much as a farm sends, so that files grow and turn.
            let copies = if seq.is_multiple_of(11) { 60 } else { 2 };
            Event::Sweep { samples: (0..copies).map(|place| sample(place % 2)).collect() }
        }
    };
    Input { seq, at, event }
}

/// What the audit trail says of it, if anything.
fn note_of(seq: u64) -> Option<Note> {
    let Event::Acknowledge { alarm, by } = nth(seq).event else { return None };
    Some(Note {
        at: nth(seq).at,
        local: "2026-05-28T15:26:40-05:00".to_owned(),
        user: by,
        place: Place::Command,
        action: "acknowledge".to_owned(),
        object: alarm,
        old: "unacknowledged".to_owned(),
        new: "acknowledged".to_owned(),
        reason: String::new(),
    })
}

/// Whether the trail has every record of the inputs that are there, in a row, and none besides.
fn look_at_trail(journal: &Journal, base: u64, end: u64) -> Result<(), String> {
    let mut head = Head::default();
    let earlier = if base > 0 { super::fixtures::notes_up_to(base) } else { Vec::new() };
    let notes = earlier.into_iter().chain((base + 1..=end).filter_map(note_of));
    let mut expected = notes.map(|note| head.chain(&note));
    let mut next = 1;
    loop {
        let rows = journal.trail_rows(next)?;
        let Some((last, _)) = rows.last() else { break };
        next = last + 1;
        for (record, row) in rows {
            if expected.next().as_ref() != Some(&row) {
                return Err(format!("record {record} of the trail is not what was noted"));
            }
        }
    }
    match expected.next() {
        Some(row) => Err(format!("a record of the trail is gone: {}", row.text)),
        None if journal.trail() != head => Err("the trail's end is not the last record".to_owned()),
        None => Ok(()),
    }
}

/// What is there: how far it goes, or what is wrong with it. Inputs up to `base` are of the fixture.
fn look(path: &Path, base: u64) -> Result<(Journal, u64), String> {
    look_and_tell(path, base).map(|(journal, end, _)| (journal, end))
}

/// The same, and whether the store had to be mended for it.
fn look_and_tell(path: &Path, base: u64) -> Result<(Journal, u64, bool), String> {
    let (mut journal, notes) = Journal::open(path, NOW).map_err(|error| format!("does not open: {error}"))?;
    // Only that a store of the earlier format, or what could be read of a torn one, was carried over may be
    // told; whether anything is missing is looked at below.
    let mended = notes.iter().any(|note| note.contains("what could be read was carried over"));
    let odd = notes.iter().any(|note| {
        let is_earlier = base > 0 && note.contains(&format!("{base} inputs"));
        let is_of_mending = ["was carried over", "were put back from the second copy"];
        !(is_earlier || mended && is_of_mending.iter().any(|words| note.contains(words)))
    });
    if journal.store.is_none() || odd {
        return Err(format!("opened with {notes:?} {}", journal.trouble));
    }
    let (mut seqs, mut wrong) = (BTreeSet::new(), 0);
    let reading = journal.read(NOW, &mut |found| {
        wrong += u64::from(found.seq > base && found != nth(found.seq));
        seqs.insert(found.seq);
    });
    if wrong > 0 || reading.damaged > 0 || reading.missing > 0 || !reading.notes.is_empty() {
        return Err(format!("{wrong} inputs are not what was written: {reading:?}"));
    }
    let end = seqs.last().copied().unwrap_or(0);
    let newest = nth(end).at;
    let thinned_before = u32::try_from(journal.thinned_before).unwrap();
    if thinned_before > hour_of(newest).saturating_sub(24 * RAW_DAYS) {
        return Err(format!(
            "readings of before hour {thinned_before} are gone; the newest input, {end}, is of hour {}",
            hour_of(newest)
        ));
    }
    let may_be_gone = |seq: u64| {
        let input = nth(seq);
        matches!(input.event, Event::Sweep { .. }) && hour_of(input.at) < thinned_before
    };
    match (base + 1..=end).find(|&seq| !seqs.contains(&seq) && !may_be_gone(seq)) {
        Some(gone) => Err(format!("input {gone} of {end} is gone")),
        None if base > 0 && !(1..=base).all(|seq| seqs.contains(&seq)) && thinned_before == 0 => {
            Err("inputs of the earlier format are gone".to_owned())
        }
        None => look_at_trail(&journal, base, end.max(base)).map(|()| (journal, end, mended)),
    }
}

/// Commits so many inputs after `end`; where it ends then.
fn commit_after(journal: &mut Journal, end: u64, count: u64) -> u64 {
    let (next, end) = (end + 1, end + count);
    let mut batches = Vec::new();
    let mut open: Option<BatchWriter> = None;
    for seq in next..=end {
        let batch = open.get_or_insert_with(|| BatchWriter::new(seq, nth(seq).at));
        batch.input(&nth(seq));
        if let Some(note) = note_of(seq) {
            batch.note(seq, &note);
        }
        if batch.size_bytes() >= 8 * 1024
            && let Some(full) = open.take()
        {
            batches.push(full.into());
        }
    }
    batches.extend(open.map(Into::into));
    journal.commit(&Commit { batches, left_out: vec![] }, NOW).unwrap();
    end
}

fn number_from(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

/// A tree that names a page which is not there: seen once in a thousand cuts. What could be read and the copy
/// together are everything.
#[test]
fn a_database_that_fails_when_it_is_looked_into_is_mended() {
    mends(super::database::FORMAT);
}

/// Bringing up a store of the format before reads all of it, and may be what finds the damage.
#[test]
fn so_is_one_of_the_format_before() {
    mends(3);
}

fn mends(format: u64) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = look(&path, 0).unwrap();
    let mut end = 0;
    for number in 0..120 {
        end = commit_after(&mut journal, end, 1 + number % 9);
        journal.upkeep(NOW);
    }
    let about = journal.store.as_ref().unwrap().db.open_tree("about").unwrap();
    about.insert(super::database::FORMAT_KEY, &format.to_be_bytes()).unwrap();
    drop((about, journal));
    super::opening::FAILS_ONCE.set(true);
    let (journal, found) = look(&path, 0).unwrap();
    assert_eq!(found, end);
    assert!(!super::opening::FAILS_ONCE.get(), "it was looked into");
    drop(journal);
    let aside = std::fs::read_dir(folder.path()).unwrap().map_while(Result::ok);
    let aside: Vec<_> = aside.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    assert!(aside.iter().any(|name| name.contains("damaged")), "{aside:?}");
    // And is whole from then on.
    assert_eq!(look(&path, 0).unwrap().1, end);
}

fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap().map_while(Result::ok) {
        let place = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy_folder(&entry.path(), &place);
        } else {
            std::fs::copy(entry.path(), place).unwrap();
        }
    }
}

/// A file of which a cut left any choice of the sectors that were written since.
fn torn(before: &[u8], after: &[u8], dice: &mut impl FnMut() -> u64) -> Vec<u8> {
    let (odds, length) = (1 + dice() % 99, if dice().is_multiple_of(2) { before.len() } else { after.len() });
    let sector = |at: usize, of: &[u8]| of.get(at).copied().unwrap_or(0);
    let chosen: Vec<bool> = (0..=length / 512).map(|_| dice() % 100 < odds).collect();
    (0..length).map(|at| sector(at, if chosen[at / 512] { after } else { before })).collect()
}

/// Many hours that go into the database in one step, cut at each of its two syncs: the second copy torn and the
/// database as it was, and the copy whole and the database torn.
#[test]
fn a_cut_inside_hours_that_go_in_together_costs_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (path, before, image) =
        (folder.path().join("store"), folder.path().join("before"), folder.path().join("image/store"));
    let (mut journal, _) = look(&path, 0).unwrap();
    let mut end = 0;
    while end < 3 * DAY as u64 {
        end = commit_after(&mut journal, end, if end == 400 { PIECE } else { 10 });
        journal.upkeep(NOW);
    }
    while journal.seal_due().is_none() {
        end = commit_after(&mut journal, end, 10);
    }
    copy_folder(&path, &before);
    let sealed_before = journal.sealed_before;
    journal.seal_all(NOW);
    assert!(journal.sealed_before >= sealed_before + 12 * 20, "{sealed_before} {}", journal.sealed_before);
    let read = |of: &Path, name: &str| std::fs::read(of.join(name)).unwrap();
    let copies = ["copy-0", "copy-1"].into_iter().filter(|name| path.join(name).exists());
    let mut state = 0x9e37_79b9_u64;
    let mut dice = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        state >> 33
    };
    let copies: Vec<&str> = copies.collect();
    for cut in 0..24 {
        copy_folder(&before, &image);
        for name in &copies {
            let after = read(&path, name);
            let found = if cut % 2 == 0 { torn(&read(&before, name), &after, &mut dice) } else { after };
            std::fs::write(image.join(name), found).unwrap();
        }
        if cut % 2 == 1 {
            let found = torn(&read(&before, "db"), &read(&path, "db"), &mut dice);
            std::fs::write(image.join("db"), found).unwrap();
        }
        let (mut journal, found) = look(&image, 0).unwrap_or_else(|wrong| panic!("cut {cut}: {wrong}"));
        assert_eq!(found, end, "cut {cut}");
        // And goes on from there.
        commit_after(&mut journal, end, 50);
        journal.seal_all(NOW);
        drop(journal);
        assert_eq!(look(&image, 0).unwrap().1, end + 50, "cut {cut}");
        std::fs::remove_dir_all(&image).unwrap();
    }
}

/// Of a large commit a cut left the later batches alone: nobody was told of any of it, and none is kept, for a gap would be
/// told as inputs that are missing.
#[test]
fn the_end_of_a_commit_whose_beginning_is_gone_is_not_kept() {
    let folder = tempfile::tempdir().unwrap();
    let (path, image) = (folder.path().join("store"), folder.path().join("image/store"));
    let (mut journal, _) = look(&path, 0).unwrap();
    let end = commit_after(&mut journal, 0, 30);
    let before = std::fs::read(path.join("tail-0")).unwrap();
    commit_after(&mut journal, end, PIECE);
    // As a cut leaves it, and not an orderly stop.
    copy_folder(&path, &image);
    drop(journal);
    let mut bytes = std::fs::read(image.join("tail-0")).unwrap();
    let begins = before.iter().zip(&bytes).position(|(before, after)| before != after).unwrap();
    bytes[begins..begins + 12 * 1024].fill(0);
    std::fs::write(image.join("tail-0"), &bytes).unwrap();
    let (mut journal, found) = look(&image, 0).unwrap();
    assert_eq!(found, end);
    // And goes on from there.
    commit_after(&mut journal, end, 20);
    drop(journal);
    assert_eq!(look(&image, 0).unwrap().1, end + 20);
}

#[test]
#[ignore = "the campaigns in tests/faults start it"]
fn power_child() {
    let Some(path) = std::env::var_os("PONDREEVE_TEST_POWER_STORE") else { return };
    let commits = number_from("PONDREEVE_TEST_POWER_COMMITS").unwrap_or(u64::MAX);
    let base = number_from("PONDREEVE_TEST_POWER_BASE").unwrap_or(0);
    let mut out = io::stdout();
    let mut say = |what: &str, seq: u64| {
        // One write, so that whoever records the writes sees it whole.
        out.write_all(format!("{what} {seq}\n").as_bytes()).and_then(|()| out.flush()).unwrap();
    };
    let (mut journal, mut end) = look(Path::new(&path), base).unwrap();
    say("found", end);
    journal.set_limits(Limits { raw_days: RAW_DAYS, ..Limits::default() });
    for number in 0..commits {
        // Hours by themselves, and a few or many together, as while a backlog comes in; now and then a large piece
        // of one.
        journal.pace.most_hours = [1, 3, 12][end as usize / DAY % 3];
        end = commit_after(&mut journal, end, if number % 60 == 59 { PIECE } else { 1 + number % 9 });
        say("kept", end);
        journal.upkeep(NOW);
        if number % 25 == 24 {
            journal.put_checkpoint(&vec![7; 5_000]).unwrap();
        }
    }
}

/// Reads lines of a path, the last position that was acknowledged and the last of the fixture; says of
/// each what is there.
#[test]
#[ignore = "the campaigns in tests/faults start it"]
fn power_check() {
    if std::env::var_os("PONDREEVE_TEST_POWER_CHECK").is_none() {
        return;
    }
    for line in io::stdin().lock().lines().map_while(Result::ok) {
        let mut words = line.split(' ');
        let (Some(path), Some(acknowledged), Some(base)) = (words.next(), words.next(), words.next()) else {
            panic!("{line:?}: PATH ACKNOWLEDGED BASE is accepted");
        };
        let acknowledged: u64 = acknowledged.parse().unwrap();
        let looked = catch_unwind(AssertUnwindSafe(|| look_and_tell(Path::new(path), base.parse().unwrap())));
        let said = match looked {
            Ok(Ok((_, end, false))) if end >= acknowledged => format!("held {end}"),
            Ok(Ok((_, end, true))) if end >= acknowledged => format!("held {end} mended"),
            Ok(Ok((_, end, _))) => format!("lost {acknowledged} acknowledged, {end} there"),
            Ok(Err(wrong)) if wrong.starts_with("does not open") => format!("unopenable {wrong}"),
            Ok(Err(wrong)) => format!("lost {wrong}"),
            Err(_) => "unopenable it fails".to_owned(),
        };
        let mut out = io::stdout();
        writeln!(out, "{}", said.replace('\n', " ")).and_then(|()| out.flush()).unwrap();
    }
}
