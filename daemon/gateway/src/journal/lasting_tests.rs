//! What a start must know of long ago.

use pondreeve_core::service::Step;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Input, Span, Timestamp};
use tempfile::TempDir;

use super::From;
use super::keys::{key, kind};
use super::record::BatchWriter;
use super::store::{Commit, Journal};

const NOW: Timestamp = Timestamp(1_780_000_000_000);

/// Services of long ago, and the farm they belong to, are found without what lies between; one that rotted is
/// noticed.
#[test]
fn services_of_long_ago_are_found_alone() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let (mut journal, _) = Journal::open(&path, NOW).unwrap();
    let site = crate::engine::tests::farm(folder.path()).site;
    let service = |step| Event::Service { probe: ProbeIndex(0), step, by: "ana".to_owned() };
    let hours = |hours: i64| Timestamp(NOW.as_millis() + hours * 3_600_000);
    let inputs = [
        Input { seq: 1, at: hours(0), event: Event::Started { site: site.clone() } },
        Input { seq: 2, at: hours(1), event: service(Step::Cleaned) },
        Input {
            seq: 3,
            at: hours(2),
            event: Event::Acknowledge { alarm: "p1.x".to_owned(), by: "ana".to_owned() },
        },
        Input { seq: 4, at: hours(3), event: Event::Started { site } },
        Input { seq: 5, at: hours(4), event: service(Step::Adopt) },
        Input { seq: 6, at: hours(30), event: service(Step::End) },
    ];
    let mut batch = BatchWriter::new(1, NOW);
    inputs.iter().for_each(|input| batch.input(input));
    journal.commit(&Commit { batches: vec![(1, batch.finish()).into()], ..Commit::default() }, NOW).unwrap();
    journal.seal_all(NOW);
    let lasting = |journal: &mut Journal| {
        let mut found = Vec::new();
        let span = Span::from_hours(10);
        let reading = journal.read_from(From::Lasting(span), NOW, &mut |input| {
            found.push(input.seq);
        });
        (found, reading.damaged, reading.missing)
    };
    // The farm that came again was in force already; what is newer is read in its hour.
    assert_eq!(lasting(&mut journal), (vec![1, 2, 5], 0, 0));
    let at = key(0, kind::LASTING, 0, 2);
    let whole = journal.store.as_ref().unwrap().get(&at).unwrap().unwrap().to_vec();
    for place in 0..whole.len() {
        let mut rotted = whole.clone();
        rotted[place] ^= 1 << (place % 8);
        journal.store.as_ref().unwrap().sealed.insert(&at[..], rotted).unwrap();
        let (found, damaged, _) = lasting(&mut journal);
        assert!(damaged > 0, "byte {place}");
        assert!(found == [1, 2, 5] || found == [1, 5], "byte {place}: {found:?}");
    }
}
