//! What becomes coarser when, worked out by hand.

use pondreeve_core::effect::QuantitySummary;
use pondreeve_core::{Quantity, Span, Timestamp};

use super::queue::Queue;
use super::queue_tests::summary;
use super::thinning::{merged, plan};
use super::{Body, Bounds, Change, Class, Kept, Outgoing, PondSummary, Waiting};
use crate::journal::outbox_record;

fn oxygen(values: [f64; 4], usable: u32, doubtful: u32) -> QuantitySummary {
    let [minimum, mean, maximum, last] = values;
    QuantitySummary { quantity: Quantity::DoMgL, minimum, mean, maximum, last, usable, doubtful }
}

fn part(from_minute: i64, quantities: Vec<QuantitySummary>, alarms: [u16; 3]) -> PondSummary {
    let at = |minute: i64| Timestamp(minute * 60_000);
    PondSummary {
        pond: "p1".to_owned(),
        from: at(from_minute),
        to: at(from_minute + 15),
        quantities,
        alarms_standing: alarms,
        merged: 1,
    }
}

/// 10 readings of mean 4 and 30 of mean 6 are 40 of mean 5.5.
#[test]
fn a_merged_summary_says_what_its_parts_said() {
    let whole = merged([
        part(0, vec![oxygen([3.0, 4.0, 5.0, 4.5], 10, 1)], [2, 0, 0]),
        part(15, vec![], [1, 1, 0]),
        part(30, vec![oxygen([3.5, 6.0, 7.0, 6.5], 30, 2)], [0, 1, 0]),
    ])
    .unwrap();
    assert_eq!((whole.from, whole.to), (Timestamp(0), Timestamp(45 * 60_000)));
    assert_eq!(whole.quantities, [oxygen([3.0, 5.5, 7.0, 6.5], 40, 3)]);
    assert_eq!((whole.alarms_standing, whole.merged), ([0, 1, 0], 3));
}

/// Two ponds, so many hours, four summaries an hour and pond; the numbers from 1.
fn backlog(hours: i64) -> Vec<Waiting> {
    let minutes = (0..hours * 4).map(|quarter| quarter * 15);
    let both = minutes.flat_map(|minute| [("p1", minute), ("p2", minute)]);
    (1..).zip(both).map(|(number, (pond, minute))| summary(number, pond, minute)).collect()
}

fn queue_of(waiting: Vec<Waiting>) -> Queue {
    let queue = Queue::new(["office"], Kept::default());
    queue.take(waiting.into_iter().map(Change::Queued));
    queue
}

fn hours(hours: i64) -> Span {
    Span::from_hours(hours)
}

fn summaries(queue: &Queue) -> Vec<(u64, PondSummary)> {
    let all = queue.all(0).into_iter();
    all.filter_map(|outgoing| match outgoing {
        Outgoing { number, body: Body::Summary(summary), .. } => Some((number, summary)),
        _ => None,
    })
    .collect()
}

#[test]
fn while_there_is_room_nothing_changes() {
    let queue = queue_of(backlog(10));
    assert!(plan(&queue, Bounds::default(), Timestamp(0) + hours(10)).is_none());
}

#[test]
fn old_summaries_become_hours_and_older_ones_days() {
    let queue = queue_of(backlog(72));
    let bounds = Bounds { most_bytes: usize::MAX, thin_after: hours(24) };
    let (changes, why) = plan(&queue, bounds, Timestamp(0) + hours(72)).unwrap();
    assert!(why.starts_with("office has confirmed nothing since 1970-01-01T00:15:00Z: "), "{why}");
    queue.take(changes);
    let left = summaries(&queue);
    let of = |pond: &str| left.iter().filter(|(_, own)| own.pond == pond).collect::<Vec<_>>();
    for pond in ["p1", "p2"] {
        let lengths: Vec<i64> =
            of(pond).iter().map(|(_, own)| (own.to - own.from).as_millis() / 60_000).collect();
        // What ended before 24:00 is older than two days: 23 whole hours. What ended before 48:00 is older than one:
        // the hours from 23:00 on, and three quarters of the last. The rest is left as it was.
        assert_eq!(lengths[0], 23 * 60, "{lengths:?}");
        assert_eq!(lengths.iter().filter(|&&length| length == 60).count(), 24, "{lengths:?}");
        assert_eq!(lengths.iter().filter(|&&length| length == 45).count(), 1, "{lengths:?}");
        assert_eq!(lengths.iter().sum::<i64>(), 72 * 60, "nothing is missing and nothing twice");
        let numbers: Vec<u64> = of(pond).iter().map(|(number, _)| *number).collect();
        assert!(numbers.is_sorted());
        let ends: Vec<Timestamp> = of(pond).iter().map(|(_, own)| own.to).collect();
        assert!(ends.is_sorted());
    }
    // Once is enough.
    assert!(plan(&queue, bounds, Timestamp(0) + hours(72)).is_none());
}

#[test]
fn too_much_becomes_coarser_from_its_old_end_and_is_not_cut() {
    let queue = queue_of(backlog(48));
    let whole = queue.bytes();
    let bounds = Bounds { most_bytes: whole - 1, thin_after: hours(1_000) };
    let (changes, _) = plan(&queue, bounds, Timestamp(0) + hours(48)).unwrap();
    queue.take(changes);
    assert!(queue.bytes() <= whole * 8 / 10, "{} of {whole}", queue.bytes());
    let left = summaries(&queue);
    let covered: i64 = left.iter().map(|(_, own)| (own.to - own.from).as_millis()).sum();
    assert_eq!(covered, 2 * 48 * 3_600_000);
    let (oldest, newest) = (&left[0].1, &left[left.len() - 1].1);
    assert!(oldest.merged > 1 && newest.merged == 1);
    let count: u32 = left.iter().map(|(_, own)| own.merged).sum();
    assert_eq!(count, 2 * 48 * 4);
    assert_eq!(queue.thinned(), u64::from(count) - left.len() as u64);
}

#[test]
fn what_is_on_its_way_is_left_as_it_is() {
    let queue = queue_of(backlog(48));
    queue.begin(0);
    for number in 1..=20 {
        assert_eq!(queue.next(0, Class::Summary, number), Some(number));
    }
    queue.confirm(0, Class::Summary, 1);
    let bounds = Bounds { most_bytes: 1, thin_after: hours(1) };
    let (changes, why) = plan(&queue, bounds, Timestamp(0) + hours(48)).unwrap();
    assert!(why.contains("given up"), "{why}");
    queue.take(changes);
    let left: Vec<u64> = queue.all(0).iter().map(|own| own.number).collect();
    assert_eq!(left, (2..=20).collect::<Vec<u64>>());
}

/// One destination is away from the beginning, the other since it has confirmed half of an hour: what it gets later must
/// not tell it that half a second time.
#[test]
fn what_a_destination_has_in_parts_it_does_not_get_in_whole() {
    let queue = Queue::new(["near", "far"], Kept::default());
    queue.take(backlog(4).into_iter().map(Change::Queued));
    // The first two quarters of both ponds.
    queue.confirm_all(0, (1..=4).map(|number| (Class::Summary, number)));
    let bounds = Bounds { most_bytes: usize::MAX, thin_after: hours(1) };
    let (changes, _) = plan(&queue, bounds, Timestamp(0) + hours(100)).unwrap();
    queue.take(changes);
    let minutes = |destination: usize, pond: &str| {
        let all = queue.all(destination).into_iter().filter_map(|own| match own.body {
            Body::Summary(own) if own.pond == pond => Some(own),
            _ => None,
        });
        all.map(|own| (own.from.as_millis() / 60_000, own.to.as_millis() / 60_000)).collect::<Vec<_>>()
    };
    for pond in ["p1", "p2"] {
        assert_eq!(minutes(0, pond), [(30, 240)], "near");
        assert_eq!(minutes(1, pond), [(0, 30), (30, 240)], "far");
    }
}

#[test]
fn alarms_go_last() {
    let mut waiting = backlog(24);
    let room: usize = 400;
    for number in 1_000..1_010 {
        let body = Body::Alarm("{\"id\":\"p1.do-low-critical\"}".to_owned());
        let at = Timestamp(0) + hours(24);
        waiting.push(outbox_record::waiting(&Outgoing { number, at, body }));
    }
    let queue = queue_of(waiting);
    let bounds = Bounds { most_bytes: room, thin_after: hours(1_000) };
    let (changes, _) = plan(&queue, bounds, Timestamp(0) + hours(25)).unwrap();
    queue.take(changes);
    let alarms = queue.all(0).iter().filter(|own| own.body.class() == Class::Urgent).count();
    assert_eq!((alarms, summaries(&queue).len()), (10, 2), "a day of each pond, and every alarm");
}

/// The journal and the queue must agree on what is left.
#[test]
fn the_journal_s_view_follows_the_same_changes() {
    let waiting = backlog(72);
    let mut kept = Kept::default();
    waiting.iter().for_each(|own| kept.take(&Change::Queued(own.clone())));
    let queue = queue_of(waiting);
    let bounds = Bounds { most_bytes: 3_000, thin_after: hours(30) };
    let (changes, _) = plan(&queue, bounds, Timestamp(0) + hours(72)).unwrap();
    changes.iter().for_each(|change| kept.take(change));
    queue.take(changes);
    let again = Queue::new(["office"], kept);
    assert_eq!(again.all(0), queue.all(0));
    assert_eq!(again.bytes(), queue.bytes());
}
