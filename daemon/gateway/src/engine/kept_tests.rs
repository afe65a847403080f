//! What is kept beyond the watch: a copy, a file a day, plots, what a damaged store still holds, services of
//! long ago.

use pondreeve_core::service::Step;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Site, Span};
use tempfile::TempDir;

use super::tests::{EVENING, Rig, falling, farm, killed_now, oxygen, replayed};
use super::*;

/// The drill: a copy made in the middle of watching becomes a store from which the same state comes.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_backup_becomes_a_store_that_knows_the_same() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&falling()).await;
    let copy = folder.path().join("copy");
    let pieces = rig.desk.shelf().backup(&copy).await.unwrap();
    assert!(pieces > 5, "{pieces}");
    let now = killed_now(&farm, &folder.path().join("killed")).await;
    rig.readings(&[1.2, 1.3]).await;
    rig.end().await;
    let mut restored = farm.clone();
    restored.store.path = folder.path().join("restored");
    let checked = crate::journal::archive::salvage(&copy, &restored.store.path).unwrap();
    assert_eq!((checked.damaged, checked.inputs), (0, now[1].reading.inputs));
    let again = replayed(&restored).await;
    assert!(again.state == now[1].state && again.next_seq == now[1].next_seq);
}

/// The file of a day is written once it is over, with what any other program can read.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_file_of_a_day_says_what_was_measured() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&[5.5, 5.25]).await;
    let files = folder.path().join("files");
    let mut empty = std::collections::BTreeSet::new();
    daily::write_due(&farm, EVENING + Span::from_hours(5), rig.desk.shelf(), &files, &mut empty)
        .await
        .unwrap();
    assert!(!files.exists(), "the day is not over for two hours");
    daily::write_due(&farm, EVENING + Span::from_hours(6), rig.desk.shelf(), &files, &mut empty)
        .await
        .unwrap();
    rig.end().await;
    let unpacked = std::process::Command::new("gzip")
        .arg("-dc")
        .arg(files.join("readings-2026-05-28.csv.gz"))
        .output()
        .unwrap();
    assert!(unpacked.status.success());
    let text = String::from_utf8(unpacked.stdout).unwrap();
    assert!(text.starts_with("time_utc,pond,quantity,probe,raw,value,flag\n"), "{text}");
    assert!(text.contains("2026-05-28T20:27:10Z,pond,do_mg_l,recorded,5.5,5.5,1\n"), "{text}");
    assert_eq!(text.lines().filter(|line| line.contains(",do_mg_l,")).count(), 2);
    // Where the audit trail ends stands beside it.
    let head = std::fs::read_to_string(files.join("audit-2026-05-28.txt")).unwrap();
    let (_, head) = head.trim_end().split_once(' ').unwrap();
    let (records, hash) = head.split_once(':').unwrap();
    assert!(records.parse::<u64>().unwrap() > 2 && hash.len() == 64, "{head}");
    assert_eq!(std::fs::read_dir(&files).unwrap().count(), 2);
}

/// A store whose database will not open is set aside; what its tail and its copy hold comes back.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_damaged_store_is_salvaged() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&falling()).await;
    let lived = rig.end().await;
    std::fs::write(farm.store.path.join("db"), vec![0xa5; 700_000]).unwrap();
    let to = folder.path().join("salvaged");
    let checked = crate::journal::archive::salvage(&farm.store.path, &to).unwrap();
    assert!(checked.damaged > 0 && checked.inputs > 20, "{checked:?}");
    let mut salvaged = farm.clone();
    salvaged.store.path = to;
    assert!(replayed(&salvaged).await.state == lived);
    // The damaged one is as it was.
    assert_eq!(std::fs::read(farm.store.path.join("db")).unwrap(), vec![0xa5; 700_000]);
}

/// The plots of the last day are there after a restart, though the values were measured before.
#[tokio::test]
async fn plots_go_on_after_a_restart() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&falling()).await;
    rig.end().await;
    let rig = Rig::start(&farm, EVENING + Span::from_hours(3)).await;
    let all = tokio::time::timeout(Duration::from_secs(20), async {
        loop {
            let points = rig.desk.history("pond", Quantity::DoMgL, EVENING, 1_000).await.unwrap();
            let derived =
                rig.desk.history("pond", Quantity::DoSaturationPercent, EVENING, 1_000).await.unwrap();
            if points.len() > 15 && derived.len() > 5 {
                return points;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    let points = all.await.expect("read back soon");
    assert!(points.is_sorted_by_key(|point| point.at));
    rig.end().await;
}

fn service(step: Step) -> Event {
    Event::Service { probe: ProbeIndex(0), step, by: "ana".to_owned() }
}

/// Takes the probe out, cleans it and finds it to read `expected` as what it reads now.
async fn calibrate(rig: &Rig, expected: f64) {
    let quantity = Quantity::DoMgL;
    let steps = [
        Step::Begin { length: Span::from_minutes(30) },
        Step::Before { quantity, hand: None, reading: None },
        Step::Cleaned,
        Step::Standard { quantity, expected, reading: None, millivolts: None },
        Step::Adopt,
        Step::End,
    ];
    for step in steps {
        assert_eq!(rig.send(service(step)).await, Applied::Done, "{step:?}");
    }
}

/// A program of another build has no use for the checkpoint, and a start reads three weeks of inputs; what
/// a probe was adjusted by before that is still in force.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_adjustment_outlives_the_checkpoint_however_old_it_is() {
    let folder = TempDir::new().unwrap();
    let mut farm = farm(folder.path());
    let quantities = [Quantity::DoMgL, Quantity::TemperatureC];
    farm.site = Site::single_pond(10.0, -60.0, 15.0, &quantities, Span::from_hours(1));
    let mut lived = State::new();
    // An adjustment on the second day, another on the thirtieth; the farm changes between.
    for (run, days) in [(0_i64, 1), (1, 29), (30, 2)] {
        if run == 30 {
            farm.site.ponds[0].depth_m += 0.1;
        }
        let rig = Rig::start(&farm, EVENING + Span::from_hours(24 * run)).await;
        for step in 0..days * 24_i64 {
            rig.script.pass(Duration::from_secs(3_600));
            let value = 5.0 + 0.01 * (step % 7) as f64 + 0.02 * (step % 5) as f64;
            rig.inbox
                .send(Incoming { event: oxygen(value), done: None, urgent: false, place: Place::Daemon })
                .await
                .unwrap();
            rig.desk.view().await.unwrap();
            if step == 10 && run > 0 {
                let reads = if run == 1 { 5.03 } else { 5.03 * 1.1 };
                calibrate(&rig, reads * 1.1).await;
            }
        }
        lived = rig.end().await;
    }
    let of = |state: &State| {
        let view = state.view();
        let channel = view.probes[0].channels[0].clone();
        let alarms: Vec<String> =
            view.alarms.iter().map(|alarm| format!("{} {:?}", alarm.id, alarm.state)).collect();
        (channel.serviced_at, channel.services.clone(), alarms)
    };
    let (serviced_at, services, alarms) = of(&lived);
    assert_eq!(services.len(), 2);
    assert_eq!(services[0].from, EVENING, "since the farm has it, not since the stop in between");
    assert!(services.iter().all(|own| (own.adopted.unwrap().gain - 1.1).abs() < 1e-9), "{services:?}");
    std::fs::remove_file(farm.store.path.join("checkpoint")).unwrap();
    let again = replayed(&farm).await;
    assert!(again.reading.cut_short && again.reading.damaged == 0);
    let (serviced_again, services_again, alarms_again) = of(&again.state);
    assert_eq!((serviced_again, services_again), (serviced_at, services));
    // An alarm that came and went before may be forgotten; none is made up. A forecast may differ by what nights of
    // more than 22 days ago had taught.
    let learnt = |alarm: &String| alarm.contains(".do-forecast-");
    assert!(
        alarms_again.iter().all(|alarm| alarms.contains(alarm) || learnt(alarm)),
        "{alarms_again:?} of {alarms:?}"
    );
    let reads = |state: &State| {
        let view = state.view();
        let latest = view.ponds[0].latest.iter();
        latest.clone().find(|own| own.quantity == Quantity::DoMgL).and_then(|own| own.value)
    };
    assert_eq!(reads(&again.state), reads(&lived));
    assert!(reads(&lived).unwrap() > 5.9, "twice a tenth more than the raw 5");
}
