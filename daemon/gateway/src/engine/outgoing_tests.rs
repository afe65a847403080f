//! What goes out is numbered once and for all: through kills, stops and starts.

use pondreeve_core::Span;
use tempfile::TempDir;

use super::tests::{EVENING, Rig, falling, farm};
use crate::outbox::{Body, Class, Outgoing};

#[tokio::test]
async fn what_nobody_confirmed_comes_again_after_a_kill_under_the_same_numbers() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let mut sent: Vec<Outgoing> = Vec::new();
    for run in 0..3 {
        let rig = Rig::start(&farm, EVENING + Span::from_hours(run)).await;
        rig.readings(&falling()).await;
        let now = rig.queue.all(0);
        rig.kill().await;
        assert!(now.len() > sent.len() && now.starts_with(&sent), "run {run}: {now:?}");
        sent = now;
    }
    let first = sent[0].number;
    let numbers: Vec<u64> = sent.iter().map(|own| own.number).collect();
    assert_eq!(numbers, (first..first + sent.len() as u64).collect::<Vec<_>>(), "no gaps");
    assert_eq!(first, EVENING.as_millis().cast_unsigned(), "a new row begins with the time");
    let has = |wanted: fn(&Body) -> bool| sent.iter().any(|own| wanted(&own.body));
    assert!(has(|body| matches!(body, Body::Alarm(_))) && has(|body| matches!(body, Body::Summary(_))));
}

#[tokio::test]
async fn what_was_confirmed_does_not_come_again_after_a_stop_or_the_next_commit() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&falling()).await;
    let sent = rig.queue.all(0);
    for own in &sent {
        rig.queue.confirm(0, own.body.class(), own.number);
    }
    assert_eq!(rig.queue.waits(), 0);
    // The position goes to disk with the next input.
    rig.readings(&[1.3]).await;
    let since: Vec<Outgoing> = rig.queue.all(0);
    rig.kill().await;
    let rig = Rig::start(&farm, EVENING + Span::from_hours(1)).await;
    let again = rig.queue.all(0);
    assert!(again.starts_with(&since), "{again:?}");
    assert!(again.iter().all(|own| own.number > sent[sent.len() - 1].number));
    let last = again.iter().map(|own| own.number).max();
    for own in &again {
        rig.queue.confirm(0, own.body.class(), own.number);
    }
    // The stop is an input of its own, and what was confirmed before it is on disk with it.
    rig.end().await;
    let rig = Rig::start(&farm, EVENING + Span::from_hours(2)).await;
    assert!(rig.queue.all(0).iter().all(|own| Some(own.number) > last), "{:?}", rig.queue.all(0));
    assert!(rig.queue.last() >= last.unwrap());
    rig.end().await;
}

/// Sealing moves what waits from the tail into the database, and leaves what was confirmed.
#[tokio::test]
async fn sealing_keeps_what_waits_and_nothing_else() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&falling()).await;
    rig.script.pass(std::time::Duration::from_secs(20 * 60));
    rig.readings(&[1.3]).await;
    let sent = rig.queue.all(0);
    // All but the first summary and the first alarm.
    let keep = Class::ALL.map(|class| sent.iter().find(|own| own.body.class() == class).unwrap().number);
    for own in sent.iter().filter(|own| !keep.contains(&own.number)) {
        rig.queue.confirm(0, own.body.class(), own.number);
    }
    rig.readings(&[1.3]).await;
    rig.desk.shelf().backup(&folder.path().join("backup")).await.unwrap();
    let waits = rig.queue.all(0);
    rig.kill().await;
    let rig = Rig::start(&farm, EVENING + Span::from_hours(1)).await;
    let again = rig.queue.all(0);
    // What was confirmed beyond one that was not comes again: positions are all that is kept.
    assert!(waits.iter().all(|own| again.contains(own)), "{waits:?} in {again:?}");
    for own in &again {
        rig.queue.confirm(0, own.body.class(), own.number);
    }
    let last = rig.queue.last();
    rig.readings(&[1.3]).await;
    rig.desk.shelf().backup(&folder.path().join("again")).await.unwrap();
    rig.kill().await;
    let rig = Rig::start(&farm, EVENING + Span::from_hours(2)).await;
    assert!(rig.queue.all(0).iter().all(|own| own.number > last));
    rig.end().await;
}

#[tokio::test]
async fn too_much_is_thinned_for_good_and_told() {
    let folder = TempDir::new().unwrap();
    let mut farm = farm(folder.path());
    farm.outbox.thin_after = Span::from_hours(2);
    farm.site.summary_every = Span::from_minutes(5);
    let rig = Rig::start(&farm, EVENING).await;
    let mut number = 0;
    for _ in 0..60 {
        rig.script.pass(std::time::Duration::from_secs(300));
        rig.send(super::tests::oxygen(6.0)).await;
        number += 1;
    }
    let before = rig.queue.all(0);
    rig.kill().await;
    assert!(before.iter().filter(|own| own.body.class() == Class::Summary).count() >= number - 2);
    // A start looks at once.
    let rig = Rig::start(&farm, EVENING + Span::from_hours(6)).await;
    rig.send(super::tests::oxygen(6.0)).await;
    let view = rig.desk.view().await.unwrap();
    let fault = view.faults.iter().find(|fault| fault.part == pondreeve_core::input::GatewayPart::Forward);
    let detail = &fault.expect("told").detail;
    assert!(detail.starts_with("office has confirmed nothing since"), "{detail}");
    let thinned = rig.queue.all(0);
    let merged =
        thinned.iter().filter(|own| matches!(&own.body, Body::Summary(own) if own.merged > 1)).count();
    assert!(merged >= 2 && thinned.len() < before.len() - 20, "{merged} of {}", thinned.len());
    rig.kill().await;
    let rig = Rig::start(&farm, EVENING + Span::from_hours(6)).await;
    let again = rig.queue.all(0);
    assert!(again.starts_with(&thinned[..merged]), "it does not come back after a cut");
    rig.end().await;
}
