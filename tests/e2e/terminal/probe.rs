//! A probe in doubt at night, what settles it, and its service.

use sim::ten_days::clock::at;

use crate::screen::Screen;
use crate::stage::{Stage, Values};
use crate::{me, read_it, shows};

/// By so much P1's probe reads too low once something lies on its cap, mg/L.
const COVERED_MG_L: f64 = 4.6;

/// From 22:50 until somebody wipes it at 23:08.
fn covered(at_ms: i64, probe: &str, values: &mut Values) -> bool {
    if probe == "p1-oxygen" && (at(3, 22, 50)..at(3, 23, 8)).contains(&at_ms) {
        values.iter_mut().filter(|(id, _)| *id == "do_mg_l").for_each(|(_, value)| *value -= COVERED_MG_L);
    }
    true
}

#[test]
fn a_suspect_probe_alarms_until_a_hand_meter_settles_it() {
    let mut stage = Stage::at(at(3, 16, 0));
    stage.play_with(at(3, 22, 45), 5, |stage, _| stage.acknowledge_all(), covered);
    let mut screen = Screen::open(stage.scratch.folder.path());
    screen.command("pondreeve console");
    screen.wait_for("Tidewick Ponds");
    stage.play_with(at(3, 23, 0), 1, |_, _| {}, covered);
    let text = screen.wait_for_all(&["23:00", "HORN ON"]);
    // It sounds, it says that it doubts, and what to do all the same.
    shows(
        &text,
        &[
            "<1C>! CRITICAL P1 Heron: Oxygen emergency",
            "Oxygen reading suspect: check with a hand meter.",
            "1.36? mg/L, SUSPECT",
            "Do      START B NOW",
        ],
    );
    insta::assert_snapshot!("a_suspect_probe_alarms", text);
    read_it();
    screen.begin();
    screen.press("a");
    screen.wait_for("Acknowledged: P1");
    screen.press("e");
    screen.wait_for("Readings made by hand");
    screen.press("1");
    screen.number("6.9");
    screen.press("Enter");
    screen.wait_for("Kept. P1 oxygen by hand 6.90, probe 1.36 mg/L: wipe the probe, compare again.");
    let keys = screen.done("8  suspect probe: acknowledged, hand meter entered");
    assert_eq!((keys.others, keys.digits), (4, 3));
    stage.play_with(at(3, 23, 5), 1, |_, _| {}, covered);
    // A fault of the probe, to be worked on, with the clues for and against.
    let text = screen.wait_for_all(&["23:05", "Probe p1-oxygen faulty"]);
    shows(&text, &["[3M]", "clean and", "This is a fault of the probe"]);
    screen.press("w");
    let text = screen.wait_for("Probe or water");
    shows(
        &text,
        &["p1-oxygen looks like the probe", "probe 6: a hand meter read 6.9 mg/L where the probe read 1.4"],
    );
    screen.press("q");
    screen.wait_for("$");
    service(&mut screen, &mut stage);
}

/// Read, clean, read, put back: each step asked for, answered by digits and Enter.
fn service(screen: &mut Screen, stage: &mut Stage) {
    screen.clear();
    screen.begin();
    screen.command("pondreeve calibrate --probe p1-oxygen");
    screen.wait_for("Take p1-oxygen out of service for half an hour now? [y/N]");
    let typed = screen.done("4  the command").others;
    screen.press("y");
    screen.press("Enter");
    screen.wait_for("1. Before cleaning: hand meter beside the probe.");
    screen.number("6.9");
    screen.press("Enter");
    screen.wait_for("temperature, C");
    screen.press("Enter");
    screen.wait_for("2. Clean it");
    let out = |stage: &Stage| stage.alarm("p1.probe-fault.p1-oxygen").map(|alarm| alarm.state);
    assert_eq!(out(stage).as_deref(), Some("out-of-service"));
    stage.play_with(at(3, 23, 12), 1, |_, _| {}, covered);
    screen.press("Enter");
    screen.wait_for("3. After cleaning: hand meter beside the probe again.");
    screen.number("6.9");
    screen.press("Enter");
    screen.press("Enter");
    screen.wait_for("4. Standards");
    screen.press("Enter");
    let text = screen.wait_for("5. What was found:");
    shows(&text, &["Oxygen: fouling +4.55, drift not known"]);
    screen.press("Enter");
    screen.wait_for("Back in service.");
    let keys = screen.done("4  clean and check a probe");
    assert!(keys.others - typed <= 12, "{keys:?} beside the command's {typed}");
    assert_ne!(out(stage).as_deref(), Some("out-of-service"));
    let listed = stage.scratch.pondreeve(&["record", "list", "--all"]);
    let listed = String::from_utf8(listed.stdout).expect("text");
    // Lines are broken to fit the terminal.
    let listed = listed.split_whitespace().collect::<Vec<_>>().join(" ");
    shows(&listed, &["probe p1-oxygen: cleaned", "oxygen read before cleaning", &format!("by {}", me())]);
}
