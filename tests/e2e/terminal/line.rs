//! Bytes that the console writes through its terminal: what a serial line of 9600 baud must carry. It carries 960
//! bytes in a second.

use sim::ten_days::clock::at;

use crate::read_it;
use crate::screen::Screen;
use crate::stage::Stage;

/// What 9600 baud carry in three seconds.
const THREE_SECONDS: u64 = 2_880;
/// And in half of one: a minute's new readings may come in two redraws.
const HALF_A_SECOND: u64 = 480;

#[test]
fn every_redraw_fits_a_serial_line() {
    let mut stage = Stage::at(at(2, 20, 0));
    stage.play_attended(at(2, 23, 0), 5);
    let mut screen = Screen::open(stage.scratch.folder.path());
    let mut measured: Vec<(&str, u64, u64)> = Vec::new();
    screen.count_bytes();
    screen.command("pondreeve console");
    screen.wait_for("Tidewick Ponds");
    measured.push(("the first page, with what was typed", screen.bytes(), THREE_SECONDS));
    measured.push(("nothing new for a second and a half", screen.bytes(), 0));
    stage.play_attended(at(2, 23, 1), 1);
    screen.wait_for("23:01");
    measured.push(("the farm, a minute on, new readings in two ponds", screen.bytes(), HALF_A_SECOND));
    for (key, wanted, what) in [
        ("1", "sunset", "from the farm to a pond, with its curve"),
        ("n", "P1 Heron: tonight", "from the pond to its night"),
        ("n", "last nights", "to the last nights"),
        ("0", "Tab alarms", "back to the farm"),
        ("?", "KEYS", "to the help"),
        ("0", "Tab alarms", "back to the farm"),
    ] {
        screen.press(key);
        screen.wait_for(wanted);
        measured.push((what, screen.bytes(), THREE_SECONDS));
    }
    screen.press("1");
    screen.wait_for("* measured");
    screen.bytes();
    stage.play_attended(at(2, 23, 2), 1);
    screen.wait_for("23:02");
    measured.push(("a pond, a minute on", screen.bytes(), HALF_A_SECOND));
    screen.press("0");
    screen.wait_for("Tab alarms");
    screen.bytes();
    // Everything but P1's oxygen as before: it is low all at once.
    let low = |_: i64, probe: &str, values: &mut crate::stage::Values| {
        if probe == "p1-oxygen" {
            values.iter_mut().filter(|(id, _)| *id == "do_mg_l").for_each(|(_, value)| *value = 1.7);
        }
        true
    };
    stage.play_with(at(2, 23, 4), 1, |_, _| {}, low);
    screen.wait_for("HORN ON");
    measured.push(("an alarm on top", screen.bytes(), THREE_SECONDS));
    read_it();
    screen.press("a");
    screen.wait_for("Acknowledged: P1");
    measured.push(("its acknowledgement, and the next alarm on top", screen.bytes(), THREE_SECONDS));
    let mut wrong = String::new();
    for (what, bytes, most) in measured {
        println!("{bytes:>6} bytes, at most {most}: {what}");
        if bytes > most {
            wrong.push_str(&format!("{what}: {bytes} bytes, at most {most}\n"));
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}
