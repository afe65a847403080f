//! A gateway without a battery clock: it starts in 1970, and the time is set while it watches, or not at all.

use std::time::Instant;

use pondreeve_core::Span;
use pondreeve_core::effect::AlarmState;
use tempfile::TempDir;

use super::tests::{EVENING, Rig, farm, oxygen, replayed, standing_in};
use super::*;
use crate::journal::Journal;

const MORNING_OF_1970: Timestamp = Timestamp(40_000);

async fn faults(rig: &Rig) -> Vec<String> {
    let view = rig.desk.view().await.unwrap();
    view.faults.iter().map(|fault| format!("{}: {}", fault.part.id(), fault.detail)).collect()
}

async fn danger(rig: &Rig) -> bool {
    let view = rig.desk.view().await.unwrap();
    ["warn", "critical", "emergency"]
        .iter()
        .any(|level| standing_in(&view, &format!("pond.do-low-{level}")) == Some(AlarmState::Unacknowledged))
}

/// The clock is looked at each second.
async fn clock_is_right(rig: &Rig) -> bool {
    for _ in 0..100 {
        if faults(rig).await.iter().all(|text| !text.starts_with("clock")) {
            return true;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    false
}

/// The first start of all, in 1970: it watches at once and says what is wrong with the clock. Then a time server
/// answers and 56 years pass in one step: quickly, without alarms of those years, and low oxygen is told as ever.
/// All of it is in the store afterwards.
#[tokio::test]
async fn the_first_start_is_in_1970() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, MORNING_OF_1970).await;
    rig.readings(&[6.0, 5.9, 5.8]).await;
    let said = faults(&rig).await;
    assert!(said.iter().any(|text| text.starts_with("clock: the clock has not been set")), "{said:?}");

    let began = Instant::now();
    rig.script.set(EVENING - rig.clock().now());
    rig.readings(&[5.6, 5.5]).await;
    assert!(began.elapsed() < Duration::from_secs(10), "{:?} for 56 years", began.elapsed());
    assert!(clock_is_right(&rig).await, "{:?}", faults(&rig).await);
    assert!(!danger(&rig).await);
    rig.readings(&[2.0; 60]).await;
    assert!(danger(&rig).await, "low oxygen alarms after the step as before");
    let ended = rig.end().await;
    assert_eq!(replayed(&farm).await.state.view(), ended.view());
}

/// A battery clock that has lost two years while the gateway was off, with readings of now in the store: the alarms'
/// delays take as long as ever, and the alarm of the clock says what to do.
#[tokio::test]
async fn the_clock_is_two_years_behind_the_store() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&[6.0, 5.9]).await;
    rig.end().await;
    let rig = Rig::start(&farm, EVENING - Span::from_hours(24 * 730)).await;
    rig.readings(&[2.0; 60]).await;
    assert!(danger(&rig).await, "half an hour of 2 mg/L: {:#?}", rig.desk.view().await.unwrap().alarms);
    let said = faults(&rig).await;
    assert!(
        said.iter().any(|text| text.starts_with("clock: the clock is 730 days behind")
            && text.contains("begin a new store")),
        "{said:?}"
    );
    rig.end().await;
}

/// Readings of 1970 do not keep a store from being opened, read and thinned out later.
#[tokio::test]
async fn readings_of_1970_are_in_nobodys_way() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, MORNING_OF_1970).await;
    rig.readings(&[6.0; 4]).await;
    rig.script.set(EVENING - rig.clock().now());
    for _ in 0..5 {
        rig.script.pass(Duration::from_secs(13 * 3_600));
        assert_eq!(rig.send(oxygen(6.0)).await, Applied::Done);
    }
    rig.end().await;
    let opened = Journal::open(&farm.store.path, EVENING + Span::from_hours(90));
    let (_, notes) = opened.unwrap();
    assert_eq!(notes, Vec::<String>::new());
}

/// A time server answers some minutes after the boot, three hours on, at night: nobody was silent for three hours, no horn
/// sounds, and a replay knows it too.
#[tokio::test]
async fn a_clock_that_is_set_forward_at_night_is_no_silence() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let night = EVENING + Span::from_hours(4);
    let rig = Rig::start(&farm, night).await;
    rig.readings(&[6.0, 6.02, 6.01]).await;
    rig.script.set(Span::from_hours(3));
    let mut view = rig.desk.view().await.unwrap();
    for _ in 0..200 {
        if view.at > night + Span::from_hours(3)
            && view.alarms.iter().any(|alarm| alarm.id == "gateway.clock")
        {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
        view = rig.desk.view().await.unwrap();
    }
    let standing: Vec<&str> = view.alarms.iter().map(|alarm| alarm.id.as_str()).collect();
    assert_eq!(standing, ["gateway.clock"]);
    assert!(view.alarms[0].message.contains("set forward by 3 h"), "{}", view.alarms[0].message);
    rig.readings(&[6.03]).await;
    let lived = rig.end().await;
    std::fs::remove_file(farm.store.path.join("checkpoint")).unwrap();
    assert!(replayed(&farm).await.state == lived);
}

/// The power was off for three hours of the night. The gateway has no battery clock and goes on where it was; the node has
/// one. Its readings are taken from the first on, low oxygen is told, and the clock is named, until somebody sets it.
#[tokio::test]
async fn a_gateway_that_woke_hours_late_watches_who_knows_the_time() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let night = EVENING + Span::from_hours(4);
    let rig = Rig::start(&farm, night).await;
    rig.readings(&[6.0, 6.02]).await;
    rig.kill().await;
    let rig = Rig::start(&farm, night + Span::from_secs(40)).await;
    rig.clock().doubt(true);
    let off = Span::from_hours(3);
    for minute in 0..40 {
        rig.script.pass(Duration::from_secs(60));
        let Event::Sweep { mut samples } = oxygen(2.0) else { unreachable!() };
        for sample in &mut samples {
            sample.taken_at = Some(rig.clock().now() + off);
        }
        // As whoever reads messages does.
        rig.clock().note_dated_ahead(off);
        assert_eq!(rig.send(Event::Sweep { samples }).await, Applied::Done, "minute {minute}");
    }
    assert!(danger(&rig).await, "{:#?}", rig.desk.view().await.unwrap().alarms);
    let said = faults(&rig).await;
    assert!(said.iter().any(|text| text.starts_with("clock: a message is dated 3 h ahead")), "{said:?}");
    rig.script.set(off);
    assert!(clock_is_right(&rig).await, "{:?}", faults(&rig).await);
    rig.end().await;

    // The next cut: it goes on from what was kept of its clock twenty minutes before the newest reading.
    let rig = Rig::start(&farm, EVENING + Span::from_hours(7) + Span::from_minutes(20)).await;
    rig.clock().doubt(true);
    rig.readings(&[6.0]).await;
    tokio::time::sleep(Duration::from_millis(1_500)).await;
    let said = faults(&rig).await;
    assert!(
        said.iter().any(|text| text
            .starts_with("clock: the clock is 21 min behind the newest reading; it has no battery")),
        "{said:?}"
    );
    let lived = rig.end().await;
    std::fs::remove_file(farm.store.path.join("checkpoint")).unwrap();
    assert!(replayed(&farm).await.state == lived);
}

/// A time server that sets the clock on by some seconds each minute hides no silence: nothing else comes meanwhile that would
/// tell how late it is.
#[tokio::test]
async fn a_clock_that_is_set_again_and_again_hides_no_silence() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING + Span::from_hours(4)).await;
    rig.readings(&[6.0, 6.02, 6.01]).await;
    for _ in 0..20 {
        rig.script.pass(Duration::from_secs(60));
        rig.script.set(Span::from_secs(3));
        rig.desk.view().await.unwrap();
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    let view = rig.desk.view().await.unwrap();
    assert_eq!(standing_in(&view, "pond.do-blind-high"), Some(AlarmState::Unacknowledged));
    rig.end().await;
}
