//! What waits comes back as it was, and damage is told.

use pondreeve_core::Quantity;
use proptest::prelude::*;

use super::*;

fn quantity(values: [f64; 4], counts: (u32, u32)) -> QuantitySummary {
    let [minimum, mean, maximum, last] = values;
    let (usable, doubtful) = counts;
    QuantitySummary { quantity: Quantity::DoMgL, minimum, mean, maximum, last, usable, doubtful }
}

fn back(change: &Change) -> Change {
    let mut bytes = Vec::new();
    put(&mut bytes, change);
    let mut reader = Reader::new(&bytes);
    let read = read(&mut reader, kind(change)).unwrap();
    reader.end().unwrap();
    read
}

proptest! {
    #[test]
    fn a_summary_comes_back_with_the_same_bits(
        pond in "[a-z0-9]{1,8}",
        numbers: [u64; 4],
        counts: (u32, u32),
        from in -1_000_000_000_000_i64..4_000_000_000_000,
        length in 1_i64..100_000_000,
        number: u64,
    ) {
        let summary = PondSummary {
            pond,
            from: Timestamp(from),
            to: Timestamp(from + length),
            quantities: vec![quantity(numbers.map(f64::from_bits), counts)],
            alarms_standing: [1, 2, 65_535],
            merged: 4,
        };
        let outgoing = Outgoing { number, at: summary.to, body: Body::Summary(summary) };
        let waiting = waiting(&outgoing);
        prop_assert_eq!(back(&Change::Queued(waiting.clone())), Change::Queued(waiting.clone()));
        // Debug prints NaN as itself, which comparing does not.
        prop_assert_eq!(format!("{:?}", super::outgoing(&waiting)), format!("{:?}", Some(outgoing)));
    }

    #[test]
    fn any_bytes_are_read_or_refused(kind in 29_u8..34, bytes: Vec<u8>) {
        let _ = read(&mut Reader::new(&bytes), kind);
        let waiting = Waiting { number: 1, class: Class::Summary, at: Timestamp(0), bytes: Arc::from(bytes) };
        let _ = outgoing(&waiting);
    }
}

#[test]
fn alarms_calls_merging_and_positions_come_back() {
    for body in [Body::Alarm("{\"id\":\"p1.do-low\"}".to_owned()), Body::Call("{}".to_owned())] {
        let outgoing = Outgoing { number: 1_795_590_900_123, at: Timestamp(5), body };
        let waiting = waiting(&outgoing);
        assert_eq!(waiting.class, Class::Urgent);
        assert_eq!(super::outgoing(&waiting), Some(outgoing));
        let merged = Change::Merged { gone: vec![7, 9, 300], kept: Some(waiting) };
        assert_eq!(back(&merged), merged);
    }
    let none = Change::Merged { gone: vec![1], kept: None };
    assert_eq!(back(&none), none);
    let confirmed =
        Change::Confirmed(BTreeMap::from([("office".to_owned(), [3, 900]), ("b".to_owned(), [0, 0])]));
    assert_eq!(back(&confirmed), confirmed);
}

/// A week of 20 ponds with 16 quantities is what the default room is reckoned with.
#[test]
fn a_summary_of_many_quantities_takes_a_few_hundred_bytes() {
    let quantities = vec![quantity([4.61, 5.237_5, 6.02, 5.5], (90, 2)); 16];
    let summary = PondSummary {
        pond: "p17".to_owned(),
        from: Timestamp(1_795_590_000_000),
        to: Timestamp(1_795_590_900_000),
        quantities,
        alarms_standing: [0, 1, 2],
        merged: 1,
    };
    let outgoing = Outgoing { number: 1, at: summary.to, body: Body::Summary(summary) };
    let bytes = waiting(&outgoing).bytes.len();
    assert!((200..400).contains(&bytes), "{bytes}");
    assert!(bytes * 20 * 96 * 7 < crate::outbox::Bounds::default().most_bytes / 2);
}
