//! Lines that are too long for the screen.

use crate::console::sample;

use super::Shown;

/// What is over must not look as if it stood: the name is shortened, the state and its time stay.
#[test]
fn a_long_name_leaves_room_for_state_and_time() {
    let mut farm = sample::critical_alarm();
    let mut over = farm.alarms[0].clone();
    over.id = "p3.do-blind-critical".to_owned();
    over.pond = Some("p3".to_owned());
    over.name = "Oxygen not observed at night for long".to_owned();
    over.state = "returned-unacknowledged".to_owned();
    farm.alarms.insert(1, over);
    let shown = Shown::of(farm).sized(80, 30).text();
    let line = shown.lines().rfind(|line| line.contains("Curlew: Oxygen not obs")).unwrap();
    assert!(line.len() <= 80 && line.contains("since "), "{line:?} in\n{shown}");
    assert!(line.ends_with("OVER, NOT ACK."), "{line:?}");
}
