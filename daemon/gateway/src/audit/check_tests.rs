//! Every way to tamper with a trail, at every record of one.

use pondreeve_core::Timestamp;

use super::super::{Note, Place};
use super::*;

const RECORDS: u64 = 12;

fn sample() -> (Vec<Row>, Head) {
    let mut head = Head::default();
    let rows = (1..=RECORDS).map(|number| {
        head.chain(&Note {
            at: Timestamp(1_780_000_000_000 + number as i64 * 61_000),
            local: "2026-05-28T15:26:40-05:00".to_owned(),
            user: if number % 2 == 0 { "ana" } else { "luis" }.to_owned(),
            place: Place::Command,
            action: "setting".to_owned(),
            object: format!("p{number}.do_low_mg_l"),
            old: "3.5".to_owned(),
            new: "2.5".to_owned(),
            reason: String::new(),
        })
    });
    let rows = rows.collect();
    (rows, head)
}

fn checked(rows: &[(u64, Vec<u8>)], counted: Head) -> Checked {
    let mut check = Check::new(None);
    rows.iter().for_each(|(record, bytes)| check.stored(*record, bytes));
    check.counted(Some(counted));
    check.end()
}

fn kept(rows: &[Row]) -> Vec<(u64, Vec<u8>)> {
    (1..).zip(rows.iter().map(Row::to_bytes)).collect()
}

#[test]
fn a_whole_trail_is_unbroken() {
    let (rows, head) = sample();
    let found = checked(&kept(&rows), head);
    assert!(found.is_whole(), "{found:?}");
    assert_eq!(found.head, head);
    assert!(checked(&[], Head::default()).is_whole());
}

#[test]
fn any_flipped_bit_of_any_record_is_told_with_its_record() {
    let (rows, head) = sample();
    for place in 0..rows.len() {
        let whole = kept(&rows);
        for byte in 0..whole[place].1.len() {
            for bit in [0, 3, 7] {
                let mut rows = whole.clone();
                rows[place].1[byte] ^= 1 << bit;
                let found = checked(&rows, head);
                let record = place as u64 + 1;
                assert_eq!(found.breaks.first(), Some(&Break::Changed { record }), "byte {byte} bit {bit}");
            }
        }
    }
}

#[test]
fn removed_swapped_and_inserted_records_are_told() {
    let (rows, head) = sample();
    let whole = kept(&rows);
    for place in 0..rows.len() {
        let record = place as u64 + 1;
        // Removed, the gap left.
        let mut gap = whole.clone();
        gap.remove(place);
        let expected = match record {
            RECORDS => Break::CutShort { counted: RECORDS, found: RECORDS - 1 },
            _ => Break::Missing { from: record, to: record },
        };
        assert_eq!(checked(&gap, head).breaks, [expected]);
        // Removed, what follows moved up.
        let mut closed = rows.clone();
        closed.remove(place);
        let found = checked(&kept(&closed), head);
        let expected = match record {
            RECORDS => Break::CutShort { counted: RECORDS, found: RECORDS - 1 },
            _ => Break::Moved { record, says: (record + 1).to_string() },
        };
        assert_eq!(found.breaks.first(), Some(&expected));
        // A record twice.
        let mut twice = rows.clone();
        twice.insert(place, rows[place].clone());
        let found = checked(&kept(&twice), head);
        assert_eq!(
            found.breaks.first(),
            Some(&Break::Moved { record: record + 1, says: record.to_string() })
        );
        // A foreign one with a hash that fits it.
        let mut forged = Head { records: place as u64, hash: Hash([7; 32]) };
        let forged = forged.chain(&note_of(record));
        let mut inserted = rows.clone();
        inserted.insert(place, forged);
        assert_eq!(checked(&kept(&inserted), head).breaks.first(), Some(&Break::NotFollowing { record }));
        for other in place + 1..rows.len() {
            let mut swapped = rows.clone();
            swapped.swap(place, other);
            let found = checked(&kept(&swapped), head);
            let says = (other + 1).to_string();
            assert_eq!(found.breaks.first(), Some(&Break::Moved { record, says }));
        }
    }
}

#[test]
fn a_trail_cut_at_any_record_is_told_by_the_count() {
    let (rows, head) = sample();
    for left in 0..RECORDS {
        let found = checked(&kept(&rows[..left as usize]), head);
        assert_eq!(found.breaks, [Break::CutShort { counted: RECORDS, found: left }]);
    }
    let before = rows[..11].iter().last().map(|row| row.hash).unwrap();
    let found = checked(&kept(&rows), Head { records: 11, hash: before });
    assert_eq!(found.breaks, [Break::Added { counted: 11, found: 12 }]);
}

/// Who changes a record and chains all that follows anew, with the count, is found by a hash noted elsewhere.
#[test]
fn a_trail_written_anew_is_told_by_a_hash_that_was_noted_elsewhere() {
    let (rows, honest) = sample();
    for place in 0..rows.len() {
        let (mut head, mut forged) = (Head::default(), Vec::new());
        for (number, row) in rows.iter().enumerate() {
            let fields = row.fields().unwrap();
            let mut note = note_of(number as u64 + 1);
            note.user = fields[3].clone();
            note.new = if number == place { "3.5".to_owned() } else { fields[8].clone() };
            forged.push(head.chain(&note));
        }
        assert!(checked(&kept(&forged), head).is_whole(), "the chain alone cannot tell");
        for noted in [honest, Head { records: place as u64 + 1, hash: rows[place].hash }] {
            let mut check = Check::new(Some(noted));
            (1..).zip(&forged).for_each(|(record, row)| check.row(record, row));
            check.counted(Some(head));
            assert_eq!(check.end().breaks, [Break::NotAsExported { record: noted.records }]);
        }
    }
    // One that ends before what was noted.
    let mut check = Check::new(Some(honest));
    (1..).zip(&rows[..5]).for_each(|(record, row)| check.row(record, row));
    check.counted(Some(check.head()));
    assert_eq!(check.end().breaks, [Break::NotAsExported { record: RECORDS }]);
}

fn note_of(number: u64) -> Note {
    Note {
        at: Timestamp(1_780_000_000_000 + number as i64 * 61_000),
        local: "2026-05-28T15:26:40-05:00".to_owned(),
        user: "nobody".to_owned(),
        place: Place::Command,
        action: "setting".to_owned(),
        object: format!("p{number}.do_low_mg_l"),
        old: "3.5".to_owned(),
        new: "2.5".to_owned(),
        reason: String::new(),
    }
}
