//! Day 8: the dose that was planned and the one that was poured, kits, a drain, and the adviser's review.

use sim::ten_days::clock::at;

use crate::screen::Screen;
use crate::stage::Stage;
use crate::{me, read_it, shows};

#[test]
fn the_day_of_the_wrong_dose() {
    let mut stage = Stage::at(at(7, 15, 0));
    stage.play_attended(at(8, 15, 0), 5);
    let mut screen = Screen::open(stage.scratch.folder.path());
    screen.command("pondreeve console");
    screen.wait_for("Tidewick Ponds");
    read_it();
    kit(&mut screen);
    dose_gate(&mut screen);
    log_the_dose(&mut screen);
    log_a_drain(&mut screen);
    // Time enough for the alarm about the containers, which somebody acknowledges too.
    stage.play_attended(at(8, 15, 10), 5);
    screen.wait_for_all(&["15:10", "6 alarms, all acknowledged"]);
    review(&mut screen, &stage);
    dose_at_the_shell(&mut screen);
}

/// Alkalinity, and TAN by a kit that counts as N: asked, never guessed; then what it means.
fn kit(screen: &mut Screen) {
    screen.begin();
    screen.press("e");
    screen.wait_for("Readings made by hand");
    screen.press("3");
    for _ in 0..4 {
        screen.press("Down");
    }
    screen.number("1.1");
    screen.press("Enter");
    let text = screen.wait_for("what does the kit count? Press u until it says N or NH3 or NH4.");
    insta::assert_snapshot!("what_the_kit_counts", text);
    screen.press("u");
    screen.wait_for("mg/L as N (u)");
    for _ in 0..4 {
        screen.press("Down");
    }
    screen.number("105");
    screen.press("Enter");
    screen.wait_for("Kept: P3 TAN (as N) 1.1 mg/L, Alkalinity CaCO3 105 mg/L");
    let keys = screen.done("7  kit: TAN and alkalinity");
    assert!(keys.others <= 14, "{keys:?}");
    screen.press("3");
    let text = screen.wait_for_all(&["P3 Curlew", "NH3-N", "TAN (as N)      1.10", "* measured"]);
    insta::assert_snapshot!("a_pond_after_the_kit", text);
    screen.press("w");
    let text = screen.wait_for("Limit from");
    shows(&text, &["un-ionised ammonia", "from TAN 1.10 mg/L", "Cut feed", "Lin & Chen 2001"]);
    screen.press("Escape");
    screen.press("q");
    screen.wait_for("$");
}

/// Today? One sentence why not, and when it can be.
fn dose_gate(screen: &mut Screen) {
    screen.clear();
    screen.begin();
    screen.command("pondreeve plan dose --pond p3 --lot M-17");
    let text = screen.wait_for("person decides.\n$");
    shows(
        &text,
        &[
            "38.4 kg = 25.1 L = 1.5 containers",
            "NOT NOW: pH 8.61 (limit 8.5); predicted mean NH3-N 0.24 mg/L (limit 0.12)",
            "NH3-N, peak of a day, mg/L    0.25     0.30  limit 0.30",
        ],
    );
    insta::assert_snapshot!("the_dose_gate", text);
    screen.done("5  whether to dose");
}

/// 38.4 kg weighed, but the emptied containers say 120: asked once more, and kept as confirmed.
fn log_the_dose(screen: &mut Screen) {
    screen.clear();
    screen.command("pondreeve console");
    screen.wait_for("Tidewick Ponds");
    screen.begin();
    screen.press("d");
    screen.press("d");
    screen.press("3");
    screen.press("2");
    screen.wait_for("Slurry");
    screen.number("38.4");
    screen.press("Tab");
    screen.press("Tab");
    screen.number("4.8");
    screen.press("Tab");
    screen.press("1");
    screen.press("Enter");
    let text = screen.wait_for("NOT recorded yet");
    shows(&text, &["38.4 kg weighed; 4.8 containers of 25 kg are 120.0 kg"]);
    screen.press("Enter");
    // What was confirmed is told all the same, at once.
    let text = screen.wait_for_all(&["Kept as entry 1", "6 ALARMS, 1 NOT ACKNOWLEDGED"]);
    shows(&text, &["goggles, gloves, boots", "Read the pH at 1 h, 4 h and 24 h."]);
    insta::assert_snapshot!("a_dose_is_kept", text);
    // plan dose said NOT NOW: why it was given stands in its place, beside what spoke against it.
    shows(&text, &["Why was it given?", "1  the adviser approved it"]);
    screen.press("1");
    let text = screen.wait_for("Kept as entry 2");
    shows(&text, &["against advice (the adviser approved it)", "pH 8.61 (limit 8.5)"]);
    screen.press("Enter");
    let keys = screen.done("6  dose logged, mismatch confirmed");
    assert!(keys.others <= 12, "{keys:?}");
}

fn log_a_drain(screen: &mut Screen) {
    screen.begin();
    for key in ["d", "3", "3"] {
        screen.press(key);
    }
    screen.wait_for("Level before");
    screen.number("1.20");
    screen.press("Tab");
    screen.number("1.05");
    screen.press("Enter");
    let text = screen.wait_for("Kept as entry 3");
    shows(
        &text,
        &[
            "1200 m3 let out, 12.5 % of 9600 m3",
            "The next dose is reckoned with 8400 m3.",
            "ask for the local",
            "NOT within 48 h of a dose without the adviser's approval",
        ],
    );
    screen.press("Enter");
    let keys = screen.done("10 drain logged");
    assert!(keys.others <= 7, "{keys:?}");
    screen.wait_for_all(&["P3 drain: 1200 m3 let out", "P3 dose: 38.4 kg = 25.1 L of slurry of lot M-17"]);
    screen.press("0");
}

/// At the shell the reason is typed, in the farm's own words.
fn dose_at_the_shell(screen: &mut Screen) {
    screen.clear();
    screen.command("pondreeve record --pond p3 dose --slurry-kg 5 --lot M-17");
    screen.wait_for("Why was it given? Type the reason");
    screen.command("left in the bucket");
    let text = screen.wait_for("entry 5, in place of entry 4");
    shows(&text, &["(left in the bucket): ", "dosed"]);
}

/// What an adviser looks at: nights, alarm load, the trail of what people did, unbroken.
fn review(screen: &mut Screen, stage: &Stage) {
    screen.begin();
    screen.press("1");
    screen.wait_for("sunset");
    screen.press("n");
    screen.wait_for("P1 Heron: tonight");
    screen.press("n");
    let text = screen.wait_for_all(&["last nights", "Mon"]);
    insta::assert_snapshot!("the_last_nights", text);
    screen.press("q");
    screen.wait_for("$");
    screen.clear();
    screen.command("pondreeve alarms --measures");
    let text = screen.wait_for("Most frequent");
    shows(&text, &["stale: standing for more than a day", "shelved now; shelved in all", "aim"]);
    screen.clear();
    screen.command("pondreeve export --audit > trail.csv && tail -n 3 trail.csv | cut -c 1-78");
    screen.wait_for("\"diar");
    screen.done("11 the adviser's review");
    let trail = std::fs::read_to_string(stage.scratch.folder.path().join("trail.csv")).expect("an export");
    shows(&trail, &["\"hand reading\"", "\"console\"", "p3/entry 3", &me()]);
}
