//! The night of day 7 to 8: the mains fail at 23:40, and a generator takes over twelve minutes later.

use sim::ten_days::clock::at;

use crate::screen::Screen;
use crate::stage::Stage;
use crate::{read_it, shows};

#[test]
fn a_power_cut_is_one_alarm() {
    let mut stage = Stage::at(at(7, 17, 0));
    stage.play_attended(at(7, 23, 35), 5);
    let mut screen = Screen::open(stage.scratch.folder.path());
    screen.command("pondreeve console");
    screen.wait_for("Tidewick Ponds");
    stage.play(at(7, 23, 42), 1);
    // The clock may be drawn before the pond whose reading comes last.
    let last = "8.27 good <1m";
    let text = screen.wait_for_all(&["1 ALARM, NOT ACKNOWLEDGED", "23:42", "3 further alarms", last]);
    shows(
        &text,
        &[
            "<1C>! CRITICAL Farm: Power lost, aerators off",
            "Start the generator, then aerators one after another, 10 s",
            "Heron (p1): 3.0 mg/L in about",
        ],
    );
    insta::assert_snapshot!("power_is_lost", text);
    read_it();
    screen.begin();
    screen.press("a");
    screen.wait_for_all(&["Acknowledged: FARM, Power lost", "1 alarm, acknowledged"]);
    let keys = screen.done("9  power cut, acknowledged and read");
    assert_eq!(keys.others, 1);
    // What hangs on it is in the list, counted inside, and asked nobody for anything.
    stage.play(at(7, 23, 45), 1);
    screen.press("Tab");
    screen.press("Tab");
    let text = screen.wait_for_all(&["counted inside", "23:45"]);
    insta::assert_snapshot!("what_is_counted_inside", text.replace(&crate::me(), "somebody"));
    shows(&text, &["Several aerators stopped", "P2 Ibis       Aerator stopped at night", "counted in"]);
    assert_eq!(text.matches("NOT ACKNOWLEDGED").count(), 0, "{text}");
    screen.press("Escape");

    // The generator runs: what turns again is said, and that somebody must look, and test TAN.
    stage.play_attended(at(8, 0, 10), 1);
    let text = screen.wait_for_all(&["00:10", "Aerators run again"]);
    shows(
        &text,
        &["test TAN today and tomorrow", "It is over. Look at every pond, then press r to take it off."],
    );
    screen.begin();
    screen.press("r");
    screen.wait_for("Checked off");
    screen.wait_gone("Power lost, aerators off  ");
    screen.done("9  power cut, checked off");
}
