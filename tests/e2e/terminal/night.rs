//! The night of day 2 to 3: the plan at dusk, a feeder that trips at 02:10, and the dawn round.

use pondreeve::local::protocol::{Ask, Reply};
use pondreeve_tests::wait_for;
use sim::ten_days::clock::at;

use crate::screen::Screen;
use crate::stage::Stage;
use crate::{me, read_it, shows};

#[test]
fn from_dusk_to_the_dawn_round() {
    let mut stage = Stage::at(at(2, 17, 0));
    stage.play_attended(at(2, 21, 15), 5);
    let mut screen = Screen::open(stage.scratch.folder.path());
    screen.command("pondreeve console");
    screen.wait_for("Tidewick Ponds");
    dusk_plan(&mut screen);
    stage.play_attended(at(3, 2, 5), 5);
    stage.play(at(3, 2, 12), 1);
    the_horn_sounds(&mut screen, &mut stage);
    stage.play_attended(at(3, 5, 40), 5);
    screen.wait_for("05:40");
    dawn_round(&mut screen, &stage);
}

/// What will the night bring, and what is to be started when? Pond by pond, in one key each.
fn dusk_plan(screen: &mut Screen) {
    screen.begin();
    screen.press("1");
    screen.wait_for("sunset 18:32");
    screen.press("n");
    let text =
        screen.wait_for_all(&["P1 Heron: tonight", "Forecast of", "* measured", "o expected", "10 ***"]);
    shows(
        &text,
        &["P1 Heron: tonight", "now 21:15", "Lowest expected", "80% sure", "Chance of below 4.0 mg/L"],
    );
    insta::assert_snapshot!("tonight_at_dusk", text);
    for (pond, name) in [("2", "P2 Ibis: tonight"), ("3", "P3 Curlew: tonight")] {
        screen.press(pond);
        screen.wait_for_all(&[name, "Lowest expected"]);
    }
    screen.press("4");
    let text = screen.wait_for_all(&[
        "P4 Avocet: tonight",
        "Lowest expected: 4",
        "* measured",
        "o expected",
        "   9 ",
    ]);
    insta::assert_snapshot!("tonight_at_dusk_where_little_is_needed", text);
    // The plan, with clock times, is on the overview.
    screen.press("0");
    let text = screen.wait_for("Tab alarms");
    shows(&text, &["Start B at 21:47 until about", "Start A AND B at 22:17 until about"]);
    let keys = screen.done("2  dusk plan, four ponds");
    assert!(keys.others <= 6, "{keys:?}");
}

/// 02:10: which pond, what, how long, what to do, on the first screen; one key silences the horn.
fn the_horn_sounds(screen: &mut Screen, stage: &mut Stage) {
    let text = screen.wait_for("1 NOT ACKNOWLEDGED");
    shows(
        &text,
        &[
            "HORN ON",
            "<1C>! CRITICAL P1 Heron: Several aerators stopped at night",
            "Aerators a and c have stopped; oxygen 4.6 mg/L, 3.0 mg/L in about 2 h",
            "Do      START B NOW",
            "Walk, do not run.",
            "call an electrician",
        ],
    );
    insta::assert_snapshot!("a_feeder_trips", text);
    read_it();
    screen.begin();
    screen.press("a");
    let by = format!("Acknowledged by {}.", me());
    let text = screen.wait_for_all(&["Acknowledged: P1", &by, "all acknowledged"]);
    assert!(!text.contains("HORN ON"), "{text}");
    let keys = screen.done("1  the horn at 02:10, acknowledged from the overview");
    assert_eq!(keys.others, 1);
    assert!(stage.status().alarms.iter().all(|alarm| !alarm.awaits_acknowledgement()));

    // Somebody has started B at the panel: the screen shows it turning, and asks for nothing that has tripped.
    stage.play(at(3, 2, 18), 1);
    let text = wait_for("B to be seen", crate::screen::SOON, || {
        let text = screen.text();
        (text.contains("02:18") && text.contains("FIND OUT WHY A AND C STOPPED")).then_some(text)
    });
    assert!(!text.contains("START A"), "{text}");
    screen.press("1");
    let text = screen.wait_for("Aerators: ");
    shows(&text, &["Aerators: A STOPPED, B on, C STOPPED"]);
    screen.press("0");
    screen.wait_for("Tab alarms");

    // An acknowledgement that comes too late is refused, and the page of what was done says so.
    let refused = stage.ask(Ask::Acknowledge { id: "p1.aerators-stopped".to_owned() });
    assert!(matches!(&refused, Reply::Error { .. }), "{refused:?}");
    screen.press("d");
    let text = screen.wait_for("02:18 P1 acknowledgement: REFUSED");
    shows(&text, &["02:12 P1 acknowledgement: acknowledged p1.aerators-stopped"]);
    screen.press("0");
}

/// Five readings of the hand meter, typed in one after another.
fn dawn_round(screen: &mut Screen, stage: &Stage) {
    screen.wait_for_all(&["05:40", "4.49 good <1m"]);
    screen.begin();
    for (pond, value) in [("1", "4.2"), ("2", "4.7"), ("3", "3.5"), ("4", "4.9"), ("1", "4.3")] {
        screen.press("e");
        screen.wait_for("Readings made by hand");
        screen.press(pond);
        screen.number(value);
        screen.press("Enter");
        let text = screen.wait_gone("Readings made by hand");
        let kept = match pond {
            // 4.49 by the probe: said at once.
            "3" => "Kept. P3 oxygen by hand 3.50, probe 4.49 mg/L: wipe the probe, compare again.".to_owned(),
            _ => format!("Kept: P{pond} Oxygen {value} mg/L; the probe reads 4."),
        };
        shows(&text, &[&kept]);
    }
    let keys = screen.done("3  dawn round, five readings by hand");
    assert!(keys.others <= 45, "{keys:?}");
    assert_eq!(keys.digits, 15);
    screen.press("d");
    let text = screen.wait_for("05:40 P4 reading: Oxygen 4.90 mg/L by hand");
    assert_eq!(text.matches(" by hand, ").count(), 5, "{text}");
    // Each is a check beside its probe, and no calibration.
    let probes = stage.status().probes;
    let channels: Vec<_> = probes.iter().flat_map(|probe| &probe.channels).collect();
    assert!(channels.len() >= 4 && channels.iter().all(|own| own.hand_check.is_some()), "{channels:?}");
    assert!(channels.iter().all(|own| (own.gain, own.shift) == (1.0, 0.0) && own.services.is_empty()));
}
