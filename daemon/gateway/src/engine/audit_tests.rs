//! What comes into the audit trail, and that it is there before anybody is told.

use pondreeve_core::service::Step;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Quantity, Span};
use tempfile::TempDir;

use super::tests::{EVENING, Rig, copy_folder, falling, farm, oxygen};
use super::*;
use crate::audit::{Check, Row};

async fn trail(rig: &Rig) -> Vec<(u64, Row)> {
    rig.desk.shelf().trail(1).await.unwrap()
}

/// Place, action, object, old, new of each record; every one of them chained.
fn told(rows: &[(u64, Row)]) -> Vec<String> {
    let mut check = Check::new(None);
    rows.iter().for_each(|(record, row)| check.row(*record, row));
    assert_eq!(check.end().breaks, []);
    let fields = rows.iter().map(|(_, row)| row.fields().unwrap());
    fields
        .map(|own| format!("{} {}: {} {} -> {}", own[3], own[4], own[5..7].join(" "), own[7], own[8]))
        .collect()
}

async fn ask(rig: &Rig, place: Place, event: Event) -> Applied {
    let (done, answer) = oneshot::channel();
    rig.inbox.send(Incoming { event, done: Some(done), urgent: true, place }).await.unwrap();
    answer.await.unwrap()
}

fn by_ana(alarm: &str) -> Event {
    Event::Acknowledge { alarm: alarm.to_owned(), by: "ana".to_owned() }
}

fn step(step: Step) -> Event {
    Event::Service { probe: ProbeIndex(0), step, by: "luis".to_owned() }
}

fn has(told: &[String], wanted: &str) -> bool {
    told.iter().any(|line| line == wanted)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_people_do_is_noted_with_who_where_and_what_it_changed() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&falling()).await;
    let alarm = rig.desk.view().await.unwrap().alarms[0].id.clone();
    ask(&rig, Place::Console, by_ana(&alarm)).await;
    ask(&rig, Place::Command, by_ana("no-such-alarm")).await;
    // Dawn has passed: a critical alarm can be put aside, for half an hour at most.
    rig.script.pass(Duration::from_secs(18 * 3_600));
    rig.readings(&[1.2, 1.2]).await;
    let (length, reason) = (Span::from_minutes(20), "paddle wheel being mended".to_owned());
    let shelve = Event::Shelve { alarm: alarm.clone(), length, reason, by: "ana".to_owned() };
    assert_eq!(ask(&rig, Place::Console, shelve).await, Applied::Done);
    rig.script.pass(Duration::from_secs(25 * 60));
    rig.readings(&[1.2]).await;
    let value = Event::ManualSample {
        pond: PondIndex(0),
        quantity: Quantity::TanMgL,
        value: 0.4,
        taken_at: Some(EVENING),
        by: "ana".to_owned(),
    };
    ask(&rig, Place::Command, value).await;
    ask(&rig, Place::Console, step(Step::Begin { length: Span::from_minutes(30) })).await;
    rig.script.pass(Duration::from_secs(40 * 60));
    // Nobody put it back; the next reading finds its time over.
    rig.readings(&[5.0]).await;
    let rows = trail(&rig).await;
    let lines = told(&rows);
    let mine = crate::audit::notes::process_user();
    for wanted in [
        format!("{mine} daemon: trail begins store  -> "),
        format!("{mine} daemon: start pondreeve  -> {}", env!("CARGO_PKG_VERSION")),
        format!("{mine} daemon: low-oxygen limit ponds.pond.limits.do_low_mg_l.critical.limit  -> 3.0"),
        format!("ana console: acknowledge {alarm} unacknowledged -> acknowledged"),
        "ana command: acknowledge no-such-alarm  -> refused".to_owned(),
        format!("{mine} daemon: unshelve {alarm} shelved -> unacknowledged"),
        "ana command: hand reading pond/tan_mg_l  -> 0.4".to_owned(),
        "luis console: out of service recorded in service -> out of service".to_owned(),
        format!("{mine} daemon: return to service recorded out of service -> in service"),
    ] {
        assert!(has(&lines, &wanted), "{wanted:?} in {lines:#?}");
    }
    let aside = rows.iter().find(|(_, row)| row.text.contains("\"shelve\"")).unwrap().1.fields().unwrap();
    assert_eq!((&*aside[7], &*aside[9]), ("unacknowledged", "paddle wheel being mended"));
    let until = crate::local::status::rfc3339(
        Timestamp(aside[1].parse::<jiff::Timestamp>().unwrap().as_millisecond()) + length,
    );
    assert_eq!(aside[8], format!("shelved until {until}"));
    let hand = rows.iter().find(|(_, row)| row.text.contains("hand reading")).unwrap().1.fields().unwrap();
    assert_eq!(hand[9], "sampled 2026-05-28T20:26:40Z");
    assert_eq!((hand[1].ends_with('Z'), &hand[2][19..]), (true, "+00:00"));
    rig.end().await;
}

/// At the moment at which a person is told, the store is copied away as a kill would leave it: the copy has the record.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_record_is_on_disk_before_its_action_is_told() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    for number in 0..20 {
        ask(&rig, Place::Command, by_ana(&format!("alarm-{number}"))).await;
        let copy = folder.path().join(format!("copy-{number}"));
        copy_folder(&farm.store.path, &copy);
        let trail = crate::journal::verify::verify(&copy, None).unwrap().trail;
        let (journal, _) = Journal::open(&copy, EVENING).unwrap();
        let rows = journal.trail_rows(1).unwrap();
        assert!(trail.is_whole() && trail.head == journal.trail());
        assert!(rows.last().unwrap().1.text.contains(&format!("\"alarm-{number}\"")));
    }
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_start_notes_what_of_the_configuration_changed() {
    let folder = TempDir::new().unwrap();
    let mut farm = farm(folder.path());
    Rig::start(&farm, EVENING).await.end().await;
    let rig = Rig::start(&farm, EVENING + Span::from_minutes(1)).await;
    let before = told(&trail(&rig).await);
    assert!(!before.iter().any(|line| line.contains("setting")), "nothing changed: {before:#?}");
    rig.end().await;
    farm.site.ponds[0].limits.do_low_mg_l[1].limit = 2.5;
    farm.site.ponds[0].salinity_psu = 12.0;
    farm.store.limits.raw_days = 30;
    let rig = Rig::start(&farm, EVENING + Span::from_minutes(2)).await;
    let lines = told(&trail(&rig).await);
    let new: Vec<&str> =
        lines[before.len()..].iter().filter_map(|line| line.split_once(": ")).map(|own| own.1).collect();
    let version = env!("CARGO_PKG_VERSION");
    let expected = [
        format!("stop pondreeve {version} -> "),
        format!("start pondreeve  -> {version}"),
        "low-oxygen limit ponds.pond.limits.do_low_mg_l.critical.limit 3.0 -> 2.5".to_owned(),
        "setting ponds.pond.salinity_psu 15.0 -> 12.0".to_owned(),
        "setting store.raw_days 400 -> 30".to_owned(),
    ];
    assert_eq!(new, expected);
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_clock_that_is_set_and_a_calibration_are_noted() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&[6.0, 6.0, 6.0]).await;
    let minutes = || rig.script.pass(Duration::from_secs(120));
    let standard =
        Step::Standard { quantity: Quantity::DoMgL, expected: 7.8, reading: Some(7.5), millivolts: None };
    for act in
        [Step::Begin { length: Span::from_minutes(30) }, Step::Cleaned, standard, Step::Adopt, Step::End]
    {
        minutes();
        assert_eq!(ask(&rig, Place::Console, step(act)).await, Applied::Done, "{act:?}");
    }
    rig.script.set(Span::from_hours(2));
    tokio::time::timeout(Duration::from_secs(10), async {
        while !told(&trail(&rig).await).iter().any(|line| line.contains("clock step")) {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    })
    .await
    .expect("the clock is looked at each second");
    let lines = told(&trail(&rig).await);
    for wanted in [
        "luis console: calibration recorded/do_mg_l gain 1 shift 0 -> gain 1.04 shift 0",
        "luis console: service step recorded/do_mg_l  -> read in a standard of 7.8",
        "luis console: return to service recorded out of service -> in service",
    ] {
        assert!(has(&lines, wanted), "{wanted:?} in {lines:#?}");
    }
    let step = lines.iter().find(|line| line.contains("clock step")).unwrap();
    assert!(step.contains("wall clock 2026-05-28T20:38:10Z -> 2026-05-28T22:38:10Z"), "{step}");
    rig.end().await;
}

/// A store of a program that kept no trail: it begins, says so, and says what of the configuration is new.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_store_without_a_trail_begins_one() {
    let folder = TempDir::new().unwrap();
    let mut farm = farm(folder.path());
    let (mut journal, _) = Journal::open(&farm.store.path, EVENING).unwrap();
    let mut batch = crate::journal::record::BatchWriter::new(1, EVENING);
    batch.input(&Input { seq: 1, at: EVENING, event: Event::Started { site: farm.site.clone() } });
    batch.input(&Input { seq: 2, at: EVENING, event: oxygen(5.0) });
    let batches = vec![(1, batch.finish()).into()];
    journal.commit(&crate::journal::Commit { batches, ..Default::default() }, EVENING).unwrap();
    drop(journal);
    farm.site.ponds[0].limits.do_low_mg_l[0].limit = 4.5;
    let rig = Rig::start(&farm, EVENING + Span::from_minutes(1)).await;
    let rows = trail(&rig).await;
    let lines = told(&rows);
    assert!(
        rows[0].1.text.contains("what was done before this version is in the journal only"),
        "{lines:#?}"
    );
    let limit = "low-oxygen limit ponds.pond.limits.do_low_mg_l.warn.limit 4.0 -> 4.5";
    assert!(lines.iter().any(|line| line.ends_with(limit)), "{lines:#?}");
    assert!(
        lines.iter().any(|line| line.contains("do_low_mg_l.critical.limit  -> 3.0")),
        "those in force too"
    );
    rig.end().await;
}

/// A salvaged store says of itself what it was made of, once.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_salvaged_store_notes_what_it_was_made_of() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    ask(&rig, Place::Command, by_ana("x")).await;
    rig.end().await;
    let mut restored = farm.clone();
    restored.store.path = folder.path().join("salvaged-store");
    crate::journal::archive::salvage(&farm.store.path, &restored.store.path).unwrap();
    for _ in 0..2 {
        let rig = Rig::start(&restored, EVENING + Span::from_minutes(5)).await;
        let lines = told(&trail(&rig).await);
        assert_eq!(
            lines.iter().filter(|line| line.contains("store salvage  -> made from another")).count(),
            1
        );
        rig.end().await;
    }
}
