//! Trials that cannot be, and what is said of a pond without one.

use super::daemon::Daemon;
use super::{json_lines, text, told};

#[test]
fn what_is_no_trial_is_status_2_and_says_what_can() {
    let daemon = Daemon::start();
    let fix = |change: &[(&str, &str)]| {
        let mut arguments = vec!["trial", "fix"];
        for (name, usual) in [
            ("--treated", "p1"),
            ("--control", "p1"),
            ("--outcome", "dawn_minimum"),
            ("--from", "2026-05-01"),
            ("--to", "2026-07-31"),
            ("--by", "adviser"),
            ("--reason", "drawn by lot"),
        ] {
            let own = change.iter().find(|(own, _)| *own == name).map_or(usual, |(_, value)| *value);
            arguments.extend([name, own]);
        }
        let output = daemon.ask(&arguments);
        let (status, message) = told(&output);
        assert_eq!((status, text(&output.stdout)), (2, String::new()), "{arguments:?}: {message}");
        message
    };
    assert!(fix(&[]).contains("p1 cannot be its own control"));
    assert!(fix(&[("--control", "p9")]).contains("accepted is p1"));
    assert!(fix(&[("--from", "1 May")]).contains("1 May"));
    assert!(fix(&[("--outcome", "growth")]).contains("dusk_peak"));
    let shown = daemon.ask(&["trial", "show"]);
    assert!(text(&shown.stdout).contains("No trial is fixed"), "nothing half-written");
    assert!(json_lines(&daemon.ask(&["trial", "show", "--json"])).is_empty());
    let (status, message) = told(&daemon.ask(&["evidence", "--pond", "p1"]));
    assert!(status == 2 && message.contains("no trial is fixed in which p1 is treated"), "{message}");
    let (status, message) = told(&daemon.ask(&["evidence", "--trial", "7"]));
    assert!(status == 2 && message.contains("no trial 7"), "{message}");
    let (status, _) = told(&daemon.ask(&["evidence"]));
    assert_eq!(status, 2, "a pond or a trial must be named");
}
