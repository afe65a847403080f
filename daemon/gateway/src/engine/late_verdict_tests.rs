//! A verdict that comes after its reading, as people see it in plots: at once, and after a restart.

use pondreeve_core::Span;
use pondreeve_core::effect::Flag;
use pondreeve_core::site::PondIndex;

use super::tests::{Rig, farm, oxygen};
use super::*;

/// 2026-05-28T20:26:40Z, evening at the farm.
const EVENING: Timestamp = Timestamp(1_780_000_000_000);

/// One reading a minute; 9.0 mg/L stands 3.5 above the middle of its neighbours, and spikes fail above 2.
const VALUES: [f64; 7] = [5.50, 5.52, 5.49, 9.00, 5.51, 5.50, 5.52];

async fn flags(rig: &Rig) -> Vec<(f64, Flag)> {
    let points = rig.desk.history("pond", Quantity::DoMgL, EVENING, 1_000).await.unwrap();
    points.iter().map(|point| (point.value, point.flag)).collect()
}

async fn pass(rig: &Rig, values: &[f64]) {
    for &value in values {
        rig.script.pass(Duration::from_secs(60));
        assert_eq!(rig.send(oxygen(value)).await, Applied::Done);
    }
}

fn spikes(flags: &[(f64, Flag)]) -> Vec<f64> {
    flags.iter().filter(|(_, flag)| *flag >= Flag::Suspect).map(|(value, _)| *value).collect()
}

#[tokio::test]
async fn a_spike_is_marked_in_the_plot_once_its_neighbour_has_come() {
    let folder = tempfile::tempdir().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    pass(&rig, &VALUES[..4]).await;
    let before = flags(&rig).await;
    assert_eq!((before.len(), spikes(&before).contains(&9.0)), (4, false), "its neighbour has not come yet");
    pass(&rig, &VALUES[4..]).await;
    let shown = flags(&rig).await;
    assert!(shown.contains(&(9.0, Flag::Fail)), "{shown:?}");
    let after = shown.iter().filter(|(_, flag)| *flag == Flag::Fail).count();
    assert_eq!(after, 1, "{shown:?}");
    drop(rig.end().await);

    // Another run: from the journal of what it replays, and from the store.
    let rig = Rig::start(&farm, EVENING + Span::from_minutes(8)).await;
    let mut again = Vec::new();
    for _ in 0..1_000 {
        again = flags(&rig).await;
        if again == shown {
            break;
        }
        // The store hands over what it has piece by piece.
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    assert_eq!(again, shown, "the plot is back, verdicts and all");
    let view = rig.desk.view().await.unwrap();
    let pond = view.ponds.iter().find(|pond| pond.pond == PondIndex(0)).unwrap();
    let latest = pond.latest.iter().find(|latest| latest.quantity == Quantity::DoMgL).unwrap();
    assert_eq!((latest.value, latest.flag), (Some(5.52), Flag::Pass));
    drop(rig.end().await);
}
