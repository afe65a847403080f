//! The diary outlives everything: a kill, and a start long after that reads three weeks only.

use pondreeve_core::diary::{Entry, Feed, Stocking, What};
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Site, Span};
use tempfile::TempDir;

use super::tests::{EVENING, Rig, farm, killed_now, oxygen, replayed};
use super::*;
use crate::audit::Place;

fn said(what: What, at: Timestamp) -> Event {
    let entry = Entry { number: 0, at, corrects: None, basin: None, what };
    Event::Diary { pond: PondIndex(0), entry, by: "ana".to_owned() }
}

fn fed(at: Timestamp) -> Event {
    said(What::Feed(Feed { kg: 38.0, tray_left_percent: None }), at)
}

fn number(applied: &Applied) -> u64 {
    match applied {
        Applied::Recorded(recorded) => recorded.entry.number,
        _ => 0,
    }
}

/// What was said to be recorded is there after the power went at that instant.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_recorded_is_on_disk_when_it_is_said() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    assert_eq!(number(&rig.send(fed(EVENING)).await), 1);
    let refused = rig.send(said(What::Feed(Feed { kg: -1.0, tray_left_percent: None }), EVENING)).await;
    assert!(matches!(refused, Applied::Refused(why) if why.contains("kg = -1 cannot be")));
    assert_eq!(number(&rig.send(fed(EVENING - Span::from_minutes(1))).await), 2);
    for now in killed_now(&farm, &folder.path().join("killed")).await {
        let feed = now.state.view().ponds[0].diary.unwrap().feed_today;
        assert_eq!((feed.kg, feed.meals), (76.0, 2));
    }
    rig.end().await;
}

/// Without the checkpoint a start reads the inputs of three weeks; the crop was stocked before.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_crop_outlives_the_checkpoint_however_old_it_is() {
    let folder = TempDir::new().unwrap();
    let mut farm = farm(folder.path());
    farm.site = Site::single_pond(10.0, -60.0, 15.0, &[Quantity::DoMgL], Span::from_hours(1));
    let mut lived = State::new();
    // The farm changes between.
    for (run, days) in [(0_i64, 1), (1, 29), (30, 2)] {
        if run == 30 {
            farm.site.ponds[0].depth_m += 0.1;
        }
        let rig = Rig::start(&farm, EVENING + Span::from_hours(24 * run)).await;
        for step in 0..days * 24_i64 {
            rig.script.pass(Duration::from_secs(3_600));
            let value = 5.0 + 0.01 * (step % 7) as f64 + 0.02 * (step % 5) as f64;
            let incoming = Incoming { event: oxygen(value), done: None, urgent: false, place: Place::Daemon };
            rig.inbox.send(incoming).await.unwrap();
            rig.desk.view().await.unwrap();
            let at = EVENING + Span::from_hours(24 * run + step);
            if run == 0 && step == 3 {
                let what =
                    Stocking { count: 600_000, species: None, lot: None, size: None, abw_g: Some(0.01) };
                assert_eq!(number(&rig.send(said(What::Stocking(what), at)).await), 1);
            }
            if step % 24 == 5 {
                assert!(number(&rig.send(fed(at)).await) > 0);
            }
        }
        lived = rig.end().await;
    }
    let of = |state: &State| state.view().ponds[0].diary.unwrap();
    assert_eq!(of(&lived).crop.unwrap().stocked, 600_000.0);
    std::fs::remove_file(farm.store.path.join("checkpoint")).unwrap();
    let again = replayed(&farm).await;
    assert!(again.reading.cut_short && again.reading.damaged == 0);
    assert_eq!(of(&again.state), of(&lived));
    let rig = Rig::start(&farm, EVENING + Span::from_hours(24 * 32)).await;
    assert_eq!(number(&rig.send(fed(EVENING)).await), 34, "numbers go on");
    rig.end().await;
}
