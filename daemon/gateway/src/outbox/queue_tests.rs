//! Order, positions and what is forgotten.

use std::collections::BTreeMap;

use pondreeve_core::Timestamp;

use super::queue::Queue;
use super::{Body, Change, Class, Kept, Outgoing, PondSummary, Waiting};
use crate::journal::outbox_record;

pub(super) fn summary(number: u64, pond: &str, from_minute: i64) -> Waiting {
    let at = |minute: i64| Timestamp(minute * 60_000);
    let summary = PondSummary {
        pond: pond.to_owned(),
        from: at(from_minute),
        to: at(from_minute + 15),
        quantities: Vec::new(),
        alarms_standing: [0; 3],
        merged: 1,
    };
    outbox_record::waiting(&Outgoing { number, at: summary.to, body: Body::Summary(summary) })
}

fn alarm(number: u64) -> Waiting {
    let body = Body::Alarm(format!("{{\"id\":\"{number}\"}}"));
    outbox_record::waiting(&Outgoing { number, at: Timestamp(0), body })
}

fn filled(destinations: &[&str], numbers: &[u64]) -> Queue {
    let queue = Queue::new(destinations.iter().copied(), Kept::default());
    queue.take(numbers.iter().map(|&number| Change::Queued(summary(number, "p1", number.cast_signed()))));
    queue
}

fn numbers(queue: &Queue, destination: usize) -> Vec<u64> {
    queue.all(destination).iter().map(|outgoing| outgoing.number).collect()
}

fn positions(queue: &Queue) -> Option<BTreeMap<String, [u64; 2]>> {
    match queue.take_moved()? {
        Change::Confirmed(positions) => Some(positions),
        other => panic!("{other:?}"),
    }
}

#[test]
fn each_destination_has_its_own_position_and_what_all_have_is_forgotten() {
    let queue = filled(&["a", "b"], &[10, 11, 12]);
    // The first positions are noted, so that a destination that is taken out of the configuration holds nothing up.
    assert_eq!(positions(&queue), Some(BTreeMap::from([("a".into(), [0, 0]), ("b".into(), [0, 0])])));
    for number in [10, 11, 12] {
        queue.confirm(0, Class::Summary, number);
    }
    assert_eq!((numbers(&queue, 0), numbers(&queue, 1)), (vec![], vec![10, 11, 12]));
    assert!(queue.bytes() > 0);
    queue.confirm(1, Class::Summary, 10);
    assert_eq!(positions(&queue), Some(BTreeMap::from([("a".into(), [0, 12]), ("b".into(), [0, 10])])));
    assert_eq!(positions(&queue), None);
    for number in [11, 12] {
        queue.confirm(1, Class::Summary, number);
    }
    assert_eq!((queue.bytes(), queue.waits()), (0, 0));
}

#[test]
fn what_is_confirmed_out_of_order_is_not_sent_again_but_moves_no_position() {
    let queue = filled(&["a"], &[5, 6, 7]);
    positions(&queue);
    queue.confirm(0, Class::Summary, 6);
    queue.confirm(0, Class::Summary, 6);
    assert_eq!(positions(&queue), None);
    assert_eq!((numbers(&queue, 0), queue.waits()), (vec![5, 7], 2));
    queue.confirm(0, Class::Summary, 5);
    assert_eq!(positions(&queue), Some(BTreeMap::from([("a".into(), [0, 6])])));
    // One that nobody knows changes nothing.
    queue.confirm(0, Class::Summary, 99);
    assert_eq!((numbers(&queue, 0), queue.standing()[0].confirmed), (vec![7], 2));
}

/// Confirmed out of order, then the connection broke, then too much waited: it is neither merged and sent again nor
/// counted twice.
#[test]
fn what_one_destination_has_out_of_order_is_not_merged() {
    let queue = filled(&["a"], &[5, 6, 7]);
    queue.begin(0);
    for number in [5, 6] {
        assert_eq!(queue.next(0, Class::Summary, number), Some(number));
    }
    queue.confirm(0, Class::Summary, 6);
    queue.begin(0);
    let free: Vec<u64> = queue.untouched(Class::Summary).iter().map(|own| own.number).collect();
    assert_eq!(free, [5, 7]);
    // Were it dropped all the same, nothing would count below nothing.
    queue.take([Change::Merged { gone: vec![6], kept: None }]);
    assert_eq!((queue.standing()[0].waiting, numbers(&queue, 0)), (2, vec![5, 7]));
    queue.confirm(0, Class::Summary, 5);
    queue.confirm(0, Class::Summary, 7);
    assert_eq!((queue.waits(), queue.bytes()), (0, 0));
}

#[test]
fn alarms_are_a_row_of_their_own() {
    let queue = filled(&["a"], &[1, 3]);
    queue.take([Change::Queued(alarm(2)), Change::Queued(alarm(4))]);
    assert_eq!(queue.next(0, Class::Urgent, 0), Some(2));
    queue.confirm(0, Class::Urgent, 2);
    queue.confirm(0, Class::Urgent, 4);
    assert_eq!(positions(&queue), Some(BTreeMap::from([("a".into(), [4, 0])])));
    assert_eq!(numbers(&queue, 0), [1, 3]);
    assert_eq!(queue.next(0, Class::Summary, 2), Some(3));
}

#[test]
fn what_was_kept_goes_on_where_it_was() {
    let mut kept = Kept::default();
    for number in [10, 11, 13] {
        kept.take(&Change::Queued(summary(number, "p1", 0)));
    }
    kept.take(&Change::Queued(alarm(12)));
    let known = BTreeMap::from([("a".to_owned(), [12, 10]), ("gone".to_owned(), [0, 0])]);
    kept.take(&Change::Confirmed(known));
    let queue = Queue::new(["a", "new"], kept);
    assert_eq!(
        (numbers(&queue, 0), numbers(&queue, 1), queue.last()),
        (vec![11, 13], vec![10, 11, 12, 13], 13)
    );
    // The destination that is no more is told to the journal.
    let told = BTreeMap::from([("a".into(), [12, 10]), ("new".into(), [0, 0])]);
    assert_eq!(positions(&queue), Some(told));
}
