//! Recorded readings through the program, with expectations reasoned by hand.

use std::process::{Output, Stdio};

use serde_json::Value;

use super::{json_lines, pondreeve, text, told};

/// Writes a recording and replays it.
fn replayed(recordings: &[&str], more: &[&str]) -> Output {
    let folder = tempfile::tempdir().unwrap();
    let mut command = pondreeve();
    command
        .current_dir(folder.path())
        .args(["replay", "--latitude", "9.5", "--longitude", "-75.6"])
        .args(more);
    for (index, recording) in recordings.iter().enumerate() {
        let name = format!("{index}.csv");
        std::fs::write(folder.path().join(&name), recording).unwrap();
        command.arg(name);
    }
    command.output().unwrap()
}

/// `time quantity value flag` of each reading that carries a value.
fn readings(output: &Output) -> Vec<String> {
    json_lines(output)
        .iter()
        .filter(|line| line["kind"] == "reading" && !line["raw"].is_null())
        .map(|line| {
            let at = line["at"].as_str().unwrap();
            format!("{at} {} {} {}", line["quantity"].as_str().unwrap(), line["value"], line["flag"])
        })
        .collect()
}

/// What spreadsheets and loggers make of a file: a byte order mark, both line ends, quotes, another
/// offset, empty cells, empty lines. Nothing of it is a fault.
#[test]
fn a_recording_is_read_however_it_was_written() {
    let recording = concat!(
        "\u{feff}time_utc,\"do_mg_l\",temperature_c\r\n",
        "2026-03-01T18:00:00Z,6.0,28.5\r\n",
        "\"2026-03-01T18:15:00Z\",6.25,\r\n",
        "\r\n",
        "2026-03-01T13:30:00-05:00, 6.5 ,\"28.75\"\r\n",
        "2026-03-01T18:45:00Z,,28.5",
    );
    let output = replayed(&[recording], &[]);
    assert_eq!(
        told(&output),
        (
            0,
            concat!(
                "pondreeve replay: oxygen counts as stale 22 min after a reading, as missing after 37 min\n",
                "pondreeve replay: no salinity given or recorded: taken as 18 PSU (--salinity-psu)\n",
            )
            .to_owned()
        )
    );
    assert_eq!(
        readings(&output),
        [
            "2026-03-01T18:00:00Z do_mg_l 6.0 1",
            "2026-03-01T18:00:00Z temperature_c 28.5 1",
            "2026-03-01T18:15:00Z do_mg_l 6.25 1",
            "2026-03-01T18:30:00Z do_mg_l 6.5 1",
            "2026-03-01T18:30:00Z temperature_c 28.75 1",
            "2026-03-01T18:45:00Z temperature_c 28.5 1",
        ]
    );
    for line in json_lines(&output) {
        assert_eq!(line["pond"], "p1");
        assert!(line["at"].as_str().unwrap().ends_with('Z'));
    }
}

#[test]
fn what_cannot_be_read_is_said_with_its_place_and_the_rest_goes_on() {
    let recording = concat!(
        "time_utc,do_mg_l,temperature_c,station,nh3_n_mg_l\n",
        "2026-03-01T18:00:00Z,6.0,28.5,north,0.1\n",
        "2026-03-01T18:15:00Z,n/a,28.5,north,\n",
        "2026-03-01T18:05:00Z,6.3,28.6,north,\n",
        "yesterday,6.3,28.6,north,\n",
        "2026-03-01T18:30:00,6.3,28.6,north,\n",
        "2026-03-01T18:30:00Z,6.3,28.6\n",
        "2026-03-01T18:30:00Z,26.0,NaN,\"two\nlines\",\n",
        "2026-03-01T18:45:00Z,inf,28.6,north,\n",
    );
    let output = replayed(&[recording], &[]);
    let (status, message) = told(&output);
    assert_eq!(status, 2);
    insta::assert_snapshot!(message);
    assert_eq!(
        readings(&output),
        [
            "2026-03-01T18:00:00Z do_mg_l 6.0 1",
            "2026-03-01T18:00:00Z temperature_c 28.5 1",
            "2026-03-01T18:15:00Z temperature_c 28.5 1",
            // The row is out of order but not dropped: its temperature is older than one already read
            // and suspect, its oxygen is the newest there is.
            "2026-03-01T18:05:00Z do_mg_l 6.3 1",
            "2026-03-01T18:05:00Z temperature_c 28.6 3",
            // Above 25 mg/L a probe is not believed.
            "2026-03-01T18:30:00Z do_mg_l 26.0 4",
            "2026-03-01T18:45:00Z temperature_c 28.6 1",
        ]
    );
    let late = json_lines(&output)
        .into_iter()
        .find(|line| line["at"] == "2026-03-01T18:05:00Z" && line["quantity"] == "temperature_c")
        .unwrap();
    assert_eq!((&late["tests"]["order"], &late["tests"]["gross_range"]), (&Value::from(3), &Value::from(1)));
}

#[test]
fn a_column_of_faults_is_counted_rather_than_listed() {
    let mut recording = "time_utc,do_mg_l\n".to_owned();
    for minute in 0..40 {
        recording.push_str(&format!("2026-03-01T18:{minute:02}:00Z,NA\n"));
    }
    let (status, message) = told(&replayed(&[&recording], &[]));
    assert_eq!(status, 2);
    assert_eq!(message.lines().filter(|line| line.contains("is not a number")).count(), 10);
    assert!(
        message.ends_with("0.csv, column 'do_mg_l': 30 more values that could not be read, 40 in all\n"),
        "{message}"
    );
}

#[test]
fn a_header_that_cannot_be_used_is_refused_with_what_is_accepted() {
    for (recording, found) in [
        ("", "0.csv failed: the file is empty"),
        ("do_mg_l,ph\n", "line 1 has no column 'time_utc', it has 'do_mg_l', 'ph'"),
        ("time_utc,oxygen\n", "no column of line 1 is a quantity, they are 'time_utc', 'oxygen'"),
        ("time_utc,ph,ph\n", "line 1 has the column 'ph' twice"),
    ] {
        let output = replayed(&[recording], &[]);
        let (status, message) = told(&output);
        assert_eq!((status, output.stdout.len()), (2, 0), "{message}");
        assert!(message.contains(found) && message.starts_with("pondreeve: "), "{message}");
    }
}

#[test]
fn several_files_are_one_recording_and_only_what_is_wanted_is_printed() {
    let first =
        "time_utc,do_mg_l\n2026-03-01T18:00:00Z,6.0\n2026-03-01T18:30:00Z,6.1\n2026-03-01T19:00:00Z,6.2\n";
    let second =
        "time_utc,temperature_c,do_mg_l\n2026-03-01T19:30:00Z,28.5,6.3\n2026-03-01T20:00:00Z,28.5,6.4\n";
    let output = replayed(&[first, second], &["--only", "reading,alarm", "--pond", "north"]);
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(
        readings(&output),
        [
            "2026-03-01T18:00:00Z do_mg_l 6.0 1",
            "2026-03-01T18:30:00Z do_mg_l 6.1 1",
            "2026-03-01T19:00:00Z do_mg_l 6.2 1",
            "2026-03-01T19:30:00Z temperature_c 28.5 1",
            "2026-03-01T19:30:00Z do_mg_l 6.3 1",
            "2026-03-01T20:00:00Z temperature_c 28.5 1",
            "2026-03-01T20:00:00Z do_mg_l 6.4 1",
        ]
    );
    for line in json_lines(&output) {
        assert!(line["kind"] == "reading" || line["kind"] == "alarm", "{line}");
        assert_eq!(line["pond"], "north");
    }
}

/// A night without trouble, recorded each half hour: no alarm may come of the recording's own step.
#[test]
fn a_slow_recording_is_not_an_outage() {
    let start: jiff::Timestamp = "2026-03-01T18:00:00Z".parse().unwrap();
    let mut recording = "time_utc,do_mg_l,temperature_c\n".to_owned();
    for step in 0..48 {
        let at = start + jiff::SignedDuration::from_mins(30 * step);
        // Down by 0.08 mg/L a row from 9 in the afternoon: 5.2 at the end.
        let temperature_c = 28.5 + 0.1 * (step % 5) as f64;
        recording.push_str(&format!("{at},{:.2},{temperature_c:.1}\n", 9.0 - 0.08 * step as f64));
    }
    let output = replayed(&[&recording], &["--only", "alarm"]);
    assert_eq!((output.status.code(), text(&output.stdout).as_str()), (Some(0), ""));
}

/// Oxygen that stays at 2.5 mg/L: the warning (below 4 for 10 min) and the critical alarm (below 3 for
/// 5 min) come at their delays; the emergency (below 2) does not.
#[test]
fn low_oxygen_raises_its_alarms_at_their_delays() {
    let mut recording = "time_utc,do_mg_l,temperature_c\n".to_owned();
    for minute in 0..20 {
        let value = if minute < 3 { 6.0 } else { 2.5 };
        recording.push_str(&format!("2026-03-01T18:{minute:02}:00Z,{value},28.5\n"));
    }
    let output = replayed(&[&recording], &["--only", "alarm"]);
    let raised: Vec<String> = json_lines(&output)
        .iter()
        .filter(|line| line["id"].as_str().unwrap().starts_with("p1.do-low"))
        .map(|line| {
            format!("{} {} {} {}", line["at"], line["id"], line["previous_state"], line["state"])
                .replace('"', "")
        })
        .collect();
    assert_eq!(
        raised,
        [
            "2026-03-01T18:08:00Z p1.do-low-critical normal unacknowledged",
            "2026-03-01T18:13:00Z p1.do-low-warn normal unacknowledged",
        ]
    );
}

/// Saturation rests on the salinity, so a guessed one is said, once; one that is given or recorded is not.
#[test]
fn a_guessed_salinity_is_said_once() {
    const SAID: &str = "no salinity given or recorded: taken as 18 PSU (--salinity-psu)";
    let bare = "time_utc,do_mg_l\n2026-03-01T18:00:00Z,6.0\n2026-03-01T18:30:00Z,6.1\n";
    let salty = "time_utc,do_mg_l,salinity_psu\n2026-03-01T19:00:00Z,6.0,31\n2026-03-01T19:30:00Z,6.1,31\n";
    let times = |output: &Output| text(&output.stderr).matches(SAID).count();
    assert_eq!(times(&replayed(&[bare], &[])), 1);
    assert_eq!(times(&replayed(&[bare, bare], &[])), 1);
    assert_eq!(times(&replayed(&[bare], &["--salinity-psu", "18"])), 0);
    assert_eq!(times(&replayed(&[bare, salty], &[])), 0);
}

#[test]
fn a_reader_that_leaves_is_no_failure() {
    let mut recording = "time_utc,do_mg_l,temperature_c\n".to_owned();
    for hour in 0..24 {
        for minute in 0..60 {
            recording.push_str(&format!("2026-03-01T{hour:02}:{minute:02}:00Z,6.5,28.5\n"));
        }
    }
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("day.csv"), recording).unwrap();
    let mut child = pondreeve()
        .current_dir(folder.path())
        .args(["replay", "--latitude", "9.5", "--longitude", "-75.6", "day.csv"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    let (status, message) = told(&output);
    assert_eq!(status, 0);
    assert!(!message.contains("Broken pipe") && !message.contains("panicked"), "{message}");
}
