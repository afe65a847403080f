//! What people did is found again: in the tail, once it is sealed, after a reopening and however the store
//! was left; and it lasts when readings go.

use pondreeve_core::diary::{Basin, Entry, Feed, What};
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Event, Input, Quantity, Site, Span, Timestamp};
use tempfile::TempDir;

use super::deeds::{Deeds, Stretch};
use super::record::BatchWriter;
use super::store::{Commit, Journal};

const START: Timestamp = Timestamp(1_795_564_800_000);
const ALL: Stretch = Stretch { from: Timestamp(0), to: Timestamp(i64::MAX), most: usize::MAX, number: None };

fn put(journal: &mut Journal, inputs: &[Input]) {
    let mut batch = BatchWriter::new(inputs[0].seq, inputs[0].at);
    inputs.iter().for_each(|input| batch.input(input));
    let commit = Commit { batches: vec![(inputs[0].seq, batch.finish()).into()], ..Commit::default() };
    journal.commit(&commit, inputs[0].at).unwrap();
}

fn fed(seq: u64, hours: i64, number: u64) -> Input {
    let at = START + Span::from_hours(hours);
    let basin = Some(Basin { area_m2: 5_000.0, depth_m: 1.5, is_measured: false });
    let what = What::Feed(Feed { kg: seq as f64, tray_left_percent: None });
    let entry = Entry { number, at: at - Span::from_minutes(7), corrects: None, basin, what };
    Input { seq, at, event: Event::Diary { pond: PondIndex(0), entry, by: "ana".to_owned() } }
}

fn started(seq: u64, hours: i64) -> Input {
    let site = Site::single_pond(10.0, -60.0, 15.0, &[Quantity::DoMgL], Span::from_minutes(1));
    Input { seq, at: START + Span::from_hours(hours), event: Event::Started { site } }
}

fn numbers(found: &Deeds) -> Vec<u64> {
    let numbers = found.deeds.iter().filter_map(|deed| match &deed.event {
        Event::Diary { entry, .. } => Some(entry.number),
        _ => None,
    });
    numbers.collect()
}

#[test]
fn what_was_done_is_found_in_the_tail_and_in_what_is_sealed() {
    let folder = TempDir::new().unwrap();
    let (mut journal, _) = Journal::open(folder.path(), START).unwrap();
    put(&mut journal, &[started(1, 0), fed(2, 0, 1), fed(3, 0, 0)]);
    assert_eq!(numbers(&journal.deeds(ALL).unwrap()), [1], "the refused one is left out");
    journal.seal_all(START);
    put(&mut journal, &[fed(4, 1, 2)]);
    journal.upkeep(START + Span::from_hours(1));
    put(&mut journal, &[fed(5, 30, 3)]);
    let found = journal.deeds(ALL).unwrap();
    assert_eq!((numbers(&found), found.is_cut, found.damaged), (vec![1, 2, 3], false, 0));
    assert!(found.deeds.iter().all(|deed| deed.pond.as_deref() == Some("pond")));
    let later = Stretch { from: START + Span::from_hours(1), ..ALL };
    let found = journal.deeds(later).unwrap();
    assert_eq!(numbers(&found), [2, 3]);
    assert!(found.deeds[0].pond.is_some(), "the farm before the stretch is known");
    let newest = Stretch { most: 1, ..ALL };
    assert_eq!(
        (numbers(&journal.deeds(newest).unwrap()), journal.deeds(newest).unwrap().is_cut),
        (vec![3], true)
    );
    assert_eq!(numbers(&journal.deeds(Stretch { number: Some(2), ..ALL }).unwrap()), [2]);
    let alarm = || "pond.ph-high".to_owned();
    let by = || "ana".to_owned();
    let at = START + Span::from_hours(31);
    put(&mut journal, &[Input { seq: 6, at, event: Event::Acknowledge { alarm: alarm(), by: by() } }]);
    put(&mut journal, &[Input { seq: 7, at, event: Event::Unshelve { alarm: alarm(), by: by() } }]);
    let found = journal.deeds(Stretch { from: at, ..ALL }).unwrap();
    let ponds: Vec<_> = found.deeds.iter().map(|deed| deed.pond.as_deref()).collect();
    assert_eq!(ponds, [Some("pond"), Some("pond")], "by the alarm's id");
    // Killed: dropped without an orderly close, and opened again.
    std::mem::forget(journal.tail.take());
    drop(journal);
    let (journal, _) = Journal::open(folder.path(), START).unwrap();
    assert_eq!(numbers(&journal.deeds(ALL).unwrap()), [1, 2, 3]);
}
